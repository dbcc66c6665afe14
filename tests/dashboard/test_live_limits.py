"""The limits on the live page and board, in figures: when a word turns bad, when a row moves, what counts."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from msgspec.structs import replace

from analysis.live.attention import in_order_of_need, judge, team_rows
from analysis.live.came_out import with_rests
from analysis.live.hearing import HeardSoFar
from analysis.live.outlook import minutes_to_empty
from analysis.live.rows import (
    AlarmLine,
    Interval,
    Lost,
    NoteLine,
    OrderLine,
    Out,
    Reason,
    RollCallLine,
    Row,
    StandbyLine,
    Team,
)
from analysis.profile import Profile
from dashboard.live.display import STANDARD, Display, display_of
from dashboard.live.feed import ListenerClock
from dashboard.live.side_view import (
    evacuations,
    in_order,
    note_view,
    out_view,
    roll_view,
    team_view,
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


class TestSide:
    @staticmethod
    def team(**change: Any) -> Team:
        given: dict[str, Any] = {
            "team": "Alder", "incident_id": "I-1", "members": 2, "under_air": 2, "silent": 0,
            "attention": "under_air",
            "lowest_set_id": "S-1", "lowest_wearer_id": "W-1", "lowest_bar": 150.0, "lowest_at": NOW,
            "turn_back": None, "turn_back_reached_at": None,
        }  # fmt: skip
        return Team(**(given | change))

    def test_the_soonest_turn_back_counts_silent_members_as_last_heard(self) -> None:
        ahead = Interval(10.0, 5.0, 15.0)

        def left(**change: Any) -> str:
            return str(team_view(self.team(**change), NOW, STANDARD)["left"])

        assert "in 10 min" in left(turn_back=ahead)
        assert "10:35" in left(turn_back=ahead, turn_back_by_at=NOW + 300.0)
        assert "in 10 min" in left(turn_back=ahead, turn_back_by_at=NOW + 301.0)
        assert "10:45" in left(turn_back_by_at=NOW + 900.0)
        assert left(turn_back=ahead, turn_back_reached_at=NOW - 65.0).endswith("1:05")
        unknown = team_view(self.team(), NOW, STANDARD)
        assert unknown["known"] is False
        assert unknown["left"] == left(turn_back_unknown=1)
        assert left(turn_back=ahead, turn_back_unknown=1) != left(turn_back=ahead)

    def test_two_sets_that_say_evacuate_are_one_line(self) -> None:
        assert evacuations([ALARM], NOW, STANDARD) == ([ALARM], [])
        other = replace(ALARM, set_id="S-2", wearer_id="W-2", seen_at=NOW - 5, acknowledged_at=NOW - 9)
        ended = replace(ALARM, set_id="S-3", ended_at=NOW)
        single, (both,) = evacuations([ALARM, other, ended], NOW, STANDARD)
        assert single == [ended]
        assert both["new"] is True
        assert both["several"] == [{"service": "trial", "set_id": "S-1"}]
        assert "1 of 2" in both["state"]
        _, (on, over) = evacuations([ALARM, other, ended, replace(ended, key="c")], NOW, STANDARD)
        assert over["key"] == f"{on['key']}/over"
        assert (on["ended"], over["ended"], len(over["several"])) == (False, True, 2)
        _, (seen,) = evacuations([replace(ALARM, seen_at=NOW), other], NOW, STANDARD)
        assert seen["new"] is False

    def test_unseen_then_still_on_then_gravest_then_oldest(self) -> None:
        def one(
            key: str, a: str = "distress", new: bool = True, ended: bool = False, raised: float = 1.0
        ) -> dict[str, Any]:
            return {"key": key, "a": a, "new": new, "ended": ended, "raised": raised}

        given = [
            one("seen", new=False), one("ended", ended=True), one("low", a="low_air", raised=0.0),
            one("later", raised=2.0), one("first"),
        ]  # fmt: skip
        assert [each["key"] for each in in_order(given)] == ["first", "later", "low", "ended", "seen"]

    @pytest.mark.parametrize(
        ("given_s", "waiting", "noted_s", "late", "new"),
        [
            (30.0, True, None, False, False),
            (30.1, True, None, True, True),
            (300.0, False, None, False, False),
            (100.0, True, 69.9, True, False),  # seen after it was late
            (100.0, True, 70.1, True, True),  # "seen" said before it was late
        ],
    )
    def test_an_order_unanswered_for_half_a_minute_sounds(
        self, given_s: float, waiting: bool, noted_s: float | None, late: bool, new: bool
    ) -> None:
        order = OrderLine(
            key="k", incident_id="I-1", order="evacuate", team=None, set_id=None, text=None,
            given_at=NOW - given_s,
            desk_id="D-1", meant=1, acknowledged=0, out=0, waiting=("trial/S-1",) if waiting else (),
        )  # fmt: skip
        notes = ()
        if noted_s is not None:
            notes = (replace(NOTE, at=NOW - noted_s, text="Seen: order unanswered"),)
        (line,) = picture(ROW, orders=(order,), notes=notes)["orders"]
        assert (line["late"], line["new"]) == (late, new)
        assert line["own"] is False
        other = tuple(replace(note, incident_id="I-2") for note in notes)
        (line,) = picture(ROW, orders=(order,), notes=other, system=replace(SYSTEM, desk_id="D-1"))["orders"]
        assert (line["new"], line["own"]) == (late, True)

    @pytest.mark.parametrize(("noted_s", "new"), [(300.0, False), (300.1, True), (1.0, False)])
    def test_losing_air_sounds_again_five_minutes_after_it_was_seen(self, noted_s: float, new: bool) -> None:
        losing = replace(ROW, losing_min=2.0)
        note = replace(NOTE, at=NOW - noted_s, text="Seen: losing air", set_id="S-1")
        (line,) = picture(losing, notes=(note,))["alarms"]
        assert line["new"] is new
        (line,) = picture(losing, notes=(replace(note, set_id="S-2", at=NOW),))["alarms"]
        assert line["new"] is True

    def test_missing_ones_come_first_at_a_roll_call(self) -> None:
        answers = (
            ("W-1", "S-1", "Alder", "answered"), ("W-2", "S-2", "Alder", "called"),
            ("W-3", "S-3", None, "missing"), ("W-4", "S-4", "Birch", "answered"),
        )  # fmt: skip
        shown = roll_view(RollCallLine("k", "I-1", "R-1", NOW - 90, answers, None), NOW, STANDARD)
        assert [one["key"] for one in shown["answers"]] == ["team Alder", "W-3", "W-2", "W-1", "W-4"]
        assert "2 of 4 answered, 1 missing" in shown["text"]
        assert shown["text"].endswith("1:30")
        done = roll_view(RollCallLine("k", "I-1", "R-1", NOW - 90, answers[:1], NOW - 30), NOW, STANDARD)
        assert (shown["complete"], done["complete"]) == (False, True)
        assert done["text"].endswith("1:00")

    def test_a_set_without_a_tally_is_called_and_has_nobody_to_tick(self) -> None:
        answers = (("W-1", "S-1", "Alder", "answered"), (None, "S-4", None, "no_tally"))
        first, _ = roll_view(RollCallLine("k", "I-1", "R-1", NOW, answers, None), NOW, STANDARD)["answers"]
        assert (first["key"], first["who"]) == ("set S-4", "Set S-4")
        assert (first["state"], first["what"]) == ("not tallied in", "")

    def test_who_came_out_with_what(self) -> None:
        text = out_view(OUT, STANDARD)["text"]
        assert "80 bar" in text
        assert "21 min" in text
        never = replace(OUT, pressure_bar=None, pressure_at=None, under_air_s=None, heard_at_exit=False)
        assert out_view(never, STANDARD)["text"].endswith(
            "never heard under air, 21 min inside, no rest rule applies"
        )
        unheard = replace(OUT, heard_at_exit=False, pressure_at=NOW - 660, under_air_s=600.0)
        text = out_view(unheard, STANDARD)["text"]
        assert "80 bar as last heard 10:19:00, heard under air for 10 of 21 min inside" in text
        assert "80 bar by voice 10:19:00" in out_view(replace(unheard, by_voice=True), STANDARD)["text"]
        rest = out_view(replace(OUT, rest_until_at=NOW + 600, rest_source="a rule"), STANDARD)["text"]
        assert "10:40" in rest
        assert "a rule" in rest

    def test_nobody_who_was_never_heard_nor_said_to_be_out_is_at_rest(self) -> None:
        """Of who is perhaps inside, "rest until 02:10" would say that somebody saw them come out."""
        unsaid = replace(OUT, ended_how="incident_closed", inside_s=6 * 3600.0, heard_at_exit=False)
        (heard,) = with_rests([unsaid], PROFILE.rest)
        assert heard.rest_until_at is not None  # its minutes under air are known to have been work
        (never,) = with_rests([replace(unsaid, under_air_s=None, pressure_bar=None)], PROFILE.rest)
        assert never.rest_until_at is None
        assert out_view(never, STANDARD)["text"].endswith("never heard under air, 360 min inside")

    @pytest.mark.parametrize(
        ("due_s", "said"),
        [
            (60.0, "next team ready by 10:31"),
            (0.0, "next team due now, past 0:00"),
            (-125.0, "next team due now, past 2:05"),
        ],
    )
    def test_a_next_team_that_is_overdue_says_for_how_long(self, due_s: float, said: str) -> None:
        shown = team_view(self.team(relief_at=NOW + due_s), NOW, STANDARD)
        assert shown["members"].endswith(f" · {said}")
        (row,) = picture(replace(ROW, relief_at=NOW + due_s))["rows"]
        assert row["soon"] == said
        (row,) = picture(replace(ROW, relief_at=None))["rows"]
        assert row["soon"] == ""

    def test_an_estimated_moment_says_so(self) -> None:
        assert note_view(NOTE, STANDARD)["at"] == "10:30:00"
        assert note_view(replace(NOTE, certainty="estimated"), STANDARD)["at"] != "10:30:00"


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
