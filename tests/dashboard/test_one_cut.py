"""One way to cut an archive: tables, report, review, trends and board name the same wears and entries.

They cut it in three ways: a radio outage of 40 minutes was one wear with a gap in the review, and two wears
of one and the same id in the trends.
"""

from __future__ import annotations

import functools
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from analysis.pieces.archive_pieces import incidents_in
from analysis.pieces.piecewise import analyse_archive
from analysis.profile import Profile
from analysis.tables import TABLES
from dashboard.evidence.case import incident_of_archive, write_case
from dashboard.evidence.case_check import verify_case
from dashboard.live.as_it_was import board_at
from dashboard.results_store import ResultsStore
from dashboard.trends.wear_ledger import WearLedger
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.contract.captures import read_capture
from ingest.contract.frames import Messages, frames_from_heard
from tests.analysis.conftest import WrittenLog

PROFILE = Profile.default()
LONG_AFTER = datetime(2040, 1, 1, tzinfo=UTC)
ENTRY = ["entry_id", "incident_id", "wearer_id", "set_ids", "wear_ids", "entry_bar", "ended_how"]
ENTRY_TYPES = {name: TABLES["entries"][name] for name in ENTRY}
SAMPLES = sorted((Path(__file__).parents[2] / "sample_logs").glob("*.ndjson*"))
WEAR = ["wear_id", "incident_id", "wearer_id", "set_id", "started", "ended", "free_air_l"]


def with_outage(minutes: int) -> Messages:
    """Two wears, one of them tallied, which no radio reaches for so long; the set goes on all the time."""
    log = WrittenLog()
    desk = log.desk()
    about: dict[str, Any] = {"incident_id": "I-1", "set_id": "S-1", "wearer_id": "W-1"}
    desk.say(0, "incident", incident_id="I-1", action="open")
    desk.say(590, "tally", action="in", **about)
    silent = (1200.0, 1200.0 + minutes * 60)
    for set_id in ("S-1", "S-2"):
        talker = log.talker(set_id)
        talker.set_up(550)
        last_s = talker.breathe(600, minutes * 60 + 1200, bar_s=0.008, silent=silent)
        talker.say(last_s + 10, "power", state="off", battery_fraction=0.8)
    desk.say(last_s + 20, "tally", action="out", **about)
    desk.say(last_s + 60, "incident", incident_id="I-1", action="close")
    return log.frames()


@functools.lru_cache(4)
def trends_of(folder: Path) -> dict[str, pl.DataFrame]:
    ledger = WearLedger(Archive(folder), PROFILE)
    ledger.update(LONG_AFTER)
    return ledger.tables()


@functools.lru_cache(4)
def review_of(folder: Path) -> ResultsStore:
    return ResultsStore(Archive(folder), PROFILE)


@functools.lru_cache(8)
def report_of(folder: Path, key: str) -> dict[str, pl.DataFrame]:
    return incident_of_archive(folder, PROFILE, key, LONG_AFTER)[0].results


def named_by_all(folder: Path) -> dict[str, pl.DataFrame]:
    """The wears of an archive as each of the four names them; the report's only where there is a tally."""
    analyse_archive(folder, PROFILE, folder.parent / "tables", "parquet", {})
    analysed = pl.read_parquet(folder.parent / "tables" / "wears.parquet")
    trends = trends_of(folder)["wears"].with_columns((pl.col("silent_min") * 60.0).alias("gap_s"))
    reports = [report_of(folder, key)["wears"] for key in incidents_in(folder)["key"]]
    reports = [one.filter(pl.col("incident_id").is_not_null()) for one in reports]
    untallied = analysed.filter(pl.col("incident_id").is_null())
    found = {
        "analyse": analysed,
        "review": review_of(folder).wears(),
        "trends": trends,
        "report": pl.concat([untallied, *reports]),
    }
    return {
        name: frame.select(*WEAR, pl.col("gap_s").fill_null(0.0).round(6)).sort("started", "wear_id")
        for name, frame in found.items()
    }


def entries_of_board(folder: Path) -> pl.DataFrame:
    """Everybody's entries as the live board has them when the last message has been received."""
    archive = Archive(folder)
    last = max(frame["received"].max() for frame in archive.messages().values() if frame.height)
    board = board_at(archive, PROFILE, last)
    board.snapshot(last + timedelta(minutes=1))
    rows = [
        (
            one.entry_id,
            one.incident_id,
            one.wearer_id,
            list(one.set_ids),
            [wear.wear_id for wear in one.wears],
            one.entry_bar,
            one.ended_how,
        )
        for one in board.entries()
    ]
    return pl.DataFrame(rows, schema=ENTRY_TYPES, orient="row").sort("entry_id")


