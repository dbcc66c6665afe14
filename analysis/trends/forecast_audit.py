"""How good were the forecasts: what was said of the low-air warning against what happened."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import polars as pl

from analysis.trends.statistics import share_interval

FEWEST_FORECASTS = 20
"""Fewer known outcomes say nothing. Our own rule."""


@dataclass(frozen=True)
class Ahead:
    """Forecasts of so many minutes ahead, one a wear.

    Attributes
    ----------
    ahead_min : int
        0: all of them together.
    said : int
        How many there were.
    known : int
        Those whose wear reached the warning: `inside`, `early` (before the early end) and `late` share them.
    not_early, of_early : int
        Forecasts that are known not to have come before their early end, of those where that is known: a
        wear that left later than the early end proves it without ever reaching the warning.
    inside_interval, early_interval : (low, high)
        95 % interval of `inside` of `known`, and of the early ones of `of_early`; a wear's forecasts fail
        together, so that they count for fewer than they are. (0, 1) where nothing is known.
    error_min : float
        Median of how far off the median was, minutes; NaN without known outcomes.
    happened : (5 %, median, 95 %) of the minutes that it took, or None.
    promised : (early, late) end of the 90 % interval, mean over the forecasts, or None.
    """

    ahead_min: int
    said: int
    known: int
    inside: int
    early: int
    late: int
    not_early: int
    of_early: int
    inside_interval: tuple[float, float]
    early_interval: tuple[float, float]
    error_min: float
    happened: tuple[float, float, float] | None
    promised: tuple[float, float] | None


def audited(forecasts: pl.DataFrame) -> list[Ahead]:
    """Return the account by minutes ahead, and over all as the first."""
    aheads = sorted(forecasts["ahead_min"].unique().to_list())
    return [
        _account(0, forecasts),
        *(_account(a, forecasts.filter(pl.col("ahead_min") == a)) for a in aheads),
    ]


def _interval_by_wear(lines: pl.DataFrame, happened: pl.Expr) -> tuple[float, float]:
    """Return the interval of the share of lines for which something happened, lines of a wear being alike.

    The exact interval of so many fewer lines as the share varies more between wears than between independent
    lines (Korn and Graubard 1998, Survey Methodology 24:193-201; from memory). Where all lines agree nothing
    tells how alike they are: a wear then counts once.
    """
    if lines["wear_id"].n_unique() == len(lines):
        return share_interval(int(lines.select(happened.sum()).item()), len(lines))
    lots = lines.group_by("wear_id").agg(happened.sum().alias("count"), pl.len().alias("size"))
    count, size = lots["count"].to_numpy().astype(float), lots["size"].to_numpy().astype(float)
    of, share = float(size.sum()), float(count.sum() / size.sum())
    fewer = of / len(lots)
    if 0 < share < 1 and len(lots) > 1:
        between = len(lots) / (len(lots) - 1) * float(((count - share * size) ** 2).sum())
        fewer = max(1.0, between / (of * share * (1 - share)))
    return share_interval(float(count.sum()) / fewer, of / fewer)


def _account(ahead: int, forecasts: pl.DataFrame) -> Ahead:
    known = forecasts.filter(pl.col("happened_min").is_not_null())
    happened, early_end = pl.col("happened_min"), pl.col("early_min")
    counts = known.select(
        early=(happened < early_end).sum(),
        late=(happened > pl.col("late_min")).sum(),
        early_end=early_end.mean(),
        late_end=pl.col("late_min").mean(),
        error=(happened - pl.col("said_min")).abs().median(),
        **{name: happened.quantile(q, "linear") for name, q in (("a", 0.05), ("b", 0.5), ("c", 0.95))},
    ).row(0, named=True)
    early, late = int(counts["early"]), int(counts["late"])
    # Watched beyond the early end and no warning yet: it did not come early, whenever it would have come.
    outlasted = forecasts.filter(
        pl.col("happened_min").is_null() & (pl.col("watched_min") >= pl.col("early_min"))
    )
    inside = happened.is_between(early_end, pl.col("late_min"))
    came_early = (happened < early_end).fill_null(value=False)
    spread = (counts["a"], counts["b"], counts["c"]) if known.height else None
    error = float(counts["error"]) if known.height else float("nan")
    return Ahead(
        ahead,
        forecasts.height,
        known.height,
        known.height - early - late,
        early,
        late,
        known.height - early + outlasted.height,
        known.height + outlasted.height,
        _interval_by_wear(known, inside),
        _interval_by_wear(pl.concat([known, outlasted]), came_early),
        error,
        spread,
        (counts["early_end"], counts["late_end"]) if known.height else None,
    )


HARD_L_MIN = (40.0, 60.0, 80.0)
"""A wearer's mean rates between these are taken together. Our own rule."""


@dataclass(frozen=True)
class AuditLine:
    """The account of one group of forecasts; `Ahead.ahead_min` is 0: all minutes ahead together."""

    group: str
    account: Ahead


def by_month(forecasts: pl.DataFrame) -> list[AuditLine]:
    """Return the account month by month (UTC), oldest first, so that a drift is seen."""
    months = forecasts.with_columns(month=pl.col("at").dt.strftime("%Y-%m"))
    return [
        AuditLine(str(month), _account(0, part))
        for (month,), part in months.sort("month").group_by("month", maintain_order=True)
    ]


def by_hardness(forecasts: pl.DataFrame, wears: pl.DataFrame) -> list[AuditLine]:
    """Return the account by how hard the wearer breathed over the whole wear.

    Parameters
    ----------
    forecasts, wears : DataFrame
        Of one ledger; `mean_l_min` of the wears says how hard. Wears without a rate are left out.
    """
    rated = forecasts.join(wears.select("wear_id", "mean_l_min"), on="wear_id", how="inner")
    rate = pl.col("mean_l_min")
    edges = (0.0, *HARD_L_MIN, float("inf"))
    found = []
    for low, high in itertools.pairwise(edges):
        part = rated.filter((rate >= low) & (rate < high))
        if part.height:
            name = f"{low:.0f} to {high:.0f} L/min" if high < float("inf") else f"above {low:.0f} L/min"
            found.append(AuditLine(name, _account(0, part)))
    return found
