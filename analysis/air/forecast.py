"""Minutes until a pressure is reached: the expected time, with an interval that was learnt from past errors.

The expected rate h seconds on returns from the present one to the wearer's own mean, and that very slowly
to the usual one; the forecast is the first h at which the expected use equals the litres above the content
at the wanted pressure (`breathing_kernels.first_passage`). The ends of its 90 % interval are the forecast
times two factors, read from `INTERVAL_FACTORS`: how wrong forecasts of that length were on simulated wears
(a conformal table: Vovk, Gammerman and Shafer 2005, "Algorithmic Learning in a Random World").
"""

from itertools import pairwise
from typing import NamedTuple

import numpy as np

from analysis.air.gas import FloatArray

FIRST_FORECAST_S = 60.0
"""No forecast before that: the filter knows too little of the wearer."""
FARTHEST_MIN = 240.0
"""No forecast beyond that: nobody is under air so long, so the filter sees no use worth forecasting."""

INTERVAL_FACTORS = np.array(
    [
        # minutes said, factor to the early end, factor to the late end
        [1.2, 0.604, 1.744],
        [3.0, 0.661, 1.588],
        [5.5, 0.672, 1.707],
        [8.9, 0.677, 1.607],
        [13.0, 0.651, 1.501],
        [17.4, 0.650, 1.453],
        [23.3, 0.613, 1.453],
        [30.9, 0.581, 1.684],
        [42.4, 0.589, 1.600],
    ]
)


class Minutes(NamedTuple):
    """A forecast in minutes with its 90 % interval; all NaN when there is none."""

    median: float
    low: float
    high: float


def interval(minutes: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the early and the late end of the 90 % interval of forecasts, minutes; NaN stays NaN."""
    said = INTERVAL_FACTORS[:, 0]
    early = minutes * np.interp(minutes, said, INTERVAL_FACTORS[:, 1])
    late = minutes * np.interp(minutes, said, INTERVAL_FACTORS[:, 2])
    return early, late


def forecast_minutes(seconds: FloatArray, elapsed_s: FloatArray) -> FloatArray:
    """Return first passages as minutes, NaN where a forecast is not given (too early, too far)."""
    minutes: FloatArray = seconds / 60.0
    minutes[(elapsed_s < FIRST_FORECAST_S) & (seconds > 0.0)] = np.nan
    minutes[minutes > FARTHEST_MIN] = np.nan
    return minutes


class Judged(NamedTuple):
    """Forecasts of one wear or more beside what happened, minutes; arrays of one shape."""

    elapsed_s: FloatArray
    said_min: FloatArray
    early_min: FloatArray
    late_min: FloatArray
    happened_min: FloatArray


def judge(
    low_air_min: FloatArray,
    low_air_lo_min: FloatArray,
    low_air_hi_min: FloatArray,
    reached_s: float,
    *,
    from_s: float = 180.0,
    every_s: int = 30,
) -> Judged:
    """Set the forecasts of one wear beside the time that passed until the warning was really reached.

    Parameters
    ----------
    low_air_min, low_air_lo_min, low_air_hi_min : array, shape (n,)
        Forecasts on the 1 s grid, as in `AirTrack` and in the table `air`.
    reached_s : float
        When the pressure reached the warning, seconds since the wear's start.
    from_s, every_s : float, int
        The first moment judged and the distance of the next ones. The last quarter minute is left out.
    """
    seconds = np.arange(round(from_s), min(reached_s - 15.0, low_air_min.size), every_s).astype(np.intp)
    seconds = seconds[low_air_min[seconds] > 0.0]
    elapsed_s = seconds.astype(np.float64)
    happened_min: FloatArray = (reached_s - elapsed_s) / 60.0
    forecast = (low_air_min[seconds], low_air_lo_min[seconds], low_air_hi_min[seconds])
    return Judged(elapsed_s, *forecast, happened_min)


SAID_MIN = (0.0, 2.0, 4.0, 7.0, 11.0, 15.0, 20.0, 27.0, 36.0, 60.0)
"""Forecasts of a like length are taken together between these."""


def learn_factors(
    said_min: FloatArray,
    happened_min: FloatArray,
    weight: FloatArray,
    *,
    levels: tuple[float, ...] = (0.05, 0.95),
    fewest: int = 100,
) -> FloatArray:
    """Learn the factors of an interval from forecasts and what happened (simulated, or an archive's wears).

    Parameters
    ----------
    said_min, happened_min : array, shape (n,)
        Minutes forecast, and minutes that passed.
    weight : array, shape (n,)
        Weight of each; 1 / (forecasts of its wear) lets each wear count once.
    levels : tuple of float
        Shares of truths that shall come before the interval's ends.
    fewest : int
        Lengths with fewer forecasts than this are left to their neighbours.

    Returns
    -------
    array, shape (k, 1 + len(levels))
        Like `INTERVAL_FACTORS`: minutes said, then the quantile of happened / said for each level.
    """
    rows = []
    for low, high in pairwise(SAID_MIN):
        chosen = (said_min >= low) & (said_min < high)
        if np.count_nonzero(chosen) >= fewest:
            ratio = happened_min[chosen] / said_min[chosen]
            centre = weighted_quantile(said_min[chosen], weight[chosen], np.array([0.5]))
            rows.append([*centre, *weighted_quantile(ratio, weight[chosen], np.array(levels))])
    if not rows:
        raise ValueError(
            f"at least {fewest} forecasts of a like length are needed, got {said_min.size} in all"
        )
    return np.array(rows)


def weighted_quantile(values: FloatArray, weight: FloatArray, shares: FloatArray) -> FloatArray:
    """Return the values below which these shares of the weight lie."""
    order = np.argsort(values)
    middle = np.cumsum(weight[order]) - 0.5 * weight[order]
    quantiles: FloatArray = np.interp(shares, middle / weight.sum(), values[order])
    return quantiles
