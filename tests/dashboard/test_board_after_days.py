"""The board of a past moment, days after: whoever is in, and what is known of them, is there as on a running
board."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from analysis.live.board import LiveBoard
from analysis.live.rows import Snapshot
from analysis.profile import Profile
from dashboard.live.as_it_was import board_at
from ingest.archive.reading import Archive
from ingest.contract.captures import write_capture
from ingest.importing import import_capture
from tests.analysis.conftest import WrittenLog

DAY_S = 86400.0


def both(log: WrittenLog, folder: Path, at_s: float) -> tuple[Snapshot, Snapshot]:
    """Return the board of a moment: made from the archive, and running all the time."""
    write_capture(folder / "log.ndjson", [heard for _, heard in log.heard()])
    import_capture(folder / "log.ndjson", folder / "archive")
    now = log.at(at_s)
    past = board_at(Archive(folder / "archive"), Profile.default(), now).snapshot(now)
    board = LiveBoard(Profile.default())
    return past, log.seen_on(board)(at_s)


def tallied(desk: Any, at_s: float, wearer_id: str = "W-1", set_id: str = "S-1") -> None:
    desk.say(at_s, "tally", incident_id="I-1", action="in", wearer_id=wearer_id, set_id=set_id, team="Larch")


def test_a_setup_of_the_day_before_names_the_cylinder(tmp_path: Path) -> None:
    log = WrittenLog()
    desk, one = log.desk(), log.talker("S-1")
    one.set_up(0)
    one.say(1, "power", state="on")
    for hour in range(24):
        one.say(hour * 3600 + 30.5, "pressure", pressure_bar=0.0)
    tallied(desk, DAY_S + 10)
    one.breathe(DAY_S + 20, 300, closes=False)
    past, running = both(log, tmp_path, DAY_S + 300)
    assert past.rows[0].cylinder_known
    assert past.rows[0].turn_back == running.rows[0].turn_back


def test_a_distress_that_nobody_closed_is_there_after_the_incident_was_closed(tmp_path: Path) -> None:
    log = WrittenLog()
    desk, one = log.desk(), log.talker("S-1")
    desk.say(0, "incident", incident_id="I-1", action="open")
    one.set_up(0)
    tallied(desk, 1)
    one.breathe(20, 900, closes=False)
    desk.say(300, "incident", incident_id="I-1", action="close")
    one.say(400, "alarm", alarm="distress", state="raised")
    past, running = both(log, tmp_path, 13 * 3600)
    told = [(line.wearer_id, line.alarm, line.raised_at) for line in past.alarms]
    assert [name for *name, _ in told] == [["W-1", "distress"]]
    assert told == [(line.wearer_id, line.alarm, line.raised_at) for line in running.alarms]
    assert [(row.wearer_id, row.attention) for row in past.rows] == [("W-1", "distress")]
    assert [row.key for row in running.rows] == [row.key for row in past.rows]


@pytest.mark.parametrize("days", [3.4, 3.6, 20.0])
def test_whoever_was_never_tallied_out_is_there_after_days(tmp_path: Path, days: float) -> None:
    log = WrittenLog()
    desk, one = log.desk(), log.talker("S-1")
    desk.say(0, "incident", incident_id="I-1", action="open")
    one.set_up(0)
    tallied(desk, 1)
    one.breathe(20, 300, closes=False)
    log.talker("D-1", boot=2, role="desk").say(21 * DAY_S, "note", incident_id="X", text="t")
    past, running = both(log, tmp_path, days * DAY_S)
    assert [(row.wearer_id, row.attention) for row in past.rows] == [("W-1", "not_accounted")]
    assert past.rows[0].pressure_bar == running.rows[0].pressure_bar == 273.0
