"""Alarms as the sets report them and as their readings show them, at both sides of each limit. Our own rules.

Moments are seconds; readings of motion are (second, m/s², seconds still).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from analysis.alarms.alarms import Alarm, find_alarms, give_entries, raised_in
from analysis.alarms.derived import Derived, derived_alarms, stillness
from analysis.alarms.kinds import GRAVEST, KINDS
from analysis.alarms.rates import AlarmRates, alarm_rates, floods
from analysis.alarms.reported import reported_alarms
from analysis.records import PowerUp, runs_of
from analysis.wears.corrections import read_resolved
from analysis.wears.entries import Entry
from analysis.wears.tally import Stay
from analysis.wears.wears import Wear
from tests.analysis.wears_by_hand import PROFILE, channel, flat, power_up, tally, us, wear


def seconds(at_us: int | None) -> float | None:
    return None if at_us is None else at_us / 1e6


def told(wear: Wear, kind: str, *, goes_on: bool = False) -> list[tuple[float | None, ...]]:
    """Give (raised, cleared, silent since) of the alarms of a kind that the readings show."""
    return [
        tuple(map(seconds, (one.raised_us, one.cleared_us, one.silent_since_us)))
        for one in derived_alarms(wear, PROFILE, goes_on=goes_on)
        if one.alarm == kind
    ]


def with_readings(kind: str, at_s: list[float], **numbers: list[float]) -> Wear:
    """Give a wear of 100 s from the tenth second on, with readings of another kind."""
    heard = channel([(at, 0.0) for at in at_s], first_seq=500)
    heard.numbers = {name: np.array(values) for name, values in numbers.items()}
    heard.received_us = heard.at_us + us(1)
    of = power_up("S-1", 1, [])
    of.channels[kind] = heard
    return wear(flat(200, 10, 110), "not heard", of)


class TestDerived:
    def test_low_air_lasts_as_long_as_its_wear(self) -> None:
        one = wear([(0.0, 60.0), (30.0, 55.0), (60.0, 50.0)])
        assert told(one, "low_air") == [(30.0, 60.0, None)]
        assert told(one, "low_air", goes_on=True) == [(30.0, None, None)]
        (derived,) = derived_alarms(one, PROFILE)
        assert (derived.evidence, derived.heard_us) == (("S-1/1/101",), us(30))
        assert told(wear([(0.0, 60.0), (30.000001, 55.0)]), "low_air") == [(30.000001, 30.000001, 0.0)]
        assert told(wear([(0.0, 55.0), (30.0, 55.0)]), "low_air") == [(0.0, 30.0, None)]

    def test_no_motion_is_counted_from_the_last_motion(self) -> None:
        at_s = [20.0, 30.0, 41.0, 51.5, 60.0, 61.0]
        still = with_readings(
            "motion", at_s, motion_m_s2=[1.0] * 6, still_s=[0.0, 9.0, 20.0, 30.5, 39.0, 0.0]
        )
        assert told(still, "no_motion_prealarm") == [(41.0, 61.0, None)]
        assert told(still, "no_motion") == [(51.0, 61.0, None)]
        first, second = (one for one in derived_alarms(still, PROFILE) if one.alarm.startswith("no_motion"))
        assert first.evidence == ("S-1/1/501", "S-1/1/502", "S-1/1/505")
        assert (second.evidence, second.heard_us) == (("S-1/1/502", "S-1/1/503", "S-1/1/505"), us(52.5))

    def test_no_motion_that_goes_on_is_not_cleared_and_begins_in_the_wear(self) -> None:
        still = with_readings("motion", [10.0, 11.0], motion_m_s2=[1.0] * 2, still_s=[99.0, 100.0])
        assert told(still, "no_motion") == [(10.0, None, None)]
        (one, _) = derived_alarms(still, PROFILE)
        assert one.evidence == ("S-1/1/500", "S-1/1/501")
        for still_s, count in ((30.5, 1), (30.499999, 0)):  # it must have begun by the last reading under air
            late = with_readings("motion", [110.5], motion_m_s2=[1.0], still_s=[still_s])
            assert len(told(late, "no_motion")) == count

    @pytest.mark.parametrize(
        ("at_s", "still_s"),
        [
            ([10, 11, 12, 13, 14], [0, 1, 2, 3, 4]),
            ([10, 15, 16, 17, 18], [0, 5, 6, 7, 8]),  # not longer than 5 s
            ([10, 15.5, 16.5, 17.5, 18.5], [0, 0, 1, 2, 3]),
            ([10, 20, 30, 40, 70], [0, 10, 20, 30, 60]),  # nor than three of its intervals
            ([10, 20, 30, 40, 70.5], [0, 10, 20, 30, 0]),
        ],
    )
    def test_a_stillness_is_not_carried_across_a_silence(
        self, at_s: list[float], still_s: list[float]
    ) -> None:
        below = PROFILE.motion.still_below_m_s2
        one = with_readings("motion", at_s, motion_m_s2=[below - 0.01] * 5, still_s=[math.nan] * 5)
        found = stillness(one, PROFILE)
        assert found is not None
        assert found[1].tolist() == pytest.approx(still_s)
        assert (found[0].tolist()[0], found[2].tolist()[0], found[3].tolist()[0]) == (us(10), 500, us(11))

    def test_motion_from_the_limit_on_ends_a_stillness_and_the_sets_own_count_comes_first(self) -> None:
        below = PROFILE.motion.still_below_m_s2
        motion = [below - 0.01, below - 0.01, below, below - 0.01, math.nan]
        one = with_readings(
            "motion", [10, 11, 12, 13, 14], motion_m_s2=motion, still_s=[math.nan, 7.0, *[math.nan] * 3]
        )
        found = stillness(one, PROFILE)
        assert found is not None
        assert found[1].tolist() == pytest.approx([0, 7, 0, 1, 0])
        assert stillness(wear(flat(200, 0, 9)), PROFILE) is None

    def test_heat_is_over_5_degrees_below_its_start(self) -> None:
        readings = [119.9, 120.0, 115.0, 114.9, 118.0, 121.0, 119.0]
        hot = with_readings("temperature", [20, 30, 40, 50, 60, 91, 100], temperature_c=readings)
        assert told(hot, "heat") == [(30.0, 50.0, None), (91.0, None, 60.0)]
        first, second = derived_alarms(hot, PROFILE)
        assert (first.evidence, first.heard_us) == (("S-1/1/501",), us(31))
        assert (second.evidence, second.heard_us) == (("S-1/1/505",), us(92))
        cold = with_readings("temperature", [20, 30], temperature_c=[119.9, 119.9])
        assert told(cold, "heat") == []

    def test_a_battery_is_low_once_while_the_set_is_on(self) -> None:
        low = PROFILE.battery.low_fraction
        one = with_readings("power", [20, 30, 40, 50])
        rows = [{"battery_fraction": charge, "state": "on"} for charge in (None, low, low - 0.01, 0.0)]
        one.power_up.channels["power"].rows = rows
        assert told(one, "battery") == [(40.0, None, None)]
        (derived,) = derived_alarms(one, PROFILE)
        assert (derived.evidence, derived.heard_us) == (("S-1/1/502",), us(41))
        rows[2]["state"] = "off"
        assert told(one, "battery") == [(50.0, None, None)]

    def test_runs(self) -> None:
        flags = np.array([True, True, False, True, False, False, True, True, True])
        assert runs_of(flags) == [(0, 2), (3, 4), (6, 9)]
        assert runs_of(flags, 2) == [(0, 2), (6, 9)]
        assert runs_of(flags, 3) == [(6, 9)]
        assert runs_of(~flags) == [(2, 3), (4, 6)]
        assert runs_of(np.zeros(0, np.bool_)) == []


Said = tuple[float, str, str]


def saying(
    *said: Said, lost: tuple[int, ...] = (), retained: tuple[int, ...] = (), name: str = "S-1"
) -> PowerUp:
    """Give a set's power-up that said alarms; `lost` are numbers that were never heard."""
    of = power_up(name, 1, [])
    numbers = [seq for seq in range(len(said) + len(lost)) if seq not in lost]
    heard = channel([(at_s, 0.0) for at_s, _, _ in said])
    heard.seq = np.array(numbers, np.int64)
    heard.received_us = heard.at_us + us(1)
    heard.rows = [{"alarm": alarm, "state": state, "detail": f"{at_s:g}"} for at_s, alarm, state in said]
    heard.retained = np.array([number in retained for number in range(len(said))], np.bool_)
    of.channels["alarm"] = heard
    of.seqs = np.array(numbers, np.int64)
    return of


