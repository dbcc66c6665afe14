"""Whose answer to an order or a roll call counts, from which moment, and for whom. Our own rules."""

from __future__ import annotations

from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

import pytest

from analysis.findings.calls import call_findings
from analysis.profile import Profile
from analysis.wears.calls import (
    ACKNOWLEDGED_BY_VOICE,
    ACKNOWLEDGED_THE_ONE,
    Call,
    CallAnswer,
    DeskCalls,
    answers,
)

AT = 1_000_000.0
FIELDS: dict[str, dict[str, Any]] = {
    "order": {"order": "evacuate", "state": "given", "team": None, "set_id": None, "standing": None},
    "roll_call": {"roll_id": "R-1", "wearer_id": None, "team": None},
    "note": {"set_id": "S-1", "text": ACKNOWLEDGED_THE_ONE},
    "incident": {"action": "close"},
}


def us(at_s: float) -> int:
    return round((AT + at_s) * 1e6)


def called(*words: tuple[float, str, dict[str, Any]]) -> DeskCalls:
    """Give what desks called for, of messages in order of time."""
    calls = DeskCalls()
    for number, (at_s, kind, more) in enumerate(words):
        fields = {"incident_id": "I-1", "desk_id": "D-1", "identity": f"D-1/1/{number}"}
        calls.take(kind, fields | FIELDS[kind] | more, AT + at_s)
    return calls


def entry(
    *tallied: tuple[float, str], wearer_id: str = "W-1", out_s: float | None = None, **more: Any
) -> Any:
    """Give an entry that was tallied in at moments, each with a team."""
    tallies = [
        SimpleNamespace(in_us=us(at_s), team=team, set_id="S-1", service=None) for at_s, team in tallied
    ]
    ended_us = None if out_s is None else us(out_s)
    stay = SimpleNamespace(
        incident_id="I-1", wearer_id=wearer_id, in_us=tallies[0].in_us, tallies=tallies, ended_us=ended_us
    )
    fields = {"stay": stay, "wearer_id": wearer_id, "set_ids": ("S-1",), "wears": [], "ended_us": ended_us}
    fields |= {"began_us": stay.in_us, "under_air_until_us": None}
    return SimpleNamespace(**fields | {"ended_how": "tallied_out" if out_s else "open"} | more)


def roll(at_s: float, state: str, **more: Any) -> tuple[float, str, dict[str, Any]]:
    return at_s, "roll_call", {"state": state, **more}


def order(at_s: float, **more: Any) -> tuple[float, str, dict[str, Any]]:
    return at_s, "order", more


def answered_s(found: list[CallAnswer]) -> list[float | None]:
    return [None if one.answered_us is None else one.answered_us * 1e-6 - AT for one in found]


@pytest.mark.parametrize(("in_s", "told"), [(10.0, [10.0]), (10.1, [None])])
def test_an_answer_by_name_counts_from_the_moment_that_this_person_went_in(
    in_s: float, told: list[float | None]
) -> None:
    """Whoever was answered for, came out and went in again has not been answered for."""
    calls = called(roll(0, "called"), roll(10, "answered", wearer_id="W-1"), roll(20, "called"))
    calls.rolls["I-1", "R-1"].called_at = AT + 20.0
    assert answered_s(answers(calls, [entry((in_s, "Larch"))], {})) == told


def test_a_team_answers_for_whoever_was_with_it_then() -> None:
    calls = called(roll(0, "called"), roll(10, "answered", team="Larch"))
    whole = entry((-60, "Larch"))
    left = entry((-60, "Larch"), (5, "Birch"))
    joined = entry((-60, "Birch"), (10, "Larch"))
    later = entry((-60, "Birch"), (11, "Larch"))
    assert answered_s(answers(calls, [whole, left, joined, later], {})) == [10.0, None, 10.0, None]
    found = answers(called(roll(0, "called"), roll(10, "answered", team="Birch")), [left], {})
    assert answered_s(found) == [10.0]


