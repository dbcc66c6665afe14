"""When a pressure will be reached: the first passage solved, its interval, and when none is given."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.air import breathing_kernels as kernels
from analysis.air.breathing import BREATHING, VESSEL, Cylinder, LiveAir
from analysis.air.breathing_model import vessel_array
from analysis.air.forecast import (
    FARTHEST_MIN,
    FIRST_FORECAST_S,
    INTERVAL_FACTORS,
    forecast_minutes,
    interval,
    judge,
    learn_factors,
    weighted_quantile,
)
from analysis.air.gas import free_air_l
from analysis.simulation.wear import Hardware, simulate_wear

MODEL = BREATHING.as_array()
RIGID = vessel_array(Cylinder(), type(VESSEL)(growth=0.0))


def passage(left_l: float, rate: float, mean: float, target_bar: float = 55.0, gas_c: float = 15.0) -> float:
    row = np.zeros((1, kernels.TRACK_WIDTH))
    row[0, [kernels.T_LEFT, kernels.T_RATE, kernels.T_MEAN, kernels.T_GAS_K]] = (
        left_l,
        rate,
        mean,
        gas_c + 273.15,
    )
    seconds = np.empty(1)
    kernels.first_passage(MODEL, RIGID, row, target_bar, seconds)
    return float(seconds[0])


def expected_use_l(rate: float, mean: float, seconds: float) -> float:
    """Integrate the expected rate step by step, the slow way."""
    used = 0.0
    for _ in range(round(seconds * 10)):
        used += rate / 600.0
        rate += 0.1 * (mean - rate) / BREATHING.follows_s
        mean += 0.1 * (BREATHING.usual_l_min - mean) / BREATHING.settles_s
    return used


@settings(max_examples=40, deadline=None)
@given(st.floats(50.0, 1300.0), st.floats(5.0, 150.0), st.floats(8.0, 110.0))
def test_first_passage_is_where_the_expected_use_equals_what_is_there(above_l, rate, mean):
    # The content at 55 bar depends on how cold the gas will be: 0.0067 K for each litre still to use.
    content_l = free_air_l(55.0, 15.0, 6.8)
    for _ in range(4):
        content_l = free_air_l(55.0, 15.0 - 0.0067 * (above_l), 6.8)
    seconds = passage(content_l + above_l, rate, mean)
    assert expected_use_l(rate, mean, seconds) == pytest.approx(above_l, rel=0.005, abs=0.5)


@given(st.floats(400.0, 1800.0), st.floats(0.0, 200.0), st.floats(0.0, 120.0), st.floats(20.0, 150.0))
def test_a_lower_target_is_reached_later_and_harder_work_sooner(left_l, rate, mean, target_bar):
    seconds = passage(left_l, rate, mean, target_bar)
    assert 0.0 <= seconds <= kernels.FARTHEST_S
    assert passage(left_l, rate, mean, target_bar - 10.0) >= seconds
    assert passage(left_l, rate + 10.0, mean, target_bar) <= seconds + 1e-6
    assert passage(left_l, rate, mean + 10.0, target_bar) <= seconds + 1e-6
    assert passage(left_l + 20.0, rate, mean, target_bar) >= seconds


def test_at_or_below_the_target_no_time_is_left():
    assert passage(free_air_l(55.0, 15.0, 6.8) - 1.0, 40.0, 40.0) == 0.0
    assert forecast_minutes(np.array([0.0]), np.array([5.0]))[0] == 0.0


def test_no_forecast_too_early_or_too_far():
    seconds = np.array([600.0, 600.0, 60.0 * FARTHEST_MIN + 1.0])
    minutes = forecast_minutes(seconds, np.array([FIRST_FORECAST_S - 1.0, FIRST_FORECAST_S, 900.0]))
    assert np.isnan(minutes).tolist() == [True, False, True]


@given(st.floats(0.0, FARTHEST_MIN))
def test_the_interval_holds_its_forecast_and_grows_with_it(minutes):
    (low,), (high,) = interval(np.array([minutes]))
    assert low <= minutes <= high
    (later_low,), (later_high,) = interval(np.array([minutes + 1.0]))
    assert later_low >= low
    assert later_high >= high


def test_the_interval_of_nothing_is_nothing():
    low, high = interval(np.array([np.nan]))
    assert np.isnan(low[0])
    assert np.isnan(high[0])


def test_the_table_of_factors_is_in_order():
    said, early, late = INTERVAL_FACTORS.T
    assert np.all(np.diff(said) > 0.0)
    assert np.all((early > 0.3) & (early < 1.0))
    assert np.all((late > 1.0) & (late < 3.0))


def test_a_forecast_of_even_breathing_comes_true():
    wear = simulate_wear(2, rate_l_min=np.full(3000, 45.0), hardware=Hardware(), until_bar=50.0)
    reached_s = wear.reached_s(55.0)
    assert reached_s is not None
    live = LiveAir(wear.cylinder, 55.0, 20.0, 20.0)
    for time_s, bar in zip(wear.reading_time_s, wear.reading_bar, strict=True):
        live.add(time_s, bar)
        left_min = (reached_s - time_s) / 60.0
        if time_s >= 600 and time_s % 60 == 0 and left_min > 0:
            said = live.at(time_s).minutes_to(55.0)
            assert said.low < left_min < said.high
            # It expects that harder work may still come: up to a sixth too early, never much too late.
            assert 0.84 * left_min - 0.3 < said.median < 1.05 * left_min + 0.3


def test_any_target_can_be_asked():
    live = LiveAir(Cylinder(), 55.0, 20.0, 20.0)
    for second in range(300):
        live.add(second, 300.0 - round(second / 6.0))
    estimate = live.at(299.0)
    to_low_air, to_turn_back, passed = (estimate.minutes_to(bar) for bar in (55.0, 150.0, 280.0))
    assert to_turn_back.median < to_low_air.median
    assert to_turn_back.low < to_turn_back.median < to_turn_back.high
    assert passed == (0.0, 0.0, 0.0)


def test_forecasts_are_judged_by_what_happened():
    grid_s = np.arange(1200.0)
    said = (1000.0 - grid_s) / 60.0
    said[300] = np.nan
    judged = judge(said, 0.5 * said, 2.0 * said, 1000.0)
    assert judged.elapsed_s.tolist() == [second for second in range(180, 985, 30) if second != 300]
    assert judged.happened_min == pytest.approx(judged.said_min)
    assert judged.early_min == pytest.approx(0.5 * judged.happened_min)


def test_learnt_factors_hold_what_they_were_learnt_from():
    rng = np.random.default_rng(3)
    said = rng.uniform(0.1, 59.0, 20_000)
    happened = said * rng.lognormal(0.05, 0.3, said.size)
    factors = learn_factors(said, happened, np.ones(said.size))
    # The exact quantiles of that lognormal; 0.03 is three sampling errors of one row.
    assert factors[:, 1] == pytest.approx(np.exp(0.05 - 1.645 * 0.3), abs=0.04)
    assert factors[:, 2] == pytest.approx(np.exp(0.05 + 1.645 * 0.3), abs=0.10)
    early, late = (said * np.interp(said, factors[:, 0], factors[:, column]) for column in (1, 2))
    assert np.mean(happened < early) == pytest.approx(0.05, abs=0.01)
    assert np.mean(happened > late) == pytest.approx(0.05, abs=0.01)


def test_too_few_forecasts_teach_nothing():
    with pytest.raises(ValueError, match="at least 100 forecasts"):
        learn_factors(np.ones(99), np.ones(99), np.ones(99))


def test_a_weighted_quantile_counts_weight_not_rows():
    values, weight = np.array([3.0, 1.0, 2.0]), np.array([1.0, 1.0, 2.0])
    assert weighted_quantile(values, weight, np.array([0.5]))[0] == pytest.approx(2.0)
    assert weighted_quantile(values, np.array([100.0, 1.0, 1.0]), np.array([0.5]))[0] > 2.5
