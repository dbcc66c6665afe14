"""What is kept of a ledger on disk: its tables and the pieces that they hold, in one file."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
import polars as pl

from analysis.trends.ledger import NAMES, SCHEMAS, Ledger, coded, completed
from ingest.archive.durable import write_durably
from ingest.parquet_bytes import parquet_bytes, sealed, unsealed

FILE_NAME = "ledger.sealed"
IDENTITY = ("key", "digest")
PIECES = pl.Schema([("key", pl.String), ("digest", pl.UInt64), ("messages", pl.Int64)])
CODED = {name: coded(pl.DataFrame(schema=schema)).schema for name, schema in SCHEMAS.items()}
"""The tables of the ledger with their names as numbers; so they are on disk, too."""
KEPT = {name: pl.Schema({"piece": NAMES, **schema}) for name, schema in CODED.items()}
MOST_CHUNKS = 64
"""So many additions, and a table is put together again: each costs its chunks, and thousands would add up."""
_PARTS = {"pieces": PIECES, **KEPT}
_UNREADABLE = (pl.exceptions.PolarsError, OSError, ValueError, KeyError)


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
    """Read what is kept; nothing when it is missing, damaged or of another make: all is made again."""
    try:
        parts = msgspec.msgpack.decode(unsealed((folder / FILE_NAME).read_bytes()), type=dict[str, bytes])
        pieces, *frames = (completed(pl.read_parquet(parts[name]), schema) for name, schema in _PARTS.items())
    except _UNREADABLE:
        return nothing_kept()
    return Kept(dict(zip(KEPT, frames, strict=True)), pieces)


def write_kept(kept: Kept, folder: Path) -> None:
    """Write everything as one file: nobody reads the tables of one moment beside the pieces of another."""
    folder.mkdir(parents=True, exist_ok=True)
    parts = {"pieces": kept.pieces, **kept.tables}
    made = {name: bytes(parquet_bytes(frame, compression="zstd")) for name, frame in parts.items()}
    write_durably(folder / FILE_NAME, sealed(msgspec.msgpack.encode(made)))


def read_tables(folder: Path, schemas: Mapping[str, pl.Schema]) -> dict[str, pl.DataFrame] | None:
    """Read the tables of a folder; None when one is missing, damaged or of another make."""
    found = {}
    for name, schema in schemas.items():
        frame = read_table(folder / f"{name}.parquet", schema)
        if frame is None:
            return None
        found[name] = frame
    return found


def read_table(path: Path, schema: pl.Schema) -> pl.DataFrame | None:
    """Read a table; None when it is not there, damaged, or of another make."""
    try:
        # Brought in with an earlier underair, a table has no seal, and cannot be made again.
        kept = io.BytesIO(unsealed(path.read_bytes(), or_parquet="brought" in path.parts))
        return completed(pl.read_parquet(kept), schema)
    except _UNREADABLE:
        return None


def write_table(frame: pl.DataFrame, path: Path, mode: int = 0o666) -> None:
    """Write a table with a seal aside, synced, and put it in its place."""
    path.parent.mkdir(parents=True, exist_ok=True)
    write_durably(path, sealed(parquet_bytes(frame, compression="zstd")), mode)


def _together(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.rechunk() if frame.n_chunks() > MOST_CHUNKS else frame