def test_nobody_who_is_missing_by_name_is_found_by_the_answer_of_a_team() -> None:
    missing = roll(5, "missing", wearer_id="W-1")
    team = roll(10, "answered", team="Larch")
    (one,) = answers(called(roll(0, "called"), missing, team), [entry((-60, "Larch"))], {})
    assert (one.answered_us, one.missing_us, one.missing_by) == (None, us(5), "D-1/1/1")
    found = roll(20, "answered", wearer_id="W-1")
    (one,) = answers(called(roll(0, "called"), missing, team, found), [entry((-60, "Larch"))], {})
    assert (one.answered_us, one.missing_us) == (us(20), us(5))


def test_a_roll_call_that_is_called_again_began_when_it_was_called_first() -> None:
    calls = called(roll(0, "called"), roll(5, "called"), roll(10, "answered", team="Larch"))
    (one,) = answers(calls, [entry((-60, "Larch"))], {})
    assert (one.call.called_us, one.call.identity, one.answered_us) == (us(0), "D-1/1/0", us(10))


def test_a_roll_call_whose_first_message_was_lost_begins_with_its_first_answer() -> None:
    calls = called(roll(7, "answered", team="Birch"), roll(30, "closed"))
    (one,) = answers(calls, [entry((-60, "Larch"))], {})
    assert (one.call.called_us, one.call.ended_us, one.call.identity) == (us(7), us(30), None)
    assert answers(called(roll(30, "closed")), [entry((-60, "Larch"))], {}) == []


def test_whoever_went_in_during_a_roll_call_has_a_row_only_where_missing() -> None:
    late = entry((5, "Larch"))
    assert answers(called(roll(0, "called")), [late], {}) == []
    (one,) = answers(called(roll(0, "called"), roll(9, "missing", wearer_id="W-1")), [late], {})
    assert (one.set_id, one.missing_us) == ("S-1", us(9))


@pytest.mark.parametrize(
    ("in_s", "out_s", "told"),
    [(0, None, 1), (0.1, None, 1), (99.9, None, 1), (100, None, 0), (-60, 0, 0), (-60, 0.1, 1)],
)
def test_an_order_is_for_whoever_was_in_or_went_in_while_it_was_in_force(
    in_s: float, out_s: float | None, told: int
) -> None:
    one = entry((in_s, "Larch"))
    if out_s is not None:
        one.stay.ended_us, one.ended_us, one.ended_how = us(out_s), us(out_s), "resolved"
    found = answers(called(order(0), order(100, state="lifted")), [one], {})
    assert len(found) == told
    closed = answers(called(order(0), (100, "incident", {})), [one], {})
    assert len(closed) == told
    assert {each.in_us for each in found} <= {us(in_s) if in_s > 0 else None}
    assert {each.out_us for each in found} <= {None if out_s is None else us(out_s)}


def test_an_order_to_a_team_or_a_set_is_about_no_other() -> None:
    people = [entry((-60, "Larch")), entry((-60, "Birch"), wearer_id="W-2", set_ids=("S-2",))]
    people[1].stay.tallies[0].set_id = "S-2"

    def told(**more: Any) -> list[tuple[str | None, str]]:
        return [(one.wearer_id, one.call.about) for one in answers(called(order(0, **more)), people, {})]

    assert told() == [("W-1", ""), ("W-2", "")]
    assert told(team="Birch") == [("W-2", "team Birch")]
    assert told(set_id="S-1") == [("W-1", "set S-1")]
    both = [("W-1", "team Birch and set S-1"), ("W-2", "team Birch and set S-1")]
    assert told(team="Birch", set_id="S-1") == both, "it was for nobody"
    assert told(team="Birch", set_id="S-9") == [("W-2", "team Birch and set S-9")]
    assert told(incident_id="I-2") == []


def test_a_set_of_nobody_counts_while_it_was_under_air() -> None:
    wears = [SimpleNamespace(started_us=us(0), ended_us=us(5), set_id="S-9")]
    wears.append(SimpleNamespace(started_us=us(8), ended_us=us(10), set_id="S-9"))
    one = SimpleNamespace(
        stay=None, wears=wears, wearer_id=None, set_ids=("S-9",), ended_how="off", began_us=us(0)
    )
    found = {at_s: answers(called(order(at_s)), [one], {}) for at_s in (-0.1, 0, 7, 10, 10.1)}  # type: ignore[list-item]
    assert [len(each) for each in found.values()] == [1, 1, 1, 1, 0]
    assert (found[7][0].set_id, found[7][0].team, found[7][0].out_us) == ("S-9", None, None)


