"""Minutes, hard minutes, dose and silence of stations and roles compared, within kind, task and quarter."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import polars as pl

from analysis.trends.measures import MEANS
from analysis.trends.naming import INCIDENT, Codes, codes_of
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


def above_the_usual(wears: pl.DataFrame) -> pl.DataFrame:
    """Return the amounts of `MEANS` and, ending in `_above`, how far each is above its lot.

    A lot is what has the same kind, task and quarter of a year.
    """
    lot = [pl.col("kind").fill_null(""), pl.col("task").fill_null(""), pl.col("started").dt.truncate("1q")]
    parts = [name for name in ("station", "role") if name in wears.columns]
    return wears.select(
        *parts,
        "wearer_id",
        INCIDENT.alias("incident"),
        *MEANS,
        *((pl.col(name) - pl.col(name).mean().over(*lot)).alias(f"{name}_above") for name in MEANS),
    )


def amounts_of_parts(above: pl.DataFrame, part: str, wears: int, people: int) -> Iterator[Amount]:
    """Compare each part's amounts above the usual, by people and by incidents; the weaker of the two counts.

    Wears of one person are alike, and so are wears at one fire: neither are independent observations.

    Parameters
    ----------
    above : DataFrame
        As `above_the_usual` returns it.
    part : str
        ``station`` or ``role``.
    wears, people : int
        A part with fewer wears or people is not compared.
    """
    known = above.drop_nulls([part, "wearer_id"])
    lots = [_lot(known, part, unit) for unit in ("wearer_id", "incident")]
    codes, names = codes_of(known[part])
    size = np.bincount(codes, minlength=len(names))
    crowd = np.bincount(lots[0][0], minlength=len(names))
    compared = np.flatnonzero((size >= wears) & (crowd >= people))
    for measure in MEANS:
        chances = []
        for place, table in lots:
            values = table[f"{measure}_above"].to_numpy()
            of_groups = mann_whitney_of_groups(values, place, len(names))
            some = np.isfinite(values)
            own = np.bincount(place[some], minlength=len(names))
            chances.append(np.where((own >= people) & (some.sum() - own >= people), of_groups, np.nan))
        sums = [
            (place, table[f"{measure}_sum"].to_numpy(), table[f"{measure}_size"].to_numpy())
            for place, table in lots
        ]
        total, count = (np.bincount(sums[0][0], each, minlength=len(names)) for each in sums[0][1:])
        for at in compared:
            chance, others = max(float(each[at]) for each in chances), count.sum() - count[at]
            if not all(np.isfinite(each[at]) for each in chances) or not others:
                continue
            ends = [interval_of_a_mean(each[place == at], of[place == at]) for place, each, of in sums]
            low, high = max(ends, key=lambda both: both[1] - both[0])
            yield Amount(
                names[at],
                measure,
                chance,
                float(total[at] / count[at]),
                float((total.sum() - total[at]) / others),
                int(size[at]),
                max(low, 0.0),
                high,
            )


def _lot(known: pl.DataFrame, part: str, unit: str) -> tuple[Codes, pl.DataFrame]:
    """Return one line for each part and person (or incident), and the number of each line's part."""
    table = known.group_by(part, unit).agg(
        *(pl.col(f"{name}_above").mean() for name in MEANS),
        *(pl.col(name).sum().alias(f"{name}_sum") for name in MEANS),
        *(pl.col(name).count().alias(f"{name}_size") for name in MEANS),
    )
    return codes_of(table[part])[0], table
