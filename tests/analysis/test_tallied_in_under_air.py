"""A wearer who is tallied in under air, or again, has the air of their own wear and of no other."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.incident import analyse
from analysis.live.rows import Row, Snapshot
from analysis.profile import Profile

PROFILE = Profile.default()


def open_incident(log: Any) -> Any:
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    return desk


def tally(desk: Any, at_s: float, action: str, wearer: str = "W-1", set_id: str = "S-1", **more: Any) -> None:
    desk.say(
        at_s,
        "tally",
        **{"incident_id": "I-1", "wearer_id": wearer, "set_id": set_id, "action": action} | more,
    )


def only(snapshot: Snapshot) -> Row:
    (row,) = snapshot.rows
    return row


def breathe_slowly(one: Any, from_s: int, until_s: int, *, every_s: int, silent_from_s: float = 1e9) -> None:
    for second in range(from_s, until_s, every_s):
        if second < silent_from_s:
            one.say(second, "pressure", pressure_bar=float(round(280 - 0.15 * (second - from_s))))


class TestSetAlreadyUnderAir:
    @pytest.mark.parametrize("every_s", [1, 15, 60])
    @pytest.mark.parametrize("silent", [False, True])
    def test_a_tally_takes_the_air_of_its_set_at_once(
        self, log: Any, see: Any, every_s: int, silent: bool
    ) -> None:
        """Mended: until the next reading the row was "not on air yet", and for ever without one."""
        desk, one = open_incident(log), log.talker("S-1")
        one.set_up(0)
        breathe_slowly(one, 20, 2000, every_s=every_s, silent_from_s=601 if silent else 1e9)
        one.say(601, "alarm", alarm="distress", state="raised")
        tally(desk, 603, "in")
        before, after = only(see(602)), only(see(604))
        assert (before.wearer_id, after.wearer_id) == (None, "W-1")
        for row in (before, after):
            assert row.attention == "distress"
            assert row.started_at is not None
            assert row.turn_back is not None
        assert after.pressure_bar is not None
        assert before.pressure_bar is not None
        assert 0 <= before.pressure_bar - after.pressure_bar <= 1
        assert after.entered_at == before.entered_at
        if silent:
            later = only(see(1200))
            assert later.silent_since_at is not None
            assert (later.pressure_bar, later.turn_back_was_expected_at is None) == (
                before.pressure_bar,
                False,
            )
        (entry,) = analyse(log.frames(), PROFILE)["entries"].to_dicts()
        assert (entry["wearer_id"], entry["under_air_s"] >= 540) == ("W-1", True)

    @pytest.mark.parametrize(("after_s", "known"), [(3600, True), (3601, False)])
    def test_a_set_silent_for_an_hour_is_not_that_of_the_next_wearer(
        self, log: Any, see: Any, after_s: int, known: bool
    ) -> None:
        desk, one = open_incident(log), log.talker("S-1")
        one.set_up(0)
        breathe_slowly(one, 20, 320, every_s=1)
        tally(desk, 319 + after_s, "in")
        assert (only(see(329 + after_s)).pressure_bar is not None) == known


class TestInAgain:
    """The set of the first entry, its valve shut or its cylinder empty, is taken again by the same wearer."""

    @staticmethod
    def first_entry(log: Any, how: str = "closed") -> Any:
        desk, one = open_incident(log), log.talker("S-1")
        one.set_up(0)
        tally(desk, 10, "in", team="Larch")
        # To 245 bar, or in 600 s to nothing.
        end_s = one.breathe(20, 600, bar_s=0.5 if how == "empty" else 0.09, closes=how == "closed")
        for second in range(int(end_s) + 5, 2000):
            one.say(second, "pressure", pressure_bar=0.0)
        return desk

    @pytest.mark.parametrize("incident", ["I-1", "I-2"])
    def test_a_second_entry_has_no_turn_back_of_the_first(self, log: Any, see: Any, incident: str) -> None:
        """Mended: "Not accounted for, valve closed for 18 min, turn-back may have passed 17 min ago"."""
        desk = self.first_entry(log)
        desk.say(5, "incident", incident_id="I-2", action="open")
        tally(desk, 640, "out", team="Larch")
        tally(desk, 1200, "in", incident_id=incident, team="Larch")
        shown = see(1230)
        row = only(shown)
        assert (row.attention, row.lost) == ("no_air_yet", None)
        assert row.pressure_bar == 0.0
        assert (row.turn_back_reached_at, row.turn_back_was_expected_at) == (None, None)
        assert all(team.turn_back_reached_at is None and team.turn_back_by_at is None for team in shown.teams)
        assert only(see(1330)).attention == "not_accounted"  # nothing was heard in two minutes

    @pytest.mark.parametrize("apart_s", [20, 119])
    def test_in_again_after_a_slip_is_as_before_it(self, log: Any, see: Any, apart_s: float) -> None:
        desk = self.first_entry(log, "empty")
        tally(desk, 640, "out", team="Larch")
        tally(desk, 640 + apart_s, "in", team="Larch")
        row = only(see(645 + apart_s))
        assert (row.attention, row.lost.code if row.lost else None) == ("not_accounted", "empty")

    def test_another_incident_without_an_out_is_as_before(self, log: Any, see: Any) -> None:
        desk = self.first_entry(log, "empty")
        desk.say(5, "incident", incident_id="I-2", action="open")
        tally(desk, 1200, "in", incident_id="I-2", team="Larch")
        assert {row.lost.code if row.lost else None for row in see(1230).rows} == {"empty"}
