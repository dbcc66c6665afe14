"""Did it help? Events and amounts before and after a date, with the ratio and its 95 % interval.

Expected counts follow kind and task, so that another mix of work is no change. Seasons are not in them:
compare whole years where a season matters. Interval of a ratio of counts: Clopper and Pearson's for the share
after, counts divided by how much more they vary than independent wears (the greater of incidents' and months'
dispersion). Coverage of the 95 % in the design study: 0.93 to 0.99.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import betaincinv, stdtrit

from analysis.trends.measures import LOGS, flags_of
from analysis.trends.naming import codes_of, dispersion_by, expected_of, strata_of

Floats = NDArray[np.float64]
Codes = NDArray[np.int64]
FEWEST_WEARS = 20
"""On each side. Our own rule."""
TAIL = 0.025


@dataclass(frozen=True)
class Change:
    """One measure before and after.

    Attributes
    ----------
    measure : str
    wears_before, wears_after : int
    before, after : float
        Wears with the event, or mean a wear.
    ratio, low, high : float
        After over before, kind and task taken into account, with its 95 % interval; NaN where unknown. Counts
        may have an open end: `low` 0, `high` infinite.
    expected_ratio : float
        What the mix of kinds and tasks alone would have made of it.
    """

    measure: str
    wears_before: int
    wears_after: int
    before: float
    after: float
    ratio: float
    low: float
    high: float
    expected_ratio: float

    @property
    def clear(self) -> bool:
        """Whether the interval excludes no change."""
        return self.low > 1.0 or self.high < 1.0


def rate_ratio(
    before: float, after: float, due_before: float, due_after: float, dispersion: float = 1.0
) -> tuple[float, float, float]:
    """Return (after / due after) over (before / due before), and its 95 % interval.

    Parameters
    ----------
    before, after : float
        Counts.
    due_before, due_after : float
        Exposures, or expected counts.
    dispersion : float
        By how much more the counts vary than independent ones.
    """
    if due_before <= 0 or due_after <= 0 or before + after <= 0:
        return math.nan, 0.0, math.inf
    x, n = after / dispersion, (before + after) / dispersion
    low = float(betaincinv(x, n - x + 1, TAIL)) if after > 0 else 0.0
    high = float(betaincinv(x + 1, n - x, 1 - TAIL)) if before > 0 else 1.0
    turn = due_before / due_after
    ratio = turn * after / before if before > 0 else math.inf
    return ratio, turn * low / (1 - low), turn * high / (1 - high) if high < 1 else math.inf


def spread_of(counts: Floats, due: Floats, parameters: int = 2) -> float:
    """Return Pearson's dispersion of counts around what is due; at least 1."""
    solid = due > 0
    freedom = int(solid.sum()) - parameters
    if freedom < 1:
        return 1.0
    return max(1.0, float(((counts[solid] - due[solid]) ** 2 / due[solid]).sum()) / freedom)


def compared_counts(counts: Floats, exposure: Floats, first_after: int) -> tuple[float, float, float]:
    """Return the rate ratio of a series of counts before and after a step, thinned by the steps' dispersion.

    Parameters
    ----------
    counts, exposure : array
        One value a step (a month, a year).
    first_after : int
        Number of the first step after the date.
    """
    early, late = slice(0, first_after), slice(first_after, None)
    due = exposure.astype(float).copy()
    for side in (early, late):
        due[side] *= counts[side].sum() / exposure[side].sum()
    phi = spread_of(counts, due)
    return rate_ratio(
        float(counts[early].sum()),
        float(counts[late].sum()),
        float(exposure[early].sum()),
        float(exposure[late].sum()),
        phi,
    )


def compared_means(before: Floats, after: Floats) -> tuple[float, float, float]:
    """Return the difference of two means and its 95 % interval (Welch 1947), one value a unit."""
    n, m = len(before), len(after)
    a, b = float(before.var(ddof=1)) / n, float(after.var(ddof=1)) / m
    freedom = (a + b) ** 2 / (a**2 / (n - 1) + b**2 / (m - 1))
    reach = float(stdtrit(freedom, 1 - TAIL)) * math.sqrt(a + b)
    change = float(after.mean() - before.mean())
    return change, change - reach, change + reach