def test_only_an_acknowledgement_of_this_order_after_it_counts() -> None:
    one = [entry((-60, "Larch"))]
    at_set = {"S-1": [us(-5), us(20), us(30)], "S-2": [us(1)]}
    assert answered_s(answers(called(order(0)), one, at_set)) == [20.0]
    assert answered_s(answers(called(order(20)), one, at_set)) == [20.0]
    # The set's button is for the evacuation alarm alone.
    assert answered_s(answers(called(order(0, order="withdraw")), one, at_set)) == [None]
    one[0].set_ids = ("S-1", "S-2")
    assert answered_s(answers(called(order(0)), one, at_set)) == [1.0]


def test_an_acknowledgement_by_voice_names_no_order_where_two_are_in_force() -> None:
    one = [entry((-60, "Larch"))]
    first, other, note = order(0), order(1, order="withdraw"), (5.0, "note", {})
    assert answered_s(answers(called(first, note), one, {})) == [5.0]
    assert answered_s(answers(called(first, other, note), one, {})) == [None, None]
    lifted = order(3, order="withdraw", state="lifted")
    assert answered_s(answers(called(first, other, lifted, note), one, {})) == [5.0, None]
    elsewhere = order(1, order="withdraw", incident_id="I-2")
    assert answered_s(answers(called(first, elsewhere, note), one, {})) == [5.0]
    assert answered_s(answers(called(first, (5.0, "note", {"set_id": None})), one, {})) == [None]
    assert answered_s(answers(called(first, (5.0, "note", {"text": "Larch is hot"})), one, {})) == [None]
    named = (5.0, "note", {"text": ACKNOWLEDGED_BY_VOICE["withdraw"]})
    assert answered_s(answers(called(first, other, named), one, {})) == [None, 5.0]


def test_an_order_given_again_is_another_only_after_it_was_lifted_or_the_incident_closed() -> None:
    def given(*words: Any) -> list[tuple[float, float | None]]:
        return [
            (one.given_at - AT, None if one.lifted_at is None else one.lifted_at - AT)
            for one in called(*words).given
        ]

    assert given(order(0), order(5), order(9, state="lifted")) == [(0, 9)]
    assert given(order(0), order(3, state="lifted"), order(5)) == [(0, 3), (5, None)]
    assert given(order(0), (3, "incident", {}), order(5)) == [(0, None), (5, None)]
    assert given(order(0), (3, "incident", {"incident_id": "I-2"}), order(5)) == [(0, None)]
    assert given(order(0), (3, "incident", {"action": "open"}), order(5)) == [(0, None)]
    # What has been closed once stays closed, also when another incident is closed afterwards.
    closes = (3, "incident", {}), (4, "incident", {"incident_id": "I-2"})
    assert given(order(0), *closes, order(5)) == [(0, None), (5, None)]
    assert given(order(0, state="lifted")) == []


