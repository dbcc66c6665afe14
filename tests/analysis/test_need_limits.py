"""Who needs attention, why and in which order, of rows by hand, at both sides of each limit. Our own rules.

Now is second 1000.
"""

from __future__ import annotations

import math
from typing import Any

import pytest

from analysis.live.attention import in_order_of_need, judge, rows_of_alarms_alone, team_rows
from analysis.live.outlook import minutes_to_empty
from analysis.live.rows import AlarmLine, Interval, Lost, Reason, Row, Team
from analysis.profile import Profile

NOW_S = 1000.0


def ahead(low: float) -> Interval:
    return Interval(low + 2, low, low + 4)


def row(key: str = "S-1", **more: Any) -> Row:
    named: dict[str, Any] = {"wearer_id": "W-1", "team": "T-1", "incident_id": "I-1", "low_air_bar": 55.0}
    return Row(**{"key": key, "set_id": key, **named, **more})


def heard(key: str = "S-1", **more: Any) -> Row:
    """Give the row of somebody tallied in and under air."""
    named: dict[str, Any] = {"started_at": 100.0, "tallied_in_at": 90.0, "cylinder_known": True}
    return row(key, **{**named, "pressure_bar": 200.0, "pressure_at": 999.0, **more})


def words_of(one: Row) -> str:
    """Give the class of attention, then each reason with its moment."""
    reasons = [
        each.code
        + ("" if each.since_at is None else f" {each.since_at:g}")
        + (f" ({each.who})" if each.who else "")
        for each in one.reasons
    ]
    return f"{one.attention}: {', '.join(reasons)}" if reasons else one.attention


def told(one: Row, **alarms: float) -> str:
    return words_of(judge(one, alarms, NOW_S))


