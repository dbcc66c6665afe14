"""How good were the forecasts: what was said of the low-air warning against what happened."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

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


def share_interval(count: int, of: int, confidence: float = 0.95) -> tuple[float, float]:
    """Return the exact interval of a share (Clopper and Pearson 1934)."""
    from scipy.special import betaincinv

    tail = (1 - confidence) / 2
    low = float(betaincinv(count, of - count + 1, tail)) if count else 0.0
    high = float(betaincinv(count + 1, of - count, 1 - tail)) if count < of else 1.0
    return low, high


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
    ).height
    spread = (counts["a"], counts["b"], counts["c"]) if known.height else None
    error = float(counts["error"]) if known.height else float("nan")
    return Ahead(
        ahead,
        forecasts.height,
        known.height,
        known.height - early - late,
        early,
        late,
        known.height - early + outlasted,
        known.height + outlasted,
        error,
        spread,
        (counts["early_end"], counts["late_end"]) if known.height else None,
    )
