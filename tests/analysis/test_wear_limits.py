"""A set's wears, its setup and what followed, at both sides of each limit. Our own rules."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from analysis.air.gas import Cylinder
from analysis.wears.setups import cylinder_of, thresholds_of
from analysis.wears.tally import TallyEntry
from analysis.wears.turn_back import is_ready, prompt_times_s
from analysis.wears.wears import Wear, find_wears
from tests.analysis.wears_by_hand import PROFILE, Readings, channel, flat, power_up, tally, us, wear


class TestWear:
    def test_the_warning_is_the_first_reading_at_or_below_it_that_is_no_slip(self) -> None:
        bars = [(0.0, 60.0), (1.0, 0.0), (2.0, 55.1), (3.0, 55.0), (4.0, 54.0)]
        assert wear(bars, spikes=[1]).low_air == 3
        assert wear(bars[:3], spikes=[1]).low_air is None
        assert wear(bars).low_air == 1

    def test_the_last_reading_that_is_no_slip(self) -> None:
        bars = [(0.0, 60.0), (1.0, 59.0), (2.0, 0.0)]
        assert wear(bars, spikes=[2]).last_kept == (us(1), 59.0)
        assert (wear(bars).first_bar, wear(bars).last_bar) == (60.0, 0.0)
        assert wear(bars, spikes=[2]).pressure_bar[wear(bars, spikes=[2]).kept].tolist() == [60.0, 59.0]

    def test_the_reading_at_a_moment_is_the_last_until_then_or_the_first(self) -> None:
        one = wear([(10.0, 90.0), (20.0, 80.0), (30.0, 70.0)])
        at_s = (9, 10, 19.9, 20, 30, 99)
        assert [one.bar_at(us(at)) for at in at_s] == [90.0, 90.0, 90.0, 80.0, 70.0, 70.0]
        assert [one.last_us(us(at)) for at in at_s] == [us(10), us(10), us(10), us(20), us(30), us(30)]
        assert one.identity(1) == "S-1/1/101"

    @pytest.mark.parametrize(
        ("before", "after", "restarted"),
        [
            ({}, {}, True),
            ({"how": "off"}, {}, False),
            ({"how": "closed"}, {}, False),
            ({}, {"start_s": 3610 - 1e-6}, True),
            ({}, {"start_s": 3610}, False),
            ({"tally": True}, {"start_s": 9999, "tally": True}, True),
            ({}, {"bar": 225.0}, True),
            ({}, {"bar": 225.5}, False),
            ({}, {"boot": 1}, False),
        ],
    )
    def test_a_set_that_goes_on_within_an_hour_at_no_higher_pressure_restarted(
        self, before: dict[str, Any], after: dict[str, Any], restarted: bool
    ) -> None:
        own = tally()
        first_of, second_of = power_up("S-1", 1, []), power_up("S-1", 2, [])
        start_s = after.get("start_s", 60)
        first = wear(flat(200, 0, 10), before.get("how", "not heard"), first_of)
        second = wear([(start_s, after.get("bar", 200.0))], of=first_of if after.get("boot") else second_of)
        first.tally, second.tally = (own if each.get("tally") else None for each in (before, after))
        assert second.restarted_from is None
        second.previous = first
        assert second.restarted_from == (first if restarted else None)

    def test_what_else_its_set_said_counts_until_the_second_after_the_last_reading(self) -> None:
        of = power_up("S-1", 1, [])
        of.channels["motion"] = channel([(9.999999, 0), (10.0, 0), (20.0, 0), (20.999999, 0), (21.0, 0)])
        one = wear([(10.0, 90.0), (20.0, 80.0)], of=of)
        found = one.span("motion")
        assert found is not None
        assert found[1] == slice(1, 4)
        assert one.span("temperature") is None
        assert wear([(30.0, 90.0)], of=of).span("motion") is None


class TestSetup:
    @pytest.mark.parametrize(
        ("count", "volume_l", "rated_bar", "known"),
        [
            (1, 0.5, 300.0, True), (0, 6.8, 300.0, False), (4, 6.8, 300.0, True), (5, 6.8, 300.0, False),
            (1, 0.49, 300.0, False), (1, 20.0, 300.0, True), (1, 20.1, 300.0, False), (1, 6.8, 49.9, False),
            (1, 6.8, 50.0, True), (1, 6.8, 450.0, True), (1, 6.8, 450.1, False),
            (1, math.nan, 300.0, False), (None, 6.8, 300.0, False), (1, None, 300.0, False),
            (1, 6.8, None, False),
        ],
    )  # fmt: skip
    def test_a_cylinder_that_somebody_can_wear(
        self, count: int | None, volume_l: float | None, rated_bar: float | None, known: bool
    ) -> None:
        said = {"count": count, "water_volume_l": volume_l, "rated_bar": rated_bar}
        found = cylinder_of({"cylinders": said})
        assert found == (Cylinder(count or 0, volume_l or 0.0, rated_bar or 0.0) if known else None)
        assert cylinder_of({}) is None

    @pytest.mark.parametrize(
        ("name", "least", "most"),
        [
            ("low_air_bar", 10.0, 250.0),
            ("no_motion_prealarm_s", 3.0, 600.0),
            ("no_motion_alarm_s", 3.0, 600.0),
            ("heat_start_c", 20.0, 1000.0),
        ],
    )
    def test_a_threshold_that_is_possible(self, name: str, least: float, most: float) -> None:
        own = getattr(thresholds_of(None, PROFILE), name)
        for value in (least, most):
            found = thresholds_of({name: value}, PROFILE)
            assert (getattr(found, name), found.impossible) == (value, ())
        for value in (least - 0.1, most + 0.1, math.nan):
            found = thresholds_of({name: value}, PROFILE)
            assert getattr(found, name) == own
            assert [each for each, _ in found.impossible] == [name]

    def test_a_warning_is_at_most_half_of_the_rated_pressure(self) -> None:
        small = {"cylinders": {"count": 1, "water_volume_l": 6.0, "rated_bar": 200.0}}
        assert thresholds_of({**small, "low_air_bar": 100.0}, PROFILE).low_air_bar == 100.0
        assert thresholds_of({**small, "low_air_bar": 100.5}, PROFILE).impossible == (("low_air_bar", 100.5),)

    def test_a_cylinder_is_ready_at_nine_tenths(self) -> None:
        assert [is_ready(bar, 300.0) for bar in (269.9, 270.0)] == [False, True]

    def test_a_team_is_asked_at_a_third_and_two_thirds_of_the_expected_time(self) -> None:
        assert prompt_times_s(30.0) == (600.0, 1200.0)


def found(*parts: Readings, tallies: tuple[TallyEntry, ...] = (), **more: Any) -> list[Wear]:
    """Find the wears of one set's power-ups."""
    power_ups = [power_up("S-1", boot, readings) for boot, readings in enumerate(parts, 1)]
    for kind, heard in more.items():
        power_ups[0].channels[kind] = heard
    return find_wears(power_ups, tallies, PROFILE)


