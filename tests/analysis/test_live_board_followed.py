"""The simulated incident on the live board, from its first message to its end."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import pytest

from analysis.incident import analyse
from analysis.live.board import LiveBoard
from analysis.live.rows import ORDER, Row, Snapshot
from analysis.profile import Profile
from ingest.contract.frames import frames_from_heard
from sample_logs.simulation.scenario import build_incident

OPENED = datetime(2031, 5, 4, 10, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def followed() -> list[Snapshot]:
    """The simulated incident as the live page shows it, every 30 s until it is over."""
    board, heard, given = LiveBoard(Profile.default()), build_incident(5, OPENED).heard, 0
    shown = []
    for second in range(0, 3120, 30):
        now = OPENED + timedelta(seconds=second)
        until = given
        while until < len(heard) and heard[until].received <= now:
            until += 1
        board.take(frames_from_heard(heard[given:until]))
        given = until
        shown.append(board.snapshot(now))
    return shown


def test_live_and_review_tell_the_same_wears(followed: list[Snapshot]) -> None:
    """What the page said while it happened is what the analysis says of it afterwards."""
    wears = analyse(frames_from_heard(build_incident(5, OPENED).heard), Profile.default())["wears"]
    began: dict[tuple[str, float], Row] = {}
    for snapshot in followed:
        for row in snapshot.rows:
            if row.started_at is not None:
                began[row.set_id, round(row.started_at)] = row
    assert len(began) == len(wears)
    for wear in wears.iter_rows(named=True):
        started = wear["started"].timestamp()
        (row,) = [
            row for (name, at), row in began.items() if name == wear["set_id"] and abs(at - started) < 3
        ]
        assert (row.wearer_id, row.team) == (wear["wearer_id"], wear["team"])
        assert row.start_bar == pytest.approx(wear["start_bar"], abs=2.0)
        assert row.turn_back_bar == pytest.approx(wear["turn_back_bar"], abs=1.0)
        own_or_team = [row.turn_back_reached_at] + [
            reason.since_at for reason in row.reasons if reason.code == "team_turn_back"
        ]
        moments = [at for at in own_or_team if at is not None]
        if wear["turn_back_at"] is not None and row.turn_back_reached_at is None:
            # Live goes by the readings, the review by the smoothed pressure: a step of 1 bar is 10 s.
            assert min(moments) == pytest.approx(wear["turn_back_at"].timestamp(), abs=60.0)


def test_the_whole_invented_incident_is_followed_to_its_end(followed: list[Snapshot]) -> None:
    """Every moment of the simulated incident: rows sorted by need, no forecast without its interval."""
    seen: set[str] = set()
    for snapshot in followed:
        classes = [row.attention for row in snapshot.rows]
        assert classes == sorted(classes, key=ORDER.__getitem__)
        seen.update(classes)
        for row in snapshot.rows:
            for interval in (row.low_air, row.turn_back):
                if interval is not None:
                    assert all(math.isfinite(v) for v in (interval.low, interval.median, interval.high))
                    assert interval.low <= interval.median <= interval.high
    assert {"distress", "no_motion", "low_air", "silent", "turn_back", "turn_back_soon", "under_air"} <= seen
    assert followed[-1].rows == ()
    assert followed[-1].incidents == ()
