"""The index of an archive: who spoke when, and which incidents desks spoke of, without opening every part.

It is in ``DIR/index/`` and may be deleted at any time: a missing, unreadable or outdated file is rebuilt from
the parts. It only says where to look; messages are always read from the parts. The files:

- ``sets.{day}.parquet``: each power-up of each set heard on that day, with its first and last receipt;
- ``stored.parquet``: of these, over all days, what was received long after it was made;
- ``desks.parquet``: what desks said about which incident, set and wearer, over all days (a few rows a wear);
- ``setups.parquet``: when sets said what they are, over all days;
- ``desks.lately.parquet`` and ``setups.lately.parquet``: the latest days of both, for readers with the rest.

Every file names the parts that it was made from (name, bytes, time of change) in its metadata.
"""

import contextlib
import io
import json
from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from typing import NamedTuple

import polars as pl

from ingest.archive.expected import being_sealed, expected_of
from ingest.archive.parts import day_folders, day_of, parts_by_day, scan_parts
from ingest.archive.sound import DayFolder, sound_parts
from ingest.archive.store import ArchivePath, StoreProblem, place_of
from ingest.contract.columns import FRAME_SCHEMAS
from ingest.contract.frames import Messages
from ingest.contract.kinds import DESK_KINDS, SET_KINDS
from ingest.parquet_bytes import parquet_bytes, sealed, unsealed

FOLDER = "index"
LATER = timedelta(hours=12)
"""A note about a moment so long ago was imported afterwards. Our own rule."""
STORED_AFTER = timedelta(hours=1)
"""A message received this long after its own time was stored, or its clock is slow. Our own rule."""
_ROW_GROUP_ROWS = 50_000
_VERSION = 4
_TIME = pl.Datetime("us", "UTC")

_Mark = tuple[str | int, ...]
_Columns = dict[str, pl.DataType | type[pl.DataType]]
_PART: _Columns = {"kind": pl.String, "day": pl.Date, "part": pl.String}
_SPAN: _Columns = {"first": _TIME, "last": _TIME, "rows": pl.Int64, "digest": pl.UInt64}
_SAID: _Columns = {"said_first": _TIME, "said_last": _TIME}  # only if received long after its own time
SETS = pl.Schema({**_PART, "set_id": pl.String, "boot": pl.Int64, **_SPAN, "live_rows": pl.Int64, **_SAID})
DESKS = pl.Schema(
    {
        **_PART,
        "desk_id": pl.String,
        "boot": pl.Int64,
        "incident_id": pl.String,
        "set_id": pl.String,
        "wearer_id": pl.String,
        "later": pl.Boolean,
        "corrects": pl.Boolean,
        "first_said": _TIME,
        **_SPAN,
        "ins": pl.Int64,
        "outs": pl.Int64,
    }
)


class Part(NamedTuple):
    """A part as it is in the archive now."""

    kind: str
    day: date
    path: ArchivePath
    size: int
    changed_ns: int

    @property
    def mark(self) -> _Mark:
        """How the index identifies it."""
        return self.kind, self.day.isoformat(), self.path.stem, self.size, self.changed_ns


