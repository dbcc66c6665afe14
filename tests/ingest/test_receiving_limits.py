"""Sealing and verifying at their limits, without a store."""

from __future__ import annotations

import errno
import os
import stat
import time
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import polars as pl
import pyarrow.parquet as pq
import pytest

from ingest.archive import expected, sealing, sound, tidying
from ingest.archive.durable import write_durably
from ingest.archive.expected import expected_of
from ingest.archive.folder import Counts, create_archive
from ingest.archive.index import days_between
from ingest.archive.journal import SegmentWriter
from ingest.archive.journal_frames import Record
from ingest.archive.manifest import rows_digest
from ingest.archive.parts import part_files, scan_parts
from ingest.archive.reading import Archive
from ingest.archive.retention import retain
from ingest.archive.sealing import seal_messages, seal_segment
from ingest.archive.sound import DayFolder, journals, trouble_of
from ingest.archive.store import Place, StorePath, StoreProblem, machine_folder
from ingest.archive.tidying import tidy
from ingest.archive.verifying import odd_entries, verify
from ingest.contract.captures import Heard
from ingest.contract.errors import ArchiveProblem
from ingest.contract.frames import frames_from_heard
from ingest.contract.times import EPOCH
from tests.analysis.conftest import OPENED, message_of
from tests.faults.journal_reading import segment_bytes


@pytest.mark.parametrize(("kind", "mode"), [("File", stat.S_IFREG), ("Directory", stat.S_IFDIR)])
def test_an_object_says_its_size_and_the_whole_second_of_its_change(kind: str, mode: int) -> None:
    path = StorePath("s3:", "bucket", "a")
    path._known = SimpleNamespace(
        type=SimpleNamespace(name=kind), is_file=kind == "File", mtime_ns=1_700_000_000_999_999_999, size=7
    )
    found = path.stat()
    assert (found.st_mode, found.st_size, found.st_mtime) == (mode, 7, 1_700_000_000)
    assert found.st_mtime_ns == 1_700_000_000_000_000_000
    path._known = SimpleNamespace(type=SimpleNamespace(name="NotFound"))
    with pytest.raises(FileNotFoundError, match="not on the store"):
        path.stat()


@pytest.mark.parametrize(("minutes", "told"), [(59, 0), (61, 1)])
def test_sealing_that_began_an_hour_ago_and_has_not_ended_is_told(
    tmp_path: Path, minutes: int, told: int
) -> None:
    archive = create_archive(tmp_path / "a")
    (archive / "sealing").mkdir()
    (archive / "sealing" / "main-1").write_bytes(b"")
    began = time.time() - 60 * minutes
    os.utime(archive / "sealing" / "main-1", (began, began))
    faults = [fault for fault in verify(archive).faults if fault.what == "unfinished"]
    assert [fault.where for fault in faults] == told * ["sealing/main-1"]


@pytest.mark.parametrize(("length", "aside"), [(10, False), (11, True)])
def test_damaged_bytes_are_refused_at_the_first_receipt_of_their_segment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, length: int, aside: bool
) -> None:
    monkeypatch.setattr(sealing, "LARGEST_KEPT_BYTES", 10)
    monkeypatch.setattr(sealing, "MAX_PAYLOAD_BYTES", 4)
    archive = create_archive(tmp_path / "a")
    folder = archive / "journal" / "main"
    folder.mkdir(parents=True)
    segment = folder / "20310504T102107412003Z-0123456789abcdef.journal"
    whole = segment_bytes([[Record(7_000_000, "t", b"1", False)], [Record(9_000_000, "t", b"2", False)]])
    segment.write_bytes(whole + b"x" * length)
    assert seal_segment(archive, segment).counts == Counts(3, 0, 0, 3)
    rows = scan_parts("refused", part_files(archive, "refused")).collect()
    row = rows.filter(pl.col("reason").str.starts_with("journal")).to_dicts()[0]
    assert (row["received"] - EPOCH).total_seconds() == 7.0
    assert row["payload"] == b"x" * (4 if aside else 10)
    kept = f"quarantine/journal/main/{segment.name}"
    end = f"bytes {len(whole)} to {len(whole) + length} contain no complete frame"
    assert row["reason"] == (
        f"journal {segment.name}: {end}; they are its end: not acknowledged if a write broke off there"
        + (f"; the first 4 bytes are kept here, all in {kept}" if aside else "")
    )
    assert (archive / kept).exists() is aside
    assert not segment.exists()