def test_what_a_desk_lists_as_in_force_is_in_force_and_the_rest_of_its_orders_is_lifted() -> None:
    def line(order: str, at_s: float, **more: Any) -> dict[str, Any]:
        since = datetime.fromtimestamp(AT + at_s, UTC)
        return {"incident_id": "I-1", "order": order, "team": None, "set_id": None, "since": since} | more

    def in_force(*words: Any) -> list[tuple[str, str, float, str]]:
        return sorted(
            (key[1], key[2] or key[3], at - AT, key[4])
            for key, (at, is_given, _) in called(*words).orders.items()
            if is_given
        )

    first, other = order(0), order(1, order="withdraw", team="Larch")
    anew = order(10, set_id="S-2", standing=[line("evacuate", 10, set_id="S-2")])
    assert in_force(first, other, anew) == [("evacuate", "S-2", 10, "D-1")]
    # One that was lost on the way is in force from the moment that the list gives.
    lost = order(10, standing=[line("evacuate", 10), line("withdraw", 4, team="Birch")])
    assert in_force(lost) == [("evacuate", "", 10, "D-1"), ("withdraw", "Birch", 4, "D-1")]
    assert called(lost).orders["I-1", "withdraw", "Birch", "", "D-1"][2]["text"] is None
    # A list speaks for its own desk only, and not of what was said after it.
    mine = order(0, desk_id="D-2")
    assert in_force(mine, order(10, state="lifted", standing=[])) == [("evacuate", "", 0, "D-2")]
    late = order(5, order="withdraw", state="lifted", standing=[])
    assert in_force(order(5), late) == []
    assert in_force(order(5.5), late) == [("evacuate", "", 5.5, "D-1")]
    # What it lists, and was heard, keeps the moment at which it was given.
    assert in_force(first, order(9, order="withdraw", standing=[line("evacuate", 3)])) == [
        ("evacuate", "", 0, "D-1")
    ]


def test_whoever_is_missed_without_a_tally_has_a_row_in_each_roll_call() -> None:
    def both(roll_id: str, at_s: float) -> list[tuple[float, str, dict[str, Any]]]:
        who = {"roll_id": roll_id, "wearer_id": "W-9"}
        return [roll(at_s, "called", roll_id=roll_id), roll(at_s + 5, "missing", **who)]

    found = answers(called(*both("R-1", 0), *both("R-2", 50)), [], {})
    assert [(one.call.about, one.missing_us, one.set_id) for one in found] == [
        ("R-1", us(5), None),
        ("R-2", us(55), None),
    ]
    # A team that is missing is nobody by name.
    assert answers(called(roll(0, "called"), roll(5, "missing", team="W-9")), [], {}) == []


def told(*found: CallAnswer) -> list[tuple[str, str | None, float | None, str]]:
    """Give of each finding about answers: code, set, when it ended, statement."""
    context: Any = SimpleNamespace(answers=found, shared_names=(), profile=Profile.default())
    return [
        (one.code, one.set_id, None if one.ended_us is None else one.ended_us * 1e-6 - AT, one.statement)
        for one in call_findings(context)
    ]


def call_for(kind: str, about: str = "", ended_s: float | None = None) -> Call:
    return Call("I-1", kind, about, "D-1/1/7", us(0), None if ended_s is None else us(ended_s))


def test_who_came_out_before_an_order_was_lifted_need_not_have_acknowledged_it() -> None:
    lifted, open_order = call_for("withdraw", ended_s=60.0), call_for("evacuate")
    out = [CallAnswer(lifted, f"W-{number}", "S-1", None, out_us=us(at)) for number, at in ((1, 60), (2, 61))]
    ((code, set_id, ended_s, said),) = told(*out)
    assert (code, set_id, ended_s) == ("order_not_acknowledged", "S-1", 60.0)
    assert "(everybody): W-2 did not acknowledge" in said
    assert told(CallAnswer(open_order, "W-1", "S-1", None, out_us=us(540))) == []
    assert told(CallAnswer(open_order, "W-1", "S-1", None, answered_us=us(1))) == []
    ((_, set_id, ended_s, said),) = told(
        CallAnswer(open_order, "W-1", "S-1", None), CallAnswer(open_order, None, "S-2", None)
    )
    assert (set_id, ended_s) == (None, None)
    assert "W-1, set S-2 did not acknowledge it, by set or by voice, and did not come out. What" in said
    # Each order has its own finding.
    assert len(told(CallAnswer(open_order, "W-1", "S-1", None), CallAnswer(lifted, "W-1", "S-1", None))) == 2


