"""A turn-back that fell due while nothing was heard: between two moments, judged by the earlier one."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import polars as pl
import pytest

from analysis.incident import analyse
from analysis.profile import Profile
from dashboard.review.clock import Window
from dashboard.review.setting import Setting
from dashboard.review.tables import entry_table

PROFILE = Profile.default()
WHO = {"incident_id": "I-1", "set_id": "S-1", "wearer_id": "W-1", "team": "Alder"}


def worn(log: Any, *, noted_s: float | None = None, silent: tuple[float, float] = (0.0, 0.0)) -> None:
    """W-1 opens 300 bar at 10:00:20 and loses 0.1 bar/s: 177.5 bar is due at 10:20:46, out at 10:28:20."""
    one, desk = log.talker("S-1"), log.desk()
    one.set_up(0)
    desk.say(10, "tally", action="in", **WHO)
    last_s = one.breathe(20, 1680, bar_s=0.1, silent=silent, only_pressure=True)
    if noted_s is not None:
        desk.say(noted_s, "note", incident_id="I-1", set_id="S-1", text="turning back")
    desk.say(last_s + 30, "tally", action="out", **WHO)


def of(log: Any) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    results = analyse(log.frames(), PROFILE)
    row = next(one for one in results["entries"].to_dicts() if one["wearer_id"] == "W-1")
    for name in ("turn_back_at", "turn_back_not_before"):
        row[name] = row[name] and round((row[name] - log.at(0)) / timedelta(seconds=1))
    return row, results["findings"].filter(pl.col("code") == "turned_back_late").to_dicts()


def test_a_turn_back_that_fell_due_in_a_silence_is_late_by_more_than_what_was_heard(log: Any) -> None:
    """It was dated at the first reading after the silence: "late by 30 s" of what was up to 13 min 51 s."""
    worn(log, noted_s=1530, silent=(700, 1500))
    row, found = of(log)
    assert (row["turn_back_not_before"], row["turn_back_at"]) == (699, 1500)
    assert (row["turn_back_late_s"], row["turn_back_late_bound"]) == (pytest.approx(30, abs=1), "at least")
    (late,) = found
    assert "turn-back fell due between 10:11:39 UTC and 10:25:00 UTC" in late["statement"]
    assert "The desk noted the turn at 10:25:30 UTC, 30 s to 13 min 51 s late" in late["statement"]


def test_the_live_row_says_since_when_it_may_be_past(log: Any, see: Any) -> None:
    """After twelve minutes "past, as last heard" the row began at "past 0:05" with the first reading."""
    worn(log, silent=(700, 1500))
    (row,) = see(1505).rows
    assert row.turn_back_reached_at == pytest.approx(log.at(1500).timestamp(), abs=0.1)
    assert row.turn_back_not_before == pytest.approx(log.at(699).timestamp(), abs=0.1)


def test_what_readings_show_has_no_bound(log: Any) -> None:
    worn(log, noted_s=1400)
    row, (late,) = of(log)
    assert (row["turn_back_not_before"], row["turn_back_at"]) == (None, 1246)
    assert row["turn_back_late_bound"] is None
    assert "2 min 34 s late" in late["statement"]


@pytest.mark.parametrize("until_s", [1250, 1300, 1400, 1500])
@pytest.mark.parametrize("noted_s", [1270, 1310, None])
def test_silence_never_makes_a_late_turn_a_timely_one(log: Any, noted_s: float | None, until_s: int) -> None:
    """Due at 10:20:46. Whatever of the minutes around it is lost, who was late by it stays late."""
    worn(log, noted_s=noted_s)
    _, whole = of(log)
    log.talkers.clear()
    worn(log, noted_s=noted_s, silent=(1200, until_s))
    _, less = of(log)
    assert [one["severity"] for one in less][: len(whole)] == [one["severity"] for one in whole]


@pytest.mark.parametrize("until_s", [2460, 2600, 2680])
def test_a_warning_reached_in_a_silence_weighs_no_less_than_one_that_was_heard(
    log: Any, until_s: int
) -> None:
    """55 bar at 10:41:15, out at 10:45:00: below it for 3 min 45 s, and at most 55 s of that were heard."""
    one, desk = log.talker("S-1"), log.desk()
    one.set_up(0)
    desk.say(10, "tally", action="in", **WHO)
    one.breathe(20, 2680, bar_s=0.1, silent=(2400, until_s), only_pressure=True)
    desk.say(2720, "tally", action="out", **WHO)
    _, (late,) = of(log)
    assert late["severity"] == "serious"


def by_voice(log: Any, noted_s: float) -> None:
    """Three gauges of a set that is never heard: turn-back at 172.5 bar, half of 290 and 55."""
    desk = log.desk()
    desk.say(10, "tally", action="in", **WHO)
    for at_s, bar in ((20, 290.0), (600, 190.0), (960, 90.0)):
        desk.say(at_s, "gauge", incident_id="I-1", set_id="S-1", pressure_bar=bar)
    desk.say(noted_s, "note", incident_id="I-1", set_id="S-1", text="turning back")
    desk.say(1260, "tally", action="out", **WHO)


def test_between_two_gauges_by_voice_nobody_saw_the_turn_back_either(log: Any) -> None:
    """The report said "late by 10 s" of what was somewhere in the six minutes between two gauges."""
    by_voice(log, 970)
    row, (late,) = of(log)
    assert (row["turn_back_not_before"], row["turn_back_at"]) == (600, 960)
    assert (
        "fell due between 10:10:00 UTC and 10:16:00 UTC by a gauge read by voice (90 bar)"
        in late["statement"]
    )
    assert "10 s to 6 min 10 s late" in late["statement"]


def test_a_note_before_the_reading_that_shows_it_may_have_come_in_time(log: Any) -> None:
    by_voice(log, 650)
    row, found = of(log)
    assert (row["turn_back_late_s"], row["turn_back_late_bound"], found) == (0.0, "at least", [])


def test_a_team_turns_on_a_silent_member_at_the_earliest(log: Any) -> None:
    """W-2's own gauge is due at 10:20:46; W-1, silent from 10:11:39 to 10:25:00, may have been due before."""
    worn(log, silent=(700, 1500))
    two, desk = log.talker("S-2"), log.desk("D-2")
    who = WHO | {"set_id": "S-2", "wearer_id": "W-2"}
    two.set_up(0)
    desk.say(11, "tally", action="in", **who)
    two.breathe(20, 1500, bar_s=0.1, only_pressure=True)
    desk.say(1300, "note", incident_id="I-1", text="Alder turning back")
    desk.say(1550, "tally", action="out", **who)
    row, found = of(log)
    assert (row["turn_back_not_before"], row["turn_back_at"]) == (699, 1246)
    assert len(found) == 2
    assert all("54 s to 10 min 1 s late" in one["statement"] for one in found)


