"""Months that stand out: the last twelve judged against what the 24 before them lead to expect.

Single months, six in a row and all twelve are judged, both ways, season and the mix of kinds and tasks
removed. The limits are set so that all spans of all charts together mark a page without any change in at most
1 of 20. Among the 24 themselves (or among 12 to 24 where there are no more), a single month is marked where
it is far beyond all others. Laney's spread between months: Laney, Quality Engineering 14 (2002), from memory.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from analysis.trends.naming import Codes, Floats, dispersion_by, expected_of

BASELINE, MOST_JUDGED = 24, 12
SPANS = (1, 6, 12)
CHARTS, SPANS_A_CHART = 7, 20
LEVEL = 0.05 / (CHARTS * SPANS_A_CHART * 2)
"""Chance of a mark on one side of one span: 12 months, 7 of six in a row, one of twelve, in 7 charts."""
FEWEST_EVENTS, FEWEST_FOR_A_SEASON = 10, 50
FEWEST_MONTHS = 12
"""From so many on a month is compared with all others. Our own rule."""
LONE_LEVEL = 0.01 / (CHARTS * BASELINE * 2)
"""Chance of a mark on one side of one of these months: all charts together 1 in 100. Our own rule."""
SMALL_PART_OF_MEAN = 0.01


@dataclass(frozen=True)
class MonthMark:
    """A span that stands out: its first month and length, and whether it lies above."""

    first: int
    months: int
    above: bool


@dataclass(frozen=True)
class Predicted:
    """What the last months are judged by; arrays have one value a month, NaN where nothing is judged."""

    # `observed`, `expected`, `lower`, `upper`: wears with the event, or mean of the logs above the usual;
    # single months
    observed: Floats
    expected: Floats
    lower: Floats
    upper: Floats
    marks: tuple[MonthMark, ...]
    too_early: bool = False  # to judge the last months: what is marked is a single month among all


def season_of(months: Codes, first: int) -> Floats:
    """Return constant, cosine and sine of the month in the year; `first` is month 0's number in the year."""
    angle = 2 * np.pi * ((months + first) % 12) / 12
    return np.column_stack([np.ones(len(months)), np.cos(angle), np.sin(angle)])


def predicted_counts(
    flag: Floats, month: Codes, strata: Codes, incidents: Codes, over: int, first: int
) -> Predicted | None:
    """Judge wears with an event; None where months or events are too few, and no month is beyond chance.

    A month of the 24 that is far beyond the other 23 is marked, and what the last ones are compared with
    leaves it out.

    - `flag`: one value a wear: 1 with the event.
    - `month`: month of each wear, counted from the first.
    - `strata` and `incidents`: kind and task, and incident, of each wear, as numbers (-1: none).
    - `over`: how many months are over.
    - `first`: number of month 0 in its year (0: January).
    """
    judged = max(min(MOST_JUDGED, over - BASELINE), 0)
    start = max(over - judged - BASELINE, 0)
    lone = lone_months(flag, month - start, strata, incidents, over - judged - start)
    marks = tuple(MonthMark(start + place, 1, above) for place, above in lone.items())
    base = (month >= start) & (month < over - judged) & ~np.isin(month - start, list(lone))
    if judged < 1 or flag[base].sum() < FEWEST_EVENTS:
        nothing = np.full(over, np.nan)
        return Predicted(nothing, nothing, nothing, nothing, marks, too_early=True) if marks else None
    due = expected_of(flag, strata, base)
    window = np.arange(start, over)
    observed = np.bincount(month, flag, minlength=over)[start:over].astype(np.float64)
    offset = np.maximum(np.bincount(month, due, minlength=over)[start:over], 1e-9)
    columns = 3 if flag[base].sum() >= FEWEST_FOR_A_SEASON else 1
    x = season_of(window, first)[:, :columns]
    inside = np.delete(np.arange(BASELINE), list(lone))
    b = seasonal_fit(x[inside], observed[inside], offset[inside])
    mean = offset * np.exp(x @ b)
    spread = dispersion_by(incidents[base], flag[base], np.clip(due[base], 0, 1))
    z = (observed[inside] - mean[inside]) / np.sqrt(spread * mean[inside])
    between = max(1.0, float((z**2).sum()) / (len(inside) - columns))
    r = alike(z)
    cov = spread * between * np.linalg.pinv((x[inside] * mean[inside, None]).T @ x[inside])

    def ends(those: slice, length: int) -> tuple[float, float, float]:
        middle, g = float(mean[those].sum()), mean[those] @ x[those]
        variance = spread * middle * (1 + (between - 1) * _together(length, r)) + float(g @ cov @ g)
        return float(observed[those].sum()), *_count_limits(middle, variance)

    found = _judged(observed, mean, start, ends)
    return replace(found, marks=marks + found.marks)


