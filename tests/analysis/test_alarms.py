"""Alarms: messages to intervals under loss and reorder, the same from the data, matched, seen, answered."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest

from analysis.alarms.derived import still_from_motion
from analysis.alarms.rates import floods
from analysis.findings.alarms import warning_verdict
from analysis.incident import analyse
from analysis.profile import Profile
from analysis.records import runs_of

PROFILE = Profile.default()


def worn(log: Any, **options: Any) -> Any:
    """Return a set that was under air from 60 s to 960 s, from 300 to 219 bar, always moving."""
    talker = log.talker("S-1")
    talker.set_up(0)
    talker.breathe(60, 900, **options)
    return talker


def alarms_of(log: Any) -> list[dict[str, Any]]:
    return analyse(log.frames(), PROFILE)["alarms"].to_dicts()


ABOUT_ALARMS = ("alarm", "warning", "raise_inferred", "clear_not_heard")


def findings_of(log: Any) -> dict[str, dict[str, Any]]:
    """Return the findings by code; a sentence about an alarm says who says so: the set, or its readings."""
    found = {row["code"]: row for row in analyse(log.frames(), PROFILE)["findings"].to_dicts()}
    for code, row in found.items():
        if any(about in code for about in ABOUT_ALARMS):
            assert "(reported)" in row["statement"] or "(derived)" in row["statement"], row["statement"]
    return found


def after(log: Any, moment: Any) -> float:
    return (moment - log.at(0)).total_seconds()


class TestReported:
    def test_whole_life(self, log: Any) -> None:
        talker = worn(log)
        for true_s, state in ((300, "raised"), (312, "acknowledged"), (340, "cleared")):
            talker.say(true_s, "alarm", alarm="distress", state=state)
        (alarm,) = alarms_of(log)
        times = [after(log, alarm[name]) for name in ("raised", "acknowledged", "cleared")]
        assert times == pytest.approx([300, 312, 340], abs=0.2)
        assert alarm["response_s"] == pytest.approx(12, abs=0.01)
        assert (alarm["source"], alarm["wear_id"], alarm["seen"]) == ("reported", "S-1/1/1", None)

    def test_two_in_a_row_and_two_kinds_at_once(self, log: Any) -> None:
        talker = worn(log)
        for true_s, name, state in (
            (300, "distress", "raised"),
            (305, "fault", "raised"),
            (310, "distress", "cleared"),
            (400, "distress", "raised"),
            (405, "fault", "cleared"),
            (410, "distress", "cleared"),
        ):
            talker.say(true_s, "alarm", alarm=name, state=state)
        found = [(alarm["alarm"], round(after(log, alarm["raised"]))) for alarm in alarms_of(log)]
        assert found == [("distress", 300), ("fault", 305), ("distress", 400)]

    def test_repeated_raise_is_one_alarm(self, log: Any) -> None:
        # BS 8608:2014 5 (as quoted): on failure a distress is repeated at randomised intervals.
        talker = worn(log)
        for true_s in (300, 304, 309, 317):
            talker.say(true_s, "alarm", alarm="distress", state="raised")
        (alarm,) = alarms_of(log)
        assert after(log, alarm["raised"]) == pytest.approx(300, abs=0.2)

    def test_lost_raise_is_inferred_and_said(self, log: Any) -> None:
        talker = worn(log)
        talker.say(300, "alarm", alarm="distress", state="raised", lost=True)
        talker.say(320, "alarm", alarm="distress", state="acknowledged")
        (alarm,) = alarms_of(log)
        assert after(log, alarm["raised"]) == pytest.approx(320, abs=0.2)
        assert alarm["response_s"] is None  # nobody knows how long it had been standing
        assert "never heard" in findings_of(log)["raise_inferred"]["statement"]

    def test_lost_clear_leaves_it_open(self, log: Any) -> None:
        talker = worn(log)
        talker.say(300, "alarm", alarm="distress", state="raised")
        talker.say(330, "alarm", alarm="distress", state="cleared", lost=True)
        assert alarms_of(log)[0]["cleared"] is None

    def test_clear_without_raise_is_an_alarm_only_when_messages_were_lost(self, log: Any) -> None:
        talker = worn(log)
        talker.say(300, "alarm", alarm="fault", state="cleared")
        assert alarms_of(log) == []
        talker.say(310, "alarm", alarm="fault", state="raised", lost=True)
        talker.say(320, "alarm", alarm="fault", state="cleared")
        (alarm,) = alarms_of(log)
        assert after(log, alarm["cleared"]) == pytest.approx(320, abs=0.2)

    def test_any_order_of_arrival_gives_the_same(self, log: Any) -> None:
        talker = worn(log)
        delays = {300.0: 9.0, 312.0: 0.1, 340.0: 4.0}
        talker.delay = lambda true_s: delays.get(true_s, 0.05)
        for true_s, state in ((300.0, "raised"), (312.0, "acknowledged"), (340.0, "cleared")):
            talker.say(true_s, "alarm", alarm="distress", state=state)
        messages = log.frames()
        expected = analyse(messages, PROFILE)["alarms"]
        turned = {kind: frame.reverse() for kind, frame in messages.items()}
        assert analyse(turned, PROFILE)["alarms"].equals(expected)
        assert after(log, expected["raised"][0]) == pytest.approx(300, abs=0.2)

    def test_heard_twice_counts_once(self, log: Any) -> None:
        talker = worn(log)
        talker.say(300, "alarm", alarm="distress", state="raised")
        log.extra += [one for true_s, one in log.heard() if true_s == 300 and b"alarm" in one.payload]
        assert len(alarms_of(log)) == 1

    def test_retained_copies_open_and_close_nothing(self, log: Any) -> None:
        talker = worn(log)
        talker.say(300, "alarm", alarm="distress", state="raised", retained=True)
        assert alarms_of(log) == []

    def test_power_up_ends_what_stands(self, log: Any) -> None:
        talker = worn(log)
        talker.say(300, "alarm", alarm="distress", state="raised")
        again = log.talker("S-1", boot=2)
        again.say(1100, "alarm", alarm="distress", state="raised")
        assert [alarm["cleared"] for alarm in alarms_of(log)] == [None, None]


class TestSeen:
    def test_the_first_seen_counts_and_answers(self, log: Any) -> None:
        talker, desk = worn(log), log.desk()
        talker.say(300, "alarm", alarm="distress", state="raised")
        for true_s in (318, 330):
            desk.say(true_s, "seen", set_id="S-1", alarm="distress")
        talker.say(345, "alarm", alarm="distress", state="acknowledged")
        (alarm,) = alarms_of(log)
        assert after(log, alarm["seen"]) == pytest.approx(318, abs=0.2)
        assert alarm["response_s"] == pytest.approx(18, abs=0.01)

    def test_it_belongs_to_the_latest_raise(self, log: Any) -> None:
        talker, desk = worn(log), log.desk()
        for true_s, state in ((300, "raised"), (310, "cleared"), (400, "raised"), (410, "cleared")):
            talker.say(true_s, "alarm", alarm="fault", state=state)
        desk.say(420, "seen", set_id="S-1", alarm="fault")
        assert [alarm["seen"] is None for alarm in alarms_of(log)] == [True, False]

    def test_closing_an_alarm_with_a_word_answers_it(self, log: Any) -> None:
        one = log.talker("S-1")
        one.set_up(0)
        one.breathe(20, 600)
        one.say(300, "alarm", alarm="distress", state="raised")
        one.say(390, "alarm", alarm="distress", state="cleared")
        desk = log.desk()
        desk.say(
            320, "resolved", incident_id="I-1", set_id="S-1", alarm="distress", text="pressed by mistake"
        )
        (alarm,) = alarms_of(log)
        assert (after(log, alarm["seen"]), alarm["response_s"]) == pytest.approx((320, 20), abs=0.2)
        assert "alarm_unanswered" not in analyse(log.frames(), PROFILE)["findings"]["code"].to_list()

    def test_seen_of_nothing_or_of_another_kind_is_left_out(self, log: Any) -> None:
        talker, desk = worn(log), log.desk()
        desk.say(250, "seen", set_id="S-1", alarm="fault")
        talker.say(300, "alarm", alarm="fault", state="raised")
        desk.say(320, "seen", set_id="S-1", alarm="heat")
        assert alarms_of(log)[0]["seen"] is None


class TestDerived:
    def test_low_air_with_lead(self, log: Any) -> None:
        talker = worn(log, start_bar=120.0)
        at_s = 60 + np.ceil((120.0 - 55.5) / 0.09)  # the first reading that rounds to 55 bar
        talker.say(at_s + 7, "alarm", alarm="low_air", state="raised")
        (alarm,) = alarms_of(log)
        assert alarm["source"] == "both"
        assert alarm["lead_s"] == pytest.approx(7.0, abs=1.1)

    def test_low_air_that_the_set_never_raised(self, log: Any) -> None:
        worn(log, start_bar=120.0)
        (alarm,) = alarms_of(log)
        assert (alarm["alarm"], alarm["source"], alarm["lead_s"]) == ("low_air", "derived", None)
        assert findings_of(log)["alarm_not_raised"]["severity"] == "serious"

    def test_low_air_without_the_data(self, log: Any) -> None:
        worn(log).say(400, "alarm", alarm="low_air", state="raised")
        (alarm,) = alarms_of(log)
        assert alarm["source"] == "reported"
        assert "set's threshold is 55 bar" in findings_of(log)["alarm_without_data"]["statement"]

    def test_what_the_data_never_show_is_said_once_a_wear_and_kind_however_often_it_came(
        self, log: Any
    ) -> None:
        talker = worn(log)
        for true_s in range(200, 700, 60):
            for name in ("no_motion", "low_air"):
                talker.say(true_s, "alarm", alarm=name, state="raised")
                talker.say(true_s + 4, "alarm", alarm=name, state="cleared")
        found = analyse(log.frames(), PROFILE)["findings"]
        found = found.filter(pl.col("code") == "alarm_without_data")
        moments = f"9 times from {log.at(200):%H:%M:%S} UTC to {log.at(680):%H:%M:%S} UTC, but"
        low, still = sorted(found["statement"])
        assert f"low-air warning (reported) {moments} at the first the pressure was" in low
        assert f"no-motion alarm (reported) {moments} its motion readings show no such" in still
        assert found["severity"].to_list() == ["caution", "caution"]
        assert [len(evidence) for evidence in found["evidence"]] == [8, 8]
        assert (found["ended"] - found["started"]).dt.total_seconds().to_list() == [484, 484]

    def test_raised_again_while_it_still_stands_is_not_without_data(self, log: Any) -> None:
        talker = worn(log, start_bar=120.0)
        for true_s, state in (
            (780, "raised"),
            (800, "cleared"),
            (810, "raised"),
            (880, "cleared"),
            (890, "raised"),
        ):
            talker.say(true_s, "alarm", alarm="low_air", state=state)
        assert [alarm["source"] for alarm in alarms_of(log)] == ["both", "reported", "reported"]
        assert {"alarm_without_data", "alarm_not_raised"}.isdisjoint(findings_of(log))

    def test_motionless_is_counted_from_the_last_motion(self, log: Any) -> None:
        worn(log, motion=lambda t: 0.05 if 400 < t <= 455 else 1.2)
        found = {alarm["alarm"]: alarm for alarm in alarms_of(log)}
        assert after(log, found["no_motion_prealarm"]["raised"]) == pytest.approx(420.1, abs=0.2)
        assert after(log, found["no_motion"]["raised"]) == pytest.approx(430.1, abs=0.2)
        assert after(log, found["no_motion"]["cleared"]) == pytest.approx(456.1, abs=0.2)

    def test_motionless_from_the_motion_alone(self, log: Any) -> None:
        talker = log.talker("S-1")
        talker.set_up(0)
        for second in range(60, 300):
            talker.say(second, "pressure", pressure_bar=300.0 - 0.09 * second)
            talker.say(second + 0.1, "motion", motion_m_s2=0.1 if 150 < second <= 200 else 1.0)
        found = {alarm["alarm"]: after(log, alarm["raised"]) for alarm in alarms_of(log)}
        assert found == {
            "no_motion_prealarm": pytest.approx(170.1, abs=0.2),
            "no_motion": pytest.approx(180.1, abs=0.2),
        }

    def test_silence_is_no_stillness(self, log: Any) -> None:
        worn(log, silent=(400.0, 470.0))
        assert alarms_of(log) == []

    def test_heat_by_the_sets_own_threshold(self, log: Any) -> None:
        talker = worn(log, temperature=lambda t: 160.0 if 500 <= t < 560 else 30.0)
        talker.say(503.3, "alarm", alarm="heat", state="raised")
        (alarm,) = alarms_of(log)
        assert (alarm["alarm"], alarm["source"]) == ("heat", "both")
        assert alarm["lead_s"] == pytest.approx(3.1, abs=0.1)

    def test_heat_about_its_threshold_is_one_alarm(self, log: Any) -> None:
        worn(log, temperature=lambda t: 150.0 + (2.0 if int(t) % 2 else -2.0) if 500 <= t < 560 else 30.0)
        assert [alarm["alarm"] for alarm in alarms_of(log)] == ["heat"]

    def test_battery_by_the_profile(self, log: Any) -> None:
        worn(log).say(300, "power", state="on", battery_fraction=0.1)
        assert [(alarm["alarm"], alarm["source"]) for alarm in alarms_of(log)] == [("battery", "derived")]

    def test_a_condition_that_the_set_answers_in_its_own_way_is_not_listed_twice(self, log: Any) -> None:
        talker = worn(log, motion=lambda t: 0.05 if 400 < t <= 455 else 1.2)
        for true_s, name, state in (
            (420.6, "no_motion_prealarm", "raised"),
            (430.6, "no_motion_prealarm", "cleared"),
            (430.6, "no_motion", "raised"),
            (450, "no_motion", "acknowledged"),
            (457, "no_motion", "cleared"),
        ):
            talker.say(true_s, "alarm", alarm=name, state=state)
        assert [(alarm["alarm"], alarm["source"]) for alarm in alarms_of(log)] == [
            ("no_motion_prealarm", "both"),
            ("no_motion", "both"),
        ]
        assert {"alarm_not_raised", "alarm_without_data", "alarm_unanswered"}.isdisjoint(findings_of(log))


class TestAnswers:
    def test_late_answer_is_serious(self, log: Any) -> None:
        talker = worn(log)
        talker.say(300, "alarm", alarm="distress", state="raised")
        talker.say(341, "alarm", alarm="distress", state="acknowledged")
        finding = findings_of(log)["alarm_unanswered"]
        assert finding["severity"] == "serious"
        assert "after 41 s; the profile allows 30 s" in finding["statement"]

    def test_never_answered(self, log: Any) -> None:
        worn(log).say(300, "alarm", alarm="no_motion", state="raised")
        assert "was never acknowledged at the set" in findings_of(log)["alarm_unanswered"]["statement"]

    def test_over_before_anybody_had_to(self, log: Any) -> None:
        talker = worn(log)
        talker.say(300, "alarm", alarm="distress", state="raised")
        talker.say(310, "alarm", alarm="distress", state="cleared")
        assert "alarm_unanswered" not in findings_of(log)

    def test_a_lost_message_may_have_been_the_alarm(self, log: Any) -> None:
        worn(log, start_bar=120.0, silent=(770.0, 772.0))
        finding = findings_of(log)["alarm_not_raised"]
        assert finding["severity"] == "note"
        assert "6 messages of the set near it were never heard" in finding["statement"]


class TestWarningBand:
    @pytest.mark.parametrize(("at_s", "word"), [(60 + 578, None), (60 + 740, None), (60 + 860, "late")])
    def test_verdict_of_the_first_reading(self, log: Any, at_s: float, word: str | None) -> None:
        # 120 bar falling at 0.09 bar/s: 68 bar after 578 s (early, with the data later), 53 bar, 43 bar
        talker = worn(log, start_bar=120.0)
        talker.say(at_s, "alarm", alarm="low_air", state="raised")
        finding = findings_of(log).get("warning_out_of_band")
        if at_s == 60 + 578:
            assert finding is not None
            assert "came early: at 68 bar" in finding["statement"]
        elif word is None:
            assert finding is None
        else:
            assert finding is not None
            assert finding["severity"] == "caution"
            assert "came late: at 43 bar" in finding["statement"]

    def test_borders(self) -> None:
        found = [warning_verdict(bar, 55.0, 5.0, 5.0) for bar in (49.9, 50.0, 60.0, 60.1)]
        assert found == ["late", "in band", "in band", "early"]


class TestFloods:
    def test_floods_join_and_count(self) -> None:
        minute = 60_000_000
        calm = np.arange(10) * minute
        busy = 100 * minute + np.arange(14) * (minute // 2)
        (flood,) = floods(np.concatenate([busy, calm]), 10, 600.0)
        assert (flood.started_us, flood.most) == (100 * minute, 14)

    def test_flood_reaches_the_table_and_the_findings(self, log: Any) -> None:
        talker = worn(log)
        for number in range(11):
            talker.say(300 + 2 * number, "alarm", alarm="fault", state="raised")
            talker.say(301 + 2 * number, "alarm", alarm="fault", state="cleared")
        results = analyse(log.frames(), PROFILE)
        assert results["floods"]["alarms"].to_list() == [11]
        assert results["findings"].filter(pl.col("code") == "alarm_flood").height == 1


def test_runs_of() -> None:
    flags = np.array([True, False, True, True, False, True])
    assert runs_of(flags) == [(0, 1), (2, 4), (5, 6)]
    assert runs_of(np.zeros(4, dtype=bool)) == []
    assert runs_of(np.ones(4, dtype=bool)) == [(0, 4)]
    assert runs_of(np.zeros(0, dtype=bool)) == []


def test_stillness_starts_again_after_silence() -> None:
    at_us = np.array([0, 1, 2, 3, 20, 21, 22]) * 1_000_000
    motion = np.array([1.0, 0.1, 0.1, 0.1, 0.1, 0.1, np.nan])
    assert still_from_motion(at_us, motion, 0.35).tolist() == [0, 1, 2, 3, 0, 1, 0]
