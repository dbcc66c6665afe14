"""The live board: who needs attention, who is silent, what is alarming, from what came before the moment."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from msgspec import to_builtins

from analysis.live.board import LiveBoard
from analysis.live.rows import Row, Snapshot
from analysis.live.set_now import ASKED_EVERY_US
from analysis.profile import POLICIES, Profile, parse_profile
from ingest.contract.frames import frames_from_heard
from sample_logs.simulation.scenario import build_incident

OPENED = datetime(2031, 5, 4, 10, 0, tzinfo=UTC)
CYLINDERS = {"count": 1, "water_volume_l": 6.8, "rated_bar": 300.0}
SETUP = {
    "cylinders": CYLINDERS,
    "low_air_bar": 55.0,
    "no_motion_prealarm_s": 20.0,
    "no_motion_alarm_s": 30.0,
    "heat_start_c": 120.0,
}


def breathe(
    talker: Any, from_s: int, to_s: int, start_bar: float = 280.0, bar_s: float = 0.11, **more: Any
) -> float:
    """Say a pressure a second, falling; return the last."""
    bar = start_bar
    for second in range(from_s, to_s):
        bar = round(start_bar - bar_s * (second - from_s))
        talker.say(second, "pressure", pressure_bar=bar, **more)
    return bar


def only(snapshot: Snapshot) -> Row:
    assert len(snapshot.rows) == 1
    return snapshot.rows[0]


def test_a_wearer_appears_at_the_tally_and_is_under_air_when_the_pressure_comes_up(
    log: Any, see: Any
) -> None:
    desk, one = log.talker("D-1", role="desk"), log.talker("S-1")
    desk.say(0, "incident", incident_id="I-1", action="open", name="Quay")
    one.say(1, "setup", retained=True, **SETUP)
    desk.say(10, "tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1", team="Alder")
    row = only(see(11))
    assert (row.attention, row.wearer_id, row.team, row.pressure_bar) == ("no_air_yet", "W-1", "Alder", None)

    for second, bar in ((20, 0.0), (21, 130.0), (22, 260.0), (23, 280.0), (24, 280.0)):
        one.say(second, "pressure", pressure_bar=bar)
    breathe(one, 25, 200)
    row = only(see(200))
    assert row.attention == "under_air"
    assert row.started_at == pytest.approx(log.at(23.05).timestamp(), abs=1.1)
    assert row.start_bar == 280.0
    assert row.low_air is not None
    assert row.low_air.low < row.low_air.median < row.low_air.high
    assert row.turn_back_bar == pytest.approx(55 + (280 - 55) / 2)  # half of the usable air
    assert row.turn_back is not None
    assert row.turn_back.median < row.low_air.median


def test_the_forecast_meets_what_a_steady_wearer_does(log: Any, see: Any) -> None:
    """Regression value: 0.11 bar/s from 280 bar is at 55 bar after 2045 s, in real-gas terms nearly so."""
    one = log.talker("S-1")
    one.say(0, "setup", retained=True, **SETUP)
    breathe(one, 1, 900)
    row = only(see(900))
    assert row.low_air is not None
    truth_min = (2045 - 900) / 60
    assert row.low_air.low < truth_min < row.low_air.high
    assert row.low_air.median == pytest.approx(truth_min, rel=0.2)


def test_three_missed_readings_make_a_set_silent_and_its_number_keeps_its_time(log: Any, see: Any) -> None:
    one = log.talker("S-1")
    one.say(0, "setup", retained=True, **SETUP)
    last = breathe(one, 1, 100)
    one.say(103, "motion", motion_m_s2=1.0)  # another kind is heard: the pressure is still missing
    assert only(see(102)).silent_since_at is None
    row = only(see(105))
    assert row.attention == "silent"
    assert row.silent_since_at == pytest.approx(log.at(99).timestamp(), abs=0.1)
    assert (row.pressure_bar, row.low_air, row.turn_back, row.fan, row.rate_l_min) == (
        last,
        None,
        None,
        (),
        None,
    )
    assert row.pressure_at == row.silent_since_at
    first_at, last_at = row.low_air_was_expected_at or (0.0, 0.0)  # as it was known when it was last heard
    assert log.at(99).timestamp() < first_at < last_at

    assert [reason.code for reason in row.reasons] == ["silent", "no_tally"]
    one.say(110, "link", state="down")
    assert "link_down" in [reason.code for reason in only(see(111)).reasons]

    breathe(one, 200, 203, start_bar=250.0)
    row = only(see(203))
    assert row.attention != "silent"
    assert row.low_air is not None


def test_a_slow_set_is_not_called_silent_at_its_own_pace(log: Any, see: Any) -> None:
    one = log.talker("S-1")
    for second in range(0, 200, 15):
        one.say(second, "pressure", pressure_bar=280 - second // 10)
    assert only(see(235)).silent_since_at is None  # 195 s + 40 s: not yet three of 15 s
    assert only(see(245)).silent_since_at is not None


def test_distress_stands_first_with_its_age_until_it_is_cleared_and_seen(log: Any, see: Any) -> None:
    calm, troubled = log.talker("S-1"), log.talker("S-2")
    for one in (calm, troubled):
        one.say(0, "setup", retained=True, **SETUP)
    breathe(calm, 1, 130, start_bar=120.0)  # past turn-back and near the warning
    breathe(troubled, 1, 130)
    troubled.say(100, "alarm", alarm="distress", state="raised")
    snapshot = see(120)
    assert [row.set_id for row in snapshot.rows] == ["S-2", "S-1"]
    assert snapshot.rows[0].attention == "distress"
    assert snapshot.rows[0].reasons[0].since_at == pytest.approx(log.at(100).timestamp(), abs=0.1)
    assert [(a.alarm, a.set_id, a.seen_at) for a in snapshot.alarms] == [("distress", "S-2", None)]

    troubled.say(125, "alarm", alarm="distress", state="cleared")
    snapshot = see(129)
    # Nobody has seen it: row and line stay, and say that the alarm is over.
    assert (snapshot.rows[0].set_id, snapshot.rows[0].reasons[0].code) == ("S-2", "distress_ended")
    assert [(a.alarm, a.ended_at is not None) for a in snapshot.alarms] == [("distress", True)]
    log.desk().say(130, "seen", set_id="S-2", alarm="distress")
    assert see(131).rows[0].set_id == "S-1"


def test_seen_is_the_desks_word_and_ends_what_is_over(log: Any, see: Any) -> None:
    one, desk = log.talker("S-1"), log.talker("D-1", role="desk")
    breathe(one, 1, 60)
    one.say(20, "alarm", alarm="no_motion", state="raised")
    desk.say(30, "seen", set_id="S-1", alarm="no_motion")
    (line,) = see(31).alarms
    assert (line.seen_by, line.ended_at) == ("D-1", None)
    assert line.seen_at == pytest.approx(log.at(30).timestamp(), abs=0.1)
    one.say(40, "alarm", alarm="no_motion", state="acknowledged")
    (line,) = see(41).alarms
    assert line.acknowledged_at is not None
    one.say(50, "alarm", alarm="no_motion", state="cleared")
    assert see(51).alarms == ()


def test_an_alarm_knows_its_incident_also_after_its_wearer_has_left(log: Any, see: Any) -> None:
    desk = log.desk()
    for number, incident_id in ((1, "FIRE"), (2, "DRILL")):
        about = {"incident_id": incident_id, "set_id": f"S-{number}", "wearer_id": f"W-{number}"}
        one = log.talker(f"S-{number}")
        breathe(one, 1, 60)
        one.say(20, "alarm", alarm="no_motion", state="raised")
        one.say(25, "alarm", alarm="no_motion", state="cleared")
        desk.say(2, "tally", action="in", **about)
        if number == 2:
            one.say(65, "pressure", pressure_bar=0.0)
            desk.say(70, "tally", action="out", **about)
    assert [row.wearer_id for row in see(80).rows] == ["W-1"]
    assert {line.wearer_id: line.incident_id for line in see(80).alarms} == {"W-1": "FIRE", "W-2": "DRILL"}


def test_a_lost_raised_is_inferred_and_a_late_double_changes_nothing(log: Any, see: Any) -> None:
    one = log.talker("S-1")
    breathe(one, 1, 60)
    one.say(20, "alarm", alarm="heat", state="raised", lost=True)
    one.say(25, "alarm", alarm="heat", state="acknowledged")
    (line,) = see(26).alarms
    assert line.inferred
    one.say(30, "alarm", alarm="heat", state="cleared")
    (line,) = see(31).alarms
    assert line.ended_at == pytest.approx(log.at(30).timestamp(), abs=0.1)
    (acknowledged,) = [heard for _, heard in log.heard() if b"acknowledged" in heard.payload]
    log.extra.append(acknowledged._replace(received=log.at(40)))  # it comes a second time
    assert [one.ended_at for one in see(41).alarms] == [line.ended_at]
    log.desk().say(42, "seen", set_id="S-1", alarm="heat")
    assert see(44).alarms == ()


def test_low_air_shows_from_the_readings_when_the_set_does_not_say_it(log: Any, see: Any) -> None:
    one = log.talker("S-1")
    one.say(0, "setup", retained=True, **SETUP)
    breathe(one, 1, 100, start_bar=60.0)
    snapshot = see(100)
    assert only(snapshot).attention == "low_air"
    assert [(a.alarm, a.derived) for a in snapshot.alarms] == [("low_air", True)]
    one.say(101, "alarm", alarm="low_air", state="raised")
    assert [(a.alarm, a.derived) for a in see(102).alarms] == [("low_air", False)]


def test_a_closed_valve_ends_the_wear_and_a_new_cylinder_begins_another(log: Any, see: Any) -> None:
    one = log.talker("S-1")
    one.say(0, "setup", retained=True, **SETUP)
    breathe(one, 1, 300)
    for second, bar in ((300, 120.0), (301, 0.0), (302, 0.0), (303, 0.0)):
        one.say(second, "pressure", pressure_bar=bar)
    assert see(304).rows == ()  # nobody tallied it in
    for second, bar in ((400, 0.0), (401, 150.0), *((second, 295.0) for second in range(402, 412))):
        one.say(second, "pressure", pressure_bar=bar)
    assert see(405).rows == ()  # an opening valve decides nothing for 8 s
    row = only(see(411))
    assert row.start_bar == 295.0
    assert row.started_at == pytest.approx(log.at(402).timestamp(), abs=1.1)


def test_one_mad_reading_is_no_new_cylinder(log: Any, see: Any) -> None:
    one = log.talker("S-1")
    breathe(one, 1, 60)
    one.say(60, "pressure", pressure_bar=12.0)
    breathe(one, 61, 90, start_bar=273.0)
    row = only(see(91))
    assert row.start_bar == 280.0
    assert row.pressure_bar is not None
    assert row.pressure_bar > 260.0


@pytest.mark.parametrize("off_s", [90.0, -3600.0, -1.9e9])
def test_a_wrong_clock_does_not_age_the_readings(log: Any, see: Any, off_s: float) -> None:
    one = log.talker("S-1", clock=lambda true_s: true_s + off_s)
    breathe(one, 1, 60)
    row = only(see(60))
    assert row.attention == "under_air"
    assert row.pressure_at == pytest.approx(log.at(59).timestamp(), abs=0.2)


def test_a_clock_that_steps_back_in_mid_wear_is_followed(log: Any, see: Any) -> None:
    one = log.talker("S-1", clock=lambda true_s: true_s - (45.0 if true_s >= 60 else 0.0))
    breathe(one, 1, 120)
    assert only(see(120)).pressure_at == pytest.approx(log.at(119).timestamp(), abs=0.2)


def test_stored_readings_count_at_the_moment_they_were_taken(log: Any, see: Any) -> None:
    held = {second: 130.0 + second / 1000 for second in range(100, 130)}
    one = log.talker("S-1", delay=lambda true_s: held.get(true_s, true_s + 0.05) - true_s)
    breathe(one, 1, 130)
    see(129.9)
    row = only(see(130.12))
    assert row.pressure_at == pytest.approx(log.at(119).timestamp(), abs=1.3)  # not "just now"


def test_retained_messages_are_knowledge_and_no_news(log: Any, see: Any) -> None:
    one = log.talker("S-1")
    one.say(0, "pressure", retained=True, pressure_bar=200.0)
    one.say(0, "alarm", retained=True, alarm="distress", state="raised")
    snapshot = see(1)
    assert (snapshot.rows, snapshot.alarms) == ((), ())


def test_who_is_under_air_without_a_tally_or_after_it_is_named(log: Any, see: Any) -> None:
    one, desk = log.talker("S-1"), log.talker("D-1", role="desk")
    breathe(one, 1, 30)
    assert "no_tally" in [reason.code for reason in only(see(20)).reasons]
    desk.say(20, "tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1")
    desk.say(25, "tally", incident_id="I-1", action="out", set_id="S-1", wearer_id="W-1")
    assert "tallied_out" in [reason.code for reason in only(see(29)).reasons]


def test_a_closed_incident_keeps_whoever_is_in_on_the_page_until_somebody_says_that_they_are_out(
    log: Any, see: Any
) -> None:
    """Mended: whoever closed the incident took a wearer that nobody had accounted for off the page."""
    desk = log.talker("D-1", role="desk")
    desk.say(0, "incident", incident_id="I-1", action="open")
    desk.say(1, "tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1")
    desk.say(2, "note", incident_id="I-1", text="Gate opened")
    snapshot = see(3)
    assert (len(snapshot.rows), len(snapshot.notes), len(snapshot.incidents)) == (1, 1, 1)
    desk.say(4, "incident", incident_id="I-1", action="close")
    snapshot = see(5)
    assert (len(snapshot.rows), snapshot.notes, snapshot.incidents) == (1, (), ())
    assert "incident_closed" in [reason.code for reason in only(snapshot).reasons]
    assert only(see(125)).attention == "not_accounted"  # never heard since
    desk.say(126, "tally", incident_id="I-1", action="out", set_id="S-1", wearer_id="W-1")
    assert see(127).rows == ()


def test_whoever_is_silent_when_the_incident_is_closed_is_not_accounted_for(log: Any, see: Any) -> None:
    talker = log.talker("S-1")
    talker.say(0, "setup", retained=True, **SETUP)
    desk = log.talker("D-1", role="desk")
    desk.say(0, "tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1")
    breathe(talker, 1, 60)
    talker.say(61, "power", state="off")
    assert only(see(70)).attention == "not_accounted"
    desk.say(71, "incident", incident_id="I-1", action="close")
    row = only(see(80))
    assert (row.attention, row.wearer_id) == ("not_accounted", "W-1")
    desk.say(90, "resolved", incident_id="I-1", set_id="S-1", text="met at the gate")
    assert see(91).rows == ()


def test_a_team_stands_on_its_lowest_member(log: Any, see: Any) -> None:
    desk = log.talker("D-1", role="desk")
    for name, bar in (("S-1", 280.0), ("S-2", 200.0), ("S-3", 240.0)):
        talker = log.talker(name)
        talker.say(0, "setup", retained=True, **SETUP)
        desk.say(0, "tally", incident_id="I", action="in", set_id=name, wearer_id=f"W{name}", team="Alder")
        breathe(talker, 1, 200, start_bar=bar)
    (team,) = see(200).teams
    assert (team.members, team.under_air, team.lowest_set_id) == (3, 3, "S-2")
    rows = see(200).rows
    assert team.turn_back is not None
    assert team.turn_back.low == min(row.turn_back.low for row in rows if row.turn_back)


def test_a_team_turns_back_with_its_first_member(log: Any, see: Any) -> None:
    desk = log.talker("D-1", role="desk")
    for name, bar_s in (("S-1", 0.3), ("S-2", 0.05)):
        talker = log.talker(name)
        talker.say(0, "setup", retained=True, **SETUP)
        desk.say(0, "tally", incident_id="I", action="in", set_id=name, wearer_id=f"W{name}", team="Alder")
        breathe(talker, 1, 500, bar_s=bar_s)
    first, second = see(500).rows
    assert (first.set_id, first.attention, second.attention) == ("S-1", "turn_back", "turn_back")
    assert second.turn_back_reached_at is None
    (reason,) = [reason for reason in second.reasons if reason.code == "team_turn_back"]
    assert reason.since_at == first.turn_back_reached_at
    assert second.turn_back is not None  # its own forecast stays
    assert see(500).teams[0].turn_back_reached_at == first.turn_back_reached_at


def test_prompts_come_at_a_third_and_two_thirds_and_a_note_about_the_set_answers(log: Any, see: Any) -> None:
    """FwDV 7 (2002) 7.4: ask for the pressure at a third and two thirds of the expected time (secondary)."""
    one, desk = log.talker("S-1"), log.talker("D-1", role="desk")
    one.say(0, "setup", retained=True, **SETUP)
    breathe(one, 1, 1600, bar_s=0.08)
    # 280 to 55 bar of 6.8 L: 1734.7 - 380.7 L (reference library, 20 °C); at 40 L/min a third is 677 s.
    assert see(670).prompts == ()
    (prompt,) = see(690).prompts
    assert (prompt.thirds, prompt.set_id) == (1, "S-1")
    assert prompt.due_at - log.at(0).timestamp() == pytest.approx(677 + 1, abs=2.0)
    desk.say(700, "note", incident_id="I", text="200 bar by radio", set_id="S-1")
    assert see(710).prompts == ()
    (later,) = see(1400).prompts
    assert (later.thirds, later.key) == (2, prompt.key)  # the page keeps what is being typed into it


@pytest.mark.parametrize("policy", sorted({*POLICIES} - {Profile.default().turn_back.policy}))
def test_each_policy_turns_back_in_time(log: Any, policy: str) -> None:
    board = LiveBoard(_with_policy(policy))
    one, desk = log.talker("S-1"), log.talker("D-1", role="desk")
    one.say(0, "setup", retained=True, **SETUP)
    breathe(one, 1, 2000)
    desk.say(300, "note", incident_id="I", text="objective reached", set_id="S-1")
    everything = [heard for _, heard in log.heard()]
    reached: float | None = None
    for second in range(10, 2000, 10):
        now = log.at(second)
        before = now - timedelta(seconds=10)
        board.take(frames_from_heard([h for h in everything if before < h.received <= now]))
        row = board.snapshot(now).rows[0]
        if row.turn_back_reached_at is not None:
            reached = row.turn_back_reached_at - log.at(0).timestamp()
            break
        if row.turn_back is not None and second > 400:
            assert row.turn_back.low >= 0.0
    assert reached is not None
    if policy == "double_return":  # 33 bar on the way in: leave at 66 bar, (280 - 66) / 0.11 s from the start
        assert reached == pytest.approx(1946.0, abs=30.0)
    if policy == "fixed_margin":  # nominal 6.8 L x 280 bar / 60 L/min, less 10 min
        assert reached == pytest.approx(60 * (6.8 * 280 / 60 - 10), abs=15.0)
    assert 300.0 < reached < 2000.0


def _with_policy(policy: str) -> Profile:
    return parse_profile(
        f'name = "trial"\ntitle = "t"\ndecides = "d"\n[turn_back]\npolicy = "{policy}"\n'
        "[turn_back.fixed_margin]\nplanning_l_min = 60.0\nmargin_min = 10.0\n",
        "trial.toml",
    )


def test_redelivered_messages_change_nothing(log: Any) -> None:
    one, desk = log.talker("S-1"), log.talker("D-1", role="desk")
    one.say(0, "setup", retained=True, **SETUP)
    desk.say(0, "tally", incident_id="I", action="in", set_id="S-1", wearer_id="W-1", team="A")
    breathe(one, 1, 100)
    one.say(50, "alarm", alarm="heat", state="raised")
    once, twice = LiveBoard(Profile.default()), LiveBoard(Profile.default())
    once.take(log.frames())
    twice.take(log.frames())
    twice.take(log.frames())
    first, second = once.snapshot(log.at(100)), twice.snapshot(log.at(100))
    assert (first.rows, first.alarms, first.teams) == (second.rows, second.alarms, second.teams)


def rounded(value: Any) -> Any:
    """Floats to 1 ms: two messages received in the same microsecond may be taken in either order."""
    if isinstance(value, dict):
        return {name: rounded(part) for name, part in value.items()}
    if isinstance(value, list | tuple):
        return [rounded(part) for part in value]
    return round(value, 3) if isinstance(value, float) else value


@pytest.mark.parametrize(("size", "last"), [(1, 800), (300, 100_000)])
def test_the_picture_does_not_depend_on_how_the_messages_came_in_lots(size: int, last: int) -> None:
    now = OPENED + timedelta(minutes=18)
    heard = [one for one in build_incident(5, OPENED).heard if one.received < now][-last:]
    whole, parts = LiveBoard(Profile.default()), LiveBoard(Profile.default())
    whole.take(frames_from_heard(heard))
    for start in range(0, len(heard), size):
        parts.take(frames_from_heard(heard[start : start + size]))
    whole.settle()
    parts.settle()
    assert rounded(to_builtins(parts.snapshot(now))) == rounded(to_builtins(whole.snapshot(now)))
    assert rounded(parts.lines()) == rounded(whole.lines())


def test_refused_messages_are_counted_with_the_last_reason(log: Any, see: Any) -> None:
    one = log.talker("S-1")
    one.say(1, "pressure", pressure_bar=4200.0)
    hearing = see(2).hearing
    assert hearing.refused_last_hour == 1
    assert hearing.last_refusal is not None
    assert "4200" in hearing.last_refusal


def test_a_row_is_made_anew_at_once_with_news_and_else_as_often_as_its_set_is_asked(
    log: Any, see: Any
) -> None:
    one, other = log.talker("S-1"), log.talker("S-2")
    for talker in (one, other):
        talker.say(0, "setup", retained=True, **SETUP)
        breathe(talker, 1, 200)
    other.say(200.2, "pressure", pressure_bar=250.0)
    every_s = ASKED_EVERY_US * 1e-6
    first, second, third, fourth = (
        {row.set_id: row for row in see(200 + s).rows} for s in (0, 0.5, 0.9, 1.0 + every_s)
    )
    assert second["S-1"] is first["S-1"]  # nothing new, asked half a second ago
    assert second["S-2"].pressure_bar == 250.0
    assert third == second
    assert fourth["S-1"] is not third["S-1"]
    assert fourth["S-1"].low_air.median < third["S-1"].low_air.median  # the time goes on without news

    # What no reading tells, time alone does, and no later than that.
    limit_s = 3 * 1.0 + 1.0  # three of its usual intervals, and the grace for radio and listener
    silent = next(s for s in np.arange(200, 220, 0.1) if only_of(see(float(s)), "S-1").silent_since_at)
    assert 199 + limit_s < silent <= 199.2 + limit_s + every_s + 0.1


def only_of(snapshot: Snapshot, set_id: str) -> Row:
    return next(row for row in snapshot.rows if row.set_id == set_id)
