"""A team's turn-back and its relief: one moment for all who are in, and silence never moves it later."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.profile import Profile
from dashboard.live.display import STANDARD
from dashboard.live.side_view import team_view

READY_S = 60.0 * Profile.default().entry.relief_ready_min


def team_of_two(log: Any, *, silent: tuple[float, float] = (0.0, 0.0)) -> Any:
    """W-1 breathes hard and reaches 177.5 bar after 766 s; W-2 is of the same team."""
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    for number, bar_s in ((1, 0.16), (2, 0.07)):
        about = {"incident_id": "I-1", "set_id": f"S-{number}", "wearer_id": f"W-{number}", "team": "Alder"}
        desk.say(1, "tally", action="in", **about)
        one = log.talker(f"S-{number}")
        one.set_up(2)
        one.breathe(
            20,
            1500,
            bar_s=bar_s,
            closes=False,
            silent=silent if number == 1 else (0.0, 0.0),
            only_pressure=True,
        )
    return desk


def past_since(row: Any) -> float | None:
    """Return since when a row is past turn-back, at the earliest."""
    codes = ("turn_back", "team_turn_back", "turn_back_as_last_heard")
    found = [one.since_at for one in row.reasons if one.code in codes]
    found += [row.turn_back_not_before] if row.turn_back_not_before is not None else []
    return min(found, default=None)


def test_the_next_team_is_due_no_later_once_turn_back_is_past(log: Any, see: Any) -> None:
    """It was "due now, past 4:52", and 20 s later "ready by 10:16", by the member with most air."""
    desk = team_of_two(log)
    desk.say(1200, "tally", action="out", incident_id="I-1", set_id="S-1", wearer_id="W-1")
    shown = {at_s: see(at_s) for at_s in (760, 800, 1100, 1210, 1500)}
    reached_at = shown[800].teams[0].turn_back_reached_at
    assert reached_at is not None
    for at_s, snapshot in shown.items():
        due_at = snapshot.teams[0].relief_at
        assert due_at is not None, at_s
        assert due_at <= reached_at - READY_S + 30.0, at_s
        if at_s > 766:
            assert {row.relief_at for row in snapshot.rows} == {reached_at - READY_S}, "one time for the team"


def test_a_member_heard_again_below_turn_back_leaves_the_team_its_doubt(log: Any, see: Any) -> None:
    """The team was "past 9:18", then heard again, and 15 s later "past 0:04"."""
    desk = team_of_two(log, silent=(720.0, 1300.0))
    desk.say(1450, "tally", action="out", incident_id="I-1", set_id="S-1", wearer_id="W-1")
    before, after, out = see(1290), see(1310), see(1460)
    silent_at = log.at(720).timestamp()
    for snapshot in (before, after, out):
        (team,) = snapshot.teams
        assert team.turn_back_reached_at is not None
        assert team.turn_back_reached_at <= silent_at + 60.0
        mate = next(row for row in snapshot.rows if row.set_id == "S-2")
        assert past_since(mate) == team.turn_back_reached_at
    own = next(row for row in after.rows if row.set_id == "S-1")
    assert own.turn_back_reached_at == pytest.approx(log.at(1300).timestamp(), abs=2)
    assert [one.code for one in own.reasons if one.code == "team_turn_back"] == []


def test_a_planned_turn_back_of_a_team_is_said_to_be_planned(log: Any, see: Any) -> None:
    """16 s after it went in: "turn back in 15 min, 15 to 16", as if a forecast had an interval."""
    team_of_two(log)
    young, older = see(40), see(300)
    told = team_view(young.teams[0], young.at, STANDARD)["left"]
    assert told == "turn back in 15 min (planned)"
    assert "planned" not in team_view(older.teams[0], older.at, STANDARD)["left"]
    # Nobody knows yet how hard they work: the next team is ready for hard work.
    profile = Profile.default()
    hard = young.teams[0].turn_back.median * profile.air.planning_l_min / profile.forecast.hard_l_min
    assert young.teams[0].relief_at == pytest.approx(young.at + 60.0 * hard - READY_S, abs=1.0)
