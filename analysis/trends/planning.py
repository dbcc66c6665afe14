"""Planning: rates from the service's own wears and how long a cylinder lasts at each; rest; training.

Rest between wears is judged by every rule of the profile that is on.
"""

import calendar
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import msgspec
import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.air.gas import Cylinder, free_air_l
from analysis.profile import Rest, RestRule, Training
from analysis.wears.valve import CHANGED_RISE_BAR

QUANTILES = (0.5, 0.9, 0.95)
FEWEST_WEARS = 10
"""Below so many wears no rate is given for a task. Our own rule."""
SHORTEST_MIN = 3.0
"""Shorter wears are tests of the set, not work. Our own rule."""
PLANNING_TEMPERATURE_C = 15.0


@dataclass(frozen=True)
class PlanningRate:
    """One quantile of the mean rates of a task's wears."""

    quantile: float
    wears: int
    rate_l_min: float
    # `low_l_min`, `high_l_min`: 95 % interval of the quantile; None where so few wears do not bound it
    low_l_min: float | None
    high_l_min: float | None


def planning_rates(wears: pl.DataFrame) -> dict[str, list[PlanningRate]]:
    """Return median, 90th and 95th percentile of the wears' mean rates by task; all under an empty name.

    The interval is that of order statistics, from the binomial distribution (Conover, *Practical
    Nonparametric Statistics*, 3.2), as `scipy.stats.quantile_test` gives it, from one sorting for all. The
    rate is a wear's mean: short bursts are higher.
    """
    known = wears.filter((pl.col("mean_l_min") > 0) & (pl.col("under_air_min") >= SHORTEST_MIN))
    by_task = known.filter(pl.col("task").is_not_null()).group_by("task").agg(pl.col("mean_l_min"))
    by_task = by_task.sort(pl.col("mean_l_min").list.len(), "task", descending=[True, False])
    lots = [("", known["mean_l_min"]), *((str(task), rates) for task, rates in by_task.iter_rows())]
    found = {}
    for task, values in lots:
        rates = np.sort(np.asarray(values, dtype=np.float64))
        if len(rates) < FEWEST_WEARS:
            continue
        found[task] = [
            PlanningRate(at, len(rates), float(np.quantile(rates, at)), *_order_statistics(rates, at))
            for at in QUANTILES
        ]
    return found


def _order_statistics(rates: NDArray[np.float64], quantile: float) -> tuple[float | None, float | None]:
    """Return the 95 % interval of a quantile of sorted rates; None for an end that they do not bound."""
    # Half a second to import: only when it is needed.
    from scipy.stats import binom

    low, high = int(binom.ppf(0.025, len(rates), quantile)) - 1, int(binom.isf(0.025, len(rates), quantile))
    return float(rates[low]) if low >= 0 else None, float(rates[high]) if high < len(rates) else None


def minutes_to_warning(cylinder: Cylinder, warning_bar: float, rate_l_min: float) -> float:
    """Return how long a full cylinder lasts until the warning at a steady rate, minutes (real gas, 15 °C)."""
    full, left = (
        free_air_l(bar, PLANNING_TEMPERATURE_C, cylinder.total_l) for bar in (cylinder.rated_bar, warning_bar)
    )
    return float(full - left) / rate_l_min


PAUSE_OF_A_WEAR_MIN = 2.0
"""Shorter pauses on the same cylinder are one wear: the set restarted, or a closed valve. Our own rule."""


@dataclass(frozen=True)
class ShortRest:
    """A wear that began before the rest that a rule asks for was over."""

    rule: str  # its name in the profile
    wearer_id: str
    wear_id: str
    after_wear_id: str  # the wear before the rest
    started: datetime
    reached: str  # what made the rest due: ``cylinders``, ``work``, ``hard`` or ``heat``.
    amount: float  # how much of it there was
    rested_min: float
    asked: RestRule


NEEDED = (
    *("wearer_id", "wear_id", "set_id", "started", "ended", "start_bar", "end_bar"),
    *("under_air_min", "hard_min", "heat_dose"),
)
"""Columns of the ledger that rest is judged by."""
REACHED = {
    "cylinders": "{amount:.0f} cylinders",
    "work": "{amount:.0f} min under air",
    "hard": "{amount:.0f} min of hard breathing",
    "heat": "heat dose {amount:.2f}",
}


def reached_text(one: ShortRest) -> str:
    """Return what made the rest due, in words."""
    text = REACHED[one.reached].format(amount=one.amount)
    return text.removesuffix("s") if one.reached == "cylinders" and one.amount == 1 else text


def rules_in_force(rest: Rest) -> dict[str, RestRule]:
    """Return the rules that are on, by name."""
    return {name: rule for name, rule in msgspec.structs.asdict(rest).items() if rule.on}


