"""What is kept of a ledger on disk: its tables and the pieces that they hold, read and written as one.

Written under a lock of its own, so that a page and an audit of one archive never leave the tables of the one
beside the pieces of the other, and synced, so that a lost machine leaves the old or the new.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from analysis.trends.ledger import NAMES, SCHEMAS, Ledger, coded, completed
from ingest.archive.durable import write_durably
from ingest.parquet_bytes import parquet_bytes, sealed, unsealed

IDENTITY = ("key", "digest")
PIECES = pl.Schema([("key", pl.String), ("digest", pl.UInt64), ("messages", pl.Int64)])
CODED = {name: coded(pl.DataFrame(schema=schema)).schema for name, schema in SCHEMAS.items()}
"""The tables of the ledger with their names as numbers; so they are on disk, too."""
KEPT = {name: pl.Schema({"piece": NAMES, **schema}) for name, schema in CODED.items()}
MOST_CHUNKS = 64
"""So many additions, and a table is put together again: each costs its chunks, and thousands would add up."""


@dataclass(frozen=True)
class Kept:
    """Lines and the pieces that they were made from; never changed, so that a look sees a whole one."""

    # As `KEPT`: each with `piece` (its key) in front.
    tables: dict[str, pl.DataFrame]
    pieces: pl.DataFrame  # `PIECES`

    def with_piece(self, piece: dict[str, Any], lines: Ledger) -> Kept:
        """Return it with the lines of one more piece."""
        tables = {}
        for name, frame in self.tables.items():
            marked = lines[name].with_columns(pl.lit(piece["key"], dtype=pl.String).alias("piece"))
            tables[name] = _together(frame.vstack(coded(marked.select(frame.columns))))
        return Kept(tables, _together(self.pieces.vstack(pl.DataFrame([piece], schema=PIECES))))

    def without(self, pieces: pl.DataFrame) -> Kept:
        """Return it without the lines of some pieces."""
        away = pl.col("piece").is_in(pieces["key"].implode())
        tables = {name: frame.filter(~away) for name, frame in self.tables.items()}
        return Kept(tables, self.pieces.join(pieces, on="key", how="anti"))


def nothing_kept() -> Kept:
    """Return tables without a line."""
    tables = {name: pl.DataFrame(schema=schema) for name, schema in KEPT.items()}
    return Kept(tables, pl.DataFrame(schema=PIECES))


def read_kept(folder: Path) -> Kept:
    """Read what is kept; nothing when a table is missing, damaged or of another make: all is made again.

    A table alone that cannot be read would be a piece without its wears, and nobody would notice.
    """
    if not folder.is_dir():
        return nothing_kept()
    with _with_other_readers(folder):
        pieces = read_table(folder / "pieces.parquet", PIECES, _tables_on_disk(folder))
        whole = read_tables(folder, KEPT)
    if pieces is None or whole is None:
        return nothing_kept()
    known = pl.col("piece").is_in(pieces["key"].implode())
    return Kept({name: frame.filter(known) for name, frame in whole.items()}, pieces)


def write_kept(kept: Kept, folder: Path) -> None:
    """Write everything; the pieces last, so that what a crash leaves is made again."""
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "lock").open("a") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        # Those of before speak of other tables from here on.
        (folder / "pieces.parquet").unlink(missing_ok=True)
        for name, frame in kept.tables.items():
            write_table(frame, folder / f"{name}.parquet")
        write_table(kept.pieces, folder / "pieces.parquet", _tables_on_disk(folder))


def _tables_on_disk(folder: Path) -> bytes:
    """Return what the pieces' seal covers too: an older table beside newer pieces must not be believed."""
    digests = []
    for name in SCHEMAS:
        with contextlib.suppress(OSError):
            digests.append(hashlib.sha256((folder / f"{name}.parquet").read_bytes()).digest())
    return b"".join(digests)


def read_tables(folder: Path, schemas: Mapping[str, pl.Schema]) -> dict[str, pl.DataFrame] | None:
    """Read the tables of a folder; None when one is missing, damaged or of another make."""
    found = {}
    for name, schema in schemas.items():
        frame = read_table(folder / f"{name}.parquet", schema)
        if frame is None:
            return None
        found[name] = frame
    return found


def read_table(path: Path, schema: pl.Schema, over: bytes = b"") -> pl.DataFrame | None:
    """Read a table; None when it is not there, damaged, or of another make. `over` as in `sealed`."""
    try:
        # Brought in with an earlier underair, a table has no seal, and cannot be made again.
        kept = io.BytesIO(unsealed(path.read_bytes(), over, or_parquet="brought" in path.parts))
        return completed(pl.read_parquet(kept), schema)
    except (pl.exceptions.PolarsError, OSError, ValueError):
        return None


def write_table(frame: pl.DataFrame, path: Path, over: bytes = b"", mode: int = 0o666) -> None:
    """Write a table aside, synced, and put it in its place. `over` as in `sealed`."""
    path.parent.mkdir(parents=True, exist_ok=True)
    write_durably(path, sealed(parquet_bytes(frame, compression="zstd"), over), mode)


@contextlib.contextmanager
def _with_other_readers(folder: Path) -> Iterator[None]:
    try:
        lock = (folder / "lock").open("r")  # not made here: an archive may be read-only
    except FileNotFoundError:
        yield
        return
    with lock:
        fcntl.flock(lock, fcntl.LOCK_SH)
        yield


def _together(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.rechunk() if frame.n_chunks() > MOST_CHUNKS else frame
