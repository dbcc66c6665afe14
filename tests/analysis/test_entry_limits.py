"""An entry's cylinders, gauges by voice and state, at both sides of each limit. Our own rules."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from analysis.live.inside import state_of
from analysis.wears.charges import Charge, charges_of, is_surely_another
from analysis.wears.entries import Entry, find_entries
from analysis.wears.gauges import above_word_bar, contradictions, readings_of
from analysis.wears.tally import Stay, TallyEntry
from analysis.wears.teams import give_team_moments, team_moments, turns_of
from analysis.wears.turn_back import TurnBackNote
from analysis.wears.wears import Message, Wear
from tests.analysis.wears_by_hand import PROFILE, SECOND, Readings, flat, gauge, power_up, tally, us, wear


class TestCharges:
    @staticmethod
    def two(
        rise_bar: float, how: str = "changed", pause_s: float = 1.0, *, boot: int = 1, **more: Any
    ) -> list[Charge]:
        """Give the cylinders of two wears with a rise between."""
        before, after = flat(100, 0, 60), flat(100 + rise_bar, 60 + pause_s, 99 + pause_s)
        one = power_up("S-1", 1, [*before, *after])
        other = one if boot == 1 else power_up("S-1", boot, after)
        return charges_of([wear(before, how, one), wear(after, of=other, number=2)], **more)

    @pytest.mark.parametrize(("rise_bar", "count"), [(25.0, 1), (25.5, 2)])
    def test_a_new_one_begins_more_than_25_bar_higher(self, rise_bar: float, count: int) -> None:
        assert len(self.two(rise_bar, "closed")) == count
        assert len(self.two(rise_bar, "changed", boot=2)) == count

    @pytest.mark.parametrize(("pause_s", "count"), [(9.999999, 1), (10.0, 2)])
    def test_a_pause_of_ten_seconds_explains_a_rise(self, pause_s: float, count: int) -> None:
        charges = self.two(50, pause_s=pause_s)
        assert len(charges) == count
        assert [len(one.rises) for one in charges] == ([1] if count == 1 else [0, 0])

    @pytest.mark.parametrize(
        ("tallied", "count"), [(("S-1", us(60)), 2), (("S-1", us(60) - 1), 1), (("S-2", us(60)), 1)]
    )
    def test_a_tally_since_explains_a_rise(self, tallied: tuple[str, int], count: int) -> None:
        assert len(self.two(50, tallied=[tallied])) == count

    @pytest.mark.parametrize(
        ("at_s", "bar", "set_id", "count"),
        [
            (61, 150, "S-1", 2),
            (60, 150, "S-1", 1),  # before the rise
            (61, 150, "S-2", 1),
            (61, 130, "S-1", 2),
            (61, 129.5, "S-1", 1),  # the readings say far more
            (61, 170, "S-1", 2),
            (61, 170.5, "S-1", 1),
        ],
    )
    def test_a_gauge_read_by_voice_that_agrees_explains_a_rise(
        self, at_s: float, bar: float, set_id: str, count: int
    ) -> None:
        assert len(self.two(50, gauges=[gauge(at_s, bar, set_id)])) == count
        assert len(self.two(26, gauges=[gauge(70, 120)])) == 1  # no more than 20 bar above
        assert len(self.two(26, gauges=[gauge(70, 120.5)])) == 2

    @pytest.mark.parametrize(("second_s", "count"), [(60.0, 2), (60.5, 1)])
    def test_two_sets_under_air_at_once_breathe_from_two(self, second_s: float, count: int) -> None:
        first = wear(flat(100, 0, 60))
        second = wear(flat(90, second_s, 99), of=power_up("S-2", 1, []))
        charges = charges_of([first, second])
        assert len(charges) == count
        assert [charges[-1].set_id, charges[-1].entry_us] == ["S-2", us(second_s) if count == 2 else 0]

    @pytest.mark.parametrize(
        ("low_s", "high_s", "high_bar", "how", "start_s", "sure"),
        [
            (60.000001, 60.000001, 126.0, "closed", 100.0, True),
            (60.0, 61, 126.0, "closed", 100.0, False),
            (61, 60.0, 126.0, "closed", 100.0, False),
            (61, 61, 125.0, "closed", 100.0, False),
            (61, 61, 126.0, "off", 100.0, True),
            (61, 61, 126.0, "not heard", 100.0, False),
            (61, 61, 126.0, "changed", 100.0, False),
            (61, 61, 126.0, "closed", 61.0, False),
        ],
    )
    def test_another_cylinder_is_sure_after_a_minute_low_and_a_minute_higher(
        self, low_s: float, high_s: float, high_bar: float, how: str, start_s: float, sure: bool
    ) -> None:
        steps = [0.0, 20.0, 45.0]  # readings that follow each other within 25 s
        low = wear([(at_s, 100.0) for at_s in (*steps, low_s)], how)
        high = wear([(start_s + at_s, high_bar) for at_s in (*steps, high_s)], of=low.power_up, number=2)
        assert is_surely_another([Charge([low])], Charge([high]), 100.0) == sure
        assert not is_surely_another([Charge([low])], Charge([]), 100.0)

    def test_readings_more_than_25_s_apart_do_not_follow_each_other(self) -> None:
        def sure(*low_s: float, bar: float = 100.0, boot: int = 1) -> bool:
            low = wear([(at_s, bar) for at_s in low_s], "closed" if boot == 1 else "not heard")
            other = low.power_up if boot == 1 else power_up("S-1", boot, [])
            return is_surely_another([Charge([low])], Charge([wear(flat(200, 200, 300), of=other)]), 100.0)

        assert sure(0, 25, 50, 75)
        assert sure(0, 25, 50, 75, boot=2)
        assert not sure(0, 25.000001, 50, 75)
        assert sure(0, 30, 55, 80, 95)
        assert not sure(0, 25, 50, 75, bar=20.0)
        assert sure(0, 25, 50, 75, bar=20.5)
        assert not sure(0, 25, 50, 75, bar=100.5)

    def test_what_was_read_by_voice_counts_from_the_entry_on(self) -> None:
        charge = Charge([wear([(10.0, 200.0), (20.0, 190.0), (30.0, 0.0), (40.0, 180.0)], spikes=[2])])
        said = [gauge(10, 999), gauge(25, 185), gauge(50, 170), gauge(50, 999, "S-2")]
        charge.hear([*said, gauge(60.5, 160)], us(60))
        course = charge.course(None, PROFILE, us(60), {"S-1/1/1": (np.array([5]), np.array([7.0]))})
        assert (course.at_us // SECOND).tolist() == [10, 20, 25, 40, 50]
        assert course.bar.tolist() == [200.0, 190.0, 185.0, 180.0, 170.0]
        assert (course.entry_us, course.entry_bar, course.low_air_bar) == (us(10), 200.0, 55.0)
        assert (course.early_at_us.tolist(), course.early_min.tolist()) == ([5], [7.0])
        by_voice = Charge([], [gauge(5, 150), gauge(9, 140, "S-2")], 50.0)
        assert (by_voice.set_id, by_voice.entry_us, by_voice.entry_bar) == ("S-2", us(5), 150.0)
        assert (by_voice.low_air_bar, by_voice.cylinder) == (50.0, None)
        assert by_voice.course(None, PROFILE, us(60), {}).bar.tolist() == [150.0, 140.0]


class TestGauges:
    @pytest.mark.parametrize(
        ("said", "above"),
        [
            ([(5, 80)], [0, 0, 0]),  # 20 bar apart is none
            ([(5, 79.5)], [0, 20.5, 20.5]),  # of the reading before, heard within 5 s
            ([(5.000001, 69.5)], [0, 20.5, 20.5]),  # after a silence of the next one
            ([(5.000001, 70)], [0, 0, 0]),
            ([(0, 50), (15.000001, 60)], [0, 50, 0]),  # the next word agrees with the set, 70 bar
            ([(0, 50), (10, 110.5)], [0, 50, 50]),  # too high a word ends nothing
            (
                [(0, 50), (10, 110)],
                [0, 0, 0],
            ),  # far above the last word and as the set reads: that was a slip
            ([(0, 50), (10, 40)], [0, 50, 50]),
            ([(-60, 50), (20, 10)], [50, 50, 50]),  # a minute before its first reading; after the last
            ([(-60.000001, 50)], [0, 0, 0]),
        ],
    )
    def test_what_a_set_reads_above_its_wearers_word(
        self, said: list[tuple[float, float]], above: list[float]
    ) -> None:
        at_us, bar = np.array([us(0), us(10), us(20)]), np.array([100.0, 90.0, 70.0])
        assert above_word_bar(at_us, bar, [gauge(*one) for one in said]).tolist() == above

    @pytest.mark.parametrize(
        ("at_s", "bar", "apart"),
        [
            (65, 120, None), (65, 120.5, (100.0, True)), (65, 80, None), (65, 79.5, (100.0, True)),
            (65.000001, 120.5, (100.0, False)), (65.000001, 79.5, None), (65.000001, 120, None),
        ],
    )  # fmt: skip
    def test_one_contradicts_a_set_that_speaks_by_20_bar_and_a_silent_one_upwards_only(
        self, at_s: float, bar: float, apart: tuple[float, bool] | None
    ) -> None:
        one = wear(flat(100, 0, 60), "not heard")
        told = [(each.known_bar, each.heard) for each in contradictions([one], [gauge(at_s, bar)])]
        assert told == ([] if apart is None else [apart])
        assert contradictions([one], [gauge(at_s, bar, "S-2")]) == []

    def test_after_a_closed_valve_it_may_be_another_cylinder(self) -> None:
        for how in ("closed", "changed"):
            assert contradictions([wear(flat(100, 0, 60), how)], [gauge(60, 200)]) == []
            assert len(contradictions([wear(flat(100, 0, 60), how)], [gauge(59, 200)])) == 1

    def test_the_latest_word_counts_by_the_set_or_by_voice(self) -> None:
        one = wear(flat(100, 0, 60), "not heard")
        told = contradictions([one], [gauge(90, 110), gauge(99, 130), gauge(120, 150.5), gauge(130, 100)])
        assert [(each.known_bar, each.known_us, each.known_identity) for each in told] == [
            (130.0, us(99), "D-1/1/99")
        ]
        before = [gauge(60, 90), gauge(65, 121)]
        assert [each.known_bar for each in contradictions([one], before)] == [100.0]
        assert [each.known_us for each in contradictions([one], [gauge(-60, 79.5)])] == [0]
        assert contradictions([one], [gauge(-60, 80), gauge(-61, 50)]) == []

    def test_one_counts_as_a_reading_where_the_set_was_silent_for_5_s(self) -> None:
        one = wear([(10.0, 200.0), (20.0, 190.0), (21.0, 0.0), (30.0, 180.0)], spikes=[2])
        said = [
            gauge(10, 1),
            gauge(15, 2),
            gauge(15.000001, 3),
            gauge(26, 4),
            gauge(27, 5, "S-2"),
            gauge(36, 6),
        ]
        read = readings_of(one, said)
        assert read.bar.tolist() == [200.0, 3.0, 190.0, 4.0, 180.0]
        assert read.position.tolist() == [0, -1, 1, -1, 3]
        assert read.said_step_bar.tolist() == [0.0, 10.0, 0.0, 10.0, 0.0]
        assert readings_of(one, said, us(36)).bar.tolist()[-1] == 6.0
        assert readings_of(one, said, us(36) - 1).bar.tolist()[-1] == 180.0
        assert readings_of(one, said[:2]).position.tolist() == [0, 1, 3]


def entry(wears: list[Wear], stay: Stay | None = None, **more: Any) -> Entry:
    sets = tuple(dict.fromkeys(each.set_id for each in wears))
    return Entry("I-1/W-1/1", "I-1", "W-1", sets or ("S-1",), stay, wears, **more)


def stay(
    *tallies: TallyEntry, ended_s: float | None = None, how: str = "open", wearer_id: str = "W-1"
) -> Stay:
    return Stay("I-1", wearer_id, 1, list(tallies), None if ended_s is None else us(ended_s), how)


class TestState:
    @pytest.mark.parametrize(
        ("how", "last_bar", "more", "state"),
        [
            ("not heard", 100.0, {}, ("under_air", 0)),
            ("not heard", 100.0, {"as_of": 70.000001}, ("silent", 60)),
            ("off", 100.0, {}, ("under_air", 0)),
            ("closed", 10.5, {}, ("valve_closed", 60)),
            ("changed", 10.0, {}, ("empty", 60)),
            ("closed", 10.0, {}, ("empty", 60)),
            ("not heard", 100.0, {"off": 60}, ("off", 60)),
            ("not heard", 100.0, {"off": 59}, ("under_air", 0)),
            ("not heard", 100.0, {"boot": 60}, ("under_air", 0)),
            ("not heard", 100.0, {"boot": 61}, ("restarted", 61)),
            ("not heard", 100.0, {"boot": 61, "off": 62}, ("off", 62)),
            ("closed", 100.0, {"ended": 70, "ended_how": "tallied_out"}, ("out", 70)),
            ("closed", 100.0, {"ended": 71, "ended_how": "tallied_out"}, ("valve_closed", 60)),
            ("closed", 100.0, {"ended": 65, "ended_how": "incident_closed"}, ("valve_closed", 60)),
        ],
    )
    def test_the_state_of_an_entry(
        self, how: str, last_bar: float, more: dict[str, Any], state: tuple[str, float]
    ) -> None:
        one = wear([*flat(last_bar, 0, 60)], how)
        own = stay(tally(in_s=1), ended_s=more.get("ended"), how=more.get("ended_how", "open"))
        off_us, boot_us = (us(more[name]) if name in more else None for name in ("off", "boot"))
        told = state_of(entry([one], own), us(more.get("as_of", 70)), us(10), off_us, boot_us)
        assert told == (state[0], us(state[1]))

    @pytest.mark.parametrize(
        ("last_bar", "next_s", "is_empty"),
        [(10.0, 61, True), (16.0, 60, False), (16.0, 90, True), (40.0, 90, False)],
    )
    def test_whoever_is_heard_seldom_may_have_breathed_the_rest(
        self, last_bar: float, next_s: float, is_empty: bool
    ) -> None:
        """It fell by 0.2 bar a second: 16 bar are 10 after 30 s."""
        readings = [(at_s, last_bar + 0.2 * (60.0 - at_s)) for at_s in (0.0, 30.0, 60.0)]
        after = Message(9, us(next_s), "S-1/1/9", 0.0)
        one = wear(readings, "closed", following=after)
        assert one.ran_empty == is_empty
        assert one.closed_in_order != is_empty
        state, _ = state_of(entry([one], stay(tally(in_s=1))), us(95), us(10), None, None)
        assert state == ("empty" if is_empty else "valve_closed")

    def test_whoever_was_not_heard_is_expected_from_the_tally_on(self) -> None:
        assert state_of(entry([], stay(tally(in_s=7))), us(70), us(10), None, None) == ("expected", us(7))


class TestEntry:
    def test_moments_of_one_that_was_heard_before_it_was_tallied_in(self) -> None:
        one = entry([wear(flat(100, 5, 60)), wear(flat(40, 70, 99), number=2)], stay(tally(in_s=20)))
        assert (one.began_us, one.entered_us, one.tallied_in_us) == (us(20), us(5), us(20))
        assert (one.first_heard_us, one.last_heard_us, one.ended_us) == (us(5), us(99), None)
        assert (one.lowest_bar, one.low_air_us, one.team) == (40.0, us(70), "T-1")
        nobody = entry([wear(flat(100, 5, 60))])
        assert (nobody.began_us, nobody.tally, nobody.team, nobody.ended_how) == (us(5), None, None, "open")

    def test_what_was_read_by_voice_may_be_the_lowest_and_the_first_at_the_warning(self) -> None:
        one = entry([wear(flat(60, 0, 60))], stay(tally()))
        one.charges = charges_of(one.wears)
        one.spoken = [gauge(70, 56), gauge(80, 55), gauge(90, 50)]
        assert (one.lowest_bar, one.low_air_us) == (50.0, us(80))
        assert [each.at_us for each in one.spoken_low] == [us(80), us(90)]
        assert entry([], stay(tally()), spoken=[gauge(70, 10)]).spoken_low == []

    @pytest.mark.parametrize(
        ("second", "first_us", "last_s", "under_air_s", "at_once"),
        [("S-1", 60, 90, 90.0, False), ("S-2", 60, 90, 90.0, True), ("S-2", 61, 90, 89.0, False),
         ("S-2", 30, 90, 90.0, True), ("S-2", 10, 50, 60.0, True)],
    )  # fmt: skip
    def test_what_two_sets_breathe_at_once_counts_once(
        self, second: str, first_us: float, last_s: float, under_air_s: float, at_once: bool
    ) -> None:
        other = wear(flat(90, first_us, last_s), of=power_up(second, 1, []), number=2)
        one = entry([wear(flat(100, 0, 60)), other])
        assert (one.under_air_s, one.at_once) == (under_air_s, at_once)

    @pytest.mark.parametrize(
        ("last_s", "settled", "back", "doubtful"),
        [
            (60, False, False, ("S-1",)),
            (50, False, False, ()),
            (60, True, False, ()),
            (60, False, True, ("S-2",)),
        ],
    )
    def test_a_set_that_breathes_on_after_its_wearer_was_moved_is_doubtful(
        self, last_s: float, settled: bool, back: bool, doubtful: tuple[str, ...]
    ) -> None:
        tallies = [tally(in_s=0, settled_us=us(55) if settled else None), tally(set_id="S-2", in_s=50)]
        tallies += [tally(set_id="S-1", in_s=55)] * back
        worn = [wear(flat(100, 0, last_s)), wear(flat(100, 50, 99), of=power_up("S-2", 1, []))]
        one = entry(worn, stay(*tallies))
        assert one.doubtful_sets == doubtful
        assert entry(worn).doubtful_sets == ()
        part = one.on_set("S-2")
        assert ([each.set_id for each in part.wears], part.tally) == (["S-2"], tallies[1])
        assert one.on_set("S-1").tally == (tallies[-1] if back else tallies[0])
        assert one.on_set("S-9").tally == tallies[-1]

    def test_late_is_the_turn_that_was_noted_else_the_exit(self) -> None:
        one = entry([wear(flat(100, 0, 60))])
        assert one.late_s is None
        one.team_turn_back_us = us(30)
        assert one.late_s is None
        one.left_us = us(45)
        assert one.late_s == 15.0
        one.noted = TurnBackNote(us(20), "I-1", "S-1", "turning back", "D-1/1/1")
        assert one.late_s == 0.0


def falling(first_s: float, last_s: float, first_bar: float = 300.0, bar_s: float = 1.0) -> Readings:
    return [(float(at_s), first_bar - bar_s * (at_s - first_s)) for at_s in np.arange(first_s, last_s + 0.5)]


class TestFindEntries:
    @pytest.mark.parametrize(("apart_s", "count"), [(3600.0, 1), (3600.000001, 2)])
    def test_wears_that_nobody_tallied_in_are_one_entry_within_an_hour(
        self, apart_s: float, count: int
    ) -> None:
        of = power_up("S-1", 7, [])
        worn = [wear(flat(200, 0, 60), of=of), wear([(60 + apart_s, 200.0)], of=of, number=2)]
        other = wear(flat(200, 5, 60), of=power_up("S-0", 7, []))
        entries = find_entries([other, *worn], [], [], PROFILE)
        assert [each.entry_id for each in entries] == ["-/S-1/7-1", "-/S-0/7-1", "-/S-1/7-2"][: count + 1]
        assert [each.began_us for each in entries][:2] == [0, us(5)]
        assert [len(each.wears) for each in entries] == [3 - count, 1, 1][: count + 1]

    def test_a_team_turns_back_on_its_lowest_member(self) -> None:
        deep, other = tally("W-1", in_s=0), tally("W-2", "S-2", in_s=0)
        far = tally("W-3", "S-3", in_s=0, team="T-2")
        first = wear(falling(0, 200), "not heard", tally=deep)
        second = wear(falling(0, 200, bar_s=0.5), "not heard", power_up("S-2", 1, []), tally=other)
        third = wear(falling(0, 200, bar_s=0.5), "not heard", power_up("S-3", 1, []), tally=far)
        stays = [stay(deep), stay(other, wearer_id="W-2"), stay(far, wearer_id="W-3")]
        unheard = stay(tally("W-4", "S-4", in_s=0), wearer_id="W-4")
        entries = find_entries([first, second, third], [*stays, unheard], [], PROFILE)
        give_team_moments(entries, PROFILE.turn_back.policy)
        # Half of what is above 55 bar: 177.5 bar; `W-1` has 177 bar in the 123rd second.
        assert [each.entry_id for each in entries] == [f"I-1/W-{number}/1" for number in (1, 2, 3, 4)]
        assert [each.own_turn_back_us for each in entries] == [us(123), None, None, None]
        assert [each.team_turn_back_us for each in entries] == [us(123), us(123), None, us(123)]
        assert [each.turn_back_bar for each in entries] == [177.5, 177.5, 177.5, None]
        assert [each.until_us for each in entries] == [us(200)] * 4
        turns = turns_of(entries)
        assert [turns[f"S-{n}/1/1"].team_us["half_of_usable"] for n in (1, 2, 3)] == [us(123), us(123), None]

    def test_a_members_moment_counts_while_the_other_is_in(self) -> None:
        one, two = tally("W-1", in_s=0), tally("W-2", "S-2", in_s=123)
        first = wear(falling(0, 200), "not heard", tally=one)

        def team_us(first_s: float, last_s: float) -> int | None:
            other = wear(flat(300, first_s, last_s), "not heard", power_up("S-2", 1, []), tally=two)
            gone = stay(two, wearer_id="W-2", ended_s=last_s, how="tallied_out")
            entries = find_entries([first, other], [stay(one), gone], [], PROFILE)
            return team_moments(entries, "half_of_usable")["I-1/W-2/1"][0]

        assert [team_us(100, 123), team_us(100, 122), team_us(123, 150), team_us(124, 150)] == [
            us(123), None, us(123), None
        ]  # fmt: skip

    @pytest.mark.parametrize(
        ("at_s", "bar", "counts"),
        [
            (205, 100, False),
            (205.000001, 100, True),
            (205, 80, False),
            (205, 79.5, True),
            (-0.5, 90, True),
            (0, 300, False),
        ],
    )
    def test_a_gauge_read_by_voice_counts_after_5_s_or_where_it_is_far_lower(
        self, at_s: float, bar: float, counts: bool
    ) -> None:
        own = tally(spans=[(-1, 999)])
        one = wear(falling(0, 200), "not heard", tally=own)
        (found,) = find_entries(
            [one], [stay(own)], [], PROFILE, gauges=[gauge(at_s, bar), gauge(at_s, bar, "S-2")]
        )
        assert found.spoken == ([gauge(at_s, bar)] if counts else [])
        assert found.gauges == [gauge(at_s, bar)]

    @pytest.mark.parametrize(
        ("at_s", "is_own"), [(-1, True), (-1.000001, False), (999, True), (999.000001, False)]
    )
    def test_a_gauge_is_about_whoever_had_the_set_then(self, at_s: float, is_own: bool) -> None:
        own = tally(spans=[(-1, 999)])
        (found,) = find_entries([], [stay(own)], [], PROFILE, gauges=[gauge(at_s, 90)])
        assert len(found.gauges) == is_own
        assert [each.entry_bar for each in found.charges] == [90.0] * is_own

    @pytest.mark.parametrize(("at_s", "is_own"), [(0, True), (-0.1, False), (3660, True), (3660.1, False)])
    def test_a_gauge_is_about_a_set_of_nobody_until_an_hour_later(self, at_s: float, is_own: bool) -> None:
        one = wear(flat(200, 0, 60), "not heard")
        (found,) = find_entries([one], [], [], PROFILE, gauges=[gauge(at_s, 90)])
        assert len(found.gauges) == is_own

    def test_a_second_use_of_a_name_begins_its_numbers_anew(self) -> None:
        stays = [stay(tally(in_s=at_s)) for at_s in (0, 100_000)]
        stays[1].number = 2
        keys = {"I-1": [(0, "I-1"), (us(100_000), "I-1@b")]}
        assert [each.entry_id for each in find_entries([], stays, [], PROFILE, keys=keys)] == [
            "I-1/W-1/1", "I-1@b/W-1/1"
        ]  # fmt: skip


class TestTwoCylinders:
    """The first came to its turn-back at 177.5 bar, in the 123rd second; the second is surely another."""

    @staticmethod
    def entry(second: Readings, how: str = "closed", ended_s: float | None = None, **more: Any) -> Entry:
        own = tally()
        first = wear(falling(0, 200), how, tally=own)
        other = wear(second, "not heard", power_up("S-1", 2, []), tally=own)
        there = stay(own, ended_s=ended_s, how="tallied_out" if ended_s else "open")
        (found,) = find_entries([first, other], [there], more.pop("notes", []), PROFILE, **more)
        return found

    def test_the_second_counts_now_and_the_first_for_the_record(self) -> None:
        one = self.entry(flat(300, 300, 400))
        assert (one.counts, one.renewed, one.in_use) == (0, 1, 1)
        assert (one.span_of(0), one.span_of(1)) == ((0, us(200)), (us(300), us(400)))
        assert (one.entry_bar, one.turn_back_bar, one.own_turn_back_us) == (300.0, 177.5, us(123))
        assert [one.wear_at(us(at_s)) for at_s in (122, 123, 300, 299)] == [
            one.wears[0], one.wears[0], one.wears[1], one.wears[0]
        ]  # fmt: skip
        assert one.wear_at(-1) is None
        part = one.on_set("S-1")
        assert ([len(part.charges), len(part.moments["half_of_usable"])], part.gauges) == ([2, 2], [])

    @pytest.mark.parametrize(("minutes_s", "in_use"), [(360.0, 0), (361.0, 1)])
    def test_a_second_one_heard_for_a_minute_counts(self, minutes_s: float, in_use: int) -> None:
        one = self.entry(flat(300, 300, minutes_s))
        assert (one.renewed, one.in_use, one.counts) == (in_use, in_use, 0)

    def test_a_second_one_before_any_turn_back_is_in_use(self) -> None:
        own = tally()
        first, second = wear(flat(200, 0, 90), tally=own), wear(flat(300, 300, 400), number=2, tally=own)
        (one,) = find_entries([first, second], [stay(own)], [], PROFILE)
        assert (one.counts, one.renewed, one.in_use, one.entry_bar) == (1, 0, 1, 300.0)
        assert one.wear_at(us(50)) == first

    def test_a_moment_after_a_wear_is_not_its_own(self) -> None:
        own = tally()
        parts = [wear(falling(0, 100), "not heard", tally=own)]
        for boot, (first_s, last_s) in enumerate(((101, 123), (124, 200)), 2):
            readings = falling(first_s, last_s, 300.0 - first_s)
            parts.append(wear(readings, "not heard", power_up("S-1", boot, []), tally=own))
        turns = turns_of(find_entries(parts, [stay(own)], [], PROFILE))
        told = [turns[each.wear_id] for each in parts]
        assert [each.moments["half_of_usable"].at_us for each in told] == [None, us(123), us(123)]
        assert [each.moments["half_of_usable"].pressure_bar for each in told] == [None, 177.0, 177.0]
        assert [each.team_us["half_of_usable"] for each in told] == [None, us(123), us(123)]

    def test_a_moment_of_the_clock_comes_with_time_and_not_after_the_end(self) -> None:
        late_us = us(99_999)
        for as_of_us, ended_s, reached in ((None, None, False), (late_us, None, True), (late_us, 500, False)):
            (moment,) = self.entry(flat(300, 300, 400), ended_s=ended_s, as_of_us=as_of_us).moments[
                "fixed_margin"
            ][1:]
            assert moment.leave_us is not None
            assert moment.at_us == (moment.leave_us if reached else None)

    def test_the_objective_may_be_noted_of_another_set_of_the_team(self) -> None:
        for text, known in (("T-1 objective reached", True), ("T-2 objective reached", False)):
            note = TurnBackNote(us(50), "I-1", "S-2", text, "D-1/1/1")
            moments = self.entry(flat(300, 300, 400), notes=[note]).moments["double_return"]
            assert (moments[0].leave_bar == 100.0) == known

    def test_when_it_ended(self) -> None:
        out = self.entry(flat(300, 300, 400), ended_s=500)
        assert (out.tallied_out_us, out.until_us) == (us(500), us(500))
        assert entry([], stay(tally(), ended_s=9, how="resolved")).tallied_out_us is None

    def test_the_other_set_that_is_heard_says_nothing_of_this_ones_gauge(self) -> None:
        first, second = tally(spans=[(0, 100)]), tally(set_id="S-2", in_s=100)
        heard = wear(flat(300, 100, 200), "not heard", power_up("S-2", 1, []), tally=second)
        (one,) = find_entries([heard], [stay(first, second)], [], PROFILE, gauges=[gauge(100, 250)])
        assert one.spoken == [gauge(100, 250)]
