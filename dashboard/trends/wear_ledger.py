"""The ledger of an archive, kept on disk: each incident is worked out once, when it has ended.

It lies in the archive's folder (for one on a store in its `work_folder`) under ``derived/``, apart from the
messages: it can be deleted at any time and is made again. The archive is cut into periods, stretches of time
in which something was heard, half an hour of silence apart; a period is read and analysed again only when
other messages are found in it. Lines that came without their messages (the demo's three years) lie under
``derived/brought/``.
"""

from __future__ import annotations

import hashlib
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from importlib.metadata import version
from pathlib import Path
from typing import Any

import msgspec
import polars as pl

from analysis.incident import analyse
from analysis.pieces.batch_messages import nothing_is_there
from analysis.pieces.spread import Run
from analysis.profile import Profile
from analysis.tables import Results
from analysis.trends.ledger import SCHEMAS, TIME, VERSION, Ledger, ledger_of
from analysis.trends.roster import roster_beside
from dashboard.trends.kept_ledger import PERIODS, Kept, read_kept, read_table, write_kept, write_table
from ingest.archive.archive import unsettled
from ingest.archive.changing import looked_again
from ingest.archive.journal import journal_folders, segments
from ingest.archive.parts import parts_by_day, scan_parts
from ingest.archive.reading import Archive
from ingest.archive.store import StorePath, work_folder
from ingest.contract.frames import Messages
from ingest.contract.kinds import KINDS

SILENCE_BETWEEN_PERIODS = timedelta(minutes=30)
MESSAGES_AT_ONCE = 400_000
SAVED_EVERY_S = 20.0
MINUTES = pl.Schema([("day", pl.Date), ("print", pl.String), ("minute", TIME), ("messages", pl.Int64)])
"""By day of receipt, with what tells that it changed; a day without a message has one line, no minute."""

Progress = Callable[[int, int], None]
"""Called with messages worked out and messages in all."""