def test_a_wear_first_heard_below_its_turn_back_was_due_at_some_time_since_the_tally(log: Any) -> None:
    """Tallied in at 10:00:10 and first heard at 10:25:00: it was "late by 30 s"."""
    worn(log, noted_s=1530, silent=(0, 1500))
    log.talkers[0].said = [(*one[:2], 1 < one[0] < 1500, *one[3:]) for one in log.talkers[0].said]
    row, (late,) = of(log)
    assert (row["turn_back_not_before"], row["turn_back_at"]) == (10, 1500)
    assert "30 s to 25 min 20 s late" in late["statement"]


def test_an_exit_that_nobody_heard_is_late_at_most_since_the_silence_began(log: Any) -> None:
    """Due between 10:11:39 and 10:25:00, not heard after 10:25:10, out by 10:28:50 at the latest."""
    worn(log, silent=(700, 1500))
    log.talkers[0].said = [one for one in log.talkers[0].said if one[0] <= 1510]
    row, (late,) = of(log)
    assert (row["turn_back_late_s"], row["turn_back_late_bound"]) == (
        pytest.approx(1729 - 1500, abs=2),
        "not known",
    )
    assert "at most 17 min 10 s later" in late["statement"]


def silent_for_good(log: Any, *, noted_s: float | None = None, mate_bar_s: float = 0.07) -> None:
    """W-1 loses 0.16 bar/s and is never heard after 10:05:20 (252 bar): 177.5 bar is due at 10:13:06."""
    desk = log.desk()
    for number, bar_s in ((1, 0.16), (2, mate_bar_s)):
        who = WHO | {"set_id": f"S-{number}", "wearer_id": f"W-{number}"}
        one = log.talker(f"S-{number}")
        one.set_up(0)
        desk.say(10, "tally", action="in", **who)
        silent = (320.0, 1600.0) if number == 1 else (0.0, 0.0)
        one.breathe(20, 1500, bar_s=bar_s, silent=silent, closes=number == 2, only_pressure=True)
        if number == 1:  # not its closing either
            one.said = [each for each in one.said if each[0] < 320]
        desk.say(1530, "tally", action="out", **who)
    if noted_s is not None:
        desk.say(noted_s, "note", incident_id="I-1", text="Alder turning back")


