"""What the desks said that stays in force, attacked: closed incidents, others' answers, unknown sets."""

from __future__ import annotations

from typing import Any

import pytest

from dashboard.live.display import STANDARD
from dashboard.live.row_view import row_view
from dashboard.live.side_view import contradiction_view

I1 = {"incident_id": "I-1"}
ROLL = {**I1, "roll_id": "R-1"}


def tally(desk: Any, at: float, number: int, action: str = "in", team: str = "Alder", **more: Any) -> None:
    fields = {**I1, "set_id": f"S-{number}", "wearer_id": f"W-{number}", "team": team, **more}
    desk.say(at, "tally", action=action, **fields)


def breathe(log: Any, number: int) -> Any:
    one = log.talker(f"S-{number}")
    one.set_up(0)
    one.breathe(20, 900, bar_s=0.1, closes=False, only_pressure=True)
    return one


@pytest.fixture
def desk(log: Any) -> Any:
    """W-1 and W-2 of Alder and W-3 of Birch are in; S-4 is under air and nobody tallied it in."""
    desk = log.desk()
    desk.say(0, "incident", action="open", **I1)
    for number in (1, 2, 3):
        tally(desk, number, number, team="Birch" if number == 3 else "Alder")
    for number in (1, 2, 3, 4):
        breathe(log, number)
    return desk


def answers(snapshot: Any) -> dict[str, str]:
    (line,) = snapshot.roll_calls
    return {wearer or set_id: state for wearer, set_id, _, state in line.answers}


def test_closing_an_incident_forgets_nothing_while_somebody_is_in(log: Any, see: Any, desk: Any) -> None:
    desk.say(100, "order", order="evacuate", state="given", **I1)
    desk.say(105, "roll_call", state="called", **ROLL)
    desk.say(110, "roll_call", state="missing", wearer_id="W-1", **ROLL)
    desk.say(112, "standby", team="Elm", state="ready", **I1)
    desk.say(120, "incident", action="close", **I1)
    closed = see(125)
    assert closed.rows[0].wearer_id == "W-1"
    assert closed.rows[0].attention == "not_accounted"
    assert answers(closed) == {"W-1": "missing", "W-2": "called", "W-3": "called", "S-4": "no_tally"}
    assert closed.orders[0].waiting == tuple(f"trial/S-{number}" for number in (1, 2, 3, 4))
    assert [one.team for one in closed.standby] == ["Elm"]
    for number in (1, 2, 3):
        tally(desk, 130 + number, number, "out")
    after = see(140)
    assert (after.orders, after.roll_calls, after.standby) == ((), (), ())


def test_an_incident_closed_by_mistake_and_opened_again_goes_on(log: Any, see: Any, desk: Any) -> None:
    desk.say(100, "order", order="evacuate", state="given", **I1)
    desk.say(120, "incident", action="close", **I1)
    desk.say(150, "incident", action="open", **I1)
    desk.say(160, "roll_call", state="called", **ROLL)
    again = see(165)
    assert answers(again) == {"W-1": "called", "W-2": "called", "W-3": "called", "S-4": "no_tally"}
    assert len(again.orders) == 1
    assert not [reason for row in again.rows for reason in row.reasons if reason.code == "incident_closed"]


def test_an_answer_counts_for_whoever_was_in_when_it_was_given(log: Any, see: Any, desk: Any) -> None:
    desk.say(100, "roll_call", state="called", **ROLL)
    desk.say(110, "roll_call", state="missing", wearer_id="W-1", **ROLL)
    desk.say(115, "roll_call", state="answered", team="Alder", **ROLL)
    desk.say(116, "roll_call", state="answered", team="Birch", **ROLL)
    assert answers(see(120)) == {"W-1": "missing", "W-2": "answered", "W-3": "answered", "S-4": "no_tally"}
    tally(desk, 130, 4)  # into a team that answered before
    tally(desk, 131, 2, "out")
    tally(desk, 140, 2)
    later = see(145)
    assert answers(later) == {"W-1": "missing", "W-2": "called", "W-3": "answered", "W-4": "called"}
    assert later.roll_calls[0].complete_at is None
    desk.say(150, "roll_call", state="answered", wearer_id="W-1", **ROLL)
    desk.say(151, "roll_call", state="answered", team="Alder", **ROLL)
    assert set(answers(see(155)).values()) == {"answered"}


