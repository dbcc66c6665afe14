"""Heat: the surroundings behind a lagged sensor, their band, classes, dose and the two triggers.

Marks to reach (regression values; noise 0.3 K, steps 0.5 K): smoothed RMSE 2.4, 2.9, 3.6 K for
lags of 30, 60, 120 s; time above 100, 160, 260 °C within 1 %. Sensors here are simulated with one lag,
which real ones are not.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.heat.heat import dose_rate_s, on_grid, rapid_rise, surroundings, track
from analysis.profile import Profile

PROFILE = Profile.default()
LAG_S = PROFILE.heat.sensor_lag_s


def sensor(truth_c: np.ndarray, lag_s: float, seed: int = 1, step_k: float = 0.5) -> np.ndarray:
    """Return readings: lag, 0.3 K noise, half-degree steps."""
    generator = np.random.default_rng(seed)
    keep, state_c, out = math.exp(-1.0 / lag_s), float(truth_c[0]), np.empty(len(truth_c))
    for number, around_c in enumerate(truth_c):
        out[number] = state_c
        state_c = around_c + (state_c - around_c) * keep
    return np.round((out + generator.normal(0.0, 0.3, len(out))) / step_k) * step_k


def rooms(seed: int, seconds: int = 1800) -> np.ndarray:
    """Return surroundings that change with doors and drift between them, from 20 to 350 °C."""
    generator = np.random.default_rng(seed)
    truth = np.empty(seconds)
    second, level = 0, 20.0
    while second < seconds:
        stay = int(generator.uniform(60, 300))
        drift = generator.normal(0.0, 0.15)
        part = level + drift * np.arange(stay)
        truth[second : second + stay] = np.clip(part, 15.0, 400.0)[: seconds - second]
        second += stay
        level = float(generator.choice([30.0, 60.0, 110.0, 170.0, 280.0]) + generator.uniform(-15, 15))
    # Walking through a door takes some seconds.
    kernel = np.ones(8) / 8.0
    return np.convolve(np.pad(truth, (4, 3), mode="edge"), kernel, mode="valid")


@pytest.mark.parametrize(("lag_s", "most_k"), [(30.0, 2.6), (60.0, 3.3), (120.0, 4.5)])
def test_error_with_the_lag_known(lag_s: float, most_k: float) -> None:
    """Reached here: 2.1, 2.7, 3.9 K; the limits leave a fifth for other seeds."""
    errors, inside, raw = [], [], []
    for seed in range(12):
        truth_c = rooms(seed)
        reading_c = sensor(truth_c, lag_s, seed)
        estimate_c, sd_k = surroundings(reading_c, lag_s)
        errors.append(estimate_c - truth_c)
        inside.append(np.abs(estimate_c - truth_c) <= 1.645 * sd_k)
        raw.append(reading_c - truth_c)
    rmse_k = float(np.sqrt(np.mean(np.square(errors))))
    assert rmse_k < most_k
    assert rmse_k < 0.1 * float(np.sqrt(np.mean(np.square(raw))))
    assert np.mean(inside) > 0.87  # a 90 % band


def test_time_above_the_class_limits() -> None:
    """The raw sensor misses much of it (regression values: 20, 48, 69 % at 60 s); the estimate must not."""
    for limit_c in (100.0, 160.0, 260.0):
        true_s, estimated_s, raw_s = 0, 0, 0
        for seed in range(12):
            truth_c = rooms(seed)
            reading_c = sensor(truth_c, 60.0, seed)
            estimate_c, _ = surroundings(reading_c, 60.0)
            true_s += int(np.count_nonzero(truth_c > limit_c))
            estimated_s += int(np.count_nonzero(estimate_c > limit_c))
            raw_s += int(np.count_nonzero(reading_c > limit_c))
        assert estimated_s == pytest.approx(true_s, rel=0.02)
        assert abs(raw_s - true_s) > 3 * abs(estimated_s - true_s)


@pytest.mark.parametrize("real_lag_s", [0.75 * LAG_S, LAG_S, 1.25 * LAG_S])
def test_the_range_covers_a_lag_that_is_not_known(real_lag_s: float) -> None:
    """One assumed lag held .59 to .70 (regression values); the range of three must hold 90 %."""
    inside = []
    for seed in range(8):
        truth_c = rooms(seed)
        heat = track(np.arange(1800.0), sensor(truth_c, real_lag_s, seed), 1800, PROFILE)
        inside.append((truth_c >= heat.ambient_lo_c) & (truth_c <= heat.ambient_hi_c))
    assert np.mean(inside) > 0.90


def test_raw_reading_is_kept_as_it_was() -> None:
    reading_c = np.array([20.5, 21.0, 90.0])
    heat = track(np.array([0.2, 5.2, 10.2]), reading_c, 12, PROFILE)
    assert heat.temperature_c[[0, 5, 10]].tolist() == [20.5, 21.0, 90.0]
    assert np.isnan(np.delete(heat.temperature_c, [0, 5, 10])).all()


def test_every_five_seconds_is_enough() -> None:
    truth_c = rooms(3)
    at_s = np.arange(0.0, 1800.0, 5.0)
    reading_c = on_grid(at_s, sensor(truth_c, 60.0)[::5], 1800)
    estimate_c, _ = surroundings(reading_c, 60.0)
    assert np.sqrt(np.mean((estimate_c - truth_c) ** 2)) < 12.0  # regression value


def test_no_class_far_from_any_reading() -> None:
    at_s = np.r_[np.arange(100.0), np.arange(400.0, 500.0)]
    heat = track(at_s, np.full(200, 120.0), 500, PROFILE)
    assert (heat.thermal_class[140:360] == 0).all()
    assert (heat.thermal_class[:120] == 2).all()
    assert (heat.ambient_hi_c - heat.ambient_lo_c)[250] > 3 * (heat.ambient_hi_c - heat.ambient_lo_c)[50]
    assert heat.dose[350] == heat.dose[150]  # nothing is counted where nothing was heard


def test_no_class_for_a_stay_shorter_than_half_the_lag() -> None:
    """Our own rule: never give a class for stays shorter than about half the lag."""
    truth_c = np.full(900, 40.0)
    truth_c[300:320] = 150.0  # 20 s
    truth_c[600:660] = 150.0  # 60 s
    heat = track(np.arange(900.0), sensor(truth_c, LAG_S), 900, PROFILE)
    assert set(heat.thermal_class[250:400].tolist()) == {1}
    assert 2 in heat.thermal_class[600:670].tolist()


def test_one_reading_and_none() -> None:
    heat = track(np.array([3.4]), np.array([25.0]), 10, PROFILE)
    assert heat.temperature_c[3] == 25.0
    assert np.isnan(heat.ambient_c[:3]).all()
    assert heat.ambient_c[9] == pytest.approx(25.0, abs=0.5)
    assert on_grid(np.array([0.5]), np.array([np.nan]), 0).size == 0


@pytest.mark.parametrize(
    ("rise_k_min", "end_c", "found"),
    [(150.0, 200.0, True), (60.0, 200.0, False), (300.0, 90.0, False)],
)
def test_rapid_rise(rise_k_min: float, end_c: float, found: bool) -> None:
    """100 K/min over 40 K, ending above class I; a slow rise and coming in from the cold are none."""
    truth_c = np.clip(40.0 + rise_k_min / 60.0 * (np.arange(600.0) - 200.0), 40.0, end_c)
    heat = track(np.arange(600.0), sensor(truth_c, LAG_S), 600, PROFILE)
    rise = rapid_rise(heat.ambient_c, heat.thermal_class > 0, PROFILE)
    assert (rise is not None) is found
    if rise is not None:
        assert 190 <= rise[0] <= 240
        assert rise[2] == pytest.approx(rise_k_min, rel=0.2)


def test_dose_follows_the_profiles_law() -> None:
    reading_c = np.full(600, 100.0)
    at_s = np.arange(600.0)
    clothed = track(at_s, reading_c, 600, PROFILE).dose[-1]
    assert clothed == pytest.approx(10.0 / 24.7, rel=0.01)  # ISO 13571 Eq. (9): 24.7 min at 100 °C


@pytest.mark.parametrize("real_lag_s", [0.5, 2.0, 5.0])
def test_a_fast_sensor_is_not_taken_for_a_slow_one(real_lag_s: float) -> None:
    """Mended: a step from 25 to 160 °C read by a fast sensor gave 2792 K/min and a dose of 21."""
    truth_c = np.where(np.arange(1200) < 300, 25.0, 160.0)
    truth_c[600:] = 25.0
    heat = track(np.arange(1200.0), sensor(truth_c, real_lag_s), 1200, PROFILE)
    assert heat.disproved_c is not None
    assert np.nanmax(heat.ambient_c) < 165.0
    true_dose = float(np.sum(dose_rate_s(truth_c, PROFILE.heat.dose_law)))
    assert heat.dose[-1] == pytest.approx(true_dose, rel=0.03)
    inside = (truth_c >= heat.ambient_lo_c) & (truth_c <= heat.ambient_hi_c)
    assert np.mean(inside) > 0.87  # a 90 % band
    assert heat.ambient_hi_c.max() <= 1200.0
    assert heat.ambient_lo_c.min() >= -60.0


@pytest.mark.parametrize("factor", [0.75, 1.0, 1.25])
def test_a_slow_sensor_keeps_its_estimate(factor: float) -> None:
    """Rooms up to 350 °C and lags a quarter off disprove nothing: nothing of the accuracy is given up."""
    for seed in range(12):
        truth_c = rooms(seed)
        heat = track(np.arange(1800.0), sensor(truth_c, factor * LAG_S, seed), 1800, PROFILE)
        assert heat.disproved_c is None
        assert np.array_equal(heat.ambient_c, surroundings(heat.temperature_c, LAG_S)[0], equal_nan=True)
