"""What is measured on recorded wears, once for the fit and once for the report."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.air.breathing import AirTrack, reconstruct
from analysis.air.gas import FloatArray
from tests.benchmarks.population import LOW_AIR_BAR, Recorded
from tests.judged_forecasts import judge

EVERY_S = 30
FROM_S = 180
SETTLED_S = 60
"""Live rates are judged from the first minute's end on: before that the filter has hardly seen the wearer."""


def track_of(recorded: Recorded, **assumptions: Any) -> AirTrack:
    """Return the reconstruction of a recorded wear from what was heard of it."""
    return reconstruct(
        recorded.time_s,
        recorded.pressure_bar,
        recorded.wear.cylinder,
        low_air_bar=LOW_AIR_BAR,
        start_temperature_c=recorded.start_temperature_c,
        surroundings_c=recorded.surroundings_c,
        gas_temperature_c=recorded.gas_temperature_c,
        **assumptions,
    )


def rms(values: Sequence[float] | FloatArray) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


@dataclass(frozen=True)
class Rates:
    """One row a wear: mean square errors and the share of seconds inside the band."""

    live_square: FloatArray
    live_inside: FloatArray
    smooth_square: FloatArray
    smooth_inside: FloatArray
    live_likelihood: FloatArray
    smooth_likelihood: FloatArray


def measure_rates(population: Sequence[Recorded], tracks: Sequence[AirTrack]) -> Rates:
    rows = []
    for recorded, track in zip(population, tracks, strict=True):
        truth = recorded.wear.rate_l_min[: track.rate_l_min.size]
        row: list[float] = []
        scores: list[float] = []
        for rate, low, high, begin in (
            (track.live_rate_l_min, track.live_rate_lo_l_min, track.live_rate_hi_l_min, SETTLED_S),
            (track.rate_l_min, track.rate_lo_l_min, track.rate_hi_l_min, 0),
        ):
            error = (rate - truth)[begin:]
            inside = (low <= truth) & (truth <= high)
            # The upper half of the band is never cut off at zero.
            sd = np.maximum((high - rate)[begin:] / 1.645, 0.5)
            row += [float(np.mean(error**2)), float(np.mean(inside[begin:]))]
            scores.append(float(np.mean(np.log(sd) + 0.5 * (error / sd) ** 2)))
        rows.append(row + scores)
    return Rates(*np.array(rows).T)


@dataclass(frozen=True)
class Used:
    """Air used: relative error, and that error over its stated standard deviation."""

    error: FloatArray
    standardised: FloatArray


def measure_used(population: Sequence[Recorded], tracks: Sequence[AirTrack]) -> Used:
    rows = []
    for recorded, track in zip(population, tracks, strict=True):
        left = recorded.wear.free_air_left_l[: track.rate_l_min.size]
        used = float(left[0] - left[-1])
        rows.append([track.free_air_l / used - 1.0, (track.free_air_l - used) / track.free_air_sd_l])
    return Used(*np.array(rows).T)


@dataclass(frozen=True)
class Forecasts:
    """Forecasts every 30 s of all wears, as long as one is given; `weight` lets each wear count once."""

    wear: FloatArray
    elapsed_s: FloatArray
    said_min: FloatArray
    early_min: FloatArray
    late_min: FloatArray
    true_min: FloatArray
    weight: FloatArray

    def where(self, chosen: np.ndarray) -> "Forecasts":
        return Forecasts(*(getattr(self, name)[chosen] for name in self.__dataclass_fields__))

    def mean_absolute_at(self, minutes: float) -> float:
        """Return the mean absolute error when `minutes` truly remain, one forecast a wear."""
        near = np.abs(self.true_min - minutes) <= EVERY_S / 120.0
        _, first = np.unique(self.wear[near], return_index=True)
        return float(np.abs(self.said_min - self.true_min)[near][first].mean())

    def share(self, condition: np.ndarray) -> float:
        return float(np.average(condition, weights=self.weight))

    @property
    def held(self) -> float:
        return self.share((self.early_min <= self.true_min) & (self.true_min <= self.late_min))

    @property
    def early(self) -> float:
        """Share of truths that came earlier than the interval: the side that hurts."""
        return self.share(self.true_min < self.early_min)


def measure_forecasts(
    population: Sequence[Recorded], tracks: Sequence[AirTrack], from_s: int = FROM_S
) -> Forecasts:
    rows = []
    for index, (recorded, track) in enumerate(zip(population, tracks, strict=True)):
        reached_s = recorded.wear.reached_s(LOW_AIR_BAR)
        if reached_s is None:
            continue
        said = (track.low_air_min, track.low_air_lo_min, track.low_air_hi_min)
        judged = judge(*said, reached_s, from_s=from_s, every_s=EVERY_S)
        size = judged.said_min.size
        if size:
            rows.append(np.array([np.full(size, index), *judged, np.full(size, 1.0 / size)]))
    return Forecasts(*np.hstack(rows))
