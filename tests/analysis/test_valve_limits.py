"""When a set is under air, at both sides of each limit: spikes, opening, closing, change, end. Our own rules.

With 10 L of water volume, 600 L/min of nominal air is 1 bar/s.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.wears.valve import CHANGED, CLOSED, OPEN_AT_END, spikes, under_air

Readings = list[tuple[float, float]]
VOLUME_L = 10.0


def flat(bar: float, first_s: float, last_s: float) -> Readings:
    """Give the same pressure once a second."""
    return [(at_s, bar) for at_s in np.arange(first_s, last_s + 0.5).tolist()]


def wears(readings: Readings, until_s: float = math.inf) -> list[tuple[float, float, int]]:
    """Give (second of the first reading, of the last, how it ended) of each time under air."""
    at_s, bar = np.array(readings).T
    found = under_air(at_s, bar, np.zeros(len(bar), np.bool_), VOLUME_L, until_s)
    return [(float(at_s[first]), float(at_s[last]), how) for first, last, how in found]


def marked(readings: Readings, until_s: float = math.inf) -> list[float]:
    """Give the seconds whose readings are spikes."""
    at_s, bar = np.array(readings, np.float64).T.copy()
    return [float(each) for each in at_s[spikes(at_s, bar, until_s)]]


def each_second(*bars: float) -> Readings:
    return [(float(at_s), bar) for at_s, bar in enumerate(bars)]


class TestSpikes:
    @pytest.mark.parametrize("way", [-1.0, 1.0])
    @pytest.mark.parametrize(("leap_bar", "is_spike"), [(25.0, False), (25.5, True)])
    def test_a_leap_has_more_than_25_bar(self, way: float, leap_bar: float, is_spike: bool) -> None:
        assert marked(each_second(200, 200 + way * leap_bar, 200, 200)) == [1.0] * is_spike

    def test_it_is_back_within_two_readings(self) -> None:
        assert marked(each_second(200, 200, 0, 0, 200)) == [2.0, 3.0]
        assert marked(each_second(200, 200, 0, 0, 0, 200, 200, 200)) == []

    @pytest.mark.parametrize(
        ("back_bar", "is_spike"), [(190, True), (189.5, False), (210, True), (210.5, False)]
    )
    def test_it_is_back_within_10_bar(self, back_bar: float, is_spike: bool) -> None:
        assert marked(each_second(200, 200, 100, back_bar, back_bar, back_bar)) == [2.0] * is_spike

    @pytest.mark.parametrize(("back_s", "is_spike"), [(35.0, True), (35.5, False)])
    def test_it_is_back_within_25_s_of_the_last_good_reading(self, back_s: float, is_spike: bool) -> None:
        readings = [(0.0, 200.0), (10.0, 200.0), (20.0, 0.0), (back_s, 200.0), (60.0, 200.0), (70.0, 200.0)]
        assert marked(readings) == [20.0] * is_spike

    def test_what_comes_next_is_compared_with_the_reading_that_came_back(self) -> None:
        assert marked(each_second(200, 0, 191, 216.5, 191)) == [1.0, 3.0]
        assert marked(each_second(200, 180, 160, 180, 160)) == []

    def test_a_leap_of_the_last_two_readings_may_still_return_for_25_s(self) -> None:
        one, two, three = ((200.0, 200.0, *[0.0] * number) for number in (1, 2, 3))
        assert (marked(each_second(*one), 26.0), marked(each_second(*one), 26.5)) == ([2.0], [])
        assert (marked(each_second(*two), 26.0), marked(each_second(*three), 26.0)) == ([2.0, 3.0], [])
        assert marked(each_second(*two)) == []


class TestOpening:
    def test_nothing_was_heard_or_all_of_it_leaps(self) -> None:
        nothing = np.array([])
        assert under_air(nothing, nothing, nothing.astype(np.bool_), VOLUME_L) == []
        assert under_air(np.arange(2.0), np.full(2, 200.0), np.ones(2, np.bool_), VOLUME_L) == []

    @pytest.mark.parametrize(("bar", "is_open"), [(20.0, False), (20.5, True)])
    def test_it_is_open_above_20_bar(self, bar: float, is_open: bool) -> None:
        assert wears([(0.0, 0.0), *flat(bar, 1, 60)]) == [(1.0, 60.0, OPEN_AT_END)] * is_open
        assert wears(flat(bar, 0, 60)) == [(0.0, 60.0, OPEN_AT_END)] * is_open

    def test_an_opening_of_the_last_8_s_waits(self) -> None:
        readings = [*flat(0, 0, 9), *flat(200, 10, 14)]
        assert wears(readings, 17.5) == []
        assert wears(readings, 18.0) == [(10.0, 14.0, OPEN_AT_END)]

    @pytest.mark.parametrize(("bar", "first_s"), [(199.0, 13.0), (198.5, 14.0)])
    def test_it_has_come_up_within_one_bar_of_the_highest(self, bar: float, first_s: float) -> None:
        readings = [*flat(0, 0, 9), *flat(100, 10, 12), (13.0, bar), *flat(200, 14, 60)]
        assert wears(readings) == [(first_s, 60.0, OPEN_AT_END)]

    def test_the_last_reading_counts_too(self) -> None:
        assert wears([(0.0, 0.0), (10.0, 190.0), (18.0, 200.0)]) == [(18.0, 18.0, OPEN_AT_END)]

    @pytest.mark.parametrize(("risen_s", "first_s"), [(18.0, 18.0), (18.5, 10.0)])
    def test_the_highest_of_8_s_where_three_readings_are_heard(self, risen_s: float, first_s: float) -> None:
        readings = [*flat(0, 0, 9), *flat(200, 10, 13), (risen_s, 202.0), *flat(202, 19, 60)]
        assert wears(readings)[0][0] == first_s

    def test_the_highest_of_three_readings_within_20_s_where_few_are_heard(self) -> None:
        def first_s(*readings: tuple[float, float]) -> float:
            return wears([(0.0, 0.0), (10.0, 200.0), *readings, *flat(203, 60, 90)])[0][0]

        assert first_s((22.0, 200.0), (30.0, 202.0)) == 30.0
        assert first_s((22.0, 200.0), (30.5, 202.0)) == 10.0
        assert first_s((16.0, 200.0), (17.0, 200.0), (19.0, 202.0)) == 19.0
        assert first_s((16.0, 200.0), (17.0, 200.0), (17.5, 200.0), (19.0, 202.0)) == 10.0


class TestClosing:
    @pytest.mark.parametrize(("bar", "is_closed"), [(5.0, False), (4.5, True)])
    def test_it_is_closed_below_5_bar(self, bar: float, is_closed: bool) -> None:
        readings = [*flat(24, 0, 30), (60.0, 6.0), (61.0, bar), (62.0, bar)]
        assert wears(readings) == [(0.0, 60.0, CLOSED) if is_closed else (0.0, 62.0, OPEN_AT_END)]

    @pytest.mark.parametrize(
        ("before_bar", "bar", "at_s", "is_closed"),
        [
            (35.0, 19.5, 31.0, True),
            (36.0, 20.0, 31.0, False),  # not below 20 bar
            (34.5, 19.5, 31.0, False),  # by 15 bar
            (35.0, 19.0, 46.0, False),  # at 1 bar/s
            (35.0, 19.0, 45.0, True),
        ],
    )
    def test_it_is_closed_below_20_bar_after_a_fall_that_nobody_breathes(
        self, before_bar: float, bar: float, at_s: float, is_closed: bool
    ) -> None:
        readings = [(0.0, 0.0), *flat(before_bar, 1, 30), *((at_s + later_s, bar) for later_s in range(3))]
        assert wears(readings) == [(1.0, 30.0, CLOSED) if is_closed else (1.0, at_s + 2, OPEN_AT_END)]

    @pytest.mark.parametrize(
        ("bar", "at_s", "last_s"),
        [(198.0, 31.0, 31.0), (197.5, 31.0, 30.0), (190.0, 40.0, 40.0), (190.0, 39.5, 30.0)],
    )
    def test_the_fall_of_a_closing_valve_is_not_breathed(
        self, bar: float, at_s: float, last_s: float
    ) -> None:
        readings = [(0.0, 0.0), *flat(200, 1, 30), (at_s, bar), (at_s + 1, 0.0), (at_s + 2, 0.0)]
        assert wears(readings) == [(1.0, last_s, CLOSED)]

    def test_a_valve_that_is_closed_at_once_was_open_for_a_reading(self) -> None:
        assert wears([(0.0, 0.0), (1.0, 200.0), (2.0, 150.0), (3.0, 100.0), (4.0, 0.0)]) == [
            (1.0, 1.0, CLOSED)
        ]

    def test_each_opening_after_a_closing_is_a_time_of_its_own(self) -> None:
        readings = [(30.0 * number, 0.0 if number % 2 else 30.0) for number in range(9)]
        closed = [(60.0 * number, 60.0 * number, CLOSED) for number in range(4)]
        assert wears(readings) == [*closed, (240.0, 240.0, OPEN_AT_END)]
        assert len({CLOSED, CHANGED, OPEN_AT_END}) == 3

    def test_a_log_that_begins_with_the_last_reading_before_the_closing(self) -> None:
        readings = [(0.0, 100.0), (1.0, 0.0), (30.0, 0.0), (60.0, 200.0)]
        assert wears(readings) == [(0.0, 0.0, CLOSED), (60.0, 60.0, OPEN_AT_END)]


class TestChanging:
    @pytest.mark.parametrize(("rise_bar", "is_changed"), [(25.0, False), (25.5, True)])
    def test_another_cylinder_rises_by_more_than_25_bar(self, rise_bar: float, is_changed: bool) -> None:
        found = wears([(0.0, 0.0), *flat(100, 1, 60), *flat(100 + rise_bar, 61, 99)])
        two = [(1.0, 60.0, CHANGED), (61.0, 99.0, OPEN_AT_END)]
        assert found == (two if is_changed else [(1.0, 99.0, OPEN_AT_END)])

    @pytest.mark.parametrize(("top_s", "is_changed"), [(68.0, True), (120.0, True), (120.5, False)])
    def test_it_rises_within_a_minute(self, top_s: float, is_changed: bool) -> None:
        found = wears([*flat(100, 1, 60), (64.0, 113.0), (top_s, 126.0), *flat(126, 121, 159)])
        two = [(1.0, 60.0, CHANGED), (top_s, 159.0, OPEN_AT_END)]
        assert found == (two if is_changed else [(1.0, 159.0, OPEN_AT_END)])

    @pytest.mark.parametrize(("low_s", "is_changed"), [(21.0, True), (20.5, False)])
    def test_a_rise_within_20_s_of_the_first_is_one_slow_opening(
        self, low_s: float, is_changed: bool
    ) -> None:
        found = wears([(0.0, 0.0), *flat(100, 1, 19), (low_s, 100.0), *flat(200, 22, 60)])
        second = (22.0, 60.0, OPEN_AT_END)
        assert found == ([(1.0, low_s, CHANGED), second] if is_changed else [second])

    def test_the_first_ends_with_its_lowest_reading(self) -> None:
        down = [(float(60 + at_s), 100.0 - at_s) for at_s in range(5)]
        found = wears([(0.0, 0.0), *flat(100, 1, 59), *down, (65.0, 96.0), (66.0, 98.0), *flat(200, 67, 99)])
        assert found == [(1.0, 65.0, CHANGED), (67.0, 99.0, OPEN_AT_END)]

    def test_a_second_cylinder_of_the_last_8_s_waits(self) -> None:
        readings = [*flat(100, 0, 60), *flat(200, 61, 65)]
        assert wears(readings, 68.5) == [(0.0, 60.0, CHANGED)]
        assert wears(readings, 69.0) == [(0.0, 60.0, CHANGED), (61.0, 65.0, OPEN_AT_END)]

    def test_a_second_cylinder_that_is_closed_at_once_was_open_for_a_reading(self) -> None:
        found = wears([*flat(100, 0, 60), (61.0, 200.0), (300.0, 4.0), (330.0, 0.0)])
        assert found == [(0.0, 60.0, CHANGED), (61.0, 61.0, CLOSED)]


class TestDropOut:
    """The readings leap down and up again: what is low between is the sensor's, for a minute at most."""

    @pytest.mark.parametrize(("lasts_s", "last_s"), [(60, 100.0), (61, 162.0)])
    def test_it_lasts_a_minute(self, lasts_s: int, last_s: float) -> None:
        low = flat(100, 101, 101 + lasts_s)
        found = wears([(0.0, 0.0), *flat(200, 1, 100), *low, *flat(200, 102 + lasts_s, 250)])
        assert found == [(1.0, last_s, CHANGED), (102.0 + lasts_s, 250.0, OPEN_AT_END)]

    @pytest.mark.parametrize(("bar", "last_s"), [(110.0, 100.0), (110.5, 150.0), (90.0, 100.0)])
    def test_it_stays_within_10_bar(self, bar: float, last_s: float) -> None:
        low = [*flat(bar, 101, 120), *flat(100, 121, 150)]
        found = wears([(0.0, 0.0), *flat(200, 1, 100), *low, *flat(200, 151, 250)])
        assert found == [(1.0, last_s, CHANGED), (151.0, 250.0, OPEN_AT_END)]

    @pytest.mark.parametrize(
        ("before_bar", "at_s", "last_s"),
        [(125.0, 101.0, 150.0), (125.5, 101.0, 100.0), (126.0, 126.0, 150.0), (126.0, 125.0, 100.0)],
    )
    def test_it_leaps_by_more_than_25_bar_faster_than_breathing(
        self, before_bar: float, at_s: float, last_s: float
    ) -> None:
        low = [(at_s, 100.0), *flat(100, 127, 150)]
        found = wears([(0.0, 0.0), *flat(before_bar, 1, 100), *low, *flat(200, 151, 250)])
        assert found == [(1.0, last_s, CHANGED), (151.0, 250.0, OPEN_AT_END)]

    def test_a_log_that_begins_low_did_not_leap(self) -> None:
        assert wears([*flat(100, 0, 30), *flat(200, 31, 60)])[0] == (0.0, 30.0, CHANGED)


