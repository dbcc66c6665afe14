"""What desks said of who is in: two sets on one wearer, corrections, and words that match nobody."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.incident import analyse
from analysis.live.rows import Row, Snapshot
from analysis.profile import Profile
from tests.analysis.test_parity import assert_same, told_by_board, told_by_review

PROFILE = Profile.default()


def tally(desk: Any, true_s: float, action: str, wearer: str, set_id: str, **more: Any) -> None:
    who = {"incident_id": "I-1", "wearer_id": wearer, "set_id": set_id, "team": "Larch"} | more
    desk.say(true_s, "tally", action=action, **who)


def entries_of(log: Any) -> dict[str, dict[str, Any]]:
    return {row["entry_id"]: row for row in analyse(log.frames(), PROFILE)["entries"].to_dicts()}


def findings_of(log: Any, code: str) -> list[dict[str, Any]]:
    return [row for row in analyse(log.frames(), PROFILE)["findings"].to_dicts() if row["code"] == code]


def by_set(snapshot: Snapshot) -> dict[str, Row]:
    return {row.set_id: row for row in snapshot.rows}


def codes(row: Row) -> set[str]:
    return {reason.code for reason in row.reasons}


class TestOneWearerOnTwoSets:
    """W-5 wears S-5; the desk then writes W-5 down with S-6, which somebody else breathes from."""

    @staticmethod
    def happens(log: Any) -> Any:
        desk = log.desk()
        desk.say(0, "incident", incident_id="I-1", action="open")
        first = log.talker("S-5")
        first.set_up(0)
        last_s = first.breathe(20, 900, bar_s=0.33, closes=False, only_pressure=True)
        first.say(755, "alarm", alarm="low_air", state="raised")
        for more_s in range(1, 100):
            first.say(last_s + more_s, "pressure", pressure_bar=0.0)
        second = log.talker("S-6")
        second.set_up(0)
        second.breathe(300, 800, bar_s=0.05, closes=False, only_pressure=True)
        tally(desk, 10, "in", "W-5", "S-5")
        tally(desk, 305, "in", "W-5", "S-6")
        return desk

    def test_both_sets_have_a_row_with_its_own_air_and_alarms(self, log: Any, see: Any) -> None:
        self.happens(log)
        rows = by_set(see(320))
        assert set(rows) == {"S-5", "S-6"}
        assert {row.wearer_id for row in rows.values()} == {"W-5"}
        also = {row.set_id: one.who for row in rows.values() for one in row.reasons if one.code == "two_sets"}
        assert also == {"S-5": "S-6", "S-6": "S-5"}

        snapshot = see(800)
        rows = by_set(snapshot)
        assert rows["S-5"].attention == "low_air"
        assert rows["S-5"].turn_back_reached_at is not None
        assert rows["S-6"].turn_back_reached_at is None
        assert rows["S-6"].pressure_bar == 275.0
        assert [(line.set_id, line.alarm) for line in snapshot.alarms] == [("S-5", "low_air")]

    def test_the_first_runs_empty_and_stays_until_a_person_says_who_it_was(self, log: Any, see: Any) -> None:
        desk = self.happens(log)
        tally(desk, 1000, "in", "W-6", "S-5")
        tally(desk, 1050, "out", "W-6", "S-5")
        empty = by_set(see(980))["S-5"]
        assert empty.attention == "not_accounted"
        assert empty.lost is not None
        assert empty.lost.code == "empty"
        assert by_set(see(1010))["S-5"].wearer_id == "W-6"
        rows = by_set(see(1060))
        assert set(rows) == {"S-6"}
        assert "two_sets" not in codes(rows["S-6"])

    @pytest.mark.parametrize("word", ["resolved", "corrected"])
    def test_a_persons_word_ends_the_doubt(self, log: Any, see: Any, word: str) -> None:
        desk = self.happens(log)
        if word == "resolved":
            desk.say(990, "resolved", incident_id="I-1", set_id="S-5", text="put down, nobody wears it")
            left = {"S-6"}
        else:
            tally(desk, 990, "in", "W-6", "S-6", corrects={"desk_id": "D-1", "boot": 1, "seq": 2})
            left = {"S-5", "S-6"}
        rows = by_set(see(995))
        assert set(rows) == left
        assert all("two_sets" not in codes(row) for row in rows.values())

    def test_afterwards_the_time_of_both_counts_once_and_the_air_is_not_known(self, log: Any) -> None:
        self.happens(log)
        (entry,) = entries_of(log).values()
        assert entry["wear_ids"] == ["S-5/1/1", "S-6/1/1"]
        assert entry["under_air_s"] == pytest.approx(1079.0, abs=2.0)
        assert entry["free_air_l"] is None
        (late,) = findings_of(log, "turned_back_late")
        assert late["set_id"] == "S-5"
        assert "own gauge (177 bar)" in late["statement"]
        assert len(findings_of(log, "one_wearer_two_sets")) == 1


class TestCorrections:
    """What is corrected counts as never said; the correction counts at its moment."""

    @pytest.fixture
    def desk(self, log: Any) -> Any:
        desk = log.desk()
        desk.say(0, "incident", incident_id="I-1", action="open")
        for number in (1, 2):
            one = log.talker(f"S-{number}")
            one.set_up(0)
            one.breathe(20, 900, bar_s=0.1, closes=False, only_pressure=True)
            tally(desk, number, "in", f"W-{number}", one.name)
        return desk

    @staticmethod
    def of(seq: int) -> dict[str, Any]:
        return {"corrects": {"desk_id": "D-1", "boot": 1, "seq": seq}}

    def test_an_out_that_another_out_corrects(self, log: Any, see: Any, desk: Any) -> None:
        tally(desk, 300, "out", "W-1", "S-1")
        tally(desk, 320, "out", "W-2", "S-2", **self.of(3))
        rows = by_set(see(400))
        assert rows["S-1"].tallied_in_at is not None
        assert rows["S-1"].tallied_out_at is None
        assert rows["S-2"].tallied_out_at == pytest.approx(log.at(300).timestamp(), abs=0.2)
        entries = entries_of(log)
        assert (entries["I-1/W-1/1"]["ended_how"], entries["I-1/W-1/1"]["tallied_out"]) == ("open", None)
        assert (entries["I-1/W-2/1"]["tallied_out"] - log.at(300)).total_seconds() == pytest.approx(
            0, abs=0.2
        )
        (told,) = findings_of(log, "tally_corrected")
        assert told["evidence"] == ["D-1/1/4", "D-1/1/3"]
        assert "W-1 out with set S-1" in told["statement"]
        assert "W-2 out with set S-2" in told["statement"]

    def test_an_out_that_an_in_corrects(self, log: Any, see: Any, desk: Any) -> None:
        tally(desk, 300, "out", "W-1", "S-1")
        tally(desk, 400, "in", "W-1", "S-1", **self.of(3))
        row = by_set(see(500))["S-1"]
        assert (row.wearer_id, row.tallied_out_at) == ("W-1", None)
        assert row.tallied_in_at == pytest.approx(log.at(1).timestamp(), abs=0.2)
        assert len(findings_of(log, "tally_corrected")) == 1
        assert findings_of(log, "tally_late") == []

    def test_an_in_that_an_out_corrects(self, log: Any, see: Any, desk: Any) -> None:
        tally(desk, 300, "out", "W-1", "S-1", **self.of(1))
        snapshot = see(400)
        assert by_set(snapshot)["S-1"].wearer_id is None
        assert [(one.kind, one.about) for one in snapshot.contradictions] == [("not_in", "W-1")]
        assert len(findings_of(log, "tally_corrected")) == 1
        assert len(findings_of(log, "out_of_nobody")) == 1

    def test_an_out_whose_in_was_corrected_to_another_wearer(self, log: Any, see: Any, desk: Any) -> None:
        tally(desk, 300, "out", "W-1", "S-1")
        tally(desk, 400, "in", "W-3", "S-1", **self.of(1))
        snapshot = see(500)
        row = by_set(snapshot)["S-1"]  # the set is still breathed from
        assert row.wearer_id == "W-3"
        assert row.tallied_out_at == pytest.approx(log.at(300).timestamp(), abs=0.2)
        assert snapshot.contradictions == ()
        entry = entries_of(log)["I-1/W-3/1"]
        assert entry["ended_how"] == "tallied_out"
        assert abs((entry["tallied_out"] - log.at(300)).total_seconds()) < 0.2
        assert findings_of(log, "out_of_nobody") == findings_of(log, "not_tallied_out") == []
        (told,) = findings_of(log, "tally_corrected")
        out = f" W-1 was tallied out with that set at {log.at(300):%H:%M:%S} UTC: that counts for W-3."
        assert told["statement"].endswith(out)
        assert told["evidence"] == ["D-1/1/4", "D-1/1/1", "D-1/1/3"]

    def test_an_out_of_nobody_and_whom_it_may_mean_name_each_other(
        self, log: Any, see: Any, desk: Any
    ) -> None:
        tally(desk, 300, "out", "W-99", "S-1")
        tally(desk, 310, "out", "W-2", "S-2")
        desk.say(400, "incident", incident_id="I-1", action="close")
        assert {one.about for one in see(350).contradictions} == {"W-99"}
        (of_nobody,), (never_out,) = (findings_of(log, one) for one in ("out_of_nobody", "not_tallied_out"))
        assert of_nobody["statement"].endswith(
            f" W-1 was tallied in with that set at {log.at(1):%H:%M:%S} UTC and never out."
        )
        assert never_out["statement"].endswith(
            f" Desk D-1 tallied out W-99 with that set at {log.at(300):%H:%M:%S} UTC, who was not in."
        )
        assert of_nobody["evidence"] == never_out["evidence"][::-1] == ["D-1/1/3", "D-1/1/1"]

    def test_an_out_of_somebody_unknown_is_told_and_ends_nothing(self, log: Any, see: Any, desk: Any) -> None:
        tally(desk, 300, "out", "W-99", "S-2")
        tally(desk, 310, "out", "W-1", "S-1")
        tally(desk, 400, "out", "W-1", "S-1")  # said twice: it agrees with what is known
        (one,) = see(410).contradictions
        assert (one.kind, one.about, one.first) == ("not_in", "W-99", ("D-1", "out", "S-2"))
        (told,) = findings_of(log, "out_of_nobody")
        assert "W-99" in told["statement"]
        assert entries_of(log)["I-1/W-2/1"]["ended_how"] == "open"

    def test_two_messages_cannot_correct_each_other_away(self, log: Any, see: Any, desk: Any) -> None:
        tally(desk, 300, "in", "W-3", "S-3", **self.of(4))
        tally(desk, 310, "in", "W-3", "S-3", **self.of(3))
        assert "W-3" in {row.wearer_id for row in see(320).rows}


def test_a_stay_without_an_end_does_not_go_on_in_a_later_use_of_the_name(log: Any, see: Any) -> None:
    day_s = 86400.0
    for number, start_s in enumerate((0.0, 3 * day_s), 1):
        desk, one = log.talker("D-1", number, role="desk"), log.talker("S-1", number)
        desk.say(start_s, "incident", incident_id="I-1", action="open")
        one.set_up(start_s)
        tally(desk, start_s + 10, "in", "W-1", "S-1")
        one.breathe(start_s + 20, 300, bar_s=0.1, only_pressure=True)
    (row,) = see(3 * day_s + 200).rows
    assert row.tallied_in_at == pytest.approx(log.at(3 * day_s + 10).timestamp(), abs=0.2)
    entries = entries_of(log)
    assert [len(entry["wear_ids"]) for entry in entries.values()] == [1, 1]
    assert [entry["ended_how"] for entry in entries.values()] == ["open", "open"]


class TestTwoWearersOnOneSet:
    """The one who is in with the set now has its present air; the other is not accounted for."""

    @pytest.fixture
    def desk(self, log: Any) -> Any:
        one = log.talker("S-1")
        one.set_up(0)
        one.breathe(20, 1500, bar_s=0.09, closes=False, only_pressure=True)
        desk = log.desk()
        tally(desk, 10, "in", "W-1", "S-1")
        return desk

    def test_a_set_handed_over_in_the_middle_of_a_wear(self, log: Any, see: Any, desk: Any) -> None:
        tally(desk, 600, "out", "W-1", "S-1")
        tally(desk, 601, "in", "W-2", "S-1")
        for true_s in (610, 1010, 1450):
            (row,) = see(true_s).rows
            assert (row.wearer_id, row.lost, row.started_at is None) == ("W-2", None, False)
            assert row.entry_bar == 300.0
        (told,) = findings_of(log, "tallied_without_wear")
        assert "counts for W-2" in told["statement"]

    def test_the_set_comes_back_when_the_second_is_tallied_out(self, log: Any, see: Any, desk: Any) -> None:
        tally(desk, 100, "in", "W-2", "S-1")
        tally(desk, 1000, "out", "W-2", "S-1")
        rows = {row.wearer_id: row for row in see(110).rows}
        assert rows["W-2"].attention != "not_accounted"
        assert rows["W-1"].lost is not None
        assert rows["W-1"].lost.code == "set_given"
        (row,) = see(1010).rows
        assert (row.wearer_id, row.lost, row.started_at is None) == ("W-1", None, False)


class TestInsideSince:
    """The minutes inside count from the first breath, whatever a desk says later."""

    @pytest.fixture
    def desk(self, log: Any) -> Any:
        one = log.talker("S-1")
        one.set_up(0)
        one.breathe(20, 900, closes=False, only_pressure=True)
        return log.desk()

    @staticmethod
    def inside_s(log: Any, row: Row, at_s: float) -> float:
        assert row.entered_at is not None
        return float(at_s - (row.entered_at - log.at(0).timestamp()))

    def test_of_whom_a_desk_tallies_late(self, log: Any, see: Any, desk: Any) -> None:
        tally(desk, 600, "in", "W-1", "S-1")
        tally(desk, 800, "out", "W-1", "S-1")
        for at_s in (590, 610):
            (row,) = see(at_s).rows
            assert self.inside_s(log, row, at_s) == pytest.approx(at_s - 20, abs=1.5)
        (out,) = see(950).came_out
        assert out.inside_s == pytest.approx(780, abs=1.5)

    def test_of_whom_a_desk_moves_to_another_incident(self, log: Any, see: Any, desk: Any) -> None:
        tally(desk, 10, "in", "W-1", "S-1")
        tally(desk, 600, "in", "W-1", "S-1", incident_id="I-2")
        (row,) = see(610).rows
        assert row.incident_id == "I-2"
        assert self.inside_s(log, row, 610) == pytest.approx(590, abs=1.5)

    def test_of_whom_the_set_was_handed_to(self, log: Any, see: Any, desk: Any) -> None:
        tally(desk, 10, "in", "W-1", "S-1")
        tally(desk, 600, "out", "W-1", "S-1")
        tally(desk, 601, "in", "W-2", "S-1")
        (row,) = see(610).rows
        assert (row.wearer_id, row.started_at is None) == ("W-2", False)
        assert self.inside_s(log, row, 610) == pytest.approx(9, abs=1.5)


class TestOneRuleForAWearThatGoesOnAndOneThatEnded:
    """What the valve's closing decides anew would take back what the board has shown."""

    @staticmethod
    def happens(log: Any, handed_s: float, out_s: float | None) -> None:
        one = log.talker("S-1")
        one.set_up(0)
        one.breathe(20, 700, bar_s=0.3, only_pressure=True)
        desk = log.desk()
        tally(desk, 10, "in", "W-1", "S-1")
        tally(desk, handed_s, "in", "W-2", "S-1")
        if out_s is not None:
            tally(desk, out_s, "out", "W-2", "S-1")

    @pytest.mark.parametrize(("handed_s", "out_s"), [(650, None), (100, 690)])
    def test_a_turn_back_that_was_shown_stays_when_the_valve_is_closed(
        self, log: Any, see: Any, board: Any, handed_s: float, out_s: float | None
    ) -> None:
        self.happens(log, handed_s, out_s)
        see(710)
        before = {one.entry_id: one.own_turn_back_us for one in board.entries()}
        assert before["I-1/W-2/1"] is not None
        see(760)
        assert {one.entry_id: one.own_turn_back_us for one in board.entries()} == before
        assert_same(told_by_board(board), told_by_review([heard for _, heard in log.heard()]))

    def test_who_has_the_set_back_has_its_air_while_it_breathes(self, log: Any, see: Any) -> None:
        self.happens(log, 100, 690)
        (row,) = see(710).rows
        assert (row.wearer_id, row.attention, row.entry_bar) == ("W-1", "turn_back", 300.0)


