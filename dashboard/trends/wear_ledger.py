"""The ledger of an archive, kept on disk: each piece is worked out once, when it has ended.

It is in the archive's folder (on a store: in its `work_folder`) under ``derived/``, apart from the
messages: it can be deleted at any time and is made again. The archive is cut as everywhere
(`analysis.pieces.pieces`); a piece is read and analysed again only when its digest changes. Lines that came
without their messages (the demo's three years) lie under ``derived/brought/``.
"""

import hashlib
import io
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import msgspec
import polars as pl

from analysis.incident import analyse
from analysis.pieces.archive_pieces import cut
from analysis.pieces.batch_messages import messages_of
from analysis.pieces.identity import ONE_STRETCH
from analysis.pieces.pieces import Pieces
from analysis.pieces.piecewise import Run
from analysis.profile import Profile
from analysis.services import wearers_apart
from analysis.trends.ledger import (
    NAMES,
    SCHEMAS,
    VERSION,
    Ledger,
    coded,
    completed,
    ledger_of,
    plain,
    was_heard,
)
from ingest.archive.durable import write_durably
from ingest.archive.parts import is_archive
from ingest.archive.reading import Archive
from ingest.archive.store import ArchivePath, work_folder
from ingest.parquet_bytes import parquet_bytes, sealed, unsealed

FILE_NAME = "ledger.sealed"
IDENTITY = ("key", "digest")
PIECES = pl.Schema([("key", pl.String), ("digest", pl.UInt64), ("messages", pl.Int64)])
KEPT = {
    name: pl.Schema({"piece": NAMES, **coded(pl.DataFrame(schema=schema)).schema})
    for name, schema in SCHEMAS.items()
}
"""The tables of the ledger with their names as numbers; so they are on disk, too."""
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

    def with_piece(self, piece: dict[str, Any], lines: Ledger) -> "Kept":
        """Return it with the lines of one more piece."""
        tables = {}
        for name, frame in self.tables.items():
            marked = lines[name].with_columns(pl.lit(piece["key"], dtype=pl.String).alias("piece"))
            tables[name] = _together(frame.vstack(coded(marked.select(frame.columns))))
        return Kept(tables, _together(self.pieces.vstack(pl.DataFrame([piece], schema=PIECES))))

    def without(self, pieces: pl.DataFrame) -> "Kept":
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


def read_table(path: Path, schema: pl.Schema) -> pl.DataFrame | None:
    """Read a table; None when it is not there, damaged, or of another make."""
    try:
        return completed(pl.read_parquet(io.BytesIO(unsealed(path.read_bytes()))), schema)
    except _UNREADABLE:
        return None


def write_table(frame: pl.DataFrame, path: Path, mode: int = 0o666) -> None:
    """Write a table with a seal aside, synced, and put it in its place."""
    path.parent.mkdir(parents=True, exist_ok=True)
    write_durably(path, sealed(parquet_bytes(frame, compression="zstd")), mode)


