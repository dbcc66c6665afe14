"""The ledger's wears as arrays, and the months, quarters and years that they are summed by."""

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from functools import partial

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.trends.measures import FLAGS, flag_expressions
from analysis.trends.naming import codes_of, gone

FEWEST_PEOPLE = 10
"""A profile may ask for more, or for fewer down to 5 (`analysis.profile.Disclosure`)."""
PARTS = ("station", "role", "kind")
AMOUNTS = ("under_air_min", "hard_min", "heat_dose")
ALARMS = ("no_motion_wears", "distress_wears")
NOT_KNOWN = "not known"


@dataclass(frozen=True)
class Period:
    """A month, a quarter or a year; months counted from year 0, the last one excluded."""

    name: str
    first: int
    after: int

    def inside(self) -> set[str]:
        """Return the names of the quarter and year that it is a part of."""
        longer = (quarter_of(self.first), year_of(self.first))
        return {one.name for one in longer if one.after - one.first > self.after - self.first}

    def months(self) -> list["Period"]:
        """Return its months."""
        return [month_of(number) for number in range(self.first, self.after)]

    def quarters(self) -> list["Period"]:
        """Return its quarters."""
        return [quarter_of(number) for number in range(self.first, self.after, 3)]


def _period_of(number: int, months: int) -> Period:
    first = number - number % months
    year, month = divmod(first, 12)
    ending = {1: f"-{month + 1:02d}", 3: f"-Q{month // 3 + 1}", 12: ""}[months]
    return Period(f"{year:04d}{ending}", first, first + months)


month_of, quarter_of, year_of = (partial(_period_of, months=months) for months in (1, 3, 12))
"""A month by its number, its quarter, its year."""


def periods_over(first: int, today: date) -> list[Period]:
    """Return every month, quarter and year from a month on that is over, in the order in which they ended."""
    now = 12 * today.year + today.month - 1
    found: list[Period] = []
    for number in range(first, now):
        found.append(month_of(number))
        found += [one for one in (quarter_of(number), year_of(number)) if one.after == number + 1]
    return found


def inside_days(name: str, first: date | None, last: date | None) -> bool:
    """Return whether a period is inside days, both inclusive; None leaves an end open.

    Examples
    --------
    >>> inside_days("2031-04", None, date(2031, 4, 30)), inside_days("2031-Q2", None, date(2031, 4, 30))
    (True, False)
    """
    year, _, rest = name.partition("-")
    months = 3 if rest.startswith("Q") else 1 if rest else 12
    period = _period_of(12 * int(year) + months * (int(rest.lstrip("Q") or 1) - 1), months)
    begins, ends = _first_day(period.first), _first_day(period.after) - timedelta(days=1)
    return (first is None or begins >= first) and (last is None or ends <= last)


def _first_day(month: int) -> date:
    return date(month // 12, month % 12 + 1, 1)


def one_person(name: str) -> str:
    """Return a wearer's ID without what two people type differently: capitals, leading zeros, a separator.

    Examples
    --------
    >>> one_person("FF-07"), one_person("ff7"), one_person("FF-70")
    ('ff7', 'ff7', 'ff70')
    """
    joined = re.sub(r"(?<=[a-z])[._-]+(?=[0-9])", "", name.casefold())
    return re.sub(r"(?<![0-9])0+(?=[0-9])", "", joined)


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
        who, spelled = codes_of(table["who"])
        people, person = np.unique([one_person(name) for name in spelled], return_inverse=True)
        who = np.append(person, -1)[who]
        self.people = len(people)
        # What counts as one person: two spellings of one name must not fill a group.
        self.alike = [
            [name for name, at in zip(spelled, person, strict=True) if at == place]
            for place in np.flatnonzero(np.bincount(person) > 1)
        ]
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
        """Return the rows of some names in `by_person`; a name that nobody has any more has none."""
        known = self.names[part]
        return [0] if part == "service" else [known.index(name) for name in names if name in known]

    def crossed(self, part: str, other: str, lines: slice) -> NDArray[np.float64]:
        """Return wears by name of a part, name of another and person (nobody last)."""
        shape = len(self.names[part]), len(self.names[other]), self.people + 1
        at = np.ravel_multi_index(
            (self._codes[part][lines], self._codes[other][lines], self.who[lines]), shape
        )
        return np.bincount(at, minlength=math.prod(shape)).reshape(shape).astype(float)
