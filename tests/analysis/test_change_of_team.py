"""A change of team from now on: it takes back no turn-back that was owed, and gives nobody an earlier one."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from analysis.incident import analyse
from analysis.profile import Profile
from dashboard.live.display import STANDARD
from dashboard.live.row_view import row_view

PROFILE = Profile.default()
DUE_S = 786.0
"""W-1 of team Alder reaches 177.5 bar then; all others have far more."""


def changing(log: Any, *, note_s: float | None = None) -> None:
    """W-1 to W-4 are Alder, W-5 Birch. W-2 moves to Birch after the moment, W-3 before, W-1 last."""
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    for number, bar_s in ((1, 0.16), (2, 0.07), (3, 0.07), (4, 0.07), (5, 0.07)):
        one = log.talker(f"S-{number}")
        one.set_up(2)
        one.breathe(20, 1400, bar_s=bar_s, closes=False, only_pressure=True)
        say(desk, 1, number, "Birch" if number == 5 else "Alder")
        desk.say(1430, "tally", action="out", incident_id="I-1", set_id=one.name, wearer_id=f"W-{number}")
    say(desk, 700, 3, "Birch")
    say(desk, 900, 2, "Birch")
    say(desk, 1200, 1, "Birch")
    if note_s is not None:
        desk.say(note_s, "note", incident_id="I-1", text="Alder turning back")


def say(desk: Any, at_s: float, number: int, team: str) -> None:
    about = {"incident_id": "I-1", "set_id": f"S-{number}", "wearer_id": f"W-{number}", "team": team}
    desk.say(at_s, "tally", action="in", **about)


def test_the_record_keeps_the_turn_back_owed_with_the_earlier_team(log: Any) -> None:
    changing(log)
    tables = analyse(log.frames(), PROFILE)
    due = {row["wearer_id"]: row["turn_back_at"] for row in tables["entries"].to_dicts()}
    alder = pytest.approx(log.at(DUE_S).timestamp(), abs=10)
    assert [due[who].timestamp() for who in ("W-1", "W-2", "W-4")] == [alder] * 3
    # Birch has had a member past turn-back only since W-1 joined it.
    birch = pytest.approx(log.at(1200).timestamp(), abs=1)
    assert [due[who].timestamp() for who in ("W-3", "W-5")] == [birch] * 2
    late = tables["findings"].filter(pl.col("code") == "turned_back_late")["statement"].to_list()
    assert len([one for one in late if "for the team, by its lowest member" in one]) == 2  # W-2 and W-4
    assert tables["entries"]["turn_back_not_before"].null_count() == 5


def test_a_note_about_the_earlier_team_counts_for_whoever_was_in_it_then(log: Any) -> None:
    changing(log, note_s=800)
    rows = {row["wearer_id"]: row for row in analyse(log.frames(), PROFILE)["entries"].to_dicts()}
    assert rows["W-2"]["turn_back_noted_at"] == rows["W-4"]["turn_back_noted_at"]
    assert rows["W-2"]["turn_back_late_s"] == pytest.approx(800 - DUE_S, abs=10)
    assert rows["W-3"]["turn_back_noted_at"] is None


def test_the_row_keeps_it_too_and_the_other_team_does_not_get_it(log: Any, see: Any) -> None:
    changing(log)
    shown = {at_s: {row.wearer_id: row for row in see(at_s).rows} for at_s in (890, 910, 1210)}
    for at_s in (890, 910, 1210):
        row = shown[at_s]["W-2"]
        assert row.attention == "turn_back", at_s
        (due,) = [one for one in row.reasons if one.code == "team_turn_back"]
        assert due.since_at == pytest.approx(log.at(DUE_S).timestamp(), abs=10)
    (due,) = [one for one in shown[910]["W-2"].reasons if one.code == "team_turn_back"]
    assert due.who == "Alder"
    assert "with its earlier team Alder" in str(
        row_view(shown[910]["W-2"], log.at(910).timestamp(), STANDARD)
    )
    for who in ("W-3", "W-5"):
        assert shown[910][who].attention == "under_air"
        (due,) = [one for one in shown[1210][who].reasons if one.code == "team_turn_back"]
        assert (due.since_at, due.who) == (pytest.approx(log.at(1200).timestamp(), abs=1), None)


def test_a_team_is_not_past_turn_back_by_what_a_member_owes_with_another(log: Any, see: Any) -> None:
    changing(log)
    teams = {at_s: {one.team: one for one in see(at_s).teams} for at_s in (910, 1210)}
    assert teams[910]["Alder"].turn_back_reached_at is not None
    assert teams[910]["Birch"].turn_back_reached_at is None
    assert teams[1210]["Birch"].turn_back_reached_at is not None