def desk(kind: str, *said: dict[str, Any]) -> PowerUp:
    of = PowerUp("desk", "D-1", 1)
    heard = channel([(one.pop("at_s"), 0.0) for one in said])
    heard.rows = [
        {"corrects": None, "incident_id": "I-1", "text": "t", "wearer_id": None, **one} for one in said
    ]
    of.channels[kind] = heard
    return of


def reported(*records: PowerUp) -> list[str]:
    """Give `kind raised acknowledged cleared`, then what was inferred or lost."""
    lines = []
    for one in reported_alarms(records, read_resolved(records)):
        moments = (one.raised_us, one.acknowledged_us, one.cleared_us)
        line = f"{one.alarm} " + " ".join("-" if at is None else f"{at * 1e-6:g}" for at in moments)
        lines.append(line + " inferred" * one.inferred + " clear lost" * one.clear_lost)
    return lines


class TestReported:
    def test_from_raised_to_cleared(self) -> None:
        of = saying(
            (10, "heat", "raised"), (20, "heat", "acknowledged"), (25, "heat", "acknowledged"),
            (30, "heat", "cleared"), (35, "heat", "acknowledged"),
        )  # fmt: skip
        assert reported(of) == ["heat 10 20 30"]
        (one,) = reported_alarms([of])
        assert one.evidence == [f"S-1/1/{seq}" for seq in range(5)]
        assert (one.heard_us, one.last_us, one.detail, one.boot) == (us(11), us(35), "10", 1)

    @pytest.mark.parametrize(("again_s", "count"), [(70, 1), (70.000001, 2)])
    def test_one_that_is_raised_again_after_a_minute_is_another(self, again_s: float, count: int) -> None:
        found = reported(
            saying((10, "heat", "raised"), (again_s, "heat", "raised"), (200, "heat", "cleared"))
        )
        assert found == [f"heat {at:g} - 200" for at in (10, again_s)][:count]

    @pytest.mark.parametrize(
        ("word", "count"),
        [
            ({"at_s": 10}, 2), ({"at_s": 19.999999}, 2), ({"at_s": 20}, 1), ({"at_s": 9.999999}, 1),
            ({"at_s": 15, "alarm": "distress"}, 1), ({"at_s": 15, "alarm": None}, 2),
            ({"at_s": 15, "set_id": "S-2"}, 1),
        ],
    )  # fmt: skip
    def test_one_that_is_raised_after_a_person_resolved_it_is_another(
        self, word: dict[str, Any], count: int
    ) -> None:
        words = desk("resolved", {"set_id": "S-1", "alarm": "heat", **word})
        assert len(reported(saying((10, "heat", "raised"), (20, "heat", "raised")), words)) == count

    def test_what_was_lost_tells_what_was_not_heard(self) -> None:
        assert reported(saying((10, "heat", "cleared"))) == []
        assert reported(saying((10, "heat", "cleared"), lost=(0,))) == []  # nothing was heard before
        before = (5, "fault", "raised")
        assert reported(saying(before, (10, "heat", "cleared"))) == ["fault 5 - -"]
        assert reported(saying(before, (10, "heat", "cleared"), lost=(1,))) == [
            "fault 5 - -",
            "heat 10 - 10 inferred",
        ]
        assert reported(saying(before, (10, "heat", "acknowledged"))) == [
            "fault 5 - -",
            "heat 10 10 - inferred",
        ]

    def test_one_that_was_answered_and_is_raised_again_after_a_loss_was_cleared(self) -> None:
        said: list[Said] = [(10, "heat", "raised"), (12, "heat", "acknowledged"), (20, "heat", "raised")]
        assert reported(saying(*said)) == ["heat 10 12 -"]
        assert reported(saying(*said, lost=(2,))) == ["heat 10 12 - clear lost", "heat 20 - -"]
        assert reported(saying(said[0], said[2], lost=(1,))) == ["heat 10 - -"]
        late: list[Said] = [(10, "heat", "raised"), (70.000001, "heat", "raised"), (80, "heat", "cleared")]
        assert reported(saying(*late, lost=(1,))) == ["heat 10 - - clear lost", "heat 70 - 80"]

    def test_what_follows_a_clear_without_a_loss_belongs_to_it(self) -> None:
        said: list[Said] = [(10, "heat", "raised"), (20, "heat", "cleared"), (30, "heat", "acknowledged")]
        assert reported(saying(*said)) == ["heat 10 30 20"]
        assert reported(saying(*said, lost=(2,))) == ["heat 10 - 20", "heat 30 30 - inferred"]

    def test_what_the_broker_kept_opens_and_closes_nothing(self) -> None:
        assert reported(saying((10, "heat", "raised"), retained=(0,))) == []
        both: list[Said] = [(10, "heat", "raised"), (20, "heat", "cleared")]
        assert reported(saying(*both, retained=(1,))) == ["heat 10 - -"]


