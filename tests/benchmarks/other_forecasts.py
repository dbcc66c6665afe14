"""Other ways to forecast and to estimate, measured beside ours: what each idea buys.

`naive`: volume x bar over the last minute, carried on. `quantiles`: the filter's own spread, Gaussian or with
its logarithm Gaussian (skewed), instead of the factors learnt from past errors.
"""

from dataclasses import replace

import numpy as np

from analysis.air import breathing_kernels as kernels
from analysis.air.breathing import BREATHING, VESSEL
from analysis.air.breathing_model import first_state, vessel_array
from analysis.air.gas import FloatArray, free_air_l
from tests.benchmarks.measures import Forecasts
from tests.benchmarks.population import LOW_AIR_BAR, Recorded

FARTHEST_S = 4 * 3600.0


def naive_rate_l_min(recorded: Recorded, size: int) -> FloatArray:
    """Return volume x bar over the last 60 s, the latest readings held, on the 1 s grid."""
    grid_s = np.arange(size, dtype=float)
    newest = np.searchsorted(recorded.time_s, grid_s, side="right") - 1
    held_bar = recorded.pressure_bar[newest]
    earlier_bar = held_bar[np.maximum(grid_s.astype(int) - 60, 0)]
    minutes = np.clip(grid_s, 1.0, 60.0) / 60.0
    return (earlier_bar - held_bar) * recorded.wear.cylinder.total_l / minutes


def naive_forecasts(recorded: Recorded, forecasts: Forecasts, wear: int) -> FloatArray:
    """Return the naive minutes at the moments of `forecasts` in this wear; 60 when it sees no use."""
    seconds = forecasts.elapsed_s[forecasts.wear == wear].astype(int)
    rate = naive_rate_l_min(recorded, int(recorded.time_s[-1]) + 1)[seconds]
    newest = np.searchsorted(recorded.time_s, seconds, side="right") - 1
    above_l = (recorded.pressure_bar[newest] - LOW_AIR_BAR) * recorded.wear.cylinder.total_l
    return np.where(rate > 0.0, above_l / np.maximum(rate, 1e-9), 60.0).clip(0.0, 60.0)


def causal_track(recorded: Recorded) -> FloatArray:
    """Return the filter's state and covariance at each second."""
    model, vessel = BREATHING.as_array(), vessel_array(recorded.wear.cylinder, VESSEL)
    start_c = 20.0 if recorded.start_temperature_c is None else recorded.start_temperature_c
    around_c = np.array([20.0]) if recorded.surroundings_c is None else recorded.surroundings_c
    gas_c = recorded.gas_temperature_c
    if gas_c is None:
        gas_c = np.full(recorded.time_s.size, np.nan)
    size = int(recorded.time_s[-1]) + 1
    state = first_state(recorded.time_s[0], recorded.pressure_bar[0], start_c, model, vessel)
    track = np.empty((size, kernels.TRACK_WIDTH))
    fate = np.zeros(recorded.time_s.size, dtype=np.int8)
    steps_bar = np.zeros(recorded.time_s.size)
    readings = (recorded.time_s, recorded.pressure_bar, steps_bar, gas_c, around_c, size - 1)
    kernels.advance(model, vessel, state, *readings, np.empty(0), fate, track)
    return track


def quantiles(
    population: list[Recorded], forecasts: Forecasts, z_scores: tuple[float, ...], skewed: bool
) -> list[FloatArray]:
    """Return, for each standard score, the minutes until the air left is down to the warning.

    Mean and variance of the use in h seconds follow in closed form from the state, its covariance, the
    noise of the rate (Ornstein-Uhlenbeck) and the drift of the mean.
    """
    rows, above = [], []
    for wear in np.unique(forecasts.wear).astype(int):
        recorded = population[wear]
        seconds = forecasts.elapsed_s[forecasts.wear == wear].astype(int)
        chosen = causal_track(recorded)[seconds]
        volume_l = recorded.wear.cylinder.total_l
        gas_c = chosen[:, kernels.T_GAS_K] - 273.15
        content_l = free_air_l(np.full(seconds.size, LOW_AIR_BAR), gas_c, volume_l * 1.0014)
        for _ in range(2):
            colder = 0.0067 * 6.8 / volume_l * np.maximum(chosen[:, 0] - content_l, 0.0)
            content_l = free_air_l(np.full(seconds.size, LOW_AIR_BAR), gas_c - colder, volume_l * 1.0014)
        rows.append(chosen)
        above.append(chosen[:, 0] - content_l)
    state, above_l = np.vstack(rows), np.concatenate(above)
    follows, settles, usual = BREATHING.follows_s, BREATHING.settles_s, BREATHING.usual_l_min
    rate, mean = np.maximum(state[:, kernels.T_RATE], 2.0), np.maximum(state[:, kernels.T_MEAN], 5.0)

    def use(h: FloatArray) -> tuple[FloatArray, FloatArray]:
        share = settles / (settles - follows)
        slow_s, fast_s = settles * (1 - np.exp(-h / settles)), follows * (1 - np.exp(-h / follows))
        by_rate, by_mean = fast_s / 60.0, share * (slow_s - fast_s) / 60.0
        expected = (usual * h) / 60.0 + (rate - usual) * by_rate + (mean - usual) * by_mean
        variance = state[:, kernels.T_LL] - 2 * by_rate * state[:, kernels.T_LR]
        variance = variance - 2 * by_mean * state[:, kernels.T_LM] + by_rate**2 * state[:, kernels.T_RR]
        variance = variance + 2 * by_rate * by_mean * state[:, kernels.T_RM]
        variance = variance + by_mean**2 * state[:, kernels.T_MM]
        fade = np.exp(-h / follows)
        walk = (BREATHING.spread * mean * follows) ** 2 * (2 * h / follows - 3 + 4 * fade - fade**2)
        drift = 2 * BREATHING.drift_l_min**2 / settles * h**3 / 3
        return expected, np.sqrt(np.maximum(variance + (walk + drift) / 3600.0, 1e-9))

    found = []
    for z in z_scores:
        near, far = np.zeros(above_l.size), np.full(above_l.size, FARTHEST_S)
        for _ in range(40):
            middle = 0.5 * (near + far)
            expected, sd = use(middle)
            # A low score asks for the early time: when use might, at worst, have reached what is there.
            worst = expected * np.exp(-z * sd / np.maximum(expected, 1.0)) if skewed else expected - z * sd
            passed = worst >= above_l
            far, near = np.where(passed, middle, far), np.where(passed, near, middle)
        found.append(0.5 * (near + far) / 60.0)
    return found


def with_ends(forecasts: Forecasts, ends: list[FloatArray]) -> Forecasts:
    early, said, late = ends
    return replace(forecasts, early_min=early, said_min=said, late_min=late)