class ArchiveIndex:
    """The index of one archive; always about the parts as they are now.

    `archive`: its folder. Where the index cannot be written, it is made in memory each time.
    """

    def __init__(self, archive: ArchivePath) -> None:
        self.archive = archive

    def days(self) -> list[date]:
        """Return the days on which sets were heard."""
        return sorted({day_of(folder) for kind in SET_KINDS for folder in day_folders(self.archive, kind)})

    def sets(self, days: Iterable[date]) -> pl.DataFrame:
        """Return the power-ups heard on some days: kind, day, part, set_id, boot, first, last, rows.

        `first` and `last` are times of receipt, of live messages if there are any. What was received long
        after it was made has rows of its own, with `said_first` and `said_last`, by the set's clock.
        """
        found = [pl.DataFrame(schema=SETS)]
        for day in sorted(set(days)):
            found.append(self._up_to_date(f"sets.{day}", _parts(self.archive, SET_KINDS, [day]), SETS))
        return pl.concat(found)

    def stored(self) -> pl.DataFrame:
        """Return the rows of `sets` over all days that have `said_first`, without listing every day."""
        path = self.archive / FOLDER / "stored.parquet"
        known, rows = _read(path, SETS)
        lines = expected_of(self.archive).lines_about().items()
        marks = sorted((name, repr(said)) for name, said in lines if name.partition("/")[0] in SET_KINDS)
        if known == marks:
            return rows
        changed = sorted({day_of(self.archive / str(name)) for name, _ in {*known} ^ {*marks}})
        new = self.sets(changed).filter(pl.col("said_first").is_not_null())
        made = pl.concat([rows.filter(~pl.col("day").is_in(changed)), new])
        doubtful = {day for day in changed if not self._whole(day)}
        kept = [mark for mark in marks if day_of(self.archive / mark[0]) not in doubtful]
        self._keep(path, made.filter(~pl.col("day").is_in(list(doubtful))), kept)
        return made

    def _whole(self, day: date) -> bool:
        """Return whether the index of a day has all that the manifest names."""
        folders = [DayFolder(self.archive / kind / f"date={day}") for kind in SET_KINDS]
        marks = [part.mark for part in _parts(self.archive, SET_KINDS, [day])]
        known, _ = _read(self.archive / FOLDER / f"sets.{day}.parquet", SETS)
        return known == marks and not any(each.settled.missing or each.altered for each in folders)

    def desks(self, days: Sequence[date] | None = None) -> pl.DataFrame:
        """Return what desks said about which incident, set and wearer, from when to when.

        `days`: the latest few, which are looked for apart; without them, all.
        """
        name = "desks" if days is None else "desks.lately"
        return self._up_to_date(name, _parts(self.archive, DESK_KINDS, days), DESKS)

    def setups(self, days: Sequence[date] | None = None) -> pl.DataFrame:
        """Return when each power-up said what its set is; `days` as for `desks`."""
        name = "setups" if days is None else "setups.lately"
        return self._up_to_date(name, _parts(self.archive, ("setup",), days), SETS)

    def bring_up_to_date(self) -> None:
        """Build every file that is missing."""
        self.desks()
        self.setups()
        for day in self.days():
            self.sets([day])
        self.stored()

    def _up_to_date(self, name: str, parts: list[Part], schema: pl.Schema) -> pl.DataFrame:
        path = self.archive / FOLDER / f"{name}.parquet"
        known, rows = _read(path, schema)
        if known == [part.mark for part in parts]:
            return rows
        about = set(known)
        sound = set(sound_parts(part.path for part in parts if part.mark not in about))
        # What is altered is looked at again each time: it may have been restored.
        parts = [part for part in parts if part.mark in about or part.path in sound]
        there = [(part.kind, part.day, part.path.stem) for part in parts if part.mark in about]
        kept = rows.join(pl.DataFrame(there, schema=_PART, orient="row"), on=list(_PART), how="semi")
        new = (
            summary(part.kind, part.day, part.path.stem, scan_parts(part.kind, [part.path]))
            for part in parts
            if part.mark not in about
        )
        order = [column for column in ("set_id", "desk_id", *schema.names()) if column in schema]
        made = pl.concat([kept, *new]).sort(order)
        self._keep(path, made, [part.mark for part in parts])
        return made

    def _keep(self, path: ArchivePath, made: pl.DataFrame, marks: Sequence[_Mark]) -> None:
        about = json.dumps({"version": _VERSION, "parts": marks})
        with contextlib.suppress(OSError, StoreProblem):  # an archive that may only be read
            bare = parquet_bytes(made, row_group_size=_ROW_GROUP_ROWS, metadata={"underair_index": about})
            place_of(path).put(path, sealed(bare))


def days_between(first: date, last: date) -> list[date]:
    """Return the days from `first` to `last`, both counted."""
    return [first + timedelta(days=number) for number in range((last - first).days + 1)]


def _parts(archive: ArchivePath, kinds: Sequence[str], days: Sequence[date] | None = None) -> list[Part]:
    found = []
    coming = being_sealed(archive)  # the reader passes them over, too
    for kind in kinds:
        by_day = (
            parts_by_day(archive, kind)
            if days is None
            else ((day, DayFolder(archive / kind / f"date={day}").parts()) for day in days)
        )
        for day, paths in by_day:
            for path in paths:
                if path.stem in coming:
                    continue
                stat = path.stat()
                found.append(Part(kind, day, path, stat.st_size, stat.st_mtime_ns))
    return found


def _sets_in(frame: pl.LazyFrame) -> pl.LazyFrame:
    """Return the power-ups in a frame of a set's kind: set_id, boot, first, last, rows."""
    live = ~pl.col("retained")
    said = pl.when(live & (pl.col("received") - pl.col("time") >= STORED_AFTER)).then("time")
    return (
        frame.filter(pl.col("boot").is_not_null())
        .with_columns(said.alias("said"))
        # By its day: if a clock was set, the messages from before have a row of their own.
        .group_by("set_id", "boot", pl.col("said").dt.date().alias("said_day"))
        .agg(
            # A retained copy may come weeks after it was said; it says nothing about when the set was on.
            pl.coalesce(pl.col("received").filter(live).min(), pl.col("received").min()).alias("first"),
            pl.coalesce(pl.col("received").filter(live).max(), pl.col("received").min()).alias("last"),
            pl.len().cast(pl.Int64).alias("rows"),
            pl.when(live.any()).then(_digest().filter(live).sum()).otherwise(_digest().sum()).alias("digest"),
            live.sum().cast(pl.Int64).alias("live_rows"),
            pl.col("said").min().alias("said_first"),
            pl.col("said").max().alias("said_last"),
        )
    )


