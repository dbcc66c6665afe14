"""One wearer tallied in at two incidents: one person in every count, and both places are said."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.incident import analyse
from analysis.live.rows import Row, Snapshot
from analysis.profile import Profile
from dashboard.live.display import Display
from dashboard.live.view import System, page
from dashboard.out.state import board_states

PROFILE = Profile.default()


def tally(desk: Any, at_s: float, action: str, incident: str, set_id: str = "S-1", **more: Any) -> None:
    who = {"incident_id": incident, "wearer_id": "W-1", "set_id": set_id, "team": f"T-{incident}"}
    desk.say(at_s, "tally", action=action, **(who | more))


def two_incidents(log: Any) -> Any:
    desk = log.desk()
    for incident in ("I-A", "I-B"):
        desk.say(0, "incident", incident_id=incident, action="open")
    return desk


@pytest.fixture
def moved(log: Any) -> Any:
    """W-1 goes in at I-A, then with the same set at I-B, and out there; nobody says out at I-A."""
    desk, one = two_incidents(log), log.talker("S-1")
    one.set_up(0)
    tally(desk, 50, "in", "I-A")
    one.breathe(60, 300, only_pressure=True)
    tally(desk, 900, "in", "I-B")
    one.breathe(1000, 300, start_bar=250.0, only_pressure=True)
    tally(desk, 1400, "out", "I-B")
    return desk


def shown(snapshot: Snapshot) -> dict[str, Any]:
    return page(snapshot, System(), Display())


def counted(snapshot: Snapshot, incident: str = "") -> list[str]:
    """In, under air, not accounted for, not on air yet."""
    return [text.split()[0] for text in shown(snapshot)["summary"][incident][:4]]


def said_of(row: Row) -> dict[str, str | None]:
    return {one.code: one.who for one in row.reasons}


class TestMovedWithTheSameSet:
    def test_both_lists_have_the_person_and_say_since_when(self, log: Any, see: Any, moved: Any) -> None:
        snapshot = see(1110)
        (row,) = snapshot.rows
        assert (row.incident_id, row.also_in) == ("I-B", ("I-A",))
        (told,) = [one for one in row.reasons if one.code == "in_before"]
        assert (told.who, told.since_at) == ("I-A", pytest.approx(log.at(50).timestamp(), abs=0.2))
        (painted,) = shown(snapshot)["rows"]
        assert painted["incidents"] == ("I-B", "I-A")
        assert "tallied in at I-A 17:39 ago, not out there" in painted["why"]

    def test_it_is_counted_once_for_all_and_once_at_each(self, see: Any, moved: Any) -> None:
        snapshot = see(1110)
        assert [counted(snapshot, of) for of in ("", "I-A", "I-B")] == [["1", "1", "0", "0"]] * 3
        assert "W-1 at I-A, I-B" in shown(snapshot)["summary"][""]

    def test_an_order_and_a_roll_call_of_the_first_incident_mean_it(self, see: Any, moved: Any) -> None:
        moved.say(1100, "roll_call", incident_id="I-A", roll_id="R-1", state="called")
        moved.say(1100, "order", incident_id="I-A", order="evacuate", state="given")
        snapshot = see(1110)
        (roll,), (order,) = snapshot.roll_calls, snapshot.orders
        assert [(who, state) for who, _, _, state in roll.answers] == [("W-1", "called")]
        assert (order.meant, order.acknowledged) == (1, 0)

    def test_who_is_missing_at_the_first_incidents_roll_call_is_missing(self, see: Any, moved: Any) -> None:
        moved.say(1100, "roll_call", incident_id="I-A", roll_id="R-1", state="called")
        moved.say(1105, "roll_call", incident_id="I-A", roll_id="R-1", state="missing", wearer_id="W-1")
        (row,) = see(1110).rows
        assert row.lost is not None
        assert row.lost.code == "missing"

    def test_out_at_the_second_it_stays_at_the_first_which_says_so(
        self, log: Any, see: Any, moved: Any
    ) -> None:
        snapshot = see(1500)
        (row,) = snapshot.rows
        assert (row.incident_id, row.attention, row.also_in) == ("I-A", "not_accounted", ())
        (told,) = [one for one in row.reasons if one.code == "out_elsewhere"]
        assert (told.who, told.since_at) == ("I-B", pytest.approx(log.at(1400).timestamp(), abs=0.2))
        assert "then tallied in at I-B, out there 1:39 ago" in shown(snapshot)["rows"][0]["why"]
        assert counted(snapshot) == ["1", "0", "1", "0"]

    def test_it_leaves_when_somebody_says_out_there_too(self, see: Any, moved: Any) -> None:
        tally(moved, 1450, "out", "I-A")
        assert see(1500).rows == ()

    def test_other_programs_get_it_at_both_incidents(self, see: Any, moved: Any) -> None:
        states = board_states(see(1110))
        assert [one.also_in for one in states["trial", "I-A"].wearers] == [("I-B",)]
        assert [one.also_in for one in states["trial", "I-B"].wearers] == [("I-A",)]

    def test_afterwards_each_entry_names_the_other(self, log: Any, moved: Any) -> None:
        for incident in (None, "I-A", "I-B"):
            entries = analyse(log.frames(), PROFILE, incident)["entries"]
            told = {
                row["incident_id"]: (row["other_incident_id"], row["other_tallied_in"])
                for row in entries.iter_rows(named=True)
            }
            for own, other, at_s in (("I-A", "I-B", 900), ("I-B", "I-A", 50)):
                if incident in (None, own):
                    name, at = told[own]
                    assert name == other
                    assert (at - log.at(at_s)).total_seconds() == pytest.approx(0, abs=0.2)


class TestTwoSetsAtTwoIncidents:
    @staticmethod
    def happens(log: Any, *, first_closes: bool) -> Any:
        desk = two_incidents(log)
        for number, incident in enumerate(("I-A", "I-B"), 1):
            one = log.talker(f"S-{number}")
            one.set_up(0)
            one.breathe(
                60 if number == 1 else 700, 600, closes=first_closes and number == 1, only_pressure=True
            )
            tally(desk, 50 if number == 1 else 690, "in", incident, one.name)
        return desk

    def test_whose_first_set_is_closed_is_one_person(self, log: Any, see: Any) -> None:
        self.happens(log, first_closes=True)
        snapshot = see(800)
        rows = {row.incident_id: row for row in snapshot.rows}
        assert {name: row.set_id for name, row in rows.items()} == {"I-A": "S-1", "I-B": "S-2"}
        assert said_of(rows["I-A"])["in_since"] == "I-B"
        assert said_of(rows["I-B"])["in_before"] == "I-A"
        assert counted(snapshot) == ["1", "0", "1", "0"]  # the worse of the two
        assert "W-1 at I-A, I-B" in shown(snapshot)["summary"][""]
        assert [counted(snapshot, of) for of in ("I-A", "I-B")] == [
            ["1", "0", "1", "0"],
            ["1", "1", "0", "0"],
        ]

    def test_two_sets_that_breathe_at_once_are_on_two_people(self, log: Any, see: Any) -> None:
        """One tally is wrong: nobody breathes from two sets, and whoever wears the other has no name."""
        desk = two_incidents(log)
        for number, incident in enumerate(("I-A", "I-B"), 1):
            one = log.talker(f"S-{number}")
            one.set_up(0)
            one.breathe(60, 600, closes=False, only_pressure=True)
            tally(desk, 50 + number, "in", incident, one.name)
        snapshot = see(300)
        assert counted(snapshot) == ["2", "2", "0", "0"]
        said = shown(snapshot)["summary"][""]
        assert "W-1 at I-A, I-B, 2 sets under air: one is on somebody else" in said
        assert [counted(snapshot, of) for of in ("I-A", "I-B")] == [["1", "1", "0", "0"]] * 2


class TestOutWhereTheWearEnded:
    """Nobody said out at the first incident: its row says what the wearer did since, and since when."""

    def test_a_wear_that_went_on_at_the_second_one(self, log: Any, see: Any) -> None:
        """The row said "valve closed for 19:59", since the tally, of somebody who had breathed until then."""
        desk, one = two_incidents(log), log.talker("S-1")
        one.set_up(0)
        tally(desk, 10, "in", "I-A")
        one.breathe(20, 1100, bar_s=0.2, only_pressure=True)
        tally(desk, 800, "in", "I-B")
        tally(desk, 1140, "out", "I-B")
        snapshot = see(1168)
        (row,) = snapshot.rows
        assert (row.incident_id, row.entry_bar, row.pressure_bar) == ("I-A", 300.0, 0.0)
        assert row.lost is not None
        assert (row.lost.code, row.lost.since_at) == (
            "valve_closed",
            pytest.approx(log.at(1119).timestamp(), abs=3.0),
        )
        assert row.turn_back_reached_at is not None
        assert "then tallied in at I-B, out there 0:27 ago" in shown(snapshot)["rows"][0]["why"]

    def test_a_wear_that_began_at_the_second_one(self, log: Any, see: Any, moved: Any) -> None:
        (row,) = see(1500).rows
        assert row.lost is not None
        assert row.lost.since_at == pytest.approx(log.at(1300).timestamp(), abs=3.0)
        assert row.entry_bar == 250.0


def test_who_is_tallied_in_at_two_incidents_is_one_person_and_both_are_named(log: Any, see: Any) -> None:
    """W-1 was "not accounted for, its set was tallied to W-1", and breathed in the row below."""
    desk = log.desk()
    for number in (1, 2, 4):
        one = log.talker(f"S-{number}")
        one.set_up(0)
        one.breathe(20, 600, closes=False, only_pressure=True)
    tally(desk, 1, "in", "I-1")
    tally(desk, 2, "in", "I-1", "S-2", wearer_id="W-2")
    for at_s, wearer, set_id in ((100, "W-1", "S-1"), (110, "W-2", "S-4")):
        desk.say(at_s, "tally", incident_id="I-2", action="in", wearer_id=wearer, set_id=set_id)
    desk.say(400, "tally", incident_id="I-2", action="out", wearer_id="W-1", set_id="S-1")
    shown = see(200)
    (first,) = [row for row in shown.rows if row.wearer_id == "W-1"]
    assert (first.incident_id, first.attention, first.lost) == ("I-2", "under_air", None)
    assert {row.incident_id for row in shown.rows if row.wearer_id == "W-2"} == {"I-1", "I-2"}
    for row in shown.rows:
        others = {"I-1", "I-2"} - {row.incident_id}
        assert [one.who for one in row.reasons if one.code in ("in_before", "in_since")] == [*others]
    (first,) = [row for row in see(500).rows if row.wearer_id == "W-1"]
    assert (first.incident_id, first.tallied_out_at) == ("I-1", None)  # nobody said out there
