"""Rates, control charts and trend tests against published worked examples.

Marks: V read at the source named; M from memory; C computed from a reference library.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.trends.forecast_audit import share_interval
from analysis.trends.statistics import (
    chance_of_so_many,
    false_discovery_rates,
    individuals_chart,
    mann_kendall,
    poisson_interval,
    rate_per,
    seasonal_kendall,
    u_chart,
)


def test_example_40_mann_kendall_by_hand() -> None:
    # V: Holy Cross, "Mann-Kendall by hand": 72 rising, 18 falling, 1 tied; S 54, Var 332.67, Z 2.9058,
    # p .0018 one-sided.
    values = [12.9, 14.8, 13.2, 15.7, 13.8, 15.6, 12.9, 11.0, 17.3, 15.9, 19.0, 18.3, 20.1, 21.7]
    found = mann_kendall(values)
    assert found is not None
    assert (found.rising_pairs, found.falling_pairs, found.tied_pairs, found.s) == (72, 18, 1, 54)
    assert found.variance == pytest.approx(332.67, abs=0.005)
    assert found.z == pytest.approx(2.9058, abs=0.00005)
    assert found.p_two_sided / 2 == pytest.approx(0.0018, abs=0.00005)
    assert found.p_two_sided == pytest.approx(0.0037, abs=0.00005)


def test_example_41_individuals_chart_of_the_textbook() -> None:
    # V: Montgomery & Runger, Applied Statistics and Probability for Engineers, Table 16-3 and section 16-6.
    values = [102, 94.8, 98.3, 98.4, 102, 98.5, 99, 97.7, 100, 98.1]
    values += [101.3, 98.7, 101.1, 98.4, 97, 96.7, 100.3, 101.4, 97.2, 101]
    chart = individuals_chart(values)
    assert chart is not None
    assert chart.mean == pytest.approx(99.095, abs=0.0005)
    assert chart.mean_moving_range == pytest.approx(2.589, abs=0.0005)
    # Printed 105.99, from a rounded mean (99.1): recomputed 105.98.
    assert chart.upper == pytest.approx(105.98, abs=0.005)
    assert chart.lower == pytest.approx(92.21, abs=0.005)
    assert chart.moving_range_upper == pytest.approx(8.46, abs=0.005)
    assert not chart.outside.any()


def test_example_42_individuals_chart_of_flow_rates() -> None:
    # M (from memory, recomputed): NIST/SEMATECH e-Handbook of Statistical Methods, flow rate.
    chart = individuals_chart([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    assert chart is not None
    assert chart.mean == pytest.approx(50.81, abs=0.00005)
    assert chart.mean_moving_range == pytest.approx(1.8778, abs=0.00005)
    assert chart.upper == pytest.approx(55.8041, abs=0.00005)
    assert chart.lower == pytest.approx(45.8159, abs=0.00005)


def test_example_43_count_chart_of_defects() -> None:
    # M (from memory, recomputed): NIST/SEMATECH e-Handbook, counts of wafer defects; a c chart is a
    # u chart of exposure one. Point 3 lies on the limit and is inside.
    counts = [
        16,
        14,
        28,
        16,
        12,
        20,
        10,
        12,
        10,
        17,
        19,
        17,
        14,
        16,
        15,
        13,
        14,
        16,
        11,
        20,
        11,
        19,
        16,
        31,
        13,
    ]
    chart = u_chart(counts, np.ones(25))
    assert chart.centre == pytest.approx(16)
    assert chart.upper[0] == pytest.approx(28)
    assert chart.lower[0] == pytest.approx(4)
    assert np.flatnonzero(chart.outside).tolist() == [23]


def test_example_44_ratio_of_sums_is_not_the_mean_of_ratios() -> None:
    # V, recomputed: studylib 9428009, falls over admissions: 53/176 = .3011, where the mean of the ratios
    # is .3003.
    falls, people = [8, 6, 7, 8, 5, 6, 4, 5, 4], [20, 20, 18, 21, 20, 20, 19, 20, 18]
    assert u_chart(falls, people).centre == pytest.approx(0.3011, abs=0.00005)
    assert np.mean(np.divide(falls, people)) == pytest.approx(0.3003, abs=0.00005)


def test_example_45_exact_interval_of_a_rate() -> None:
    # V, recomputed: 14 events in 400 person-years are .035, exact 95 % interval .019135 to .058724.
    rate = rate_per(14, 400, per=1)
    assert rate is not None
    assert rate.rate == pytest.approx(0.035)
    assert rate.low == pytest.approx(0.019135, abs=5e-7)
    assert rate.high == pytest.approx(0.058724, abs=5e-7)


def test_example_46_rate_per_ten_thousand_months() -> None:
    # V alpfmedical.info: 18 cases in 87 719 months are 2.05 per 10 000; interval 1.22 to 3.24 (C).
    rate = rate_per(18, 87_719, per=10_000)
    assert rate is not None
    assert rate.rate == pytest.approx(2.05, abs=0.005)
    assert (rate.low, rate.high) == (pytest.approx(1.22, abs=0.005), pytest.approx(3.24, abs=0.005))


def test_example_47_interval_of_no_events_and_of_ten() -> None:
    # V epitools pois.exact / C: none gives 0 to 3.689, ten give 4.795 to 18.390.
    assert poisson_interval(0) == (0.0, pytest.approx(3.689, abs=0.0005))
    assert poisson_interval(10) == (pytest.approx(4.795, abs=0.0005), pytest.approx(18.390, abs=0.0005))
    # V: Public Health England, technical guide (2018): Byar's approximation (ten give 4.787 to 18.391) is
    # within 0.2 % of the exact interval from ten on.
    for count in (10, 20, 50):
        byar = byars_interval(count)
        assert byar == pytest.approx(poisson_interval(count), rel=0.002)
    assert byars_interval(10) == (pytest.approx(4.787, abs=0.0005), pytest.approx(18.391, abs=0.0005))


def byars_interval(count: int) -> tuple[float, float]:
    def end(k: int, z: float) -> float:
        return k * (1 - 1 / (9 * k) + z / (3 * math.sqrt(k))) ** 3

    return end(count, -1.959964), end(count + 1, 1.959964)


def test_example_48_alarms_over_wears() -> None:
    # C (computed from the u chart's formula): the fifth month alone lies above its limit.
    alarms, wears = [3, 5, 2, 4, 12, 3], [210, 260, 190, 240, 230, 205]
    chart = u_chart(alarms, wears)
    assert 1000 * chart.centre == pytest.approx(21.72, abs=0.005)
    fifth = rate_per(12, 230, per=1000)
    assert fifth is not None
    assert fifth.rate == pytest.approx(52.17, abs=0.005)
    assert 1000 * chart.upper[4] == pytest.approx(50.88, abs=0.005)
    assert np.flatnonzero(chart.outside).tolist() == [4]
    assert (chart.lower == 0).all()
    assert (sum(alarms), sum(wears)) == (29, 1335)


def test_mann_kendall_is_exact_for_few_values() -> None:
    # Gilbert 1987 gives exact chances up to n = 10 (as cited by PAST's manual, V). Kendall's table (from
    # memory): n = 4 and S = 6, all pairs rising, has the chance 1/24 on one side.
    found = mann_kendall([1.0, 2.0, 3.0, 4.0])
    assert found is not None
    assert found.p_two_sided / 2 == pytest.approx(1 / 24)


def test_seasonal_kendall_sums_over_the_months() -> None:
    # Hirsch, Slack and Smith 1982 (from memory): S and its variance are those of each month, summed; a season
    # alone is no trend. Three years: each month has S = 3 at most and a variance of 3 * 2 * 11 / 18.
    season = [10.0 * math.cos(month / 2) for month in range(12)]
    rising = [value + 0.5 * (year * 12 + month) for year in range(3) for month, value in enumerate(season)]
    found = seasonal_kendall(rising)
    assert found is not None
    assert (found.s, found.variance) == (36, pytest.approx(12 * 3 * 2 * 11 / 18))
    assert found.slope_per_step == pytest.approx(0.5)
    flat = seasonal_kendall(season * 3)
    assert flat is not None
    assert (flat.s, flat.p_two_sided) == (0, 1.0)


def test_two_poisson_counts_are_compared_by_the_binomial() -> None:
    # C (scipy.stats.binom): 8 or more of 10 events in half of the exposure.
    assert chance_of_so_many(8, 10, 0.5) == pytest.approx(56 / 1024)
    assert chance_of_so_many(0, 10, 0.5) == 1.0


def test_false_discovery_rates() -> None:
    # From memory: Benjamini and Hochberg 1995, J R Stat Soc B 57:289-300, the fifteen p-values of their
    # example: at 0.05 the first four are found, where Bonferroni finds three.
    printed = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240]
    printed += [0.4262, 0.5719, 0.6528, 0.7590, 1.0]
    assert (false_discovery_rates(printed) <= 0.05).sum() == 4


def test_interval_of_a_share() -> None:
    # M (from memory): the rule of three and Clopper-Pearson for none of 20: upper end 16.84 %.
    assert share_interval(0, 20) == (0.0, pytest.approx(0.1684, abs=5e-5))
