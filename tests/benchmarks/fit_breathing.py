"""Fits the constants of `breathing_model.py`: `python -m tests.benchmarks.fit_breathing`.

Uses only the simulated wears of `population.FIT_SEED`; accuracy is reported on others (`accuracy.py`).
What is made small is a sum of: mean absolute error of the forecast when 5, 10, 15 min truly remain, its
mean absolute logarithmic error over all moments, how far its median is off when it says so many minutes
(so that no forecast is made better at 5 min by being gloomy at 20), and the Gaussian surprise of the true
rate under the live and the smoothed band. Then the factors of the bands are read off the same wears. Takes
some minutes; paste what it prints. `fit_interval.py` then fits the interval.
"""

import sys
from dataclasses import replace
from itertools import pairwise

import numpy as np
from scipy.optimize import minimize

from analysis.air.breathing import BREATHING, AirTrack, Breathing
from analysis.air.gas import FloatArray
from tests.benchmarks.measures import (
    Forecasts,
    measure_forecasts,
    measure_rates,
    track_of,
)
from tests.benchmarks.population import FIT_SEED, Recorded, population

SAID_MIN = (0.0, 2.0, 4.0, 7.0, 11.0, 15.0, 20.0, 27.0, 36.0, 60.0)
"""Forecasts of a like length are taken together between these."""
FITTED = (
    "follows_s",
    "spread",
    "settles_s",
    "usual_l_min",
    "drift_l_min",
    "start_l_min",
    "noise_bar2",
    "step_weight",
)


def tracks_of(wears: list[Recorded], breathing: Breathing) -> list[AirTrack]:
    return [track_of(recorded, breathing=breathing) for recorded in wears]


def median_bias(forecasts: Forecasts) -> float:
    """Return the mean distance from 0 of the log of (truth over forecast)'s median, by minutes said."""
    biases = []
    ratio = np.log(forecasts.true_min / forecasts.said_min)
    for low, high in pairwise(SAID_MIN[1:-2]):
        chosen = (forecasts.said_min >= low) & (forecasts.said_min < high)
        if chosen.sum() > 20:
            biases.append(
                abs(np.quantile(ratio[chosen], 0.5, weights=forecasts.weight[chosen], method="inverted_cdf"))
            )
    return float(np.mean(biases)) if biases else 1.0


def badness(wears: list[Recorded], breathing: Breathing) -> float:
    tracks = tracks_of(wears, replace(breathing, live_band=1.0, smooth_band=1.0))
    forecasts = measure_forecasts(wears, tracks)
    rates = measure_rates(wears, tracks)
    aims = zip((5.0, 10.0, 15.0), (1.1, 2.1, 3.1), strict=True)
    at_minutes = sum(forecasts.mean_absolute_at(minutes) / aim for minutes, aim in aims)
    spread = np.average(np.abs(np.log(forecasts.said_min / forecasts.true_min)), weights=forecasts.weight)
    surprise = float(np.mean(rates.live_likelihood + rates.smooth_likelihood))
    return float(at_minutes + 8.0 * spread + 10.0 * median_bias(forecasts) + surprise)


def fit(wears: list[Recorded], steps: int) -> Breathing:
    def breathing_of(logs: FloatArray) -> Breathing:
        return replace(BREATHING, **dict(zip(FITTED, np.exp(logs).tolist(), strict=True)))

    def judged(logs: FloatArray) -> float:
        try:
            value = badness(wears, breathing_of(logs))
        except (ValueError, ZeroDivisionError):
            return 1e9
        return value if np.isfinite(value) else 1e9

    start = np.log([getattr(BREATHING, name) for name in FITTED])
    simplex = np.vstack([start, start + 0.25 * np.eye(len(FITTED))])
    result = minimize(
        judged, start, method="Nelder-Mead", options={"maxfev": steps, "initial_simplex": simplex}
    )
    print(f"badness {judged(start):.4f} -> {result.fun:.4f} after {result.nfev} tries", file=sys.stderr)
    return breathing_of(result.x)


def band_factor(wears: list[Recorded], breathing: Breathing, live: bool) -> float:
    """Return the factor on the standard deviation with which the 90 % band holds 90 % of the seconds."""
    low, high = 0.5, 2.0
    for _ in range(12):
        middle = 0.5 * (low + high)
        change = {"live_band": middle} if live else {"smooth_band": middle}
        rates = measure_rates(wears, tracks_of(wears, replace(breathing, **change)))
        inside = float(np.mean(rates.live_inside if live else rates.smooth_inside))
        low, high = (low, middle) if inside > 0.90 else (middle, high)
    return round(0.5 * (low + high), 3)


def main() -> None:
    wears = population(FIT_SEED, 350)
    steps = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    breathing = fit(wears, steps) if steps else BREATHING
    breathing = replace(
        breathing,
        live_band=band_factor(wears, breathing, live=True),
        smooth_band=band_factor(wears, breathing, live=False),
    )
    print(breathing)


if __name__ == "__main__":
    main()
