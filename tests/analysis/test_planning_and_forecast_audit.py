"""Planning rates with their intervals, minutes of a cylinder, and the forecasts' account."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest

from analysis.air.gas import Cylinder
from analysis.trends.forecast_audit import ForecastAccount, audited, by_hardness, by_month, lines_of
from analysis.trends.ledger import FORECASTS, WEARS
from analysis.trends.planning import minutes_to_warning, planning_rates
from analysis.trends.statistics import share_interval


def wears(rates: list[float], task: str | None = "attack") -> pl.DataFrame:
    rows = [{"mean_l_min": rate, "under_air_min": 20.0, "task": task} for rate in rates]
    return pl.DataFrame(rows, schema=WEARS)


def test_quantiles_stand_with_their_number_and_interval() -> None:
    found = planning_rates(wears([float(rate) for rate in range(1, 101)]))
    median = found[""][0]
    assert (median.wears, median.quantile) == (100, 0.5)
    assert median.rate_l_min == pytest.approx(50.5)
    # Order statistics of n = 100 (common tables of the binomial): the 40th and 61st bound the median.
    assert (median.low_l_min, median.high_l_min) == (40.0, 61.0)
    assert {task: len(three) for task, three in found.items()} == {"": 3, "attack": 3}


def test_intervals_hold_the_true_quantile_as_often_as_they_say() -> None:
    rng, inside = np.random.default_rng(4), 0
    for _ in range(200):
        one = planning_rates(wears(rng.exponential(30.0, 80).tolist(), task=None))[""][1]
        low, high = one.low_l_min or 0.0, one.high_l_min or math.inf
        inside += low <= -30.0 * math.log(0.1) <= high
    assert inside >= 183  # 95 % of 200 are 190; fewer than 183 would come in one run of a thousand


@pytest.mark.parametrize("count", [10, 12, 37, 400])
def test_intervals_of_quantiles_are_those_of_scipy(count: int) -> None:
    from scipy.stats import quantile_test

    rates = np.random.default_rng(count).exponential(30.0, count)
    for one in planning_rates(wears(rates.tolist(), task=None))[""]:
        ends = quantile_test(rates, q=1.0, p=one.quantile).confidence_interval(0.95)
        for found, end in ((one.low_l_min, ends.low), (one.high_l_min, ends.high)):
            assert (found is None and math.isnan(end)) or found == end


def test_few_wears_leave_the_upper_end_open_and_fewer_give_nothing() -> None:
    found = planning_rates(wears([40.0 + rate for rate in range(12)]))
    assert found[""][2].high_l_min is None
    assert planning_rates(wears([40.0] * 9)) == {}


def test_minutes_of_a_cylinder_are_those_of_real_air() -> None:
    # C (reference.md, example 9): 6 L 32.0, 6.8 L 36.3, 9 L 48.0 min at 40 L/min from 300 to 55 bar, 15 °C.
    for volume_l, minutes in ((6.0, 32.0), (6.8, 36.3), (9.0, 48.0)):
        found = minutes_to_warning(Cylinder(1, volume_l, 300.0), 55.0, 40.0)
        # The example's litres are at 15 °C, ours at 20 °C: 1.7 % more of the same air.
        assert found == pytest.approx(minutes * 293.15 / 288.15, rel=0.005)


def forecasts(*lines: tuple[int, float | None, float]) -> pl.DataFrame:
    at = datetime(2031, 5, 4, tzinfo=UTC)
    rows = [
        (f"W/{number}", at, ahead, float(ahead), 0.6 * ahead, 1.6 * ahead, happened, watched)
        for number, (ahead, happened, watched) in enumerate(lines)
    ]
    return pl.DataFrame(rows, schema=FORECASTS, orient="row")


def account(lines: pl.DataFrame) -> list[ForecastAccount]:
    return audited(lines_of(lines, wears([])))


def test_inside_early_late_and_what_was_never_seen() -> None:
    every, ten = account(
        forecasts((10, 9.0, 12.0), (10, 5.0, 12.0), (10, 17.0, 20.0), (10, None, 8.0), (10, None, 3.0))
    )
    assert (ten.ahead_min, ten.said, ten.known) == (10, 5, 3)
    assert (ten.inside, ten.early, ten.late) == (1, 1, 1)
    # The wear watched for 8 min outlasted the early end at 6 min; the one of 3 min tells nothing.
    assert (ten.not_early, ten.of_early) == (3, 4)
    assert ten.error_min == pytest.approx(5.0)
    assert every.known == ten.known


def test_no_forecasts_give_an_empty_account() -> None:
    (every,) = account(forecasts())
    assert (every.said, every.known, every.happened) == (0, 0, None)
    assert math.isnan(every.error_min)


def test_forecasts_of_one_wear_that_fail_together_count_as_one() -> None:
    # 40 wears, five forecasts each, all of one wear right or all wrong: 40 observations, not 200.
    lines = forecasts(*((10, 10.0 if number % 8 else 30.0, 40.0) for number in range(40)))
    every = pl.concat(lines.with_columns(ahead_min=pl.lit(ahead, pl.Int64)) for ahead in (5, 10, 15, 20, 30))
    together, *each = account(every)
    assert (together.known, together.inside) == (200, 175)
    by_wear = share_interval(35, 40)
    assert together.inside_interval == pytest.approx(by_wear, abs=0.01)
    assert each[0].inside_interval == pytest.approx(by_wear, abs=0.01)
    # Never early: nothing tells how alike the forecasts of a wear are, so each wear counts once.
    assert together.early_interval == pytest.approx(share_interval(0, 40))


def test_the_account_by_month_and_by_how_hard() -> None:
    lines = forecasts((10, 9.0, 12.0), (10, 5.0, 12.0), (10, 17.0, 20.0), (10, None, 8.0), (10, 9.5, 12.0))
    months = [datetime(2031, month, 4, tzinfo=UTC) for month in (6, 5, 5, 5, 6)]
    lines = lines.with_columns(at=pl.Series(months, dtype=pl.Datetime("us", "UTC")))
    may, june = by_month(lines_of(lines, wears([])))
    assert (may.group, may.said, may.known) == ("2031-05", 3, 2)
    assert (june.group, june.said, june.inside) == ("2031-06", 2, 2)
    rates = [35.0, 90.0, 60.0, 45.0, None]
    rated = pl.DataFrame({"wear_id": lines["wear_id"], "mean_l_min": rates})
    hard = by_hardness(lines_of(lines, rated), rated)
    assert [one.group for one in hard] == [
        "0 to 40 L/min",
        "40 to 60 L/min",
        "60 to 80 L/min",
        "above 80 L/min",
    ]
    assert [one.said for one in hard] == [1, 1, 1, 1]
    assert hard[3].early == 1, "5 minutes passed where the early end was later"
    assert sum(one.said for one in hard) == lines.height - 1, "one wear has no rate"
