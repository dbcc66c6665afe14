"""First-order lag of a temperature sensor, and the estimator that takes it out again.

Sources: a manufacturer-neutral sensor FAQ (T63 6.32 s, T90 9.0 s of a step from 0 to 10 °C; mark V); Montana
State University, ETME 360, exercise 11.10 (readings (t, T) falling from 20 to 0, regression gives 0.569 s;
mark V, recomputed 0.5691); example 36 computed from the same equation (mark C).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.heat.heat import surroundings


def lagged(ambient_c: np.ndarray, lag_s: float, start_c: float) -> np.ndarray:
    """Return a sensor's readings each second: s' = (T - s) / lag, exact for steps of one second."""
    keep = math.exp(-1.0 / lag_s)
    out = np.empty(len(ambient_c))
    sensor_c = start_c
    for number, surrounding_c in enumerate(ambient_c):
        out[number] = sensor_c
        sensor_c = surrounding_c + (sensor_c - surrounding_c) * keep
    return out


def test_worked_example_34_fractions_of_a_step() -> None:
    assert 10.0 * (1.0 - math.exp(-1.0)) == pytest.approx(6.32, abs=0.005)
    step = lagged(np.full(40, 10.0), 4.0, 0.0)
    assert step[4] == pytest.approx(6.32, abs=0.005)  # one time constant
    assert 4.0 * math.log(10.0) == pytest.approx(9.21, abs=0.005)  # t90 = 2.303 lag
    assert step[20] == pytest.approx(9.93, abs=0.005)  # five time constants
    assert 10.0 * (1.0 - math.exp(-2.303)) == pytest.approx(9.0, abs=0.005)


def test_worked_example_35_time_constant_by_regression() -> None:
    at_s = np.array([0.1, 0.5, 1.0, 2.0, 3.0])
    reading_c = np.array([16.7, 8.1, 3.3, 0.6, 0.1])
    slope = np.polyfit(at_s, np.log(reading_c / 20.0), 1)[0]
    assert -1.0 / slope == pytest.approx(0.569, abs=0.0005)


def test_worked_example_36_step_and_ramp() -> None:
    step = lagged(np.full(61, 160.0), 90.0, 20.0)
    assert step[60] == pytest.approx(88.1, abs=0.05)
    ramp_c = 20.0 + 5.0 / 60.0 * np.arange(1800)
    behind = ramp_c - lagged(ramp_c, 90.0, 20.0)
    assert behind[-1] == pytest.approx(7.5, abs=0.05)


@pytest.mark.parametrize("lag_s", [30.0, 60.0, 120.0])
def test_the_estimator_takes_the_same_lag_out(lag_s: float) -> None:
    """Example 36 backwards: within 4 K of the truth in the middle of a long step, and of a ramp."""
    truth_c = np.concatenate([np.full(300, 20.0), np.full(300, 160.0), 160.0 - 0.1 * np.arange(600)])
    estimate_c, sd_k = surroundings(lagged(truth_c, lag_s, 20.0), lag_s)
    assert abs(estimate_c[450] - 160.0) < 4.0
    assert np.abs(estimate_c[700:1100] - truth_c[700:1100]).max() < 4.0
    assert (sd_k > 0.0).all()