def lone_months(flag: Floats, month: Codes, strata: Codes, incidents: Codes, months: int) -> dict[int, bool]:
    """Return the months that no chance explains beside all others, and whether each lies above.

    Of the months 0 to `months` - 1, each compared with the rates and the spread of the others; without a
    season, which widens the spread. The other arrays are those of `predicted_counts`.
    """
    there = (month >= 0) & (month < months)
    if months < FEWEST_MONTHS or flag[there].sum() < FEWEST_EVENTS:
        return {}
    shape = int(strata.max()) + 1, months
    place = strata[there] * months + month[there]
    wears, events = (
        np.bincount(place, weights, shape[0] * months).reshape(shape) for weights in (None, flag[there])
    )
    observed, found = events.sum(axis=0), {}
    for one in range(months):
        others = np.arange(months) != one
        size, had = wears[:, others].sum(axis=1), events[:, others].sum(axis=1)
        rate = (had.sum() + 0.5) / max(size.sum(), 1)
        share = np.divide(had, size, out=np.full(len(size), rate), where=size > 0)
        mean = np.maximum(wears.T @ share, 1e-9)
        expected = max(float(mean[one]), 0.5 / (months - 1))
        spread = float(((observed - mean) ** 2 / mean)[others].sum()) / (months - 2)
        beyond = _side(float(observed[one]), expected, had.sum(), max(spread, 1.0))
        if beyond is None:
            continue
        rest = there & (month != one)
        spread = max(spread, dispersion_by(incidents[rest], flag[rest], np.clip(share[strata[rest]], 0, 1)))
        beyond = _side(float(observed[one]), expected, had.sum(), spread)
        if beyond is not None:
            found[one] = beyond
    return found


def _side(observed: float, expected: float, of_others: float, spread: float) -> bool | None:
    """Return whether a count lies above (or below) what chance explains; None where chance does."""
    variance = expected * max(spread, 1.0) * (1 + expected / max(of_others, 1.0))
    low, high = _count_limits(expected, variance, LONE_LEVEL)
    return None if low <= observed <= high else observed > high


def predicted_logs(values: Floats, month: Codes, strata: Codes, over: int, first: int) -> Predicted | None:
    """Judge an amount a wear by the mean of its logarithms; None where months or wears are too few."""
    judged = min(MOST_JUDGED, over - BASELINE)
    usable = np.isfinite(values) & (values >= 0) & (month < over)
    logs, small = logs_of(values[usable])
    if judged < 1 or not small:
        return None
    start = over - judged - BASELINE
    when, lot = month[usable], strata[usable]
    base = (when >= start) & (when < over - judged)
    if base.sum() < FEWEST_FOR_A_SEASON:
        return None
    rest = logs - expected_of(logs, lot, base)
    size = np.bincount(when, minlength=over)[start:over].astype(float)
    if (size[:BASELINE] > 0).sum() < BASELINE // 2:
        return None
    total = np.bincount(when, rest, minlength=over)[start:over]
    mean = np.divide(total, size, out=np.zeros(len(size)), where=size > 0)
    x = season_of(np.arange(start, over), first)
    inside = slice(0, BASELINE)
    root = np.sqrt(size[inside])
    b, *_ = np.linalg.lstsq(x[inside] * root[:, None], mean[inside] * root, rcond=None)
    gap = mean - x @ b
    freedom = int((size[inside] > 0).sum()) - 3
    spread = float((size[inside] * gap[inside] ** 2).sum()) / freedom
    r = alike(gap[inside] * root)
    cov = spread * np.linalg.pinv((x[inside] * size[inside, None]).T @ x[inside])
    from scipy.special import stdtrit

    reach = float(stdtrit(freedom, 1 - LEVEL))

    def ends(those: slice, length: int) -> tuple[float, float, float] | None:
        wears = float(size[those].sum())
        if not wears:
            return None
        share = size[those] / wears
        g = share @ x[those]
        error = math.sqrt(spread / wears * _together(length, r) + float(g @ cov @ g))
        usual = float(share @ (x @ b)[those])
        return usual + float(share @ gap[those]), usual - reach * error, usual + reach * error

    return _judged(np.where(size > 0, mean, np.nan), x @ b, start, ends)