def test_a_team_asked_at_the_next_roll_call_is_found_with_its_missing_member(
    log: Any, see: Any, desk: Any
) -> None:
    desk.say(100, "roll_call", state="called", **ROLL)
    desk.say(110, "roll_call", state="missing", wearer_id="W-1", **ROLL)
    assert see(115).rows[0].wearer_id == "W-1"
    desk.say(120, "roll_call", state="called", **ROLL | {"roll_id": "R-2"})
    desk.say(125, "roll_call", state="answered", team="Alder", **ROLL | {"roll_id": "R-2"})
    assert all(row.lost is None for row in see(130).rows)


def test_an_order_to_everybody_waits_for_a_set_without_a_tally(log: Any, see: Any, desk: Any) -> None:
    desk.say(100, "order", order="evacuate", state="given", **I1)
    desk.say(101, "order", order="evacuate", state="given", set_id="S-4", **I1)
    desk.say(102, "order", order="evacuate", state="given", team="Birch", **I1)
    meant = {line.set_id or line.team: (line.meant, line.waiting[-1]) for line in see(110).orders}
    assert meant == {None: (4, "trial/S-4"), "S-4": (1, "trial/S-4"), "Birch": (1, "trial/S-3")}


def test_an_acknowledgement_is_of_one_wearer_and_one_order(log: Any, see: Any, desk: Any) -> None:
    desk.say(100, "order", order="evacuate", state="given", **I1)
    desk.say(101, "order", order="withdraw", state="given", **I1)
    log.talkers[1].say(110, "alarm", alarm="evacuate", state="raised")
    log.talkers[1].say(112, "alarm", alarm="evacuate", state="acknowledged")
    for number, text in ((2, "NOT: no order acknowledged by voice"), (3, "Order acknowledged by voice"),
                         (4, "Order to withdraw acknowledged by voice")):  # fmt: skip
        desk.say(115, "note", set_id=f"S-{number}", text=text, **I1)
    waiting = {line.order: line.waiting for line in see(120).orders}
    assert waiting == {
        "evacuate": ("trial/S-2", "trial/S-3", "trial/S-4"),
        "withdraw": ("trial/S-1", "trial/S-2", "trial/S-3"),  # two orders: "Order acknowledged" is of neither
    }
    tally(desk, 130, 1, "out")
    tally(desk, 140, 1, wearer_id="W-5")  # goes in with the set that the first one acknowledged on
    (evacuate,) = [line for line in see(145).orders if line.order == "evacuate"]
    assert evacuate.waiting[0] == "trial/S-1"


def test_another_desk_that_lifts_an_order_is_named_and_the_order_stays(log: Any, see: Any, desk: Any) -> None:
    desk.say(100, "order", order="evacuate", state="given", **I1)
    log.desk("D-2").say(140, "order", order="evacuate", state="lifted", **I1)
    (line,) = see(145).orders
    assert (line.desk_id, line.lifted_by) == ("D-1", ("D-2",))
    desk.say(150, "order", order="evacuate", state="given", **I1)  # given anew
    assert see(151).orders[0].lifted_by == ()


def test_an_emergency_team_with_members_inside_is_not_ready(log: Any, see: Any, desk: Any) -> None:
    desk.say(100, "standby", team="Birch", state="ready", **I1)
    assert [(one.team, one.inside) for one in see(105).standby] == [("Birch", 1)]
    tally(desk, 110, 3, "out")
    assert [(one.team, one.inside) for one in see(115).standby] == [("Birch", 0)]


def test_a_distress_of_a_set_without_pressure_and_tally_has_the_first_row(
    log: Any, see: Any, desk: Any
) -> None:
    silent = log.talker("S-9")
    silent.say(100, "alarm", alarm="distress", state="raised")
    first = see(105).rows[0]
    assert (first.set_id, first.attention) == ("S-9", "distress")
    assert [one.code for one in first.reasons] == ["distress", "lost_alarm_only", "no_tally"]
    silent.say(110, "alarm", alarm="distress", state="cleared")
    desk.say(112, "seen", set_id="S-9", alarm="distress")
    assert "S-9" not in [row.set_id for row in see(115).rows]


def test_a_set_without_pressure_names_its_own_low_air_in_its_row(log: Any, see: Any) -> None:
    log.talker("S-5").say(300, "alarm", alarm="low_air", state="raised")
    shown = see(310)
    (row,) = shown.rows
    assert [one.code for one in row.reasons] == ["lost_alarm_only", "low_air", "no_tally"]
    assert "at or below the warning for 0:" in row_view(row, shown.at, STANDARD)["why"]