class TestJudge:
    def test_whoever_breathes_and_is_tallied_in_is_under_air(self) -> None:
        assert told(heard()) == "under_air"
        assert told(heard(tallied_in_at=None)) == "under_air: no_tally"
        closed = (Reason("incident_closed", 5.0),)
        assert told(heard(tallied_in_at=None, reasons=closed)) == "under_air: incident_closed 5"
        assert told(heard(cylinder_known=False)) == "under_air: no_setup"
        assert told(heard(tallied_out_at=500.0)) == "under_air: tallied_out 500"
        assert told(heard(tallied_out_at=500.0, settled=True)) == "under_air: settled_breathing 500"
        silent = heard(tallied_out_at=500.0, silent_since_at=500.0)
        assert told(silent) == "silent: silent 500, out_silent 500"
        later = heard(tallied_out_at=500.0, silent_since_at=501.0)
        assert told(later) == "silent: silent 501, tallied_out 500"

    def test_whoever_has_no_air_yet_or_came_out(self) -> None:
        assert told(row(tallied_in_at=90.0)) == "no_air_yet: no_air_yet 90"
        assert told(row(tallied_out_at=95.0)) == "no_air_yet: out_unheard 95"
        assert told(row(ended_at=95.0, tallied_out_at=96.0)) == "valve_closed: valve_closed 95, said_out 96"

    def test_somebody_lost_comes_before_all_but_a_distress(self) -> None:
        lost = Lost("set_given", 700.0, "W-2")
        assert told(row(lost=lost, tallied_in_at=90.0)) == "not_accounted: lost_set_given 700 (W-2)"
        assert told(row(lost=lost)) == "not_accounted: lost_set_given 700 (W-2), no_tally"
        assert told(heard(lost=lost), distress=600.0) == "distress: distress 600, lost_set_given 700 (W-2)"
        past = row(lost=lost, tallied_in_at=90.0, turn_back_reached_at=400.0)
        assert told(past) == "not_accounted: lost_set_given 700 (W-2), turn_back 400"

    def test_an_alarm_of_a_life_that_nobody_has_seen_keeps_its_place(self) -> None:
        """Of four such the page counted three: "no motion", cleared and unseen, was in the last row."""
        assert told(heard(), no_motion=600.0) == "no_motion: no_motion 600"
        assert told(heard(), no_motion_ended=600.0) == "no_motion: no_motion_ended 600"
        assert told(heard(), distress_ended=600.0) == "distress: distress_ended 600"
        silent = heard(silent_since_at=900.0)
        assert told(silent, no_motion_ended=600.0) == "no_motion: no_motion_ended 600, silent 900"
        lost = heard(lost=Lost("missing", 700.0))
        assert told(lost, no_motion_ended=600.0) == "no_motion: no_motion_ended 600, lost_missing 700"

    @pytest.mark.parametrize(
        ("one", "alarms", "found"),
        [
            (heard(pressure_bar=55.0), {}, "low_air: low_air"),
            (heard(pressure_bar=55.5), {}, "under_air"),
            (heard(pressure_bar=None), {}, "under_air"),
            (heard(), {"low_air": 600.0}, "low_air: low_air 600"),
            (row(pressure_bar=50.0, by_voice=True, tallied_in_at=9.0), {}, "low_air: low_air, no_air_yet 9"),
            (row(pressure_bar=50.0, tallied_in_at=90.0), {}, "no_air_yet: no_air_yet 90"),
            (row(pressure_bar=50.0, lost=Lost("alarm_only", 7.0), tallied_in_at=9.0), {},
             "not_accounted: lost_alarm_only 7, low_air"),
            (row(pressure_bar=50.0, lost=Lost("off", 7.0), tallied_in_at=9.0), {},
             "not_accounted: lost_off 7"),
            (heard(losing_min=3.0), {}, "losing_air: losing_air"),
            (heard(), {"heat": 1.0, "evacuate": 2.0}, "other_alarm: heat 1, evacuate 2"),
        ],
    )  # fmt: skip
    def test_low_air_and_other_alarms(self, one: Row, alarms: dict[str, float], found: str) -> None:
        assert told(one, **alarms) == found

    @pytest.mark.parametrize(("low_min", "found"), [(3.0, True), (3.1, False)])
    def test_turn_back_is_due_soon_within_3_minutes(self, low_min: float, found: bool) -> None:
        one = heard(turn_back=ahead(low_min))
        assert told(one) == ("turn_back_soon: turn_back_soon" if found else "under_air")
        assert told(row(turn_back=ahead(1.0), tallied_in_at=90.0)) == "no_air_yet: no_air_yet 90"

    def test_turn_back_that_was_reached(self) -> None:
        assert told(heard(turn_back_reached_at=400.0)) == "turn_back: turn_back 400"
        by_voice = row(turn_back_reached_at=400.0, by_voice=True, tallied_in_at=90.0)
        assert told(by_voice) == "turn_back: turn_back 400, no_air_yet 90"
        out = row(turn_back_reached_at=400.0, ended_at=95.0)
        assert told(out) == "valve_closed: valve_closed 95"

    @pytest.mark.parametrize(("expected_s", "past"), [(1000.0, True), (1000.5, False)])
    def test_whoever_is_silent_is_past_turn_back_by_the_last_forecast(
        self, expected_s: float, past: bool
    ) -> None:
        silent = heard(silent_since_at=900.0, turn_back_was_expected_at=(expected_s, 2000.0))
        assert told(silent) == (
            f"silent_past: silent 900, turn_back_as_last_heard {expected_s:g}"
            if past
            else "silent: silent 900"
        )
        known = heard(
            silent_since_at=900.0, turn_back_reached_at=400.0, turn_back_was_expected_at=(500.0, 2000.0)
        )
        assert told(known) == "silent_past: silent 900, turn_back 400"

    @pytest.mark.parametrize(("expected_s", "past"), [(1000.0, True), (1000.5, False)])
    def test_whoever_is_heard_and_not_believed_is_as_last_known(self, expected_s: float, past: bool) -> None:
        low = heard(low_air_was_expected_at=(expected_s, 2000.0))
        assert told(low) == ("low_air: low_air_as_last_known 1000" if past else "under_air")
        turn = heard(turn_back_was_expected_at=(expected_s, 2000.0))
        assert told(turn) == ("turn_back: turn_back_as_last_heard 1000" if past else "under_air")
        silent = heard(low_air_was_expected_at=(expected_s, 2000.0), silent_since_at=900.0)
        assert told(silent) == "silent: silent 900"


