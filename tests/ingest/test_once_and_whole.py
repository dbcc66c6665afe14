"""What would make the evidence wrong in silence: a message kept twice, or an altered one taken for whole."""

from __future__ import annotations

import json
import os
import threading
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace

import polars as pl
import pytest

from ingest.archive import sound, tidying
from ingest.archive.folder import Counts, create_archive
from ingest.archive.imports import Brought, keep_import, keep_receipts, read_imports
from ingest.archive.index import later_note
from ingest.archive.journal import Record, SegmentWriter
from ingest.archive.parts import part_files
from ingest.archive.reading import Archive
from ingest.archive.retention import retain
from ingest.archive.sealing import Recent, seal_messages, seal_segment
from ingest.archive.sound import altered_here, check_all, remember_altered, trouble_lately, trouble_of
from ingest.archive.tidying import tidy
from ingest.archive.verifying import verify
from ingest.contract.captures import Heard
from ingest.contract.errors import ArchiveProblem
from ingest.contract.frames import frames_from_heard
from ingest.contract.times import micros
from ingest.listener import Listener
from tests.analysis.conftest import OPENED, message_of

LATER = timedelta(seconds=1)
TIME = pl.Datetime("us", "UTC")


@pytest.mark.parametrize("looks", ["in the archive", "in its memory"])
@pytest.mark.parametrize(("identity", "kept"), [({}, 1), ({"boot": 3, "seq": 7}, 0)])
def test_a_link_that_was_sealed_before_is_not_kept_again(
    tmp_path: Path, looks: str, identity: dict[str, int], kept: int
) -> None:
    """A last will has no number: one of another moment is another one, one of the same moment is not."""
    archive = create_archive(tmp_path / "a")
    told = json.dumps({"kind": "link", "set_id": "S-1", **identity, "state": "down"}).encode()
    will = Heard(OPENED, "underair/v1/trial/set/S-1/link", told)
    again = [will, will._replace(received=OPENED + LATER)]
    recent = Recent(archive) if looks == "in its memory" else None
    assert seal_messages(archive, frames_from_heard([will]), "one", recent=recent) == Counts(1, 1, 0, 0)
    assert seal_messages(archive, frames_from_heard(again), "two", recent=recent) == Counts(
        2, kept, 2 - kept, 0
    )
    assert Archive(archive).messages()["link"].height == 1 + kept


def tally_archive(folder: Path) -> tuple[Path, Path]:
    """Return an archive with one tally, and its part."""
    archive = create_archive(folder)
    fields = {"incident_id": "I-1", "action": "in", "set_id": "S-1", "wearer_id": "W-1"}
    topic, payload = message_of("desk", "D-1", 1, 0, "tally", 0.0, None, fields)
    seal_messages(archive, frames_from_heard([Heard(OPENED, topic, payload)]), "part")
    (part,) = part_files(archive, "tally")
    return archive, part


