"""Minutes until a pressure is reached: the expected time, with an interval that was learnt from past errors.

The expected rate h seconds on returns from the present one to the wearer's own mean, and that very slowly
to the usual one; the forecast is the first h at which the expected use equals the litres above the content
at the wanted pressure (`breathing_kernels.first_passage`). The ends of its 90 % interval are the forecast
times two factors, read from `INTERVAL_FACTORS`: how wrong forecasts of that length were on simulated wears
(a conformal table: Vovk, Gammerman and Shafer 2005, "Algorithmic Learning in a Random World").
"""

from typing import NamedTuple

import numpy as np

from analysis.gas import FloatArray

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
