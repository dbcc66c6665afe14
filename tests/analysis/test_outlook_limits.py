"""Where the outlook of a wear begins and ends, with an estimate whose figures are set by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from analysis.air.forecast import NO_FORECAST, ForecastMinutes, Scenario
from analysis.air.gas import Cylinder, free_air_l
from analysis.live.inside import _rates_l_min
from analysis.live.outlook import Outlook, look_ahead
from analysis.live.rows import Interval

LOW_BAR = 55.0


class Air:
    """Two bar a minute: half of that time at the earliest, twice at the latest."""

    unmoved_since_s = None

    def __init__(self, bar: float, sd_bar: float = 0.1, time_s: float = 600.0, hardest: float = 10.0) -> None:
        self.bar, self.sd_bar, self.time_s, self.hardest = bar, sd_bar, time_s, hardest
        self.hard_bar_min = 1.0
        self.asked_s: list[float] = []

    def at(self, second: float) -> Any:
        self.asked_s.append(second)

        def minutes_to(target_bar: float) -> ForecastMinutes:
            minutes = (self.bar - target_bar) / 2.0
            return ForecastMinutes(minutes, minutes / 2.0, 2.0 * minutes)

        return SimpleNamespace(
            pressure_bar=self.bar, pressure_sd_bar=self.sd_bar, rate_l_min=30.0, time_s=self.time_s,
            minutes_to=minutes_to, if_hardest=lambda _: Scenario(self.hardest, 50.0),
            hard_minutes_to=lambda target_bar: (self.bar - target_bar) / self.hard_bar_min,
        )  # fmt: skip


def ahead(air: Air, bar: float | None = None, leave_bar: float | None = None, **more: Any) -> Outlook:
    reading = 1000.0, air.bar if bar is None else bar
    return look_ahead(air, 500.0, reading, LOW_BAR, leave_bar, 1002.0, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("bar", "low_air", "to_empty"),
    [(55.1, True, False), (55.0, False, True), (5.1, False, True), (5.0, False, False), (0.0, False, False)],
)
def test_down_to_the_warning_and_from_there_to_empty(bar: float, low_air: bool, to_empty: bool) -> None:
    found = ahead(Air(bar))
    assert (found.low_air is not None, found.to_empty is not None) == (low_air, to_empty)
    assert (found.if_hardest is not None, bool(found.fan)) == (low_air, low_air)
    if to_empty:
        assert found.to_empty is not None
        assert found.to_empty.median == pytest.approx((bar - 5.0) / 2.0)


@pytest.mark.parametrize(("leave_bar", "known"), [(149.9, True), (150.0, False), (None, False)])
def test_down_to_turn_back_with_an_earlier_early_end(leave_bar: float | None, known: bool) -> None:
    found = ahead(Air(150.0), leave_bar=leave_bar).leave
    assert (found is not None) is known
    if found is not None:
        # Half to the power of 1.35 (`OTHER_PRESSURE`), of 0.05 min; the late end is not changed.
        assert (found.median, found.low, found.high) == pytest.approx((0.05, 0.05 * 0.5**1.35, 0.1))


@pytest.mark.parametrize(("time_s", "young"), [(179.9, True), (180.0, False)])
def test_a_young_wear_has_an_early_end_only(time_s: float, young: bool) -> None:
    found = ahead(Air(155.0, time_s=time_s), leave_bar=105.0)
    assert found.low_air == Interval(50.0, 25.0, 100.0, young)
    assert found.leave is not None
    assert found.leave.early_only is young
    assert found.leave.low == pytest.approx(12.5 if young else 25.0 * 0.5**1.35)


@pytest.mark.parametrize(
    ("reading_bar", "sd_bar", "part"),
    [
        (150.0, 0.1, 1.0),  # 5 bar below what is expected
        (149.9, 0.1, 94.9 / 100.0),
        (145.0, 2.0, 1.0),  # five standard deviations
        (144.9, 2.0, 89.9 / 100.0),
        (160.0, 0.1, 1.0),  # above it
    ],
)
def test_a_reading_far_below_shortens_what_is_left_but_for_the_late_end(
    reading_bar: float, sd_bar: float, part: float
) -> None:
    found = ahead(Air(155.0, sd_bar), reading_bar, 105.0)
    assert found.low_air is not None
    assert (found.low_air.median, found.low_air.low, found.low_air.high) == pytest.approx(
        (50.0 * part, 25.0 * part, 100.0)
    )
    assert found.if_hardest is not None
    assert found.if_hardest.minutes == pytest.approx(10.0 * part)
    assert bool(found.fan) is (part == 1.0), "no way down from where it perhaps is not"
    assert found.leave is not None
    assert found.leave.median == pytest.approx(25.0 if part == 1.0 else 25.0 * (reading_bar - 105.0) / 50.0)


def test_until_the_next_readings_decide_no_figure_is_better_than_at_hard_work() -> None:
    air = Air(155.0)
    air.hard_bar_min = 10.0
    assert ahead(air).low_air == Interval(50.0, 25.0, 100.0)
    for found in (ahead(air, 85.0, 75.0), ahead(air, None, 75.0, least_bar=85.0)):
        assert found.low_air == Interval(pytest.approx(3.0), pytest.approx(3.0), 100.0)
        assert found.leave is not None
        assert found.leave.median == pytest.approx(1.0)
    there = ahead(air, None, 75.0, least_bar=50.0)
    assert there.low_air == Interval(0.0, 0.0, 100.0)


def test_the_way_down_has_four_pressures_and_ends_at_the_warning() -> None:
    found = ahead(Air(155.0))
    assert [point.bar for point in found.fan] == [130.0, 105.0, 80.0, 55.0]
    assert [point.median for point in found.fan] == [12.5, 25.0, 37.5, 50.0]
    assert (found.fan[-1].low, found.fan[0].low) == (25.0, pytest.approx(12.5 * 0.5**1.35))
    assert ahead(Air(55.0), 55.5).fan == ()


def test_the_hardest_minutes_of_the_entry_count_for_the_wear() -> None:
    for hardest_l_min, minutes, rate_l_min in ((0.0, 10.0, 50.0), (50.0, 10.0, 50.0), (100.0, 5.0, 100.0)):
        found = ahead(Air(155.0), hardest_l_min=hardest_l_min).if_hardest
        assert found is not None
        assert (found.minutes, found.rate_l_min) == (minutes, rate_l_min)
    assert ahead(Air(155.0, hardest=float("nan"))).if_hardest is None


def test_the_hardest_minutes_of_an_idle_wear_count_as_a_litre_a_minute() -> None:
    air = Air(155.0)
    estimate = air.at(0.0)
    estimate.if_hardest = lambda _: Scenario(10.0, 0.4)
    air.at = lambda second: estimate  # type: ignore[method-assign]
    for before_l_min, minutes, rate_l_min in ((0.4, 10.0, 1.0), (4.0, 2.5, 4.0)):
        found = ahead(air, hardest_l_min=before_l_min).if_hardest
        assert found is not None
        assert (found.minutes, found.rate_l_min) == (minutes, rate_l_min)


def test_it_is_made_for_now_and_never_before_the_reading() -> None:
    air = Air(155.0)
    found = ahead(air)
    assert (air.asked_s, found.made_at, found.rate_l_min) == ([502.0], 1002.0, 30.0)
    look_ahead(air, 500.0, (1004.0, 155.0), LOW_BAR, None, 1002.0)  # type: ignore[arg-type]
    assert air.asked_s[1:] == [504.0]


def test_without_a_forecast_there_is_none() -> None:
    air = Air(155.0)
    estimate = air.at(0.0)
    estimate.minutes_to = lambda target_bar: NO_FORECAST
    air.at = lambda second: estimate  # type: ignore[method-assign]
    found = ahead(air, leave_bar=105.0)
    assert (found.low_air, found.leave, found.fan) == (None, None, ())


def test_the_rate_of_a_wear_counts_to_its_last_reading_and_the_hardest_three_minutes() -> None:
    """The planning rate of whoever was breathing harder before."""
    seconds, bar = np.array([0, 60, 120, 180, 240, 300, 310]), np.array([300, 290, 280, 200, 190, 180, 100.0])
    at_us: Any = (1000 + seconds) * 1_000_000
    wear: Any = SimpleNamespace(at_us=at_us, pressure_bar=bar, kept=np.ones(7, np.bool_))
    litres = free_air_l(bar, 20.0, 6.8)
    mean, hardest = _rates_l_min(wear, Cylinder(1, 6.8, 300.0))
    assert mean == pytest.approx((litres[0] - litres[-1]) / (310 / 60))
    assert hardest == pytest.approx((litres[2] - litres[6]) / (190 / 60))
