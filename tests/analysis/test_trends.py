"""Monthly measures: what counts, what months without wears look like, and when nothing may be said."""

from __future__ import annotations

from datetime import UTC, date, datetime

import numpy as np
import polars as pl
import pytest

from analysis.trends.ledger import WEARS
from analysis.trends.measures import (
    FEWEST_MONTHS_FOR_LIMITS,
    FEWEST_WEARS_FOR_A_RATE,
    by_month,
    monthly_mean,
    monthly_rate,
)


def made(months: int, wears_a_month: int, exits: list[int], minutes: float = 30.0) -> pl.DataFrame:
    """Measures of so many wears a month, with exits as told."""
    rows = []
    for month in range(months):
        for number in range(wears_a_month):
            rows.append(
                {
                    "wear_id": f"{month}-{number}",
                    "wearer_id": f"W-{number}",
                    "started": datetime(2031 + month // 12, 1 + month % 12, 2 + number % 25, tzinfo=UTC),
                    "under_air_min": minutes + (number % 3) + 0.3 * (-1) ** month,
                    "low_air_exits": int(number < exits[month]),
                    "heat_dose": None if number % 2 else 0.1,
                }
            )
    frame = pl.DataFrame(rows)
    missing = [pl.lit(0).cast(kind).alias(name) for name, kind in WEARS.items() if name not in frame.columns]
    return frame.with_columns(missing).select(pl.col(name).cast(kind) for name, kind in WEARS.items())


def test_a_month_without_wears_stands_there_empty_and_has_no_rate() -> None:
    measures = made(12, 20, [1] * 12).filter(pl.col("started").dt.month() != 5)
    months = by_month(measures)
    assert months["month"].to_list() == [date(2031, month, 1) for month in range(1, 13)]
    may = monthly_rate(months, "low_air_exits", "wears", 1000).table.row(4, named=True)
    assert (may["wears"], may["rate"], may["outside"]) == (0, None, False)
    assert monthly_mean(months, "under_air_min").table["mean"][4] is None


def test_too_few_wears_for_a_rate_say_nothing() -> None:
    few = monthly_rate(by_month(made(1, FEWEST_WEARS_FOR_A_RATE - 1, [2])), "low_air_exits", "wears", 1000)
    assert few.total is None
    enough = monthly_rate(by_month(made(1, FEWEST_WEARS_FOR_A_RATE, [2])), "low_air_exits", "wears", 1000)
    assert enough.total is not None
    assert enough.total[2] == pytest.approx(200.0)
    assert np.isnan(enough.centre)


def test_a_month_that_stands_out_is_outside_and_an_even_year_is_not() -> None:
    odd = monthly_rate(by_month(made(12, 25, [1] * 7 + [12] + [1] * 4)), "low_air_exits", "wears", 1000)
    assert odd.table.filter(pl.col("outside"))["month"].to_list() == [date(2031, 8, 1)]
    even = monthly_rate(by_month(made(12, 25, [1, 2] * 6)), "low_air_exits", "wears", 1000)
    assert not even.table["outside"].any()
    assert even.trend is not None
    assert even.trend.p_two_sided > 0.05


def test_a_rise_is_seen_only_with_enough_months_and_events() -> None:
    exits = [0, 1, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10]
    rise = monthly_rate(by_month(made(12, 25, exits)), "low_air_exits", "wears", 1000)
    assert rise.trend is not None
    assert rise.trend.p_two_sided < 0.001
    assert rise.trend.slope_per_step == pytest.approx(40.0, rel=0.15)  # one more in 25 wears a month
    short = monthly_rate(by_month(made(9, 25, exits[:9])), "low_air_exits", "wears", 1000)
    assert short.trend is None


def test_means_have_limits_only_from_enough_solid_months() -> None:
    assert np.isnan(
        monthly_mean(by_month(made(FEWEST_MONTHS_FOR_LIMITS - 1, 6, [0] * 12)), "under_air_min").upper
    )
    assert np.isnan(monthly_mean(by_month(made(12, 4, [0] * 12)), "under_air_min").upper)
    solid = monthly_mean(by_month(made(12, 6, [0] * 12)), "under_air_min")
    assert solid.lower < solid.overall < solid.upper
    assert not solid.table["outside"].any()


def test_wears_without_a_heat_sensor_do_not_thin_the_dose() -> None:
    found = monthly_mean(by_month(made(2, 10, [0, 0])), "heat_dose")
    assert found.overall == pytest.approx(0.1)
    assert found.table["wears"].to_list() == [5, 5]


def test_a_month_of_few_wears_is_shown_and_not_judged() -> None:
    usual = made(12, 40, [2, 1] * 6)
    few = made(13, 3, [0] * 12 + [3]).filter(pl.col("started") >= datetime(2032, 1, 1, tzinfo=UTC))
    found = monthly_rate(by_month(pl.concat([usual, few])), "low_air_exits", "wears", 1000)
    last = found.table.row(-1, named=True)
    assert (last["wears"], last["rate"], last["solid"], last["outside"]) == (3, 1000.0, False, False)
    assert found.table["solid"].sum() == 12
