"""Apply mappings to a journal, so that sealing and live readers make the same messages from the same bytes.

What a mapper must remember (the last state of each flag, the power-up) is kept beside the journal when a
segment is sealed, as it was before that segment and after it. Readers of the tail go on from there.
"""

from pathlib import Path

import msgspec

from ingest.archive.durable import with_sha256, without_sha256, write_durably
from ingest.archive.mappings import mappings_of
from ingest.archive.store import ArchivePath
from ingest.mapping.mapper import Mapper, SetState

STATE = "mapping-state.json"
State = dict[str, SetState]


class _Kept(msgspec.Struct):
    segment: str
    before: State
    after: State


_encode = msgspec.json.Encoder().encode
_decode = msgspec.json.Decoder(_Kept).decode


def mapper_of(archive: ArchivePath, *, only_sound: bool = False) -> Mapper | None:
    """Return what reads an archive's foreign topics; None when it has no mapping."""
    mappings = mappings_of(archive, only_sound=only_sound)
    return Mapper(mappings) if mappings else None


def mapper_before(archive: ArchivePath, segment: Path, *, only_sound: bool = False) -> Mapper | None:
    """Return the mapper as it was before a segment of its journal; None when there is no mapping."""
    mapper = mapper_of(archive, only_sound=only_sound)
    if mapper is not None:
        try:
            kept = _decode(without_sha256((segment.parent / STATE).read_bytes()))
        except (OSError, ValueError):
            return mapper  # the first segment; or damaged: flags that are true are raised once more
        # Sealing that was interrupted is done again, to the same bytes.
        mapper.state = kept.before if kept.segment == segment.name else kept.after
    return mapper


def keep_state(segment: Path, before: State, mapper: Mapper) -> None:
    """Keep what a mapper remembers after a segment; before that segment is deleted."""
    made = _encode(_Kept(segment.name, before, mapper.state))
    write_durably(segment.parent / STATE, with_sha256(made))


def state_is_damaged(folder: Path) -> bool:
    """Return whether a mapper's stored state is in a journal's folder, but was changed."""
    try:
        _decode(without_sha256((folder / STATE).read_bytes()))
    except FileNotFoundError:
        return False
    except (OSError, ValueError):
        return True
    return False
