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
        [0.5, 0.62, 1.80],
        [3.0, 0.64, 1.60],
        [5.5, 0.67, 1.48],
        [9.0, 0.67, 1.45],
        [13.0, 0.66, 1.45],
        [17.5, 0.66, 1.50],
        [23.5, 0.66, 1.60],
        [31.5, 0.62, 1.65],
        [45.0, 0.58, 1.60],
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
