"""Forecasts of a wear beside what happened, for tests and benchmarks of accuracy."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from analysis.air.gas import FloatArray


class JudgedForecasts(NamedTuple):
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
) -> JudgedForecasts:
    """Set the forecasts of one wear beside the time that passed until the warning was really reached.

    - `low_air_min`, `low_air_lo_min`, `low_air_hi_min`: array, shape (n,): forecasts on the 1 s grid, as in
      `AirTrack` and in the table `air`.
    - `reached_s`: when the pressure reached the warning, seconds since the wear's start.
    - `from_s` and `every_s`: float, int: the first moment judged and the distance of the next ones. The last
      quarter minute is left out.
    """
    seconds = np.arange(round(from_s), min(reached_s - 15.0, low_air_min.size), every_s).astype(np.intp)
    seconds = seconds[low_air_min[seconds] > 0.0]
    elapsed_s = seconds.astype(np.float64)
    happened_min: FloatArray = (reached_s - elapsed_s) / 60.0
    forecast = (low_air_min[seconds], low_air_lo_min[seconds], low_air_hi_min[seconds])
    return JudgedForecasts(elapsed_s, *forecast, happened_min)