class TestEnd:
    """A fall faster than breathing at the end may be a valve that is being closed."""

    @pytest.mark.parametrize(
        ("later", "until_s", "last_s"),
        [
            (0, 60.5, 30.0),  # undecided for 30 s with one or two readings
            (0, 61.0, 31.0),
            (1, 39.0, 30.0),
            (2, 38.5, 30.0),  # with three for 8 s
            (2, 39.0, 33.0),
            (2, math.inf, 33.0),
        ],
    )
    def test_a_fall_is_decided_by_three_readings_or_time(
        self, later: int, until_s: float, last_s: float
    ) -> None:
        fallen = [(31.0 + at_s, 190.0) for at_s in range(later + 1)]
        assert wears([(0.0, 0.0), *flat(200, 1, 30), *fallen], until_s) == [(1.0, last_s, OPEN_AT_END)]

    @pytest.mark.parametrize(
        ("bar", "at_s", "last_s"),
        [(198.0, 31.0, 31.0), (197.5, 31.0, 30.0), (190.0, 40.0, 40.0), (190.0, 39.5, 30.0)],
    )
    def test_a_fall_has_more_than_2_bar_and_is_faster_than_breathing(
        self, bar: float, at_s: float, last_s: float
    ) -> None:
        found = wears([(0.0, 0.0), *flat(200, 1, 30), (at_s, bar)], at_s + 1)
        assert found == [(1.0, last_s, OPEN_AT_END)]

    def test_falls_are_taken_back_to_the_first_but_not_before_the_opening(self) -> None:
        falling = [(31.0, 190.0), (32.0, 189.5), (33.0, 170.0)]
        assert wears([(0.0, 0.0), *flat(200, 1, 30), *falling], 34.0) == [(1.0, 30.0, OPEN_AT_END)]
        assert wears([(0.0, 0.0), (1.0, 200.0), (6.0, 150.0)], 9.0) == [(1.0, 1.0, OPEN_AT_END)]

    @pytest.mark.parametrize(("until_s", "last_s"), [(60.5, 30.0), (61.0, 33.0)])
    def test_while_the_last_reading_leaps_only_time_decides(self, until_s: float, last_s: float) -> None:
        at_s, bar = np.array([*flat(200, 0, 30), *flat(190, 31, 33), (34.0, 0.0)]).T
        ((first, last, _),) = under_air(at_s, bar, bar < 1.0, VOLUME_L, until_s)
        assert (at_s[first], at_s[last]) == (0.0, last_s)


