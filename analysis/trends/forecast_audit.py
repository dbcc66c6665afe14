"""How good were the forecasts: what was said of the low-air warning against what happened."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.trends.naming import Floats, numbered
from analysis.trends.statistics import share_interval

Places = NDArray[np.int32]
FEWEST_FORECASTS = 20
"""Fewer known outcomes say nothing. Our own rule."""


@dataclass(frozen=True)
class Ahead:
    """Forecasts of so many minutes ahead, one a wear."""

    ahead_min: int  # 0: all of them together
    said: int  # how many there were
    # Those whose wear reached the warning: `inside`, `early` (before the early end) and `late` share them.
    known: int
    inside: int
    early: int
    late: int
    # `not_early`, `of_early`: forecasts that are known not to have come before their early end, of those
    # where that is known: a wear that left later than the early end proves it without ever reaching the
    # warning
    not_early: int
    of_early: int
    # `inside_interval`, `early_interval`: (low, high): 95 % interval of `inside` of `known`, and of the early
    # ones of `of_early`; a wear's forecasts fail together, so that they count for fewer than they are. (0, 1)
    # where nothing is known
    inside_interval: tuple[float, float]
    early_interval: tuple[float, float]
    error_min: float  # median of how far off the median was, minutes; NaN without known outcomes
    happened: tuple[float, float, float] | None  # (5 %, median, 95 %) of the minutes that it took, or None
    # (early, late) end of the 90 % interval, mean over the forecasts, or None.
    promised: tuple[float, float] | None

    @property
    def early_share(self) -> float:
        """Part of `of_early` that came before the early end."""
        return (self.of_early - self.not_early) / self.of_early


@dataclass(frozen=True)
class KnownForecasts:
    """Forecasts of which something is known, one value each."""

    place: Places  # its place among all forecasts
    wear: Places  # number of its wear
    # `happened`, `said`, `early_end`, `late_end`: minutes; `happened` is NaN where the wear ended before the
    # warning, but after the early end
    happened: Floats
    said: Floats
    early_end: Floats
    late_end: Floats

    def only(self, those: NDArray[Any]) -> KnownForecasts:
        """Return some of them."""
        return KnownForecasts(*(getattr(self, one.name)[those] for one in fields(self)))


@dataclass(frozen=True)
class ForecastLines:
    """A ledger's forecasts as arrays: a third of what the table takes."""

    # `wear`, `month`, `ahead`: of each forecast: its wear's number, its month (UTC) counted from year 0, the
    # minutes
    wear: Places
    month: Places
    ahead: Places
    known: KnownForecasts

    def of(self, wears: pl.DataFrame) -> ForecastLines:
        """Return the forecasts of some of the ledger's wears."""
        there = numbers_of_wears(wears)
        own = np.zeros(max(int(self.wear.max(initial=-1)), int(there.max(initial=-1))) + 1, dtype=np.bool_)
        own[there] = True
        keep = own[self.wear]
        known = self.known.only(keep[self.known.place])
        place = (np.cumsum(keep, dtype=np.int32) - 1)[known.place].astype(np.int32)
        return ForecastLines(self.wear[keep], self.month[keep], self.ahead[keep], replace(known, place=place))


def lines_of(forecasts: pl.DataFrame, wears: pl.DataFrame) -> ForecastLines:
    """Return a ledger's forecasts as arrays; the column `row` numbers the wears, or else their order."""
    rows = wears.select("wear_id", pl.Series("row", numbers_of_wears(wears)))
    row = forecasts.select("wear_id").join(rows, on="wear_id", how="left", maintain_order="left")["row"]
    at = pl.col("at")
    month = forecasts.select((at.dt.year().cast(pl.Int32) * 12 + at.dt.month() - 1).alias("month"))["month"]
    if row.null_count():  # a period's forecasts, whose wears began before it
        after = len(rows) and int(rows["row"].to_numpy().max()) + 1
        row = row.fill_null(forecasts["wear_id"].rank("dense").cast(pl.Int32) + after)
    wear = row.to_numpy()
    happened, watched, early_end, said, late_end = (
        forecasts[name].cast(pl.Float64).to_numpy()
        for name in ("happened_min", "watched_min", "early_min", "said_min", "late_min")
    )
    # Watched beyond the early end and no warning yet: it did not come early, whenever it would have come.
    place = np.flatnonzero(np.isfinite(happened) | (watched >= early_end)).astype(np.int32)
    minutes = (each[place] for each in (happened, said, early_end, late_end))
    known = KnownForecasts(place, wear[place], *minutes)
    return ForecastLines(wear, month.to_numpy(), forecasts["ahead_min"].cast(pl.Int32).to_numpy(), known)


def numbers_of_wears(wears: pl.DataFrame) -> Places:
    """Return the number of each wear in the ledger that it is of."""
    return wears["row"].to_numpy() if "row" in wears.columns else np.arange(len(wears), dtype=np.int32)


