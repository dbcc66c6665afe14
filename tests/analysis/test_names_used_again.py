"""An incident's name that is given again is another incident; it glued the years of a station together."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from analysis.incident import analyse
from analysis.pieces.archive_pieces import incident_piece, incidents_in, pieces_of
from analysis.pieces.piecewise import analyse_batch
from analysis.profile import Profile
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.contract.captures import Heard
from ingest.contract.errors import ArchiveProblem
from ingest.contract.frames import frames_from_heard
from tests.analysis.conftest import OPENED, Talker, WrittenLog

PROFILE = Profile.default()
DAY_S = 86400.0
DRILLS = [number * 55 * DAY_S + 600 for number in range(20)]


def drill(log: WrittenLog, desk: Talker, boot: int, from_s: float, set_id: str = "S-1") -> None:
    """One wear of two minutes, opened, tallied and closed under the name DRILL."""
    about: dict[str, Any] = {"incident_id": "DRILL", "set_id": set_id, "wearer_id": "W-1"}
    desk.say(from_s - 60, "incident", incident_id="DRILL", action="open")
    talker = log.talker(set_id, boot)
    talker.set_up(from_s - 50)
    talker.breathe(from_s, 120, only_pressure=True)
    talker.say(from_s + 150, "power", state="off", battery_fraction=0.8)
    desk.say(from_s - 10, "tally", action="in", **about)
    desk.say(from_s + 140, "tally", action="out", **about)
    desk.say(from_s + 200, "incident", incident_id="DRILL", action="close")


def archive_of(folder: Path, starts: list[float]) -> tuple[Path, WrittenLog]:
    log = WrittenLog()
    desk = log.desk()
    for number, from_s in enumerate(starts):
        drill(log, desk, 10 + number, from_s)
    folder.mkdir()
    seal_messages(folder, log.frames(), "log")
    return folder, log


def test_twenty_drills_of_one_name_over_three_years_are_twenty_pieces(tmp_path: Path) -> None:
    archive, log = archive_of(tmp_path / "archive", DRILLS)
    pieces = pieces_of(archive)
    of_sets = pieces.table.filter(~pl.col("of_desk"))
    assert of_sets.height == len(DRILLS)
    longest = (of_sets["until"] - of_sets["since"]).max()
    assert isinstance(longest, timedelta)
    assert longest < timedelta(hours=1)
    assert pieces.incidents["key"].n_unique() == len(DRILLS)
    # Analysed together, entries of one name are counted; in pieces they are named by its day.
    whole = analyse(log.frames(), PROFILE)["wears"].sort("started").drop("entry_id")
    found = pl.concat([analyse_batch(archive, batch, PROFILE)["wears"] for batch in pieces.batches()])
    assert found.sort("started").drop("entry_id").equals(whole)
    assert found["incident_id"].to_list() == ["DRILL"] * len(DRILLS)
    assert set(found["entry_id"]) == {f"{key}/W-1/1" for key in pieces.incidents["key"]}


def test_one_of_them_is_asked_for_by_its_day_and_the_bare_name_is_refused(tmp_path: Path) -> None:
    archive, _ = archive_of(tmp_path / "archive", DRILLS[:3])
    keys = incidents_in(archive)["key"].to_list()
    assert keys == [f"DRILL@{(OPENED + timedelta(seconds=from_s)).date()}" for from_s in DRILLS[:3]]
    messages, scope = incident_piece(archive, keys[1])
    assert scope.incidents == {"DRILL"}
    (wear,) = analyse(messages, PROFILE, "DRILL", scope=scope)["wears"].iter_rows(named=True)
    assert wear["started"].date() == (OPENED + timedelta(seconds=DRILLS[1])).date()
    assert messages["tally"].height == 2
    with pytest.raises(ArchiveProblem, match=f"given to 3 incidents .*say which: {keys[0]}, {keys[1]}"):
        incident_piece(archive, "DRILL")


@pytest.mark.parametrize(
    ("starts", "closed", "incidents"),
    [
        ([600.0, DAY_S + 600], True, 2),  # the same drill every day, closed every day
        ([600.0, DAY_S + 600], False, 1),  # never closed: it goes on overnight
        ([600.0, 4 * 3600.0], True, 1),  # opened again the same afternoon
        ([600.0, 2 * DAY_S + 600], False, 2),
    ],
)
def test_which_pause_makes_another_incident(
    starts: list[float], closed: bool, incidents: int, tmp_path: Path
) -> None:
    archive, log = archive_of(tmp_path / "archive", starts)
    if not closed:
        frames = log.frames()
        frames["incident"] = frames["incident"].filter(pl.col("action") != "close")
        seal_messages(tmp_path / "open", frames, "log")
        archive = tmp_path / "open"
    assert incidents_in(archive).height == incidents


def test_a_note_brought_in_later_goes_to_the_drill_that_it_is_about(tmp_path: Path) -> None:
    archive, _ = archive_of(tmp_path / "archive", DRILLS[:3])
    keys = incidents_in(archive)["key"].to_list()
    heard = []
    for number in (0, 1):
        at = OPENED + timedelta(seconds=DRILLS[number] + 30)
        note: dict[str, Any] = {"kind": "note", "desk_id": "D-9", "boot": 1, "seq": number}
        note |= {"time": at.isoformat(), "at": at.isoformat(), "incident_id": "DRILL", "text": f"of {number}"}
        received = OPENED + timedelta(seconds=DRILLS[2] + 400)  # brought in while the third was fresh
        heard.append(Heard(received, "underair/v1/here/desk/D-9/note", json.dumps(note).encode()))
    seal_messages(archive, frames_from_heard(heard), "notes")
    assert Archive(archive).messages()["note"].height == 2
    told = {key: incident_piece(archive, key)[0]["note"]["text"].to_list() for key in keys}
    assert told == {keys[0]: ["of 0"], keys[1]: ["of 1"], keys[2]: []}


def test_a_close_that_comes_days_late_is_no_incident_of_its_own(tmp_path: Path) -> None:
    log = WrittenLog()
    desk = log.desk()
    drill(log, desk, 1, 600.0)
    desk.say(3 * DAY_S, "incident", incident_id="DRILL", action="close")
    desk.say(4 * DAY_S, "note", incident_id="DRILL", text="Report written")
    (tmp_path / "archive").mkdir()
    seal_messages(tmp_path / "archive", log.frames(), "log")
    assert incidents_in(tmp_path / "archive")["key"].to_list() == ["DRILL"]


@pytest.mark.parametrize("year", [1, 9999])
def test_a_note_of_an_unset_time_in_an_old_archive_is_no_other_incident(tmp_path: Path, year: int) -> None:
    """Since 0.4.0 such a note is refused; archives made before hold it."""
    log = WrittenLog()
    desk = log.desk()
    drill(log, desk, 10, 600.0)
    desk.say(620.0, "note", incident_id="DRILL", text="x", at="1999-01-01T00:00:00Z")
    messages = log.frames()
    day = datetime(year, 1, 1, tzinfo=UTC) if year == 1 else datetime(year, 12, 31, 23, 59, tzinfo=UTC)
    messages["note"] = messages["note"].with_columns(pl.lit(day).cast(pl.Datetime("us", "UTC")).alias("at"))
    (tmp_path / "archive").mkdir()
    seal_messages(tmp_path / "archive", messages, "log")
    assert incidents_in(tmp_path / "archive")["key"].to_list() == ["DRILL"]
    found, _ = incident_piece(tmp_path / "archive", "DRILL")
    assert found["note"].height == 1