def alarm_rows(*records: PowerUp, wears: list[Wear]) -> list[str]:
    """Give `kind raised source lead, number of the wear`."""
    return [
        f"{one.alarm} {one.raised_us / 1e6:g} {one.source} {one.lead_s}, {one.wear and one.wear.number}"
        for one in find_alarms(records, wears, PROFILE)
    ]


class TestMatched:
    MATCH_S = PROFILE.alarms.match_s

    def test_low_air_is_once_a_wear_however_far_apart(self) -> None:
        one = wear([(100.0, 60.0), (110.0, 55.0), (200.0, 50.0)])
        assert alarm_rows(saying((190, "low_air", "raised")), wears=[one]) == ["low_air 190 both 80.0, 1"]
        assert alarm_rows(saying((101, "low_air", "raised")), wears=[one]) == ["low_air 101 both -9.0, 1"]

    def test_one_raised_at_the_moment_comes_before_one_raised_too_early(self) -> None:
        one = wear([(100.0, 60.0), (200.0, 55.0), (400.0, 50.0)])
        slack_s = self.MATCH_S

        def sources(early_s: float) -> list[str]:
            of = saying(
                (early_s, "low_air", "raised"),
                (early_s + 1, "low_air", "cleared"),
                (390, "low_air", "raised"),
            )
            return [each.source for each in find_alarms([of], [one], PROFILE)]

        assert sources(200 - slack_s) == ["both", "reported"]
        assert sources(200 - slack_s - 1e-6) == ["reported", "both"]

    @pytest.mark.parametrize(
        ("raised_s", "cleared_s", "both"),
        [(50, 61, True), (100, 110, True), (100.000001, 110, False), (5, 20, True), (5, 19.999999, False)],
    )
    def test_heat_is_one_alarm_where_both_overlap_or_nearly(
        self, raised_s: float, cleared_s: float, both: bool
    ) -> None:
        # The readings show it from the 50th to the 70th second; the slack is 30 s.
        assert self.MATCH_S == 30.0
        hot = with_readings("temperature", [45, 50, 60, 70], temperature_c=[20.0, 160.0, 160.0, 20.0])
        said = saying((raised_s, "heat", "raised"), (cleared_s, "heat", "cleared"))
        said.channels |= hot.power_up.channels
        found = find_alarms([said], [hot], PROFILE)
        assert [each.source for each in found] == (
            ["both"] if both else ["reported", "derived"] if raised_s < 50 else ["derived", "reported"]
        )

    @pytest.mark.parametrize(
        ("at_s", "number"),
        [
            (94.999999, None),
            (95, 1),
            (100, 1),
            (110, 1),
            (112, 1),
            (113, 2),
            (120, 2),
            (135, 2),
            (135.000001, None),
        ],
    )
    def test_an_alarm_within_5_s_of_a_wear_belongs_to_it(self, at_s: float, number: int | None) -> None:
        both = [wear(flat(200, 100, 110)), wear(flat(200, 113, 130), number=2)]
        (row,) = alarm_rows(saying((at_s, "distress", "raised")), wears=both)
        assert row.endswith(f", {number}")

    def test_low_air_of_the_last_wear_goes_on_while_it_is_heard(self) -> None:
        first, last = wear(flat(50, 0, 9), "not heard"), wear(flat(50, 20, 29), "not heard", number=2)
        cleared = [each.cleared_us for each in find_alarms([], [first, last], PROFILE, us(40))]
        assert cleared == [us(9), None]
        assert [each.cleared_us for each in find_alarms([], [first, last], PROFILE)] == [us(9), us(29)]
        last.ended_how = "closed"
        assert find_alarms([], [last], PROFILE, us(40))[0].cleared_us == us(29)

    def test_the_lead_is_not_known_of_one_reported_in_a_silence(self) -> None:
        def lead_s(reported_s: float) -> float | None:
            one = wear([(0.0, 60.0), (60.0, 55.0), (99.0, 50.0)])
            return find_alarms([saying((reported_s, "low_air", "raised"))], [one], PROFILE)[0].lead_s

        assert [lead_s(60), lead_s(30), lead_s(60.5)] == [None, None, 0.5]
        assert lead_s(0) == -60.0

    @pytest.mark.parametrize(
        ("seen_s", "heard_s", "seen"),
        [(9, 99, 1), (8.999999, 99, 0), (20, 10.999999, 0), (20, 11, 1), (99, 99, 2)],
    )
    def test_who_has_seen_an_alarm_had_heard_of_it(self, seen_s: float, heard_s: float, seen: int) -> None:
        said = saying((10, "heat", "raised"), (11, "heat", "cleared"), (50, "heat", "raised"))
        words = desk("seen", {"at_s": seen_s, "set_id": "S-1", "alarm": "heat"})
        words.channels["seen"].received_us = np.array([us(heard_s)])
        both = find_alarms([said, words], [], PROFILE)
        assert [each.seen_us for each in both] == [
            us(seen_s) if seen == number else None for number in (1, 2)
        ]
        if seen:
            assert (both[seen - 1].seen_by, both[seen - 1].evidence[-1]) == ("D-1", "D-1/1/0")
        words.channels["seen"].retained[0] = True
        assert [each.seen_us for each in find_alarms([said, words], [], PROFILE)] == [None, None]

    def test_the_first_who_saw_it_counts_and_the_first_answer(self) -> None:
        said = saying((10, "heat", "raised"), (40, "heat", "acknowledged"))
        rows = [{"at_s": at, "set_id": "S-1", "alarm": "heat"} for at in (30, 20)]
        (one,) = find_alarms([said, desk("seen", *rows)], [], PROFILE)
        assert (one.seen_us, one.answered_us, one.response_s) == (us(20), us(20), 10.0)
        early = desk("seen", {"at_s": 9.5, "set_id": "S-1", "alarm": "heat"})
        early.channels["seen"].received_us = np.array([us(12)])
        assert find_alarms([said, early], [], PROFILE)[0].response_s == 0.0
        inferred = saying((5, "fault", "raised"), (40, "heat", "acknowledged"))
        assert [each.response_s for each in find_alarms([inferred], [], PROFILE)] == [None, None]


