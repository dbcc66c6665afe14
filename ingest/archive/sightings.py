"""What this machine has seen of cases, archives and releases, so that a replaced one is noticed.

One line a look in ``heads.ndjson``, in ``UNDERAIR_WORK_FOLDER`` or else in ``~/.local/state/underair``. It is
in no case or archive, so that replacing one does not replace it.
"""

import contextlib
from datetime import datetime
from pathlib import Path

import msgspec

from ingest.archive.durable import make_folder
from ingest.archive.store import machine_folder

FILE = "heads.ndjson"


class Sighting(msgspec.Struct, frozen=True):
    """One look."""

    at: datetime
    subject: str  # ``case INCIDENT``, ``archive FOLDER`` or ``releases FOLDER``
    head: str
    custody: str = ""  # hash of the custody log's last line at that moment; empty for an archive
    signed: bool = False  # whether a signature lay beside it
    where: str = ""  # the case's folder: each copy of a case has a custody log of its own from then on


def state_file() -> Path:
    """Return where this machine keeps the heads that it has seen."""
    return machine_folder() / FILE


def seen_before(subject: str) -> list[Sighting]:
    """Return the looks at a subject on this machine, oldest first; what cannot be read is passed over."""
    found = []
    with contextlib.suppress(OSError):
        for line in state_file().read_bytes().splitlines():
            with contextlib.suppress(msgspec.MsgspecError, ValueError):
                look = msgspec.json.decode(line, type=Sighting)
                if look.subject == subject:
                    found.append(look)
    return found


def note_seen(look: Sighting) -> None:
    """Append a look, where that can be."""
    path = state_file()
    with contextlib.suppress(OSError):
        make_folder(path.parent)
        with path.open("ab") as file:
            file.write(msgspec.json.encode(look) + b"\n")
