"""Minutes, hard minutes, dose and silence of stations and roles compared, within kind, task and quarter."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import polars as pl

from analysis.trends.measures import MEANS
from analysis.trends.naming import Codes, Floats, expected_of, numbered, numbers_of
from analysis.trends.statistics import interval_of_a_mean, mann_whitney_of_groups


class Amount(NamedTuple):
    """A part's mean amount a wear, that of the rest, and the chance of so much more."""

    name: str
    measure: str
    chance: float
    value: float
    rest: float
    wears: int
    low: float
    high: float


class Above(NamedTuple):
    """How far each wear's amounts are above its lot, of the same kind, task and quarter of a year."""

    # `people`, `incidents`: number of each wear's person and incident; -1 without a person
    people: Codes
    incidents: Codes
    # `values`, `above`: by name of `MEANS`, one value a wear; NaN where it was not measured
    values: dict[str, Floats]
    above: dict[str, Floats]


def above_the_usual(wears: pl.DataFrame, strata: Codes, incidents: Codes) -> Above:
    """Return how far the amounts of `MEANS` are above their lots.

    `strata` and `incidents`: number of each wear's kind and task, and of its incident.
    """
    started = pl.col("started")
    quarter = wears.select(started.dt.year().cast(pl.Int64) * 4 + started.dt.quarter()).to_series().to_numpy()
    lot = numbered(quarter * (int(strata.max(initial=0)) + 1) + strata)
    values, above = {}, {}
    for name in MEANS:
        values[name] = wears[name].cast(pl.Float64).fill_null(np.nan).to_numpy()
        above[name] = values[name] - expected_of(values[name], lot, np.isfinite(values[name]))
    return Above(numbers_of(wears["wearer_id"]), incidents, values, above)


def amounts_of_parts(
    above: Above, units: Codes, names: list[str], wears: int, people: int
) -> Iterator[Amount]:
    """Compare each part's amounts above the usual, by people and by incidents; the weaker of the two counts.

    Wears of one person are alike, and so are wears at one fire: neither are independent observations.

    - `units`: number of each wear's station or role; -1 without one.
    - `names`: what the numbers stand for.
    - `wears` and `people`: a part with fewer wears or people is not compared.
    """
    known = (units >= 0) & (above.people >= 0)
    lots = [_lots(units[known], of[known]) for of in (above.people, above.incidents)]
    size = np.bincount(units[known], minlength=len(names))
    crowd = np.bincount(lots[0][1], minlength=len(names))
    compared = np.flatnonzero((size >= wears) & (crowd >= people))
    for measure in MEANS:
        sums = [_sums(place, part, above.values[measure][known]) for place, part in lots]
        chances = []
        for place, part in lots:
            total, count = _sums(place, part, above.above[measure][known])
            values = np.divide(total, count, out=np.full(len(part), np.nan), where=count > 0)
            of_groups = mann_whitney_of_groups(values, part, len(names))
            some = np.isfinite(values)
            own = np.bincount(part[some], minlength=len(names))
            chances.append(np.where((own >= people) & (some.sum() - own >= people), of_groups, np.nan))
        whole, sizes = (np.bincount(lots[0][1], each, minlength=len(names)) for each in sums[0])
        for at in compared:
            chance, others = max(float(each[at]) for each in chances), sizes.sum() - sizes[at]
            if not all(np.isfinite(each[at]) for each in chances) or not others:
                continue
            ends = [
                interval_of_a_mean(each[part == at], of[part == at])
                for (each, of), (_, part) in zip(sums, lots, strict=True)
            ]
            low, high = max(ends, key=lambda both: both[1] - both[0])
            yield Amount(
                names[at],
                measure,
                chance,
                float(whole[at] / sizes[at]),
                float((whole.sum() - whole[at]) / others),
                int(size[at]),
                max(low, 0.0),
                high,
            )


def _lots(units: Codes, of: Codes) -> tuple[Codes, Codes]:
    """Return the lot of each wear (its part and person, or part and incident), and the part of each lot."""
    width = int(of.max(initial=0)) + 1
    place = numbered(units * width + of)
    part = np.zeros(int(place.max(initial=-1)) + 1, dtype=np.int64)
    part[place] = units
    return place, part


def _sums(place: Codes, part: Codes, values: Floats) -> tuple[Floats, Floats]:
    """Return each lot's sum of known values, and how many are known."""
    known = np.isfinite(values)
    total = np.bincount(place[known], values[known], minlength=len(part)).astype(np.float64)
    return total, np.bincount(place[known], minlength=len(part)).astype(np.float64)