def short_rests(wears: pl.DataFrame, rest: Rest) -> list[ShortRest]:
    """Return every wear that began too soon, newest first.

    Work, cylinders, hard breathing and heat dose add up over a wearer's wears until a rest of the rule's
    length; the next wear after the threshold is judged. A set that goes on with the cylinder that it had
    brings no new one. A wearer is one pseudonym; untallied wears are nobody's.
    """
    rules = rules_in_force(rest)
    # Only who began again within the longest rest can have broken a rule: the rest need no loop.
    longest = max((rule.rest_min for rule in rules.values()), default=0.0)
    known = wears.select(NEEDED).drop_nulls(["wearer_id", "started", "ended"]).sort("wearer_id", "started")
    before = {name: pl.col(name).shift(1).over("wearer_id") for name in ("ended", "set_id", "end_bar")}
    rested = (pl.col("started") - before["ended"]).dt.total_microseconds() / 60e6
    chain = (rested.is_null() | (rested >= longest)).cum_sum()
    same_cylinder = (before["set_id"] == pl.col("set_id")) & (
        pl.col("start_bar") <= before["end_bar"] + CHANGED_RISE_BAR
    )
    known = known.with_columns(
        rested.alias("rested"), chain.alias("chain"), same_cylinder.fill_null(value=False).alias("same")
    )
    known = known.filter(pl.len().over("chain") > 1)
    rows = known.drop("set_id", "ended", "start_bar", "end_bar").rows(named=True)
    found = [one for name, rule in rules.items() for one in _applied(name, rule, rows)]
    return sorted(found, key=lambda one: (one.started, one.rule), reverse=True)


def _applied(name: str, rule: RestRule, rows: list[dict[str, Any]]) -> Iterator[ShortRest]:
    limits = {
        "cylinders": float(rule.after_cylinders),
        "work": rule.after_work_min,
        "hard": rule.after_hard_min,
        "heat": rule.after_heat_dose,
    }
    sums = dict.fromkeys(limits, 0.0)
    chain, last = None, ""
    for row in rows:
        if row["chain"] != chain or row["rested"] >= rule.rest_min:
            chain, sums = row["chain"], dict.fromkeys(limits, 0.0)
        elif not (row["same"] and row["rested"] < PAUSE_OF_A_WEAR_MIN):
            due = next((what for what, limit in limits.items() if limit and sums[what] >= limit), None)
            if due is not None:
                wears, rested_min = (row["wearer_id"], row["wear_id"], last), max(row["rested"], 0.0)
                yield ShortRest(name, *wears, row["started"], due, sums[due], rested_min, rule)
        sums["cylinders"] += 0.0 if row["same"] else 1.0
        sums["work"] += row["under_air_min"] or 0.0
        sums["hard"] += row["hard_min"] or 0.0
        sums["heat"] += row["heat_dose"] or 0.0
        last = row["wear_id"]


TRAINING_KINDS = ("drill", "training")
"""Incidents do not count as training. Our own rule."""


def training_of(
    wears: pl.DataFrame, roster: pl.DataFrame, year: int, today: date, rule: Training
) -> pl.DataFrame:
    """Return one line a person, who lacks most first.

    - `wears`: the ledger's, with `station`.
    - `roster`: who is on it on the last day that counts appears without any wear, too
      (`analysis.trends.roster`).
    - `today`: a year that is not over counts until this day.

    Returns `wearer_id`, `station`, `wears`, `hours`, `last` (newest wear that counts, or null),
    `missing_wears`, `missing_hours` (0: nothing), `behind` (lacks something and has less than the part of the
    year that is over asks for).
    """
    last_day = min(today, date(year, 12, 31))
    days = 366 if calendar.isleap(year) else 365
    part = max(0, (last_day - date(year, 1, 1)).days + 1) / days
    counted = wears.filter(
        pl.col("wearer_id").is_not_null()
        & (pl.col("started").dt.year() == year)
        & (pl.col("started").dt.date() <= last_day)
    )
    own = pl.col("kind").is_in(TRAINING_KINDS)
    sums = counted.group_by("wearer_id").agg(
        own.sum().cast(pl.Int64).alias("wears"),
        (pl.col("under_air_min").filter(own).sum() / 60.0).alias("hours"),
        pl.col("started").filter(own).max().alias("last"),
        pl.col("station").drop_nulls().last().alias("worked_at"),
    )
    sums = sums.with_columns(pl.col("wearer_id", "worked_at").cast(pl.String))
    here = roster.filter((pl.col("from") <= last_day) & (pl.col("until") >= last_day))
    people = here.select("wearer_id", "station").unique("wearer_id", keep="last")
    table = people.join(sums, on="wearer_id", how="full", coalesce=True).with_columns(
        pl.coalesce("station", "worked_at").alias("station"),
        pl.col("wears").fill_null(0),
        pl.col("hours").fill_null(0.0),
    )
    missing_wears = pl.max_horizontal(rule.wears_a_year - pl.col("wears"), 0)
    missing_hours = pl.max_horizontal(rule.hours_a_year - pl.col("hours"), 0.0)
    short = (pl.col("wears") < part * rule.wears_a_year) | (pl.col("hours") < part * rule.hours_a_year)
    return (
        table.with_columns(
            missing_wears.cast(pl.Int64).alias("missing_wears"),
            missing_hours.alias("missing_hours"),
            short.alias("behind"),
        )
        .drop("worked_at")
        .sort("missing_hours", "missing_wears", "wearer_id", descending=[True, True, False])
    )