class WearLedger:
    """The ledger of one archive under one profile.

    Parameters
    ----------
    archive : Archive
    profile : Profile
        Another profile, another ledger: what is kept for one is not thrown away for the other.
    analyse_messages : callable, optional
        In place of `analysis.incident.analyse`, for tests.
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
        """Return what tells whether `tables` has changed: our own lines, and those that were brought in."""
        brought = [(path.name, path.stat().st_mtime_ns) for path in _brought_folders(self._folder)]
        return self._changes, tuple(brought)

    def tables(self) -> Ledger:
        """Return the three tables as they are kept, and what was brought in; nothing is worked out."""
        kept = self._loaded().tables
        brought = _brought(self._folder)
        return {
            name: pl.concat([kept[name].drop("period"), *(one[name] for one in brought)]) for name in SCHEMAS
        }

    def update(self, now: datetime, progress: Progress | None = None, run: Run | None = None) -> bool:
        """Work out every period that has ended and is not kept as it is now; return whether any was.

        Parameters
        ----------
        now : datetime
            On the listener's clock; a period that may still go on is left for later.
        progress : callable, optional
        run : callable, optional
            Of `analysis.pieces.spread`: the periods are worked out by the workers of a cluster.
        """
        with self._writing:
            found = self._ended(_periods(self._minutes()), now)
            kept = self._loaded()
            due = found.join(kept.periods, on=list(PERIODS), how="anti")
            gone = kept.periods.join(found, on=list(PERIODS), how="anti")
            if not len(due) and not len(gone):
                return False
            self._now_kept(kept.without(gone))
            saved = time.monotonic()
            done, total = 0, int(due["messages"].sum())
            lots = [
                _Lot(number, self._archive.folder.resolve(), lot, self._profile, self._analyse)
                for number, lot in enumerate(_lots(due.sort("since")))
            ]
            waiting: dict[int, list[tuple[dict[str, Any], Ledger]]] = {}
            following = 0
            for number, worked in map(_work_out, lots) if run is None else run(_work_out, lots):
                waiting[number] = worked
                # In their order, whoever is done first: the same ledger from one process and from many.
                while following in waiting:
                    for row, lines in waiting.pop(following):
                        self._now_kept(self._loaded().with_period(row, lines))
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

    def _minutes(self) -> pl.DataFrame:
        """Return in which minutes how much was heard, by day of receipt; only changed days are read."""
        return looked_again(self._counted)(self._archive.folder)

    def _counted(self, archive: Path) -> pl.DataFrame:
        path = self._folder / "minutes.parquet"
        kept = read_table(path, MINUTES)
        if kept is None:
            kept = pl.DataFrame(schema=MINUTES)
        known: dict[date, str] = dict(kept.select("day", "print").unique().iter_rows())
        parts = _parts_of_days(archive)
        prints = {day: _print_of(files) for day, files in parts.items()}
        if prints == known:
            return kept
        stay = [day for day, print_ in prints.items() if known.get(day) == print_]
        lots = [kept.filter(pl.col("day").is_in(stay))]
        for day in prints.keys() - set(stay):
            lots.append(_minutes_of_day(self._archive, day, prints[day], parts[day]))
        minutes_now = pl.concat(lots).sort("day", "minute")
        write_table(minutes_now, path)
        return minutes_now

    def _ended(self, periods: pl.DataFrame, now: datetime) -> pl.DataFrame:
        """Leave out the last period while it may go on: heard within half an hour, or listened to still."""
        if not len(periods):
            return periods
        away = abs(now - periods["until"][-1])
        listened = any(
            now.timestamp() - path.stat().st_mtime < SILENCE_BETWEEN_PERIODS.total_seconds()
            for folder in journal_folders(self._archive.folder)
            for path in segments(folder)
            if path.stat().st_size
        )
        recent = away < SILENCE_BETWEEN_PERIODS
        return periods.head(-1) if recent or (listened and away < timedelta(days=1)) else periods


@dataclass(frozen=True)
class _Lot:
    """Periods that are read together, for one worker."""

    number: int
    folder: Path
    periods: pl.DataFrame
    profile: Profile
    analyse_messages: Callable[..., Results]


def _work_out(lot: _Lot) -> tuple[int, list[tuple[dict[str, Any], Ledger]]]:
    """Read a lot of periods at once; return its number and the lines of each period."""
    archive = Archive(lot.folder)
    since, until = lot.periods["since"][0], lot.periods["until"][-1]
    messages = archive.messages(since=since, until=until)
    if not any(frame.height for frame in messages.values()):
        raise nothing_is_there(lot.folder, int(lot.periods["messages"].sum()), since)
    setups = _setups_before(lot.folder, until)
    worked = []
    for row in lot.periods.iter_rows(named=True):
        within = pl.col("received").is_between(row["since"], row["until"], closed="left")
        heard: Messages = {kind: frame.filter(within) for kind, frame in messages.items()}
        heard["setup"] = _with_earlier(heard["setup"], setups, row["since"])
        worked.append((row, ledger_of(lot.analyse_messages(heard, lot.profile), heard)))
    return lot.number, worked


@looked_again
def _setups_before(folder: Path, until: datetime) -> pl.DataFrame:
    archive = Archive(folder)
    return archive.collected(archive.scan("setup").filter(pl.col("received") < until)).sort("received")


def bring_in(archive: Path, name: str, ledger: Ledger) -> None:
    """Put lines into an archive's ledger that came without their messages."""
    for table, frame in ledger.items():
        write_table(frame, archive / "derived" / "brought" / name / f"{table}.parquet")


def roster_of(archive: Archive) -> pl.DataFrame | None:
    """Return the roster that lies in the archive's folder, or in its `work_folder`; None without one."""
    return roster_beside(work_folder(archive.folder))


def _key(profile: Profile) -> str:
    said = msgspec.json.encode([msgspec.to_builtins(profile), VERSION, version("underair")])
    return hashlib.sha256(said).hexdigest()[:12]


def _periods(minutes: pl.DataFrame) -> pl.DataFrame:
    heard = minutes.drop_nulls("minute").group_by("minute").agg(pl.col("messages").sum()).sort("minute")
    new_period = (pl.col("minute").diff() > SILENCE_BETWEEN_PERIODS).fill_null(value=False)
    return (
        heard.group_by(new_period.cum_sum().alias("period"), maintain_order=True)
        .agg(
            pl.col("minute").min().alias("since"),
            (pl.col("minute").max() + timedelta(minutes=1)).alias("until"),
            pl.col("messages").sum(),
        )
        .select(pl.col(name).cast(dtype) for name, dtype in PERIODS.items())
    )


