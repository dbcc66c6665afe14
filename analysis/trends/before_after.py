"""Did it help? Events and amounts before and after a date, with the ratio and its 95 % interval.

Expected counts follow kind, task and, over two years or more, the season, so that another mix of work and
another time of year are no change. Interval of a ratio of counts: Clopper and Pearson's for the share after,
counts divided by how much more they vary than independent wears (the greater of incidents' and months'
dispersion), and by how much less certain a change is once a season is fitted beside it (the variance
inflation factor of regression). `python -m tests.benchmarks.chance` measures how often the 95 % interval
holds the truth.
"""

import math
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import stdtrit

from analysis.trends.measures import LOGS, MONTHS_FOR_SEASONS, WearLots, flags_of, lots_of
from analysis.trends.naming import (
    Codes,
    Floats,
    dispersion_by,
    expected_of,
    known_places,
)
from analysis.trends.prediction import FEWEST_FOR_A_SEASON, logs_of, season_of, seasonal_fit
from analysis.trends.statistics import share_interval

FEWEST_WEARS = 20
"""On each side. Our own rule."""
TAIL = 0.025


@dataclass(frozen=True)
class Change:
    """One measure before and after."""

    measure: str
    wears_before: int
    wears_after: int
    # `before`, `after`: wears with the event, or mean a wear
    before: float
    after: float
    # `ratio`, `low`, `high`: after over before, kind and task taken into account, with its 95 % interval; NaN
    # where unknown. Counts may have an open end: `low` 0, `high` infinite.
    ratio: float
    low: float
    high: float
    season: bool  # whether the season is taken into account: from two years and 50 events on
    clear: bool  # whether no change is excluded, allowing for the number of measures compared


def rate_ratio(
    before: float,
    after: float,
    due_before: float,
    due_after: float,
    dispersion: float = 1.0,
    tail: float = TAIL,
) -> tuple[float, float, float]:
    """Return (after / due after) over (before / due before), and its 95 % interval.

    - `before` and `after`: counts.
    - `due_before` and `due_after`: exposures, or expected counts.
    - `dispersion`: by how much more the counts vary than independent ones.
    - `tail`: chance beyond each end of the interval.
    """
    if due_before <= 0 or due_after <= 0 or before + after <= 0:
        return math.nan, 0.0, math.inf
    x, n = after / dispersion, (before + after) / dispersion
    low, high = share_interval(x, n, tail)
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


def seasonal_due(counts: Floats, exposure: Floats, months: Codes, after: Codes) -> tuple[Floats, float]:
    """Return the exposure times the season, and by how much less certain a step is beside a season.

    Constant, step and one wave a year are fitted to Poisson counts; arrays have one value a month and side.
    """
    x = np.column_stack([np.ones(len(months)), after.astype(np.float64), season_of(months, 0)[:, 1:]])
    exposure = np.maximum(exposure, 1e-9)
    b = seasonal_fit(x, counts, exposure)
    return exposure * np.exp(x[:, 2:] @ b[2:]), _inflation(x, exposure * np.exp(x @ b))


def compared_means(before: Floats, after: Floats, tail: float = TAIL) -> tuple[float, float, float]:
    """Return the difference of two means and its interval (Welch 1947), one value a unit."""
    n, m = len(before), len(after)
    a, b = float(before.var(ddof=1)) / n, float(after.var(ddof=1)) / m
    freedom = (a + b) ** 2 / (a**2 / (n - 1) + b**2 / (m - 1))
    reach = float(stdtrit(freedom, 1 - tail)) * math.sqrt(a + b)
    change = float(after.mean() - before.mean())
    return change, change - reach, change + reach


def changes(wears: pl.DataFrame, since: date) -> list[Change]:
    """Return every measure before and after a day; nothing where a side has too few wears.

    - `wears`: the ledger's.
    - `since`: the first day of after (UTC).
    """
    wears = wears.filter(pl.col("started").is_not_null())
    after = (wears["started"].dt.date() >= since).to_numpy()
    if min(int(after.sum()), int((~after).sum())) < FEWEST_WEARS:
        return []
    lots = lots_of(wears)
    found, flags = [], flags_of(wears)
    tail = TAIL / (len(flags) + len(LOGS))
    for name, flag in flags.items():
        known = known_places(flag)
        if len(flag[known]):
            found.append(_count_change(name, flag[known], after[known], lots.only(known), tail))
    for name in LOGS:
        values = wears[name].cast(pl.Float64).fill_null(math.nan).to_numpy()
        one = _amount_change(name, values, after, lots, tail)
        found += [one] if one is not None else []
    return found


