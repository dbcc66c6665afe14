"""The long view: one line a wear with what it cost, and what months of wears say.

A rate always stands with its count, its exposure and its exact interval. Limits and tests appear only when
there are enough months and events for them to mean anything; the thresholds below say when, and are our own
rules.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from analysis.statistics import MannKendall, individuals_chart, mann_kendall, rate_per, u_chart

HARD_BREATHING_L_MIN = 60.0
"""Above the band that marine training calls heavy work (40 to 60 L/min, marinegyaan.com)."""
FEWEST_WEARS_FOR_A_RATE = 10
FEWEST_MONTHS_FOR_LIMITS = 8
FEWEST_EVENTS_FOR_LIMITS = 10
FEWEST_MONTHS_FOR_A_TREND = 10
LEAST_WEARS_A_MONTH = 5
THERMAL_CLASSES = (1, 2, 3, 4)
TIME = pl.Datetime("us", "UTC")

MEASURES = pl.Schema(
    [
        ("wear_id", pl.String),
        ("incident_id", pl.String),
        ("wearer_id", pl.String),
        ("team", pl.String),
        ("set_id", pl.String),
        ("started", TIME),
        ("under_air_min", pl.Float64),
        ("hard_min", pl.Float64),
        ("free_air_l", pl.Float64),
        ("mean_l_min", pl.Float64),
        ("heat_dose", pl.Float64),
        ("class_1_s", pl.Float64),
        ("class_2_s", pl.Float64),
        ("class_3_s", pl.Float64),
        ("class_4_s", pl.Float64),
        ("low_air_exits", pl.Int64),
        ("no_motion_alarms", pl.Int64),
        ("distress_alarms", pl.Int64),
        ("silent_min", pl.Float64),
    ]
)
"""One line a wear: minutes, litres, dose, seconds by thermal class, and events that are counted."""

EVENTS = ("low_air_exits", "no_motion_alarms", "distress_alarms")
AMOUNTS = ("under_air_min", "hard_min", "heat_dose", "silent_min", *(f"class_{c}_s" for c in THERMAL_CLASSES))


def measures_of(results: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """Return one line a wear (`MEASURES`) from an incident's tables.

    A low-air exit is a wear that ended below its warning pressure. Alarms count when the set reported them.
    """
    wears = results["wears"]
    if not len(wears):
        return pl.DataFrame(schema=MEASURES)
    hard = (
        results["air"]
        .lazy()
        .filter(pl.col("rate_l_min") >= HARD_BREATHING_L_MIN)
        .group_by("wear_id")
        .agg((pl.len() / 60.0).alias("hard_min"))
        .collect()
    )
    reported = results["alarms"].filter(pl.col("source") != "derived")
    alarms = reported.group_by("wear_id").agg(
        (pl.col("alarm") == "no_motion").sum().cast(pl.Int64).alias("no_motion_alarms"),
        (pl.col("alarm") == "distress").sum().cast(pl.Int64).alias("distress_alarms"),
    )
    table = wears.join(hard, on="wear_id", how="left").join(alarms, on="wear_id", how="left")
    for number in THERMAL_CLASSES:
        seconds = results["exposure"].filter(pl.col("thermal_class") == number)
        seconds = seconds.select("wear_id", pl.col("seconds").alias(f"class_{number}_s"))
        table = table.join(seconds, on="wear_id", how="left")
    zeros = ("hard_min", "no_motion_alarms", "distress_alarms", *(f"class_{c}_s" for c in THERMAL_CLASSES))
    return table.with_columns(
        ((pl.col("ended") - pl.col("started")).dt.total_microseconds() / 60e6).alias("under_air_min"),
        (pl.col("end_bar") < pl.col("low_air_bar"))
        .fill_null(value=False)
        .cast(pl.Int64)
        .alias("low_air_exits"),
        (pl.col("gap_s").fill_null(0.0) / 60.0).alias("silent_min"),
        *(pl.col(name).fill_null(0) for name in zeros),
    ).select(pl.col(name).cast(dtype) for name, dtype in MEASURES.items())


def by_month(measures: pl.DataFrame) -> pl.DataFrame:
    """Sum the measures by month of the wear's start (UTC), every month from first to last, empty ones too.

    Returns
    -------
    DataFrame
        `month` (date of its first day), `wears`, `wearers`, `hours`, then the sums of events and amounts.
    """
    month = pl.col("started").dt.truncate("1mo").dt.date().alias("month")
    sums = (
        measures.filter(pl.col("started").is_not_null())
        .group_by(month)
        .agg(
            pl.len().cast(pl.Int64).alias("wears"),
            pl.coalesce("wearer_id", "set_id").n_unique().cast(pl.Int64).alias("wearers"),
            (pl.col("under_air_min").sum() / 60.0).alias("hours"),
            pl.col("heat_dose").count().cast(pl.Int64).alias("heat_dose_wears"),
            *(pl.col(name).sum() for name in (*EVENTS, *AMOUNTS)),
        )
        .sort("month")
    )
    if not len(sums):
        return sums
    months = sums.select(pl.date_range(pl.col("month").min(), pl.col("month").max(), "1mo").alias("month"))
    every = months.join(sums, on="month", how="left").sort("month")
    return every.with_columns(pl.col(name).fill_null(0) for name in every.columns if name != "month")


@dataclass(frozen=True)
class MonthlyRate:
    """A rate by month.

    Attributes
    ----------
    table : DataFrame
        `month`, `wears`, `events`, `exposure`, `rate`, `low`, `high` (exact 95 % interval), `lower_limit`,
        `upper_limit`, `outside`; rate null without exposure, limits null where months or events are too few.
    total : (events, exposure, rate, low, high)
        Over the whole period; None when there are too few wears for a rate.
    centre : float
        Mean rate, NaN without limits.
    trend : MannKendall or None
        None where there are too few months.
    """

    table: pl.DataFrame
    total: tuple[int, float, float, float, float] | None
    centre: float
    trend: MannKendall | None


def monthly_rate(months: pl.DataFrame, events: str, exposure: str, per: float) -> MonthlyRate:
    """Return events per `per` of exposure (`wears` or `hours`), by month and over all.

    Intervals: exact Poisson. Limits: u chart, 3 standard deviations of a Poisson count around the mean rate.
    """
    counts, exposed = months[events].to_numpy(), months[exposure].to_numpy().astype(float)
    rates = [rate_per(int(count), float(size), per) for count, size in zip(counts, exposed, strict=True)]
    used = int((exposed > 0).sum())
    with_limits = used >= FEWEST_MONTHS_FOR_LIMITS and int(counts.sum()) >= FEWEST_EVENTS_FOR_LIMITS
    chart = u_chart(counts, exposed)
    nothing = np.full(len(counts), np.nan)
    table = months.select(
        "month", "wears", pl.col(events).alias("events"), pl.col(exposure).alias("exposure")
    )
    table = table.with_columns(
        pl.Series("rate", [rate.rate if rate else None for rate in rates], dtype=pl.Float64),
        pl.Series("low", [rate.low if rate else None for rate in rates], dtype=pl.Float64),
        pl.Series("high", [rate.high if rate else None for rate in rates], dtype=pl.Float64),
        pl.Series("lower_limit", chart.lower * per if with_limits else nothing).fill_nan(None),
        pl.Series("upper_limit", chart.upper * per if with_limits else nothing).fill_nan(None),
        pl.Series("outside", chart.outside & with_limits),
    )
    total = None
    overall = rate_per(int(counts.sum()), float(exposed.sum()), per)
    if overall is not None and int(months["wears"].sum()) >= FEWEST_WEARS_FOR_A_RATE:
        total = (overall.events, overall.exposure, overall.rate, overall.low, overall.high)
    values = np.array([rate.rate if rate else np.nan for rate in rates])
    return MonthlyRate(
        table, total, chart.centre * per if with_limits else math.nan, _trend(values, int(counts.sum()))
    )


@dataclass(frozen=True)
class MonthlyMean:
    """A mean a wear by month: `table` has `month`, `wears`, `mean`, `outside`; limits are those of XmR."""

    table: pl.DataFrame
    overall: float
    lower: float
    upper: float
    trend: MannKendall | None


def monthly_mean(months: pl.DataFrame, amount: str) -> MonthlyMean:
    """Return the mean amount a wear by month, with natural process limits (individuals chart).

    Months of fewer than `LEAST_WEARS_A_MONTH` wears are shown, but neither set nor are judged by the limits:
    their means swing by chance alone. Wears without a heat sensor do not count in the mean dose.
    """
    wears = months["heat_dose_wears" if amount == "heat_dose" else "wears"].to_numpy()
    total = months[amount].to_numpy()
    mean = np.divide(total, wears, out=np.full(len(wears), np.nan), where=wears > 0)
    solid = wears >= LEAST_WEARS_A_MONTH
    chart = individuals_chart(mean[solid]) if int(solid.sum()) >= FEWEST_MONTHS_FOR_LIMITS else None
    lower, upper = (max(chart.lower, 0.0), chart.upper) if chart else (math.nan, math.nan)
    table = months.select("month").with_columns(
        pl.Series("wears", wears),
        pl.Series("mean", mean).fill_nan(None),
        pl.Series("outside", solid & ((mean > upper) | (mean < lower))),
    )
    overall = float(total.sum() / wears.sum()) if wears.sum() else math.nan
    return MonthlyMean(table, overall, lower, upper, _trend(np.where(solid, mean, np.nan)))


def _trend(
    values: np.ndarray[tuple[int, ...], np.dtype[np.float64]], events: int | None = None
) -> MannKendall | None:
    if events is not None and events < FEWEST_EVENTS_FOR_LIMITS:
        return None
    return mann_kendall(values) if int(np.isfinite(values).sum()) >= FEWEST_MONTHS_FOR_A_TREND else None
