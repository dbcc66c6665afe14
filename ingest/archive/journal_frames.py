"""What is in a journal segment: its header and its frames, and how they are read after damage.

The header is the form, 16 random bytes (the segment's magic) and their CRC-32. A frame is one batch: the
magic, the frame's number from 0 on, the body's length, the CRC-32 of the body and of the frame's head (all
little endian), then the batch in MessagePack, a list of [received (us), topic, payload, retained, whole
length]. No sender can know the magic, so no payload can contain a frame that a reader believes.

Where a frame is not whole, reading resumes at a frame with this magic, a later number and both checksums.
While a segment may still grow, nothing behind such a place is read.
"""

import contextlib
import os
import secrets
import struct
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import msgspec

from ingest.contract.received import Record as Record

WINDOW_BYTES = 1 << 20


class BytesOfFile:
    """A segment in an open file, as long as it is now.

    `handle`: stays open, and stays the caller's.
    """

    def __init__(self, handle: int) -> None:
        self._handle = handle
        self.length = os.fstat(handle).st_size
        self._window_at = 0
        self._window = b""

    def at(self, start: int, length: int) -> bytes:
        """Return bytes from `start` on; fewer at the end."""
        length = max(0, min(length, self.length - start))
        if length > WINDOW_BYTES:
            return self._read(start, length)
        offset = start - self._window_at
        if not 0 <= offset <= len(self._window) - length:
            self._window_at, offset = start, 0
            self._window = self._read(start, min(WINDOW_BYTES, self.length - start))
        return self._window[offset : offset + length]

    def find(self, wanted: bytes, start: int) -> int:
        """Return where `wanted` is, from `start` on; -1 when it is not there."""
        while start + len(wanted) <= self.length:
            window = self._read(start, min(WINDOW_BYTES, self.length - start))
            found = window.find(wanted)
            if found >= 0:
                return start + found
            if len(window) < len(wanted):
                break  # cut short meanwhile
            start += len(window) - len(wanted) + 1
        return -1

    def _read(self, start: int, length: int) -> bytes:
        pieces = []
        while length > 0 and (piece := os.pread(self._handle, length, start)):
            pieces.append(piece)
            start += len(piece)
            length -= len(piece)
        return b"".join(pieces)  # one piece is not copied


@contextlib.contextmanager
def opened(segment: Path) -> Iterator[BytesOfFile]:
    """Give the bytes of a segment as it is now.

    Raises `FileNotFoundError` when it is sealed meanwhile.
    """
    handle = os.open(segment, os.O_RDONLY)
    try:
        yield BytesOfFile(handle)
    finally:
        os.close(handle)


FORM = b"UAJ2"
OLD_FORM = b"UAJ1"
LARGEST_FRAME_BYTES = 1 << 28  # no listener ever wrote a longer one: a bound of what reading takes
MAGIC_BYTES = 16
_HEADER = struct.Struct(f"<4s{MAGIC_BYTES}sI")
_HEAD = struct.Struct(f"<{MAGIC_BYTES}sQIII")
_CHECKSUM_BYTES = 4
_OLD_HEAD = struct.Struct("<4sII")
_pack = msgspec.msgpack.Encoder().encode


_unpack = msgspec.msgpack.Decoder(list[Record]).decode


@dataclass(frozen=True)
class Damage:
    """Bytes of a segment that contain no complete frame."""

    start: int
    end: int  # equal to `start`: whole frames are missing at this place
    torn_tail: bool  # at the end: never acknowledged if a write broke off there; damaged since, if not

    def sentence(self) -> str:
        """Return what is wrong where."""
        if self.start == self.end:
            return f"frames are missing at byte {self.start}"
        return f"bytes {self.start} to {self.end} contain no complete frame"


class _Frame(NamedTuple):
    number: int | None  # None: form 1 does not number its frames
    end: int
    batch: list[Record]


def new_magic() -> bytes:
    """Return the random bytes by which a new segment's frames are known."""
    return secrets.token_bytes(MAGIC_BYTES)


def segment_header(magic: bytes) -> bytes:
    """Return the header of a segment."""
    return _HEADER.pack(FORM, magic, zlib.crc32(FORM + magic))


def numbered_frame(magic: bytes, number: int, batch: Sequence[Record]) -> bytes:
    """Return the frame of one batch."""
    body = _pack(batch)
    head = _HEAD.pack(magic, number, len(body), zlib.crc32(body), 0)[:-_CHECKSUM_BYTES]
    return head + zlib.crc32(head).to_bytes(_CHECKSUM_BYTES, "little") + body


