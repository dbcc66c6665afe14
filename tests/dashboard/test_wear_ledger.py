"""The kept ledger: each incident is worked out once, when it has ended; whatever is lost is made again."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import threading
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from click.testing import CliRunner

from analysis.incident import analyse
from analysis.profile import Profile, shipped_profile
from analysis.tables import Results
from analysis.trends.ledger import SCHEMAS, WEARS, empty_ledger, was_heard
from dashboard.context import PageContext
from dashboard.pages import trends as trends_page
from dashboard.rows import text_of
from dashboard.trends import wear_ledger
from dashboard.trends.sections import people
from dashboard.trends.wear_ledger import (
    FILE_NAME,
    MOST_CHUNKS,
    WearLedger,
    between,
    bring_in,
    nothing_kept,
    read_kept,
)
from dashboard.underair import root
from dashboard.units import METRIC
from ingest.archive.index import ArchiveIndex
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.contract.captures import Heard, read_capture
from ingest.contract.errors import ArchiveProblem
from ingest.contract.frames import frames_from_heard
from ingest.parquet_bytes import sealed as with_seal
from tests.analysis.conftest import OPENED, WrittenLog

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "radio_drill.ndjson.zst"
HEARD = list(read_capture(SAMPLE))
LAST = HEARD[-1].received
FIRST_DAY = HEARD[0].received.date()
LONG_AFTER = LAST + timedelta(days=3)
DEFAULT = Profile.default()


class Counted:
    """The analysis, counted."""

    def __init__(self) -> None:
        self.calls = 0

    def __call__(self, messages: Any, profile: Profile, **scope: Any) -> Results:
        self.calls += 1
        return analyse(messages, profile, **scope)


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> Counted:
    counted = Counted()
    monkeypatch.setattr(wear_ledger, "analyse", counted)
    return counted


def later(heard: list[Heard], by: timedelta) -> list[Heard]:
    """The same messages received later (their payloads untouched, another listener's boot in the topic)."""
    return [
        Heard(one.received + by, one.topic.replace("/set/S-", "/set/T-"), one.payload.replace(b'"S-', b'"T-'))
        for one in heard
    ]


def put(folder: Path, heard: list[Heard], name: str) -> None:
    seal_messages(folder, frames_from_heard(heard), name)


@pytest.fixture(scope="module")
def sealed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sealed")
    put(folder, HEARD, "first")
    return folder


@pytest.fixture
def archive(sealed: Path, tmp_path: Path) -> Archive:
    shutil.copytree(sealed, tmp_path, dirs_exist_ok=True)
    return Archive(tmp_path)


def test_an_incident_is_worked_out_once_and_kept(archive: Archive, counted: Counted) -> None:
    ledger = WearLedger(archive, DEFAULT)
    assert ledger.update(LONG_AFTER)
    wears = ledger.tables()["wears"]
    assert wears.height == 7
    assert not ledger.update(LONG_AFTER)
    again = WearLedger(archive, DEFAULT)
    assert not again.update(LONG_AFTER)
    assert again.tables()["wears"].equals(wears)
    assert counted.calls == 1


def test_a_later_incident_costs_only_itself(archive: Archive, counted: Counted) -> None:
    ledger = WearLedger(archive, DEFAULT)
    ledger.update(LONG_AFTER)
    before = ledger.tables()["wears"]
    put(archive.folder, later(HEARD, timedelta(hours=5)), "second")
    assert ledger.update(LONG_AFTER)
    assert counted.calls == 2
    wears = ledger.tables()["wears"]
    assert wears.height == 14
    assert wears.filter(pl.col("set_id").str.starts_with("S-")).equals(before)


def test_an_incident_under_way_waits_for_its_end(archive: Archive) -> None:
    ledger = WearLedger(archive, DEFAULT)
    assert not ledger.update(LAST + timedelta(minutes=5))
    assert ledger.tables()["wears"].is_empty()
    assert ledger.update(LAST + timedelta(minutes=67))
    assert ledger.tables()["wears"].height == 7


def test_messages_that_come_late_have_their_incident_worked_out_again(
    tmp_path: Path, counted: Counted
) -> None:
    cut = len(HEARD) // 2
    put(tmp_path, HEARD[:cut], "half")
    ledger = WearLedger(Archive(tmp_path), DEFAULT)
    ledger.update(LONG_AFTER)
    put(tmp_path, HEARD[cut:], "rest")
    ledger.update(LONG_AFTER)
    assert counted.calls == 2
    whole = ledger.tables()
    assert whole["wears"].height == 7
    assert whole["wears"]["wear_id"].is_unique().all()


def test_what_is_damaged_or_deleted_is_made_again(archive: Archive) -> None:
    ledger = WearLedger(archive, DEFAULT)
    ledger.update(LONG_AFTER)
    wears = ledger.tables()["wears"]
    (path,) = archive.folder.glob(f"derived/wears-*/{FILE_NAME}")
    whole = path.read_bytes()
    for damaged in (b"torn", whole[:-1], whole.replace(b"PAR1", b"PAR2", 1), with_seal(b"\x80")):
        path.write_bytes(damaged)
        assert read_kept(path.parent).pieces.is_empty()
        again = WearLedger(archive, DEFAULT)
        again.update(LONG_AFTER)
        assert again.tables()["wears"].equals(wears)
        assert path.read_bytes() == whole


def test_two_who_look_first_read_what_is_kept_once(archive: Archive, monkeypatch: pytest.MonkeyPatch) -> None:
    WearLedger(archive, DEFAULT).update(LONG_AFTER)
    read, both = read_kept, threading.Barrier(2)
    reads: list[Path] = []

    def slow(folder: Path) -> Any:
        reads.append(folder)
        with contextlib.suppress(threading.BrokenBarrierError):
            both.wait(0.5)  # as long as a second reader would need to come
        return read(folder)

    monkeypatch.setattr(wear_ledger, "read_kept", slow)
    ledger = WearLedger(archive, DEFAULT)
    threads = [threading.Thread(target=ledger.tables) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(reads) == 1


def test_what_is_kept_is_synced_before_it_takes_its_place(
    archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    ArchiveIndex(archive.folder).bring_up_to_date()  # which is not synced: it is checked when it is read
    done: list[tuple[str, str]] = []
    sync, replace = os.fsync, Path.replace

    def synced(handle: int) -> None:
        done.append(("synced", Path(f"/proc/self/fd/{handle}").readlink().name))
        sync(handle)

    def replaced(path: Path, target: Path) -> Path:
        done.append(("replaced", path.name))
        return replace(path, target)

    monkeypatch.setattr(os, "fsync", synced)
    monkeypatch.setattr(Path, "replace", replaced)
    WearLedger(archive, DEFAULT).update(LONG_AFTER)
    put_in_place = [name for what, name in done if what == "replaced"]
    assert {name.split(".")[1] for name in put_in_place} == {"ledger"}
    for name in put_in_place:
        assert done.index(("synced", name)) < done.index(("replaced", name))


def test_many_small_pieces_do_not_pile_up(archive: Archive) -> None:
    kept = nothing_kept()
    for number in range(200):
        kept = kept.with_piece({"key": f"S-1/{number}", "digest": 1, "messages": 1}, empty_ledger())
    assert kept.pieces.height == 200
    assert kept.pieces.n_chunks() <= MOST_CHUNKS


def test_another_profile_has_another_ledger(archive: Archive) -> None:
    WearLedger(archive, DEFAULT).update(LONG_AFTER)
    other = WearLedger(archive, shipped_profile("thirds"))
    assert other.tables()["wears"].is_empty()
    assert other.update(LONG_AFTER)
    assert len(list(archive.folder.glob("derived/wears-*"))) == 2


def test_progress_counts_messages_to_the_end(archive: Archive) -> None:
    put(archive.folder, later(HEARD, timedelta(hours=5)), "second")
    seen: list[tuple[int, int]] = []
    WearLedger(archive, DEFAULT).update(LONG_AFTER, lambda done, total: seen.append((done, total)))
    assert [done for done, _ in seen] == sorted(done for done, _ in seen)
    assert seen[-1][0] == seen[-1][1] > 10_000


def test_lines_that_were_brought_in_stand_beside_the_archives_own(archive: Archive) -> None:
    ledger = WearLedger(archive, DEFAULT)
    ledger.update(LONG_AFTER)
    own = ledger.tables()
    moved = {
        name: frame.with_columns(
            (pl.col("wear_id") + "-x") if "wear_id" in frame.columns else pl.col("set_id")
        )
        for name, frame in own.items()
    }
    bring_in(archive.folder, "elsewhere", moved)
    both = ledger.tables()
    assert both["wears"].height == 14
    assert {name: frame.schema for name, frame in both.items()} == SCHEMAS
    assert not ledger.update(LONG_AFTER)


def test_the_messages_parts_are_left_alone(archive: Archive) -> None:
    def parts() -> dict[str, bytes]:
        files = archive.folder.rglob("*")
        return {
            str(path): path.read_bytes()
            for path in files
            if path.is_file() and path.relative_to(archive.folder).parts[0] not in ("derived", "index")
        }

    before = parts()
    WearLedger(archive, DEFAULT).update(LONG_AFTER)
    assert parts() == before


def test_a_period_from_day_to_day(archive: Archive) -> None:
    ledger = WearLedger(archive, DEFAULT)
    ledger.update(LONG_AFTER)
    tables = ledger.tables()
    day = date(2031, 5, 4)
    assert between(tables, day, day)["wears"].height == 7
    assert between(tables, day + timedelta(days=1), None)["wears"].is_empty()
    assert between(tables, None, day - timedelta(days=1))["set_events"].is_empty()


def test_a_worker_that_does_not_see_the_archive_says_so(archive: Archive, tmp_path: Path) -> None:
    elsewhere = tmp_path / "not-mounted"
    elsewhere.mkdir()

    def run(function: Any, lots: Any) -> Any:
        return (function(replace(lot, folder=elsewhere)) for lot in lots)

    ledger = WearLedger(archive, DEFAULT)
    with pytest.raises(ArchiveProblem, match=r"none of the 10,674 messages of 2031-05-04 .*not-mounted"):
        ledger.update(LONG_AFTER, run=run)
    assert ledger.tables()["wears"].is_empty()


def test_who_was_never_heard_is_told_apart_from_the_wears(tmp_path: Path) -> None:
    """Two of five were not heard: a service whose radio fails must not look safer for it."""
    log = WrittenLog()
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    for number in (1, 2):
        about = {"incident_id": "I-1", "set_id": f"S-{number}", "wearer_id": f"W-{number}"}
        desk.say(10, "tally", action="in", **about)
        desk.say(610, "tally", action="out", **about)
    log.talker("S-1").breathe(20, 500)
    archive = tmp_path / "archive"
    archive.mkdir()
    seal_messages(archive, log.frames(), "log")
    context = PageContext(archive=Archive(archive), profile=Profile.default())
    ledger = WearLedger(Archive(archive), Profile.default())
    ledger.update(OPENED + timedelta(days=9))
    assert ledger.tables()["wears"]["wearer_id"].to_list() == ["W-1"]
    assert ledger.everybody()["wearer_id"].sort().to_list() == ["W-1", "W-2"]
    page = str(trends_page.layout(context, {}))
    assert "Never heard under air: 1 entry, in no rate and no mean. Known of them: nothing." in page
    unheard = ledger.everybody().filter(~was_heard())
    table = people(ledger.tables()["wears"], unheard, METRIC).to_plotly_json()["props"]["data-listing"]
    first, second = ([text_of(made) for made in row] for row in json.loads(table)["rows"])
    assert first[:3] == ["W-1", "1", "0"]
    assert [*second[:3], *{*second[3:]}] == ["W-2", "0", "1", "not heard"]
    done = CliRunner().invoke(
        root, ["audit", "--inside", "--archive", str(archive), "--out", str(tmp_path / "out")]
    )
    assert done.exit_code == 0, done.output
    assert "1 wear, and 1 entry never heard under air, in no rate; tables" in done.output
    (month,) = pl.read_csv(tmp_path / "out" / "by_month.csv").to_dicts()
    assert (month["wears"], month["wearers"], month["never_heard"]) == (1, 1, 1)


def test_a_wearers_rate_is_of_the_wears_whose_litres_are_known() -> None:
    """It counted the hose's air as breathed, and the minutes of an unknown cylinder as without air."""
    wears = [
        {"wear_id": "a", "wearer_id": "W-1", "under_air_min": 20.0, "free_air_l": 800.0, "mean_l_min": 40.0},
        # Its last reading may be the hose's: 1,353 L at most, no mean rate.
        {"wear_id": "b", "wearer_id": "W-1", "under_air_min": 16.0, "free_air_l": 1353.0},
        {"wear_id": "c", "wearer_id": "W-1", "under_air_min": 20.0},  # nobody named the cylinder
        {"wear_id": "d", "wearer_id": "W-2", "under_air_min": 20.0},
    ]
    ledger = pl.DataFrame([{"started": OPENED, **each} for each in wears], WEARS, orient="row")
    table = people(ledger, ledger.clear(), METRIC).to_plotly_json()["props"]["data-listing"]
    first, second = ([text_of(made) for made in row] for row in json.loads(table)["rows"])
    assert (first[0], first[4], first[6]) == ("W-1", "0.9", "40 L/min")
    assert (second[0], second[6], second[7]) == ("W-2", "–", "–")


def test_where_nobody_was_heard_nothing_is_known_and_that_is_not_none(tmp_path: Path) -> None:
    """The page said that there were no wears, though three people had gone in, one to 20 bar."""
    log = WrittenLog()
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    for number in (1, 2, 3):
        about = {"incident_id": "I-1", "set_id": f"S-{number}", "wearer_id": f"W-{number}"}
        desk.say(10, "tally", action="in", **about)
        desk.say(610, "tally", action="out", **about)
    desk.say(500, "gauge", incident_id="I-1", set_id="S-1", pressure_bar=20.0)
    log.talker("S-2").say(300, "alarm", alarm="distress", state="raised")
    archive = tmp_path / "archive"
    archive.mkdir()
    seal_messages(archive, log.frames(), "log")
    WearLedger(Archive(archive), Profile.default()).update(OPENED + timedelta(days=9))
    context = PageContext(archive=Archive(archive), profile=Profile.default())
    page = str(trends_page.layout(context, {"year": "2031"}))
    known = "1 left below the low-air warning, 1 with a distress alarm"
    assert f"Never heard under air: 3 entries, in no rate and no mean. Known of them: {known}." in page
    assert "No set was heard under air in this period." in page
    assert all(f"W-{number}" in page for number in (1, 2, 3))
    assert "No wears in this period" not in page
    assert f"3: {known}" in page
    about = ["--archive", str(archive), "--out", str(tmp_path / "out")]
    done = CliRunner().invoke(root, ["audit", "--inside", *about])
    assert done.exit_code == 0, done.output
    (month,) = pl.read_csv(tmp_path / "out" / "by_month.csv").to_dicts()
    assert [month[name] for name in ("wears", "never_heard", "never_heard_low_air_exits")] == [0, 3, 1]
    assert month["low_air_exits_rate"] is None
    assert f"3: {known}" in (tmp_path / "out" / "summary.html").read_text()
    done = CliRunner().invoke(root, ["audit", *about])
    assert done.exit_code == 1
    assert "in this period, but 3 entries of people who were tallied in" in str(done.exception)