def audited(lines: ForecastLines) -> list[Ahead]:
    """Return the account by minutes ahead, and over all as the first."""
    groups = _groups(lines, lines.ahead)
    return [_account(0, lines.known, len(lines.wear)), *(_account(int(a), *one) for a, one in groups)]


def _groups(lines: ForecastLines, group: NDArray[Any]) -> Iterator[tuple[Any, tuple[KnownForecasts, int]]]:
    """Yield each group in order: of what something is known, and how many forecasts it has."""
    names, number = np.unique(group, return_inverse=True)
    said = np.bincount(number, minlength=len(names))
    own = number[lines.known.place].astype(np.int16 if len(names) < 1 << 15 else np.int64)
    order = np.argsort(own, kind="stable")
    ends = np.searchsorted(own[order], np.arange(len(names) + 1))
    for at, name in enumerate(names):
        yield name, (lines.known.only(order[ends[at] : ends[at + 1]]), int(said[at]))


def _interval_by_wear(wear: Places, happened: NDArray[np.bool_]) -> tuple[float, float]:
    """Return the interval of the share of lines for which something happened, lines of a wear being alike.

    The exact interval of so many fewer lines as the share varies more between wears than between independent
    lines (Korn and Graubard 1998, Survey Methodology 24:193-201; from memory). Where all lines agree nothing
    tells how alike they are: a wear then counts once.
    """
    if not len(wear):
        return share_interval(0, 0)
    lot = numbered(wear.astype(np.int64))
    size = np.bincount(lot).astype(np.float64)
    if len(size) == len(wear):
        return share_interval(int(happened.sum()), len(wear))
    count = np.bincount(lot, happened)
    of, share = float(size.sum()), float(count.sum() / size.sum())
    fewer = of / len(size)
    if 0 < share < 1 and len(size) > 1:
        between = len(size) / (len(size) - 1) * float(((count - share * size) ** 2).sum())
        fewer = max(1.0, between / (of * share * (1 - share)))
    return share_interval(float(count.sum()) / fewer, of / fewer)


def _account(ahead: int, lines: KnownForecasts, said: int) -> Ahead:
    has = np.isfinite(lines.happened)
    came_early = has & (lines.happened < lines.early_end)
    came_late = has & (lines.happened > lines.late_end)
    inside = ~came_early[has] & ~came_late[has]
    known, early, late = int(has.sum()), int(came_early.sum()), int(came_late.sum())
    happened = lines.happened[has]
    low, middle, high = np.quantile(happened, (0.05, 0.5, 0.95)) if known else (math.nan,) * 3
    off = np.abs(happened - lines.said[has])
    return Ahead(
        ahead,
        said,
        known,
        known - early - late,
        early,
        late,
        len(has) - early,
        len(has),
        _interval_by_wear(lines.wear[has], inside),
        _interval_by_wear(lines.wear, came_early),
        float(np.median(off)) if known else math.nan,
        (float(low), float(middle), float(high)) if known else None,
        (float(lines.early_end[has].mean()), float(lines.late_end[has].mean())) if known else None,
    )


HARD_L_MIN = (40.0, 60.0, 80.0)
"""A wearer's mean rates between these are taken together. Our own rule."""


@dataclass(frozen=True)
class AuditLine:
    """The account of one group of forecasts; `Ahead.ahead_min` is 0: all minutes ahead together."""

    group: str
    account: Ahead


def by_month(lines: ForecastLines) -> list[AuditLine]:
    """Return the account month by month (UTC), oldest first, so that a drift is seen."""
    return [
        AuditLine(f"{number // 12:04d}-{number % 12 + 1:02d}", _account(0, *one))
        for number, one in _groups(lines, lines.month)
    ]


def by_hardness(lines: ForecastLines, wears: pl.DataFrame) -> list[AuditLine]:
    """Return the account by how hard the wearer breathed over the whole wear.

    `wears`: of the same ledger; `mean_l_min` says how hard. Wears without a rate are left out.
    """
    there = numbers_of_wears(wears)
    rates = np.full(max(int(lines.wear.max(initial=-1)), int(there.max(initial=-1))) + 1, np.nan)
    rates[there] = wears["mean_l_min"].cast(pl.Float64).to_numpy()
    rate = rates[lines.wear]
    # The last group is of those without a rate.
    group = np.where(rate >= 0, np.searchsorted(HARD_L_MIN, rate, side="right"), len(HARD_L_MIN) + 1)
    names = [f"{low:.0f} to {high:.0f} L/min" for low, high in itertools.pairwise((0.0, *HARD_L_MIN))]
    names.append(f"above {HARD_L_MIN[-1]:.0f} L/min")
    return [
        AuditLine(names[number], _account(0, *one))
        for number, one in _groups(lines, group)
        if number < len(names)
    ]
