"""Training in a year: each person's wears and hours in drills and training, against the profile's minimum."""

from __future__ import annotations

import calendar
from datetime import date

import polars as pl

from analysis.profile import Training

KINDS = ("drill", "training")
"""Incidents do not count as training. Our own rule."""


def training_of(
    wears: pl.DataFrame, roster: pl.DataFrame, year: int, today: date, rule: Training
) -> pl.DataFrame:
    """Return one line a person, who lacks most first.

    Parameters
    ----------
    wears : DataFrame
        The ledger's, with `station`.
    roster : DataFrame
        Who is on it on the last day that counts appears without any wear, too (`analysis.trends.roster`).
    today : date
        A year that is not over counts until this day.

    Returns
    -------
    DataFrame
        `wearer_id`, `station`, `wears`, `hours`, `last` (newest wear that counts, or null), `missing_wears`,
        `missing_hours` (0: nothing), `behind` (lacks something and has less than the part of the year that is
        over asks for).
    """
    last_day = min(today, date(year, 12, 31))
    days = 366 if calendar.isleap(year) else 365
    part = max(0, (last_day - date(year, 1, 1)).days + 1) / days
    counted = wears.filter(
        pl.col("wearer_id").is_not_null()
        & (pl.col("started").dt.year() == year)
        & (pl.col("started").dt.date() <= last_day)
    )
    own = pl.col("kind").is_in(KINDS)
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
