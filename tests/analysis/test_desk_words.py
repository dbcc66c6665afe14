"""What the desks said that stays in force: orders, roll calls, emergency teams, gauges, contradictions."""

from __future__ import annotations

from typing import Any, ClassVar

import pytest

from analysis.live.board import SPOKEN_OF_LATELY_S


@pytest.fixture
def desk(log: Any) -> Any:
    """A desk with W-1 to W-3 of team Alder tallied in, all under air."""
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    for number in (1, 2, 3):
        desk.say(number, "tally", incident_id="I-1", action="in", set_id=f"S-{number}",
                 wearer_id=f"W-{number}", team="Alder")  # fmt: skip
        one = log.talker(f"S-{number}")
        one.set_up(0)
        one.breathe(20, 300, closes=False, only_pressure=True)
    return desk


def test_an_order_counts_who_acknowledged_and_who_is_out_until_it_is_lifted(
    log: Any, see: Any, desk: Any
) -> None:
    desk.say(100, "order", incident_id="I-1", order="evacuate", state="given")
    log.talkers[1].say(110, "alarm", alarm="evacuate", state="raised")
    log.talkers[1].say(112, "alarm", alarm="evacuate", state="acknowledged")
    desk.say(120, "tally", incident_id="I-1", action="out", set_id="S-2", wearer_id="W-2", team="Alder")
    desk.say(125, "note", incident_id="I-1", set_id="S-3", text="Order acknowledged by voice")
    (line,) = see(115).orders
    assert (line.meant, line.acknowledged, line.out) == (3, 1, 0)
    assert line.waiting == ("trial/S-2", "trial/S-3")
    (line,) = see(121).orders
    assert (line.meant, line.acknowledged, line.out) == (3, 1, 1)
    (line,) = see(126).orders
    assert (line.acknowledged, line.waiting) == (2, ())
    desk.say(130, "order", incident_id="I-1", order="evacuate", state="lifted")
    assert see(131).orders == ()


@pytest.mark.parametrize("retained", [False, True])
def test_an_order_that_a_desk_gives_back_to_a_broker_is_no_new_one(
    log: Any, see: Any, desk: Any, retained: bool
) -> None:
    """The same bytes again, 40 min later: who acknowledged has, and the time is that of the first."""
    order = {"incident_id": "I-1", "order": "evacuate"}
    standing = [order | {"since": log.at(100).isoformat()}]
    desk.say(100, "order", state="given", standing=standing, **order)
    log.talkers[1].say(112, "alarm", alarm="evacuate", state="acknowledged")
    (before,) = see(130).orders
    assert before.acknowledged == 1

    def again(at_s: float, state: str) -> None:
        orders = [one for _, one in log.heard() if one.topic.endswith("/order")]
        (said,) = (one for one in orders if state.encode() in one.payload)
        log.extra.append(said._replace(received=log.at(at_s), retained=retained))

    again(131, "given")
    assert see(132).orders == (before,)
    desk.say(140, "order", state="lifted", standing=[], **order)
    again(150, "lifted")
    assert see(151).orders == ()


def test_an_emergency_team_that_came_out_is_not_inside(log: Any, see: Any, desk: Any) -> None:
    team: dict[str, Any] = {"incident_id": "I-1", "set_id": "S-4", "wearer_id": "W-4", "team": "Elm"}
    desk.say(100, "standby", incident_id="I-1", team="Elm", state="ready")
    desk.say(120, "standby", incident_id="I-1", team="Elm", state="committed")
    desk.say(130, "tally", action="in", **team)
    desk.say(200, "tally", action="out", **team)
    desk.say(230, "standby", incident_id="I-1", team="Elm", state="ready")
    told = [see(at_s).standby[0] for at_s in (110, 125, 140, 205, 240)]
    assert [one.code for one in told] == ["ready", "committed", "committed", "out_again", "ready"]
    assert told[3].out_at == pytest.approx(log.at(200).timestamp(), abs=0.2)