class TestOrder:
    @staticmethod
    def keys(*rows: Row, alarms: dict[str, dict[str, float]] | None = None) -> list[str]:
        judged = [judge(one, (alarms or {}).get(one.key, {}), NOW_S) for one in rows]
        return [one.key for one in in_order_of_need(judged, {})]

    def test_who_has_the_least_left_comes_first(self) -> None:
        assert self.keys(heard("b", team=None), heard("a", team=None)) == ["a", "b"]

        def order(**fields: tuple[Any, Any, Any]) -> str:
            rows = [
                heard(key, team=None, **{name: values[number] for name, values in fields.items()})
                for number, key in enumerate("abc")
            ]
            return "".join(self.keys(*rows))

        assert order(low_air=(ahead(9), ahead(8), None)) == "bac"
        assert (
            order(turn_back=(ahead(9), ahead(8), ahead(7)), low_air=(ahead(1), ahead(2), ahead(3))) == "cba"
        )
        assert order(losing_min=(3.0, 2.0, 1.0)) == "cba"
        assert order(pressure_bar=(50.0, 40.0, 45.0)) == "bca"
        assert order(pressure_bar=(50.0, 40.0, 45.0), to_empty=(ahead(1), ahead(99), ahead(2))) == "acb"
        assert order(turn_back_reached_at=(1.0, 2.0, 3.0), low_air=(ahead(9), ahead(8), None)) == "bac"
        assert order(silent_since_at=(900.0, 800.0, 850.0)) == "bca"
        past = {"silent_since_at": (700.0, 800.0, 900.0), "turn_back_reached_at": (600.0, 500.0, 550.0)}
        assert order(**past) == "bca"

    def test_an_alarm_that_goes_on_comes_before_one_that_its_set_cleared(self) -> None:
        rows = [heard(key, team=None) for key in "abc"]
        alarms = {"a": {"distress_ended": 10.0}, "b": {"distress": 30.0}, "c": {"distress": 20.0}}
        assert self.keys(*rows, alarms=alarms) == ["c", "b", "a"]
        rows[0] = heard("a", team=None, silent_since_at=900.0)  # nobody knows whether it is over
        assert self.keys(*rows, alarms=alarms) == ["a", "c", "b"]
        rows[0] = heard("a", team=None, lost=Lost("missing", 900.0))
        assert self.keys(*rows, alarms=alarms) == ["a", "c", "b"]

    @pytest.mark.parametrize(
        ("other", "since", "found"),
        [
            ({}, {}, "turn_back: team_turn_back 400"),
            ({"started_at": 400.0}, {}, "turn_back: team_turn_back 400"),
            ({"started_at": 400.5}, {}, "under_air"),
            ({"started_at": 500.0}, {"b": 400.0}, "turn_back: team_turn_back 400"),
            ({"team": "T-2"}, {}, "under_air"),
            ({"incident_id": "I-2"}, {}, "under_air"),
            ({"service": "other"}, {}, "under_air"),
            ({"turn_back_reached_at": 400.0}, {}, "turn_back: turn_back 400"),
            ({"turn_back_reached_at": 401.0}, {}, "turn_back: turn_back 401, team_turn_back 400"),
            ({"silent_since_at": 900.0}, {}, "silent_past: silent 900, team_turn_back 400"),
            ({"turn_back": ahead(3.0)}, {}, "turn_back: team_turn_back 400"),
            ({"pressure_bar": 50.0}, {}, "low_air: low_air, team_turn_back 400"),
            ({"started_at": None}, {"b": 100.0}, "no_air_yet: no_air_yet 90"),
            ({"started_at": None, "lost": Lost("off", 9.0)}, {"b": 100.0},
             "not_accounted: lost_off 9, team_turn_back 400"),
            ({"started_at": None, "lost": Lost("off", 9.0)}, {}, "not_accounted: lost_off 9"),
        ],
    )  # fmt: skip
    def test_a_team_turns_back_with_its_first_member(
        self, other: dict[str, Any], since: dict[str, float], found: str
    ) -> None:
        first, second = (
            judge(one, {}, NOW_S) for one in (heard("a", turn_back_reached_at=400.0), heard("b", **other))
        )
        rows = {one.key: one for one in in_order_of_need([first, second], {}, since)}
        assert words_of(rows["b"]) == found
        assert words_of(rows["a"]) == "turn_back: turn_back 400"

    def test_a_moment_counts_also_when_its_member_is_out(self) -> None:
        kept = {("", "I-1", "T-1"): {350.0, 50.0}}
        (one,) = in_order_of_need([judge(heard(), {}, NOW_S)], kept)
        assert words_of(one) == "turn_back: team_turn_back 350"
        as_last_heard = heard("a", silent_since_at=900.0, turn_back_was_expected_at=(950.0, 999.0))
        both = in_order_of_need(
            [judge(as_last_heard, {}, NOW_S), judge(heard("b"), {}, NOW_S)], moments := {}
        )
        assert moments == {("", "I-1", "T-1"): {950.0}}
        assert words_of(both[1]) == "turn_back: team_turn_back 950"
        assert in_order_of_need([heard(team=None), heard(incident_id=None)], {})[0].attention == "under_air"


