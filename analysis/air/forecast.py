"""Minutes until a pressure is reached: the expected time, and an interval learnt from past errors.

The expected rate h seconds on returns from the present one to the wearer's own mean, and that very slowly
to the usual one; the forecast is the first h at which the expected use equals the litres above the content
at the wanted pressure (`passage_kernel.first_passage`). Both ends of the interval open when the wear is
young. The early end also comes sooner when the hardest three minutes so far were hard, or the easiest easy.
The late end comes later when the easiest three minutes were very easy. Each end is a linear quantile
regression of ln(said / happened) on figures of the wear and products of them (Koenker and Bassett 1978,
Econometrica 46:33-50), learnt from real and simulated breathing
(`analysis/air/learning.py`).
"""

from dataclasses import dataclass
from typing import NamedTuple

import msgspec
import numpy as np

from analysis.air.gas import FloatArray

FIRST_FORECAST_S = 60.0
"""No forecast before that: the filter knows too little of the wearer."""
EARLY_END_ONLY_S = 180.0
"""In a younger wear only the early end is worth showing: the interval holds, but it says little."""
FARTHEST_MIN = 240.0
"""No forecast beyond that: nobody is under air so long, so the filter sees no use worth forecasting."""
VOICE_STEP_BAR = 10.0
"""A gauge that a person reads out is taken as rounded to this step. Our own rule."""
OTHER_PRESSURE = 1.35
"""The early end was learnt for the warning. For another pressure (turn-back, empty) it is so many times as
far from what is said, by the logarithm of the minutes, from the fourth minute on. On real breathing the
moment then came before it about as often as the warning does (`tests/benchmarks/real_accuracy.py`). Before,
it would put every crew under "turn back soon" in its second minute. Our own rule."""
HARD_L_MIN = 80.0
"""Rate of the scenario until three minutes have been seen: stair climbs reach 78 to 116 L/min."""

EarlyWeights = tuple[float, float, float, float, float, float, float, float]
LateWeights = tuple[float, float, float, float, float, float, float]
EARLY_TERMS, LATE_TERMS = (0, 1, 2, 3, 4, 5, 6, 7), (0, 1, 2, 4, 5, 6, 8)
"""Which columns of `IntervalEnds.terms` each end is computed from."""


@dataclass(frozen=True, slots=True)
class IntervalEnds:
    """The constants of both ends; `x` is one row of `terms`, the columns that the end uses.

    early end = min(said, said exp(-early x)); late end = max(said, said exp(-late x))
    """

    name: str = "shipped, version 3"  # version, as pages and reports name it
    # `early`, `late`: tuple of 8 and of 7: weights of the terms, see `terms`, `EARLY_TERMS`, `LATE_TERMS`
    early: EarlyWeights = (0.110, -0.221, 0.139, -0.182, -0.046, 0.029, 1.078, -0.092)
    late: LateWeights = (-0.304, -0.265, 0.025, 0.363, -0.324, -0.452, -0.103)
    # `lowest_l_min`, `highest_l_min`, `usual_l_min`, `minutes`, `young_min`: rates are clipped to the first
    # two and divided by the third; minutes said are divided by the fourth; a wear is young for about as long
    # as the fifth
    lowest_l_min: float = 8.0
    highest_l_min: float = 160.0
    usual_l_min: float = 45.0
    minutes: float = 10.0
    young_min: float = 4.0

    def as_array(self) -> FloatArray:
        """Return the values in the order that the kernel expects."""
        scales = (self.lowest_l_min, self.highest_l_min, self.usual_l_min, self.minutes, self.young_min)
        return np.array([*self.early, *self.late, *scales])

    def terms(
        self,
        said_min: FloatArray,
        expected_l_min: FloatArray,
        hardest_l_min: FloatArray,
        easiest_l_min: FloatArray,
        age_min: FloatArray,
    ) -> FloatArray:
        """Return the terms of forecasts, shape (n, 9).

        1; logarithms of the three rates; ln(minutes said) and what of that is above 0; youth; then the
        easiest rate times ln(minutes said), and the square of how far it is below the usual one.

        - `said_min`: array, shape (n,): minutes that the filter says.
        - `expected_l_min`: array, shape (n,): litres still to use over minutes said: the rate that the filter
          expects.
        - `hardest_l_min` and `easiest_l_min`: array, shape (n,): highest and lowest mean use over any three
          minutes so far (in a younger wear, since the start).
        - `age_min`: array, shape (n,): minutes since the valve was opened.
        """
        expected, hardest, easiest = (
            np.log(np.clip(rate, self.lowest_l_min, self.highest_l_min) / self.usual_l_min)
            for rate in (expected_l_min, hardest_l_min, easiest_l_min)
        )
        long = np.log(said_min / self.minutes)
        young = self.young_min / (self.young_min + age_min)
        plain = (np.ones_like(long), expected, hardest, easiest, long, np.maximum(long, 0.0), young)
        return np.column_stack([*plain, easiest * long, np.minimum(easiest, 0.0) ** 2])

    def around(self, said_min: FloatArray, terms: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the early and the late end, minutes; the kernel does the same for one forecast."""
        early = terms[:, EARLY_TERMS] @ np.array(self.early)
        late = terms[:, LATE_TERMS] @ np.array(self.late)
        return said_min * np.exp(-np.maximum(early, 0.0)), said_min * np.exp(np.maximum(-late, 0.0))

    def has_early_end(self) -> bool:
        """Return whether an ordinary forecast, 20 min in minute 8, has an early end before it."""
        said, expected, hardest, easiest, age = (np.array([one]) for one in (20.0, 45.0, 60.0, 35.0, 8.0))
        terms = self.terms(said, expected, hardest, easiest, age)[:, EARLY_TERMS]
        return bool(np.isfinite((*self.early, *self.late)).all() and terms @ np.array(self.early) > 0.0)


SHIPPED = IntervalEnds()


class ForecastMinutes(NamedTuple):
    """A forecast in minutes with its 90 % interval; all NaN when there is none."""

    median: float
    low: float
    high: float


NO_FORECAST = ForecastMinutes(float("nan"), float("nan"), float("nan"))


def of_another_pressure(forecast: ForecastMinutes) -> ForecastMinutes:
    """Return the forecast of a pressure that is not the warning, its early end by `OTHER_PRESSURE`."""
    said, early, late = forecast
    return ForecastMinutes(said, said * (early / said) ** OTHER_PRESSURE, late) if said > 0.0 else forecast


class Scenario(msgspec.Struct, frozen=True):
    """Minutes to a pressure if breathing stays at one rate: no forecast, and no worst case either."""

    minutes: float
    rate_l_min: float


def forecast_given(seconds: float, elapsed_s: float) -> bool:
    """Return whether a first passage is given as a forecast: not too early in the wear, not too far ahead."""
    return not (elapsed_s < FIRST_FORECAST_S and seconds > 0.0) and seconds <= 60.0 * FARTHEST_MIN


def forecast_minutes(seconds: FloatArray, elapsed_s: FloatArray) -> FloatArray:
    """Return first passages as minutes, NaN where a forecast is not given (too early, too far).

    - `seconds`: array, shape (n, ...): what each row says first, then what belongs to it and is withheld,
      too.
    - `elapsed_s`: array, shape (n,).
    """
    minutes: FloatArray = seconds / 60.0
    said = minutes if minutes.ndim == 1 else minutes[:, 0]
    missing = ((elapsed_s < FIRST_FORECAST_S) & (said > 0.0)) | (said > FARTHEST_MIN)
    minutes[missing] = np.nan
    return minutes