def test_the_close_of_an_incident_is_nobodys_exit(log: Any, see: Any, desk: Any) -> None:
    desk.say(100, "order", incident_id="I-1", order="evacuate", state="given")
    desk.say(110, "tally", incident_id="I-1", action="out", set_id="S-2", wearer_id="W-2", team="Alder")
    desk.say(120, "incident", incident_id="I-1", action="close")
    for at_s in (115, 125):
        (line,) = see(at_s).orders
        assert (line.meant, line.out, line.waiting) == (3, 1, ("trial/S-1", "trial/S-3"))


def test_whoever_goes_in_after_a_roll_call_is_no_gap_in_it(log: Any, see: Any, desk: Any) -> None:
    roll = {"incident_id": "I-1", "roll_id": "R-1"}
    desk.say(100, "roll_call", state="called", **roll)
    desk.say(105, "roll_call", state="answered", team="Alder", **roll)
    desk.say(150, "tally", incident_id="I-1", action="in", set_id="S-4", wearer_id="W-4", team="Alder")
    log.talker("S-4").set_up(140)
    log.talkers[-1].breathe(155, 100, closes=False, only_pressure=True)
    (line,) = see(200).roll_calls
    assert [name for name, *_ in line.answers] == ["W-1", "W-2", "W-3"]
    assert line.complete_at == pytest.approx(log.at(105).timestamp(), abs=0.2)
    desk.say(210, "roll_call", state="missing", wearer_id="W-4", **roll)
    (line,) = see(215).roll_calls
    assert [(name, state) for name, _, _, state in line.answers][-1] == ("W-4", "missing")


def test_a_roll_is_complete_when_the_desk_said_whose_the_last_set_is(log: Any, see: Any, desk: Any) -> None:
    """W-1 changed the set before the call; told at 150 s, the roll read "complete after 0:05"."""
    first = log.talkers[1]
    first.said = [one for one in first.said if one[0] < 80]
    first.say(80, "power", state="off")
    log.talker("S-5").set_up(82)
    log.talkers[-1].breathe(85, 300, closes=False, only_pressure=True)
    roll = {"incident_id": "I-1", "roll_id": "R-1"}
    desk.say(100, "roll_call", state="called", **roll)
    desk.say(105, "roll_call", state="answered", team="Alder", **roll)
    desk.say(150, "tally", incident_id="I-1", action="in", set_id="S-5", wearer_id="W-1", team="Alder")
    assert see(140).roll_calls[0].complete_at is None
    assert see(160).roll_calls[0].complete_at == pytest.approx(log.at(150).timestamp(), abs=0.2)


def test_who_is_missing_at_the_roll_call_comes_to_the_top_until_found(log: Any, see: Any, desk: Any) -> None:
    roll = {"incident_id": "I-1", "roll_id": "R-1"}
    desk.say(100, "roll_call", state="called", **roll)
    desk.say(105, "roll_call", state="answered", team="Alder", **roll)
    desk.say(110, "roll_call", state="missing", wearer_id="W-2", **roll)
    (line,) = see(106).roll_calls
    assert line.complete_at == pytest.approx(log.at(105).timestamp(), abs=0.2)
    snapshot = see(111)
    (line,) = snapshot.roll_calls
    assert {name: state for name, _, _, state in line.answers} == {
        "W-1": "answered",
        "W-2": "missing",
        "W-3": "answered",
    }
    assert line.complete_at is None
    assert (snapshot.rows[0].wearer_id, snapshot.rows[0].attention) == ("W-2", "not_accounted")
    desk.say(120, "roll_call", state="closed", **roll)
    assert see(121).rows[0].attention == "not_accounted"  # closing the list finds nobody
    desk.say(130, "roll_call", state="answered", wearer_id="W-2", **roll)
    assert see(131).rows[0].attention == "under_air"