def _lots(periods: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """Yield runs of periods that are read together: so many messages, and never across weeks of nothing."""
    number = (pl.col("messages").cum_sum() - pl.col("messages")) // MESSAGES_AT_ONCE
    apart = (pl.col("since") - pl.col("until").shift(1) > timedelta(days=7)).fill_null(value=False)
    for _, lot in periods.group_by(number, apart.cum_sum(), maintain_order=True):
        yield lot.select(PERIODS.names())


def _with_earlier(setup: pl.DataFrame, setups: pl.DataFrame, since: datetime) -> pl.DataFrame:
    """Add each set's last setup from before the period: knowledge, not an event."""
    earlier = setups.filter(pl.col("received") < since).group_by("set_id", maintain_order=True).last()
    return pl.concat([earlier.select(setup.columns), setup])


def _parts_of_days(archive: Path) -> dict[date, dict[str, list[Path]]]:
    """Return the sealed parts of each day of receipt, by kind; on a store those that are whole."""
    # What is on its way is passed over by the reader too: else its period would count as worked out without.
    coming = unsettled(archive) if isinstance(archive, StorePath) else set()
    found: dict[date, dict[str, list[Path]]] = {}
    for kind in KINDS:
        for day, parts in parts_by_day(archive, kind):
            here = [part for part in parts if part.stem not in coming]
            if here:
                found.setdefault(day, {})[kind] = here
    return dict(sorted(found.items()))


def _print_of(parts: dict[str, list[Path]]) -> str:
    """Return what tells that a day's parts have changed: their names and lengths."""
    names = [f"{kind}/{part.name}:{part.stat().st_size}" for kind, files in parts.items() for part in files]
    return hashlib.sha256("\n".join(sorted(names)).encode()).hexdigest()[:16]


def _minutes_of_day(archive: Archive, day: date, print_: str, parts: dict[str, list[Path]]) -> pl.DataFrame:
    """Count the messages of each minute; retained ones tell no time."""
    lots = [
        scan_parts(kind, files)
        .filter(~pl.col("retained"))
        .group_by(pl.col("received").dt.truncate("1m").alias("minute"))
        .agg(pl.len().cast(pl.Int64).alias("messages"))
        for kind, files in parts.items()
    ]
    minutes = archive.collected(pl.concat(lots)).group_by("minute").agg(pl.col("messages").sum())
    if not len(minutes):
        minutes = pl.DataFrame({"minute": [None], "messages": [0]})
    said = {"day": pl.lit(day), "print": pl.lit(print_)}
    return minutes.with_columns(**said).select(pl.col(name).cast(kind) for name, kind in MINUTES.items())


def _brought_folders(folder: Path) -> list[Path]:
    root = folder / "brought"
    return sorted(one for one in root.iterdir() if one.is_dir()) if root.is_dir() else []


def _brought(folder: Path) -> list[Ledger]:
    """Read the lines that were brought in; those of which a table is missing or damaged are left out."""
    lots = []
    for one in _brought_folders(folder):
        tables = {name: read_table(one / f"{name}.parquet", schema) for name, schema in SCHEMAS.items()}
        whole = {name: frame for name, frame in tables.items() if frame is not None}
        if len(whole) == len(tables):
            lots.append(whole)
    return lots


def utc_now() -> datetime:
    """Return the time of this machine."""
    return datetime.now(UTC)


def between(ledger: Ledger, first: datetime | None, last: datetime | None) -> Ledger:
    """Return the lines from the day `first` to the day `last`, both with all their hours (UTC)."""
    found = {}
    for name, frame in ledger.items():
        day = pl.col("started" if name == "wears" else "at").dt.date()
        if first is not None:
            frame = frame.filter(day >= first.date())
        if last is not None:
            frame = frame.filter(day <= last.date())
        found[name] = frame
    return found