SCHEMA = {
    **{"measure": pl.String, "wears_before": pl.Int64, "wears_after": pl.Int64},
    **dict.fromkeys(("before", "after", "ratio", "low", "high"), pl.Float64),
    **dict.fromkeys(("season_taken_into_account", "clear"), pl.Boolean),
}


def _seasonal(months: Codes, events: float) -> bool:
    span = int(months.max() - months.min()) + 1
    return span >= MONTHS_FOR_SEASONS and events >= FEWEST_FOR_A_SEASON


def _count_change(name: str, flag: Floats, after: NDArray[np.bool_], lots: WearLots, tail: float) -> Change:
    season = _seasonal(lots.months, float(flag.sum()))
    due = expected_of(flag, lots.strata)
    less_certain = 1.0
    if season:
        # A month that holds the date is two.
        cells, which = np.unique(2 * (lots.months + lots.first) + after, return_inverse=True)
        alone: Floats = np.bincount(which, due).astype(np.float64)
        events: Floats = np.bincount(which, flag).astype(np.float64)
        turned, less_certain = seasonal_due(events, alone, cells // 2, cells % 2)
        due = due * (turned / np.maximum(alone, 1e-9))[which]
    early, late = float(flag[~after].sum()), float(flag[after].sum())
    due_early, due_late = float(due[~after].sum()), float(due[after].sum())
    own = due.copy()
    for side, count, of in ((~after, early, due_early), (after, late, due_late)):
        own[side] *= count / of if of > 0 else 0.0
    own = np.clip(own, 0.0, 1.0)
    when = 2 * lots.months + after
    counts, due_by_month = np.bincount(when, flag), np.bincount(when, own)
    parameters = 4 if season else 2
    by_month = spread_of(counts.astype(np.float64), due_by_month.astype(np.float64), parameters)
    phi = max(dispersion_by(lots.incidents, flag, own), by_month) * less_certain
    ratio, low, high = rate_ratio(early, late, due_early, due_late, phi)
    _, least, most = rate_ratio(early, late, due_early, due_late, phi, tail)
    sizes = int((~after).sum()), int(after.sum())
    return Change(name, *sizes, early, late, ratio, low, high, season, clear=least > 1.0 or most < 1.0)


def _inflation(x: Floats, weights: Floats) -> float:
    """Return by how much the season's columns enlarge the variance of the step; at least 1."""

    def variance(columns: Floats) -> float:
        return float(np.linalg.pinv((columns * weights[:, None]).T @ columns)[1, 1])

    alone = variance(x[:, :2])
    return max(1.0, variance(x) / alone) if alone > 0 else 1.0


def _amount_change(
    name: str, values: Floats, after: NDArray[np.bool_], lots: WearLots, tail: float
) -> Change | None:
    """Compare the means of incidents' logarithms above what their kinds and tasks have."""
    usable = np.isfinite(values) & (values >= 0)
    value, side, lots = values[usable], after[usable], lots.only(usable)
    logs, small = logs_of(value)
    if not small:
        return None
    rest = logs - expected_of(logs, lots.strata)
    season = _seasonal(lots.months, float(usable.sum()))
    # An incident that goes on over the day of the change is two.
    units, which = np.unique(2 * lots.incidents + side, return_inverse=True)
    unit_after = units % 2 == 1
    if min(int(unit_after.sum()), int((~unit_after).sum())) < FEWEST_WEARS // 2:
        return None
    size = np.bincount(which)
    mean = np.bincount(which, rest) / size
    less_certain = 1.0
    if season:
        months = np.zeros(len(units), dtype=np.int64)
        months[which] = lots.months + lots.first
        x = np.column_stack([np.ones(len(units)), unit_after, season_of(months, 0)[:, 1:]])
        b, *_ = np.linalg.lstsq(x, mean, rcond=None)
        mean = mean - x[:, 2:] @ b[2:]
        less_certain = math.sqrt(_inflation(x, np.ones(len(units))))
    sides = mean[~unit_after], mean[unit_after]
    change, *ends = compared_means(*sides)
    ends += compared_means(*sides, tail)[1:]
    low, high, least, most = (change + less_certain * (end - change) for end in ends)
    sizes = int((~side).sum()), int(side.sum())
    means = float(value[~side].mean()), float(value[side].mean())
    clear = least > 0.0 or most < 0.0
    return Change(name, *sizes, *means, math.exp(change), math.exp(low), math.exp(high), season, clear)


def table_of(found: list[Change]) -> pl.DataFrame:
    """Return changes as a table."""
    return pl.DataFrame(found, schema=SCHEMA)
