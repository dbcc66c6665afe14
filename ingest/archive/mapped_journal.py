"""Mappings at work on a journal: sealing and readers of the tail make the same messages of the same bytes.

What a mapper must remember (the last state of each flag, the power-up) is kept beside the journal when a
segment is sealed, as it was before that segment and after it. Readers of the tail go on from there.
"""

from __future__ import annotations

import os
from pathlib import Path

import msgspec

from ingest.archive.mappings import mappings_of
from ingest.archive.store import sync_folder
from ingest.mapping.mapper import Mapper, SetState

STATE = "mapping-state.json"
State = dict[str, SetState]


class _Kept(msgspec.Struct):
    segment: str
    before: State
    after: State


_encode = msgspec.json.Encoder().encode
_decode = msgspec.json.Decoder(_Kept).decode
_decode_state = msgspec.json.Decoder(State).decode


def mapper_of(archive: Path, state: State | None = None) -> Mapper | None:
    """Return what reads an archive's foreign topics; None when it has no mapping."""
    mappings = mappings_of(archive)
    return Mapper(mappings, state) if mappings else None


def mapper_before(archive: Path, segment: Path) -> Mapper | None:
    """Return the mapper as it was before a segment of its journal; None when there is no mapping."""
    mapper = mapper_of(archive)
    if mapper is not None:
        try:
            kept = _decode((segment.parent / STATE).read_bytes())
        except (OSError, msgspec.MsgspecError):
            return mapper  # the first segment; or damaged: flags that are true are raised once more
        # Sealing that broke off before the segment was deleted is done again, to the same bytes.
        mapper.state = kept.before if kept.segment == segment.name else kept.after
    return mapper


def copy_of(mapper: Mapper) -> State:
    """Return the mapper's state as it is now, for good."""
    return _decode_state(_encode(mapper.state))


def keep_state(segment: Path, before: State, mapper: Mapper) -> None:
    """Keep what a mapper remembers after a segment; before that segment is deleted."""
    aside = segment.parent / f"{STATE}.tmp"
    with aside.open("wb") as file:
        file.write(_encode(_Kept(segment.name, before, mapper.state)))
        file.flush()
        os.fsync(file.fileno())
    aside.replace(segment.parent / STATE)
    sync_folder(segment.parent)
