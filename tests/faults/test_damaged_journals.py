"""A journal cut at every byte, and with every byte flipped: what was whole is read, the rest is reported."""

from __future__ import annotations

import os
import struct
import subprocess
import sys
import zlib
from datetime import UTC, datetime
from pathlib import Path

import pytest

from ingest.archive import journal_frames
from ingest.archive.folder import create_archive
from ingest.archive.journal_frames import (
    FORM,
    Damage,
    Record,
    numbered_frame,
    segment_header,
)
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_segment
from ingest.archive.verifying import verify
from tests.faults.journal_reading import read_frames, segment_bytes
from tests.faults.old_journal import old_frame

NOW_US = int(datetime(2031, 5, 4, 10, 21, 7, tzinfo=UTC).timestamp()) * 1_000_000
MAGIC = bytes(range(16))
NAME = "20310504T102107000000Z.journal"


def _record(seq: int, more: bytes = b"") -> Record:
    payload = (
        b'{"kind":"motion","set_id":"S-1","boot":1,"seq":%d,"time":"2031-05-04T10:21:07Z","motion_m_s2":1%s}'
        % (seq, more)
    )
    return Record(NOW_US + seq, "underair/v1/demo/set/S-1/motion", payload, False)


BATCHES = [[_record(0)], [_record(1), _record(2)], [_record(3)]]
HEADER = len(segment_header(MAGIC))
NEW = (
    [numbered_frame(MAGIC, number, batch) for number, batch in enumerate(BATCHES)],
    segment_bytes(BATCHES, MAGIC),
    HEADER,
)
OLD = ([old_frame(batch) for batch in BATCHES], b"".join(old_frame(batch) for batch in BATCHES), 0)
FORMS = pytest.mark.parametrize(("frames", "whole", "first"), [NEW, OLD], ids=["form 2", "form 1"])
ROWS_AFTER = [0, 1, 3, 4]


def _ends(frames: list[bytes], first: int) -> list[int]:
    return [first + sum(len(frame) for frame in frames[: count + 1]) for count in range(len(frames))]


def _segment(archive: Path, data: bytes) -> Path:
    segment = archive / "journal" / "listener" / NAME
    segment.parent.mkdir(parents=True)
    segment.write_bytes(data)
    return segment


@FORMS
def test_segment_cut_at_every_byte_gives_every_whole_frame(
    frames: list[bytes], whole: bytes, first: int
) -> None:
    ends = _ends(frames, first)
    for length in range(len(whole) + 1):
        for open_tail in (False, True):
            found = read_frames(whole[:length], open_tail=open_tail)
            good = max([first if length >= first else 0, *(end for end in ends if end <= length)])
            assert found.end == good
            assert found.damages == ([Damage(good, length, torn_tail=True)] if length > good else [])
            assert len(found.records) == ROWS_AFTER[sum(end <= length for end in ends)]


@FORMS
def test_cut_segment_is_sealed_and_read(
    tmp_path: Path, frames: list[bytes], whole: bytes, first: int
) -> None:
    ends = _ends(frames, first)
    for length in (0, 5, ends[0] - 1, ends[0], ends[0] + 1, ends[1] + 11, len(whole)):
        archive = tmp_path / str(length)
        segment = _segment(archive, whole[:length])
        rows = ROWS_AFTER[sum(end <= length for end in ends)]
        assert Archive(archive).messages()["motion"].height == rows
        sealed = seal_segment(archive, segment)
        assert sealed.counts.kept == rows
        assert sealed.counts.refused == (length not in {0, *ends})
        assert Archive(archive).messages()["motion"].height == rows


def _hit(at: int, ends: list[int]) -> int:
    return sum(end <= at for end in ends)


def test_every_flipped_byte_is_noticed_and_costs_one_frame_at_most() -> None:
    frames, whole, first = NEW
    ends = _ends(frames, first)
    for at in range(len(whole)):
        damaged = bytearray(whole)
        damaged[at] ^= 0x20
        found = read_frames(bytes(damaged))
        hit = _hit(at, ends) if at >= first else -1
        assert found.records == [each for n, batch in enumerate(BATCHES) if n != hit for each in batch], at
        assert len(found.damages) == 1
        assert found.damages[0].torn_tail is (hit == 2)


def test_flipped_byte_of_the_old_form_is_noticed_and_gives_nothing_else() -> None:
    """A frame is stepped over by its own length: where that is hit, what follows counts as damaged."""
    frames, whole, first = OLD
    ends = _ends(frames, first)
    for at in range(len(whole)):
        damaged = bytearray(whole)
        damaged[at] ^= 0x20
        found = read_frames(bytes(damaged))
        hit = _hit(at, ends)
        in_head = at - [0, *ends][hit] < 8
        kept = [n for n in range(3) if n < hit or (n > hit and not in_head)]
        assert found.records == [each for n in kept for each in BATCHES[n]], at
        assert len(found.damages) == 1


