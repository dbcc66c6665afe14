"""The ledger's wears as arrays: sums by person for any group and period, without a query for each."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.trends.cell_periods import Period
from analysis.trends.measures import FLAGS, flag_expressions
from analysis.trends.naming import codes_of

FEWEST_PEOPLE = 10
"""A profile may ask for more, or for fewer down to 5 (`analysis.profile.Disclosure`)."""
PARTS = ("station", "role", "kind")
AMOUNTS = ("under_air_min", "hard_min", "heat_dose")
ALARMS = ("no_motion_wears", "distress_wears")
NOT_KNOWN = "not known"
GONE = "gone-"
"""Begins the names that `retain` gives: one person has one in each incident, so they count nobody."""


class Worked:
    """The ledger's wears as arrays, in the order of their months.

    - `wears`: the ledger's, with `station` and `role` (`analysis.trends.roster`).
    - `fewest`: people that a group must have.
    """

    def __init__(self, wears: pl.DataFrame, fewest: int = FEWEST_PEOPLE) -> None:
        self.fewest = fewest
        started = pl.col("started")
        known = pl.col("wearer_id").is_not_null() & ~gone(wears["wearer_id"])
        table = (
            wears.lazy()
            .filter(started.is_not_null())
            .select(
                (started.dt.year().cast(pl.Int64) * 12 + started.dt.month() - 1).alias("month"),
                pl.when(known).then(pl.col("wearer_id")).alias("who"),
                *(pl.col(part).fill_null(NOT_KNOWN) for part in PARTS),
                pl.col("task").fill_null(""),
                *(flag.fill_null(value=False).alias(name) for name, flag in flag_expressions().items()),
                *(pl.col(name) for name in AMOUNTS),
                "mean_l_min",
            )
            .sort("month", maintain_order=True)
            .collect()
        )
        self.month = table["month"].to_numpy()
        who, people = codes_of(table["who"])
        self.people = len(people)
        # The last place is nobody's: wears that no tally names.
        self.who = np.where(who < 0, self.people, who)
        self.names: dict[str, list[str]] = {"service": [""]}
        self._codes = {"service": np.zeros(len(table), dtype=np.int64)}
        for part in PARTS:
            self._codes[part], self.names[part] = codes_of(table[part])
        # Where no alarm ever came, nobody knows whether these sets send any.
        silent = not table.select(pl.any_horizontal(pl.col(ALARMS).any())).item()
        told = [name for name in FLAGS if not (silent and name in ALARMS)]
        self.flags = {name: table[name].to_numpy().astype(float) for name in told}
        self.amounts = {name: table[name].cast(pl.Float64).to_numpy() for name in AMOUNTS}
        self.task = table["task"].to_list()
        self.rate = table["mean_l_min"].cast(pl.Float64).to_numpy()

    def within(self, period: Period) -> slice:
        """Return which wears a period holds."""
        return slice(*np.searchsorted(self.month, [period.first, period.after]))

    def by_person(
        self, part: str, lines: slice, values: NDArray[np.float64] | None = None
    ) -> NDArray[np.float64]:
        """Return one row a name of the part, one column a person (nobody last): wears, or sums of values."""
        width = self.people + 1
        at = self._codes[part][lines] * width + self.who[lines]
        weights = None if values is None else np.nan_to_num(values[lines])
        sums = np.bincount(at, weights, minlength=len(self.names[part]) * width)
        return sums.reshape(-1, width).astype(float)

    def rows_of(self, part: str, names: Iterable[str]) -> list[int]:
        """Return the rows of some names in `by_person`."""
        return [0] if part == "service" else [self.names[part].index(name) for name in names]

    def __bool__(self) -> bool:
        return bool(len(self.month))


def gone(names: pl.Series) -> pl.Expr:
    """Return what tells which of the names `retain` gave: they are nobody's."""
    distinct = names.drop_nulls().unique()
    those = distinct.filter(distinct.cast(pl.String).str.starts_with(GONE))
    return pl.col(names.name).is_in(those.implode())
