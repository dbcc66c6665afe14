"""Planning rates from the service's own wears, and the minutes that a cylinder gives at each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.air.gas import Cylinder, free_air_l

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