def test_closing_an_entry_names_its_wearer_where_two_are_in_with_the_set(
    log: Any, see: Any, desk: Any
) -> None:
    tally(desk, 100, 2, wearer_id="W-5")  # the set is handed over, and W-2 was never tallied out
    log.talkers[2].say(105, "alarm", alarm="distress", state="raised")
    desk.say(110, "resolved", set_id="S-2", text="at the vehicle", **I1)
    unclear = see(115)
    assert {"W-2", "W-5"} <= {row.wearer_id for row in unclear.rows}
    assert [(one.kind, one.about, one.first) for one in unclear.contradictions] == [
        ("whose", "S-2", ("D-1", "W-2", "W-5"))
    ]
    desk.say(120, "resolved", set_id="S-2", wearer_id="W-2", text="at the vehicle", **I1)
    desk.say(121, "resolved", set_id="S-2", wearer_id="W-2", alarm="distress", text="not his", **I1)
    (row,) = [row for row in see(125).rows if row.set_id == "S-2"]
    assert (row.wearer_id, row.attention) == ("W-5", "distress")
    desk.say(130, "resolved", set_id="S-2", wearer_id="W-5", alarm="distress", text="at the gate", **I1)
    (row,) = [row for row in see(135).rows if row.set_id == "S-2"]
    assert row.attention == "under_air"


def test_a_distress_that_the_set_cleared_stays_on_its_row_until_it_is_seen(
    log: Any, see: Any, desk: Any
) -> None:
    log.talkers[2].say(105, "alarm", alarm="distress", state="raised")
    log.talkers[2].say(106, "alarm", alarm="distress", state="cleared")
    first = see(110).rows[0]
    assert (first.set_id, first.attention) == ("S-2", "distress")
    assert first.reasons[0].code == "distress_ended"
    desk.say(115, "seen", set_id="S-2", alarm="distress")
    assert all(row.attention != "distress" for row in see(120).rows)


def test_an_alarm_of_a_set_without_pressure_and_tally_has_line_and_row(log: Any, see: Any, desk: Any) -> None:
    for number, alarm in enumerate(("low_air", "heat", "battery")):
        log.talker(f"S-9{number}").say(100, "alarm", alarm=alarm, state="raised")
    shown = see(105)
    assert {"low_air", "heat", "battery"} <= {line.alarm for line in shown.alarms}
    rows = {row.set_id: row.attention for row in shown.rows}
    assert rows["S-90"] == rows["S-91"] == "not_accounted"
    assert "S-92" not in rows  # a weak battery in the store is nobody
    log.talkers[-2].say(110, "alarm", alarm="heat", state="cleared")
    assert "S-91" in {row.set_id for row in see(115).rows}  # nobody has seen it
    desk.say(116, "seen", set_id="S-91", alarm="heat")
    assert "S-91" not in {row.set_id for row in see(120).rows}


def test_who_came_out_has_the_last_pressure_that_was_said_with_its_moment(
    log: Any, see: Any, desk: Any
) -> None:
    for number, boot in ((6, 1), (7, 1)):
        one = log.talker(f"S-{number}", boot)
        one.set_up(0)
        one.breathe(20, 80, bar_s=0.1, closes=False, only_pressure=True)
        tally(desk, 10, number)
    tally(desk, 10, 8)  # never heard
    for number, bar in ((6, 30), (8, 25)):
        desk.say(300, "gauge", set_id=f"S-{number}", pressure_bar=bar, **I1)
    for number in (1, 6, 7, 8):
        tally(desk, 400, number, "out")
    out = {one.wearer_id: one for one in see(405).came_out}
    assert {name: (one.pressure_bar, one.by_voice, one.heard_at_exit) for name, one in out.items()} == {
        "W-1": (pytest.approx(262, abs=1), False, True),
        "W-6": (30.0, True, False),
        "W-7": (pytest.approx(292, abs=1), False, False),
        "W-8": (25.0, True, False),
    }
    assert out["W-7"].pressure_at == pytest.approx(log.at(100).timestamp(), abs=3)
    assert out["W-8"].under_air_s is None
    assert out["W-8"].inside_s == pytest.approx(390, abs=1)


@pytest.mark.parametrize("answer", ["resolved", "seen"])
def test_an_alarm_that_comes_late_is_not_answered_by_what_was_said_of_an_earlier_one(
    log: Any, see: Any, desk: Any, answer: str
) -> None:
    """Mended: a distress that the set had stored in a radio gap was never shown to anybody."""
    late = log.talkers[2]
    late.say(100, "alarm", alarm="distress", state="raised")
    late.say(105, "alarm", alarm="distress", state="cleared")
    more = {"text": "voice contact", **I1} if answer == "resolved" else {}
    desk.say(150, answer, set_id="S-2", alarm="distress", **more)
    assert see(151).rows[0].attention != "distress"
    before = late.delay
    late.delay = lambda true_s: 80.0 if 120 <= true_s < 200 else before(true_s)
    late.say(120, "alarm", alarm="distress", state="raised")
    shown = see(201)
    assert (shown.rows[0].set_id, shown.rows[0].attention) == ("S-2", "distress")
    assert [(one.seen_at, one.ended_at) for one in shown.alarms if one.alarm == "distress"] == [(None, None)]
    desk.say(210, "resolved", set_id="S-2", alarm="distress", text="at the gate", **I1)
    assert see(211).rows[0].attention != "distress"


