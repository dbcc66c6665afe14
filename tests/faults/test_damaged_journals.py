"""A journal cut at every byte, and with every byte flipped: what was whole is read, the rest is reported."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from ingest.archive.archive import seal_segment
from ingest.archive.journal import Record, frame_of, read_frames
from ingest.archive.reading import Archive

NOW_US = int(datetime(2031, 5, 4, 10, 21, 7, tzinfo=UTC).timestamp()) * 1_000_000


def _record(seq: int) -> Record:
    payload = (
        b'{"kind":"motion","set_id":"S-1","boot":1,"seq":%d,"time":"2031-05-04T10:21:07Z","motion_m_s2":1}'
        % seq
    )
    return Record(NOW_US + seq, "underair/v1/demo/set/S-1/motion", payload, False)


FRAMES = [frame_of([_record(0)]), frame_of([_record(1), _record(2)]), frame_of([_record(3)])]
WHOLE = b"".join(FRAMES)
ENDS = [sum(len(frame) for frame in FRAMES[: count + 1]) for count in range(3)]
ROWS_AFTER = [0, 1, 3, 4]


def _rows_in(length: int) -> int:
    return ROWS_AFTER[sum(end <= length for end in ENDS)]


def test_segment_cut_at_every_byte_gives_every_whole_frame() -> None:
    for length in range(len(WHOLE) + 1):
        frames = read_frames(WHOLE[:length])
        good = max([0, *(end for end in ENDS if end <= length)])
        assert frames.end == good
        assert [(each.start, each.end, each.torn_tail) for each in frames.damages] == (
            [(good, length, True)] if length > good else []
        )
        assert len(frames.records) == _rows_in(length)


@pytest.mark.parametrize("length", [0, 5, ENDS[0] - 1, ENDS[0], ENDS[0] + 1, ENDS[1] + 11, len(WHOLE)])
def test_cut_segment_is_sealed_and_read(tmp_path: Path, length: int) -> None:
    segment = tmp_path / "journal" / "listener" / "20310504T102107000000Z.journal"
    segment.parent.mkdir(parents=True)
    segment.write_bytes(WHOLE[:length])
    assert Archive(tmp_path).messages()["motion"].height == _rows_in(length)
    sealed = seal_segment(tmp_path, segment)
    assert sealed.counts.kept == _rows_in(length)
    assert sealed.counts.refused == (length not in {0, *ENDS})
    assert Archive(tmp_path).messages()["motion"].height == _rows_in(length)


def test_every_flipped_byte_is_noticed_and_costs_one_frame_at_most() -> None:
    records = [_record(seq) for seq in range(4)]
    for at in range(len(WHOLE)):
        damaged = bytearray(WHOLE)
        damaged[at] ^= 0x20
        frames = read_frames(bytes(damaged))
        hit = sum(end <= at for end in ENDS)
        expected = [record for number, record in enumerate(records) if [0, 1, 1, 2][number] != hit]
        assert frames.records == expected, at
        assert len(frames.damages) == 1
        assert frames.damages[0].torn_tail is (hit == 2)
