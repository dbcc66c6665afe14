"""The long view: what months of wears say, as rates with exact intervals and control limits.

A rate always stands with its count, its exposure and its exact interval. Limits and tests appear only when
there are enough months and events for them to mean anything; the thresholds below say when, and are our own
rules.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.trends.ledger import THERMAL_CLASSES
from analysis.trends.statistics import (
    MannKendall,
    individuals_chart,
    mann_kendall,
    rate_per,
    seasonal_kendall,
    u_chart,
)

FEWEST_WEARS_FOR_A_RATE = 10
FEWEST_MONTHS_FOR_LIMITS = 8
FEWEST_EVENTS_FOR_LIMITS = 10
FEWEST_MONTHS_FOR_A_TREND = 10
MONTHS_FOR_SEASONS = 24
LEAST_WEARS_A_MONTH = 5
LEAST_PART_OF_A_MONTH = 0.25
"""A month with fewer wears than this part of the usual is not judged by limits that the usual months set."""

EVENTS = ("low_air_exits", "no_motion_alarms", "distress_alarms")
AMOUNTS = ("under_air_min", "hard_min", "heat_dose", "silent_min", *(f"class_{c}_s" for c in THERMAL_CLASSES))
RATES = {
    "low_air_exits": ("wears", 1000.0),
    "no_motion_alarms": ("hours", 100.0),
    "distress_alarms": ("hours", 100.0),
}
"""What each event is counted per: so many wears, or hours under air."""
SILENT_WEAR_MIN = 1.0
"""A wear with this much silence counts as one. Our own rule."""
MEANS = ("under_air_min", "hard_min", "heat_dose", "silent_min")


def sums_by(wears: pl.DataFrame, *groups: str | pl.Expr) -> pl.DataFrame:
    """Sum the ledger's wears by groups.

    Returns
    -------
    DataFrame
        The groups, then `wears`, `wearers`, `hours`, `heat_dose_wears` (with a heat sensor) and the sums of
        events and amounts; in the order of the groups.
    """
    return (
        wears.filter(pl.col("started").is_not_null())
        .group_by(*groups)
        .agg(
            pl.len().cast(pl.Int64).alias("wears"),
            pl.coalesce("wearer_id", "set_id").n_unique().cast(pl.Int64).alias("wearers"),
            (pl.col("under_air_min").sum() / 60.0).alias("hours"),
            pl.col("heat_dose").count().cast(pl.Int64).alias("heat_dose_wears"),
            *(pl.col(name).sum() for name in (*EVENTS, *AMOUNTS)),
        )
        .sort(*(group if isinstance(group, str) else group.meta.output_name() for group in groups))
    )


def by_month(wears: pl.DataFrame) -> pl.DataFrame:
    """Sum the wears by month of their start (UTC), every month from first to last, empty ones too.

    Returns
    -------
    DataFrame
        `month` (date of its first day), then as `sums_by`.
    """
    sums = sums_by(wears, pl.col("started").dt.truncate("1mo").dt.date().alias("month"))
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
        `upper_limit`, `outside`, `solid`; rate null without exposure, limits null where months or events are
        too few. A month that is not solid (`LEAST_PART_OF_A_MONTH`) is shown, not judged.
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


def monthly_rate(
    months: pl.DataFrame, events: str, exposure: str, per: float, running: date | None = None
) -> MonthlyRate:
    """Return events per `per` of exposure (`wears` or `hours`), by month and over all.

    `running` is the month that is not over: shown, not judged, and no part of a trend.

    Intervals: exact Poisson. Limits: u chart, 3 standard deviations of a Poisson count around the mean rate.
    """
    counts, exposed = months[events].to_numpy(), months[exposure].to_numpy().astype(float)
    rates = [rate_per(int(count), float(size), per) for count, size in zip(counts, exposed, strict=True)]
    used = int((exposed > 0).sum())
    with_limits = used >= FEWEST_MONTHS_FOR_LIMITS and int(counts.sum()) >= FEWEST_EVENTS_FOR_LIMITS
    usual = float(np.median(exposed[exposed > 0])) if used else 0.0
    solid = (exposed >= LEAST_PART_OF_A_MONTH * usual) & _over(months, running)
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
        pl.Series("outside", chart.outside & with_limits & solid),
        pl.Series("solid", solid),
    )
    total = None
    overall = rate_per(int(counts.sum()), float(exposed.sum()), per)
    if overall is not None and int(months["wears"].sum()) >= FEWEST_WEARS_FOR_A_RATE:
        total = (overall.events, overall.exposure, overall.rate, overall.low, overall.high)
    values = np.array([rate.rate if rate else np.nan for rate in rates])
    return MonthlyRate(
        table,
        total,
        chart.centre * per if with_limits else math.nan,
        _trend(np.where(solid, values, np.nan), int(counts.sum())),
    )


@dataclass(frozen=True)
class MonthlyMean:
    """A mean a wear by month with both charts of XmR, individuals and moving range.

    Attributes
    ----------
    table : DataFrame
        `month`, `wears`, `mean`, `outside`, `solid` (`LEAST_PART_OF_A_MONTH`), `moving_range` (from the
        judged month before; null without one), `range_outside`.
    overall : float
        Mean over all wears.
    centre, lower, upper : float
        Mean of the judged months and natural limits of the individuals; NaN where months are too few.
    range_mean, range_upper : float
        Centre and limit of the moving ranges.
    """

    table: pl.DataFrame
    overall: float
    lower: float
    upper: float
    trend: MannKendall | None
    centre: float = math.nan
    range_mean: float = math.nan
    range_upper: float = math.nan


def monthly_mean(months: pl.DataFrame, amount: str, running: date | None = None) -> MonthlyMean:
    """Return the mean amount a wear by month, with natural process limits (individuals chart).

    Months of few wears (`LEAST_WEARS_A_MONTH`, `LEAST_PART_OF_A_MONTH`) are shown, but neither set nor are
    judged by the limits: their means swing by chance alone. Wears without a heat sensor do not count in the
    mean dose. `running` is the month that is not over; nor is it judged.
    """
    wears = months["heat_dose_wears" if amount == "heat_dose" else "wears"].to_numpy()
    total = months[amount].to_numpy()
    mean = np.divide(total, wears, out=np.full(len(wears), np.nan), where=wears > 0)
    usual = float(np.median(wears[wears > 0])) if (wears > 0).any() else 0.0
    solid = (wears >= max(LEAST_WEARS_A_MONTH, LEAST_PART_OF_A_MONTH * usual)) & _over(months, running)
    chart = individuals_chart(mean[solid]) if int(solid.sum()) >= FEWEST_MONTHS_FOR_LIMITS else None
    lower, upper = (max(chart.lower, 0.0), chart.upper) if chart else (math.nan, math.nan)
    range_mean, range_upper = (
        (chart.mean_moving_range, chart.moving_range_upper) if chart else (math.nan,) * 2
    )
    moving = np.full(len(mean), np.nan)
    moving[np.flatnonzero(solid)[1:]] = np.abs(np.diff(mean[solid]))
    table = months.select("month").with_columns(
        pl.Series("wears", wears),
        pl.Series("mean", mean).fill_nan(None),
        pl.Series("outside", solid & ((mean > upper) | (mean < lower))),
        pl.Series("solid", solid),
        pl.Series("moving_range", moving).fill_nan(None),
        pl.Series("range_outside", moving > range_upper),
    )
    overall = float(total.sum() / wears.sum()) if wears.sum() else math.nan
    trend = _trend(np.where(solid, mean, np.nan))
    centre = chart.mean if chart else math.nan
    return MonthlyMean(table, overall, lower, upper, trend, centre, range_mean, range_upper)


def _over(months: pl.DataFrame, running: date | None) -> NDArray[np.bool_]:
    return np.array([month != running for month in months["month"]], dtype=bool)


def _trend(values: NDArray[np.float64], events: int | None = None) -> MannKendall | None:
    """Test for a trend; with two years or more each month against the same month of other years."""
    if events is not None and events < FEWEST_EVENTS_FOR_LIMITS:
        return None
    if int(np.isfinite(values).sum()) < FEWEST_MONTHS_FOR_A_TREND:
        return None
    return seasonal_kendall(values) if len(values) >= MONTHS_FOR_SEASONS else mann_kendall(values)
