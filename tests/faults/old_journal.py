"""Journals of form 1, as 0.3 wrote them."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence

import msgspec

from ingest.archive.journal_frames import Record


def old_frame(batch: Sequence[Record]) -> bytes:
    """A frame of form 1."""
    body = msgspec.msgpack.encode([record[:4] for record in batch])  # form 1 had no whole length
    return struct.pack("<4sII", b"UAJ1", len(body), zlib.crc32(body)) + body


def old_frame_up_to_its_last_byte(batch: Sequence[Record], last: bytes) -> bytes:
    """A frame of form 1 without its last byte, for which what stands behind it must serve."""
    whole = old_frame(batch)
    assert whole.endswith(last)
    return whole[: -len(last)]
