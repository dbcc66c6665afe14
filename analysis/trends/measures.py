"""The long view: what months of wears say, as rates with exact intervals and control limits.

A rate always has its count, its wears and its exact interval. The last months are judged by
`analysis.trends.prediction`; the thresholds below are our own rules.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.trends.ledger import THERMAL_CLASSES
from analysis.trends.naming import Codes, codes_of, gone, incident_of, known_places, strata_of
from analysis.trends.prediction import FEWEST_MONTHS, Predicted, alike, predicted_counts, predicted_logs
from analysis.trends.statistics import MannKendall, Rate, binomial_rate, mann_kendall, seasonal_kendall

FEWEST_WEARS_FOR_A_RATE = 10
FEWEST_EVENTS_FOR_A_TREND = 10
FEWEST_MONTHS_FOR_A_TREND = 10
MONTHS_FOR_SEASONS = 24
LEAST_WEARS_A_MONTH = 5
LEAST_PART_OF_A_MONTH = 0.25
"""A month with fewer wears than this part of the usual is not judged by limits that the usual months set."""

PER_WEARS = 1000.0
FLAGS = ("low_air_exits", "no_motion_wears", "distress_wears", "silent_wears")
"""Each counts wears, so one wear counts once however often its alarm came."""
EVENTS = ("low_air_exits", "no_motion_alarms", "distress_alarms")
"""How often each came; a wear has one exit below the warning at most."""
AMOUNTS = ("under_air_min", "hard_min", "heat_dose", "silent_min", *(f"class_{c}_s" for c in THERMAL_CLASSES))
MEASURED_IN = {"heat_dose": "heat_dose_wears"}
"""Amounts that not every set measures: which column of `sums_by` counts the wears that have it."""
SILENT_WEAR_MIN = 1.0
"""A wear with this much silence counts as one. Our own rule."""
LOGS = ("under_air_min", "hard_min", "heat_dose")
"""Amounts whose last months are judged; silence is judged by wears with a minute of it or more."""
MEANS = ("under_air_min", "hard_min", "heat_dose", "silent_min")
TOTALS = ("wears", "hours")


def flag_expressions() -> dict[str, pl.Expr]:
    """Return what makes a wear one with each event of `FLAGS`."""
    return {
        "low_air_exits": pl.col("low_air_exits") > 0,
        "no_motion_wears": pl.col("no_motion_alarms") > 0,
        "distress_wears": pl.col("distress_alarms") > 0,
        "silent_wears": pl.col("silent_min") >= SILENT_WEAR_MIN,
    }


def flags_of(wears: pl.DataFrame) -> dict[str, NDArray[np.float64]]:
    """Return, for each event, one value a wear: 1 with the event, NaN where nobody knows."""
    found = wears.select(flag.cast(pl.Float64).alias(name) for name, flag in flag_expressions().items())
    return {name: found[name].fill_null(math.nan).to_numpy() for name in FLAGS}


def sums_by(wears: pl.DataFrame, *groups: str | pl.Expr) -> pl.DataFrame:
    """Sum the ledger's wears by groups.

    Returns the groups, then `wears`, `wearers` (null where nobody knows, as names were dropped), `hours`,
    `heat_dose_wears` (with a heat sensor), `low_air_exits_unknown` (whose end was not heard), the sums of
    events and amounts; in the order of the groups.
    """
    return (
        wears.filter(pl.col("started").is_not_null())
        .group_by(*groups)
        .agg(
            pl.len().cast(pl.Int64).alias("wears"),
            people(wears).alias("wearers"),
            (pl.col("under_air_min").sum() / 60.0).alias("hours"),
            *(pl.col(name).count().cast(pl.Int64).alias(size) for name, size in MEASURED_IN.items()),
            pl.col("low_air_exits").null_count().cast(pl.Int64).alias("low_air_exits_unknown"),
            *(flag.sum().cast(pl.Int64).alias(name) for name, flag in flag_expressions().items()),
            *(pl.col(name).sum() for name in (*EVENTS[1:], *AMOUNTS)),
        )
        .sort(*(group if isinstance(group, str) else group.meta.output_name() for group in groups))
    )


def people(wears: pl.DataFrame) -> pl.Expr:
    """Return what counts the people of wears; null where `retain` dropped a name."""
    count = pl.coalesce("wearer_id", "set_id").n_unique().cast(pl.Int64)
    return pl.when(~gone(wears["wearer_id"]).any()).then(count)


def _with_zeros(sums: pl.DataFrame, names: Sequence[str]) -> pl.DataFrame:
    """Return joined sums with 0 where a group has no wear."""
    empty, rest = pl.col("wears").is_null(), pl.all().exclude(*names, "wearers")
    return sums.with_columns(rest.fill_null(0), wearers=pl.when(empty).then(0).otherwise("wearers"))


def with_never_heard(sums: pl.DataFrame, unheard: pl.DataFrame, *groups: str | pl.Expr) -> pl.DataFrame:
    """Return `sums_by` with the entries of which no set was heard under air: they are in no other column.

    Adds `never_heard` (entries) and `never_heard_EVENT` (of these, known to have it by voice or by an alarm)
    for each event but silence; a group without a wear has 0 everywhere else.
    """
    names = [group if isinstance(group, str) else group.meta.output_name() for group in groups]
    known = {f"never_heard_{name}": flag.sum() for name, flag in flag_expressions().items()}
    del known["never_heard_silent_wears"]
    counts = unheard.group_by(*groups).agg(never_heard=pl.len(), **known).cast({pl.UInt32: pl.Int64})
    both = sums.join(counts, on=names, how="full", coalesce=True, nulls_equal=True)
    return _with_zeros(both, names).sort(*names)


MONTH = pl.col("started").dt.truncate("1mo").dt.date().alias("month")
"""First day of the month (UTC) in which a wear began."""


def by_month(wears: pl.DataFrame) -> pl.DataFrame:
    """Sum the wears by month of their start (UTC), every month from first to last, empty ones too.

    Returns `month` (date of its first day), then as `sums_by`.
    """
    return every_month(sums_by(wears, MONTH))


def every_month(sums: pl.DataFrame) -> pl.DataFrame:
    """Return sums by month with every month from first to last; empty ones have 0."""
    if not len(sums):
        return sums
    months = sums.select(pl.date_range(pl.col("month").min(), pl.col("month").max(), "1mo").alias("month"))
    return _with_zeros(months.join(sums, on="month", how="left").sort("month"), ["month"])


def wears_of(sums: Any, measure: str) -> Any:
    """Return the wears of which a measure is known: of a row of `sums_by`, or of all."""
    if measure == "low_air_exits":
        return sums["wears"] - sums["low_air_exits_unknown"]
    return sums[MEASURED_IN.get(measure, "wears")]


def rates_of(sums: pl.DataFrame, flag: str) -> pl.DataFrame:
    """Return `rate`, `low` and `high` per 1000 wears of each row of `sums_by`; null without wears."""
    both = zip(sums[flag].to_list(), wears_of(sums, flag).to_list(), strict=True)
    rates = [binomial_rate(count, size, PER_WEARS) or (None, None, None) for count, size in both]
    return pl.DataFrame(rates, schema=dict.fromkeys(Rate._fields, pl.Float64), orient="row")


@dataclass(frozen=True)
class Monthly:
    """One measure by month: wears with an event per 1000 wears, a mean a wear, or a total."""

    # `month`, `wears` (`wears_of`), `value`, of events also `events`, `low` and `high` (exact 95 % interval),
    # `lower_limit`, `upper_limit` (of the judged months), `outside`, `solid`; value null without wears,
    # limits null where nothing is judged. A month that is not solid (`LEAST_PART_OF_A_MONTH`, of means also
    # `LEAST_WEARS_A_MONTH`, or not over) is no part of a trend. The limits of a mean are those of the mean of
    # logarithms, drawn around the mean: a point is outside where its logarithms are.
    table: pl.DataFrame
    # Over the whole period, of events with its interval (of others NaN); None without enough wears for it.
    overall: Rate | None
    trend: MannKendall | None  # None where there are too few months
    judged: Predicted | None = None  # None where months or events are too few to judge the last ones


def monthly(
    months: pl.DataFrame, measure: str, running: date | None = None, judged: Predicted | None = None
) -> Monthly:
    """Return one of `FLAGS`, `MEANS` or `TOTALS` by month and over all; nothing is judged of a total.

    `running` is the month that is not over: shown, not judged, and no part of a trend.
    """
    is_rate, is_total = measure in FLAGS, measure in TOTALS
    sums, sizes = months[measure].to_numpy(), wears_of(months, measure).to_numpy()
    events, wears = sums.sum(), int(sizes.sum())
    value = (PER_WEARS if is_rate else 1.0) * sums
    if not is_total:
        value = np.divide(value, sizes, out=np.full(len(sums), math.nan), where=sizes > 0)
    usual = float(np.median(sizes[sizes > 0])) if (sizes > 0).any() else 0.0
    fewest = 0 if is_total else max(1 if is_rate else LEAST_WEARS_A_MONTH, LEAST_PART_OF_A_MONTH * usual)
    solid = (sizes >= fewest) & np.array([month != running for month in months["month"]], dtype=bool)
    observed, lower, upper = np.full((3, len(months)), math.nan)
    single: list[int] = []
    if judged is not None:
        for room, known in ((observed, judged.observed), (lower, judged.lower), (upper, judged.upper)):
            room[: len(known)] = known
        single = [mark.first for mark in judged.marks if mark.months == 1]
    low, high = (
        end * (PER_WEARS / np.maximum(sizes, 1)) if is_rate else value * np.exp(end - observed)
        for end in (lower, upper)
    )
    table = months.select("month").with_columns(
        pl.Series("wears", sizes),
        pl.Series("value", value).fill_nan(None),
        pl.Series("lower_limit", low).fill_nan(None),
        pl.Series("upper_limit", high).fill_nan(None),
        pl.Series("outside", np.isin(np.arange(len(months)), single)),
        pl.Series("solid", solid),
    )
    if is_rate:
        table = table.with_columns(pl.Series("events", sums), *rates_of(months, measure).drop("rate"))
        overall = binomial_rate(int(events), wears, PER_WEARS) if wears >= FEWEST_WEARS_FOR_A_RATE else None
    elif is_total:
        overall = Rate(float(value[solid].mean()), math.nan, math.nan) if solid.any() else None
    else:
        overall = Rate(float(events / wears), math.nan, math.nan) if wears else None
    enough = not is_rate or events >= FEWEST_EVENTS_FOR_A_TREND
    trend = _trend(np.where(solid, value, math.nan)) if enough else None
    return Monthly(table, overall, trend, judged)


@dataclass(frozen=True)
class WearLots:
    """Which wears are alike; arrays have one value a wear."""

    # `strata`, `incidents`: number of its kind and task, and of its incident (without a tally its day)
    strata: Codes
    incidents: Codes
    months: Codes  # month (UTC) of its start, counted from the first wear's
    first: int  # that month, counted from year 0

    def only(self, those: slice | NDArray[np.bool_]) -> "WearLots":
        """Return it for some of the wears."""
        return WearLots(self.strata[those], self.incidents[those], self.months[those], self.first)


def lots_of(wears: pl.DataFrame) -> WearLots:
    """Return which wears are alike, of wears that all have a start."""
    number = pl.col("started").dt.year().cast(pl.Int64) * 12 + pl.col("started").dt.month() - 1
    months = wears.select(number.alias("month"))["month"].to_numpy().astype(np.int64)
    first = int(months.min()) if len(months) else 0
    return WearLots(strata_of(wears), codes_of(incident_of(wears))[0], months - first, first)


def judged_months(wears: pl.DataFrame, running: date) -> dict[str, Predicted]:
    """Return what the last months are judged by, for each measure that can be judged.

    `running`: first day of the month that is not over; it is not judged.
    """
    wears = wears.filter(pl.col("started").is_not_null())
    if not len(wears):
        return {}
    lots = lots_of(wears)
    over = min(12 * running.year + running.month - 1 - lots.first, int(lots.months.max()) + 1)
    if over < FEWEST_MONTHS:
        return {}
    found: dict[str, Predicted | None] = {}
    for name, flag in flags_of(wears).items():
        known = known_places(flag)
        one = lots.only(known)
        found[name] = predicted_counts(
            flag[known], one.months, one.strata, one.incidents, over, lots.first % 12
        )
    for name in LOGS:
        values = wears[name].cast(pl.Float64).fill_null(math.nan).to_numpy()
        found[name] = predicted_logs(values, lots.months, lots.strata, over, lots.first % 12)
    return {name: judged for name, judged in found.items() if judged is not None}


def _trend(values: NDArray[np.float64]) -> MannKendall | None:
    """Test for a trend; with two years or more each month against the same month of other years."""
    if int(np.isfinite(values).sum()) < FEWEST_MONTHS_FOR_A_TREND:
        return None
    seasonal = len(values) >= MONTHS_FOR_SEASONS
    more = _spread_of_alike_months(values, seasonal=seasonal)
    return seasonal_kendall(values, more=more) if seasonal else mann_kendall(values, more=more)


def _spread_of_alike_months(values: NDArray[np.float64], *, seasonal: bool) -> float:
    """Return by how much the variance of a test for a trend grows when neighbouring months are alike."""
    step = np.flatnonzero(np.isfinite(values))
    columns = [np.ones(len(step)), step.astype(float)]
    if seasonal:
        columns += [np.cos(2 * np.pi * step / 12), np.sin(2 * np.pi * step / 12)]
    x = np.column_stack(columns)
    fit, *_ = np.linalg.lstsq(x, values[step], rcond=None)
    r = alike(values[step] - x @ fit)
    return (1 + r) / (1 - r)