@pytest.mark.parametrize("mate_bar_s", [0.05, 0.11])
def test_who_falls_silent_for_good_has_the_turn_back_that_the_board_showed(
    log: Any, see: Any, mate_bar_s: float
) -> None:
    """The record had no turn-back, or the mate's, and "at most 5 min 45 s" of what was 12 min 11 s."""
    silent_for_good(log, mate_bar_s=mate_bar_s)
    (team,) = see(1000).teams
    results = analyse(log.frames(), PROFILE)
    assert results["entries"]["turn_back_as_last_heard"].to_list() == [True, True]
    for row in results["entries"].to_dicts():
        assert row["turn_back_at"].timestamp() == pytest.approx(team.turn_back_reached_at, abs=1.0)
        assert row["turn_back_not_before"].timestamp() == pytest.approx(log.at(319).timestamp(), abs=1.0)
        assert row["turn_back_late_bound"] == "not known"
    for shown in entry_table(results["entries"], Setting({}, Window(0.0, 1e15))).rows:
        assert "as last heard" in str(shown)
        assert "at most 20 min" in str(shown)
    found = results["findings"].filter(pl.col("code") == "turned_back_late").to_dicts()
    assert len(found) == 2
    for one in found:
        assert "was not heard after 10:05:19 UTC" in one["statement"]
        assert "at most 20 min" in one["statement"]


def test_a_silent_member_makes_a_noted_turn_late_by_an_upper_bound(log: Any) -> None:
    silent_for_good(log, noted_s=900)
    _, found = of(log)
    assert len(found) == 2
    assert all("noted the turn at 10:15:00 UTC, at most 9 min 41 s late" in one["statement"] for one in found)


def test_who_is_out_before_the_last_forecast_says_so_was_never_due(log: Any) -> None:
    one, desk = log.talker("S-1"), log.desk()
    one.set_up(0)
    desk.say(10, "tally", action="in", **WHO)
    one.breathe(20, 320, bar_s=0.1, closes=False, only_pressure=True)
    desk.say(380, "tally", action="out", **WHO)
    row, found = of(log)
    assert (row["turn_back_at"], row["turn_back_as_last_heard"], found) == (None, False, [])


def hangs(log: Any, *, silent_s: float = 1600.0, moves_s: float = 1600.0) -> None:
    """W-1 breathes 0.18 bar/s from 10:00:20, its gauge hangs at 249 bar from 10:05 on; W-2 0.05 bar/s."""
    for number, bar_s in ((1, 0.18), (2, 0.05)):
        one, desk = log.talker(f"S-{number}"), log.desk(f"D-{number}")
        one.set_up(0)
        desk.say(10, "tally", action="in", **{**WHO, "set_id": f"S-{number}", "wearer_id": f"W-{number}"})
        for second in range(20, 1500):
            bar = 300.0 - bar_s * (second - 20)
            if number == 1:
                bar = 249.0 if 300 <= second < moves_s else bar
                if second >= silent_s:
                    continue
            one.say(second, "pressure", pressure_bar=round(bar))
            one.say(second + 0.1, "motion", motion_m_s2=1.0)


def test_a_gauge_that_hangs_owes_the_same_turn_back_once_its_set_is_silent(log: Any, see: Any) -> None:
    """Team and row went from "past 5:52" to "past 0:29" within a minute."""
    hangs(log, silent_s=900)
    rows = {}
    for at_s in (890, 910, 1000):
        board = see(at_s)
        rows[at_s] = {row.wearer_id: row.turn_back_was_expected_at for row in board.rows}["W-1"]
        (team,) = board.teams
        assert team.turn_back_reached_at == pytest.approx(rows[at_s][0], abs=0.1)
    assert rows[890] == pytest.approx(rows[910], abs=0.1)
    assert rows[890] == pytest.approx(rows[1000], abs=0.1)


