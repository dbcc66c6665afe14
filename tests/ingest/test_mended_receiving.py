"""Faults of receiving and keeping that were found and mended, each by its name."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from ingest.archive import writing as writing_module
from ingest.archive.expected import part_name
from ingest.archive.folder import Counts
from ingest.archive.journal import Record, SegmentWriter
from ingest.archive.reading import Archive
from ingest.archive.sealing import Recent, seal_segment
from ingest.archive.sealing_client import Outcome
from ingest.archive.sealing_process import Sealing
from ingest.archive.tidying import tidy
from ingest.archive.verifying import verify
from ingest.archive.writing import Delivery, Writing
from ingest.contract.captures import Heard
from ingest.contract.errors import ArchiveProblem
from ingest.contract.frames import FrameBuilder
from ingest.contract.times import micros
from ingest.importing import import_capture
from ingest.settings import JournalSettings, SealSettings
from tests.faults.journal_reading import read_frames

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
    start = read_frames(bytes(data[:-1])).end
    data[-20] ^= 1
    segment.write_bytes(data)
    said: list[str] = []
    with _writing(tmp_path, said) as writing:
        pass
    assert writing.health.sealed == Counts(received=2, kept=1, duplicates=0, refused=1)
    refused = Archive(tmp_path).messages()["refused"].row(0, named=True)
    assert refused["payload"] == bytes(data[start:])
    assert f"bytes {start} to {len(data)} contain no complete frame" in refused["reason"]
    assert len(said) == 1
    assert (
        f"bytes {start} to {len(data)} contain no complete frame; a torn tail was kept in refused" in said[0]
    )


def test_segment_without_a_whole_frame_is_refused_on_the_day_it_was_written(tmp_path: Path) -> None:
    segment = _segment(tmp_path, [[BAD]])
    segment.write_bytes(segment.read_bytes()[:-1])
    written = datetime.fromtimestamp(segment.stat().st_mtime, UTC)
    assert seal_segment(tmp_path, segment).counts.refused == 1
    assert (tmp_path / "refused" / f"date={written.date()}").is_dir()


def test_sealing_outlives_an_error_nobody_foresaw(
    tmp_path: Path, pressure: Pressure, monkeypatch: pytest.MonkeyPatch
) -> None:
    segment = _segment(tmp_path, [[pressure(0)]])
    sealing = Sealing(tmp_path, segment.parent)

    def fail(*of: Any) -> Any:
        raise RuntimeError("out of the blue")

    with monkeypatch.context() as patch:
        patch.setattr("ingest.archive.sealing_process.seal_segment", fail)
        assert sealing.seal(segment) == Outcome(trouble="RuntimeError: out of the blue")
    assert sealing.seal(segment).counts == Counts(received=1, kept=1)
    assert not segment.exists()


def test_sealing_that_fails_is_said_and_tried_again(
    tmp_path: Path, pressure: Pressure, monkeypatch: pytest.MonkeyPatch, wait_until: Any
) -> None:
    monkeypatch.setattr(writing_module, "_RETRY_S", 0.01)
    (tmp_path / "pressure").write_text("a file where a folder should be")
    segment = _segment(tmp_path, [[pressure(0)]])
    said: list[str] = []
    with _writing(tmp_path, said) as writing:
        wait_until(lambda: writing.health.sealing_trouble, what="the trouble to be told")
        assert "Not a directory" in writing.health.sealing_trouble
        (tmp_path / "pressure").unlink()
        wait_until(lambda: not segment.exists(), what="the segment to be sealed after all")
    assert writing.health.sealing_trouble == ""
    assert said[0].startswith("the journal cannot be sealed yet, and is kept: Not a directory: ")
    assert said[1:] == ["the journal can be sealed again"]


def test_sealing_begins_though_what_was_sealed_last_cannot_be_looked_up(
    tmp_path: Path, pressure: Pressure, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(recent: Recent) -> None:
        if recent._archive is not None:
            raise ArchiveProblem(f"{recent._archive} is no pleasure to read")

    monkeypatch.setattr(Recent, "look_up", fail)
    segment = _segment(tmp_path, [[pressure(0)]])
    outcome = Sealing(tmp_path, segment.parent).seal(segment)
    assert outcome.counts == Counts(received=1, kept=1)
    assert outcome.trouble.startswith("what was sealed last cannot be looked up (")


def test_journal_thread_outlives_an_error_nobody_foresaw(
    tmp_path: Path, pressure: Pressure, monkeypatch: pytest.MonkeyPatch, wait_until: Any
) -> None:
    monkeypatch.setattr(writing_module, "_RETRY_S", 0.01)
    real_append = SegmentWriter.append
    broken = [True]

    def append(writer: SegmentWriter, batch: Any) -> None:
        if broken:
            raise RuntimeError("out of the blue")
        real_append(writer, batch)

    monkeypatch.setattr(SegmentWriter, "append", append)
    said: list[str] = []
    durable: list[Delivery] = []
    with _writing(tmp_path, said, durable) as writing:
        writing.put([Delivery(_record(pressure(0)), 1, 1, 1)])
        wait_until(lambda: writing.health.trouble, what="the trouble to be told")
        assert durable == []
        broken.clear()
        wait_until(lambda: durable, what="the message to be safe after all")
    assert writing.health.sealed.kept == 1
    assert "the journal cannot be written (RuntimeError: out of the blue)" in said[0]


def test_journal_thread_outlives_an_acknowledgement_that_fails(
    tmp_path: Path, pressure: Pressure, monkeypatch: pytest.MonkeyPatch, wait_until: Any
) -> None:
    said: list[str] = []
    with _writing(tmp_path, said) as writing:

        def fail(batch: list[Delivery]) -> None:
            raise RuntimeError("out of the blue")

        monkeypatch.setattr(writing, "_durable", fail)
        for seq in range(2):
            writing.put([Delivery(_record(pressure(seq)), 1, 1, 1)])
            wait_until(lambda seq=seq: writing.health.journalled == seq + 1, what="it to be journalled")
    assert writing.health.sealed.kept == 2
    assert "could not be acknowledged (RuntimeError: out of the blue)" in said[0]


@pytest.mark.parametrize("note", [b"", b'{"by":"day-1","replaces":["x"]}'])
def test_note_of_a_merge_by_an_earlier_underair_is_not_needed(
    tmp_path: Path, pressure: Pressure, note: bytes
) -> None:
    seal_segment(tmp_path, _segment(tmp_path, [[pressure(0)]]))
    left = tmp_path / "pressure" / "date=2031-05-04" / ".merged.json"
    left.write_bytes(note)
    assert Archive(tmp_path).messages()["pressure"].height == 1
    tidy(tmp_path, NEXT_DAY, grace_s=0)
    assert not left.exists()
    assert Archive(tmp_path).messages()["pressure"].height == 1
    assert verify(tmp_path).faults == []


def test_refused_rows_are_not_doubled_by_tidying_between_two_sealings(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for second in range(2):
        seal_segment(tmp_path, _segment(tmp_path, [[BAD]], NOW + timedelta(seconds=second)))
    segment = _segment(tmp_path, [[BAD, BAD]], NOW + timedelta(seconds=9))
    with monkeypatch.context() as patch:
        patch.setattr(Path, "unlink", _killed)
        with pytest.raises(KeyboardInterrupt):
            seal_segment(tmp_path, segment)
    assert (tmp_path / "refused" / "date=2031-05-04" / f"{part_name(segment)}.parquet").exists()
    assert tidy(tmp_path, NEXT_DAY, grace_s=0).merged == 1
    assert Archive(tmp_path).messages()["refused"].height == 4
    seal_segment(tmp_path, segment)
    assert Archive(tmp_path).messages()["refused"].height == 4
    assert tidy(tmp_path, NEXT_DAY, grace_s=0).parts_after == 1
    assert Archive(tmp_path).messages()["refused"].height == 4
    assert verify(tmp_path).faults == []


def _killed(path: Path, missing_ok: bool = False) -> None:
    raise KeyboardInterrupt


def test_import_keeps_a_payload_as_it_is_spelt_in_the_file(tmp_path: Path) -> None:
    payload = (
        b'{ "pressure_bar" : 200.50,  "time":"2031-05-04T10:00:00Z" ,"seq":1,"boot": 17, '
        b'"set_id":"S-\\u0030","kind":"pressure" }'
    )
    topic = b'"topic" : "underair/v1/demo/set/S-0/pressure"'
    log = tmp_path / "log.ndjson"
    log.write_bytes(b'{"payload" :  %s , %s, "received":"2031-05-04T10:00:00Z"}\n' % (payload, topic))
    assert import_capture(log, tmp_path / "archive").counts.kept == 1
    assert Archive(tmp_path / "archive").messages()["pressure"]["payload"].to_list() == [payload.decode()]


def test_refusal_of_an_unterminated_string_says_at_only_once() -> None:
    builder = FrameBuilder()
    builder.add(micros(NOW), "underair/v1/demo/set/S-1/pressure", b'{"kind":"pre')
    assert builder.frames()["refused"]["reason"].to_list() == [
        "the payload is not JSON: Unterminated string starting at character 8"
    ]
