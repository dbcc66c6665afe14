"""The live board lets readings of closed wears go, and says the same as if it had kept them all."""

from __future__ import annotations

import itertools
from datetime import timedelta
from typing import Any

import pytest

from analysis.live import letting_go, service_board
from analysis.live.board import LiveBoard
from analysis.profile import Profile
from ingest.contract.frames import frames_from_heard
from tests.analysis.random_incidents import random_incident
from tests.analysis.test_live_board import SETUP
from tests.analysis.test_parity import assert_same, followed, ticks, told_by_board, told_by_review


def readings(board: LiveBoard) -> int:
    """Return how many readings the board holds."""
    return sum(
        len(channel)
        for service in board._services.values()
        for live_set in service._sets.values()
        for power_up in live_set.power_ups
        for channel in power_up.channels.values()
    )


def two_wears(log: Any) -> None:
    """A wear of 15 minutes with a rest, heat and a slip of the sensor; the valve closed; a second wear."""
    desk, one = log.talker("D-1", role="desk"), log.talker("S-1")
    desk.say(0, "incident", incident_id="I-1", action="open")
    one.say(1, "setup", retained=True, **SETUP)
    desk.say(2, "tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1", team="Alder")
    for second in range(5, 2000):
        worn_s = second - 20 if second < 1000 else second - 1200
        open_valve = 20 <= second < 920 or second >= 1200
        bar = round(300.0 - 0.2 * worn_s) if open_valve else 0
        one.say(second, "pressure", pressure_bar=20.0 if second == 400 else bar)
        one.say(second + 0.1, "motion", motion_m_s2=0.01 if 500 <= second < 560 else 1.0)
        one.say(second + 0.2, "temperature", temperature_c=150.0 if 600 <= second < 640 else 30.0)


def played(log: Any) -> tuple[LiveBoard, LiveBoard]:
    """Return a board that was looked at every 20 s, and one that was looked at once, at the end."""
    heard = sorted((one for _, one in log.heard()), key=lambda one: one.received)
    board, now = followed(heard)
    whole = LiveBoard(Profile.default())
    whole.take(frames_from_heard(heard))
    whole.snapshot(now)
    return board, whole


def test_a_closed_wear_keeps_what_its_answers_rest_on_and_no_more(log: Any) -> None:
    two_wears(log)
    board, whole = played(log)
    said = sum(frame.height for frame in log.frames().values())
    assert readings(board) < 0.65 * said  # the second wear, and what came lately, is kept whole
    kept = board._services["trial"]._sets["S-1"].power_ups[0].channels
    assert (kept["temperature"].at_us < log.at(900).timestamp() * 1e6).sum() < 100
    assert_same(told_by_board(board), told_by_board(whole))
    assert {one.alarm for one in board.alarms()} >= {"heat", "no_motion", "no_motion_prealarm"}
    assert board.lines() == whole.lines()


def runs(channel: Any, zero_us: float, before_s: float) -> list[tuple[int, int]]:
    """Give the seconds of what is kept, as runs of neighbours."""
    found: list[tuple[int, int]] = []
    for second in ((channel.at_us - zero_us) * 1e-6).round().astype(int).tolist():
        if second < before_s:
            begins = found.pop()[0] if found and second - found[-1][1] == 1 else second
            found.append((begins, second))
    return found


def test_what_is_kept_of_a_closed_wear_to_the_second(log: Any) -> None:
    """The first 22 of each kind; what an alarm rests on and three beside it; both ends; slips; new lows."""
    two_wears(log)
    kept = played(log)[0]._services["trial"]._sets["S-1"].power_ups[0].channels
    zero_us = log.at(0).timestamp() * 1e6
    assert runs(kept["motion"], zero_us, 900) == [(5, 26), (497, 562)]
    assert runs(kept["temperature"], zero_us, 900) == [(5, 26), (597, 642)]
    pressure = runs(kept["pressure"], zero_us, 900)
    assert pressure[0] == (5, 140)  # the wear began at 20 s
    assert (397, 403) in pressure  # 20 bar at 400 s
    assert pressure[-1] == (798, 899)  # it ended at 919 s, and 798 s had a new low
    assert pressure[1:6] == [(143, 143), (148, 148), (150, 150), (153, 153), (158, 158)]


def test_the_last_forecast_of_somebody_who_is_still_in_does_not_move(log: Any) -> None:
    """It counts in the team: of a wear that is over, and not tallied out, every reading is kept."""
    desk, one = log.desk(), log.talker("S-1")
    one.set_up(-1)
    desk.say(0, "tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1", team="Alder")
    one.breathe(20, 600, bar_s=0.1)
    for second in range(630, 1200, 5):
        one.say(second, "motion", motion_m_s2=1.0)
    board, whole = played(log)
    now = log.at(1300)
    (kept,), (again,) = board.snapshot(now).rows, whole.snapshot(now).rows
    assert kept.lost is not None
    assert kept.turn_back_was_expected_at is not None
    assert kept.turn_back_was_expected_at == pytest.approx(again.turn_back_was_expected_at, abs=0.1)
    pressure = log.frames()["pressure"].height
    assert len(board._services["trial"]._sets["S-1"].power_ups[0].channels["pressure"]) == pressure


def test_a_fault_of_a_rule_on_what_is_left_gives_the_readings_back(
    log: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    two_wears(log)
    asked = itertools.count(1)

    def fails_on_what_is_left(wears: Any, alarms: Any) -> Any:
        if next(asked) % 2 == 0:
            raise ZeroDivisionError
        return letting_go.answers(wears, alarms)

    monkeypatch.setattr(service_board, "answers", fails_on_what_is_left)
    board = LiveBoard(Profile.default())
    for now, lot in ticks(sorted((one for _, one in log.heard()), key=lambda one: one.received), 20):
        board.take(frames_from_heard(lot))
        board.snapshot(now)
    assert {type(fault) for _, fault in board.faults} == {ZeroDivisionError}
    of_the_desk = 2
    assert readings(board) == sum(frame.height for frame in log.frames().values()) - of_the_desk


def test_where_an_answer_would_be_another_everything_is_kept(
    log: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def too_little(power_up: Any, wears: Any, profile: Any, until_us: int) -> Any:
        found = letting_go.needed(power_up, wears, profile, until_us)
        found["temperature"] = power_up.channels["temperature"].at_us >= until_us
        return found

    monkeypatch.setattr(service_board, "needed", too_little)
    two_wears(log)
    board, whole = played(log)
    assert readings(board) == readings(whole)
    assert_same(told_by_board(board), told_by_board(whole))


def test_a_random_incident_says_the_same_with_much_of_it_let_go(monkeypatch: pytest.MonkeyPatch) -> None:
    for module in (letting_go, service_board):
        monkeypatch.setattr(module, "KEPT_WHOLE_US", 30_000_000)
    heard = random_incident(1)
    board, now = followed(heard)
    for step in range(1, 40):  # one set a look
        board.snapshot(now + timedelta(seconds=5 * step))
    assert readings(board) < 0.9 * sum(frame.height for frame in frames_from_heard(heard).values())
    assert_same(told_by_board(board), told_by_review(heard))
