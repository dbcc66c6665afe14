"""How good were the forecasts: what was said of the low-air warning against what happened."""

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl

from analysis.trends.naming import numbered
from analysis.trends.statistics import share_interval

FEWEST_FORECASTS = 20
"""Fewer known outcomes say nothing. Our own rule."""
HARD_L_MIN = (40.0, 60.0, 80.0)
"""A wearer's mean rates between these are taken together. Our own rule."""


@dataclass(frozen=True)
class ForecastAccount:
    """What became of the forecasts of so many minutes ahead, one a wear, or of another group."""

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
    group: str = ""  # such as a month; empty for minutes ahead

    @property
    def early_share(self) -> float:
        """Part of `of_early` that came before the early end."""
        return (self.of_early - self.not_early) / self.of_early


@dataclass(frozen=True)
class ForecastLines:
    """A ledger's forecasts with their wears as numbers: a third of what its table takes."""

    # `wear`, `month`, `ahead`: of each forecast: its wear's number, its month (UTC) counted from year 0, the
    # minutes
    every: pl.DataFrame
    # Of those of which something is known also `happened`, `said`, `early_end`, `late_end`: minutes;
    # `happened` is null where the wear ended before the warning, but after the early end.
    known: pl.DataFrame

    def of(self, wears: pl.DataFrame) -> "ForecastLines":
        """Return the forecasts of some of the ledger's wears."""
        own = pl.col("wear").is_in(_numbers_of(wears).implode())
        return ForecastLines(self.every.filter(own), self.known.filter(own))


def lines_of(forecasts: pl.DataFrame, wears: pl.DataFrame) -> ForecastLines:
    """Return a ledger's forecasts; the wears' column `row` numbers the wears, or else their order."""
    rows = wears.select("wear_id", _numbers_of(wears))
    wear = forecasts.select("wear_id").join(rows, on="wear_id", how="left", maintain_order="left")["wear"]
    if wear.null_count():  # a period's forecasts, whose wears began before it
        after = rows.select(pl.col("wear").max() + 1).item() or 0
        wear = wear.fill_null(forecasts["wear_id"].rank("dense").cast(pl.Int32) + after)
    at, happened = pl.col("at"), pl.col("happened_min")
    month = at.dt.year().cast(pl.Int32) * 12 + at.dt.month() - 1
    every = forecasts.select(wear, month.alias("month"), pl.col("ahead_min").cast(pl.Int32).alias("ahead"))
    # Watched beyond the early end and no warning yet: it did not come early, whenever it would have come.
    tells = happened.is_not_null() | (pl.col("watched_min") >= pl.col("early_min"))
    minutes = forecasts.select(
        happened="happened_min", said="said_min", early_end="early_min", late_end="late_min", tells=tells
    )
    known = pl.concat([every, minutes], how="horizontal").filter("tells").drop("tells")
    return ForecastLines(every, known)


def _numbers_of(wears: pl.DataFrame) -> pl.Series:
    """Return the number of each wear in the ledger that it is of."""
    numbers = wears["row"] if "row" in wears.columns else pl.int_range(len(wears), dtype=pl.Int32, eager=True)
    return numbers.alias("wear")


def audited(lines: ForecastLines) -> list[ForecastAccount]:
    """Return the account by minutes ahead, and over all as the first."""
    groups = _groups(lines.every, lines.known, "ahead")
    return [_account(lines.known, len(lines.every)), *(_account(*one, ahead) for ahead, one in groups)]


def by_month(lines: ForecastLines) -> list[ForecastAccount]:
    """Return the account month by month (UTC), oldest first, so that a drift is seen."""
    return [
        _account(*one, group=f"{number // 12:04d}-{number % 12 + 1:02d}")
        for number, one in _groups(lines.every, lines.known, "month")
    ]


def by_hardness(lines: ForecastLines, wears: pl.DataFrame) -> list[ForecastAccount]:
    """Return the account by how hard the wearer breathed over the whole wear.

    `wears`: of the same ledger; `mean_l_min` says how hard. Wears without a rate are left out.
    """
    rate = pl.col("mean_l_min")
    rates = wears.select(_numbers_of(wears), rate).filter(rate >= 0)
    rates = rates.select("wear", group=pl.sum_horizontal(rate >= bound for bound in HARD_L_MIN))
    every, known = (each.join(rates, on="wear", maintain_order="left") for each in (lines.every, lines.known))
    names = [f"{low:.0f} to {high:.0f} L/min" for low, high in itertools.pairwise((0.0, *HARD_L_MIN))]
    names.append(f"above {HARD_L_MIN[-1]:.0f} L/min")
    return [_account(*one, group=names[number]) for number, one in _groups(every, known, "group")]


def _groups(
    every: pl.DataFrame, known: pl.DataFrame, by: str
) -> Iterator[tuple[int, tuple[pl.DataFrame, int]]]:
    """Yield each group in order: of what something is known, and how many forecasts it has."""
    parts = known.partition_by(by, as_dict=True)
    for name, said in every.group_by(by).len().sort(by).iter_rows():
        yield name, (parts.get((name,), known.clear()), said)


def _interval_by_wear(lines: pl.DataFrame, what: str) -> tuple[float, float]:
    """Return the interval of the share of lines for which something happened, lines of a wear being alike.

    The exact interval of so many fewer lines as the share varies more between wears than between independent
    lines (Korn and Graubard 1998, Survey Methodology 24:193-201; from memory). Where all lines agree nothing
    shows how alike they are: a wear then counts once.
    """
    lot = numbered(lines["wear"].to_numpy().astype(np.int64))
    size, count = np.bincount(lot).astype(np.float64), np.bincount(lot, lines[what].to_numpy())
    if len(size) == len(lines):
        return share_interval(int(count.sum()), len(lines))
    of, share = float(size.sum()), float(count.sum() / size.sum())
    fewer = of / len(size)
    if 0 < share < 1 and len(size) > 1:
        between = len(size) / (len(size) - 1) * float(((count - share * size) ** 2).sum())
        fewer = max(1.0, between / (of * share * (1 - share)))
    return share_interval(float(count.sum()) / fewer, of / fewer)


def _account(lines: pl.DataFrame, said: int, ahead: int = 0, group: str = "") -> ForecastAccount:
    happened = pl.col("happened")
    lines = lines.with_columns(
        early=(happened < pl.col("early_end")).fill_null(value=False),
        late=(happened > pl.col("late_end")).fill_null(value=False),
    )
    has = lines.drop_nulls("happened").with_columns(inside=~pl.col("early") & ~pl.col("late"))
    known, early, late = len(has), int(has["early"].sum()), int(has["late"].sum())
    took = np.quantile(has["happened"], (0.05, 0.5, 0.95)).tolist() if known else ()
    return ForecastAccount(
        ahead,
        said,
        known,
        known - early - late,
        early,
        late,
        len(lines) - early,
        len(lines),
        _interval_by_wear(has, "inside"),
        _interval_by_wear(lines, "early"),
        has.select((happened - pl.col("said")).abs().median()).item() if known else math.nan,
        tuple(took) or None,
        has.select(pl.col("early_end", "late_end").mean()).row(0) if known else None,
        group,
    )