@pytest.mark.parametrize("silent_s", [900.0, 1600.0])
def test_the_record_has_the_turn_back_of_a_gauge_that_hung_to_the_end(
    log: Any, see: Any, silent_s: float
) -> None:
    """It was the beginning of the silence or, heard to the end, the mate's."""
    hangs(log, silent_s=silent_s)
    (team,) = see(880).teams
    results = analyse(log.frames(), PROFILE)
    assert results["entries"]["turn_back_as_last_heard"].to_list() == [True, True]
    for row in results["entries"].to_dicts():
        assert row["turn_back_at"].timestamp() == pytest.approx(team.turn_back_reached_at, abs=1.0)
    found = results["findings"].filter(pl.col("code") == "turned_back_late").to_dicts()
    assert len(found) == 2
    assert all("did not move after 10:0" in one["statement"] for one in found)


def test_a_gauge_that_moves_again_below_turn_back_was_due_at_any_time_of_the_hang(log: Any, see: Any) -> None:
    """It was dated at the first reading that moved: "past 0:05" after "past 5:52, as last heard"."""
    hangs(log, moves_s=900)
    (row,) = (row for row in see(910).rows if row.wearer_id == "W-1")
    assert row.turn_back_reached_at == pytest.approx(log.at(900).timestamp(), abs=0.1)
    assert row.turn_back_not_before == pytest.approx(log.at(300).timestamp(), abs=5.0)
    row, found = of(log)
    assert row["turn_back_at"] == 900
    assert row["turn_back_not_before"] == pytest.approx(300, abs=5)
    assert any("fell due between 10:0" in one["statement"] for one in found)


def test_a_moment_that_is_uncertain_by_a_silent_member_names_that_member(log: Any) -> None:
    """It said "fell due between … by this wearer's own gauge" of a wearer who was heard all the time."""
    for number, silent, bar_s in ((1, (900.0, 1500.0), 0.1), (2, (0.0, 0.0), 0.096)):
        one, desk = log.talker(f"S-{number}"), log.desk(f"D-{number}")
        one.set_up(0)
        desk.say(10, "tally", action="in", **{**WHO, "set_id": f"S-{number}", "wearer_id": f"W-{number}"})
        one.breathe(20, 1680, bar_s=bar_s, silent=silent, only_pressure=True)
    found = analyse(log.frames(), PROFILE)["findings"].filter(pl.col("code") == "turned_back_late")
    (said,) = (one["statement"] for one in found.to_dicts() if one["set_id"] == "S-2")
    assert "turn-back fell due between 10:14:59 UTC and 10:21:3" in said
    assert "for the team, because nothing was known of W-1; by this wearer's own gauge (17" in said


def test_a_gauge_that_hangs_over_a_restart_goes_on_owing_its_turn_back(log: Any, see: Any) -> None:
    """The row became "Under air", without a turn-back; the analysis of the archive ended with a traceback."""
    for number, bar_s in ((1, 0.18), (2, 0.05)):
        one, desk = log.talker(f"S-{number}"), log.desk(f"D-{number}")
        one.set_up(0)
        desk.say(10, "tally", action="in", **{**WHO, "set_id": f"S-{number}", "wearer_id": f"W-{number}"})
        for second in range(20, 1200):
            if number == 1 and second == 720:
                one = log.talker("S-1", boot=2)
                one.set_up(720)
            bar = 300.0 - bar_s * (second - 20)
            one.say(second, "pressure", pressure_bar=round(249.0 if number == 1 and second >= 300 else bar))
            one.say(second + 0.1, "motion", motion_m_s2=1.0)
    moments = []
    for at_s in (700, 800, 1000):
        board = see(at_s)
        (team,) = board.teams
        moments.append(team.turn_back_reached_at)
        assert {row.attention for row in board.rows} == {"turn_back"}
    assert moments == pytest.approx([moments[0]] * 3, abs=0.1)
    results = analyse(log.frames(), PROFILE)
    for row in results["entries"].to_dicts():
        assert row["turn_back_at"].timestamp() == pytest.approx(moments[0], abs=1.0)


def test_a_gauge_by_voice_after_a_hang_moves_no_turn_back_later(log: Any, see: Any) -> None:
    """Its mate went from "past 5:54" to "past 3:39", its team to "past 10:21": three moments for one."""
    hangs(log, silent_s=900)
    log.desk("D-3").say(920, "gauge", incident_id="I-1", set_id="S-1", pressure_bar=150.0)
    (before,) = see(890).teams
    board = see(960)
    (team,) = board.teams
    assert team.turn_back_reached_at <= before.turn_back_reached_at + 0.1
    mate = next(row for row in board.rows if row.wearer_id == "W-2")
    (due,) = (one.since_at for one in mate.reasons if one.code == "team_turn_back")
    assert due == pytest.approx(team.turn_back_reached_at, abs=0.1)