def entries_of_trends(folder: Path) -> dict[str, list[str]]:
    """Each entry with its wears, as the ledger of the trends names them."""
    wears = trends_of(folder)["wears"].sort("started", "wear_id")
    return {
        str(entry_id): own["wear_id"].to_list()
        for (entry_id,), own in wears.group_by("entry_id", maintain_order=True)
    }


def assert_entries_agree(folder: Path) -> None:
    """Of `analyse`, trends, board, page and report; `named_by_all` has written the tables."""
    analysed = pl.read_parquet(folder.parent / "tables" / "entries.parquet").select(ENTRY)
    assert entries_of_board(folder).equals(analysed.sort("entry_id"))
    with_wears = analysed.filter(pl.col("wear_ids").list.len() > 0)
    assert entries_of_trends(folder) == dict(with_wears.select("entry_id", "wear_ids").iter_rows())
    for row in incidents_in(folder).iter_rows(named=True):
        mine = analysed.filter(pl.col("incident_id") == row["incident_id"]).sort("entry_id")
        for results in (review_of(folder).incident(row["key"]).results, report_of(folder, row["key"])):
            named = pl.col("incident_id").is_not_null()
            entries = results["entries"].select(ENTRY).sort("entry_id")
            assert entries.filter(named).equals(mine), row["key"]
            # Whoever nobody tallied in meanwhile is in the incident too, as in the tables.
            assert set(entries.filter(~named)["entry_id"]) <= set(analysed["entry_id"])


def assert_they_agree(found: dict[str, pl.DataFrame]) -> None:
    assert found["analyse"]["wear_id"].is_unique().all()
    for name, frame in found.items():
        assert frame.equals(found["analyse"]), name


@pytest.mark.parametrize("minutes", [40, 400])
def test_an_outage_is_the_same_to_all(minutes: int, tmp_path: Path) -> None:
    (tmp_path / "archive").mkdir()
    seal_messages(tmp_path / "archive", with_outage(minutes), "log")
    found = named_by_all(tmp_path / "archive")
    assert found["analyse"]["wear_id"].to_list() == ["S-1/1/1", "S-2/1/1"]
    assert found["analyse"]["gap_s"].to_list() == pytest.approx([minutes * 60.0] * 2, abs=2.0)
    assert_they_agree(found)
    assert_entries_agree(tmp_path / "archive")
    (entry,) = pl.read_parquet(tmp_path / "tables" / "entries.parquet")["wear_ids"].to_list()[:1]
    assert entry == ["S-1/1/1"]


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda path: path.name)
def test_every_sample_log_is_the_same_to_all(sample: Path, tmp_path: Path) -> None:
    (tmp_path / "archive").mkdir()
    seal_messages(tmp_path / "archive", frames_from_heard(read_capture(sample)), "log")
    assert_they_agree(named_by_all(tmp_path / "archive"))
    assert_entries_agree(tmp_path / "archive")


def test_never_tallied_out_is_said_by_all_or_by_none(tmp_path: Path) -> None:
    """Only the archive knows that hours went by: page, report and case looked at the incident alone."""
    log = WrittenLog()
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    desk.say(590, "tally", action="in", incident_id="I-1", set_id="S-1", wearer_id="W-1")
    desk.say(595, "tally", action="in", incident_id="I-1", set_id="S-3", wearer_id="W-3")  # never heard
    log.talker("S-1").breathe(600, 300)
    log.talker("S-9").breathe(5 * 3600, 60)  # hours later, of nobody
    archive = tmp_path / "archive"
    archive.mkdir()
    seal_messages(archive, log.frames(), "log")
    analyse_archive(archive, PROFILE, tmp_path / "tables", "parquet", {})
    key = incidents_in(archive)["key"][0]
    write_case(archive, PROFILE, key, tmp_path / "case")
    of_incident = pl.col("code").is_in(["not_tallied_out", "set_never_heard", "tallied_without_wear"])
    found = {
        "analyse": pl.read_parquet(tmp_path / "tables" / "findings.parquet"),
        "review": ResultsStore(Archive(archive), PROFILE).incident(key).results["findings"],
        "report": incident_of_archive(archive, PROFILE, key, LONG_AFTER)[0].results["findings"],
        "case": pl.read_parquet(tmp_path / "case" / "data" / "results" / "findings.parquet"),
    }
    told = {name: frame.filter(of_incident).select("code", "statement") for name, frame in found.items()}
    assert sorted(told["analyse"]["code"]) == ["not_tallied_out", "set_never_heard", "tallied_without_wear"]
    for name, frame in told.items():
        assert frame.sort(pl.all()).equals(told["analyse"].sort(pl.all())), name
    assert verify_case(tmp_path / "case", again=True).faults == ()
