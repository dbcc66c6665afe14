"""Faults of receiving and keeping that were found and mended, each by its name."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

from ingest.archive import Counts, seal_segment
from ingest.captures import Heard
from ingest.journal import Record, SegmentWriter
from ingest.reading import Archive
from ingest.settings import JournalSettings, SealSettings
from ingest.times import micros
from ingest.writing import Delivery, Writing

Pressure = Callable[..., Heard]
NOW = datetime(2031, 5, 4, 10, 0, tzinfo=UTC)
NEXT_DAY = NOW + timedelta(days=1)
BAD = Heard(NOW, "x", b"y")


def _record(heard: Heard) -> Record:
    return Record(micros(heard.received), heard.topic, heard.payload, heard.retained)


def _segment(archive: Path, frames: list[list[Heard]], now: datetime = NOW) -> Path:
    folder = archive / "journal" / "listener"
    folder.mkdir(parents=True, exist_ok=True)
    writer = SegmentWriter(folder, now)
    for heard in frames:
        writer.append([_record(each) for each in heard])
    writer.close()
    return writer.path


@contextmanager
def _writing(archive: Path, said: list[str], durable: list[Delivery] | None = None) -> Iterator[Writing]:
    folder = archive / "journal" / "listener"
    folder.mkdir(parents=True, exist_ok=True)
    safe = [] if durable is None else durable
    writing = Writing(archive, folder, JournalSettings(), SealSettings(), safe.extend, said.append)
    writing.start()
    try:
        yield writing
    finally:
        writing.drain()
        writing.finish()


def test_bit_flip_in_the_last_frame_of_a_segment_is_kept_as_refused_and_said(
    tmp_path: Path, pressure: Pressure
) -> None:
    segment = _segment(tmp_path, [[pressure(0)], [pressure(1)]])
    data = bytearray(segment.read_bytes())
    start = len(data) // 2
    data[-20] ^= 1
    segment.write_bytes(data)
    said: list[str] = []
    with _writing(tmp_path, said) as writing:
        pass
    assert writing.health.sealed == Counts(received=2, kept=1, duplicates=0, refused=1)
    refused = Archive(tmp_path).messages()["refused"].row(0, named=True)
    assert refused["payload"] == bytes(data[start:])
    assert f"bytes {start} to {len(data)} are damaged" in refused["reason"]
    assert [f"bytes {start} to {len(data)}: a torn tail was kept in refused" in each for each in said] == [True]


def test_segment_without_a_whole_frame_is_refused_on_the_day_it_was_written(tmp_path: Path) -> None:
    segment = _segment(tmp_path, [[BAD]])
    segment.write_bytes(segment.read_bytes()[:-1])
    written = datetime.fromtimestamp(segment.stat().st_mtime, UTC)
    assert seal_segment(tmp_path, segment).counts.refused == 1
    assert (tmp_path / "refused" / f"date={written.date()}").is_dir()