def test_who_takes_over_a_set_that_goes_on_breathes_what_it_gives(log: Any, see: Any) -> None:
    desk, one = log.desk(), log.talker("S-1")
    desk.say(0, "incident", incident_id="I-1", action="open")
    one.set_up(0)
    one.breathe(20, 600, bar_s=0.1, closes=False, only_pressure=True)
    tally(desk, 10, "in", "W-1", "S-1")
    tally(desk, 300, "out", "W-1", "S-1")
    tally(desk, 310, "in", "W-2", "S-1")
    row = {row.wearer_id: row for row in see(400).rows}["W-2"]
    assert (row.pressure_bar, row.lost, row.silent_since_at) == (262.0, None, None)
    assert row.turn_back_bar == pytest.approx(55 + (300 - 55) / 2), "of the cylinder that goes on"


def test_a_moment_of_another_day_has_its_date(log: Any) -> None:
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    tally(desk, 10, "in", "W-1", "S-1")
    tally(desk, 20, "out", "W-1", "S-1")
    late = {"corrects": {"desk_id": "D-1", "boot": 1, "seq": 1}}
    tally(desk, 3 * 86400.0, "in", "W-2", "S-1", **late)
    said = findings_of(log, "tally_corrected")[0]["statement"]
    assert f"a tally at {log.at(3 * 86400.0):%Y-%m-%d %H:%M:%S} UTC: W-1 in with set S-1 at " in said
    assert f"at {log.at(10):%H:%M:%S} UTC became" in said
    assert f"from {log.at(10):%H:%M:%S} UTC on" in said