class TestAShutGaugeThatReadsSomething:
    """A sensor 30 bar too high, or a line still under pressure: "28 min below the warning" with 300 bar."""

    @staticmethod
    def opened(
        shut_bar: float, seconds: int = 30, *, full_bar: float = 300.0, end_bar: float = 0.0
    ) -> Readings:
        falls = [(float(seconds + at), full_bar - 0.1 * at) for at in range(600)]
        return [*flat(shut_bar, 0, seconds - 1), *falls, *flat(end_bar, seconds + 600, seconds + 630)]

    @pytest.mark.parametrize(
        ("shut_bar", "seconds", "more", "began"),
        [
            (30.0, 30, {}, [30.0]),
            (59.0, 30, {}, [30.0]),
            (60.0, 30, {}, [0.0, 30.0]),  # may be a cylinder's
            (30.0, 21, {}, [21.0]),
            (30.0, 20, {}, [20.0]),  # ended by the opening within 20 s, as any slow one
            (30.0, 30, {"full_bar": 130.0}, [30.0]),
            (30.0, 30, {"full_bar": 129.0}, [0.0, 30.0]),  # no cylinder opened: a drop-out's way back
        ],
    )
    def test_what_stands_before_a_leap_up_is_no_wear(
        self, shut_bar: float, seconds: int, more: dict[str, float], began: list[float]
    ) -> None:
        assert [first for first, _, _ in wears(self.opened(shut_bar, seconds, **more))] == began

    def test_what_falls_before_a_leap_up_was_breathed(self) -> None:
        readings = [(at_s, bar - 0.1 * at_s if at_s < 30 else bar) for at_s, bar in self.opened(30.0)]
        assert [first for first, _, _ in wears(readings)] == [0.0, 30.0]

    @pytest.mark.parametrize(
        ("end_bar", "ended"),
        [(30.0, CLOSED), (27.0, CLOSED), (33.0, CLOSED), (34.0, CLOSED), (60.0, OPEN_AT_END), (0.0, CLOSED)],
    )
    def test_a_fall_back_to_it_at_once_is_the_valve_shut(self, end_bar: float, ended: int) -> None:
        ((_, last, how),) = wears(self.opened(30.0, end_bar=end_bar))
        assert (how, last) == (ended, 629.0 if ended == CLOSED else 660.0)

    def test_a_cylinder_breathed_down_to_it_is_open(self) -> None:
        readings = [*flat(30.0, 0, 29), *[(float(30 + at), 200.0 - 0.25 * at) for at in range(700)]]
        assert wears(readings) == [(30.0, 729.0, OPEN_AT_END)]