class TestFindWears:
    def test_readings_in_two_wears_have_numbers_ends_and_what_followed(self) -> None:
        readings = [*flat(0, 0, 5), *flat(200, 6, 60), *flat(0, 61, 70), *flat(150, 71, 99)]
        first, second = found(readings)
        assert [(one.wear_id, one.number, one.ended_how) for one in (first, second)] == [
            ("S-1/1/1", 1, "closed"), ("S-1/1/2", 2, "not heard")
        ]  # fmt: skip
        assert [(one.started_us, one.ended_us) for one in (first, second)] == [
            (us(6), us(60)),
            (us(71), us(99)),
        ]
        assert first.following is not None
        assert (first.following.seq, first.following.at_us, first.following.identity) == (
            61,
            us(61),
            "S-1/1/61",
        )
        assert (first.following.pressure_bar, second.following) == (0.0, None)
        assert (first.previous, second.previous) == (None, first)
        assert (first.identity(0), second.identity(1)) == ("S-1/1/6", "S-1/1/72")

    def test_a_set_that_was_switched_off_is_off_from_then_on(self) -> None:
        off = channel([(60.5, 0.0)], first_seq=61, rows=[{"state": "off"}])
        readings = channel([*flat(200, 0, 60), *flat(199, 62, 99)])
        readings.seq = np.array([*range(61), *range(62, 100)])
        one = power_up("S-1", 1, [])
        one.channels |= {"pressure": readings, "power": off}
        first, second = find_wears([one], (), PROFILE)
        assert [(each.ended_how, each.ended_us) for each in (first, second)] == [
            ("off", us(60)), ("not heard", us(99))
        ]  # fmt: skip
        assert first.following is not None
        assert (first.following.seq, first.following.pressure_bar) == (61, None)
        off.rows[0]["state"] = "on"
        assert [each.ended_us for each in find_wears([one], (), PROFILE)] == [us(99)]
        off.rows[0]["state"], off.retained[0] = "off", True
        assert [each.ended_us for each in find_wears([one], (), PROFILE)] == [us(99)]

    @pytest.mark.parametrize(("as_of_s", "count"), [(1017.5, 0), (1018.0, 1), (None, 1)])
    def test_an_opening_waits_for_8_s_while_more_may_come(self, as_of_s: float | None, count: int) -> None:
        one = power_up("S-1", 1, [*flat(0, 1000, 1009), *flat(200, 1010, 1014)])
        as_of_us = None if as_of_s is None else us(as_of_s)
        assert len(find_wears([one], (), PROFILE, as_of_us)) == count
        one.channels["power"] = channel([(1015, 0.0)], first_seq=99, rows=[{"state": "off"}])
        assert len(find_wears([one], (), PROFILE, as_of_us)) == 1

    def test_a_number_that_was_used_again_counts_on(self) -> None:
        twice = [power_up("S-1", 1, flat(200, 0, 60)), power_up("S-1", 1, flat(200, 999, 1060))]
        twice[1].use = 1
        assert [one.wear_id for one in find_wears(twice, (), PROFILE)] == ["S-1/1/1", "S-1/1/2"]

    @pytest.mark.parametrize(
        ("in_s", "heard_s", "given"),
        [(660, 999, True), (660.000001, 999, False), (100, 100, True), (100.5, 100, False), (61, 999, True)],
    )
    def test_a_tally_within_ten_minutes_of_a_wear_with_the_set_still_on_is_its(
        self, in_s: float, heard_s: float, given: bool
    ) -> None:
        readings = [*flat(200, 0, 60), *flat(0, 61, 70), (heard_s, 0.0)]
        late = tally(in_s=in_s)
        (one,) = found(readings, tallies=(late,))
        assert one.tally == (late if given else None)

    def test_a_late_tally_is_for_the_last_wear_and_for_one_without(self) -> None:
        readings = [*flat(200, 0, 60), *flat(0, 61, 70), *flat(200, 71, 99), *flat(0, 100, 200)]
        one, two = tally("W-1", in_s=150), tally("W-2", in_s=160)
        assert [each.tally for each in found(readings, tallies=(one,))] == [None, one]
        assert [each.tally for each in found(readings, tallies=(one, two))] == [None, one]
        assert [each.tally for each in found(readings, tallies=(tally(in_s=60),))][1] is not None

    def test_the_setup_that_counts_is_the_latest_before_the_wear_and_the_worst_in_it(self) -> None:
        def setup(
            at_s: float, volume_l: float, low_air_bar: float
        ) -> tuple[tuple[float, float], dict[str, Any]]:
            cylinders = {"count": 1, "water_volume_l": volume_l, "rated_bar": 300.0}
            return (at_s, 0.0), {"cylinders": cylinders, "low_air_bar": low_air_bar}

        def known(*setups: Any) -> tuple[float, float, bool]:
            heard = channel([at for at, _ in setups], first_seq=900, rows=[said for _, said in setups])
            (one,) = found([*flat(0, 0, 9), *flat(200, 10, 60)], setup=heard)
            assert one.cylinder is not None
            return one.cylinder.total_l, one.thresholds.low_air_bar, one.setup_changed

        assert known(setup(0, 4, 50), setup(10, 6, 55), setup(99, 9, 60)) == (6.0, 55.0, False)
        assert known(setup(70, 6, 55), setup(99, 9, 60)) == (6.0, 55.0, False)
        assert known(setup(0, 6, 55), setup(60, 9, 60)) == (6.0, 60.0, True)
        assert known(setup(0, 6, 55), setup(60.5, 9, 60)) == (6.0, 55.0, False)
        assert known(setup(0, 9, 60), setup(30, 6, 55)) == (6.0, 60.0, True)
        assert known(setup(0, 6, 55), setup(30, 6, 55)) == (6.0, 55.0, False)
