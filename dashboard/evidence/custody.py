"""The custody log of a case: a line for each making, opening by `verify` and hand-over, chained to the last.

``custody.ndjson`` is beside the bag's tag files and in none of its lists, since it grows. The chain shows the
order of its lines. The lines that each machine keeps of the cases it has seen (`dashboard.evidence.heads`)
show that the log was not rewritten whole.
"""

from __future__ import annotations

import hashlib
import os
from datetime import datetime
from pathlib import Path

import msgspec

from dashboard.evidence.provenance import account, machine

FILE = "custody.ndjson"
NOTHING_BEFORE = "0" * 64
LARGEST_BYTES = 64 * 1024 * 1024


class CustodyLine(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One line.

    Attributes
    ----------
    at : datetime
    what : str
        ``made``, ``opened`` or ``noted``.
    text : str
        Why it was made, what `verify` found, or what the note says.
    account, machine : str
    head : str
        The case's head at that moment.
    before : str
        SHA-256 of the line before, without its line end.
    """

    at: datetime
    what: str
    text: str
    account: str
    machine: str
    head: str
    before: str


def read_custody(case: Path) -> tuple[list[CustodyLine], list[str], str]:
    """Return the log's entries, its faults in words, and the hash of its last line."""
    path = case / FILE
    if not path.is_file() or path.is_symlink():
        return [], [f"{FILE}: missing"], NOTHING_BEFORE
    if path.stat().st_size > LARGEST_BYTES:
        return [], [f"{FILE}: larger than {LARGEST_BYTES} bytes"], NOTHING_BEFORE
    entries, faults, before = [], [], NOTHING_BEFORE
    for number, line in enumerate(path.read_bytes().splitlines(), 1):
        try:
            entry = msgspec.json.decode(line, type=CustodyLine)
        except (msgspec.MsgspecError, ValueError, RecursionError) as error:
            faults.append(f"{FILE}: line {number} cannot be read: {error}")
            before = hashlib.sha256(line).hexdigest()
            continue
        if entry.before != before:
            faults.append(f"{FILE}: line {number} does not follow the line before it: altered or cut")
        entries.append(entry)
        before = hashlib.sha256(line).hexdigest()
    return entries, faults, before


def add_entry(case: Path, what: str, text: str, head: str, at: datetime) -> str:
    """Append a line and sync it; return its hash.

    Raises
    ------
    OSError
        When the folder cannot be written.
    """
    _, _, before = read_custody(case)
    line = msgspec.json.encode(CustodyLine(at, what, text, account(), machine(), head, before))
    with (case / FILE).open("ab") as file:
        file.write(line + b"\n")
        file.flush()
        os.fsync(file.fileno())
    return hashlib.sha256(line).hexdigest()
