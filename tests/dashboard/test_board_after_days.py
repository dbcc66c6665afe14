"""The board of a past moment, days after: whoever is in, and what is known of them, is there as on a running
board."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from analysis.live.board import LiveBoard
from analysis.live.rows import Snapshot
from analysis.profile import Profile
from dashboard.live.as_it_was import board_at
from dashboard.live.catching_up import received_until
from ingest.archive.reading import Archive
from ingest.contract.captures import write_capture
from ingest.contract.frames import Messages
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


@pytest.mark.parametrize("days", [3.4, 3.6])
def test_whoever_was_never_tallied_out_is_there_after_days(tmp_path: Path, days: float) -> None:
    never_tallied_out(tmp_path, days)


def test_whoever_was_never_tallied_out_is_there_after_weeks(tmp_path: Path, days_at_once: None) -> None:
    never_tallied_out(tmp_path, 20.0)


def never_tallied_out(tmp_path: Path, days: float) -> None:
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


class Asked:
    """Answers as an archive does, and keeps what was asked for; what follows on is one stretch."""

    def __init__(self, log: WrittenLog) -> None:
        self.log, self.frames = log, log.frames()
        self.stretches: list[tuple[float, float, frozenset[str]]] = []

    def messages(self, since: datetime, until: datetime, only: Mapping[str, pl.Expr] | None) -> Messages:
        hours = tuple(round((each - self.log.at(0)).total_seconds() / 3600.0, 6) for each in (since, until))
        kinds = frozenset(only or ())
        if self.stretches and self.stretches[-1][1:] == (hours[0], kinds):
            self.stretches[-1] = (self.stretches[-1][0], hours[1], kinds)
        else:
            self.stretches.append((*hours, kinds))
        within = (pl.col("received") >= since) & (pl.col("received") < until)
        told = only or dict.fromkeys(self.frames, pl.lit(value=True))
        return {
            kind: frame.filter(within & told[kind]) if kind in told and frame.height else frame.clear()
            for kind, frame in self.frames.items()
        }


def asked(log: WrittenLog, at_h: float) -> tuple[list[tuple[float, float]], list[tuple[float, float]]]:
    """Give which hours of the log were read: of what comes every second, and of all else."""
    archive = Asked(log)
    at = log.at(at_h * 3600.0)
    for _ in received_until(archive, at, at + timedelta(minutes=1)):  # type: ignore[arg-type]
        pass
    words, *others, last = archive.stretches
    assert words[:2] == (at_h - 12.0 - 31 * 24.0, at_h - 12.0)
    assert last[:2] == (at_h - 12.0, round(at_h + 1 / 60.0, 6))
    of_sets = [each[:2] for each in others if "pressure" in each[2]]
    return of_sets, [each[:2] for each in others if "pressure" not in each[2]]


@pytest.fixture
def days_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("dashboard.live.catching_up.READ_AT_ONCE", timedelta(days=9))


@pytest.mark.usefixtures("days_at_once")
def test_what_is_read_of_an_entry_that_is_still_open() -> None:
    """Half an hour before the first tally; what comes every second for as long as a tally claims its set."""
    log = WrittenLog()
    desk = log.desk()
    tallied(desk, 40 * 3600.0 - 0.05)  # received at 40 h
    of_sets, rest = asked(log, 100.0)
    assert of_sets == [(39.5, pytest.approx(52.0, abs=0.001))]
    assert rest == [(27.5, 88.0)]
    # Others of the same incident: up to three days before; of an older one of that name nothing.
    for earlier_h, begins_h in ((-31.9, -32.4), (-32.1, 39.5)):
        log = WrittenLog()
        desk = log.desk()
        tallied(desk, earlier_h * 3600.0 - 0.05, "W-2", "S-2")
        who = {"wearer_id": "W-2", "set_id": "S-2", "team": "Larch"}
        desk.say(earlier_h * 3600.0 + 60.0, "tally", incident_id="I-1", action="out", **who)
        tallied(desk, 40 * 3600.0 - 0.05)
        assert asked(log, 100.0)[0][0][0] == begins_h


@pytest.mark.usefixtures("days_at_once")
def test_what_is_read_of_an_alarm_that_nobody_closed() -> None:
    log = WrittenLog()
    log.talker("S-1").say(40 * 3600.0 - 0.05, "alarm", alarm="distress", state="raised")
    of_sets, rest = asked(log, 100.0)
    assert (of_sets, rest) == ([(38.0, 52.0)], [(38.0, 88.0)])
    # Whoever has the set by a tally of the twelve hours before is read with their incident.
    for tallied_h, begins_h in ((28.1, 26.0), (27.9, 38.0)):
        desk = log.talker("D-1", boot=int(10 * tallied_h), role="desk")
        tallied(desk, tallied_h * 3600.0 - 0.05)
        who = {"wearer_id": "W-1", "set_id": "S-1", "team": "Larch"}
        desk.say(tallied_h * 3600.0 + 60.0, "tally", incident_id="I-1", action="out", **who)
        assert asked(log, 100.0)[1] == [(begins_h, 88.0)]
        log.talkers.pop()