def test_merging_keeps_the_order_of_what_was_received_in_one_microsecond(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two parts of 2,000 messages: of each, a half was received in one microsecond, a half in the next."""
    waited: list[float] = []
    monkeypatch.setattr(tidying, "time", SimpleNamespace(sleep=waited.append))
    archive = create_archive(tmp_path / "a")
    for first in (0, 2000):
        heard = []
        for seq in range(first, first + 2000):
            fields = {"pressure_bar": 200.0}
            topic, payload = message_of("set", "S-1", 1, seq, "pressure", 0.0, None, fields)
            at = OPENED + timedelta(microseconds=seq % 2000 // 1000)
            heard.append(Heard(at, topic, payload, False))
        seal_messages(archive, frames_from_heard(heard), "part")
    done = tidy(archive, OPENED + timedelta(days=2))
    assert waited == [2.0], "who has just listed the parts goes on reading what was replaced"
    counted = (done.merged, done.parts_before, done.parts_after, done.rows, done.duplicates)
    assert counted == (1, 2, 1, 4000, 0)
    (merged,) = part_files(archive, "pressure")
    rows = scan_parts("pressure", [merged]).select("received", "seq").collect()
    assert rows["received"].is_sorted()
    assert sorted(rows["seq"]) == list(range(4000))
    for first in (0, 2000):
        of_one = rows.filter(pl.col("seq").is_between(first, first + 1999))["seq"].to_list()
        assert of_one == list(range(first, first + 2000))


def test_merging_in_lots_keeps_every_message_once_in_the_order_of_sets_and_receipts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two parts: 10 sets say 10 messages in each, a second apart."""
    for name, value in (("LOT_ROWS", 40), ("ROW_GROUP_ROWS", 30), ("_LOTS_AT_ONCE", 3)):
        monkeypatch.setattr(tidying, name, value)
    archive = create_archive(tmp_path / "a")
    for part in range(2):
        heard = []
        for number in range(100):
            seq = 10 * part + number // 10
            fields = {"pressure_bar": 200.0}
            topic, payload = message_of("set", f"S-{number % 10}", 1, seq, "pressure", 0.0, None, fields)
            heard.append(Heard(OPENED + timedelta(seconds=100 * part + number), topic, payload, False))
        seal_messages(archive, frames_from_heard(heard), f"part{part}", overwrite=True)
    done = tidy(archive, OPENED + timedelta(days=2), grace_s=0.0)
    assert (done.merged, done.rows, done.duplicates) == (1, 200, 0)
    (merged,) = part_files(archive, "pressure")
    rows = scan_parts("pressure", [merged]).select("set_id", "seq").collect()
    assert rows.rows() == [(f"S-{number}", seq) for number in range(10) for seq in range(20)]
    groups = pq.ParquetFile(merged).metadata
    assert [groups.row_group(each).num_rows for each in range(groups.num_row_groups)] == [30] * 6 + [20]
    assert not list(archive.rglob("*aside*/*"))


@pytest.mark.parametrize(
    ("told", "state", "folder"),
    [
        ("/told", "/state", "/told"),
        (None, "/state", "/state/underair"),
        (None, "", "/home/listener/.local/state/underair"),
        (None, None, "/home/listener/.local/state/underair"),
    ],
)
def test_where_a_machine_keeps_what_is_on_no_store(
    monkeypatch: pytest.MonkeyPatch, told: str | None, state: str | None, folder: str
) -> None:
    """XDG Base Directory Specification 0.8: `$HOME/.local/state` where the variable is not set, or empty."""
    monkeypatch.setenv("HOME", "/home/listener")
    for name, value in (("UNDERAIR_WORK_FOLDER", told), ("XDG_STATE_HOME", state)):
        if value is None:
            monkeypatch.delenv(name, raising=False)
        else:
            monkeypatch.setenv(name, value)
    assert machine_folder() == Path(folder)


def test_a_segment_that_no_listener_named_stops_the_next_one_by_its_name(tmp_path: Path) -> None:
    """Its name sorts after any time: no later name would follow from it."""
    (tmp_path / "99999999T999999999999Z-0123456789abcdef.journal").write_bytes(b"")
    with pytest.raises(
        ArchiveProblem, match=r"Z-0123456789abcdef\.journal is not named as a segment: move it out"
    ):
        SegmentWriter(tmp_path, OPENED)


@pytest.mark.parametrize("links", [True, False])
@pytest.mark.parametrize(("there", "again"), [(None, False), (None, True), (b"old", True)])
def test_a_part_takes_its_name_or_writes_over_where_it_may(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, links: bool, there: bytes | None, again: bool
) -> None:
    if not links:
        monkeypatch.setattr(os, "link", no_links)
    aside, path = tmp_path / "aside", tmp_path / "part"
    aside.write_bytes(b"new")
    if there is not None:
        path.write_bytes(there)
    Place().take_in(aside, path, lambda _: None, again=again)
    assert (path.read_bytes(), aside.exists()) == (b"new", False)


def no_links(source: Path, target: Path) -> None:
    raise OSError(errno.EPERM, "Operation not permitted")


def test_a_part_that_is_there_already_is_never_written_over_by_another(tmp_path: Path) -> None:
    aside, path = tmp_path / "aside", tmp_path / "part"
    for there in (b"the same", b"another!"):
        aside.write_bytes(b"the same")
        path.write_bytes(there)
        if there == b"the same":
            Place().take_in(aside, path, lambda _: None, again=False)
            assert not aside.exists()
        else:
            with pytest.raises(ArchiveProblem, match="is there already: nothing is written"):
                Place().take_in(aside, path, lambda _: None, again=False)
        assert path.read_bytes() == there


def test_a_torn_or_altered_line_of_the_manifest_is_told_by_its_number(tmp_path: Path) -> None:
    archive = create_archive(tmp_path / "a")
    for seq in range(3):
        topic, payload = message_of("set", "S-1", 1, seq, "pressure", 0.0, None, {"pressure_bar": 200.0})
        seal_messages(archive, frames_from_heard([Heard(OPENED, topic, payload, False)]), "part")
    (chain,) = (archive / "manifest").glob("*.ndjson")
    whole = chain.read_bytes()
    assert whole.count(b"\n") == 3
    where = f"manifest/{chain.name}"
    for number, blank in ((1, b"\n" + whole), (4, whole + b"\n")):
        chain.write_bytes(blank)
        assert (where, f"line {number} was altered: its hash differs") in said_of(archive)
        assert sorted(Archive(archive).messages()["pressure"]["seq"]) == [0, 1, 2]
    chain.write_bytes(whole[:-1])
    assert said_of(archive) == [(where, "line 3 has no end: torn, or altered")]
    first, second, third = whole.splitlines(keepends=True)
    chain.write_bytes(first + third)
    told = "line 2 does not follow from the one before: altered, or one removed"
    assert said_of(archive) == [(where, told)]
    chain.write_bytes(first + second.replace(b'"rows":1', b'"rows":2') + third)
    assert said_of(archive) == [(where, "line 2 was altered: its hash differs")] * 1 + [
        (where, "line 3 does not follow from the one before: altered, or one removed")
    ]


def test_who_has_read_the_manifest_notices_a_line_that_is_altered_where_it_stands(
    tmp_path: Path, pressure: Callable[..., Heard]
) -> None:
    """As long as before, and the last line is the same: the chain has not only grown."""
    archive = create_archive(tmp_path / "a")
    for seq in range(3):
        seal_messages(archive, frames_from_heard([pressure(seq)]), "part")
    (chain,) = (archive / "manifest").glob("*.ndjson")
    whole = chain.read_bytes()
    assert not trouble_of(archive)
    chain.write_bytes(whole.replace(b'"rows":1', b'"rows":2', 1))
    assert "line 1 was altered: its hash differs" in {fault.statement for fault in trouble_of(archive)}
    chain.write_bytes(whole)
    assert not trouble_of(archive)


@pytest.mark.parametrize(
    "error", [OSError(errno.EIO, "Input/output error"), pl.exceptions.ComputeError("no part")]
)
def test_a_part_that_cannot_be_read_keeps_no_other_from_being_compared(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, pressure: Callable[..., Heard], error: Exception
) -> None:
    archive = create_archive(tmp_path / "a")
    for seq in range(3):
        seal_messages(archive, frames_from_heard([pressure(seq)]), f"part{seq}")

    def scan(kind: str, files: list[Path]) -> pl.LazyFrame:
        if any(file.name.startswith("part1") for file in files):
            raise error
        return scan_parts(kind, files)

    monkeypatch.setattr(sealing, "scan_parts", scan)
    again = frames_from_heard([pressure(seq) for seq in range(4)])
    assert seal_messages(archive, again, "again") == Counts(received=4, kept=2, duplicates=2)


def test_what_a_store_does_not_answer_is_not_taken_for_a_damaged_part(
    monkeypatch: pytest.MonkeyPatch, pressure: Callable[..., Heard]
) -> None:
    """Else all that came again would be kept twice."""
    archive = StorePath("s3://bucket/a")

    def fails(*_: Any) -> Any:
        raise OSError("Generic S3 error: client error (Connect)")

    monkeypatch.setattr(sealing, "part_files", lambda *_: [archive / "pressure/date=2031-05-04/x.parquet"])
    monkeypatch.setattr(sealing, "scan_parts", fails)
    for name in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY"):
        monkeypatch.setenv(name, "none")
    with pytest.raises(StoreProblem, match="does not answer"):
        seal_messages(archive, frames_from_heard([pressure(0)]), "again")


@pytest.mark.parametrize("gone", [FileNotFoundError, NotADirectoryError, PermissionError])
def test_a_folder_that_is_gone_is_no_odd_entry_and_one_that_may_not_be_read_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, gone: type[OSError]
) -> None:
    (tmp_path / "pressure").mkdir()
    (tmp_path / "link").symlink_to(tmp_path)
    listed = os.scandir

    def scandir(path: str) -> Any:
        if Path(path).name == "pressure":
            raise gone(path)
        return listed(path)

    with monkeypatch.context() as patch:
        patch.setattr(os, "scandir", scandir)
        if gone is PermissionError:
            with pytest.raises(PermissionError):
                odd_entries(tmp_path)
        else:
            assert [fault.where for fault in odd_entries(tmp_path)] == ["link"]


