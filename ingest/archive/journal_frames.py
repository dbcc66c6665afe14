"""What is in a journal segment: its header and its frames, and how they are read after damage.

The header is the form, 16 random bytes (the segment's magic) and their CRC-32. A frame is one batch: the
magic, the frame's number from 0 on, the body's length, the CRC-32 of the body and of the frame's head (all
little endian), then the batch in MessagePack, a list of [received (us), topic, payload, retained, whole
length]. No sender can know the magic, so no payload can contain a frame that a reader believes.

Where a frame is not whole, reading resumes at a frame with this magic, a later number and both checksums.
While a segment may still grow, nothing behind such a place is read.
"""

from __future__ import annotations

import secrets
import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import msgspec

FORM = b"UAJ2"
OLD_FORM = b"UAJ1"
MAGIC_BYTES = 16
_HEADER = struct.Struct(f"<4s{MAGIC_BYTES}sI")
_HEAD = struct.Struct(f"<{MAGIC_BYTES}sQIII")
_CHECKSUM_BYTES = 4
_OLD_HEAD = struct.Struct("<4sII")
_pack = msgspec.msgpack.Encoder().encode


class Record(NamedTuple):
    """One message as it was received.

    Attributes
    ----------
    received_us : int
        Microseconds since 1970 on the listener's clock.
    topic : str
    payload : bytes
    retained : bool
    whole_bytes : int
        Length of a payload of which only the start was kept; 0 when it is whole.
    """

    received_us: int
    topic: str
    payload: bytes
    retained: bool
    whole_bytes: int = 0


_unpack = msgspec.msgpack.Decoder(list[Record]).decode


@dataclass(frozen=True)
class Damage:
    """Bytes of a segment that hold no whole frame.

    Attributes
    ----------
    start, end : int
        Where they are in the segment. Equal: whole frames are missing at this place.
    torn_tail : bool
        At the end: never acknowledged if a write broke off there; damaged since, if not.
    """

    start: int
    end: int
    torn_tail: bool

    def sentence(self) -> str:
        """Return what is wrong where."""
        if self.start == self.end:
            return f"frames are missing at byte {self.start}"
        return f"bytes {self.start} to {self.end} hold no whole frame"


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


def segment_bytes(batches: Sequence[Sequence[Record]], magic: bytes | None = None) -> bytes:
    """Return a whole segment; by default with a new magic."""
    magic = magic or new_magic()
    frames = (numbered_frame(magic, number, batch) for number, batch in enumerate(batches))
    return segment_header(magic) + b"".join(frames)


def read_frames(data: bytes, *, open_tail: bool = False) -> Frames:
    """Read all whole frames of a segment.

    Parameters
    ----------
    data : bytes
        The segment, of form 2 or 1.
    open_tail : bool
        It may still grow: stop at the first frame that is not whole.
    """
    return SegmentReader().read(data, open_tail=open_tail)


class SegmentReader:
    """Reads one segment from its start to its end, also while it grows.

    Attributes
    ----------
    offset : int
        Of the bytes that the next `read` begins with.
    """

    def __init__(self) -> None:
        self.offset = 0
        self._form: _NumberedFrames | _OldFrames | None = None
        self._number = 0

    def read(self, data: bytes, *, open_tail: bool) -> Frames:
        """Read the whole frames of what was written since.

        Parameters
        ----------
        data : bytes
            The segment from `offset` on.
        open_tail : bool
            As in `read_frames`.
        """
        start = self.offset
        records: list[Record] = []
        damages: list[Damage] = []
        at = 0
        if self._form is None and data:
            self._form, at = _form_of(data, open_tail)
            if at and not _is_header(data):
                damages.append(Damage(0, at, torn_tail=False))
        while self._form is not None and at < len(data):
            frame = self._form.whole_frame(data, at)
            if frame is None or frame.number not in (None, self._number):
                resumed = None if open_tail else self._form.next_frame(data, at, self._number)
                if resumed is None:
                    damages.append(Damage(start + at, start + len(data), torn_tail=True))
                    break
                resumed_at, frame = resumed
                damages.append(Damage(start + at, start + resumed_at, torn_tail=False))
            records += frame.batch
            at = frame.end
            self._number = self._number if frame.number is None else frame.number + 1
        if self._form is None and data:
            damages.append(Damage(start, start + len(data), torn_tail=True))
        self.offset = start + at
        return Frames(records, self.offset, damages)


class _NumberedFrames:
    """Form 2."""

    def __init__(self, magic: bytes) -> None:
        self._magic = magic

    def whole_frame(self, data: bytes, at: int) -> _Frame | None:
        if len(data) - at < _HEAD.size:
            return None
        magic, number, length, checksum, head_checksum = _HEAD.unpack_from(data, at)
        body_at = at + _HEAD.size
        view = memoryview(data)
        if magic != self._magic or body_at + length > len(data):
            return None
        # The head first: with a damaged length, the rest of the segment would be summed up for nothing.
        if zlib.crc32(view[at : body_at - _CHECKSUM_BYTES]) != head_checksum:
            return None
        batch = _batch(view[body_at : body_at + length], checksum)
        return None if batch is None else _Frame(number, body_at + length, batch)

    def next_frame(self, data: bytes, at: int, lowest: int) -> tuple[int, _Frame] | None:
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

    def whole_frame(self, data: bytes, at: int) -> _Frame | None:
        extent = self._extent(data, at)
        if extent is None:
            return None
        checksum, end = extent
        batch = _batch(memoryview(data)[at + _OLD_HEAD.size : end], checksum)
        return None if batch is None else _Frame(None, end, batch)

    def next_frame(self, data: bytes, at: int, lowest: int) -> tuple[int, _Frame] | None:
        while (extent := self._extent(data, at)) is not None:
            at = extent[1]
            frame = self.whole_frame(data, at)
            if frame is not None:
                return at, frame
        return None

    @staticmethod
    def _extent(data: bytes, at: int) -> tuple[int, int] | None:
        if len(data) - at < _OLD_HEAD.size:
            return None
        magic, length, checksum = _OLD_HEAD.unpack_from(data, at)
        end = at + _OLD_HEAD.size + length
        return (checksum, end) if magic == OLD_FORM and end <= len(data) else None


def _batch(body: memoryview, checksum: int) -> list[Record] | None:
    if zlib.crc32(body) != checksum:
        return None
    try:
        return _unpack(body)
    except msgspec.MsgspecError:
        return None


def _is_header(data: bytes) -> bool:
    if len(data) < _HEADER.size:
        return False
    form, magic, checksum = _HEADER.unpack_from(data)
    return bool(form == FORM and zlib.crc32(FORM + magic) == checksum)


def _form_of(data: bytes, open_tail: bool) -> tuple[_NumberedFrames | _OldFrames | None, int]:
    """Return how the frames of a segment are read, and where the first one is; None when nothing tells."""
    if data.startswith(OLD_FORM):
        return _OldFrames(), 0
    first = _HEADER.size
    if _is_header(data):
        return _NumberedFrames(data[len(FORM) : len(FORM) + MAGIC_BYTES]), first
    if not open_tail:
        # With a damaged header, the frame at the fixed place behind it still tells the magic.
        form = _NumberedFrames(data[first : first + MAGIC_BYTES])
        frame = form.whole_frame(data, first)
        if frame is not None and frame.number == 0:
            return form, first
    return None, 0
