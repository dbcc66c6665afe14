"""The custody log of a case: a line for each making, opening by `verify` and hand-over, chained to the last.

``custody.ndjson`` is beside the bag's tag files and in none of its lists, since it grows. The chain shows the
order of its lines. The lines that each machine keeps of the cases it has seen (`dashboard.evidence.heads`)
show that the log was not rewritten whole.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import msgspec

from dashboard.evidence.provenance import account, machine
from ingest.archive.chained import NOTHING_BEFORE, hash_of, read_chained
from ingest.archive.durable import append_durably

FILE = "custody.ndjson"
LARGEST_BYTES = 64 * 1024 * 1024


class CustodyLine(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One line."""

    at: datetime
    what: str  # ``made``, ``opened`` or ``noted``
    text: str  # why it was made, what `verify` found, or what the note says
    account: str
    machine: str
    head: str  # the case's head at that moment
    before: str  # SHA-256 of the line before, without its line end


def read_custody(case: Path) -> tuple[list[CustodyLine], list[str], str]:
    """Return the log's entries, its faults in words, and the hash of its last line."""
    path = case / FILE
    if not path.is_file() or path.is_symlink():
        return [], [f"{FILE}: missing"], NOTHING_BEFORE
    if path.stat().st_size > LARGEST_BYTES:
        return [], [f"{FILE}: larger than {LARGEST_BYTES} bytes"], NOTHING_BEFORE
    return read_chained(path.read_bytes(), CustodyLine, FILE)


def add_entry(case: Path, what: str, text: str, head: str, at: datetime) -> str:
    """Append a line and sync it; return its hash.

    Raises `OSError` when the folder cannot be written.
    """
    _, _, before = read_custody(case)
    line = msgspec.json.encode(CustodyLine(at, what, text, account(), machine(), head, before))
    append_durably(case / FILE, line + b"\n")
    return hash_of(line)
