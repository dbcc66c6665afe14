"""Who is named, and how likely by chance: events by wear, within kind and task, allowing for clusters.

A wear has the event or has it not, however often its alarm came. A unit (station, role, wearer, set) is
compared with what the service's own rates for the same kind of incident and the same task lead to expect.
Wears of one incident are alike and so are wears of one person; counts are divided by how much more they vary
for it. `python -m tests.benchmarks.chance` measures how often an innocent one is named.
"""

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
WIDEST = 8
"""Keys that are spread wider than so many times their number are sorted, not counted in a table."""

GONE = "gone-"
"""Begins the names that `retain` gives: one person has one in each incident, so they count nobody."""


def gone(names: pl.Series) -> pl.Expr:
    """Return an expression for the names that `retain` gave: they count as nobody."""
    distinct = names.drop_nulls().unique()
    those = distinct.filter(distinct.cast(pl.String).str.starts_with(GONE))
    return pl.col(names.name).is_in(those.implode())


@dataclass(frozen=True)
class Clusters:
    """How wears of one incident, or of one person, are alike."""

    dispersion: float  # `dispersion_by` them
    size: float  # expected wears with the event in the cluster of an average one of them


@dataclass(frozen=True)
class JudgedUnits:
    """Units of one question, judged by one event; arrays have one value a unit."""

    # `wears`, `observed`, `expected`: wears, wears with the event, and how many were expected for the same
    # kinds and tasks
    wears: Floats
    observed: Floats
    expected: Floats
    dispersion: Floats  # by how much more such counts vary than independent wears would make them
    chance: Floats  # of so many or more if nothing were behind it
    # What the dispersion of stations and roles was taken from; empty for wearers and sets.
    clusters: tuple[Clusters, ...] = ()


def codes_of(column: pl.Series) -> tuple[Codes, list[str]]:
    """Return a number for each word of a column (-1: null), and the words in order."""
    coded = _as_numbers(column)
    distinct = coded.drop_nulls().unique()
    words = distinct.cast(pl.String)
    order = words.arg_sort()
    number, used = coded.to_physical(), distinct.to_physical().gather(order).to_numpy()
    places = np.full(int(used.max(initial=0)) + 2, -1)
    places[used] = np.arange(len(used))
    return places[number.fill_null(len(places) - 1).to_numpy()], words.gather(order).to_list()


def numbers_of(column: pl.Series) -> Codes:
    """Return a number for each word of a column (-1: null), in any order."""
    return _as_numbers(column).to_physical().cast(pl.Int64).fill_null(-1).to_numpy()


def _as_numbers(column: pl.Series) -> pl.Series:
    # Numbers of their own for texts: those of all names would be kept as long as the process lives.
    own = pl.Categorical(pl.Categories.random())
    return column.cast(own) if column.dtype == pl.String else column


def numbered(keys: Codes) -> Codes:
    """Return numbers from 0 without gaps in place of keys, in their order."""
    if not len(keys):
        return keys
    low = int(keys.min())
    width = int(keys.max()) - low + 1
    if width > WIDEST * len(keys):
        return np.unique(keys, return_inverse=True)[1].astype(np.int64)
    there = np.zeros(width, dtype=np.int64)
    there[keys - low] = 1
    return (np.cumsum(there) - 1)[keys - low]


def incident_of(wears: pl.DataFrame) -> pl.Series:
    """Return each wear's incident; without a tally its day."""
    known = wears["incident_id"]
    if not known.null_count():
        return known.rename("unit")
    day = pl.col("started").dt.date().cast(pl.String)
    return wears.select(pl.coalesce("incident_id", day).alias("unit"))["unit"]


def strata_of(wears: pl.DataFrame) -> Codes:
    """Return a number for each wear's kind and task together."""
    kind, _ = codes_of(wears["kind"])
    task, tasks = codes_of(wears["task"])
    return (kind + 1) * (len(tasks) + 1) + task + 1


def expected_of(values: Floats, strata: Codes, base: NDArray[np.bool_] | None = None) -> Floats:
    """Return each wear's mean of its kind and task; of events the share of wears that have them.

    `base` says which wears the means are of (without it all whose value is known). A kind and task without
    any has the mean of all.
    """
    known = np.isfinite(values) if base is None else base
    width = int(strata.max(initial=0)) + 1
    size = np.bincount(strata[known], minlength=width)
    total = np.bincount(strata[known], values[known], minlength=width)
    overall = float(values[known].mean()) if known.any() else 0.0
    mean = np.divide(total, size, out=np.full(width, overall), where=size > 0)
    return np.asarray(mean[strata], dtype=np.float64)


def known_places(values: Floats) -> slice | NDArray[np.bool_]:
    """Return which values are known, as an index; all of them cost no copy."""
    known = np.isfinite(values)
    return slice(None) if known.all() else known


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