def test_the_roll_has_nobody_who_was_corrected_away_or_whose_entry_a_person_closed(
    log: Any, see: Any, desk: Any
) -> None:
    """Mended: both were called by name for ever, and the roll call never came to its end."""
    desk.say(90, "tally", incident_id="I-1", action="in", set_id="S-3", wearer_id="W-33",
             corrects={"desk_id": "D-1", "boot": 1, "seq": 3})  # fmt: skip
    desk.say(95, "resolved", incident_id="I-1", set_id="S-1", text="out by the rear")
    desk.say(100, "roll_call", incident_id="I-1", roll_id="R-1", state="called")
    desk.say(101, "order", incident_id="I-1", order="evacuate", state="given")
    snapshot = see(105)
    assert [name for name, *_ in snapshot.roll_calls[0].answers] == ["W-2", "W-33"]
    assert (snapshot.orders[0].meant, snapshot.orders[0].out) == (2, 0)


def test_two_desks_that_contradict_each_other_within_half_a_minute_are_told(
    log: Any, see: Any, desk: Any
) -> None:
    other = log.desk("D-2")
    other.say(100, "tally", incident_id="I-1", action="out", set_id="S-1", wearer_id="W-1", team="Alder")
    desk.say(125, "tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1", team="Alder")
    (one,) = see(126).contradictions
    assert (one.about, one.first, one.second) == ("W-1", ("D-2", "out", "S-1"), ("D-1", "in", "S-1"))
    desk.say(200, "order", incident_id="I-1", order="withdraw", state="given", team="Alder")
    other.say(240, "order", incident_id="I-1", order="withdraw", state="lifted", team="Alder")
    assert len(see(241).contradictions) == 1  # 40 s apart: the second desk has read the first


def test_desks_that_differ_on_standby_roll_call_and_gauge_are_told(log: Any, see: Any, desk: Any) -> None:
    other, roll = log.desk("D-2"), {"incident_id": "I-1", "roll_id": "R-1"}
    desk.say(100, "standby", incident_id="I-1", team="Elm", state="ready")
    other.say(102, "standby", incident_id="I-1", team="Elm", state="stood_down")
    desk.say(140, "roll_call", state="called", **roll)
    desk.say(141, "roll_call", state="answered", team="Alder", **roll)
    other.say(142, "roll_call", state="missing", wearer_id="W-2", **roll)
    desk.say(210, "gauge", incident_id="I-1", set_id="S-2", pressure_bar=100)
    other.say(215, "gauge", incident_id="I-1", set_id="S-2", pressure_bar=280)
    other.say(216, "gauge", incident_id="I-1", set_id="S-3", pressure_bar=250)
    desk.say(218, "gauge", incident_id="I-1", set_id="S-3", pressure_bar=240)  # as people read gauges
    assert [(one.kind, one.about, one.first, one.second) for one in see(220).contradictions] == [
        ("gauge", "S-2", ("D-1", "gauge", "100.0"), ("D-2", "gauge", "280.0")),
        ("roll_call", "W-2", ("D-1", "answered"), ("D-2", "missing")),
        ("standby", "Elm", ("D-1", "ready"), ("D-2", "stood_down")),
    ]


def test_a_gauge_by_voice_answers_the_prompt_and_stands_on_the_row(log: Any, see: Any, desk: Any) -> None:
    second = next(s for s in range(400, 1000, 50) if see(s).prompts)
    assert {prompt.set_id for prompt in see(second).prompts} == {"S-1", "S-2", "S-3"}
    desk.say(second + 10, "gauge", incident_id="I-1", set_id="S-1", pressure_bar=180)
    snapshot = see(second + 20)
    assert {prompt.set_id for prompt in snapshot.prompts} == {"S-2", "S-3"}
    (gauge,) = [row.gauge for row in snapshot.rows if row.gauge is not None]
    assert (gauge.bar, gauge.desk_id) == (180, "D-1")
    assert {p.set_id for p in see(second + 500).prompts} == {"S-2", "S-3"}  # until answered