Ends = Callable[[slice, int], tuple[float, float, float] | None]
"""Of a span and its length: what it has, and the least and the most that is not marked."""


def _judged(observed: Floats, expected: Floats, start: int, ends: Ends) -> Predicted:
    """Judge every span of the last months; the arrays begin with the baseline, in the month `start`."""
    before = np.full(start, np.nan)
    lower, upper = (np.full(start + len(observed), np.nan) for _ in range(2))
    marks = []
    for length in SPANS:
        for begin in range(BASELINE, len(observed) - length + 1):
            found = ends(slice(begin, begin + length), length)
            if found is None:
                continue
            value, low, high = found
            if not low <= value <= high:
                marks.append(MonthMark(start + begin, length, value > high))
            if length == 1:
                lower[start + begin], upper[start + begin] = low, high
    seen, due = (np.concatenate([before, values]) for values in (observed, expected))
    return Predicted(seen, due, lower, upper, tuple(marks))


def logs_of(values: Floats) -> tuple[Floats, float]:
    """Return the logarithms of amounts made a little larger, and by how much: 0 where all are 0."""
    small = SMALL_PART_OF_MEAN * float(values.mean()) if len(values) else 0.0
    return np.log(values + small) if small else values, small


def alike(values: Floats) -> float:
    """Return how alike neighbours are: lag-1 correlation, less its bias from few values, from 0 to 0.8."""
    n = len(values)
    gap = values - values.mean()
    spread = float((gap**2).sum())
    if n < 4 or spread <= 0:
        return 0.0
    r = float((gap[1:] * gap[:-1]).sum()) / spread
    return min(0.8, max(0.0, r + (1 + 4 * r) / n))


def _together(length: int, r: float) -> float:
    """By how much more the sum of so many months varies when neighbours are alike."""
    return 1 + 2 * sum((1 - j / length) * r**j for j in range(1, length))


def seasonal_fit(x: Floats, counts: Floats, offset: Floats) -> Floats:
    """Return b of Poisson counts = offset exp(x b) (iteratively reweighted least squares)."""
    b = np.zeros(x.shape[1])
    b[0] = math.log(max(counts.sum(), 0.5) / offset.sum())
    for _ in range(50):
        mean = offset * np.exp(np.clip(x @ b, -20, 20))
        step = np.linalg.pinv((x * mean[:, None]).T @ x) @ (x.T @ (counts - mean))
        b = b + np.clip(step, -1, 1)
        if np.abs(step).max() < 1e-8:
            break
    return b


def _count_limits(mean: float, variance: float, level: float = LEVEL) -> tuple[float, float]:
    """Return the least and greatest count that is not marked."""
    from scipy.stats import nbinom, poisson

    if variance <= mean * 1.0001:
        low, high = poisson.ppf([level, 1 - level], mean)
    else:
        size = mean**2 / (variance - mean)
        low, high = nbinom.ppf([level, 1 - level], size, mean / variance)
    return float(low), float(high)
