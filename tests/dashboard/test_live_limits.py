"""The limits on the live page and board, in figures: when a word turns bad, when a row moves, what counts."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from msgspec.structs import replace

from analysis.live.attention import in_order_of_need, judge, team_rows
from analysis.live.hearing import HeardSoFar
from analysis.live.outlook import minutes_to_empty
from analysis.live.rows import (
    AlarmLine,
    Interval,
    Lost,
    NoteLine,
    Out,
    Reason,
    Row,
    StandbyLine,
)
from analysis.profile import Profile
from dashboard.live.display import STANDARD, Display, display_of
from dashboard.live.feed import ListenerClock
from dashboard.live.side_view import (
    out_view,
)
from dashboard.live.view import System, catching_up, lines
from ingest.status import Status
from tests.analysis.conftest import WrittenLog
from tests.dashboard.test_live_view import HEARING, NOW, ROW, SYSTEM, only, picture

PROFILE = Profile.default()
ALARM = AlarmLine(
    key="k", service="trial", set_id="S-1", wearer_id="W-1", team="Alder", alarm="evacuate",
    raised_at=NOW - 60,
)  # fmt: skip
NOTE = NoteLine("n", NOW, "x", "I-1", "D-2", None, None)
OUT = Out("I-1/W-1/1", "W-1", "S-1", "Alder", "I-1", NOW - 60, 80.0, 1260.0, NOW - 70, False, True, 1300.0)


def listener(**change: Any) -> Status:
    given = {"listener": "l", "state": "up", "at": datetime.fromtimestamp(NOW - 2, UTC), "connected": True}
    return Status(**(given | change))


def bad(system: System, hearing: Any = HEARING) -> list[str]:
    """The parts of the system line that have the sign."""
    return [part["text"] for part in picture(ROW, system=system, hearing=hearing)["system"] if part["bad"]]


class TestSystemLine:
    @pytest.mark.parametrize(("age_s", "stale"), [(15.0, False), (15.1, True)])
    def test_a_listener_is_stale_after_three_of_its_words(self, age_s: float, stale: bool) -> None:
        status = listener(at=datetime.fromtimestamp(NOW - age_s, UTC))
        shown = picture(ROW, system=replace(SYSTEM, listeners=(status,)))
        assert (shown["banner"] is not None) is stale

    def test_another_listener_that_does_not_hear_is_told_of_beside_the_best(self) -> None:
        """Of two brokers half was no longer heard, and the system line said "connected"."""

        def told(**change: Any) -> list[dict[str, Any]]:
            others = (listener(), listener(listener="van", **change))
            shown = picture(ROW, system=replace(SYSTEM, listeners=others))
            assert (shown["banner"], shown["system"][0]["text"]) == (None, "Listener and broker connected")
            return [part for part in shown["system"] if part["text"].startswith("van:")]

        died = datetime.fromtimestamp(NOW - 1080, UTC)
        assert told(at=died) == [{"text": "van: No sign of life from the listener for 18:00", "bad": True}]
        alone = {"text": "van: The listener has no connection to its broker", "bad": True}
        assert told(connected=False) == [alone]
        assert told(trouble="slow") == [{"text": "van: Listener: slow", "bad": False}]
        assert told() == told(state="stopped", at=died) == []  # somebody stopped it on purpose

    def test_the_best_listener_counts(self) -> None:
        stopped = listener(listener="old", state="down")
        assert picture(ROW, system=replace(SYSTEM, listeners=(stopped, listener())))["banner"] is None
        assert picture(ROW, system=replace(SYSTEM, listeners=(stopped,)))["banner"] is not None
        assert (
            picture(ROW, system=replace(SYSTEM, listeners=(listener(connected=False),)))["banner"] is not None
        )

    @pytest.mark.parametrize(("age_s", "silent"), [(10.0, False), (10.1, True)])
    def test_nothing_received_for_ten_seconds_while_somebody_is_under_air(
        self, age_s: float, silent: bool
    ) -> None:
        hearing = replace(HEARING, last_received_at=NOW - age_s)
        assert (picture(ROW, hearing=hearing)["banner"] is not None) is silent
        assert bool(bad(SYSTEM, hearing)) is silent
        assert picture(replace(ROW, started_at=None, ended_at=NOW - 5), hearing=hearing)["banner"] is None

    def test_each_part_that_can_be_bad(self) -> None:
        assert bad(SYSTEM) == []
        assert len(bad(replace(SYSTEM, disk_free_bytes=999_999_999))) == 1
        assert bad(replace(SYSTEM, disk_free_bytes=80_000_000_000)) == []
        assert bad(SYSTEM, replace(HEARING, delay_p95_s=5.0)) == []
        assert len(bad(SYSTEM, replace(HEARING, delay_p95_s=5.1))) == 1
        assert len(bad(SYSTEM, replace(HEARING, refused_last_hour=1, last_refusal="x"))) == 1
        assert len(bad(replace(SYSTEM, faulty=("trial/S-1",)))) == 1
        assert len(bad(replace(SYSTEM, broker_connected=False))) == 1
        assert bad(replace(SYSTEM, broker_connected=None)) == []
        assert len(bad(SYSTEM, replace(HEARING, last_received_at=None))) == 1
        ahead, behind = (bad(replace(SYSTEM, clocks_ahead_s={"l": by}))[0] for by in (7.0, -7.0))
        assert ahead != behind

    def test_the_clock_reaches_half_an_hour_ahead_and_the_scale_to_250_bar(self) -> None:
        assert picture(ROW)["ahead_s"] == 1800.0
        assert picture(ROW)["top"] == 290.0
        assert picture(replace(ROW, start_bar=200.0))["top"] == 250.0
        assert picture(replace(ROW, start_bar=None))["top"] == 250.0

    def test_catching_up_never_says_that_it_is_done(self) -> None:
        assert "99" in catching_up("t", 0.999, NOW - 60, NOW, STANDARD)["banner"]
        assert "50" in catching_up("t", 0.509, NOW - 60, NOW, STANDARD)["banner"]

    def test_lines_are_whole_seconds_and_tenths_of_a_bar(self) -> None:
        assert lines({"k": [(10.4, 100.26)]}) == {"k": [[10, 100.3]]}

    def test_several_incidents_are_named_on_each_row(self) -> None:
        other = replace(ROW, key="trial/S-2", incident_id="I-2")
        assert [row["place"] for row in picture(ROW, other)["rows"]] == ["I-1", "I-2"]
        assert only(ROW)["place"] == ""


class TestCounts:
    def test_who_is_in_by_what_is_known_of_them(self) -> None:
        """Three under air, one of them not tallied in; one without air yet; one lost; one out."""
        rows = (
            ROW,
            replace(ROW, key="2", wearer_id="W-20", tallied_in_at=None),
            replace(ROW, key="3", wearer_id="W-30", started_at=None),
            replace(ROW, key="4", wearer_id="W-40", lost=Lost("silent", NOW - 9), silent_since_at=NOW - 9),
            replace(ROW, key="5", wearer_id="W-50", started_at=None, tallied_in_at=None),
            replace(
                ROW,
                key="6",
                wearer_id="W-60",
                incident_id="I-2",
                reasons=(Reason("distress", NOW), Reason("turn_back", NOW)),
            ),
        )
        counts = [line.split(" ", 1)[0] for line in picture(*rows)["summary"][""][:7]]
        assert counts == ["5", "3", "1", "1", "1", "1", "1"]

    def test_no_emergency_team_is_said_only_while_somebody_is_in(self) -> None:
        wanted = replace(SYSTEM, standby_wanted=True)
        ready = StandbyLine("I-1", "Dogwood", "ready", NOW - 60, None)

        def said(*rows: Row, system: System = wanted, **more: Any) -> int:
            return len(picture(*rows, system=system, **more)["summary"][""])

        assert said(ROW) == 8
        assert said(ROW, system=SYSTEM) == 7
        assert said() == 7
        assert said(ROW, standby=(ready,)) == 8
        assert said(ROW, standby=(replace(ready, state="committed"),)) == 9


class TestJudge:
    @pytest.mark.parametrize(
        ("low_min", "attention"),
        [
            (3.0, "turn_back_soon"),
            (3.1, "under_air"),
        ],
    )
    def test_soon_is_three_minutes(self, low_min: float, attention: str) -> None:
        row = replace(ROW, turn_back=Interval(10.0, low_min, 15.0))
        assert judge(row, {}, NOW).attention == attention

    @pytest.mark.parametrize(("bar", "attention"), [(55.0, "low_air"), (55.1, "under_air")])
    def test_low_air_at_the_sets_own_warning(self, bar: float, attention: str) -> None:
        row = replace(ROW, pressure_bar=bar, turn_back=None)
        assert judge(row, {}, NOW).attention == attention
        assert (
            judge(replace(row, started_at=None, ended_at=NOW - 9), {"low_air": NOW - 60}, NOW).attention
            == "valve_closed"
        )

    @pytest.mark.parametrize(("expected_s", "attention"), [(0.0, "silent_past"), (1.0, "silent")])
    def test_a_silent_one_is_past_turn_back_at_the_early_end(self, expected_s: float, attention: str) -> None:
        row = replace(ROW, silent_since_at=NOW - 60, turn_back=None, pressure_bar=100.0,
                      turn_back_was_expected_at=(NOW + expected_s, NOW + 900.0))  # fmt: skip
        judged = judge(row, {}, NOW)
        assert judged.attention == attention
        assert ("turn_back_as_last_heard" in [one.code for one in judged.reasons]) is (expected_s == 0.0)
        reached = judge(replace(row, turn_back_reached_at=NOW - 5), {}, NOW)
        assert "turn_back_as_last_heard" not in [one.code for one in reached.reasons]

    def test_the_gravest_of_several_and_all_its_reasons(self) -> None:
        row = replace(ROW, lost=Lost("silent", NOW - 9), losing_min=1.0, turn_back_reached_at=NOW - 5)
        judged = judge(row, {"no_motion": NOW - 3, "heat": NOW - 2, "distress": NOW - 1}, NOW)
        assert judged.attention == "distress"
        assert [(one.code, one.since_at) for one in judged.reasons] == [
            ("distress", NOW - 1), ("no_motion", NOW - 3), ("lost_silent", NOW - 9), ("losing_air", None),
            ("turn_back", NOW - 5), ("heat", NOW - 2),
        ]  # fmt: skip

    def test_remarks(self) -> None:
        def codes(**change: Any) -> list[str]:
            return [one.code for one in judge(replace(ROW, turn_back=None, **change), {}, NOW).reasons]

        assert codes() == []
        assert codes(tallied_in_at=None) == ["no_tally"]
        assert codes(tallied_in_at=None, tallied_out_at=NOW - 5) == ["tallied_out"]
        assert codes(cylinder_known=False) == ["no_setup"]
        assert codes(started_at=None, ended_at=NOW - 5) == ["valve_closed"]
        assert codes(started_at=None) == ["no_air_yet"]

    def test_a_team_turns_back_with_its_first_member_who_was_under_air_then(self) -> None:
        first = replace(
            ROW,
            key="1",
            turn_back_reached_at=NOW - 60,
            attention="turn_back",
            reasons=(Reason("turn_back", NOW - 60),),
        )
        mate = replace(ROW, key="2", started_at=NOW - 60, reasons=(Reason("turn_back_soon"),))
        later = replace(ROW, key="3", started_at=NOW - 59)
        other = replace(ROW, key="4", team="Birch")
        rows = {row.key: row for row in in_order_of_need([later, other, mate, first], {})}
        assert list(rows)[:2] == ["1", "2"] or list(rows)[:2] == ["2", "1"]
        assert rows["2"].attention == "turn_back"
        assert [(one.code, one.since_at) for one in rows["2"].reasons] == [("team_turn_back", NOW - 60)]
        assert rows["3"].attention == rows["4"].attention == "under_air"

    def test_order_inside_one_class(self) -> None:
        near, far = (replace(ROW, key=str(n), turn_back=Interval(n, n, n)) for n in (6.0, 9.0))
        nothing = replace(ROW, key="x", turn_back=None, low_air=None)
        assert [row.key for row in in_order_of_need([nothing, far, near], {})] == ["6.0", "9.0", "x"]
        losing = [replace(ROW, key=str(n), attention="losing_air", losing_min=n) for n in (3.0, 1.0)]
        assert [row.key for row in in_order_of_need(losing, {})] == ["1.0", "3.0"]
        low = [replace(ROW, key=str(n), attention="low_air", to_empty=Interval(n, n, n)) for n in (3.0, 1.0)]
        assert [row.key for row in in_order_of_need(low, {})] == ["1.0", "3.0"]
        silent = [
            replace(ROW, key=str(n), attention="silent", reasons=(Reason("silent", n),)) for n in (3.0, 1.0)
        ]
        assert [row.key for row in in_order_of_need(silent, {})] == ["1.0", "3.0"]

    def test_the_teams_own_figures(self) -> None:
        heard = replace(ROW, pressure_bar=120.0)
        silent = replace(ROW, key="2", set_id="S-2", wearer_id="W-2", pressure_bar=80.0,
                         silent_since_at=NOW - 60,
                         turn_back=None, turn_back_was_expected_at=(NOW + 60, NOW + 90))  # fmt: skip
        unknown = replace(ROW, key="3", pressure_bar=None, turn_back=None)
        out = replace(ROW, key="4", started_at=None, pressure_bar=5.0)
        lost = replace(ROW, key="5", started_at=None, lost=Lost("empty", NOW), pressure_bar=90.0)
        (team,) = team_rows((heard, silent, unknown, out, lost))
        assert (team.members, team.under_air, team.silent, team.not_accounted) == (5, 3, 1, 1)
        assert (team.lowest_wearer_id, team.lowest_bar) == ("W-2", 80.0)
        assert team.turn_back == ROW.turn_back
        assert (team.turn_back_by_at, team.turn_back_unknown) == (NOW + 60, 1)


class TestLosing:
    """Nominal litres: 6.8 L falling by 28 bar in 8 s is (28 - 1) x 6.8 / 8 x 60 = 1377 L/min."""

    @staticmethod
    def falling(bar_s: float, seconds: int = 8, last_bar: float = 100.0) -> list[tuple[float, float]]:
        return [(float(s), last_bar + bar_s * (seconds - s)) for s in range(seconds + 1)]

    def test_minutes_at_the_present_fall(self) -> None:
        assert minutes_to_empty(self.falling(5.0), 6.8, PROFILE) == pytest.approx(95.0 / 5.0 / 60.0)
        assert minutes_to_empty(self.falling(5.0), None, PROFILE) == pytest.approx(95.0 / 5.0 / 60.0)

    def test_the_limit_is_180_litres_a_minute_less_one_step(self) -> None:
        just = (180.0 / 60.0 * 8.0 / 6.8 + 1.0) / 8.0
        assert minutes_to_empty(self.falling(just + 0.001), 6.8, PROFILE) is not None
        assert minutes_to_empty(self.falling(just - 0.001), 6.8, PROFILE) is None
        assert minutes_to_empty(self.falling(just - 0.001), 13.6, PROFILE) is not None

    def test_it_takes_eight_seconds_and_readings_of_any_distance(self) -> None:
        """A mean over a gap is the least that was lost; sets that report every 35 s never lost air."""
        assert minutes_to_empty(self.falling(5.0, 7), 6.8, PROFILE) is None
        assert minutes_to_empty([(0.0, 250.0), (35.0, 224.0)], 6.8, PROFILE) is not None
        assert minutes_to_empty([(0.0, 250.0), (300.0, 100.0)], 6.8, PROFILE) == pytest.approx(95.0 / 30.0)
        assert minutes_to_empty([(0.0, 250.0), (600.0, 100.0)], 6.8, PROFILE) is None
        assert minutes_to_empty([(0.0, 250.0), (50.0, 240.0), (60.0, 239.0)], 6.8, PROFILE) is None
        assert minutes_to_empty([], 6.8, PROFILE) is None

    def test_empty_is_five_bar(self) -> None:
        assert minutes_to_empty(self.falling(5.0, last_bar=5.0), 6.8, PROFILE) is None
        assert minutes_to_empty(self.falling(5.0, last_bar=6.0), 6.8, PROFILE) == pytest.approx(0.2 / 60.0)


class TestClocks:
    def test_the_fastest_of_the_last_three_words_tells_the_difference(self) -> None:
        clock, now = ListenerClock(), datetime.fromtimestamp(NOW, UTC)

        def hear(*ahead_s: float) -> dict[str, float]:
            nonlocal now
            for each in ahead_s:
                now += timedelta(seconds=5)
                clock.hear([listener(at=now + timedelta(seconds=each))], now, now.timestamp())
            return clock.differences_s()

        assert hear(-60.0) == {}, "of a first word it is not known when it was written"
        assert hear(-2.0) == {}
        assert hear(-2.1, -2.1) == {}
        assert hear(-2.1) == {"l": pytest.approx(-2.1)}
        assert hear(2.0) == {}
        assert clock.ahead_s() == 0.0
        assert hear(2.5) == {"l": pytest.approx(2.5)}
        assert clock.ahead_s() == pytest.approx(2.5)

    def test_a_first_word_from_the_future_counts(self) -> None:
        clock, now = ListenerClock(), datetime.fromtimestamp(NOW, UTC)
        clock.hear([listener(at=now + timedelta(seconds=3))], now, 0.0)
        assert clock.differences_s() == {"l": 3.0}

    @pytest.mark.parametrize(
        ("minutes", "known"),
        [("840", True), ("-840", True), ("855", False), ("841", False), ("15", True), ("x", False)],
    )
    def test_local_times_of_the_world(self, minutes: str, known: bool) -> None:
        found = display_of("metric", minutes)
        assert (found is not None) is known
        if found is not None:
            assert found.offset_s == 60 * int(minutes)

    def test_utc_and_local(self) -> None:
        assert STANDARD.named_clock(NOW) == "10:30:00 UTC"
        assert Display("metric", 90).named_clock(NOW) == "12:00:00 local"
        assert display_of(None, None) == STANDARD
        assert display_of("furlongs", None) is None


class TestHearing:
    def test_a_minute_and_an_hour(self) -> None:
        log = WrittenLog()
        talker = log.talker("S-1", delay=lambda at: 0.0)
        for second in range(100):
            talker.say(second, "pressure", pressure_bar=100.0)
        heard, now_s = HeardSoFar(), log.at(99).timestamp()
        heard.take(log.frames())
        told = heard.at(now_s, [0.1] * 19 + [9.0])
        assert (told.last_received_at, told.received_last_minute) == (now_s, 61)
        assert told.delay_p95_s == 0.1
        assert heard.at(now_s, [0.1] * 10 + [9.0] * 2).delay_p95_s == 9.0
        assert heard.at(now_s + 61.0, []).received_last_minute == 0
        assert heard.at(now_s, []).delay_p95_s is None


def test_who_came_out_is_named_with_the_service_where_two_use_the_name() -> None:
    """A W-1 in distress read as out: the other service's had come out."""
    inside, other = (replace(ROW, service=name, key=f"{name}/S-1") for name in ("south", "north"))
    out = replace(OUT, service="north")
    (shown,) = picture(inside, other, came_out=(out,))["out"]
    assert shown["text"].startswith("north:W-1, Team Alder out")
    (shown,) = picture(inside, came_out=(out,))["out"]
    assert shown["text"].startswith("north:W-1, Team Alder out")
    assert picture(inside, came_out=(out,))["rows"][0]["who"] == "south:W-1"
    (shown,) = picture(replace(inside, wearer_id="W-2"), came_out=(out,))["out"]
    assert shown["text"].startswith("W-1, Team Alder out")


def test_who_was_silent_when_said_to_be_out_is_not_told_to_have_been_heard_since() -> None:
    text = out_view(replace(OUT, breathes_on=True), STANDARD)["text"]
    assert "heard under air since" not in text
    assert "see the row" in text