@pytest.mark.parametrize(("more", "told"), [(2000, []), (2001, ["line 4 has no end within 2,000 bytes"])])
def test_a_manifest_is_read_in_blocks_and_given_up_where_a_line_never_ends(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, more: int, told: list[str]
) -> None:
    archive = create_archive(tmp_path / "a")
    for seq in range(3):
        topic, payload = message_of("set", "S-1", 1, seq, "pressure", 0.0, None, {"pressure_bar": 200.0})
        seal_messages(archive, frames_from_heard([Heard(OPENED, topic, payload, False)]), "part")
    (chain,) = (archive / "manifest").glob("*.ndjson")
    chain.write_bytes(chain.read_bytes() + more * b"x")
    monkeypatch.setattr(expected, "_BLOCK", 1)
    monkeypatch.setattr(expected, "_LONGEST_LINE", 2000)
    read = expected.Expected(archive).refresh()
    assert [statement for _, statement in read.faults()] == told
    (folder,) = read.folders()
    assert (len(read.latest(folder)), list(read.lines().values())) == (3, [3])


def test_the_digests_of_rows_add_up_to_that_of_the_whole_whatever_is_null() -> None:
    """So what is merged is known to be what was sealed: three kinds of rows, by which cells they have."""
    cells = [(0.5, True), (0.5, None), (None, None), (0.25, True), (None, None), (0.5, None)]
    rows = [(f"{number}".encode(), "S-1", *each) for number, each in enumerate(cells)]
    frame = pl.DataFrame(rows, ("payload", "set_id", "battery_fraction", "lasts_another_wear"), orient="row")
    one_by_one = [rows_digest(frame[number : number + 1]) for number in range(len(rows))]
    assert rows_digest(frame) == sum(one_by_one) % 2**128
    assert len(set(one_by_one)) == len(rows)


