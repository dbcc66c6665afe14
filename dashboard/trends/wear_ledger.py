"""The ledger of an archive, kept on disk: each piece is worked out once, when it has ended.

It is in the archive's folder (on a store: in its `work_folder`) under ``derived/``, apart from the
messages: it can be deleted at any time and is made again. The archive is cut as everywhere
(`analysis.pieces.pieces`); a piece is read and analysed again only when its digest changes. Lines that came
without their messages (the demo's three years) lie under ``derived/brought/``.
"""

from __future__ import annotations

import hashlib
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from importlib.metadata import version
from pathlib import Path

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
from analysis.tables import Results
from analysis.trends.ledger import SCHEMAS, VERSION, Ledger, coded, ledger_of, plain, was_heard
from dashboard.trends.kept_ledger import (
    CODED,
    IDENTITY,
    Kept,
    read_kept,
    read_tables,
    write_kept,
    write_table,
)
from ingest.archive.parts import is_archive
from ingest.archive.reading import Archive
from ingest.archive.store import ArchivePath, work_folder

SAVED_EVERY_S = 20.0
Progress = Callable[[int, int], None]
"""Called with messages worked out and messages in all."""


class WearLedger:
    """The ledger of one archive under one profile.

    - `profile`: another profile, another ledger: what is kept for one is not thrown away for the other.
    - `analyse_messages`: in place of `analysis.incident.analyse`, for tests.
    """

    def __init__(
        self, archive: Archive, profile: Profile, analyse_messages: Callable[..., Results] = analyse
    ) -> None:
        self._archive, self._profile, self._analyse = archive, profile, analyse_messages
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
        kept = self._loaded().tables
        brought = _brought(self._folder)
        found = {
            name: pl.concat([kept[name].drop("piece"), *(one[name] for one in brought)]) for name in SCHEMAS
        }
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
                _Lot(number, self._archive.folder.resolve(), batch, self._profile, self._analyse)
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
    analyse_messages: Callable[..., Results]


def _work_out(lot: _Lot) -> tuple[int, list[Ledger]]:
    """Read a lot of pieces at once; return its number and the lines of each piece."""
    return lot.number, [
        ledger_of(lot.analyse_messages(messages, lot.profile, scope=scope), messages)
        for messages, scope in messages_of(lot.folder, lot.batch, bare=True)
    ]


def bring_in(archive: Path, name: str, ledger: Ledger) -> None:
    """Put lines into an archive's ledger that came without their messages."""
    for table, frame in ledger.items():
        write_table(coded(frame), archive / "derived" / "brought" / name / f"{table}.parquet")


def _key(profile: Profile) -> str:
    said = msgspec.json.encode([msgspec.to_builtins(profile), VERSION, version("underair")])
    return hashlib.sha256(said).hexdigest()[:12]


def _brought_folders(folder: Path) -> list[Path]:
    root = folder / "brought"
    return sorted(one for one in root.iterdir() if one.is_dir()) if root.is_dir() else []


def _brought(folder: Path) -> list[Ledger]:
    """Read the lines that were brought in; those of which a table is missing or damaged are left out."""
    lots = [read_tables(one, CODED) for one in _brought_folders(folder)]
    return [whole for whole in lots if whole is not None]


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
