"""A journal segment byte by byte: written and read as `journal_frames` says, also at each limit."""

from __future__ import annotations

import os
import struct
import zlib
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest

from ingest.archive import journal_frames
from ingest.archive.folder import Counts
from ingest.archive.journal_frames import BytesOfFile, Damage, Record, numbered_frame, opened, segment_header
from ingest.archive.tidying import Tidied
from ingest.archive.writing import Health
from tests.faults.journal_reading import read_frames, segment_bytes

MAGIC = bytes(range(16))
BATCHES = [[Record(1_000 + number, f"topic/{number}", bytes([number]) * 9, False)] for number in range(4)]
WHOLE = bytes(range(100))


@pytest.fixture
def of_a_hundred(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[BytesOfFile]:
    """A file of 100 different bytes, read ten at a time."""
    monkeypatch.setattr(journal_frames, "WINDOW_BYTES", 10)
    (tmp_path / "a").write_bytes(WHOLE)
    with opened(tmp_path / "a") as data:
        yield data


def test_any_bytes_of_a_file_are_read_in_any_order(of_a_hundred: BytesOfFile) -> None:
    for length in (1, 3, 9, 10, 11, 40):
        for start in (0, 5, 3, 0, 4, 6, 50, 47, 12, 89, 90, 91, 99, 100, 101, 0):
            assert of_a_hundred.at(start, length) == WHOLE[start : start + length], (start, length)
    assert of_a_hundred.at(3, 0) == b""


def test_bytes_are_found_across_windows_from_a_place_on(of_a_hundred: BytesOfFile) -> None:
    for length in (1, 2, 5, 10):
        for start in range(0, 101 - length, 7):
            wanted = WHOLE[start : start + length]
            for since in (0, start - 1, start):
                assert of_a_hundred.find(wanted, max(since, 0)) == start
            assert of_a_hundred.find(wanted, start + 1) == -1
    assert of_a_hundred.find(WHOLE[98:] + b"x", 0) == -1
    assert of_a_hundred.find(WHOLE[:4], 0) == 0


def test_a_file_that_grows_or_is_cut_meanwhile_is_read_as_long_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(journal_frames, "WINDOW_BYTES", 10)
    path = tmp_path / "a"
    path.write_bytes(WHOLE[:20])
    with opened(path) as data:
        path.write_bytes(WHOLE)
        assert (data.at(15, 9), data.at(15, 50), data.at(20, 1)) == (WHOLE[15:20], WHOLE[15:20], b"")
        assert (data.find(WHOLE[18:20], 0), data.find(WHOLE[19:21], 0), data.find(WHOLE[30:32], 0)) == (
            18,
            -1,
            -1,
        )
        os.truncate(path, 7)
        assert (data.at(2, 12), data.find(WHOLE[12:14], 0), data.find(WHOLE[5:7], 0)) == (WHOLE[2:7], -1, 5)


def test_a_segment_is_laid_out_as_the_module_says() -> None:
    """Form, magic and CRC-32; then of each batch the magic, number, length, two CRC-32 and MessagePack."""
    body = msgspec.msgpack.encode([[7, "t", b"pp", True, 0]])
    head = struct.pack("<16sQII", MAGIC, 5, len(body), zlib.crc32(body))
    frame = head + struct.pack("<I", zlib.crc32(head)) + body
    assert numbered_frame(MAGIC, 5, [Record(7, "t", b"pp", True)]) == frame
    assert segment_header(MAGIC) == b"UAJ2" + MAGIC + struct.pack("<I", zlib.crc32(b"UAJ2" + MAGIC))
    assert (len(segment_header(MAGIC)), len(head) + 4) == (24, 36)


def starts() -> list[int]:
    """Where each frame of `BATCHES` begins, and the end."""
    found = [24]
    for number, batch in enumerate(BATCHES):
        found.append(found[-1] + len(numbered_frame(MAGIC, number, batch)))
    return found


@pytest.mark.parametrize("number", range(4))
@pytest.mark.parametrize("place", [0, 15, 16, 23, 24, 27, 28, 31, 32, 35, 36, -1])
def test_a_damaged_byte_costs_its_frame_alone_and_is_told_to_the_byte(number: int, place: int) -> None:
    at = starts()
    whole = bytearray(segment_bytes(BATCHES, MAGIC))
    whole[at[number] + place if place >= 0 else at[number + 1] - 1] ^= 0xFF
    read = read_frames(bytes(whole))
    assert read.records == [batch[0] for other, batch in enumerate(BATCHES) if other != number]
    assert read.damages == [Damage(at[number], at[number + 1], torn_tail=number == 3)]
    growing = read_frames(bytes(whole), open_tail=True)
    assert growing.records == [batch[0] for batch in BATCHES[:number]]
    assert growing.damages == [Damage(at[number], at[4], torn_tail=True)]
    assert growing.end == at[number]


def test_frames_that_are_missing_are_told_and_what_follows_is_read() -> None:
    at = starts()
    whole = segment_bytes(BATCHES, MAGIC)
    read = read_frames(whole[: at[1]] + whole[at[3] :])
    assert read.records == [BATCHES[0][0], BATCHES[3][0]]
    (damage,) = read.damages
    assert damage == Damage(at[1], at[1], torn_tail=False)
    assert damage.sentence() == f"frames are missing at byte {at[1]}"
    assert Damage(3, 9, torn_tail=True).sentence() == "bytes 3 to 9 contain no complete frame"


def test_a_frame_of_another_segment_is_not_believed() -> None:
    at = starts()
    whole = segment_bytes(BATCHES, MAGIC)
    foreign = numbered_frame(MAGIC[::-1], 1, BATCHES[1])
    read = read_frames(whole[: at[1]] + foreign + whole[at[2] :])
    assert read.records == [BATCHES[number][0] for number in (0, 2, 3)]
    assert read.damages == [Damage(at[1], at[2], torn_tail=False)]


@pytest.mark.parametrize(("longest", "read"), [(0, 4), (-1, 0)])
def test_a_frame_has_so_many_bytes_at_most(monkeypatch: pytest.MonkeyPatch, longest: int, read: int) -> None:
    at = starts()
    monkeypatch.setattr(journal_frames, "LARGEST_FRAME_BYTES", at[1] - at[0] - 36 + longest)
    assert len(read_frames(segment_bytes(BATCHES, MAGIC)).records) == read


@pytest.mark.parametrize(
    ("place", "damages"),
    [(0, [Damage(0, 24, torn_tail=False)]), (3, [Damage(0, 24, torn_tail=False)]),
     (23, [Damage(0, 24, torn_tail=False)])],
)  # fmt: skip
def test_a_damaged_header_costs_no_frame(place: int, damages: list[Damage]) -> None:
    whole = bytearray(segment_bytes(BATCHES, MAGIC))
    whole[place] ^= 0xFF
    read = read_frames(bytes(whole))
    assert (read.records, read.damages) == ([batch[0] for batch in BATCHES], damages)
    assert read_frames(bytes(whole), open_tail=True).records == []
    only_later = bytes(whole[:24]) + numbered_frame(MAGIC, 1, BATCHES[1])
    assert read_frames(only_later).damages == [Damage(0, len(only_later), torn_tail=True)]
    for length in (1, 23, 24):
        assert read_frames(bytes(whole[:length])).damages == [Damage(0, length, torn_tail=True)]


def test_an_old_segment_is_read_frame_by_frame_and_a_damaged_one_is_stepped_over() -> None:
    bodies = [msgspec.msgpack.encode(batch) for batch in BATCHES]
    frames = [b"UAJ1" + struct.pack("<II", len(body), zlib.crc32(body)) + body for body in bodies]
    at = [sum(map(len, frames[:number])) for number in range(5)]
    whole = b"".join(frames)
    assert read_frames(whole).records == [batch[0] for batch in BATCHES]
    for number in range(4):
        damaged = bytearray(whole)
        damaged[at[number + 1] - 1] ^= 0xFF
        read = read_frames(bytes(damaged))
        assert read.records == [batch[0] for other, batch in enumerate(BATCHES) if other != number]
        assert read.damages == [Damage(at[number], at[number + 1], torn_tail=number == 3)]
        cut = read_frames(whole[: at[number] + 11])
        assert cut.records == [batch[0] for batch in BATCHES[:number]]
        assert cut.damages == [Damage(at[number], at[number] + 11, torn_tail=True)]


def test_what_was_never_counted_is_nothing() -> None:
    nothing = Counts(received=0, kept=0, duplicates=0, refused=0)
    assert Counts() == nothing
    assert Health() == Health(journalled=0, queued=0, sealed=nothing, delay_ms=0.0)
    assert Tidied() == Tidied(merged=0, parts_before=0, parts_after=0, rows=0, duplicates=0)