def test_a_person_closes_an_alarm_and_an_entry_with_a_word(log: Any, see: Any, desk: Any) -> None:
    log.talkers[1].say(330, "alarm", alarm="distress", state="raised")
    log.talkers[1].say(340, "power", state="off")
    snapshot = see(345)
    assert snapshot.rows[0].attention == "distress"
    desk.say(350, "resolved", incident_id="I-1", set_id="S-1", alarm="distress", text="found at the gate")
    assert see(351).rows[0].attention == "not_accounted"
    desk.say(360, "resolved", incident_id="I-1", set_id="S-1", text="out by the rear, set handed in")
    snapshot = see(361)
    assert "W-1" not in [row.wearer_id for row in snapshot.rows]
    assert [one.wearer_id for one in snapshot.came_out] == ["W-1"]


def test_a_tally_on_the_wrong_set_is_corrected_and_the_wearer_keeps_a_row(
    log: Any, see: Any, desk: Any
) -> None:
    """Mended: W-5 tallied in on W-6's set left W-6 nowhere once the mistake was put right."""
    six = log.talker("S-6")
    six.set_up(380)
    six.breathe(400, 200, closes=False, only_pressure=True)
    desk.say(390, "tally", incident_id="I-1", action="in", set_id="S-6", wearer_id="W-5", team="Birch")
    assert "W-5" in [row.wearer_id for row in see(450).rows]
    wrong = {"desk_id": "D-1", "boot": 1, "seq": 4}
    desk.say(460, "tally", incident_id="I-1", action="in", set_id="S-5", wearer_id="W-5", corrects=wrong)
    rows = {row.set_id: row for row in see(470).rows}
    assert rows["S-5"].wearer_id == "W-5"
    assert rows["S-6"].wearer_id is None
    assert "no_tally" in [reason.code for reason in rows["S-6"].reasons]


def test_who_came_out_has_time_pressure_and_the_rest_that_a_rule_asks_for(
    log: Any, see: Any, desk: Any
) -> None:
    for second in (330, 331):
        log.talkers[1].say(second, "pressure", pressure_bar=0.0)
    desk.say(340, "tally", incident_id="I-1", action="out", set_id="S-1", wearer_id="W-1", team="Alder")
    (out,) = see(341).came_out
    assert out.pressure_bar == pytest.approx(300 - 0.09 * 300, abs=1)
    assert out.under_air_s == pytest.approx(300, abs=5)
    assert out.rest_until_at is None
    for again in (400, 900):
        desk.say(again, "tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1", team="Alder")
        log.talkers[1].breathe(again + 10, 300, only_pressure=True)
        desk.say(again + 330, "tally", incident_id="I-1", action="out", set_id="S-1", wearer_id="W-1")
    second = see(735).came_out[0]
    assert second.rest_until_at == pytest.approx(
        second.at + 600
    )  # two cylinders: 10 min; the default profile


def test_who_was_tallied_out_by_mistake_and_in_again_keeps_entry_and_figures(
    log: Any, see: Any, desk: Any
) -> None:
    """Mended: the set went on breathing, and the new entry had no air at all."""
    again = {"incident_id": "I-1", "set_id": "S-1", "wearer_id": "W-1", "team": "Alder"}
    desk.say(100, "tally", action="out", **again)
    (out,) = [row for row in see(103).rows if row.wearer_id == "W-1"]
    assert "tallied_out" in [reason.code for reason in out.reasons]
    desk.say(110, "tally", action="in", **again)
    for second in (120, 240):
        (row,) = [row for row in see(second).rows if row.wearer_id == "W-1"]
        assert row.attention in ("under_air", "turn_back_soon")
        assert row.entry_bar == pytest.approx(300, abs=1)
        assert row.turn_back_bar is not None
        assert row.entered_at == pytest.approx(log.at(1).timestamp(), abs=0.5)


