"""When what was heard of a set: of live messages only, and how long it may be quiet."""

from __future__ import annotations

import json
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from analysis.live.hearing import HeardSet, HeardSoFar, heard_of, latest_delays_s
from analysis.live.refused_words import RefusedWords
from analysis.records import power_ups
from ingest.contract.captures import Heard


def heard(log: Any) -> HeardSet:
    return heard_of(power_ups(log.frames()))


def after_s(log: Any, *moments_us: int | None) -> list[float]:
    zero_us = log.at(0).timestamp() * 1e6
    return [round((each - zero_us) * 1e-6, 1) for each in moments_us if each is not None]


def test_a_set_may_be_quiet_for_three_of_its_intervals_and_a_second(log: Any) -> None:
    """Of five seconds until four readings have shown another; of the latest 21 the median counts."""
    talker = log.talker("S-1")
    for number in range(3):
        talker.say(2.0 * number, "pressure", pressure_bar=200.0)
    assert heard(log).silent_after_us == HeardSet().silent_after_us == 16_000_000
    talker.say(6.0, "pressure", pressure_bar=200.0)
    assert heard(log).silent_after_us == 7_000_000
    for number in range(21):  # every 10 s from now on
        talker.say(16.0 + 10.0 * number, "pressure", pressure_bar=200.0)
        assert heard(log).silent_after_us == (
            7_000_000 if number < 2 else 19_000_000 if number == 2 else 31_000_000
        )
    for number in range(11):
        talker.say(217.0 + number, "pressure", pressure_bar=200.0)
    assert heard(log).silent_after_us == 4_000_000  # 11 of the latest 21 intervals are of a second


def test_only_what_was_said_live_was_heard(log: Any) -> None:
    talker = log.talker("S-1", delay=lambda true_s: 0.0)
    talker.say(10, "setup", retained=True, cylinders={"count": 1, "water_volume_l": 6.8, "rated_bar": 300.0})
    assert heard(log).last_us is None
    assert heard(log).boots_us == ()
    talker.say(20, "power", state="on", battery_fraction=0.9)
    talker.say(30, "pressure", pressure_bar=0.0)
    talker.say(40, "power", state="off", battery_fraction=0.9)
    talker.say(50, "power", state="off", battery_fraction=0.9, retained=True)
    again = log.talker("S-1", boot=2, delay=lambda true_s: 0.0)
    again.say(60, "power", state="on", battery_fraction=0.9)
    told = heard(log)
    assert after_s(log, told.last_us, told.reading_us) == [60.0, 30.0]
    assert after_s(log, *told.offs_us) == [40.0]
    assert after_s(log, *told.boots_us) == [20.0, 60.0]
    assert after_s(log, *told.interrupted_us) == [40.0, 60.0]
    assert told.newest is not None
    assert told.newest.boot == 2


def test_the_latest_three_delays_of_each_kind_count() -> None:
    def channel(*late_s: float, retained: int = -1) -> Any:
        at_us = np.arange(len(late_s)) * 1_000_000
        received_us = at_us + np.round(np.array(late_s) * 1e6).astype(np.int64)
        return SimpleNamespace(
            at_us=at_us, received_us=received_us, retained=np.arange(len(late_s)) == retained
        )

    both = {"pressure": channel(9.0, 0.1, 0.2, 0.3, retained=2), "power": channel(0.5)}
    newest: Any = SimpleNamespace(channels=both)
    assert latest_delays_s(newest) == pytest.approx([0.1, 0.3, 0.5])
    assert latest_delays_s(None) == []


def refused(log: Any, at_s: float, kind: str, set_id: str = "S-1", **fields: Any) -> None:
    payload = {"kind": kind, "set_id": set_id, "boot": 1, "seq": 0, "time": "never", **fields}
    topic = f"underair/v1/trial/set/{set_id}/{kind}"
    log.extra.append(Heard(log.at(at_s), topic, json.dumps(payload).encode(), False))


def test_refused_alarms_are_kept_as_they_were_said(log: Any) -> None:
    so_far, words = HeardSoFar(), RefusedWords()
    refused(log, 1, "alarm", alarm="distress", state="raised")
    refused(log, 2, "alarm", alarm="distress", state="cleared")
    refused(log, 3, "alarm", "S-2", alarm=7)
    refused(log, 4, "alarm", "S-3", alarm="no_motion")
    refused(log, 5, "pressure", "S-4", alarm="distress", state="raised")
    so_far.take(log.frames())
    words.take(log.frames())
    zero_s = log.at(0).timestamp()
    told = [
        (one.raised_at - zero_s, one.service, one.set_id, one.alarm) for one in words.alarm_lines((), {}, ())
    ]
    assert told == [
        (1.0, "trial", "S-1", "distress"),
        (3.0, "trial", "S-2", "fault"),  # which alarm it was cannot be read
        (4.0, "trial", "S-3", "no_motion"),
    ]
    now_s = log.at(5).timestamp()
    assert so_far.at(now_s + 3596.0, []).refused_last_hour == 5
    assert so_far.at(now_s + 3598.5, []).refused_last_hour == 2
    assert so_far.at(now_s + 3600.0, []).refused_last_hour == 1
    assert so_far.at(now_s + 3600.1, []).last_refusal is None


def test_a_second_that_comes_in_two_lots_is_counted_whole(log: Any) -> None:
    talker, so_far = log.talker("S-1", delay=lambda true_s: 0.0), HeardSoFar()
    assert so_far.at(0.0, []).last_received_at is None
    for at_s in (0.1, 0.2, 1.1):
        talker.said.clear()
        talker.say(at_s, "pressure", pressure_bar=200.0)
        so_far.take(log.frames())
    told = so_far.at(log.at(1).timestamp(), [])
    assert told.received_last_minute == 3
    assert told.last_received_at == pytest.approx(log.at(1.1).timestamp())
    assert so_far.at(log.at(60).timestamp(), []).received_last_minute == 3
    assert so_far.at(log.at(61).timestamp(), []).received_last_minute == 1


def test_a_record_begins_with_the_first_message_after_half_a_day_of_silence(log: Any) -> None:
    talker, so_far = log.talker("S-1", delay=lambda true_s: 0.0), HeardSoFar()
    for at_s in (0.0, 100.0, 50_000.0, 93_199.0, 136_399.0):  # the last pause but one is a second too short
        talker.say(at_s, "pressure", pressure_bar=200.0)
    assert so_far.at(0.0, []).began_at is None
    so_far.take(log.frames())  # in one lot
    assert so_far.at(log.at(136_399).timestamp(), []).began_at == log.at(136_399).timestamp()
    talker.said.clear()
    talker.say(136_400.0, "pressure", pressure_bar=199.0)
    so_far.take(log.frames())
    assert so_far.at(log.at(136_400).timestamp(), []).began_at == log.at(136_399).timestamp()
