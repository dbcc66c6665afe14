"""Months that stand out: the last twelve judged against what the 24 before them lead to expect.

Single months, six in a row and all twelve are judged, both ways, season and the mix of kinds and tasks
removed. The limits are set so that all spans of all charts together mark a page without any change in at most
1 of 20. Laney's spread between months: Laney, Quality Engineering 14 (2002), from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from analysis.trends.naming import Codes, Floats, dispersion_by, expected_of

BASELINE, MOST_JUDGED = 24, 12
SPANS = (1, 6, 12)
CHARTS, SPANS_A_CHART = 7, 20
LEVEL = 0.05 / (CHARTS * SPANS_A_CHART * 2)
"""Chance of a mark on one side of one span: 12 months, 7 of six in a row, one of twelve, in 7 charts."""
FEWEST_EVENTS, FEWEST_FOR_A_SEASON = 10, 50
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


def season_of(months: Codes, first: int) -> Floats:
    """Return constant, cosine and sine of the month in the year; `first` is month 0's number in the year."""
    angle = 2 * np.pi * ((months + first) % 12) / 12
    return np.column_stack([np.ones(len(months)), np.cos(angle), np.sin(angle)])


def predicted_counts(
    flag: Floats, month: Codes, strata: Codes, incidents: Codes, over: int, first: int
) -> Predicted | None:
    """Judge wears with an event; None where months or events are too few.

    - `flag`: one value a wear: 1 with the event.
    - `month`: month of each wear, counted from the first.
    - `strata` and `incidents`: kind and task, and incident, of each wear, as numbers (-1: none).
    - `over`: how many months are over.
    - `first`: number of month 0 in its year (0: January).
    """
    judged = min(MOST_JUDGED, over - BASELINE)
    if judged < 1:
        return None
    start = over - judged - BASELINE
    base = (month >= start) & (month < over - judged)
    if flag[base].sum() < FEWEST_EVENTS:
        return None
    due = expected_of(flag, strata, base)
    window = np.arange(start, over)
    observed = np.bincount(month, flag, minlength=over)[start:over].astype(np.float64)
    offset = np.maximum(np.bincount(month, due, minlength=over)[start:over], 1e-9)
    columns = 3 if flag[base].sum() >= FEWEST_FOR_A_SEASON else 1
    x = season_of(window, first)[:, :columns]
    inside = slice(0, BASELINE)
    b = seasonal_fit(x[inside], observed[inside], offset[inside])
    mean = offset * np.exp(x @ b)
    spread = dispersion_by(incidents[base], flag[base], np.clip(due[base], 0, 1))
    z = (observed[inside] - mean[inside]) / np.sqrt(spread * mean[inside])
    between = max(1.0, float((z**2).sum()) / (BASELINE - columns))
    r = alike(z)
    cov = spread * between * np.linalg.pinv((x[inside] * mean[inside, None]).T @ x[inside])

    def ends(those: slice, length: int) -> tuple[float, float, float]:
        middle, g = float(mean[those].sum()), mean[those] @ x[those]
        variance = spread * middle * (1 + (between - 1) * _together(length, r)) + float(g @ cov @ g)
        return float(observed[those].sum()), *_count_limits(middle, variance)

    return _judged(observed, mean, start, ends)


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


def _count_limits(mean: float, variance: float) -> tuple[float, float]:
    """Return the least and greatest count that is not marked."""
    from scipy.stats import nbinom, poisson

    if variance <= mean * 1.0001:
        low, high = poisson.ppf([LEVEL, 1 - LEVEL], mean)
    else:
        size = mean**2 / (variance - mean)
        low, high = nbinom.ppf([LEVEL, 1 - LEVEL], size, mean / variance)
    return float(low), float(high)
