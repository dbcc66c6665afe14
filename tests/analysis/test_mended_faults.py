"""Faults that a review found, each mended and kept from coming back."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from analysis.incident import analyse
from analysis.profile import Profile
from analysis.tables import Results

PROFILE = Profile.default()


def analysed(log: Any, incident_id: str | None = None) -> Results:
    """Analyse a written log; no number of any table may be NaN or infinite."""
    results = analyse(log.frames(), PROFILE, incident_id)
    for name, table in results.items():
        for column in table.select(pl.col(pl.Float64)):
            assert column.is_nan().sum() == 0, f"{name}.{column.name}"
            assert column.is_infinite().sum() == 0, f"{name}.{column.name}"
    return results


def of_code(results: Results, code: str) -> list[dict[str, Any]]:
    """Return the findings of one code."""
    return results["findings"].filter(pl.col("code") == code).to_dicts()


@pytest.mark.parametrize(
    "wrong",
    [
        {"count": 0},
        {"count": -1},
        {"count": 10**15},
        {"water_volume_l": 0.0},
        {"water_volume_l": -6.8},
        {"water_volume_l": 1e300},
        {"rated_bar": 0.0},
        {"rated_bar": -300.0},
        {"rated_bar": 1e300},
    ],
    ids=str,
)
def test_a_cylinder_that_cannot_be_is_unknown(log: Any, wrong: dict[str, float]) -> None:
    talker = log.talker("S-1")
    talker.set_up(-29, cylinders={"count": 1, "water_volume_l": 6.8, "rated_bar": 300.0} | wrong)
    talker.breathe(60, 300)
    results = analysed(log)
    wear = results["wears"].row(0, named=True)
    assert len(of_code(results, "cylinder_unknown")) == 1
    for name in ("cylinder_count", "water_volume_l", "rated_bar", "free_air_l", "mean_l_min", "peak_l_min"):
        assert wear[name] is None, name
    assert results["air"]["rate_l_min"].null_count() == results["air"].height
