"""A full disk, a part that cannot be read, a sealing process that cannot start: said, and nothing is lost."""

from __future__ import annotations

import errno
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from ingest import importing
from ingest.archive.folder import Counts
from ingest.archive.journal import Record, SegmentWriter
from ingest.archive.reading import Archive
from ingest.archive.sealing import Recent, seal_messages
from ingest.archive.sealing_client import Outcome, SealingProcess
from ingest.archive.verifying import verify
from ingest.archive.writing import Delivery, Writing
from ingest.commands import publishable, replayed
from ingest.contract.captures import Heard, write_capture
from ingest.contract.errors import ArchiveProblem
from ingest.contract.frames import frames_from_heard
from ingest.contract.times import micros
from ingest.importing import import_capture
from ingest.settings import JournalSettings, SealSettings

Pressure = Callable[..., Heard]
FULL = OSError(errno.ENOSPC, "No space left on device")


def _delivery(heard: Heard) -> Delivery:
    return Delivery(Record(micros(heard.received), heard.topic, heard.payload, heard.retained), 1, 1, 1)


def _writing(archive: Path, said: list[str], durable: list[Delivery]) -> Writing:
    folder = archive / "journal" / "listener"
    folder.mkdir(parents=True)
    return Writing(archive, folder, JournalSettings(), SealSettings(), durable.extend, said.append)


def test_an_import_into_a_full_disk_is_said_and_goes_on_from_there(
    tmp_path: Path, pressure: Pressure, monkeypatch: pytest.MonkeyPatch
) -> None:
    log, archive = tmp_path / "log.ndjson", tmp_path / "archive"
    write_capture(log, [pressure(seq) for seq in range(20)])
    monkeypatch.setattr(importing, "CHUNK_MESSAGES", 5)
    chunks: list[str] = []

    def full(folder: Any, messages: Any, name: str) -> Counts:
        chunks.append(name)
        if len(chunks) == 3:
            raise FULL
        return seal_messages(folder, messages, name)

    monkeypatch.setattr(importing, "seal_messages", full)
    with pytest.raises(ArchiveProblem, match=r"cannot be written: the disk is full.* can be imported again"):
        import_capture(log, archive)
    assert Archive(archive).messages()["pressure"].height == 10
    assert import_capture(log, archive).counts == Counts(received=20, kept=10, duplicates=10, refused=0)
    assert verify(archive).faults == []


def test_a_listener_that_stops_on_a_full_disk_ends_and_acknowledges_nothing(
    tmp_path: Path, pressure: Pressure, monkeypatch: pytest.MonkeyPatch, wait_until: Any
) -> None:
    """What was not written was not acknowledged: the broker has it still."""

    def full(*_: Any) -> None:
        raise FULL

    monkeypatch.setattr(SegmentWriter, "append", full)
    said: list[str] = []
    durable: list[Delivery] = []
    writing = _writing(tmp_path, said, durable)
    writing.start()
    writing.put([_delivery(pressure(0))])
    wait_until(lambda: writing.health.trouble, what="the trouble to be told")
    writing.drain()
    assert writing.put([_delivery(pressure(1))]) is False
    assert writing.finish() == Counts()
    assert durable == []
    assert said == [
        "the journal cannot be written (No space left on device); nothing is acknowledged until it can"
    ]


@pytest.mark.parametrize(
    ("parts", "taken"),
    [
        ([(4, 10), (4, 10), (4, 10)], [8, 4]),
        ([(5, 10), (5, 10)], [10]),
        ([(1, 600), (1, 400), (1, 1)], [2, 1]),
        ([(11, 10), (1, 10)], [11, 1]),  # one look at the network may pass the bounds: it is taken alone
        ([(1, 5000), (1, 10)], [1, 1]),
    ],
)
def test_what_waits_is_journalled_together_up_to_the_bounds(
    tmp_path: Path, pressure: Pressure, monkeypatch: pytest.MonkeyPatch,
    parts: list[tuple[int, int]], taken: list[int],
) -> None:  # fmt: skip
    monkeypatch.setattr("ingest.archive.writing.LARGEST_BATCH", 10)
    monkeypatch.setattr("ingest.archive.writing.LARGEST_BATCH_BYTES", 1000)
    writing = _writing(tmp_path, [], [])
    one = _delivery(pressure(1))
    for count, size in parts:
        assert writing.put([one] * count, size)
    assert (writing._queued, writing._queued_bytes) == tuple(map(sum, zip(*parts, strict=True)))
    assert [len(writing._take()) for _ in taken] == taken
    assert (writing._queued, writing._queued_bytes, writing._take()) == (0, 0, [])