def team(*rows: Row) -> Team:
    (found,) = team_rows(tuple(judge(one, {}, NOW_S) for one in rows))
    return found


class TestTeams:
    def test_it_counts_its_members(self) -> None:
        found = team(
            heard("a", turn_back=ahead(9), relief_at=70.0),
            heard("b", silent_since_at=900.0, pressure_bar=90.0, turn_back_was_expected_at=(1500.0, 2000.0)),
            row("c", lost=Lost("off", 9.0), tallied_in_at=90.0, relief_at=60.0),
            row("d", tallied_in_at=90.0, pressure_bar=10.0, turn_back=ahead(1)),
            heard("e", turn_back=ahead(10)),
        )
        counts = (found.members, found.under_air, found.silent, found.not_accounted, found.turn_back_unknown)
        assert counts == (5, 3, 1, 1, 1)
        assert (found.lowest_set_id, found.lowest_wearer_id, found.lowest_bar, found.lowest_at) == (
            "b", "W-1", 90.0, 999.0
        )  # fmt: skip
        assert (found.turn_back, found.turn_back_by_at, found.turn_back_reached_at) == (
            ahead(9),
            1500.0,
            None,
        )
        assert (found.relief_at, found.attention) == (60.0, "not_accounted")

    def test_once_a_member_has_reached_it_nothing_lies_ahead(self) -> None:
        found = team(
            heard("a", turn_back_reached_at=500.0), heard("b", turn_back_reached_at=400.0),
            heard("c", turn_back=ahead(9)), heard("d", turn_back_was_expected_at=(1500.0, 1600.0)),
        )  # fmt: skip
        assert (found.turn_back, found.turn_back_by_at, found.turn_back_reached_at) == (None, None, 400.0)
        assert found.turn_back_unknown == 0
        nothing = team(row("a", tallied_in_at=90.0))
        assert (nothing.lowest_bar, nothing.turn_back_unknown, nothing.turn_back_reached_at) == (
            None,
            0,
            None,
        )

    def test_the_one_in_greatest_need_first(self) -> None:
        rows = [
            heard("a", team="calm", turn_back=ahead(30)), heard("b", team="nearer", turn_back=ahead(20)),
            heard("c", team="past", turn_back_reached_at=400.0), heard("d", team="unknown"),
            heard("e", team="low", pressure_bar=50.0), heard("f", team=None), heard("g", incident_id=None),
        ]  # fmt: skip
        judged = tuple(judge(one, {}, NOW_S) for one in rows)
        assert [one.team for one in team_rows(judged)] == ["low", "past", "nearer", "calm", "unknown"]
        two = (judge(heard("a", service="x"), {}, NOW_S), judge(heard("b", service="y"), {}, NOW_S))
        assert [one.service for one in team_rows(two, by_service=True)] == ["x", "y"]
        assert [one.service for one in team_rows(two)] == ["", ""]
        past = [judge(heard(name, team=name, turn_back_reached_at=9.0), {}, NOW_S) for name in ("y", "x")]
        assert [one.team for one in team_rows(tuple(past))] == ["x", "y"]


def line(set_id: str, alarm: str, raised_at: float, **more: Any) -> AlarmLine:
    named: dict[str, Any] = {"key": set_id, "service": "", "set_id": set_id, "wearer_id": None, "team": None}
    return AlarmLine(**{**named, "alarm": alarm, "raised_at": raised_at, "row_key": set_id, **more})


