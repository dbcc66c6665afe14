"""Gauges with steps of 5 or 10 bar, and sets that report seldom: the early end comes before the truth.

Real people (folder of `tests.benchmarks.real_wears`) showed the fault; the wears here are steady, with gas by
CoolProp, so that the truth needs none of our own physics.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from analysis.air.breathing import LiveAir, reconstruct
from analysis.air.gas import Cylinder, FloatArray
from analysis.live.outlook import (
    LATEST_S,
    STEP_BAR,
    STEP_READINGS,
    gauge_step_bar,
    look_ahead,
    minutes_to_empty,
)
from analysis.profile import Profile
from tests.benchmarks.real_wears import emptied

CYLINDER = Cylinder()
LOW_BAR = 55.0
MODEL_S = 3.0  # the filter's gas is warmer or colder than CoolProp's by so much


@pytest.fixture(scope="module", params=[20.0, 45.0, 80.0, 110.0])
def wear(request: pytest.FixtureRequest) -> tuple[float, FloatArray]:
    """Return a rate (L/min), and the pressure in each second of breathing at it."""
    _, bar, _ = emptied(np.full(3 * 3600, request.param / 60.0), CYLINDER.total_l)
    return request.param, bar


Rounding = Callable[[FloatArray], FloatArray]


def shown(
    bar: FloatArray, every_s: int, step_bar: float, rounding: Rounding
) -> tuple[FloatArray, FloatArray]:
    at_s = np.arange(0.0, bar.size, every_s)
    return at_s, rounding(bar[::every_s] / step_bar) * step_bar


@pytest.mark.parametrize("rounding", [np.round, np.ceil, np.floor])
@pytest.mark.parametrize(
    ("every_s", "step_bar"),
    [(1, 1.0), (1, 5.0), (1, 10.0), (10, 5.0), (10, 10.0), (30, 10.0), (60, 1.0), (120, 1.0)],
)
def test_the_early_end_is_never_after_the_truth(
    wear: tuple[float, FloatArray], every_s: int, step_bar: float, rounding: Rounding
) -> None:
    _, bar = wear
    low_s = float(np.flatnonzero(bar <= LOW_BAR)[0])
    at_s, read_bar = shown(bar, every_s, step_bar, rounding)
    air, fed, judged = LiveAir(CYLINDER, None, 20.0), 0, 0
    for tick_s in np.arange(60.0, low_s - 30.0, 20.0):
        heard = int(at_s.searchsorted(tick_s, side="right"))
        new = slice(fed, heard)
        if fed < heard:
            nothing = np.zeros(heard - fed)
            air.take(at_s[new], read_bar[new], nothing + np.nan, nothing, [20.0] * (heard - fed))
            fed = heard
        last = float(at_s[fed - 1]), float(read_bar[fed - 1])
        ahead = look_ahead(air, 0.0, last, LOW_BAR, None, float(tick_s)).low_air
        if ahead is not None:
            judged += 1
            assert ahead.low <= (low_s - tick_s + MODEL_S) / 60.0, f"at {tick_s:.0f} s"
    assert judged > 5


@pytest.mark.parametrize(("every_s", "step_bar"), [(1, 10.0), (10, 10.0), (10, 5.0)])
def test_the_rate_of_a_coarse_gauge_is_the_breathing(
    wear: tuple[float, FloatArray], every_s: int, step_bar: float
) -> None:
    rate_l_min, bar = wear
    at_s, read_bar = shown(bar, every_s, step_bar, np.round)
    track = reconstruct(
        at_s, read_bar, CYLINDER, low_air_bar=LOW_BAR, start_temperature_c=20.0, surroundings_c=20.0
    )
    middle = slice(180, bar.size - 180)
    assert np.abs(track.rate_l_min[middle] - rate_l_min).max() < 0.2 * rate_l_min


FALL = np.arange(0.0, 600.0)


@pytest.mark.parametrize("every_s", [1, 5, 10])
@pytest.mark.parametrize("step_bar", [1.0, 5.0, 10.0])
@pytest.mark.parametrize(
    ("l_min", "is_loss"), [(60.0, False), (120.0, False), (160.0, False), (400.0, True), (900.0, True)]
)
def test_a_step_of_a_coarse_gauge_is_no_loss_of_air_and_a_loss_is_one(
    every_s: int, step_bar: float, l_min: float, is_loss: bool
) -> None:
    """Nominal litres, as the rule counts: hard work of 160 L/min is below its limit of 180, 400 is above."""
    bar = np.round((290.0 - l_min / 60.0 / 6.8 * FALL) / step_bar) * step_bar
    bar = bar[bar > 60.0]
    known = list(zip(FALL[: bar.size : every_s].tolist(), bar[::every_s].tolist(), strict=True))
    said = []
    for last in range(1, len(known)):
        seen = np.array([pressure for _, pressure in known[: last + 1]])
        since = next(place for place, (at_s, _) in enumerate(known) if at_s > known[last][0] - LATEST_S) - 1
        step = gauge_step_bar(seen[-STEP_READINGS:])
        said.append(
            minutes_to_empty(known[max(since, 0) : last + 1], 6.8, Profile.default(), step) is not None
        )
    assert any(said) == is_loss
    if is_loss and l_min > 800.0:
        assert np.mean(said) > 0.5


def test_a_gauge_that_is_read_seldom_shows_its_own_steps_and_not_its_falls() -> None:
    assert gauge_step_bar(np.array([300.0, 280.0, 262.0])) == STEP_BAR
    assert gauge_step_bar(np.array([300.0, 300.0, 290.0, 280.0])) == 10.0
    assert gauge_step_bar(np.array([300.0, 300.0, 299.5, 299.5])) == STEP_BAR
    assert gauge_step_bar(np.array([300.0, 300.0])) == STEP_BAR
    assert gauge_step_bar(np.array([])) == STEP_BAR