class TestWhose:
    @staticmethod
    def entry(name: str, began_s: float, *spans: tuple[float, float], **more: Any) -> Entry:
        own = tally(name, in_s=began_s, spans=list(spans))
        there = Stay("I-1", name, 1, [own], None, more.pop("how", "open"))
        return Entry(f"I-1/{name}/1", "I-1", name, ("S-1",), there, more.pop("wears", []))

    @pytest.mark.parametrize(
        ("at_s", "name"),
        [
            (-590.000001, None),  # ten minutes before the tally in
            (-590, "W-1"),
            (10, "W-1"),
            (19, "W-1"),
            (20, "W-2"),
            (29, "W-2"),
            (30, "W-2"),
            (45, "W-1"),
            (50, "W-2"),
        ],
    )
    def test_an_alarm_is_whose_the_set_was_else_who_has_it_soon_or_had_it_last(
        self, at_s: float, name: str | None
    ) -> None:
        both = [self.entry("W-1", 10, (10, 20), (40, 50)), self.entry("W-2", 20, (20, 30))]
        one = Alarm(None, "S-1", "heat", us(at_s), None, None)
        found = raised_in(one, both)
        assert (found.wearer_id if found else None) == name

    def test_a_set_that_is_laid_down_sounds_for_nobody(self) -> None:
        def whose(how: str, ended_how: str) -> bool:
            own = self.entry("W-1", 10, (10, 20), how=how, wears=[wear(flat(200, 10, 20), ended_how)])
            one = Alarm(None, "S-1", "no_motion", us(60), None, None)
            give_entries([one], [own])
            return one.entry is own

        assert whose("open", "not heard")
        assert whose("incident_closed", "not heard")
        assert not whose("open", "closed")
        assert not whose("tallied_out", "not heard")
        worn = wear(flat(200, 10, 20))
        own = self.entry("W-1", 10, (10, 15), wears=[worn])
        one = Alarm(worn, "S-1", "heat", us(18), None, None)
        give_entries([one], [self.entry("W-2", 12), own])
        assert one.entry is own

    def test_what_an_alarm_without_a_report_says_of_itself(self) -> None:
        one = Alarm(None, "S-1", "heat", us(5), None, Derived("heat", us(5), us(9), (), us(6)))
        assert (one.source, one.cleared_us, one.heard_us, one.last_us) == ("derived", us(9), us(6), us(5))
        assert (one.acknowledged_us, one.answered_us, one.response_s, one.lead_s) == (None,) * 4