def test_a_gauge_that_was_mistyped_is_corrected_at_its_own_moment(log: Any, see: Any, desk: Any) -> None:
    """21 was typed for 210: until it is corrected, the silent wearer is past turn-back."""
    about = {"incident_id": "I-1", "set_id": "S-1"}
    desk.say(400, "gauge", pressure_bar=21, **about)
    (wrong,) = [row for row in see(405).rows if row.set_id == "S-1"]
    assert wrong.turn_back_reached_at is not None
    corrects = {"desk_id": "D-1", "boot": 1, "seq": 4}
    desk.say(460, "gauge", pressure_bar=210, corrects=corrects, **about)
    (right,) = [row for row in see(465).rows if row.set_id == "S-1"]
    assert right.turn_back_reached_at is None
    assert right.gauge is not None
    assert (right.gauge.bar, right.gauge.identity) == (210, "D-1/1/5")
    assert right.gauge.at == pytest.approx(log.at(400).timestamp(), abs=0.2)  # of the one it corrects
    desk.say(
        500, "gauge", pressure_bar=205, corrects=corrects | {"seq": 5}, at=log.at(480).isoformat(), **about
    )
    (later,) = [row for row in see(505).rows if row.set_id == "S-1"]
    assert later.gauge is not None
    assert (later.gauge.bar, later.gauge.at) == (205, pytest.approx(log.at(480).timestamp(), abs=0.2))


def test_an_alarm_or_an_entry_closed_by_mistake_is_open_again(log: Any, see: Any, desk: Any) -> None:
    """Mended: whoever pressed `Close` on the wrong row had no way back."""
    about = {"incident_id": "I-1", "set_id": "S-1"}
    log.talkers[1].say(330, "alarm", alarm="distress", state="raised")
    before = see(335).rows[0]
    assert before.attention == "distress"
    desk.say(350, "resolved", alarm="distress", text="wrong row", **about)
    assert see(351).rows[0].attention != "distress"
    corrects = {"desk_id": "D-1", "boot": 1, "seq": 4}
    desk.say(360, "resolved", alarm="distress", text="Undo", corrects=corrects, **about)
    assert see(361).rows[0].attention == "distress"
    desk.say(370, "resolved", text="wrong row", **about)
    (out,) = see(371).came_out
    assert (out.wearer_id, out.ended_how, out.ended_by) == ("W-1", "resolved", "D-1/1/6")
    desk.say(380, "resolved", text="Undo", corrects=corrects | {"seq": 6}, **about)
    after = see(381)
    assert after.came_out == ()
    (row,) = [row for row in after.rows if row.wearer_id == "W-1"]
    assert (row.entry_bar, row.entered_at) == (before.entry_bar, before.entered_at)


def test_a_settlement_corrected_to_another_set_settles_that_one_instead(
    log: Any, see: Any, desk: Any
) -> None:
    for number in (1, 2):
        log.talkers[number].say(330, "alarm", alarm="distress", state="raised")
    desk.say(350, "resolved", incident_id="I-1", set_id="S-1", alarm="distress", text="at the gate")
    desk.say(360, "resolved", incident_id="I-1", set_id="S-2", alarm="distress", text="at the gate",
             corrects={"desk_id": "D-1", "boot": 1, "seq": 4})  # fmt: skip
    in_distress = [row.set_id for row in see(361).rows if row.attention == "distress"]
    assert in_distress == ["S-1"]


def test_a_row_knows_the_tally_that_a_correction_must_name(log: Any, see: Any, desk: Any) -> None:
    assert {row.set_id: row.tally_identity for row in see(100).rows} == {
        "S-1": "D-1/1/1",
        "S-2": "D-1/1/2",
        "S-3": "D-1/1/3",
    }


def test_an_incident_that_was_closed_can_be_opened_again_while_a_desk_spoke_of_it_lately(
    log: Any, see: Any
) -> None:
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    desk.say(10, "incident", incident_id="I-1", action="close")
    assert see(20).incident_services == {"I-1": ("trial",)}
    assert see(SPOKEN_OF_LATELY_S + 5.0).incident_services == {"I-1": ("trial",)}
    assert see(SPOKEN_OF_LATELY_S + 15.0).incident_services == {}


