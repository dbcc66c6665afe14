"""Learning the interval: quantile regressions against known quantiles, weights, folds by person."""

import numpy as np
import pytest

from analysis.air.forecast import SHIPPED
from analysis.air.learning import (
    Forecasts,
    Lot,
    folds_by_person,
    forecasts_of_wear,
    learn_ends,
    quantile_regression,
    score,
)


def invented(size: int, seed: int, spread: float = 0.3) -> Forecasts:
    rng = np.random.default_rng(seed)
    said = rng.uniform(2.0, 40.0, size)
    happened = said * rng.lognormal(0.05, spread, size)
    easiest = rng.uniform(10.0, 30.0, size)
    wear = np.arange(size) // 20
    rate = rng.uniform(30.0, 90.0, size)
    age = rng.uniform(3.0, 40.0, size)
    return Forecasts(said, rate, easiest + 40.0, easiest, age, happened, wear, wear // 5, rate)


def test_a_quantile_regression_finds_the_quantiles_of_a_known_spread():
    rng = np.random.default_rng(5)
    x = rng.uniform(0.0, 1.0, 20_000)
    values = 1.0 + 2.0 * x + (0.2 + 0.5 * x) * rng.normal(size=x.size)
    constant, slope = quantile_regression(
        np.column_stack([np.ones_like(x), x]), values, np.ones(x.size), 0.95
    )[:2]
    # The 95 % point of a normal spread is 1.645 standard deviations; 0.1 is three sampling errors.
    assert constant == pytest.approx(1.0 + 1.645 * 0.2, abs=0.1)
    assert slope == pytest.approx(2.0 + 1.645 * 0.5, abs=0.12)


def test_learnt_ends_hold_what_was_asked_of_them():
    ends = learn_ends([Lot(invented(20_000, 1))], "trial")
    found = score(invented(20_000, 2), ends)
    assert found.early == pytest.approx(0.04, abs=0.015)
    assert found.held == pytest.approx(0.90, abs=0.03)
    assert ends.name == "trial"
    wider = score(invented(20_000, 3, spread=0.6), ends)
    assert wider.held < found.held - 0.1, "an interval learnt from calmer people is found out"


def test_a_wear_counts_once_however_long_it_is():
    rows = invented(200, 4)
    long = np.where(rows.wear == 0)[0]
    again = Forecasts(
        *(
            np.concatenate([getattr(rows, name), getattr(rows, name)[long]])
            for name in rows.__dataclass_fields__
        )
    )
    assert score(again, SHIPPED).winkler_min == pytest.approx(score(rows, SHIPPED).winkler_min)


def test_each_person_is_left_out_once_and_wholly():
    person = np.repeat(np.arange(7), 13)
    folds = list(folds_by_person(person))
    assert np.array_equal(np.sum(folds, axis=0), np.ones(person.size))
    for out in folds:
        assert not set(person[out]) & set(person[~out])


def test_a_wears_forecasts_are_taken_between_its_third_minute_and_its_end():
    grid_s = np.arange(1500.0)
    said = (1400.0 - grid_s) / 60.0
    rows = forecasts_of_wear(said, np.full(1500, 60.0), np.full(1500, 30.0), 0.75 * said, 1400.0, 3, 9, 45.0)
    assert rows.age_min[0] == 3.0
    assert rows.age_min[-1] * 60.0 < 1400.0 - 24.0
    assert rows.happened_min == pytest.approx(rows.said_min)
    assert rows.expected_l_min == pytest.approx(45.0)
    assert set(rows.wear) == {3}
    assert set(rows.person) == {9}
