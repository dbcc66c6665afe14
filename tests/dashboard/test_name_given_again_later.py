"""An incident's name given again, after the first use was analysed: notes, marks and entries stay with it."""

from __future__ import annotations

import json
import shutil
from datetime import timedelta
from pathlib import Path

import polars as pl

from analysis.pieces.piecewise import analyse_archive
from analysis.profile import Profile
from dashboard.privacy.wearer_record import write_wearer_record
from dashboard.results_store import ResultsStore
from dashboard.review.desk_tables import desk_notes
from dashboard.trends.wear_ledger import WearLedger
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.contract.captures import Heard
from ingest.contract.frames import frames_from_heard
from tests.analysis.conftest import OPENED, Talker, WrittenLog
from tests.analysis.test_names_used_again import DAY_S, drill
from tests.dashboard.test_one_cut import LONG_AFTER

PROFILE = Profile.default()
FIRST_S, SECOND_S = 600.0, 3 * DAY_S + 600


def drills(log: WrittenLog) -> Talker:
    desk = log.desk()
    for number, from_s in enumerate((FIRST_S, SECOND_S)):
        drill(log, desk, 10 + number, from_s)
    desk.say(FIRST_S + 90, "note", incident_id="DRILL", set_id="S-1", text="Near miss: fell on the stairs")
    return desk


def seal(archive: Path, log: WrittenLog, since_s: float, until_s: float, name: str) -> None:
    seal_messages(
        archive, frames_from_heard([one for at_s, one in log.heard() if since_s <= at_s < until_s]), name
    )


def looked_at(finding_id: str) -> Heard:
    """The mark that the review page writes, of the day after."""
    at = OPENED + timedelta(seconds=DAY_S)
    body = {"kind": "note", "desk_id": "notes-review", "boot": 1, "seq": 0, "time": at.isoformat()}
    body |= {"incident_id": "DRILL", "text": "Looked at", "looks_at": finding_id}
    body["at"] = (OPENED + timedelta(seconds=FIRST_S + 30)).isoformat()
    return Heard(at, "underair/v1/review/desk/notes-review/note", json.dumps(body).encode())


def ledger_of(archive: Path) -> pl.DataFrame:
    ledger = WearLedger(Archive(archive), PROFILE)
    ledger.update(LONG_AFTER)
    return ledger.tables()["wears"].sort("started")


def test_what_was_said_of_the_first_use_stays_with_it_everywhere(tmp_path: Path) -> None:
    archive, log = tmp_path / "archive", WrittenLog()
    archive.mkdir()
    drills(log)
    seal(archive, log, 0.0, DAY_S, "first")
    before = ResultsStore(Archive(archive), PROFILE).incident("DRILL").results
    finding_id = before["findings"]["finding_id"][0] if before["findings"].height else "tally_late-0"
    seal_messages(archive, frames_from_heard([looked_at(finding_id)]), "looked")
    (first,) = ledger_of(archive).to_dicts()
    assert (first["entry_id"], first["near_miss"]) == ("DRILL/W-1/1", "fell on the stairs")
    seal(archive, log, DAY_S, 9 * DAY_S, "second")
    # Kept lines and lines made anew say the same, and the two entries are two.
    kept = ledger_of(archive)
    shutil.rmtree(archive / "derived")
    made_anew = ledger_of(archive)
    assert kept.select("wear_id", "entry_id", "near_miss").equals(
        made_anew.select("wear_id", "entry_id", "near_miss")
    )
    names = [f"DRILL@{(OPENED + timedelta(seconds=from_s)).date()}" for from_s in (FIRST_S, SECOND_S)]
    assert kept["entry_id"].to_list() == [f"{name}/W-1/1" for name in names]
    assert kept["near_miss"].to_list() == ["fell on the stairs", None]
    analyse_archive(archive, PROFILE, tmp_path / "tables", "parquet", {})
    tables = pl.read_parquet(tmp_path / "tables" / "entries.parquet").sort("tallied_in")
    assert tables["entry_id"].to_list() == kept["entry_id"].to_list()
    store = ResultsStore(Archive(archive), PROFILE)
    one, other = (store.incident(name) for name in names)
    assert one.results["findings"].select("finding_id").equals(before["findings"].select("finding_id"))
    told, none = (desk_notes(record.messages["note"], "DRILL") for record in (one, other))
    assert {note.text for note in told} == {"Near miss: fell on the stairs", "Looked at"}
    assert [note.looks_at for note in told if note.looks_at] == [finding_id]
    assert none == []
    write_wearer_record(archive, PROFILE, "W-1", tmp_path / "about", LONG_AFTER)
    entries = pl.read_csv(tmp_path / "about" / "tables" / "entries.csv")
    assert sorted(entries["entry_id"]) == sorted(kept["entry_id"])
