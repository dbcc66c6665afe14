"""Rates, control charts and trend tests against published worked examples.

Marks: V read at the source named; M from memory; C computed from a reference library.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.trends.statistics import (
    chance_of_so_many,
    false_discovery_rates,
    mann_kendall,
    mann_whitney_of_groups,
    poisson_interval,
    seasonal_kendall,
    share_interval,
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


def test_example_45_exact_interval_of_a_rate() -> None:
    # V, recomputed: 14 events in 400 person-years are .035, exact 95 % interval .019135 to .058724.
    low, high = (end / 400 for end in poisson_interval(14))
    assert low == pytest.approx(0.019135, abs=5e-7)
    assert high == pytest.approx(0.058724, abs=5e-7)


def test_example_46_rate_per_ten_thousand_months() -> None:
    # V alpfmedical.info: 18 cases in 87 719 months are 2.05 per 10 000; interval 1.22 to 3.24 (C).
    low, high = (10_000 * end / 87_719 for end in poisson_interval(18))
    assert (low, high) == (pytest.approx(1.22, abs=0.005), pytest.approx(3.24, abs=0.005))


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


def test_all_groups_ranked_at_once_are_as_each_against_the_rest() -> None:
    """Reference library: `scipy.stats.mannwhitneyu`, with ties, a small group and missing values."""
    from scipy.stats import mannwhitneyu

    rng = np.random.default_rng(1)
    values, group = rng.integers(0, 40, 400).astype(float), rng.integers(0, 4, 400)
    values[group == 1] += 4.0
    values[:20] = np.nan
    group[group == 3] = np.where(np.arange((group == 3).sum()) < 6, 3, 2)
    found = mann_whitney_of_groups(values, group, 5)
    known = np.isfinite(values)
    for one in range(4):
        own, rest = values[known & (group == one)], values[known & (group != one)]
        assert found[one] == pytest.approx(mannwhitneyu(own, rest, alternative="greater").pvalue, rel=1e-9)
    assert found[4] == 1.0
