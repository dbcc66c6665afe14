"""From one entry as of now to the facts of its row, at both sides of each limit. Our own rules."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from analysis.live.facts import row_of
from analysis.live.hearing import HeardSet
from analysis.live.inside import Inside, inside_of
from analysis.live.rows import GaugeRow, Row
from analysis.live.set_now import SetNow
from analysis.policies import TurnBackMoment
from analysis.wears.charges import charges_of
from analysis.wears.entries import Entry
from analysis.wears.setups import thresholds_of
from analysis.wears.tally import Stay
from analysis.wears.wears import Wear
from tests.analysis.wears_by_hand import PROFILE, flat, gauge, tally, us, wear

NEVER_S = PROFILE.entry.never_heard_s


def entry(*wears: Wear, **more: Any) -> Entry:
    found = Entry("I-1/W-1/1", "I-1", "W-1", ("S-1",), Stay("I-1", "W-1", 1, [tally()], **more), list(wears))
    found.charges = charges_of(found.wears)
    return found


def inside(
    now_s: float, *wears: Wear, gauges: tuple[Any, ...] = (), reading_s: float | None = None, **more: Any
) -> Inside:
    """Give an entry whose set may be quiet for 4 s."""
    last_s = wears[-1].ended_us / 1e6 if wears else None
    said_us = us(reading_s) if reading_s is not None else None if last_s is None else us(last_s)
    heard = HeardSet(last_us=said_us, reading_us=said_us, silent_after_us=us(4))
    live_set = SetNow("", "S-1", PROFILE, wears=list(wears), heard=heard)
    live_set.power_ups = [wears[-1].power_up] if wears else []
    return inside_of(entry(*wears, **more), live_set, gauges, us(now_s), "S-1")


def row(now_s: float, one: Inside, missing: dict[str, float] | None = None, **alarms: float) -> Row:
    words: Any = SimpleNamespace(
        missing_since=lambda incident_id, wearer_id: (missing or {}).get(incident_id)
    )
    return row_of(one, now_s, words, alarms)


def codes(one: Row) -> list[tuple[str, float | None, str | None]]:
    return [(each.code, each.since_at, each.who) for each in one.reasons]


def breathing(last_s: int = 60, bar: float = 200.0, **more: Any) -> Wear:
    return wear(flat(bar, 0, last_s), "not heard", **more)


class TestLost:
    @pytest.mark.parametrize(("now_s", "silent"), [(64.0, None), (64.000001, 60.0)])
    def test_a_set_is_silent_after_it_was_quiet_for_longer_than_it_may(
        self, now_s: float, silent: float | None
    ) -> None:
        found = row(now_s, inside(now_s, breathing()))
        assert (found.silent_since_at, found.started_at, found.pressure_bar) == (silent, 0.0, 200.0)

    def test_without_a_cylinder_silence_is_not_accounted_for_after_so_long(self) -> None:
        unknown = breathing(cylinder=None)
        told = [row(now_s, inside(now_s, unknown)).lost for now_s in (60 + NEVER_S - 0.1, 60 + NEVER_S)]
        assert told[0] is None
        assert told[1] is not None
        assert (told[1].code, told[1].since_at) == ("silent", 60.0)

    @pytest.mark.parametrize(("bar", "lost"), [(70.0, False), (55.0, True)])
    def test_whoever_was_at_the_warning_and_fell_silent_has_no_known_air(
        self, bar: float, lost: bool
    ) -> None:
        one = inside(70.0, breathing(bar=bar, cylinder=None))
        assert (row(70.0, one).lost is not None) == lost

    @pytest.mark.parametrize(
        ("how", "bar", "code"),
        [("closed", 100.0, "valve_closed"), ("closed", 9.0, "empty"), ("changed", 100.0, "valve_closed")],
    )
    def test_whoever_closed_the_valve_inside_is_not_accounted_for(
        self, how: str, bar: float, code: str
    ) -> None:
        lost = row(70.0, inside(70.0, wear(flat(bar, 0, 60), how))).lost
        assert lost is not None
        assert (lost.code, lost.since_at) == (code, 60.0)

    def test_a_set_that_was_given_to_another(self) -> None:
        one = inside(70.0, breathing())
        one.given_to, one.known_until_us, one.state = "W-2", us(65), "silent"
        lost = row(70.0, one).lost
        assert lost is not None
        assert (lost.code, lost.since_at, lost.who) == ("set_given", 65.0, "W-2")
        one.state = "off"
        lost = row(70.0, one).lost
        assert lost is not None
        assert lost.code == "off"

    def test_a_roll_call_misses_whoever_is_in_here_or_at_another_incident(self) -> None:
        one = inside(62.0, breathing())
        assert row(62.0, one).lost is None
        one.also_in = ("I-2",)
        lost = row(62.0, one, {"I-1": 50.0, "I-2": 40.0}).lost
        assert lost is not None
        assert (lost.code, lost.since_at) == ("missing", 40.0)
        out = inside(62.0, breathing(), ended_us=us(50), ended_how="tallied_out")
        assert row(62.0, out, {"I-1": 50.0}).lost is None


class TestReasons:
    def test_what_else_is_said_of_a_row(self) -> None:
        one = inside(62.0, breathing())
        assert codes(row(62.0, one)) == []
        one.doubtful, one.same_id, one.said_out = ("S-7", "S-8"), ("S-1.boot2",), (us(30), "resolved")
        one.entry.wears[-1].setup_changed = True
        one.entry.wears[-1].thresholds = thresholds_of({"low_air_bar": 0.0}, PROFILE)
        assert codes(row(62.0, one)) == [
            ("two_sets", None, "S-7, S-8"), ("settled_breathing", 30.0, None), ("same_id", None, "S-1.boot2"),
            ("other_setup", None, None), ("odd_threshold", None, None),
        ]  # fmt: skip
        one.said_out = (us(30), "tallied_out")
        assert ("tallied_out", 30.0, None) in codes(row(62.0, one))
        closed = inside(62.0, breathing(), ended_us=us(50), ended_how="incident_closed")
        assert codes(row(62.0, closed)) == [("incident_closed", 50.0, None)]

    def test_a_link_that_is_down_is_said_of_a_silent_set(self) -> None:
        for now_s, said in ((62.0, False), (70.0, True)):
            one = inside(now_s, breathing())
            one.live_set.link = "down"
            assert (("link_down", None, None) in codes(row(now_s, one))) == said

    @pytest.mark.parametrize(
        ("in_s", "more", "code"),
        [
            (-10, {}, ("in_before", -10.0, "I-2")),
            (10, {}, ("in_since", 10.0, "I-2")),
            (10, {"ended_us": us(20), "ended_how": "tallied_out"}, ("out_elsewhere", 20.0, "I-2")),
            (-10, {"ended_us": us(20), "ended_how": "tallied_out"}, None),
            (0, {"ended_us": us(20), "ended_how": "tallied_out"}, None),
            (
                10,
                {"ended_us": us(20) - 12 * 3600 * 1_000_000, "ended_how": "incident_closed"},
                ("in_since", 10.0, "I-2"),
            ),
        ],
    )
    def test_at_which_other_incident_its_wearer_was_tallied_in(
        self, in_s: float, more: dict[str, Any], code: tuple[str, float, str] | None
    ) -> None:
        one = inside(62.0, breathing())
        one.elsewhere = (Stay("I-2", "W-1", 1, [tally(in_s=in_s)], **more),)
        assert codes(row(62.0, one)) == ([] if code is None else [code])


class TestFigures:
    def test_a_row_without_a_wear_has_what_the_tally_said(self) -> None:
        found = row(5.0, inside(5.0))
        assert (found.tallied_in_at, found.started_at, found.ended_at, found.pressure_bar) == (
            0.0,
            None,
            None,
            None,
        )
        assert (found.entered_at, found.start_bar, found.entry_bar, found.cylinder_known) == (
            0.0,
            None,
            None,
            False,
        )
        assert (found.team, found.incident_id, found.tally_identity) == ("T-1", "I-1", "W-1@0")

    def test_only_whoever_breathes_or_speaks_has_a_pressure_to_turn_back_at(self) -> None:
        def turn_back_bar(how: str, *gauges: Any) -> float | None:
            one = inside(70.0, wear(flat(200.0, 0, 60), how), gauges=gauges)
            one.entry.moments = {one.entry.policy: [TurnBackMoment(one.entry.policy, None, None, 127.5)]}
            return row(70.0, one).turn_back_bar

        assert (turn_back_bar("not heard"), turn_back_bar("closed")) == (127.5, None)
        assert turn_back_bar("closed", gauge(69, 150)) == 127.5

    def test_whoever_is_out_has_no_tally_to_correct(self) -> None:
        out = row(62.0, inside(62.0, breathing(), ended_us=us(50), ended_how="resolved"))
        assert (out.tallied_in_at, out.tallied_out_at, out.settled, out.tally_identity) == (
            None,
            50.0,
            True,
            None,
        )
        tallied = row(62.0, inside(62.0, breathing(), ended_us=us(50), ended_how="tallied_out"))
        assert (tallied.tallied_out_at, tallied.settled) == (50.0, False)

    def test_what_a_wearer_says_counts_where_the_set_says_far_more(self) -> None:
        one = inside(62.0, breathing(), gauges=(gauge(61, 150),))
        found = row(62.0, one)
        assert (found.pressure_bar, found.pressure_at, found.by_voice, found.other_bar) == (
            150.0,
            61.0,
            True,
            200.0,
        )
        assert found.gauge == GaugeRow(150.0, 61.0, "D-1", "D-1/1/61")
        assert [each[0] for each in codes(found)] == ["set_differs"]
        assert (found.low_air, found.turn_back, found.rate_l_min, found.fan) == (None, None, None, ())
        higher = row(62.0, inside(62.0, breathing(), gauges=(gauge(61, 240),)))
        assert (higher.pressure_bar, higher.by_voice, higher.other_bar) == (200.0, False, 240.0)
        assert [each[0] for each in codes(higher)] == ["voice_higher"]

    def test_a_set_that_was_never_heard_is_planned_from_the_voice(self) -> None:
        one = inside(70.0, gauges=(gauge(60, 200),), reading_s=None)
        found = row(70.0, one)
        assert (found.pressure_bar, found.by_voice, found.turn_back_bar) == (200.0, True, 127.5)
        assert found.low_air_was_expected_at is not None
        assert not found.cylinder_known

    def test_a_young_wear_is_planned_at_the_planning_rate(self) -> None:
        one = inside(2.0, breathing(2))
        one.live_set.failed = False
        found = row(2.0, one)
        assert found.planned
        assert found.low_air is not None
        assert found.low_air.low == found.low_air.high == one.planned_min(200.0, found.low_air_bar)

    def test_a_fall_faster_than_breathing_is_losing_air_and_goes_on_until_the_next_reading(self) -> None:
        def losing_min(now_s: float) -> float | None:
            falling = wear([(float(at_s), 300.0 - 3.0 * at_s) for at_s in range(61)], "not heard")
            return row(now_s, inside(now_s, falling)).losing_min

        # 115 bar above an empty cylinder, 3 bar a second.
        assert losing_min(61.0) == pytest.approx(115.0 / 180.0 - 1.0 / 60.0)
        assert losing_min(84.0) == pytest.approx(115.0 / 180.0 - 24.0 / 60.0)
        assert losing_min(600.0) == 0.0

    def test_a_fall_faster_than_breathing_brings_warning_and_turn_back_nearer(self) -> None:
        falling = wear([(float(at_s), 300.0 - 3.0 * at_s) for at_s in range(61)], "not heard")
        one = inside(61.0, falling)
        one.entry.moments = {one.entry.policy: [TurnBackMoment(one.entry.policy, None, None, 100.0)]}
        found = row(61.0, one)
        assert found.low_air is not None
        assert found.turn_back is not None
        assert found.low_air.median == pytest.approx(65.0 / 180.0)  # from 120 to 55 bar
        assert found.turn_back.median == pytest.approx(20.0 / 180.0)

    def test_the_next_team_must_be_ready_before_turn_back(self) -> None:
        steady = wear([(float(at_s), 300.0 - 0.1 * at_s) for at_s in range(601)], "not heard")

        def at(now_s: float) -> Row:
            one = inside(now_s, steady)
            one.entry.moments = {one.entry.policy: [TurnBackMoment(one.entry.policy, None, None, 177.5)]}
            return row(now_s, one)

        ready_s = 60.0 * PROFILE.entry.relief_ready_min
        heard, silent = at(601.0), at(700.0)
        assert heard.turn_back is not None
        assert heard.relief_at == pytest.approx(601.0 + 60.0 * heard.turn_back.low - ready_s)
        assert heard.rate_l_min is not None
        assert len(heard.fan) == 4
        assert silent.turn_back_was_expected_at is not None
        assert silent.relief_at == pytest.approx(silent.turn_back_was_expected_at[0] - ready_s)
        assert (silent.low_air, silent.planned, silent.rate_l_min, silent.fan) == (None, False, None, ())
        last = at(600.0)
        assert last.turn_back is not None
        assert silent.turn_back_was_expected_at[0] == pytest.approx(600.0 + 60.0 * last.turn_back.low)
        assert silent.turn_back_was_expected_at[1] == pytest.approx(600.0 + 60.0 * last.turn_back.high)
        assert row(601.0, inside(601.0, steady)).relief_at is None

    def test_the_moments_of_a_silent_set_whose_rate_nobody_knows_begin_with_hard_work(self) -> None:
        """One reading, and no more: by the planning rate of 40 L/min the truth may come far before."""
        one = inside(70.0, wear([(0.0, 290.0)], "not heard"))
        found = row(70.0, one)
        planned = one.planned_min(290.0, found.low_air_bar)
        assert planned is not None
        assert found.low_air_was_expected_at == pytest.approx((60 * planned * 40 / 80, 60 * planned))
