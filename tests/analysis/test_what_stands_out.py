"""What stands out: intervals of what is named, parts of the wears, the month that is not over."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from analysis.trends.before_after import changes
from analysis.trends.comparisons import Signal, signals
from analysis.trends.false_marks import Redrawn
from analysis.trends.ledger import SET_EVENTS, WEARS, with_falls
from analysis.trends.measures import by_month, judged_months, monthly
from analysis.trends.roster import with_station_and_role
from analysis.trends.sets import events_of, set_counts
from analysis.trends.statistics import (
    interval_of_a_mean,
    interval_of_a_rank_correlation,
    mann_kendall,
    poisson_interval,
    seasonal_kendall,
)
from tests.three_years import three_years

START = datetime(2031, 1, 10, 8, tzinfo=UTC)


def wears_of(*rows: dict[str, object]) -> pl.DataFrame:
    return pl.DataFrame([{"wear_id": f"{n}", **row} for n, row in enumerate(rows)], schema=WEARS)


@pytest.fixture(scope="module")
def named() -> list[Signal]:
    ledger, roster = three_years(1)
    return signals(with_station_and_role(ledger["wears"], roster), ledger["set_events"])[0]


def test_everything_that_is_named_has_its_interval(named: list[Signal]) -> None:
    assert {one.part for one in named} >= {"station", "set"}
    for one in named:
        assert one.low <= one.value <= one.high, one
        # What is named holds among many comparisons: by itself it is clear of no change and of the rest.
        if one.how == "more":
            assert one.low > one.rest, one
        else:
            assert one.low * one.high > 0, one


def test_the_interval_of_a_count_is_the_exact_one(named: list[Signal]) -> None:
    station = next(one for one in named if one.part == "station")
    low, high = poisson_interval(station.events)
    assert (station.low, station.high) == pytest.approx(
        (1000 * low / station.wears, 1000 * high / station.wears)
    )


def test_sens_interval_is_that_of_the_reference_library() -> None:
    from scipy.stats import theilslopes

    # R (scipy.stats.theilslopes): ranks after Sen 1968.
    rng = np.random.default_rng(3)
    for size in (12, 30, 60):
        values = 0.1 * np.arange(size) + rng.normal(0.0, 1.0, size)
        found = mann_kendall(values)
        assert found is not None
        reference = theilslopes(values)
        assert (found.slope_per_step, found.slope_low, found.slope_high) == pytest.approx(
            (reference.slope, reference.low_slope, reference.high_slope)
        )


def test_the_seasonal_interval_holds_the_true_slope_as_often_as_it_says() -> None:
    rng, inside = np.random.default_rng(5), 0
    season = 5.0 * np.sin(np.arange(48) * math.tau / 12)
    for _ in range(300):
        found = seasonal_kendall(season + 0.05 * np.arange(48) + rng.normal(0.0, 1.0, 48))
        assert found is not None
        inside += found.slope_low <= 0.05 <= found.slope_high
    assert inside >= 272  # 95 % of 300 are 285; fewer than 272 would come in one run of a thousand


def test_wears_of_one_person_are_alike_and_the_interval_knows() -> None:
    rng, inside = np.random.default_rng(6), 0
    for _ in range(300):
        people = rng.normal(10.0, 3.0, 20)
        sizes = rng.integers(5, 60, 20)
        sums = [rng.normal(mean, 1.0, size).sum() for mean, size in zip(people, sizes, strict=True)]
        low, high = interval_of_a_mean(sums, sizes)
        inside += low <= 10.0 <= high
    assert inside >= 265  # as if all wears were independent, some 90 of 300 would hold
    assert all(math.isnan(end) for end in interval_of_a_mean([3.0], [2]))


def test_the_interval_of_a_rank_correlation_holds_as_often_as_it_says() -> None:
    rng, inside = np.random.default_rng(7), 0
    truth = 6 / math.pi * math.asin(0.7 / 2)  # Spearman's of a normal pair (Pearson 1907, from memory)
    for _ in range(300):
        pair = pl.DataFrame(rng.multivariate_normal([0, 0], [[1, 0.7], [0.7, 1]], 60), schema=["x", "y"])
        rho = float(pair.select(pl.corr("x", "y", method="spearman")).item())
        low, high = interval_of_a_rank_correlation(rho, 60)
        inside += low <= truth <= high
    assert inside >= 272
    assert interval_of_a_rank_correlation(1.0, 20)[1] <= 1.0


def test_events_follow_the_wears_that_they_belong_to() -> None:
    wears = wears_of(
        {"set_id": "S-1", "started": START, "kind": "drill"},
        {"set_id": "S-1", "started": START + timedelta(days=3), "kind": "incident"},
        {"set_id": "S-2", "started": START, "kind": "incident"},
    )
    rows = [
        ("S-1", START - timedelta(minutes=5), "battery_refused"),
        ("S-1", START + timedelta(days=3, minutes=9), "readings_stuck"),
        ("S-9", START, "clock_wrong"),
    ]
    events = pl.DataFrame(rows, schema=SET_EVENTS, orient="row")
    drills = wears.filter(pl.col("kind") == "drill")
    assert events_of(events, wears, drills)["code"].to_list() == ["battery_refused"]
    assert events_of(events, wears, wears).height == 2
    assert dict(events_of(events, wears, drills).schema) == dict(SET_EVENTS)


def test_a_wear_that_is_not_chosen_is_no_leak_of_the_cylinder() -> None:
    worn = {"set_id": "S-1", "cylinder_l": 6.8}
    wears = wears_of(
        {**worn, "kind": "drill", "started": START, "ended": START, "start_bar": 300.0, "end_bar": 290.0},
        {
            **worn,
            "kind": "incident",
            "started": START + timedelta(hours=1),
            "ended": START + timedelta(hours=2),
            "start_bar": 290.0,
            "end_bar": 250.0,
        },
        {
            **worn,
            "kind": "drill",
            "started": START + timedelta(hours=3),
            "ended": START + timedelta(hours=4),
            "start_bar": 249.0,
            "end_bar": 200.0,
        },
    )
    nothing = pl.DataFrame(schema=SET_EVENTS)
    drills = wears.filter(pl.col("kind") == "drill")
    alone = set_counts(drills, with_falls(nothing, drills))["pressure_fell_closed"].to_list()
    assert alone == [1]  # what a part alone would say
    falls = events_of(with_falls(nothing, wears), wears, drills)
    assert set_counts(drills, falls)["pressure_fell_closed"].to_list() == [0]


def test_one_station_is_compared_with_nobody_at_all() -> None:
    ledger, roster = three_years(2, incidents_a_month=4.0)
    only = roster.filter(pl.col("station") == "Station 1").with_columns(role=pl.lit("firefighter"))
    wears = with_station_and_role(ledger["wears"], only)
    assert wears["station"].n_unique() == 2  # it, and none
    assert set(signals(wears, ledger["set_events"]).smallest) == {"wearer", "set"}


def test_a_wear_of_which_nobody_knows_how_it_ended_is_in_no_rate_of_exits() -> None:
    """A third of the wears fell silent above the warning: they had counted as if they had left above it."""
    ledger, roster = three_years(1)
    wears = with_station_and_role(ledger["wears"], roster)
    lost = pl.int_range(pl.len()) % 3 == 0
    exits = pl.when(~lost).then(pl.col("low_air_exits"))
    part, heard = wears.with_columns(exits), wears.filter(~lost)
    running = date(2032, 1, 1)
    months, alone = by_month(part), by_month(heard)
    assert months["low_air_exits_unknown"].sum() == wears.height - heard.height
    one, other = (monthly(each, "low_air_exits") for each in (months, alone))
    assert one.overall == other.overall
    assert one.table["wears"].to_list() == alone["wears"].to_list()
    marks, same = (judged_months(each, running)["low_air_exits"] for each in (part, heard))
    np.testing.assert_array_equal(marks.upper, same.upper)
    (change, again) = (changes(each, date(2030, 6, 1))[0] for each in (part, heard))
    assert change == again
    assert (
        Redrawn(part).wears(np.random.default_rng(0))["low_air_exits"].null_count()
        == part["low_air_exits"].null_count()
    )
    station = next(one for one in signals(part, ledger["set_events"]).found if one.measure == "low_air_exits")
    theirs = heard.filter(pl.col("station") == station.name)
    assert (station.wears, station.events) == (theirs.height, theirs["low_air_exits"].sum())


def test_the_month_that_is_not_over_is_shown_and_not_judged() -> None:
    rows = [
        {
            "wearer_id": f"W-{n % 9}",
            "started": datetime(2031, month, 1 + n, 9, tzinfo=UTC),
            "under_air_min": 20.0 + n % 3 + month % 2,
            "low_air_exits": int(n < 2),
        }
        for month in range(1, 13)
        for n in range(20 if month < 12 else 8)
    ]
    rows[-1]["under_air_min"] = 900.0
    filled = [
        pl.col(name).fill_null(0) for name, kind in WEARS.items() if kind.is_numeric() and name != "heat_dose"
    ]
    months, running = by_month(wears_of(*rows).with_columns(filled)), date(2031, 12, 1)
    left = monthly(months, "under_air_min", running)
    assert not left.table["outside"][-1]
    assert left.table["solid"].to_list() == [True] * 11 + [False]
    rate = monthly(months, "low_air_exits", running)
    assert rate.table["solid"].to_list() == [True] * 11 + [False]


@pytest.mark.parametrize(("name", "named"), [("W-9", ["W-9"]), ("gone-0123456789", [])])
def test_a_name_that_retain_gave_is_nobody_to_be_named(name: str, named: list[str]) -> None:
    rows = [
        {
            "wearer_id": name if number % 6 == 0 else f"W-{number % 5}",
            "set_id": f"S-{number % 7}",
            "incident_id": f"I-{number}",
            "started": START + timedelta(days=number),
            "low_air_exits": int(number % 6 == 0),
            "no_motion_alarms": 0,
            "distress_alarms": 0,
        }
        for number in range(300)
    ]
    found = signals(wears_of(*rows), pl.DataFrame(schema=SET_EVENTS))[0]
    assert [one.name for one in found if (one.part, one.measure) == ("wearer", "low_air_exits")] == named
