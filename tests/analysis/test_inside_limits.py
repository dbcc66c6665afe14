"""What the live page rests on of one set and its wearer, at both sides of each limit. Our own rules."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from analysis.air.breathing_model import BREATHING
from analysis.air.gas import Cylinder, free_air_l
from analysis.live.came_out import at_exit, with_rests
from analysis.live.facts import row_of
from analysis.live.hearing import HeardSet, heard_of, latest_delays_s
from analysis.live.inside import Inside, goes_on, inside_of
from analysis.live.last_heard import outlook_at
from analysis.live.rows import Interval, Out, Row
from analysis.live.set_now import SetNow
from analysis.live.voice import believed, low_air_lines
from analysis.policies import TurnBackMoment
from analysis.profile import Profile
from analysis.wears.charges import charges_of
from analysis.wears.entries import Entry
from analysis.wears.tally import Stay
from analysis.wears.wears import Wear
from tests.analysis.wears_by_hand import PROFILE, Readings, channel, flat, gauge, power_up, tally, us, wear


def entry(*wears: Wear, spoken: list[Any] | None = None, **more: Any) -> Entry:
    own = Stay("I-1", "W-1", 1, [tally()], **more)
    found = Entry("I-1/W-1/1", "I-1", "W-1", ("S-1",), own, list(wears), spoken=spoken or [])
    found.charges = charges_of(found.wears)
    return found


def inside(*wears: Wear, state: str = "under_air", gauges: tuple[Any, ...] = (), **more: Any) -> Inside:
    live_set = SetNow("", "S-1", PROFILE, wears=list(wears))
    live_set.power_ups = [wears[-1].power_up] if wears else []
    fields: dict[str, Any] = {
        "since_us": 0,
        "gauges": gauges,
        "key": "S-1",
        "tallied_in": True,
        "entered_us": 0,
    }
    return Inside(entry(*wears), live_set, state, **fields | more)  # type: ignore[arg-type]


class TestBelieved:
    @staticmethod
    def told(*gauges: tuple[float, float], how: str = "not heard") -> tuple[list[float], float | None]:
        """Give the gauges that count beside 100 bar until the 60th second, and the one too high."""
        one = wear(flat(100, 0, 60), how)
        kept, higher = believed([gauge(at_s, bar) for at_s, bar in gauges], entry(one))
        return [each.pressure_bar for each in kept], None if higher is None else higher.pressure_bar

    def test_a_gauge_more_than_20_bar_above_what_was_known_does_not_count(self) -> None:
        assert self.told((90, 120)) == ([120.0], None)
        assert self.told((90, 120.5)) == ([], 120.5)
        assert self.told((90, 50), (99, 70)) == ([50.0, 70.0], None)
        assert self.told((90, 50), (99, 70.5)) == ([50.0], 70.5)
        assert self.told((90, 130), (99, 90)) == ([90.0], None)

    def test_a_set_that_agrees_within_5_s_starts_anew(self) -> None:
        assert self.told((10, 50), (20, 100)) == ([100.0], None)
        assert self.told((10, 50), (20, 80)) == ([80.0], None)
        assert self.told((10, 50), (20, 79.5)) == ([50.0, 79.5], None)
        assert self.told((50, 50), (65, 100)) == ([100.0], None)
        assert self.told((50, 50), (65.000001, 100)) == ([50.0], 100.0)
        assert self.told((-1, 10), (10, 100)) == ([100.0], None)

    def test_once_a_valve_was_closed_it_may_be_another_cylinder(self) -> None:
        assert self.told((50, 90), (61, 300), how="closed") == ([300.0], None)
        assert self.told((50, 90), (60, 300), how="closed") == ([90.0], 300.0)
        assert self.told((61, 90), (62, 300), how="closed") == ([90.0], 300.0)
        assert believed([gauge(5, 300)], entry()) == ([gauge(5, 300)], None)
        assert believed([gauge(5, 100), gauge(9, 120.5)], entry())[0] == [gauge(5, 100)]


def hangs_us(worn: Wear) -> int | None:
    hangs_at = outlook_at(worn, (), PROFILE, worn.ended_us, 55.0, None).hangs_at
    return None if hangs_at is None else round(hangs_at * 1e6)


class TestStuck:
    RULES = PROFILE.air

    def since_s(self, still_s: float, count: int = 20, step_bar: float = 1.0, **more: Any) -> float | None:
        before: Readings = [(0.0, 100.0 + 2 * step_bar), (1.0, 100.0 + step_bar)]
        still = [(2.0 + still_s * number / (count - 1), 100.0) for number in range(count)]
        found = hangs_us(wear([*before, *still], **more))
        return None if found is None else found / 1e6

    def test_a_reading_that_the_least_breathing_would_have_moved_by_three_steps(self) -> None:
        limit_s = self.RULES.stuck_steps * 6.8 / BREATHING.rest_l_min * 60.0
        assert self.since_s(limit_s + 0.5) == 2.0
        assert self.since_s(limit_s - 0.5) is None
        assert self.since_s(limit_s + 0.5, step_bar=2.0) is None
        assert self.since_s(2 * limit_s + 0.5, step_bar=2.0) == 2.0
        assert self.since_s(limit_s / 2 + 0.5, step_bar=0.1) == 2.0  # at least half a bar
        assert self.since_s(limit_s / 2 - 0.5, step_bar=0.1) is None
        assert self.since_s(limit_s + 0.5, cylinder=None) == 2.0
        assert self.since_s(limit_s + 0.5, cylinder=Cylinder(2)) is None

    def test_it_needs_so_many_equal_readings(self) -> None:
        count = self.RULES.stuck_readings
        assert self.since_s(9999, count) == 2.0
        assert self.since_s(9999, count - 1) is None
        same = wear([(600.0 * number, 100.0) for number in range(count)])
        assert hangs_us(same) == 0
        assert hangs_us(wear([(900.0 * number, 100.0) for number in range(count - 1)])) is None


class TestLowAirByVoice:
    @staticmethod
    def lines(*, seen_s: float | None = None, resolved: list[Any] | None = None, **more: Any) -> list[Any]:
        named: dict[str, Any] = {
            "key": "k",
            "set_id": "S-1",
            "wearer_id": "W-1",
            "team": "T-1",
            "low_air_bar": 55.0,
        }
        fields = {"low_by_word_at": 100.0, **more}
        seen = None if seen_s is None else (seen_s, "D-1")
        desk: Any = SimpleNamespace(resolved=resolved or [], seen_since=lambda about, since_s: seen)
        return low_air_lines([Row(**named | fields)], [], {"": desk})

    def test_a_wearer_who_says_a_pressure_at_the_warning_has_a_line(self) -> None:
        (one,) = self.lines()
        assert (one.key, one.raised_at, one.derived, one.seen_at, one.row_key) == (
            "k/low_air/100",
            100.0,
            True,
            None,
            "k",
        )
        assert self.lines(low_by_word_at=None) == []
        assert [(each.seen_at, each.seen_by) for each in self.lines(seen_s=120.0)] == [(120.0, "D-1")]

    @pytest.mark.parametrize(
        ("at_s", "set_id", "alarm", "about", "settled"),
        [
            (100, "S-1", "low_air", True, True), (99.999999, "S-1", "low_air", True, False),
            (100, "S-2", "low_air", True, False), (100, "S-1", "heat", True, False),
            (100, "S-1", "low_air", False, False),
        ],
    )  # fmt: skip
    def test_a_person_may_have_settled_it_since(
        self, at_s: float, set_id: str, alarm: str, about: bool, settled: bool
    ) -> None:
        word = SimpleNamespace(at_us=us(at_s), set_id=set_id, alarm=alarm, is_about=lambda wearer_id: about)
        assert (self.lines(resolved=[word]) == []) == settled


class TestCameOut:
    @staticmethod
    def told(out_s: float, *wears: Wear, spoken: tuple[Any, ...] = ()) -> tuple[Any, ...]:
        found = at_exit(entry(*wears, spoken=list(spoken)), us(out_s))
        return tuple(
            found[name]
            for name in ("pressure_bar", "pressure_at", "heard_at_exit", "under_air_s", "by_voice")
        )

    def test_what_was_known_last_at_the_exit(self) -> None:
        one = wear([(10.0, 90.0), (20.0, 80.0), (30.0, 0.0)], "not heard", spikes=[2])
        assert self.told(30, one) == (80.0, 20.0, True, 20.0, False)
        assert self.told(50, one) == (80.0, 20.0, True, 20.0, False)
        assert self.told(50.000001, one) == (80.0, 20.0, False, 20.0, False)
        assert self.told(20, one) == (80.0, 20.0, True, 10.0, False)
        assert self.told(19, one) == (90.0, 10.0, True, 9.0, False)
        assert self.told(9, one) == (None, None, False, None, False)
        closed = wear([(10.0, 90.0), (20.0, 80.0)], "closed")
        assert self.told(999, closed) == (80.0, 20.0, True, 10.0, False)
        assert self.told(999, wear(flat(90, 10, 20), "changed"))[2]
        assert self.told(999, one, wear(flat(70, 100, 130), number=2)) == (70.0, 130.0, True, 50.0, False)
        assert self.told(999, closed, spoken=(gauge(50, 60), gauge(1000, 40))) == (
            60.0,
            50.0,
            False,
            10.0,
            True,
        )
        assert self.told(999, spoken=(gauge(999, 60),)) == (60.0, 999.0, False, None, True)

    @staticmethod
    def rests(*outs: tuple[float, float, dict[str, Any]]) -> list[float | None]:
        """Give until which minute each exit, (minute, minutes under air, fields), asks for rest."""
        fields: dict[str, Any] = {
            "wearer_id": "W-1", "set_id": "S-1", "team": None, "incident_id": "I-1", "pressure_bar": None,
            "heard_at_exit": True,
        }  # fmt: skip
        found = with_rests(
            [
                Out(**{"key": f"k{number}", "at": 60.0 * at, "under_air_s": 60.0 * air, **fields, **more})
                for number, (at, air, more) in enumerate(outs)
            ],
            PROFILE.rest,
        )
        return [None if one.rest_until_at is None else one.rest_until_at / 60.0 for one in reversed(found)]

    def test_two_cylinders_or_45_minutes_ask_for_ten_minutes(self) -> None:
        assert self.rests((100, 44.9, {})) == [None]
        assert self.rests((100, 45, {})) == [110.0]
        assert self.rests((100, 20, {}), (130, 21, {})) == [None, 140.0]
        assert self.rests((100, 20, {}), (130, 20, {})) == [None, None]  # it rested ten minutes
        assert self.rests((100, 20, {}), (130, 21, {"wearer_id": "W-2"})) == [None, None]
        assert self.rests((100, 20, {"wearer_id": None}), (130, 21, {"wearer_id": None})) == [None, None]

    def test_all_the_time_inside_is_work_where_the_end_was_not_heard(self) -> None:
        assert self.rests((100, 20, {"heard_at_exit": False, "inside_s": 2700.0})) == [110.0]
        assert self.rests((100, 20, {"heard_at_exit": True, "inside_s": 2700.0})) == [None]
        assert self.rests((100, 45, {"heard_at_exit": False, "inside_s": 60.0})) == [110.0]
        perhaps = {
            "under_air_s": None,
            "ended_how": "incident_closed",
            "inside_s": 9999.0,
            "heard_at_exit": False,
        }
        assert self.rests((100, 0, perhaps)) == [None]
        assert self.rests((100, 0, {**perhaps, "ended_how": "tallied_out"})) == [110.0]


class TestHeard:
    def test_of_each_power_up_what_was_live(self) -> None:
        first, second = power_up("S-1", 1, flat(200, 10, 20)), power_up("S-1", 2, flat(200, 30, 33))
        off = channel([(21, 0), (22, 0)], rows=[{"state": "off"}, {"state": "off"}])
        off.retained = np.array([False, True])
        first.channels["power"] = off
        first.channels["pressure"].retained[[0, -1]] = True
        told = heard_of([first, second])
        assert (told.newest, told.last_us, told.reading_us) == (second, us(33), us(33))
        assert (told.boots_us, told.offs_us, told.interrupted_us) == (
            (us(11), us(30)),
            (us(21),),
            [us(21), us(30)],
        )
        assert told.silent_after_us == us(4)
        assert heard_of([second, first]).last_us == us(33)
        assert (
            heard_of([power_up("S-1", 1, flat(200, 1, 3))]).silent_after_us
            == HeardSet().silent_after_us
            == us(16)
        )

    def test_the_latest_three_delays_of_each_kind_of_live_messages(self) -> None:
        one = power_up("S-1", 1, flat(200, 10, 14))
        heard = one.channels["pressure"]
        heard.received_us = heard.at_us + np.array([9, 8, 7, 6, 5]) * us(1)
        heard.retained = np.array([False, False, False, True, False])
        assert latest_delays_s(one) == [7.0, 5.0]
        assert latest_delays_s(None) == []


class TestInside:
    def test_an_answer_without_news_is_asked_again_while_time_may_decide(self) -> None:
        one = SetNow("", "S-1", PROFILE, news=False, last_us=us(100), asked_us=us(131.9))
        assert [one.stale(us(131.9 + later)) for later in (1.199999, 1.2, -1.2)] == [False, True, True]
        one.asked_us = us(132.1)
        assert not one.stale(us(200))
        one.news = True
        assert one.stale(us(132.1))

    def test_the_newest_reading_passes_a_leap_over_that_may_come_back(self) -> None:
        def reading(*readings: tuple[float, float], now_s: float = 40.0) -> tuple[int, float] | None:
            one = SetNow("", "S-1", PROFILE, power_ups=[power_up("S-1", 1, list(readings))])
            return one.reading(us(now_s))

        assert reading((10, 200), (20, 199)) == (us(20), 199.0)
        assert reading((10, 200), (20, 0), now_s=35) == (us(10), 200.0)
        assert reading((10, 200), (20, 0), now_s=35.000001) == (us(20), 0.0)
        both = SetNow("", "S-1", PROFILE)
        both.power_ups = [
            power_up("S-1", boot, [(at_s, 90.0 + boot)]) for boot, at_s in ((1, 30.0), (2, 20.0))
        ]
        assert both.reading(us(40)) == (us(30), 91.0)
        both.power_ups[0].channels["pressure"].retained[0] = True
        assert both.reading(us(40)) == (us(20), 92.0)
        assert SetNow("", "S-1", PROFILE).reading(us(40)) is None

    def test_a_reading_of_another_wearer_of_the_set_is_not_this_ones(self) -> None:
        one = inside(wear(flat(200, 10, 20), "not heard"))
        assert one.reading(us(25)) == (us(20), 200.0)
        one.known_from_us = us(20)
        assert one.reading(us(25)) is None
        one.known_from_us = us(20) - 1
        assert one.reading(us(25)) == (us(20), 200.0)
        one.known_until_us = us(15)
        assert one.reading(us(25)) == (us(20), 200.0)
        assert inside(known_until_us=us(15)).reading(us(25)) is None

    @pytest.mark.parametrize(("bar", "newest"), [(225.0, 225.0), (225.5, 200.0)])
    def test_a_reading_that_has_leapt_up_is_passed_over(self, bar: float, newest: float) -> None:
        worn = wear(
            flat(200, 10, 20), "not heard", power_up("S-1", 1, [*flat(200, 10, 20), *flat(bar, 21, 24)])
        )
        found = inside(worn).reading(us(99))
        assert found is not None
        assert found[1] == newest

    @pytest.mark.parametrize(
        ("at_s", "bar", "counts"),
        [(25, 200, False), (25.000001, 200, True), (22, 180, False), (22, 179.5, True), (22, 250, False)],
    )
    def test_a_word_counts_where_the_set_said_nothing_since_or_far_more(
        self, at_s: float, bar: float, counts: bool
    ) -> None:
        one = inside(wear(flat(200, 10, 20), "not heard"), gauges=(gauge(1, 1), gauge(at_s, bar)))
        assert one.spoken(us(30)) == (gauge(at_s, bar) if counts else None)
        assert inside(wear(flat(200, 10, 20))).spoken(us(30)) is None
        assert inside(gauges=(gauge(at_s, bar),)).spoken(us(30)) == gauge(at_s, bar)

    def test_the_latest_half_minute_and_the_reading_before(self) -> None:
        one = inside(wear([(0.0, 99.0), (9.0, 98.0), (10.0, 97.0), (20.0, 0.0), (40.0, 90.0)], spikes=[3]))
        assert one.recent() == [(9.0, 98.0), (10.0, 97.0), (40.0, 90.0)]
        assert inside(wear([(0.0, 99.0), (9.0, 98.0)])).recent() == [(0.0, 99.0), (9.0, 98.0)]
        assert inside(wear([(0.0, 99.0)]), state="off").recent() == []

    def test_the_line_has_a_point_every_ten_seconds_and_breaks_at_a_rise(self) -> None:
        of = power_up("S-1", 1, [])
        first = wear([*flat(200, 5, 12), (20.0, 0.0), (21.0, 199.0), (30.0, 198.0)], "closed", of, spikes=[8])
        for bar, breaks in ((223.0, False), (223.5, True)):
            second = wear([(40.0, bar)], "not heard", of, number=2)
            line = inside(first, second).line()
            points: list[tuple[float, float | None]] = [(5.0, 200.0), (10.0, 200.0), (30.0, 198.0)]
            assert line == [*points, *[(40.0, None)] * breaks, (40.0, bar)]
        assert inside(first, state="off").line() == []

    def test_the_planned_minutes_are_at_the_planning_rate_or_the_hardest_wear_before(self) -> None:
        volume_l, plan = 6.8, PROFILE.air.planning_l_min
        used_l = float(free_air_l(200, 20.0, volume_l)) - float(free_air_l(55, 20.0, volume_l))
        last = wear(flat(200, 1000, 1010), "not heard", number=2)
        assert inside(last).planned_min(200, 55) == pytest.approx(used_l / plan)
        assert inside(last).planned_min(55, 55) is None
        assert inside(last).planned_min(200, None) is None
        failed = inside(last)
        failed.live_set.failed = True
        assert failed.planned_min(200, 55) is None

        def rates(seconds: float) -> tuple[float, float]:
            before = wear([(0.0, 300.0), (60.0, 280.0), (seconds, 200.0)], number=1)
            return inside(before, last).own_l_min

        lost_l = [float(free_air_l(bar, 20.0, volume_l)) for bar in (300.0, 280.0, 200.0)]
        assert rates(179.999999) == (0.0, 0.0)
        assert rates(180.0) == pytest.approx(((lost_l[0] - lost_l[2]) / 3.0,) * 2)
        mean, hardest = rates(240.0)
        assert mean == pytest.approx((lost_l[0] - lost_l[2]) / 4.0)
        assert hardest == pytest.approx((lost_l[1] - lost_l[2]) / 3.0)
        hard = inside(wear([(0.0, 300.0), (180.0, 100.0)]), last)
        assert hard.planned_min(200, 55) == pytest.approx(used_l / hard.own_l_min[0])

    def test_a_team_is_asked_at_a_third_and_two_thirds_of_the_usable_air(self) -> None:
        one = inside(wear([(100.0, 300.0), (110.0, 299.0)], "not heard"))
        usable_l = float(free_air_l(300, 20.0, 6.8)) - float(free_air_l(one.live_set.low_air_bar, 20.0, 6.8))
        expected_s = 60.0 * usable_l / PROFILE.air.planning_l_min
        assert one.prompts_at() == pytest.approx((100.0 + expected_s / 3, 100.0 + 2 * expected_s / 3))
        assert inside(wear([(100.0, 300.0)]), state="off").prompts_at() == ()

    @pytest.mark.parametrize(
        ("how", "heard", "on"),
        [
            ("not heard", {}, True), ("closed", {}, False), ("not heard", {"boots_us": (us(20),)}, True),
            ("not heard", {"boots_us": (us(20) + 1,)}, False), ("not heard", {"offs_us": (us(21),)}, False),
        ],
    )  # fmt: skip
    def test_a_wear_goes_on_until_its_set_is_closed_off_or_restarted(
        self, how: str, heard: dict[str, Any], on: bool
    ) -> None:
        one = wear(flat(200, 10, 20), how)
        live_set = SetNow("", "S-1", PROFILE, wears=[one], heard=HeardSet(**heard))
        assert goes_on(one, live_set) == on
        live_set.wears = [one, wear(flat(200, 30, 40), number=2)]
        assert not goes_on(one, live_set)

    def test_a_valve_that_is_closed_on_air_is_closed_in_order(self) -> None:
        ends = ((10.5, "closed"), (10.0, "closed"), (10.5, "changed"), (10.5, "not heard"))
        told = [wear(flat(bar, 0, 9), how).closed_in_order for bar, how in ends]
        assert told == [True, False, True, False]

    def test_minutes_to_turn_back_by_the_policy(self) -> None:
        def ahead(
            policy: str = "half_of_usable", low: float = 20.0, young: bool = False, **more: Any
        ) -> Interval | None:
            one = inside(wear(flat(200, 10, 20), "not heard"))
            fields = {"at_us": None, "pressure_bar": None, "leave_bar": None, **more}
            moment = TurnBackMoment(policy, **fields)  # type: ignore[arg-type]
            one.entry.moments = {"half_of_usable": [moment]}
            return one.ahead(1000.0, Interval(30.0, low, 40.0, young), Interval(3.0, 2.0, 4.0))

        assert ahead() == Interval(3.0, 2.0, 4.0)
        assert ahead(at_us=us(5)) is None
        assert ahead("fixed_margin", leave_us=us(1600)) == Interval(10.0, 10.0, 10.0)
        assert ahead("forecast") == Interval(10.0, 10.0, 20.0)  # less 8 min of way in and 2 of margin
        assert ahead("forecast", low=9.0) == Interval(0.0, 0.0, 20.0)
        assert ahead("forecast", low=9.0, young=True) == Interval(20.0, 20.0, 30.0)


class TestInsideOf:
    @staticmethod
    def at(
        now_s: float, *wears: Wear, gauges: tuple[Any, ...] = (), others: tuple[Entry, ...] = (), **more: Any
    ) -> Inside:
        live_set = SetNow("", "S-1", PROFILE, wears=list(wears), heard=HeardSet(silent_after_us=us(4)))
        return inside_of(entry(*wears, **more), live_set, gauges, us(now_s), "S-1", others=others)

    @pytest.mark.parametrize(
        ("now_s", "state", "since_s"), [(24.0, "under_air", 10), (24.000001, "silent", 20)]
    )
    def test_whoever_breathes_on_after_the_way_out_is_under_air(
        self, now_s: float, state: str, since_s: int
    ) -> None:
        one = self.at(now_s, wear(flat(200, 10, 20), "not heard"), ended_us=us(15), ended_how="tallied_out")
        assert (one.state, one.since_us, one.tallied_in) == (state, us(since_s), False)
        closed = self.at(now_s, wear(flat(200, 10, 20)), ended_us=us(15), ended_how="tallied_out")
        assert (closed.state, closed.since_us) == ("out", us(15))

    def test_a_gauge_before_this_one_had_the_set_is_another_wearers(self) -> None:
        said = (gauge(-1, 90), gauge(5, 80), gauge(30, 70), gauge(41, 60), gauge(35, 60, "S-2"))
        assert [each.at_us for each in self.at(40, gauges=said).gauges] == [us(5), us(30)]
        other = entry(wear(flat(200, 0, 20)))
        assert [each.at_us for each in self.at(40, gauges=said, others=(other,)).gauges] == [us(30)]
        assert self.at(40, gauges=said, others=(other,)).known_from_us == us(20)
        own = wear(flat(200, 20, 30), "not heard", number=2)
        assert self.at(40, own, others=(other,)).known_from_us == 0
        later = wear(flat(200, 20.5, 30), "not heard", number=2)
        assert self.at(40, later, others=(other,)).known_from_us == us(20)

    def test_of_a_set_that_was_never_heard_voice_says_when_to_turn_back(self) -> None:
        one = self.at(40, gauges=(gauge(5, 300), gauge(30, 170)))
        moment = one.moment
        assert moment is not None
        assert (moment.leave_bar, moment.at_us) == (177.5, us(30))


def test_a_row_of_somebody_never_heard_for_so_long_is_not_accounted_for() -> None:
    never_s = Profile.default().entry.never_heard_s
    words: Any = SimpleNamespace(missing_since=lambda incident_id, wearer_id: None)

    def lost(now_s: float, reading_s: float | None = None) -> str | None:
        live_set = SetNow("", "S-1", PROFILE)
        if reading_s is not None:
            live_set.heard = HeardSet(reading_us=us(reading_s))
        row = row_of(inside_of(entry(), live_set, (), us(now_s), "S-1"), now_s, words, {})
        return None if row.lost is None else row.lost.code

    assert [lost(never_s), lost(never_s + 0.1)] == [None, "never_heard"]
    assert [lost(never_s + 1, 0.0), lost(never_s + 1, -1.0)] == ["valve_closed", "never_heard"]