def _together(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.rechunk() if frame.n_chunks() > MOST_CHUNKS else frame


SAVED_EVERY_S = 20.0
Progress = Callable[[int, int], None]
"""Called with messages worked out and messages in all."""


class WearLedger:
    """The ledger of one archive under one profile.

    Another profile has another ledger: what is kept for one is not thrown away for the other.
    """

    def __init__(self, archive: Archive, profile: Profile) -> None:
        self._archive, self._profile = archive, profile
        self._folder = work_folder(archive.folder) / "derived"
        self._own = self._folder / f"wears-{_key(profile)}"
        self._writing = threading.Lock()
        self._reading = threading.Lock()
        self._kept: Kept | None = None
        self._changes = 0

    def state(self) -> object:
        """Return what shows whether `tables` has changed: our own lines, and those that were brought in."""
        brought = [(path.name, path.stat().st_mtime_ns) for path in _brought_folders(self._folder)]
        return self._changes, tuple(brought)

    def tables(self) -> Ledger:
        """Return the three tables of wears that were heard, also those brought in; nothing is worked out."""
        return {
            name: plain(frame.filter(was_heard()) if name == "wears" else frame)
            for name, frame in self.coded().items()
        }

    def everybody(self) -> pl.DataFrame:
        """Return the table `wears` with those who were never heard (`analysis.trends.ledger.was_heard`)."""
        return plain(self.coded()["wears"])

    def coded(self) -> Ledger:
        """Return everything with its names as numbers (`analysis.trends.ledger.coded`)."""
        lots = [self._loaded(), *map(read_kept, _brought_folders(self._folder))]
        found = {name: pl.concat([one.tables[name].drop("piece") for one in lots]) for name in SCHEMAS}
        return found | {"wears": wearers_apart(found["wears"])}

    def update(self, now: datetime, progress: Progress | None = None, run: Run | None = None) -> bool:
        """Work out every piece that has ended and is not kept as it is now; return whether any was.

        - `now`: on the listener's clock; a piece that may still go on is left for later.
        - `run`: of `analysis.pieces.spread`: the pieces are worked out by the workers of a cluster.
        """
        # An archive begins empty, and its folder may not be there yet.
        if not is_archive(self._archive.folder):
            return False
        with self._writing:
            # One may go on until it settles; a clock that was far ahead keeps none open.
            goes_on = (pl.col("settled") > now) & (pl.col("until") < now + ONE_STRETCH)
            found, kept = cut(self._archive.folder).only(~goes_on), self._loaded()
            as_kept = pl.struct(IDENTITY).is_in(kept.pieces.select(IDENTITY).to_struct().implode())
            due = found.only(~as_kept)
            gone = kept.pieces.join(found.table, on=list(IDENTITY), how="anti")
            if not len(due.table) and not len(gone):
                return False
            self._now_kept(kept.without(gone))
            saved = time.monotonic()
            done, total = 0, int(due.table["rows"].sum())
            lots = [
                _Lot(number, self._archive.folder.resolve(), batch, self._profile)
                for number, batch in enumerate(due.batches())
            ]
            waiting: dict[int, list[Ledger]] = {}
            following = 0
            for number, worked in map(_work_out, lots) if run is None else run(_work_out, lots):
                waiting[number] = worked
                # In their order, not that of completion: the same ledger from one process and from many.
                while following in waiting:
                    table = lots[following].batch.table
                    rows = table.select(*IDENTITY, pl.col("rows").alias("messages")).iter_rows(named=True)
                    for row, lines in zip(rows, waiting.pop(following), strict=True):
                        self._now_kept(self._loaded().with_piece(row, lines))
                        done += row["messages"]
                        if progress is not None:
                            progress(done, total)
                    following += 1
                if time.monotonic() - saved > SAVED_EVERY_S:
                    write_kept(self._loaded(), self._own)
                    saved = time.monotonic()
            write_kept(self._loaded(), self._own)
            return True

    def _now_kept(self, kept: Kept) -> None:
        # At once, so that a look at this very moment sees lines and periods of one state.
        self._kept = kept
        self._changes += 1

    def _loaded(self) -> Kept:
        with self._reading:  # two at once, and the later one would put back what the other had read before
            if self._kept is None:
                self._kept = read_kept(self._own)
            return self._kept


@dataclass(frozen=True)
class _Lot:
    """Pieces that are read together, for one worker."""

    number: int
    folder: ArchivePath
    batch: Pieces
    profile: Profile


def _work_out(lot: _Lot) -> tuple[int, list[Ledger]]:
    """Read a lot of pieces at once; return its number and the lines of each piece."""
    return lot.number, [
        ledger_of(analyse(messages, lot.profile, scope=scope), messages)
        for messages, scope in messages_of(lot.folder, lot.batch, bare=True)
    ]


def bring_in(archive: Path, name: str, ledger: Ledger) -> None:
    """Put lines into an archive's ledger that came without their messages."""
    lines = nothing_kept().with_piece({"key": name, "digest": 0, "messages": 0}, ledger)
    write_kept(lines, archive / "derived" / "brought" / name)


def _key(profile: Profile) -> str:
    said = msgspec.json.encode([msgspec.to_builtins(profile), VERSION, version("underair")])
    return hashlib.sha256(said).hexdigest()[:12]


def _brought_folders(folder: Path) -> list[Path]:
    root = folder / "brought"
    return sorted(one for one in root.iterdir() if one.is_dir()) if root.is_dir() else []


def utc_now() -> datetime:
    """Return the time of this machine."""
    return datetime.now(UTC)


def between(ledger: Ledger, first: date | None, last: date | None) -> Ledger:
    """Return the lines from the day `first` to the day `last`, both with all their hours (UTC)."""
    found = {}
    for name, frame in ledger.items():
        day = pl.col("started" if name == "wears" else "at").dt.date()
        found[name] = frame.filter(
            *([] if first is None else [day >= first]), *([] if last is None else [day <= last])
        )
    return found