def changes(wears: pl.DataFrame, since: date) -> list[Change]:
    """Return every measure before and after a day; nothing where a side has too few wears.

    Parameters
    ----------
    wears : DataFrame
        The ledger's.
    since : date
        The first day of after (UTC).
    """
    wears = wears.filter(pl.col("started").is_not_null())
    after = (wears["started"].dt.date() >= since).to_numpy()
    if min(int(after.sum()), int((~after).sum())) < FEWEST_WEARS:
        return []
    strata = strata_of(wears)
    incidents, _ = codes_of(wears["incident_id"])
    months, _ = codes_of(wears["started"].dt.strftime("%Y-%m"))
    found = [
        _count_change(name, flag, after, strata, incidents, months) for name, flag in flags_of(wears).items()
    ]
    for name in LOGS:
        values = wears[name].cast(pl.Float64).fill_null(math.nan).to_numpy()
        one = _amount_change(name, values, after, strata, incidents)
        found += [one] if one is not None else []
    return found


def _count_change(
    name: str, flag: Floats, after: NDArray[np.bool_], strata: Codes, incidents: Codes, months: Codes
) -> Change:
    due = expected_of(flag, strata)
    early, late = float(flag[~after].sum()), float(flag[after].sum())
    due_early, due_late = float(due[~after].sum()), float(due[after].sum())
    own = due.copy()
    for side, count, of in ((~after, early, due_early), (after, late, due_late)):
        own[side] *= count / of if of > 0 else 0.0
    own = np.clip(own, 0.0, 1.0)
    when = 2 * months + after  # a month that holds the date is two
    counts, due_by_month = np.bincount(when, flag), np.bincount(when, own)
    by_month = spread_of(counts.astype(np.float64), due_by_month.astype(np.float64))
    phi = max(dispersion_by(incidents, flag, own), by_month)
    ratio, low, high = rate_ratio(early, late, due_early, due_late, phi)
    sizes = int((~after).sum()), int(after.sum())
    mix = (due_late / sizes[1]) / (due_early / sizes[0]) if due_early > 0 else math.nan
    return Change(name, *sizes, early, late, ratio, low, high, mix)


def _amount_change(
    name: str, values: Floats, after: NDArray[np.bool_], strata: Codes, incidents: Codes
) -> Change | None:
    """Compare the means of incidents' logarithms above what their kinds and tasks have."""
    usable = np.isfinite(values) & (values >= 0)
    if not usable.any() or not values[usable].mean():
        return None
    value, side, lot = values[usable], after[usable], strata[usable]
    logs = np.log(value + 0.01 * value.mean())
    usual = expected_of(logs, lot)
    unit = np.where(incidents[usable] >= 0, incidents[usable], incidents.max() + 1 + np.arange(usable.sum()))
    lots = []
    for chosen in (~side, side):
        places, which = np.unique(unit[chosen], return_inverse=True)
        if len(places) < FEWEST_WEARS // 2:
            return None
        lots.append(np.bincount(which, (logs - usual)[chosen]) / np.bincount(which))
    change, low, high = compared_means(*lots)
    sizes = int((~side).sum()), int(side.sum())
    mix = math.exp(float(usual[side].mean() - usual[~side].mean()))
    means = float(value[~side].mean()), float(value[side].mean())
    return Change(name, *sizes, *means, math.exp(change), math.exp(low), math.exp(high), mix)


def table_of(found: list[Change]) -> pl.DataFrame:
    """Return changes as a table."""
    return pl.DataFrame(
        [
            (
                one.measure,
                one.wears_before,
                one.wears_after,
                one.before,
                one.after,
                one.ratio,
                one.low,
                one.high,
            )
            for one in found
        ],
        schema={
            "measure": pl.String,
            "wears_before": pl.Int64,
            "wears_after": pl.Int64,
            "before": pl.Float64,
            "after": pl.Float64,
            "ratio": pl.Float64,
            "low": pl.Float64,
            "high": pl.Float64,
        },
        orient="row",
    )
