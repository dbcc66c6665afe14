"""Before and after a date: two open data sets with published analyses, and the service's own wears."""

from __future__ import annotations

import importlib.util
from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from scipy.stats import binomtest, ttest_ind

from analysis.trends.before_after import (
    changes,
    compared_counts,
    compared_means,
    rate_ratio,
    spread_of,
)
from tests.benchmarks.chance import ledger

# Coal-mining disasters in Britain by year, 1851 to 1962. Jarrett, "A note on the intervals between
# coal-mining disasters", Biometrika 66 (1979); typed in from memory: 191 disasters, 112 years.
COAL = [
    4,
    5,
    4,
    1,
    0,
    4,
    3,
    4,
    0,
    6,
    3,
    3,
    4,
    0,
    2,
    6,
    3,
    3,
    5,
    4,
    5,
    3,
    1,
    4,
    4,
    1,
    5,
    5,
    3,
    4,
    2,
    5,
    2,
    2,
    3,
    4,
]
COAL += [
    2,
    1,
    3,
    2,
    2,
    1,
    1,
    1,
    1,
    3,
    0,
    0,
    1,
    0,
    1,
    1,
    0,
    0,
    3,
    1,
    0,
    3,
    2,
    2,
    0,
    1,
    1,
    1,
    0,
    1,
    0,
    1,
    0,
    0,
    0,
    2,
]
COAL += [
    1,
    0,
    0,
    0,
    1,
    1,
    0,
    2,
    3,
    3,
    1,
    1,
    2,
    1,
    1,
    1,
    1,
    2,
    3,
    3,
    0,
    0,
    0,
    1,
    4,
    0,
    0,
    0,
    1,
    0,
    0,
    0,
    0,
    0,
    1,
    0,
]
COAL += [0, 1, 0, 1]


def test_coal_mine_disasters_fall_to_a_third_about_1891() -> None:
    # Carlin, Gelfand and Smith, "Hierarchical Bayesian analysis of changepoint problems", Applied
    # Statistics 41 (1992): about 3.1 a year until 1890 or so, 0.9 after it (from memory).
    assert len(COAL) == 112
    assert sum(COAL) == pytest.approx(191, abs=2)
    counts = np.array(COAL, dtype=float)
    assert counts[:41].mean() == pytest.approx(3.1, abs=0.1)
    assert counts[41:].mean() == pytest.approx(0.92, abs=0.07)
    ratio, low, high = compared_counts(counts, np.ones(112), 41)
    assert ratio == pytest.approx(0.30, abs=0.03)
    assert low < 0.92 / 3.1 < high < 0.5


def test_the_nile_falls_by_250_at_aswan_in_1899() -> None:
    # Cobb, "The problem of the Nile", Biometrika 65 (1978): the level falls after 1898, from a mean of 1098
    # to 850 (values from statsmodels, which ships the series of 1871 to 1970).
    place = importlib.util.find_spec("statsmodels")
    assert place is not None
    assert place.origin is not None
    flow = pl.read_csv(Path(place.origin).parent / "datasets" / "nile" / "nile.csv")
    before = flow.filter(pl.col("year") < 1899)["volume"].cast(pl.Float64).to_numpy()
    after = flow.filter(pl.col("year") >= 1899)["volume"].cast(pl.Float64).to_numpy()
    assert before.mean() == pytest.approx(1097.75, abs=0.005)
    assert after.mean() == pytest.approx(849.97, abs=0.005)
    change, low, high = compared_means(before, after)
    assert change == pytest.approx(-247.78, abs=0.005)
    reference = ttest_ind(after, before, equal_var=False).confidence_interval()  # Welch, by scipy
    assert (low, high) == pytest.approx((reference.low, reference.high))


def test_ship_damage_is_overdispersed_and_newer_ships_differ() -> None:
    # McCullagh and Nelder, Generalized Linear Models, 2nd edition (1989), section 6.3.2: wave damage to
    # ships; typed in from memory: type B, service months and incidents by year of construction and period.
    months = np.array([44882.0, 17176.0, 28609.0, 20370.0, 7064.0, 13099.0, 7117.0])
    damage = np.array([39.0, 29.0, 58.0, 53.0, 12.0, 44.0, 18.0])
    due = months * damage.sum() / months.sum()
    phi = spread_of(damage, due, parameters=1)
    assert phi > 1.69  # the book's 1.69 is left when type, year and period are all in the model
    ratio, low, high = compared_counts(damage, months, 2)
    assert ratio > 1.5
    plain = rate_ratio(68.0, 185.0, 62058.0, 76259.0)
    assert low < plain[1] < plain[2] < high  # thinned: wider than as if independent


def test_the_interval_is_that_of_the_binomial_share() -> None:
    # R (scipy.stats.binomtest, method exact): the share after, turned into a ratio.
    share = binomtest(12, 42).proportion_ci(0.95, method="exact")
    ratio, low, high = rate_ratio(30, 12, 1000.0, 800.0)
    assert ratio == pytest.approx((12 / 800) / (30 / 1000))
    assert low == pytest.approx(1000 / 800 * share.low / (1 - share.low))
    assert high == pytest.approx(1000 / 800 * share.high / (1 - share.high))
    assert rate_ratio(0, 4, 10.0, 10.0)[0] == np.inf
    assert rate_ratio(4, 0, 10.0, 10.0)[1] == 0.0
    wide = rate_ratio(30, 12, 1000.0, 800.0, dispersion=3.0)
    assert wide[1] < low < high < wide[2]


def test_a_cut_to_a_third_is_seen_and_none_is_not_named() -> None:
    """It used to be named in 0 of 12 ledgers, its lower limit 0."""
    since = date(2030, 1, 1)
    cut = next(one for one in changes(ledger(5001, late=1 / 3), since) if one.measure == "low_air_exits")
    assert cut.clear
    assert 0.15 < cut.low < 1 / 3 < cut.high < 0.8
    same = {one.measure: one for one in changes(ledger(5002), since)}
    assert sum(one.clear for one in same.values()) <= 1
    assert {"hard_min", "heat_dose", "under_air_min"} <= set(same)


def test_another_mix_of_work_is_no_change() -> None:
    """Twice the drills after the date, each kind with its own rate as before."""
    fires = ["incident"] * 300 + ["drill"] * 100 + ["incident"] * 100 + ["drill"] * 300
    exits = [1] * 60 + [0] * 240 + [1] * 5 + [0] * 95 + [1] * 20 + [0] * 80 + [1] * 15 + [0] * 285
    wears = (
        ledger(5003)
        .head(800)
        .with_columns(
            kind=pl.Series(fires),
            task=pl.lit(None, dtype=pl.String),
            low_air_exits=pl.Series(exits),
            incident_id=pl.Series([f"I-{n}" for n in range(800)]),
            started=pl.Series([date(2029 if n < 400 else 2030, 1 + n % 12, 5) for n in range(800)]).cast(
                pl.Datetime("us", "UTC")
            ),
        )
    )
    found = next(one for one in changes(wears, date(2030, 1, 1)) if one.measure == "low_air_exits")
    assert (found.before, found.after) == (65.0, 35.0)
    assert found.ratio == pytest.approx(1.0, abs=0.01)
    assert not found.clear
    assert found.expected_ratio == pytest.approx(35 / 65, abs=0.01)


def test_a_side_of_few_wears_is_not_compared() -> None:
    assert changes(ledger(5004).head(30), date(2040, 1, 1)) == []
