from __future__ import annotations

import errno
import os
import re
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.archive.journal import Record, SegmentWriter, segments
from ingest.archive.journal_frames import opened
from tests.any_text import TEXT
from tests.faults.journal_reading import read_frames, segment_bytes

NOW = datetime(2031, 5, 4, 10, 21, 7, 412_003, UTC)
_records = st.builds(
    Record,
    st.integers(0, 2**53),
    st.text(TEXT),
    st.binary(),
    st.booleans(),
    st.integers(0, 2**32),
)


@given(st.lists(st.lists(_records, min_size=1, max_size=4), max_size=4))
def test_what_was_written_is_read(batches: list[list[Record]]) -> None:
    data = segment_bytes(batches)
    frames = read_frames(data)
    assert frames.records == [record for batch in batches for record in batch]
    assert frames.damages == []
    assert frames.end == len(data)


@given(st.binary(max_size=400))
def test_any_bytes_are_no_journal_and_never_crash(data: bytes) -> None:
    frames = read_frames(data)
    assert frames.records == []


def test_segment_is_named_by_its_time_and_never_by_an_old_one(tmp_path: Path) -> None:
    one, two = SegmentWriter(tmp_path, NOW), SegmentWriter(tmp_path, NOW)
    assert re.fullmatch(r"20310504T102107412003Z-[0-9a-f]{16}\.journal", one.path.name)
    assert re.fullmatch(r"20310504T102107412004Z-[0-9a-f]{16}\.journal", two.path.name)
    for writer in (one, two):
        writer.append([Record(1, "t", b"p", False)])
        writer.close()
    assert segments(tmp_path) == [one.path, two.path]


def test_segment_without_rows_leaves_nothing(tmp_path: Path) -> None:
    SegmentWriter(tmp_path, NOW).close()
    assert segments(tmp_path) == []


@pytest.mark.parametrize("failing", ["write", "fdatasync"])
def test_batch_that_the_disk_did_not_take_leaves_the_segment_as_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing: str
) -> None:
    writer = SegmentWriter(tmp_path, NOW)
    writer.append([Record(1, "t", b"first", False)])
    real_write = os.write

    def short_write_then_full(file: int, data: bytes) -> int:
        if len(data) < 20:
            raise OSError(errno.ENOSPC, "No space left on device")
        return real_write(file, data[:10])

    def fail(file: int) -> None:
        raise OSError(errno.EIO, "Input/output error")

    if failing == "write":
        monkeypatch.setattr(os, "write", short_write_then_full)
    else:
        monkeypatch.setattr(os, "fdatasync", fail)
    with pytest.raises(OSError, match=r"No space left|Input/output"):
        writer.append([Record(2, "t", b"second", False)])
    monkeypatch.undo()
    writer.append([Record(3, "t", b"third", False)])
    writer.close()
    frames = read_frames(writer.path.read_bytes())
    assert [record.payload for record in frames.records] == [b"first", b"third"]
    assert frames.damages == []


@pytest.mark.parametrize("gone", [False, True])
def test_a_segment_without_rows_leaves_no_file(tmp_path: Path, gone: bool) -> None:
    writer = SegmentWriter(tmp_path, NOW)
    if gone:
        writer.path.unlink()
    writer.close()
    writer.close()
    assert list(tmp_path.iterdir()) == []


def test_a_disk_that_gives_a_few_bytes_at_a_time_gives_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, whole, read = tmp_path / "a.journal", bytes(range(200)), os.pread
    path.write_bytes(whole)
    for at_once in (100, 7):
        monkeypatch.setattr(os, "pread", lambda handle, length, at: read(handle, min(length, at_once), at))  # noqa: B023
        with opened(path) as data:
            assert data.at(0, 200) == whole
            assert data.find(whole[150:160], 0) == 150