def test_a_finding_about_one_of_two_sets_says_that_its_wearer_had_another(log: Any) -> None:
    """The set lay with a casualty: a no-motion alarm of W-1, who was walking with another set."""
    desk = log.desk()
    for set_id, from_s, moves in (("S-1", 20, 1.0), ("S-2", 300, 0.0)):
        one = log.talker(set_id)
        one.set_up(0)
        one.breathe(from_s, 400, motion=lambda _, moves=moves: moves)  # type: ignore[misc]
        who = {"incident_id": "I-1", "set_id": set_id, "wearer_id": "W-1"}
        desk.say(from_s - 5, "tally", action="in", **who)
    (still,) = [one for one in findings_of(log, "alarm_not_raised") if one["severity"] == "serious"]
    assert still["set_id"] == "S-2"
    assert still["statement"].endswith(
        "W-1 was tallied in with S-1 as well, under air at the same time: who wore S-2 is not known. "
        "S-1 moved meanwhile."
    )


@pytest.mark.parametrize(("in_s", "told"), [(720, True), (1470, False)])
def test_a_wear_that_two_wearers_had_one_after_the_other_is_said_to_be_of_both(
    log: Any, in_s: int, told: bool
) -> None:
    """W-1 out, W-2 in, the valve never shut: all 24 min and 874 L were W-2's, and nothing said so."""
    desk, one = log.desk(), log.talker("S-1")
    one.set_up(0)
    one.breathe(60, 1440, bar_s=0.12, only_pressure=True)
    about = {"incident_id": "I-1", "set_id": "S-1"}
    desk.say(50, "tally", action="in", wearer_id="W-1", **about)
    desk.say(in_s - 20, "tally", action="out", wearer_id="W-1", **about)
    desk.say(in_s, "tally", action="in", wearer_id="W-2", **about)
    desk.say(1600, "tally", action="out", wearer_id="W-2", **about)
    found = analyse(log.frames(), PROFILE)["findings"].filter(code="two_wearers_one_set").to_dicts()
    assert [one["wear_id"] for one in found] == (["S-1/1/1"] if told else [])
    if told:
        assert found[0]["statement"] == (
            "Set S-1 was under air from 10:01:00 UTC to 10:24:59 UTC without a shut valve, while first W-1 "
            "and then W-2 was in with it: one wear of two people. All of it counts for W-2. The readings do "
            "not show who used how much of its air."
        )
        assert found[0]["evidence"][:2] == ["D-1/1/2", "D-1/1/0"]