def level_of_others(places: Codes, units: Codes, flag: Floats, expected: Floats) -> Floats:
    """Return for each wear by how much the others of its place exceed their due; 1 where there are none.

    Without the unit itself: else an outlier raises its own station's level and hides behind it.
    """
    _, pair = np.unique(places * (int(units.max(initial=0)) + 2) + units, return_inverse=True)
    rest, known = [], np.isfinite(flag)
    for values in (np.where(known, flag, 0.0), np.where(known, expected, 0.0)):
        there, own = np.bincount(places + 1, values), np.bincount(pair, values)
        rest.append(there[places + 1] - own[pair])
    level = np.divide(rest[0], rest[1], out=np.ones(len(flag)), where=rest[1] > 1e-9)
    return np.asarray(level, dtype=np.float64)


def judged(
    units: Codes, flag: Floats, expected: Floats, incidents: Codes | None = None, people: Codes | None = None
) -> JudgedUnits:
    """Judge units by wears whose `flag` is known.

    The dispersion of stations and roles is incidents' or people's; that of wearers and sets is that of all
    others, so that an outlier cannot hide itself.
    """
    known = (units >= 0) & np.isfinite(flag)
    unit, size = units[known], int(units.max(initial=-1)) + 1
    sums = (np.bincount(unit, of, size) for of in (None, flag[known], expected[known]))
    wears, observed, due = (one.astype(np.float64) for one in sums)
    both: tuple[Clusters, ...] = ()
    if incidents is not None and people is not None:
        both = tuple(_alike(cluster[known], flag[known], expected[known]) for cluster in (incidents, people))
        dispersion = np.full(len(wears), max(one.dispersion for one in both))
    else:
        with np.errstate(divide="ignore", invalid="ignore"):
            each = np.where(due > 0, (observed - due) ** 2 / due, 0.0)
        freedom = max(int((due > 0).sum()) - 2, 1)
        dispersion = np.maximum(1.0, (each.sum() - each) / freedom)
    chance = tail(observed, float(observed.sum()), due, dispersion)
    return JudgedUnits(wears, observed, due, dispersion, chance, both)


def _alike(clusters: Codes, flag: Floats, expected: Floats) -> Clusters:
    known = clusters >= 0
    due = np.bincount(clusters[known], expected[known])
    total = float(due.sum())
    size = float((due**2).sum()) / total if total > 0 else 0.0
    return Clusters(dispersion_by(clusters, flag, expected), size)


@dataclass(frozen=True)
class SmallestEffect:
    """The smallest effect that would have been named 8 times in 10, in three of four units.

    It is that of a unit with fewer expected events than three quarters of the others: its number in order of
    the names is `place`.
    """

    ratio: float
    count: int
    expected: float
    place: int = 0


def smallest_effect(judged: JudgedUnits, chosen: NDArray[np.bool_], level: float) -> SmallestEffect | None:
    """Return it, or None where nothing short of a hundredfold would have been noticed.

    - `chosen`: array of bool: units that are compared.
    - `level`: share of false names that the question allows, divided by how many comparisons it has.
    """
    places = np.flatnonzero(chosen & (judged.expected > 0))
    if not len(places) or not judged.observed.any():  # every event may be of wears without a name
        return None
    place = int(places[np.argsort(judged.expected[places])[len(places) // 4]])
    expected, most = float(judged.expected[place]), float(judged.wears[place])
    low, high = 1.0, min(LARGEST_RATIO, most / expected)
    if _power(judged, place, high, level) < POWER:
        return None
    while high - low > 0.005:
        middle = (low + high) / 2
        low, high = (middle, high) if _power(judged, place, middle, level) < POWER else (low, middle)
    return SmallestEffect(high, math.ceil(high * expected), expected, place)


def _power(judged: JudgedUnits, place: int, ratio: float, level: float) -> float:
    """Return the chance that a unit is named when it truly has so many times its expected events.

    The excess itself counts against the unit: it raises the total, and with it what is expected of all, and
    it raises the dispersion that all counts are divided by. Incidents that are worse than others are worse in
    the unit too, so its count varies the more, the higher its ratio.
    """
    from scipy.stats import nbinom, poisson

    expected, total = float(judged.expected[place]), float(judged.observed.sum())
    dispersion = float(judged.dispersion[place])
    share = min(expected / total, 1.0)
    tested = _dispersion_with(judged, place, ratio)
    low, high = 0, int(judged.wears[place]) + 1
    while high - low > 1:
        middle = (low + high) // 2
        of = max(total - expected, 0.0) + middle
        small = chance_of_so_many(middle / tested, of / tested, share) <= level
        low, high = (low, middle) if small else (middle, high)
    mean = ratio * expected
    varies = 1 + ratio * (dispersion - 1) if judged.clusters else dispersion
    if varies <= 1.0001:
        return float(poisson.sf(high - 1, mean))
    return float(nbinom.sf(high - 1, mean / (varies - 1), 1 / varies))


def _dispersion_with(judged: JudgedUnits, place: int, ratio: float) -> float:
    """Return the dispersion by which a unit is judged when it has so many times its expected events."""
    if not judged.clusters:
        return float(judged.dispersion[place])
    expected, total, more = float(judged.expected[place]), float(judged.observed.sum()), ratio - 1
    gaps = [
        one.dispersion * (total - expected)
        + ratio * expected * (1 + ratio * (one.dispersion - 1))
        + more**2 * expected * one.size
        for one in judged.clusters
    ]
    return max(1.0, max(gaps) / (total + more * expected))
