"""A journal segment in memory, made and read as a whole."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass

from ingest.archive.journal_frames import (
    BytesOfFile,
    Damage,
    Record,
    SegmentReader,
    new_magic,
    numbered_frame,
    segment_header,
)


@dataclass(frozen=True)
class Frames:
    """What a segment holds, and where its last whole frame ends."""

    records: list[Record]
    end: int
    damages: list[Damage]


def segment_bytes(batches: Sequence[Sequence[Record]], magic: bytes | None = None) -> bytes:
    """Return a whole segment; by default with a new magic."""
    magic = magic or new_magic()
    frames = (numbered_frame(magic, number, batch) for number, batch in enumerate(batches))
    return segment_header(magic) + b"".join(frames)


def read_frames(data: bytes, *, open_tail: bool = False) -> Frames:
    reader = SegmentReader()
    records: list[Record] = []
    damages: list[Damage] = []
    with os.fdopen(os.memfd_create("segment"), "wb") as file:
        file.write(data)
        file.flush()
        for found in reader.read(BytesOfFile(file.fileno()), open_tail=open_tail):
            if isinstance(found, Damage):
                damages.append(found)
            else:
                records += found
    return Frames(records, reader.offset, damages)
