"""A journal segment in memory, read as a whole."""

from __future__ import annotations

from dataclasses import dataclass

from ingest.archive.journal_bytes import BytesInMemory
from ingest.archive.journal_frames import Damage, Record, SegmentReader


@dataclass(frozen=True)
class Frames:
    """What a segment holds, and where its last whole frame ends."""

    records: list[Record]
    end: int
    damages: list[Damage]


def read_frames(data: bytes, *, open_tail: bool = False) -> Frames:
    reader = SegmentReader()
    records: list[Record] = []
    damages: list[Damage] = []
    for found in reader.read(BytesInMemory(data), open_tail=open_tail):
        if isinstance(found, Damage):
            damages.append(found)
        else:
            records += found
    return Frames(records, reader.offset, damages)