def alter(part: Path) -> None:
    """Alter a part so that only its bytes tell."""
    stat, whole = part.stat(), bytearray(part.read_bytes())
    whole[len(whole) // 2] ^= 1
    part.write_bytes(whole)
    os.utime(part, ns=(stat.st_atime_ns, stat.st_mtime_ns))


def begin_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    """Know no more than a process that has just begun."""
    monkeypatch.setattr(sound, "_checked", {})
    monkeypatch.setattr(sound, "_altered", set())


def test_what_a_worker_found_to_be_altered_is_known_where_it_was_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive, part = tally_archive(tmp_path / "a")
    alter(part)
    begin_anew(monkeypatch)
    assert Archive(archive).messages()["tally"].is_empty()
    found = altered_here()
    begin_anew(monkeypatch)
    assert not trouble_of(archive), "nothing of it was read here"
    remember_altered(found)
    assert [fault.where for fault in trouble_of(archive)] == [part.relative_to(archive).as_posix()]


def test_pages_look_for_trouble_again_after_five_seconds(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive, part = tally_archive(tmp_path / "a")
    now = [100.0]
    monkeypatch.setattr(sound, "time", SimpleNamespace(monotonic=lambda: now[0]))
    assert not trouble_lately(archive)
    part.unlink()
    for now[0], is_told in ((104.9, False), (105.1, True), (110.0, True)):
        assert bool(trouble_lately(archive)) is is_told


def test_a_search_for_altered_parts_ends_when_it_is_told_to_and_trusts_nothing_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive, part = tally_archive(tmp_path / "a")
    begin_anew(monkeypatch)
    stopping = threading.Event()
    stopping.set()
    check_all(archive, stopping=stopping)
    assert sound._checked == {}
    check_all(tmp_path / "none")
    stopping.clear()
    check_all(archive, stopping=stopping)
    ((known, (_, digest)),) = sound._checked.items()
    alter(part)
    sound._checked[known] = (sound._print(part), digest)  # as a disk that loses a bit leaves no trace
    check_all(archive)
    assert not trouble_of(archive)
    check_all(archive, anew=True)
    assert [fault.what for fault in trouble_of(archive)] == ["altered"]


@pytest.mark.parametrize(
    ("hours", "is_later"), [(11.9, False), (12, True), (-11.9, False), (-12, True), (None, False)]
)
def test_a_note_of_a_moment_twelve_hours_off_was_imported_afterwards(
    hours: float | None, is_later: bool
) -> None:
    at = None if hours is None else OPENED - timedelta(hours=hours)
    notes = pl.DataFrame({"received": [OPENED], "at": [at]}, schema={"received": TIME, "at": TIME})
    assert notes.select(later_note().alias("later"))["later"].to_list() == [is_later]


def test_no_name_is_dropped_from_an_archive_with_an_altered_tally(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive, part = tally_archive(tmp_path / "a")
    alter(part)
    begin_anew(monkeypatch)
    before = {path: path.read_bytes() for path in archive.rglob("*.parquet")}
    cut_off = OPENED + timedelta(days=1)
    with pytest.raises(ArchiveProblem, match="It may name wearers, so nothing was changed"):
        retain(archive, cut_off, tuple, "a rule", cut_off.date(), apply=True)
    assert {path: path.read_bytes() for path in archive.rglob("*.parquet")} == before


def test_merging_ends_with_the_listener(
    tmp_path: Path, seals_here: None, free_port: Callable[[], int]
) -> None:
    def waiting() -> list[str]:
        return [thread.name for thread in threading.enumerate() if thread.name == "finished days"]

    before = len(waiting())
    listener = Listener(f"mqtt://127.0.0.1:{free_port()}", tmp_path / "archive")
    listener.start()
    assert len(waiting()) == before + 1
    listener.stop()
    assert len(waiting()) == before


def test_a_second_segment_within_one_tick_of_the_disks_clock_is_followed_too(
    tmp_path: Path, pressure: Callable[..., Heard]
) -> None:
    """Each came and went between two looks, and the folder has the same time after both."""
    journal = tmp_path / "journal" / "listener"
    journal.mkdir(parents=True)
    follower = Archive(tmp_path).follow()
    same_ns = time.time_ns() + 10_000_000_000
    followed = []
    for seq in range(2):
        heard = pressure(seq)
        writer = SegmentWriter(journal, OPENED + timedelta(seconds=seq))
        writer.append([Record(micros(OPENED) + seq, heard.topic, heard.payload, False)])
        writer.close()
        seal_segment(tmp_path, writer.path)
        os.utime(journal, ns=(same_ns, same_ns))
        followed += follower.new_messages()["pressure"]["seq"].to_list()
    assert followed == [0, 1]


def test_after_a_restart_the_newest_part_is_looked_at_first(
    tmp_path: Path, pressure: Callable[..., Heard]
) -> None:
    """The broker sends again what was not acknowledged: that is what came last."""
    archive = create_archive(tmp_path / "a")
    for seq in range(2):
        seal_messages(archive, frames_from_heard([pressure(seq)]), f"{2 - seq}")
        for part in part_files(archive, "pressure"):
            if part.stem.startswith(f"{2 - seq}-"):
                os.utime(part, (100.0 + seq, 100.0 + seq))
    again = frames_from_heard([pressure(1)])
    assert seal_messages(archive, again, "again", recent=Recent(archive, rows=1)) == Counts(1, 0, 1, 0)


def test_no_name_is_dropped_from_an_incident_with_a_message_that_is_not_sealed_yet(tmp_path: Path) -> None:
    """Else it would name in one part whom it does not name in the other."""
    archive, _ = tally_archive(tmp_path / "a")
    topic, payload = message_of("desk", "D-1", 1, 1, "note", 0.0, None, {"incident_id": "I-1", "text": "W-1"})
    (archive / "journal" / "main").mkdir(parents=True)
    writer = SegmentWriter(archive / "journal" / "main", OPENED)
    writer.append([Record(micros(OPENED), topic, payload, False)])
    writer.close()
    cut_off = OPENED + timedelta(days=1)
    done = retain(archive, cut_off, tuple, "a rule", cut_off.date(), apply=True, grace_s=0.0)
    assert (done.incidents, done.messages, done.waiting) == ([], 0, ["I-1"])
    assert Archive(archive).messages()["tally"]["wearer_id"].to_list() == ["W-1"]


def test_receipt_times_of_a_capture_that_are_gone_or_elsewhere_are_said(tmp_path: Path) -> None:
    archive = create_archive(tmp_path / "a")
    name, digest = keep_receipts(archive, "capture-0000", pl.DataFrame({"received": [1]}))
    kept = archive / "imports" / name
    (archive / "elsewhere.parquet").write_bytes(kept.read_bytes())
    receipts = {name: digest, "../elsewhere.parquet": digest}
    keep_import(archive, Brought(at=OPENED, file="a.ndjson", sha256=digest, receipts=receipts))
    elsewhere = "imports/../elsewhere.parquet: missing"
    assert read_imports(archive)[1] == [elsewhere]
    kept.unlink()
    assert read_imports(archive)[1] == [f"imports/{name}: missing", elsewhere]


def test_what_was_altered_between_its_merge_and_its_end_is_kept_aside(
    tmp_path: Path, pressure: Callable[..., Heard], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed before it deleted anything. The merged part has what was sealed; the altered one is evidence."""
    archive = create_archive(tmp_path / "a")
    for seq in range(2):
        seal_messages(archive, frames_from_heard([pressure(seq)]), f"part{seq}")
    first, second = part_files(archive, "pressure")
    with monkeypatch.context() as patch:
        patch.setattr(tidying, "finish_merge", lambda *_: [])
        tidy(archive, OPENED + LATER * 172_800, grace_s=0.0)
    alter(first)
    altered, name = first.read_bytes(), first.relative_to(archive).as_posix()
    assert tidy(archive, OPENED + LATER * 172_800, grace_s=0.0).quarantined == [name]
    assert (archive / "quarantine" / name).read_bytes() == altered
    assert not first.exists()
    assert not second.exists()
    assert Archive(archive).messages()["pressure"]["seq"].to_list() == [0, 1]


@pytest.mark.parametrize(("frames", "left"), [(0, 0), (1, 1), (3, 3)])
def test_a_segment_that_was_cut_after_it_was_sealed_hides_nothing_and_takes_nothing_away(
    tmp_path: Path, pressure: Callable[..., Heard], frames: int, left: int
) -> None:
    """While it is there its parts are not read: it says the same, and will be sealed again."""
    (tmp_path / "journal" / "listener").mkdir(parents=True)
    writer = SegmentWriter(tmp_path / "journal" / "listener", OPENED)
    ends = [0]
    for seq in range(3):
        heard = pressure(seq)
        writer.append([Record(micros(OPENED) + seq, heard.topic, heard.payload, False)])
        ends.append(writer.size)
    writer.close()
    whole = writer.path.read_bytes()
    seal_segment(tmp_path, writer.path)
    writer.path.write_bytes(whole[: ends[frames]])
    where = writer.path.relative_to(tmp_path).as_posix()
    told = f"it has {left} of the 3 messages that were sealed of it, which are not read while it is there"
    faults = [] if left == 3 else [(where, told)]
    assert [(fault.where, fault.statement) for fault in trouble_of(tmp_path)] == faults
    assert [(fault.where, fault.statement) for fault in verify(tmp_path).faults] == faults
    if left == 1:
        with pytest.raises(ArchiveProblem, match="2 messages that it holds are not in the segment any more"):
            seal_segment(tmp_path, writer.path)
        assert writer.path.exists()
        writer.path.unlink()
    else:
        seal_segment(tmp_path, writer.path)
    assert Archive(tmp_path).messages()["pressure"]["seq"].to_list() == [0, 1, 2]
    assert verify(tmp_path).faults == []
