"""The forecasts of each wear's low-air warning beside what happened, for the review page and the report."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import polars as pl

from analysis.tables import Results
from dashboard.review import words
from dashboard.review.setting import Setting
from dashboard.rows import Table, cell, number

EVERY_MIN = 5
"""The table lists one forecast in so many minutes: few lines, but some even for the hardest work."""


def forecast_table(results: Results, setting: Setting) -> Table:
    """Return the forecasts every `EVERY_MIN` minutes of each wear: interval, scenario, and what happened."""
    name = ["wearer_id", "set_id", "started", "low_air_at"]
    age_s = (pl.col("time") - pl.col("time").min().over("wear_id")).dt.total_seconds()
    said = (
        results["air"]
        .with_columns(age_s=age_s)
        .filter((pl.col("age_s") > 0) & (pl.col("age_s") % (60 * EVERY_MIN) == 0))
        .unique(["wear_id", "age_s"])
        .join(results["wears"].select("wear_id", *name), on="wear_id")
        .filter((pl.col("low_air_min") > 0.0) & (pl.col("low_air_at") > pl.col("time")).fill_null(value=True))
        .sort("started", "wear_id", "age_s")
    )
    return Table(
        "review-forecasts",
        words.FORECASTS,
        words.FORECAST_HEADS,
        [_line(row, setting) for row in said.iter_rows(named=True)],
        words.FORECASTS_NOTE.format(step_min=EVERY_MIN, version=setting.forecast),
        words.NO_FORECASTS,
        numeric=range(3, 8),
    )


def _line(row: dict[str, Any], setting: Setting) -> list[Any]:
    hard: Any = "–"
    if row["low_air_hardest_min"] is not None:
        minutes, rate = row["low_air_hardest_min"], setting.units.text("rate", row["hardest_l_min"])
        hard = cell(words.IF_HARDEST.format(minutes=f"{minutes:.1f}", rate=rate), value=minutes)
    came: Any = words.WARNING_NOT_REACHED
    if row["low_air_at"] is not None:
        came = number((row["low_air_at"] - row["time"]) / timedelta(minutes=1), "min", places=1)
    low, high = row["low_air_lo_min"], row["low_air_hi_min"]
    return [
        row["wearer_id"] or "–",
        row["set_id"],
        setting.time(row["time"], row["wear_id"]),
        number(row["age_s"] / 60, "min"),
        number(row["low_air_min"], "min", places=1),
        cell(f"{low:.1f} to {high:.1f} min", value=low),
        hard,
        came,
    ]