def test_a_segment_that_cannot_be_closed_is_said_and_sealed_all_the_same(
    tmp_path: Path, pressure: Pressure, monkeypatch: pytest.MonkeyPatch, wait_until: Any
) -> None:
    close = SegmentWriter.close

    def failing(segment: SegmentWriter) -> None:
        close(segment)
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(SegmentWriter, "close", failing)
    said: list[str] = []
    durable: list[Delivery] = []
    writing = _writing(tmp_path, said, durable)
    writing.start()
    writing.put([_delivery(pressure(0))])
    wait_until(lambda: durable, what="the message to be safe")
    writing.drain()
    assert writing.finish().kept == 1
    assert [sentence.partition(".journal")[2] for sentence in said] == [
        " could not be closed: Input/output error"
    ]


def test_what_the_sealing_process_says_beside_its_counts_is_passed_on(
    tmp_path: Path, pressure: Pressure, monkeypatch: pytest.MonkeyPatch, wait_until: Any
) -> None:
    said: list[str] = []
    durable: list[Delivery] = []
    writing = _writing(tmp_path, said, durable)
    monkeypatch.setattr(writing._sealing, "start", lambda: None)
    told = Outcome(Counts(received=1, kept=1), trouble="what was sealed last cannot be looked up")

    def seal(segment: Path) -> Outcome:
        segment.unlink()
        return told

    monkeypatch.setattr(writing._sealing, "seal", seal)
    writing.start()
    writing.put([_delivery(pressure(0))])
    wait_until(lambda: durable, what="the message to be safe")
    writing.drain()
    writing.finish()
    assert said == ["what was sealed last cannot be looked up"]
    assert writing.health.sealing_trouble == ""


def test_a_sealing_process_that_cannot_begin_is_said_with_its_exit_code(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    process = SealingProcess(tmp_path, tmp_path / "no such folder")
    with pytest.raises(ArchiveProblem, match="process ended with exit code 1; it is started again"):
        process.seal(tmp_path / "x.journal")
    process.close()
    assert "no such folder" in capfd.readouterr().err


def test_what_was_sealed_last_is_looked_up_past_a_damaged_part(tmp_path: Path, pressure: Pressure) -> None:
    for number in range(3):
        seal_messages(tmp_path, frames_from_heard([pressure(number)]), f"x-{number}")
    next(tmp_path.glob("pressure/date=2031-05-04/x-1-*.parquet")).write_bytes(b"PAR1 no part")
    recent = Recent(tmp_path)
    known = set(recent.keys("pressure")["payload"])
    assert known == {pressure(seq).payload.decode() for seq in (0, 2)}


def test_a_part_with_fewer_rows_is_named_with_both_sizes(tmp_path: Path, pressure: Pressure) -> None:
    seal_messages(tmp_path, frames_from_heard([pressure(seq) for seq in range(5)]), "x")
    (part,) = tmp_path.glob("pressure/date=2031-05-04/x-*.parquet")
    sealed = part.stat().st_size
    pl.read_parquet(part, hive_partitioning=False).head(3).write_parquet(part)
    (fault,) = verify(tmp_path).faults
    assert (fault.what, fault.rows) == ("altered", 5)
    assert f"(it has {part.stat().st_size:,} bytes, {sealed:,} were sealed)" in fault.statement
    with pytest.raises(ArchiveProblem, match="there is no archive"):
        verify(tmp_path / "none")


class _Publisher:
    def __init__(self, stop: threading.Event, after: int) -> None:
        self._stop, self._after = stop, after
        self.topics: list[str] = []

    def publish(self, topic: str, payload: bytes, retain: bool = False) -> None:
        self.topics.append(topic)
        if len(self.topics) == self._after:
            self._stop.set()


@pytest.mark.parametrize("begun", [False, True])
def test_a_disk_that_takes_no_part_is_what_is_said_and_nothing_is_left(
    tmp_path: Path, pressure: Pressure, monkeypatch: pytest.MonkeyPatch, begun: bool
) -> None:
    def full(aside: Path, *_: Any) -> Any:
        if begun:
            aside.write_bytes(b"PAR1")
        raise FULL

    monkeypatch.setattr("ingest.archive.parts._write_aside", full)
    with pytest.raises(OSError, match="No space left on device"):
        seal_messages(tmp_path, frames_from_heard([pressure(1)]), "a")
    assert [path for path in tmp_path.rglob("*") if path.is_file() and "pressure" in path.as_posix()] == []


def test_a_replay_ends_when_it_is_told_to_and_leaves_out_what_no_broker_takes(pressure: Pressure) -> None:
    assert not publishable("underair/\ud800")
    assert not publishable("x" * 65_536)
    stop = threading.Event()
    publisher: Any = _Publisher(stop, 3)
    heard = [pressure(0)._replace(topic="a/+"), *(pressure(seq) for seq in range(10))]
    assert replayed(heard, publisher, speed=1e9, stop=stop) == (3, 1)
