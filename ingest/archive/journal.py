"""The journal: what was received, safe on disk before the broker is told so.

A segment is a file of frames; a frame is one batch: magic, length and CRC-32 of the body (little endian),
then the batch in MessagePack, a list of [received (us), topic, payload, retained]. A crash in mid-write
leaves a torn tail, which was never acknowledged. A damaged frame is stepped over; sealing keeps its bytes
as refused, those of the tail too, and reports them.
"""

from __future__ import annotations

import os
import struct
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

import msgspec

from ingest.archive.store import sync_folder as sync_folder
from ingest.archive.store import work_folder
from ingest.contract.errors import ArchiveProblem

MAGIC = b"UAJ1"
SUFFIX = ".journal"
_HEAD = struct.Struct("<4sII")
_pack = msgspec.msgpack.Encoder().encode


class Record(NamedTuple):
    """One message as it was received."""

    received_us: int
    topic: str
    payload: bytes
    retained: bool


_unpack = msgspec.msgpack.Decoder(list[Record]).decode


@dataclass(frozen=True)
class Damage:
    """Bytes of a segment that hold no whole frame.

    Attributes
    ----------
    start, end : int
        Where they stand in the segment.
    torn_tail : bool
        At the end: never acknowledged if a write broke off there; damaged since, if not.
    """

    start: int
    end: int
    torn_tail: bool


@dataclass(frozen=True)
class Frames:
    """What a segment (or the rest of one) holds.

    Attributes
    ----------
    records : list of Record
    end : int
        Offset behind the last whole frame.
    damages : list of Damage
    """

    records: list[Record]
    end: int
    damages: list[Damage]


def frame_of(batch: Sequence[Record]) -> bytes:
    """Return the frame of one batch."""
    body = _pack(batch)
    return _HEAD.pack(MAGIC, len(body), zlib.crc32(body)) + body


def read_frames(data: bytes, start: int = 0) -> Frames:
    """Read all whole frames from `start` on.

    Parameters
    ----------
    data : bytes
        A segment, or its rest.
    start : int
        Offset of the first frame.
    """
    records: list[Record] = []
    damages: list[Damage] = []
    at = start
    while at < len(data):
        found = _whole_frame(data, at)
        if found is None:
            resumed = _next_frame(data, at + 1)
            if resumed is None:
                damages.append(Damage(at, len(data), torn_tail=True))
                break
            damages.append(Damage(at, resumed, torn_tail=False))
            at = resumed
            continue
        batch, at = found
        records += batch
    end = damages[-1].start if damages and damages[-1].torn_tail else at
    return Frames(records, end, damages)


def _whole_frame(data: bytes, at: int) -> tuple[list[Record], int] | None:
    if len(data) - at < _HEAD.size:
        return None
    magic, length, checksum = _HEAD.unpack_from(data, at)
    end = at + _HEAD.size + length
    if magic != MAGIC or end > len(data):
        return None
    body = memoryview(data)[at + _HEAD.size : end]
    if zlib.crc32(body) != checksum:
        return None
    try:
        return _unpack(body), end
    except msgspec.MsgspecError:
        return None


def _next_frame(data: bytes, at: int) -> int | None:
    while (at := data.find(MAGIC, at)) >= 0:
        if _whole_frame(data, at) is not None:
            return at
        at += 1
    return None


def segments(folder: Path) -> list[Path]:
    """Return the segments in a listener's journal folder, oldest first."""
    return sorted(folder.glob(f"*{SUFFIX}"))


def journal_folders(archive: Path) -> Iterator[Path]:
    """Yield the journal folder of each listener of an archive, on this machine."""
    root = work_folder(archive) / "journal"
    if root.is_dir():
        yield from sorted(path for path in root.iterdir() if path.is_dir())


class SegmentWriter:
    """Appends batches to one segment; each is durable when `append` returns.

    Parameters
    ----------
    folder : Path
        The listener's journal folder; must exist.
    now : datetime
        Names the segment.
    """

    def __init__(self, folder: Path, now: datetime) -> None:
        stamp = now.astimezone(UTC).strftime("%Y%m%dT%H%M%S")
        self._file = -1
        for count in range(now.microsecond, now.microsecond + 1_000_000):
            path = folder / f"{stamp}{count:06d}Z{SUFFIX}"
            try:
                self._file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND, 0o644)
            except FileExistsError:
                continue
            break
        else:
            raise ArchiveProblem(f"no free segment name in {folder} at {stamp}")
        self.path = path
        self.rows = 0
        self.size = 0
        self.started = now
        sync_folder(folder)

    def append(self, batch: Sequence[Record]) -> None:
        """Write one batch in full and sync it.

        Raises
        ------
        OSError
            When the disk did not take it (it may be full). The segment is as before; go on in a new one:
            after a failed sync nobody knows what a file's cached pages are worth.
        """
        frame = memoryview(frame_of(batch))
        written = 0
        try:
            while written < len(frame):  # a disk that is getting full takes a part first
                written += os.write(self._file, frame[written:])
            os.fdatasync(self._file)
        except OSError:
            os.ftruncate(self._file, self.size)
            raise
        self.size += len(frame)
        self.rows += len(batch)

    def close(self) -> None:
        """Close the segment; one without rows is removed."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1
            if self.rows == 0:
                self.path.unlink(missing_ok=True)