@pytest.mark.parametrize(("under_air_s", "named"), [(None, 0), (99.0, 0), (101.0, 1)])
def test_whoever_was_tallied_out_before_an_order_and_breathes_on_is_meant(
    under_air_s: float | None, named: int
) -> None:
    """The board named somebody at "evacuate" of whom the record had no row."""
    until_us = None if under_air_s is None else us(under_air_s)
    out = entry((-600, "Larch"), out_s=-400.0, under_air_until_us=until_us)
    found = answers(called(order(100, order="evacuate", state="given")), [out], {})
    assert len(found) == named
    if named:
        assert (found[0].out_us, found[0].under_air_until_us) == (us(-400.0), us(101.0))


@pytest.mark.parametrize(
    ("heard_s", "ended_s", "waits"),
    [
        (None, 200.0, False),
        (301.0, 300.0, True),
        (301.0, 301.0, False),
        (1800.0, None, False),  # the order was never lifted: in the end the wearer left
        (1800.0, 1700.0, True),
    ],
)
def test_whoever_breathed_on_for_minutes_was_not_out_when_tallied_out(
    heard_s: float | None, ended_s: float | None, waits: bool
) -> None:
    """A tally out of the wrong person ended what an investigator reads about who had not come out."""
    until_us = None if heard_s is None else us(heard_s)
    calls = called(order(0, order="evacuate", state="given"))
    if ended_s is not None:
        calls.given[0].lifted_at = AT + ended_s
    (one,) = answers(calls, [entry((-60, "Larch"), out_s=0.0001, under_air_until_us=until_us)], {})
    assert one.out_us == us(0.0001)
    found = [each for each in told(one) if each[0] == "order_not_acknowledged"]
    assert bool(found) == waits
    if waits:
        assert "W-1 (tallied out at 13:46:40 UTC, under air until" in found[0][3]


@pytest.mark.parametrize(
    ("more", "lasted"),
    [
        ({"out_us": us(540.0)}, None),  # 8 min of planned way and a minute of margin
        ({"out_us": us(541.0)}, "9 min 1 s"),
        ({"out_us": us(541.0), "answered_us": us(300.0)}, None),
        ({"out_us": us(630.0), "in_us": us(90.0)}, None),  # went in while it was in force
        ({"out_us": us(631.0), "in_us": us(90.0)}, "9 min 1 s"),
        ({"out_us": us(10.0), "under_air_until_us": us(700.0)}, "11 min 40 s"),
        ({}, "order_not_acknowledged"),
    ],
)
def test_who_says_nothing_and_is_out_after_the_planned_way_back_has_followed_late(
    more: dict[str, Any], lasted: str | None
) -> None:
    """Ten minutes without a word, with "evacuate" in force, left nothing in the record."""
    found = told(CallAnswer(call_for("evacuate"), "W-1", "S-1", None, **more))
    if lasted is None:
        assert found == []
        return
    ((code, set_id, _, said),) = found
    assert set_id == "S-1"
    assert code == (lasted if lasted.startswith("order") else "order_followed_late")
    if code == "order_followed_late":
        assert f", {lasted} after it: longer than the planned way back" in said


@pytest.mark.parametrize(
    ("answered_s", "out_s", "ended_s", "words"),
    [
        (None, None, None, "nobody answered for this wearer afterwards"),
        (30, None, 30.0, "answered for at"),
        (None, 40, 40.0, "out at"),
        (30, 40, 30.0, "answered for at"),
        (50, 40, 40.0, "out at"),
        (5, 40, 40.0, "out at"),  # answered for before being missed
        (9, 10, 10.0, "out at"),
    ],
)
def test_whoever_was_missing_was_so_until_answered_for_or_out(
    answered_s: float | None, out_s: float | None, ended_s: float | None, words: str
) -> None:
    answered, out = (None if at is None else us(at) for at in (answered_s, out_s))
    one = CallAnswer(call_for("roll_call", "R-1"), "W-1", "S-1", None, answered, us(10), "D-1/1/9", out)
    ((code, set_id, until_s, said),) = told(one)
    assert (code, set_id, until_s) == ("missing_at_roll_call", "S-1", ended_s)
    assert words in said


def test_an_unanswered_roll_call_is_no_order_and_tells_nothing_by_itself() -> None:
    assert told(CallAnswer(call_for("roll_call", "R-1"), "W-1", "S-1", None)) == []