def test_nothing_behind_a_frame_that_is_not_whole_is_read_while_the_segment_may_grow() -> None:
    frames, whole, _ = NEW
    damaged = bytearray(whole)
    damaged[HEADER + len(frames[0]) + 60] ^= 1
    assert read_frames(bytes(damaged), open_tail=True).records == BATCHES[0]
    assert read_frames(bytes(damaged)).records == BATCHES[0] + BATCHES[2]


def test_missing_repeated_and_earlier_frames_are_not_believed_in_silence() -> None:
    first, second, third = NEW[0]
    header = segment_header(MAGIC)
    cut_out = read_frames(header + first + third)
    assert cut_out.records == BATCHES[0] + BATCHES[2]
    at = HEADER + len(first)
    assert cut_out.damages == [Damage(at, at, torn_tail=False)]
    assert cut_out.damages[0].sentence() == f"frames are missing at byte {at}"
    twice = read_frames(header + first + first + second)
    assert twice.records == BATCHES[0] + BATCHES[1]
    assert twice.damages == [Damage(at, at + len(first), torn_tail=False)]
    backwards = read_frames(header + first + third + second)
    assert backwards.records == BATCHES[0] + BATCHES[2]
    assert len(backwards.damages) == 2


def test_reading_after_damage_takes_linear_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every frame is hit, and payloads are full of what looks like heads: no byte is summed up often."""
    summed = 0
    real = zlib.crc32

    def counted(data: bytes, value: int = 0) -> int:
        nonlocal summed
        summed += len(data)
        return real(data, value)

    lure = b"".join(
        FORM + struct.pack("<II", 1 << 20, n) + b"UAJ1" + struct.pack("<I", 1 << 20) for n in range(99)
    )
    batches = [[Record(NOW_US, "t", lure, False)] for _ in range(200)]
    for whole in (segment_bytes(batches), b"".join(old_frame(batch) for batch in batches)):
        damaged = bytearray(whole)
        for at in range(500, len(damaged), len(damaged) // 200):
            damaged[at] ^= 1
        monkeypatch.setattr(journal_frames.zlib, "crc32", counted)
        summed = 0
        read_frames(bytes(damaged))
        monkeypatch.undo()
        assert summed < 3 * len(damaged)


SPARSE_BYTES = 1_000_000_000
HIGHEST_MB = 400.0
HIGHEST = """
def highest_mb():
    status = open("/proc/self/status").read()
    return int(status.split("VmHWM:")[1].split()[0]) / 1000
"""


def _in_own_process(code: str, archive: Path) -> list[float]:
    """Run code that prints numbers; the memory of this process is not counted in."""
    done = subprocess.run(
        [sys.executable, "-c", HIGHEST + code, str(archive)], capture_output=True, text=True, check=True
    )
    return [float(number) for number in done.stdout.split()]


@pytest.mark.parametrize(("whole", "open_end"), [(NEW[1], False), (OLD[1], True)], ids=["form 2", "form 1"])
def test_segment_with_a_hole_of_1_gb_is_read_and_sealed_in_bounded_memory(
    tmp_path: Path, whole: bytes, open_end: bool
) -> None:
    archive = create_archive(tmp_path / "archive")
    segment = _segment(archive, whole)
    with segment.open("r+b") as file:
        file.truncate(SPARSE_BYTES)
        if not open_end:
            file.seek(0, os.SEEK_END)
            file.write(NEW[0][2])
    read = (
        "import sys\nfrom ingest.archive.reading import Archive, Follower\n"
        "from ingest.archive.verifying import verify\n"
        "archive = Archive(sys.argv[1])\n"
        "print(archive.messages()['motion'].height, len(verify(sys.argv[1]).faults), highest_mb())\n"
        "follower = Follower(archive.folder)\nprint(follower.new_messages()['motion'].height, highest_mb())\n"
    )
    rows, faults, read_mb, followed, follow_mb = _in_own_process(read, archive)
    assert (rows, faults, followed) == (4, 1, 0)
    assert max(read_mb, follow_mb) < HIGHEST_MB
    seal = (
        "import sys\nfrom pathlib import Path\nfrom ingest.archive.sealing import seal_segment\n"
        f"sealed = seal_segment(Path(sys.argv[1]), Path({str(segment)!r}))\n"
        "print(sealed.counts.kept, sealed.counts.refused, highest_mb())\n"
    )
    kept, refused, seal_mb = _in_own_process(seal, archive)
    assert (kept, refused) == (4, 1)
    assert seal_mb < HIGHEST_MB
    assert not segment.exists()
    (aside,) = (archive / "quarantine" / "journal" / "listener").iterdir()
    assert aside.stat().st_size >= SPARSE_BYTES, "what is damaged is kept"
    (reason,) = Archive(archive).messages()["refused"]["reason"]
    assert f"all in quarantine/journal/listener/{NAME}" in reason
    assert verify(archive).faults == []