def test_an_order_that_the_broker_kept_counts_from_its_own_moment(log: Any, see: Any, desk: Any) -> None:
    other = log.desk("D-2")
    before = other.delay
    other.delay = lambda true_s: 100.0 if true_s == 100 else before(true_s)
    other.say(100, "order", retained=True, order="evacuate", state="given", **I1)  # we connect at 200 s
    assert see(195).orders == ()
    (line,) = see(205).orders
    assert (line.desk_id, line.given_at) == ("D-2", pytest.approx(log.at(100).timestamp(), abs=0.1))
    other.say(210, "order", order="evacuate", state="lifted", standing=[], **I1)
    assert see(215).orders == ()


def test_what_an_order_lists_is_in_force_and_nothing_else_of_that_desk(log: Any, see: Any, desk: Any) -> None:
    evacuate = {**I1, "order": "evacuate", "since": log.at(100).isoformat()}
    withdraw = {**I1, "order": "withdraw", "team": "Alder", "since": log.at(120).isoformat()}
    desk.say(100, "order", order="evacuate", state="given", lost=True, standing=[evacuate], **I1)
    desk.say(120, "order", order="withdraw", team="Alder", state="given", standing=[evacuate, withdraw], **I1)
    found = {line.order: (line.team, line.given_at) for line in see(125).orders}
    assert found == {
        "evacuate": (None, pytest.approx(log.at(100).timestamp(), abs=0.1)),
        "withdraw": ("Alder", pytest.approx(log.at(120).timestamp(), abs=0.1)),
    }
    desk.say(130, "order", order="evacuate", state="lifted", lost=True, standing=[withdraw], **I1)
    again = {**I1, "order": "withdraw", "team": "Birch", "since": log.at(140).isoformat()}
    desk.say(140, "order", order="withdraw", team="Birch", state="given", standing=[withdraw, again], **I1)
    assert {(line.order, line.team) for line in see(145).orders} == {
        ("withdraw", "Alder"),
        ("withdraw", "Birch"),
    }


def test_a_word_about_another_wearer_settles_no_low_air_that_was_said_by_voice(
    log: Any, see: Any, desk: Any
) -> None:
    desk.say(100, "gauge", set_id="S-2", pressure_bar=30, **I1)
    settled = {"set_id": "S-2", "alarm": "low_air", "text": "on the way out", **I1}
    desk.say(110, "resolved", wearer_id="W-9", **settled)
    assert ("low_air", "W-2") in {(line.alarm, line.wearer_id) for line in see(115).alarms}
    desk.say(120, "resolved", wearer_id="W-2", **settled)
    assert "low_air" not in {line.alarm for line in see(125).alarms}


@pytest.mark.parametrize(
    ("other", "text"),
    [
        ({"wearer_id": "W-9"}, "Two desks differ on S-1: D-1 said worn by W-1, D-2 said worn by W-9"),
        ({"team": "Birch"}, "Two desks differ on W-1: D-1 said team Alder, D-2 said team Birch"),
        ({"incident_id": "I-2"}, "Two desks differ on W-1: D-1 said at I-1, D-2 said at I-2"),
        ({"team": None}, ""),  # one desk names no team
        ({}, ""),
        ({"wearer_id": "W-9", "corrects": True}, ""),  # a person put it right
    ],
)
def test_two_desks_that_tally_otherwise_within_30_s_are_told(
    log: Any, see: Any, other: dict[str, Any], text: str
) -> None:
    """One set for two wearers, one wearer for two teams or incidents: nobody was told."""
    one, two = log.desk(), log.desk("D-2")
    for name in ("I-1", "I-2"):
        one.say(0, "incident", incident_id=name, action="open")
    said = {"incident_id": "I-1", "set_id": "S-1", "wearer_id": "W-1", "team": "Alder", "action": "in"}
    one.say(10, "tally", **said)
    corrects = {"corrects": {"desk_id": "D-1", "boot": 1, "seq": 3}} if other.pop("corrects", None) else {}
    two.say(20, "tally", **{name: value for name, value in (said | other | corrects).items() if value})
    told = [contradiction_view(each, STANDARD)["text"] for each in see(25).contradictions]
    assert [each.split(" · ")[-1].rsplit(" (", 1)[0] for each in told] == ([text] if text else [])