class TestMissingAfterAnotherDesksOut:
    """A slip of one desk's *out* does not outweigh another's *missing* that came after it."""

    ROLL: ClassVar = {"incident_id": "I-1", "roll_id": "R-1"}

    @pytest.fixture
    def other(self, log: Any, desk: Any) -> Any:
        """W-1 fell silent, W-2 shut the valve, W-3 breathes on; D-1 says out, D-2 misses all three."""
        del log.talkers[1:]
        for number, closes in ((1, False), (2, True)):
            one = log.talker(f"S-{number}")
            one.set_up(0)
            one.breathe(20, 70, closes=closes, only_pressure=True)
        one = log.talker("S-3")
        one.set_up(0)
        one.breathe(20, 300, closes=False, only_pressure=True)
        other = log.desk("D-2")
        other.say(99, "roll_call", state="called", **self.ROLL)
        for number in (1, 2, 3):
            desk.say(110 + number * 0.1, "tally", incident_id="I-1", action="out", set_id=f"S-{number}",
                     wearer_id=f"W-{number}", team="Alder")  # fmt: skip
            other.say(120 + number * 0.1, "roll_call", state="missing", wearer_id=f"W-{number}", **self.ROLL)
        return other

    @staticmethod
    def missing(snapshot: Any) -> set[str]:
        lost = [row for row in snapshot.rows if row.lost is not None and row.lost.code == "missing"]
        assert all(row.attention == "not_accounted" for row in lost)
        return {row.wearer_id for row in lost}

    def test_the_rows_come_back_and_stay(self, see: Any, other: Any) -> None:
        assert self.missing(see(119)) == set()
        for at_s in (122, 240, 900, 5000):
            snapshot = see(at_s)
            assert self.missing(snapshot) >= {"W-1", "W-2"}, at_s
            assert {"W-1", "W-2"}.isdisjoint(one.wearer_id for one in snapshot.came_out)
        assert self.missing(see(122)) == {"W-1", "W-2", "W-3"}

    def test_the_roll_call_names_them_missing_and_is_not_complete(self, see: Any, other: Any) -> None:
        (line,) = see(122).roll_calls
        assert {name: state for name, *_, state in line.answers} == dict.fromkeys(
            ("W-1", "W-2", "W-3"), "missing"
        )
        assert line.complete_at is None

    def test_the_two_desks_differ(self, see: Any, other: Any) -> None:
        told = {(one.about, one.first, one.second) for one in see(122).contradictions}
        assert told == {
            (f"W-{number}", ("D-1", "out", f"S-{number}"), ("D-2", "missing")) for number in (1, 2, 3)
        }

    def test_an_answer_or_another_out_ends_it(self, see: Any, desk: Any, other: Any) -> None:
        other.say(140, "roll_call", state="answered", wearer_id="W-1", **self.ROLL)
        desk.say(150, "tally", incident_id="I-1", action="out", set_id="S-2", wearer_id="W-2", team="Alder")
        desk.say(160, "resolved", incident_id="I-1", set_id="S-3", wearer_id="W-3", text="seen outside")
        assert [self.missing(see(at_s)) & {"W-1", "W-2"} for at_s in (139, 141, 151)] == [
            {"W-1", "W-2"},
            {"W-2"},
            set(),
        ]
        assert ("W-3" in self.missing(see(159)), "W-3" in self.missing(see(161))) == (True, False)

    def test_closing_list_and_incident_finds_nobody(self, see: Any, desk: Any, other: Any) -> None:
        other.say(140, "roll_call", state="closed", **self.ROLL)
        desk.say(150, "incident", incident_id="I-1", action="close")
        assert self.missing(see(200)) >= {"W-1", "W-2"}