def test_the_days_between_two_are_counted_with_both() -> None:
    first = date(2028, 2, 28)
    days = [[each.day for each in days_between(first, last)] for last in (first, date(2028, 3, 1))]
    assert days == [[28], [28, 29, 1]]


def test_a_frame_that_is_being_written_is_waited_for_and_no_damage(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive = create_archive(tmp_path / "a")
    folder = archive / "journal" / "main"
    folder.mkdir(parents=True)
    segment = folder / "20310504T102107412003Z-0123456789abcdef.journal"
    whole = segment_bytes([[Record(7_000_000, "t", b"1", False)], [Record(9_000_000, "t", b"2", False)]])
    segment.write_bytes(whole[:-3])
    slept = SimpleNamespace(sleep=lambda _: segment.write_bytes(whole), monotonic=time.monotonic)
    monkeypatch.setattr(sound, "time", slept)
    assert journals(archive) == (2, [])


@pytest.mark.parametrize("earlier", ["the listing", "the manifest", "neither"])
def test_a_part_that_is_sealed_while_a_folder_is_looked_at_is_no_trouble(
    tmp_path: Path, earlier: str
) -> None:
    archive = create_archive(tmp_path / "a")

    def seal(seq: int) -> Path:
        topic, payload = message_of("set", "S-1", 1, seq, "pressure", 0.0, None, {"pressure_bar": 200.0})
        seal_messages(archive, frames_from_heard([Heard(OPENED, topic, payload, False)]), "part")
        return part_files(archive, "pressure")[0].parent

    folder = seal(0)
    listed = {path.name: path for path in folder.iterdir()}
    said = expected.Expected(archive).refresh()
    seal(1)
    if earlier != "the manifest":
        said.refresh()
    day = DayFolder(folder, listed if earlier == "the listing" else None, said)
    assert (len(day.parts()), list(day.faults(set()))) == (2, [])


def test_who_may_write_what_a_listener_wrote(tmp_path: Path) -> None:
    """Whatever the mask of the process: nobody else writes into a journal."""
    before = os.umask(0)
    try:
        segment = SegmentWriter(tmp_path, OPENED)
        segment.append([Record(7_000_000, "t", b"1", False)])
        write_durably(tmp_path / "other", b"x")
    finally:
        os.umask(before)
    segment.close()
    modes = [stat.S_IMODE(path.stat().st_mode) for path in (segment.path, tmp_path / "other")]
    assert modes == [0o644, 0o666]


def said_of(archive: Path) -> list[tuple[str, str]]:
    return expected_of(archive).faults(to_the_end=True)


@pytest.mark.parametrize(("later_us", "dropped"), [(0, []), (1, ["I-1"])])
def test_an_incident_is_old_when_its_last_message_came_before_the_cut_off(
    tmp_path: Path, later_us: int, dropped: list[str]
) -> None:
    archive = create_archive(tmp_path / "a")
    fields = {"incident_id": "I-1", "action": "in", "set_id": "S-1", "wearer_id": "W-1"}
    topic, payload = message_of("desk", "D-1", 1, 0, "tally", 0.0, None, fields)
    seal_messages(archive, frames_from_heard([Heard(OPENED, topic, payload, False)]), "part")
    cut_off, today = OPENED + timedelta(microseconds=later_us), (OPENED + timedelta(days=2)).date()
    assert retain(archive, cut_off, tuple, "a rule", today, apply=False).incidents == dropped