class SegmentReader:
    """Reads one segment from its start to its end, also while it grows."""

    def __init__(self) -> None:
        self.offset = 0  # behind the last whole frame that was read
        self._form: _NumberedFrames | _OldFrames | None = None
        self._number = 0

    def read(self, data: BytesOfFile, *, open_tail: bool = False) -> Iterator[list[Record] | Damage]:
        """Yield the batches of the whole frames that were written since, and what is damaged between them.

        - `data`: the whole segment, of form 2 or 1.
        - `open_tail`: it may still grow: stop at the first frame that is not whole.
        """
        if self._form is None:
            self._form, first = _form_of(data, open_tail)
            self.offset = first
            if first and not _is_header(data):
                yield Damage(0, first, torn_tail=False)
        while self._form is not None and self.offset < data.length:
            at = self.offset
            frame = self._form.whole_frame(data, at)
            if frame is None or frame.number not in (None, self._number):
                resumed = None if open_tail else self._form.next_frame(data, at, self._number)
                if resumed is None:
                    yield Damage(at, data.length, torn_tail=True)
                    return
                resumed_at, frame = resumed
                yield Damage(at, resumed_at, torn_tail=False)
            self.offset = frame.end
            self._number = self._number if frame.number is None else frame.number + 1
            yield frame.batch
        if self._form is None and data.length:
            yield Damage(0, data.length, torn_tail=True)


class _NumberedFrames:
    """Form 2."""

    def __init__(self, magic: bytes) -> None:
        self._magic = magic

    def whole_frame(self, data: BytesOfFile, at: int) -> _Frame | None:
        head = data.at(at, _HEAD.size)
        if len(head) < _HEAD.size:
            return None
        magic, number, length, checksum, head_checksum = _HEAD.unpack(head)
        end = at + _HEAD.size + length
        if magic != self._magic or end > data.length or length > LARGEST_FRAME_BYTES:
            return None
        # First check the head: with a damaged length the whole rest would be checked in vain.
        if zlib.crc32(head[:-_CHECKSUM_BYTES]) != head_checksum:
            return None
        batch = _batch(data.at(at + _HEAD.size, length), checksum)
        return None if batch is None else _Frame(number, end, batch)

    def next_frame(self, data: BytesOfFile, at: int, lowest: int) -> tuple[int, _Frame] | None:
        while (at := data.find(self._magic, at)) >= 0:
            frame = self.whole_frame(data, at)
            if frame is not None and frame.number is not None and frame.number >= lowest:
                return at, frame
            at += 1
        return None


class _OldFrames:
    """Form 1: frames begin with the same four bytes in every segment, so that a payload can contain them.

    A damaged frame is stepped over by its own length and by nothing else. Where that is damaged too, the rest
    of the segment counts as damaged: it is kept as refused.
    """

    def whole_frame(self, data: BytesOfFile, at: int) -> _Frame | None:
        extent = self._extent(data, at)
        if extent is None:
            return None
        checksum, end = extent
        first = at + _OLD_HEAD.size
        batch = _batch(data.at(first, end - first), checksum) if end - first <= LARGEST_FRAME_BYTES else None
        return None if batch is None else _Frame(None, end, batch)

    def next_frame(self, data: BytesOfFile, at: int, lowest: int) -> tuple[int, _Frame] | None:
        while (extent := self._extent(data, at)) is not None:
            at = extent[1]
            frame = self.whole_frame(data, at)
            if frame is not None:
                return at, frame
        return None

    @staticmethod
    def _extent(data: BytesOfFile, at: int) -> tuple[int, int] | None:
        head = data.at(at, _OLD_HEAD.size)
        if len(head) < _OLD_HEAD.size:
            return None
        magic, length, checksum = _OLD_HEAD.unpack(head)
        end = at + _OLD_HEAD.size + length
        return (checksum, end) if magic == OLD_FORM and end <= data.length else None


def _batch(body: bytes, checksum: int) -> list[Record] | None:
    if zlib.crc32(body) != checksum:
        return None
    try:
        return _unpack(body)
    except msgspec.MsgspecError:
        return None


def _is_header(data: BytesOfFile) -> bool:
    header = data.at(0, _HEADER.size)
    if len(header) < _HEADER.size:
        return False
    form, magic, checksum = _HEADER.unpack(header)
    return bool(form == FORM and zlib.crc32(FORM + magic) == checksum)


def _form_of(data: BytesOfFile, open_tail: bool) -> tuple[_NumberedFrames | _OldFrames | None, int]:
    """Return how the frames of a segment are read, and where the first one is; None if that is not known."""
    if data.at(0, len(OLD_FORM)) == OLD_FORM:
        return _OldFrames(), 0
    first = _HEADER.size
    if _is_header(data):
        return _NumberedFrames(data.at(len(FORM), MAGIC_BYTES)), first
    if not open_tail:
        # With a damaged header, the frame at the fixed place behind it still has the magic.
        form = _NumberedFrames(data.at(first, MAGIC_BYTES))
        frame = form.whole_frame(data, first)
        if frame is not None and frame.number == 0:
            return form, first
    return None, 0
