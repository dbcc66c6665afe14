"""Who is named, and how likely an innocent one is: events by wear, within kind and task, thinned.

A wear has the event or has it not, however often its alarm came. A unit (station, role, wearer, set) is
compared with what the service's own rates for the same kind of incident and the same task lead to expect.
Wears of one incident are alike and so are wears of one person; counts are divided by how much more they vary
for it. `python -m tests.benchmarks.chance` measures how often an innocent one is named.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.trends.statistics import chance_of_so_many

Floats = NDArray[np.float64]
Codes = NDArray[np.int64]

POWER = 0.8
LARGEST_RATIO = 100.0


@dataclass(frozen=True)
class Judged:
    """Units of one question, judged by one event; arrays have one value a unit.

    Attributes
    ----------
    wears, observed, expected : array
        Wears, wears with the event, and how many were expected for the same kinds and tasks.
    dispersion : array
        By how much more such counts vary than independent wears would make them.
    chance : array
        Of so many or more if nothing were behind it.
    """

    wears: Floats
    observed: Floats
    expected: Floats
    dispersion: Floats
    chance: Floats


def codes_of(column: pl.Series) -> tuple[Codes, list[str]]:
    """Return a number for each word of a column (-1: null), and the words in order."""
    words = column.drop_nulls().unique().sort()
    places = pl.Series(range(len(words)), dtype=pl.Int64)
    codes = column.replace_strict(words, places, default=-1, return_dtype=pl.Int64) if len(words) else None
    found = np.full(len(column), -1) if codes is None else codes.fill_null(-1).to_numpy()
    return found.astype(np.int64), words.to_list()


INCIDENT = pl.coalesce("incident_id", pl.col("started").dt.date().cast(pl.String))
"""What a wear's incident is; without a tally its day."""


def incident_of(wears: pl.DataFrame) -> pl.Series:
    """Return each wear's incident; without a tally its day."""
    return wears.select(INCIDENT.alias("unit"))["unit"]


def strata_of(wears: pl.DataFrame) -> Codes:
    """Return a number for each wear's kind and task together."""
    both = pl.concat_str(pl.col("kind").fill_null(""), pl.col("task").fill_null(""), separator="\\0")
    return codes_of(wears.select(both.alias("both"))["both"])[0]


def expected_of(values: Floats, strata: Codes, base: NDArray[np.bool_] | None = None) -> Floats:
    """Return each wear's mean of its kind and task; of events the share of wears that have them.

    `base` says which wears the means are of (all without it). A kind and task without any has the mean of
    all.
    """
    known = np.ones(len(values), dtype=bool) if base is None else base
    width = int(strata.max(initial=0)) + 1
    size = np.bincount(strata[known], minlength=width)
    total = np.bincount(strata[known], values[known], minlength=width)
    overall = float(values[known].mean()) if known.any() else 0.0
    mean = np.divide(total, size, out=np.full(width, overall), where=size > 0)
    return np.asarray(mean[strata], dtype=np.float64)


def dispersion_by(clusters: Codes, flag: Floats, expected: Floats) -> float:
    """Return the variance of clusters' counts over that of independent wears; at least 1."""
    known = clusters >= 0
    spread = float((expected[known] * (1 - expected[known])).sum())
    if spread <= 0:
        return 1.0
    gaps = np.bincount(clusters[known], (flag - expected)[known])
    return max(1.0, float((gaps**2).sum()) / spread)


def tail(observed: Floats, total: float, expected: Floats, dispersion: Floats) -> Floats:
    """Return the chance of so many or more: binomial, all counts divided by the dispersion."""
    if total <= 0:
        return np.ones(len(observed))
    share = np.clip(expected / total, 1e-12, 1.0)
    count, of = observed / dispersion, total / dispersion
    return chance_of_so_many(np.minimum(count, of), of, share)


def _sums(unit: Codes, y: Floats, e: Floats) -> tuple[Floats, Floats, Floats]:
    wears, observed, due = np.bincount(unit), np.bincount(unit, y), np.bincount(unit, e)
    return wears.astype(np.float64), observed.astype(np.float64), due.astype(np.float64)


def judged_groups(units: Codes, flag: Floats, expected: Floats, incidents: Codes, people: Codes) -> Judged:
    """Judge stations or roles: the dispersion is the greater of incidents' and people's."""
    known = units >= 0
    unit, y, e = units[known], flag[known], expected[known]
    wears, observed, due = _sums(unit, y, e)
    both = (dispersion_by(cluster[known], y, e) for cluster in (incidents, people))
    dispersion = np.full(len(wears), max(both))
    return Judged(wears, observed, due, dispersion, tail(observed, float(y.sum()), due, dispersion))


def judged_ones(units: Codes, flag: Floats, expected: Floats) -> Judged:
    """Judge wearers or sets: the dispersion is that of all others, lest an outlier hide itself."""
    known = units >= 0
    unit, y, e = units[known], flag[known], expected[known]
    wears, observed, due = _sums(unit, y, e)
    with np.errstate(divide="ignore", invalid="ignore"):
        each = np.where(due > 0, (observed - due) ** 2 / due, 0.0)
    freedom = max(int((due > 0).sum()) - 2, 1)
    dispersion = np.maximum(1.0, (each.sum() - each) / freedom)
    return Judged(wears, observed, due, dispersion, tail(observed, float(y.sum()), due, dispersion))


@dataclass(frozen=True)
class SmallestEffect:
    """The smallest effect that would have been named 8 times in 10, in three of four units.

    It is that of a unit with fewer expected events than three quarters of the others.
    """

    ratio: float
    count: int
    expected: float


def smallest_effect(judged: Judged, chosen: NDArray[np.bool_], level: float) -> SmallestEffect | None:
    """Return it, or None where nothing short of a hundredfold would have been noticed.

    Parameters
    ----------
    judged : Judged
    chosen : array of bool
        Units that are compared.
    level : float
        Share of false names that the question allows, divided by how many comparisons it has.
    """
    from scipy.stats import nbinom, poisson  # type: ignore[attr-defined]

    places = np.flatnonzero(chosen & (judged.expected > 0))
    if not len(places):
        return None
    place = places[np.argsort(judged.expected[places])[len(places) // 4]]
    expected, dispersion = float(judged.expected[place]), float(judged.dispersion[place])
    total = float(judged.observed.sum())
    counts = np.arange(1.0, max(total, 2.0) + 1.0)
    # What the unit has beyond its due raises the total and with it what is expected of all, itself too.
    totals = np.maximum(total - expected, 0.0) + counts
    share = np.full(len(counts), min(expected / max(total, 1e-12), 1.0))
    small = chance_of_so_many(counts / dispersion, totals / dispersion, share) <= level
    if not small.any():
        return None
    needed = int(counts[np.argmax(small)])

    def power(ratio: float) -> float:
        mean = ratio * expected
        if dispersion <= 1.0001:
            return float(poisson.sf(needed - 1, mean))
        size = mean / (dispersion - 1)
        return float(nbinom.sf(needed - 1, size, 1 / dispersion))

    low, high = 1.0, LARGEST_RATIO
    if power(high) < POWER:
        return None
    while high - low > 0.005:
        middle = (low + high) / 2
        low, high = (middle, high) if power(middle) < POWER else (low, middle)
    return SmallestEffect(high, math.ceil(high * expected), expected)