class TestAlarmsAlone:
    def test_a_set_that_gives_an_alarm_about_a_person_has_a_row(self) -> None:
        lines = [
            line("a", "distress", 30.0), line("a", "heat", 20.0), line("b", "fault", 10.0),
            line("c", "heat", 10.0), line("d", "no_motion", 30.0, ended_at=40.0, repeated=(2, 10.0)),
            line("e", "heat", 10.0, ended_at=40.0, wearer_id="W-1"),
            line("f", "heat", 10.0, wearer_id="W-2", team="T-2"),
        ]  # fmt: skip
        rows = {one.key: one for one in rows_of_alarms_alone(lines, {"c"}, 55.0)}
        assert {key: words_of(one) for key, one in rows.items()} == {
            "a": "distress: distress 30, lost_alarm_only 20, heat 20, no_tally",
            "d": "no_motion: no_motion_ended 40, lost_alarm_only 10, no_tally",
            "f": "not_accounted: lost_alarm_only 10, heat 10, no_tally",
        }
        assert (rows["f"].wearer_id, rows["f"].team, rows["f"].low_air_bar) == ("W-2", "T-2", 55.0)
        flags = ("cylinder_known", "planned", "by_voice", "settled")
        assert not any(getattr(rows["f"], name) for name in flags)  # nothing else is known of it


class TestLosingAir:
    RULES = Profile.default().air

    def minutes(self, *readings: tuple[float, float], volume_l: float | None = 10.0) -> float | None:
        return minutes_to_empty(readings, volume_l, Profile.default())

    def test_the_fall_is_measured_over_the_shortest_window_that_is_long_enough(self) -> None:
        window_s, limit = self.RULES.free_flow_s, self.RULES.free_flow_l_min
        fall_bar = limit / 10.0 * window_s / 60.0 + 1.0  # one step more, of 10 litres
        found = self.minutes((0.0, 150.0 + fall_bar), (window_s, 150.0))
        assert found == pytest.approx(145.0 * window_s / fall_bar / 60.0)
        assert self.minutes((0.0, 149.9 + fall_bar), (window_s, 150.0)) is None
        assert self.minutes((0.5, 150.0 + fall_bar), (window_s, 150.0)) is None
        assert self.minutes((-window_s, 300.0), (0.0, 150.0 + fall_bar), (window_s, 150.0)) == found
        assert self.minutes((-window_s, 300.0), (0.0, 150.0), (window_s, 150.0)) is None

    def test_the_limit_itself_is_losing_air(self) -> None:
        assert (self.RULES.free_flow_s, self.RULES.free_flow_l_min) == (8.0, 180.0)
        assert self.minutes((0.0, 154.0), (8.0, 150.0), volume_l=8.0) is not None  # 3 of 4 bar are sure
        assert self.minutes((0.0, 153.9), (8.0, 150.0), volume_l=8.0) is None

    def test_an_unknown_cylinder_is_a_usual_one(self) -> None:
        window_s, limit = self.RULES.free_flow_s, self.RULES.free_flow_l_min
        fall_bar = limit / 6.8 * window_s / 60.0 + 1.0
        assert self.minutes((0.0, 150.01 + fall_bar), (window_s, 150.0), volume_l=None) is not None
        assert self.minutes((0.0, 149.99 + fall_bar), (window_s, 150.0), volume_l=None) is None

    def test_an_empty_cylinder_loses_nothing(self) -> None:
        window_s = self.RULES.free_flow_s
        assert self.minutes() is None
        assert self.minutes((0.0, 300.0), (window_s, 5.0)) is None
        assert self.minutes((0.0, 300.0), (window_s, 5.5)) is not None
        assert not math.isnan(self.minutes((0.0, 300.0), (window_s, 6.0)) or 0.0)


def test_who_has_no_air_that_is_known_is_not_counted_as_under_air_in_the_team() -> None:
    """A silent member counted twice: "1 of 2 under air, 2 not accounted for"."""
    rows = (heard("a"), heard("b", lost=Lost("silent", 700.0), silent_since_at=700.0))
    (team,) = team_rows(rows)
    assert (team.members, team.under_air, team.not_accounted, team.silent) == (2, 1, 1, 1)