class TestRates:
    @staticmethod
    def at(*minutes: float) -> Any:
        return np.array([us(60 * each) for each in minutes], np.int64)

    def test_eleven_in_ten_minutes_are_a_flood_and_floods_that_touch_are_one(self) -> None:
        assert floods(self.at(*range(10)), 10, 600.0) == []
        assert floods(self.at(*[0] * 10, 10), 10, 600.0) == []
        (one,) = floods(self.at(*[0] * 10, 9.99), 10, 600.0)
        assert (one.started_us, one.ended_us, one.most) == (0, us(599.4), 11)
        (joined,) = floods(self.at(*[0] * 11, 5, *[9] * 3), 10, 600.0)
        assert (joined.started_us, joined.ended_us, joined.most) == (0, us(540), 15)
        first, second = floods(self.at(*[0] * 11, *[30] * 11), 10, 600.0)
        assert (first.ended_us, second.started_us) == (0, us(1800))

    def test_how_many_came_in_a_minute_ten_and_an_hour(self) -> None:
        rates = alarm_rates(self.at(0, 0.5, 1, 9.99, 10, 59.99, 60), 0, us(600))
        assert rates == AlarmRates(7, 7.0, 2, 4, 6)
        assert alarm_rates(self.at(0), 0, us(600) - 1).mean_in_ten_minutes is None
        assert alarm_rates(self.at(), 0, us(1200)) == AlarmRates(0, 0.0, 0, 0, 0)

    def test_the_published_limits(self) -> None:
        assert AlarmRates(0, 1.0, 2, 10, 15).beyond == ()
        assert len(AlarmRates(0, 1.01, 3, 11, 16).beyond) == 4
        assert AlarmRates(0, None, 3, 10, 15).beyond == ("more than 2 in a minute",)


def test_what_each_kind_of_alarm_is() -> None:
    assert GRAVEST == ("distress", "no_motion")
    told = {
        name: [flag for flag in ("in_readings", "alone", "about_the_set", "own_state") if getattr(kind, flag)]
        for name, kind in KINDS.items()
    }
    assert told == {
        "distress": ["alone", "own_state"],
        "no_motion": ["in_readings", "alone", "own_state"],
        "no_motion_prealarm": ["in_readings"],
        "low_air": ["in_readings", "alone", "own_state"],
        "heat": ["in_readings", "alone"],
        "evacuate": ["alone"],
        "fault": ["alone", "about_the_set"],
        "battery": ["about_the_set"],
    }
