"""An archive that grows, cut again only where it grows: the pieces of the days that are over are kept.

A midnight (UTC) parts an archive where nothing can belong to both its sides. What comes later may reach back
over it, be changed before it, or give an old incident's name again: then everything is cut again, and the
pieces are those of a cut from scratch, whatever came in which order.
"""

import functools
import threading
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import numpy as np
import polars as pl

from analysis.pieces.identity import FORGOTTEN, with_uses
from analysis.pieces.pieces import AFTER, BEFORE, Pieces, find_pieces, said_from, with_moments
from analysis.records import Ints
from analysis.records import micros as _us
from ingest.archive.expected import being_sealed, expected_of
from ingest.archive.index import ArchiveIndex, summary_of_tail
from ingest.archive.reading import Archive
from ingest.archive.sound import trouble_lately
from ingest.archive.store import ArchivePath
from ingest.contract.kinds import DESK_KINDS, SET_KINDS
from ingest.contract.times import micros

REACH = max(BEFORE, AFTER)
"""No rule joins what is further apart, except tallies that nobody closed."""
ARCHIVES_KEPT = 4
_USE = ["incident_id", "incident_use"]
_POWER_UP = ["set_id", "boot"]
_DAY_US = 86_400_000_000
_FAR = 2**62


@dataclass(frozen=True)
class _State:
    """What shows whether the rows of days that are over are still the same."""

    # dict of str to tuple: what the manifest says of each folder of a kind and day
    lines: Mapping[str, object]
    trouble: frozenset[tuple[str, str]]
    sealing: frozenset[str]

    @classmethod
    def now(cls, folder: ArchivePath) -> "_State":
        """Return what holds now."""
        lines = expected_of(folder).lines_about()
        faults = frozenset((fault.what, fault.where) for fault in trouble_lately(folder).faults)
        return cls(lines, faults, frozenset(being_sealed(folder)))

    def before(self, day: date) -> "_State":
        """Return what of it concerns the days before one."""
        return replace(self, lines={name: said for name, said in self.lines.items() if _day_of(name) < day})


@dataclass(frozen=True)
class Closed:
    """The pieces before a day, and what shows that they are still those of the whole archive."""

    day: date
    pieces: Pieces
    state: _State
    names: pl.Series  # of their incidents
    said: int  # digest of what desks said about incidents before, with the use of each name
    setups: pl.DataFrame  # the last that each set said of itself, as in the index
    unheard: pl.Series  # sets that have never said what they are


class GrowingCut:
    """The pieces of one archive, asked for again and again; those of desks are not among them."""

    def __init__(self, folder: ArchivePath) -> None:
        self._folder = folder
        self._lock = threading.Lock()
        self._closed: Closed | None = None

    def pieces(self) -> Pieces:
        """Return the pieces as they are now, as `find_pieces` of the whole index."""
        with self._lock:
            state = _State.now(self._folder)
            # Before the index: what is sealed in between is then in both, which does no harm.
            tail = Archive(self._folder).unsealed()
            of_tail = [summary_of_tail(tail, kinds) for kinds in (SET_KINDS, DESK_KINDS)]
            index = ArchiveIndex(self._folder)
            found = self._closed and _grown(index, self._closed, state, *of_tail)
            pieces, self._closed = found or _anew(index, state, *of_tail)
            return pieces


@functools.lru_cache(ARCHIVES_KEPT)
def growing_cut_of(folder: ArchivePath) -> GrowingCut:
    """Return the one growing cut of an archive in this process; `folder` is absolute."""
    return GrowingCut(folder)