def _digest() -> pl.Expr:
    """Return a digest of each message; its sum (modulo 2**64) is the same in any order and parts.

    It shows that something changed, but proves nothing: the manifest's SHA-256 does that.
    """
    return pl.col("payload").hash()


def _desks_in(kind: str, frame: pl.LazyFrame) -> pl.LazyFrame:
    """Return what a frame of a desk's kind says about which incident, set and wearer: as `DESKS`."""
    there = FRAME_SCHEMAS[kind]
    about = [
        pl.col(name) if name in there else pl.lit(None, pl.String).alias(name)
        for name in ("incident_id", "set_id", "wearer_id")
    ]
    action = pl.col("action") if kind in ("incident", "tally") else pl.lit("")
    corrects = pl.col("corrects").is_not_null() if "corrects" in there else pl.lit(False)
    late = later_note() if kind == "note" else pl.lit(False)
    # An imported note is about its own moment, which may be in another use of the incident's name.
    moment = pl.when(late).then(pl.col("at")).otherwise(pl.col("time")) if kind == "note" else pl.col("time")
    day = pl.when("later").then(pl.col("moment").dt.date())
    return (
        frame.select(
            "desk_id",
            "boot",
            "received",
            "payload",
            moment.alias("moment"),
            *about,
            action.alias("action"),
            late.alias("later"),
            corrects.alias("corrects"),
        )
        .group_by(
            *("desk_id", "boot", "incident_id", "set_id", "wearer_id", "later", "corrects"),
            day.alias("of_day"),
        )
        .agg(
            pl.col("moment").min().alias("first_said"),
            pl.col("received").min().alias("first"),
            pl.col("received").max().alias("last"),
            pl.len().cast(pl.Int64).alias("rows"),
            _digest().sum().alias("digest"),
            pl.col("action").is_in(["in", "open"]).sum().cast(pl.Int64).alias("ins"),
            pl.col("action").is_in(["out", "close"]).sum().cast(pl.Int64).alias("outs"),
        )
    )


def later_note() -> pl.Expr:
    """Select notes that were imported afterwards: they do not say when the incident was."""
    # Before it, too: a capture may have been made by a clock that was years ahead.
    return ((pl.col("received") - pl.col("at")).abs() >= LATER).fill_null(False)


def summary(kind: str, day: date, part: str, messages: pl.LazyFrame) -> pl.DataFrame:
    """Return what the index says of messages of one kind and day: columns as `SETS` or `DESKS`."""
    schema = SETS if kind in SET_KINDS else DESKS
    found = _sets_in(messages) if kind in SET_KINDS else _desks_in(kind, messages)
    which = (pl.lit(kind), pl.lit(day), pl.lit(part))
    named = found.with_columns(value.alias(name) for name, value in zip(_PART, which, strict=True))
    return named.select(pl.col(name).cast(dtype) for name, dtype in schema.items()).collect()


def summary_of_tail(messages: Messages, kinds: Sequence[str]) -> pl.DataFrame:
    """Return what the index would say of messages that are in no part yet."""
    found = [pl.DataFrame(schema=SETS if kinds[0] in SET_KINDS else DESKS)]
    for kind in kinds:
        days = messages[kind].group_by(pl.col("received").dt.date(), maintain_order=True)
        found += [summary(kind, day, "", rows.lazy()) for (day,), rows in days if isinstance(day, date)]
    return pl.concat(found)


def _read(path: ArchivePath, schema: pl.Schema) -> tuple[list[_Mark], pl.DataFrame]:
    """Return the marks of the parts that an index file is about, and its rows; nothing when unusable."""
    try:
        kept = unsealed(path.read_bytes())
        about = json.loads(pl.read_parquet_metadata(io.BytesIO(kept))["underair_index"])
        rows = pl.read_parquet(io.BytesIO(kept))
    except (OSError, KeyError, ValueError, pl.exceptions.PolarsError):
        return [], pl.DataFrame(schema=schema)
    if about.get("version") != _VERSION or rows.schema != schema:
        return [], pl.DataFrame(schema=schema)
    return [tuple(mark) for mark in about["parts"]], rows
