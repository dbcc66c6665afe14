"""Monthly measures: what counts, what months without wears look like, and when nothing may be said."""

from __future__ import annotations

from datetime import UTC, date, datetime

import polars as pl
import pytest

from analysis.trends.ledger import WEARS, coded
from analysis.trends.measures import (
    FEWEST_WEARS_FOR_A_RATE,
    MONTH,
    by_month,
    monthly,
    people,
    sums_by,
    with_never_heard,
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
    may = monthly(months, "low_air_exits").table.row(4, named=True)
    assert (may["wears"], may["value"], may["outside"]) == (0, None, False)
    assert monthly(months, "under_air_min").table["value"][4] is None


def test_too_few_wears_for_a_rate_say_nothing() -> None:
    few = monthly(by_month(made(1, FEWEST_WEARS_FOR_A_RATE - 1, [2])), "low_air_exits")
    assert few.overall is None
    enough = monthly(by_month(made(1, FEWEST_WEARS_FOR_A_RATE, [2])), "low_air_exits")
    assert enough.overall is not None
    assert enough.overall.rate == pytest.approx(200.0)


def test_a_rise_is_seen_only_with_enough_months_and_events() -> None:
    exits = [0, 1, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10]
    rise = monthly(by_month(made(12, 25, exits)), "low_air_exits")
    assert rise.trend is not None
    assert rise.trend.p_two_sided < 0.05
    assert rise.trend.slope_per_step == pytest.approx(40.0, rel=0.15)  # one more in 25 wears a month
    short = monthly(by_month(made(9, 25, exits[:9])), "low_air_exits")
    assert short.trend is None


def test_wears_without_a_heat_sensor_do_not_thin_the_dose() -> None:
    found = monthly(by_month(made(2, 10, [0, 0])), "heat_dose")
    assert found.overall is not None
    assert found.overall.rate == pytest.approx(0.1)
    assert found.table["wears"].to_list() == [5, 5]


def test_a_month_of_few_wears_is_shown_and_not_judged() -> None:
    usual = made(12, 40, [2, 1] * 6)
    few = made(13, 3, [0] * 12 + [3]).filter(pl.col("started") >= datetime(2032, 1, 1, tzinfo=UTC))
    found = monthly(by_month(pl.concat([usual, few])), "low_air_exits")
    last = found.table.row(-1, named=True)
    assert (last["wears"], last["value"], last["solid"], last["outside"]) == (3, 1000.0, False, False)
    assert found.table["solid"].sum() == 12


def test_a_rate_of_wears_never_exceeds_one_a_wear() -> None:
    """Exits used to have a Poisson interval, up to 5,572 per 1000 wears."""
    found = monthly(by_month(made(1, FEWEST_WEARS_FOR_A_RATE, [10])), "low_air_exits")
    assert found.overall is not None
    assert found.overall.low == pytest.approx(1000 * 0.025 ** (1 / 10))  # Clopper and Pearson 1934
    assert found.overall.high == 1000.0


def test_an_alarm_that_comes_in_a_run_counts_its_wear_once() -> None:
    one = made(1, 20, [0]).with_columns(
        pl.when(pl.int_range(pl.len()) == 3).then(7).otherwise(0).cast(pl.Int64).alias("no_motion_alarms")
    )
    assert by_month(one).select("no_motion_wears", "no_motion_alarms").row(0) == (1, 7)


def test_people_whose_names_were_dropped_are_not_counted() -> None:
    """Mended: a person has another name in each incident then, so that four people counted as twenty."""
    wears = made(3, 20, [1] * 3).filter(pl.col("started").dt.month() != 2)
    january = pl.col("started").dt.month() == 1
    gone = pl.format("gone-{}", pl.col("wear_id"))
    wears = wears.with_columns(wearer_id=pl.when(january).then(gone).otherwise("wearer_id"))
    months = by_month(coded(wears))
    assert months["wears"].to_list() == [20, 0, 20]
    assert months["wearers"].to_list() == [None, 0, 20]
    both = with_never_heard(sums_by(coded(wears), MONTH), coded(wears).clear(), MONTH)
    assert both["wearers"].to_list() == [None, 20]
    assert wears.select(people(wears)).item() is None
    assert wears.filter(~january).select(people(wears.filter(~january))).item() == 20