def whole_index(
    index: ArchiveIndex, tail_sets: pl.DataFrame, tail_desks: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Return what sets said, what desks did (by `with_uses`), and where sets said what they are."""
    sets = pl.concat([index.sets(index.days()), tail_sets])
    desks = with_uses(pl.concat([index.desks(), tail_desks]))
    return sets, desks, pl.concat([index.setups(), tail_sets.filter(pl.col("kind") == "setup")])


def _anew(
    index: ArchiveIndex, state: _State, tail_sets: pl.DataFrame, tail_desks: pl.DataFrame
) -> tuple[Pieces, Closed | None]:
    rows = whole_index(index, tail_sets, tail_desks)
    pieces = find_pieces(*rows)
    return pieces, _closed_more(None, state, pieces, *rows)


def _grown(
    index: ArchiveIndex, closed: Closed, state: _State, tail_sets: pl.DataFrame, tail_desks: pl.DataFrame
) -> tuple[Pieces, Closed] | None:
    """Return all pieces and what of them can be kept; None when what was kept holds no longer."""
    if state.before(closed.day) != closed.state:
        return None
    days = sorted({day for name in state.lines if (day := _day_of(name)) >= closed.day})
    sets = pl.concat([index.sets(days), tail_sets])
    desks = pl.concat([index.desks(days), tail_desks])
    setups = pl.concat([index.setups(days), tail_sets.filter(pl.col("kind") == "setup")])
    if _reaches_back(closed, sets, desks, setups):
        return None
    if desks["incident_id"].is_in(closed.names.implode()).any():
        # A name that was used before: all that was said under it decides which use this is.
        every, begins = with_uses(pl.concat([index.desks(), tail_desks])), _midnight(closed.day)
        old, desks = every.filter(pl.col("first") < begins), every.filter(pl.col("first") >= begins)
        if _digest(old) != closed.said or len(desks.join(old, on=_USE, how="semi")):
            return None
    else:
        desks = with_uses(desks)
    new = find_pieces(sets, desks, pl.concat([closed.setups, setups]), closed.pieces)
    if new.tallied != closed.pieces.tallied:
        return None
    pieces = _one_after_the_other(closed.pieces, new)
    return pieces, _closed_more(closed, state, pieces, sets, desks, setups) or closed


def _reaches_back(closed: Closed, sets: pl.DataFrame, desks: pl.DataFrame, setups: pl.DataFrame) -> bool:
    """Return whether anything that came may belong to what is closed."""
    low, _ = _spans(sets, with_uses(desks))
    begins = micros(_midnight(closed.day))
    return (
        bool((low < begins).any())
        or _end_us(sets["last"], desks["last"]) < begins  # less is there than there was
        or len(sets.join(closed.pieces.power_ups, on=_POWER_UP, how="semi")) > 0
        or bool(setups["set_id"].is_in(closed.unheard.implode()).any())
    )


def _spans(sets: pl.DataFrame, desks: pl.DataFrame) -> tuple[Ints, Ints]:
    """Return from when to when each thing reaches that must not be parted, microseconds since 1970."""
    power_ups = (
        with_moments(sets)
        .group_by(_POWER_UP)
        .agg(pl.min_horizontal("first", "since").min().alias("first"), pl.col("last").max())
    )
    low = pl.when("later").then("first").otherwise(said_from())
    inside = pl.col("ins").sum() > pl.col("outs").sum()
    of_incidents = (
        desks.filter(pl.col("incident_id").is_not_null())
        .group_by(*_USE, "set_id", "wearer_id")
        .agg(
            low.min().alias("first"),
            pl.col("last").max() + pl.when(inside).then(FORGOTTEN).otherwise(timedelta(0)),
        )
        .group_by(_USE)
        .agg(pl.col("first").min(), pl.col("last").max())
    )
    seen = desks.filter(pl.col("set_id").is_not_null()).select(low.alias("first"), "last")
    spans = pl.concat([lot.select("first", "last") for lot in (power_ups, of_incidents, seen)])
    return _us(spans["first"] - REACH), _us(spans["last"] + REACH)


def _one_after_the_other(closed: Pieces, new: Pieces) -> Pieces:
    """Return the pieces of both, those of `new` numbered on."""
    on = pl.col("piece") + closed.table.height
    frames: dict[str, Any] = {
        name: pl.concat([frame, getattr(new, name).with_columns(on.cast(pl.UInt32))])
        for name, frame in vars(closed).items()
        if isinstance(frame, pl.DataFrame)
    }
    return replace(new, **frames)


def _closed_more(
    closed: Closed | None,
    state: _State,
    pieces: Pieces,
    sets: pl.DataFrame,
    desks: pl.DataFrame,
    setups: pl.DataFrame,
) -> Closed | None:
    """Return what can be kept for the next look: all before the last midnight that parts the rows that came.

    None when there is none, or nothing new can be kept.
    """
    tail = pl.concat([lot.filter(pl.col("part") == "")["first"] for lot in (sets, desks)])
    if closed is not None and tail.is_empty():
        return None  # nothing came since
    latest_us = min([pieces.heard_until_us, *_us(tail.sort().head(1))])
    day = _last_quiet(*_spans(sets, desks), int(latest_us))
    if day is None or (closed is not None and day <= closed.day):
        return None
    begins = pl.lit(_midnight(day))
    old_sets, old_desks, old_setups = (lot.filter(pl.col("first") < begins) for lot in (sets, desks, setups))
    mine = pieces.only(pl.col("until") < begins)
    ends_us, tallied = (
        _end_us(mine.power_ups["received_last"], old_desks["last"]),
        bool((old_desks["ins"] > 0).any()),
    )
    said, names, unheard = _digest(old_desks), old_desks["incident_id"].drop_nulls(), old_sets["set_id"]
    if closed is not None:
        ends_us, tallied = max(ends_us, closed.pieces.heard_until_us), tallied or closed.pieces.tallied
        said, names = (closed.said + said) % 2**64, pl.concat([closed.names, names])
        old_setups, unheard = pl.concat([closed.setups, old_setups]), pl.concat([closed.unheard, unheard])
    if tallied != pieces.tallied:
        return None
    where = [*_POWER_UP, "day"]
    last = old_setups.sort("set_id", "first", "boot", "day").group_by("set_id").last().select(where)
    return Closed(
        day=day,
        pieces=replace(mine, heard_until_us=ends_us),
        state=state.before(day),
        names=names.unique(),
        said=said,
        setups=old_setups.join(last, on=where, how="semi"),
        unheard=unheard.filter(~unheard.is_in(old_setups["set_id"].implode())).unique(),
    )


def _last_quiet(low: Ints, high: Ints, latest_us: int) -> date | None:
    """Return the last day that has begun by then and whose midnight is in no stretch; None without one.

    `low`, `high`: of the stretches, microseconds since 1970.
    """
    since, until = low // _DAY_US + 1, high // _DAY_US  # the first and last midnight in each
    days = np.arange(since.min(initial=_FAR), latest_us // _DAY_US + 1)
    inside = since <= until
    over = np.searchsorted(np.sort(until[inside]), days, side="left")
    free = days[np.searchsorted(np.sort(since[inside]), days, side="right") == over]
    return date(1970, 1, 1) + timedelta(days=int(free[-1])) if len(free) else None


def _day_of(folder: str) -> date:
    try:
        return date.fromisoformat(folder.rpartition("/date=")[2])
    except ValueError:
        return date.min  # of no kind and day


def _digest(desks: pl.DataFrame) -> int:
    named = desks.filter(pl.col("incident_id").is_not_null())
    return int(named.hash_rows().sum()) if len(named) else 0


def _end_us(*times: pl.Series) -> int:
    return max(int(_us(one).max(initial=0)) for one in times)


def _midnight(day: date) -> datetime:
    return datetime.combine(day, time(), UTC)
