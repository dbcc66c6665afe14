"""The list of imported captures: a chained line for each, and its own receipt times.

``DIR/imports/imports.ndjson``. Where two listeners heard the same, the archive keeps the receipt time of the
capture that was imported first; ``DIR/imports/{capture}-{chunk}.parquet`` keeps that of the other. Of a set's
memory that counts or dates in its own way, the file itself is kept there.
"""

import hashlib
from datetime import datetime
from pathlib import Path

import msgspec
import polars as pl

from ingest.archive.chained import NOTHING_BEFORE, read_chained
from ingest.archive.durable import append_durably, make_folder, sync_folder, write_durably
from ingest.archive.store import ArchivePath, file_sha256, work_folder
from ingest.parquet_bytes import parquet_bytes

FOLDER, FILE = "imports", "imports.ndjson"


class Brought(msgspec.Struct, kw_only=True):
    """One imported capture."""

    at: datetime  # when
    file: str  # its name
    sha256: str  # of its bytes
    received: int = 0  # counts of messages
    kept: int = 0  # counts of messages
    duplicates: int = 0  # counts of messages
    refused: int = 0  # counts of messages
    first: datetime | None = None  # of receipt, on its listener's clock
    last: datetime | None = None  # of receipt, on its listener's clock
    # By how much its listener's clock is ahead of the archive's; None if both heard too little.
    clock_fast_s: float | None = None
    compared: int = 0  # how many messages both heard
    moved: bool = False  # whether its times of receipt were put on the archive's clock
    # Where its listener's clock jumped: time of receipt as written, and by how many seconds; later ones were
    # corrected by that.
    jumps: list[tuple[datetime, float]] = []
    receipts: dict[str, str] = {}  # files with its own times of receipt, or itself, and their SHA-256
    placed: str = ""  # how a set's memory with numbers or times of its own was placed, in words
    before: str = NOTHING_BEFORE  # SHA-256 of the line before, without its line end


def read_imports(archive: ArchivePath) -> tuple[list[Brought], list[str], str]:
    """Return the lines, what is wrong with them and their files in words, and the hash of the last line."""
    folder = work_folder(archive) / FOLDER
    path = folder / FILE
    if not path.is_file():
        return [], [], NOTHING_BEFORE
    found, faults, head = read_chained(path.read_bytes(), Brought, f"{FOLDER}/{FILE}")
    receipts = [each for brought in found for each in brought.receipts.items()]
    return found, faults + [fault for each in receipts if (fault := _wrong(folder, *each))], head


def _wrong(folder: Path, name: str, digest: str) -> str:
    path = folder / name
    if "/" in name or not path.is_file():
        return f"{FOLDER}/{name}: missing"
    return (
        "" if file_sha256(path) == digest else f"{FOLDER}/{name}: its contents changed after it was written"
    )


def keep_import(archive: ArchivePath, brought: Brought) -> None:
    """Append a line, unless the capture has one.

    Raises `OSError` when the folder cannot be written.
    """
    known, _, before = read_imports(archive)
    if any(one.sha256 == brought.sha256 for one in known):
        return
    folder = work_folder(archive) / FOLDER
    make_folder(folder)
    line = msgspec.json.encode(msgspec.structs.replace(brought, before=before))
    append_durably(folder / FILE, line + b"\n")
    sync_folder(folder)


def keep_receipts(archive: ArchivePath, name: str, receipts: pl.DataFrame) -> tuple[str, str]:
    """Write a chunk's own times of receipt; return the name of the file and its SHA-256.

    Raises `OSError` when the folder cannot be written.
    """
    return keep_file(archive, f"{name}.parquet", parquet_bytes(receipts, compression="zstd"))


def keep_file(archive: ArchivePath, name: str, made: bytes | memoryview) -> tuple[str, str]:
    """Write a file beside the list of imports; return its name and SHA-256.

    Raises `OSError` when the folder cannot be written.
    """
    folder = work_folder(archive) / FOLDER
    make_folder(folder)
    write_durably(folder / name, made)
    return name, hashlib.sha256(made).hexdigest()
