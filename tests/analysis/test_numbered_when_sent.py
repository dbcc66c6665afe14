"""A message that a set gives its number only when it sends it: its own time stands, and no clock jumped."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest

from analysis.clocks.clocks import fit_clocks, reconcile
from analysis.clocks.steps import numbered_when_sent
from analysis.incident import analyse
from analysis.profile import Profile
from analysis.records import Channel, PowerUp
from tests.analysis.test_clocks_by_chance import BASE_US, draw

HAPPENED_S, SENT_S = 190.0, 430.05
Clock = Callable[[float], float]


def right(true_s: float) -> float:
    return true_s


def wear(log: Any, *, clock: Clock = right, uptime: bool = False, **options: Any) -> Any:
    """A wear of a quarter of an hour by W-1, tallied in."""
    log.desk().say(50, "tally", action="in", incident_id="I-1", wearer_id="W-1", set_id="S-1")
    one = log.talker("S-1", clock=clock, powered_s=30.0 if uptime else None)
    one.set_up(40)
    one.breathe(60, 900, **options)
    return one


def send_late(
    log: Any, said: list[tuple[float, float, str, dict[str, Any]]], *, uptime_s: Clock | None = None
) -> None:
    """Say messages at one time that are about another: (sent, happened, kind, fields)."""
    one = log.talkers[-1]
    for sent_s, _, kind, fields in said:
        one.say(sent_s, kind, **fields)
    happened_s = {(sent_s, kind): happened_s for sent_s, happened_s, kind, _ in said}
    as_said = one.heard

    def heard() -> list[Any]:
        found = []
        for true_s, message in as_said():
            moment_s = happened_s.get((true_s, message.topic.rpartition("/")[2]))
            if moment_s is not None:
                told = json.loads(message.payload)
                told["time"] = log.at(one.clock(moment_s)).isoformat()
                if uptime_s is not None:
                    told["uptime_s"] = uptime_s(moment_s) - 30.0
                message = message._replace(payload=json.dumps(told).encode())
            found.append((true_s, message))
        return found

    one.heard = heard


DISTRESS = ("alarm", {"alarm": "distress", "state": "raised"})


def raised_s(log: Any, results: Any) -> float:
    (alarm,) = results["alarms"].filter(pl.col("alarm") == "distress").to_dicts()
    assert alarm["wearer_id"] == "W-1"
    return float((alarm["raised"] - log.at(0)).total_seconds())


def codes(results: Any) -> list[str]:
    return [str(code) for code in results["findings"]["code"].to_list() if str(code).startswith("clock")]


def set_back_a_minute(true_s: float) -> float:
    return true_s - (60.0 if true_s > 300.0 else 0.0)


def set_ahead_a_minute(true_s: float) -> float:
    return true_s + (60.0 if true_s > 300.0 else 0.0)


@pytest.mark.parametrize("silent", [(0.0, 0.0), (195.0, 430.0)], ids=["heard all along", "silent meanwhile"])
@pytest.mark.parametrize(
    "uptime_s", [None, right, lambda _: SENT_S], ids=["time", "uptime", "uptime of sending"]
)
@pytest.mark.parametrize("clock", [right, set_back_a_minute, set_ahead_a_minute])
def test_a_distress_that_is_numbered_when_it_is_sent_stands_at_its_own_time(
    log: Any, see: Any, clock: Clock, uptime_s: Clock | None, silent: tuple[float, float]
) -> None:
    """Mended: it was moved towards the sending, and the set's clock seemed to jump back and forth."""
    wear(log, clock=clock, uptime=uptime_s is not None, silent=silent)
    send_late(log, [(SENT_S, HAPPENED_S, *DISTRESS)], uptime_s=uptime_s)
    results = analyse(log.frames(), Profile.default())
    assert raised_s(log, results) == pytest.approx(HAPPENED_S, abs=0.2)
    assert codes(results).count("clock_stepped") == (clock is not right)
    (late,) = [
        one["statement"]
        for one in results["findings"].filter(pl.col("code") == "heard_late").to_dicts()
        if "distress" in one["statement"]
    ]
    assert "raised at 10:03:10 UTC, heard at 10:07:10 UTC" in late
    assert "could not know it for 4 min" in late
    for looked_s in (430.2, 432.0, 440.0, 600.0):
        (line,) = see(looked_s).alarms
        assert line.raised_at - log.at(0).timestamp() == pytest.approx(HAPPENED_S, abs=0.2)
        assert line.row_key == "trial/S-1"


@pytest.mark.parametrize("off_s", [600.0, 20.0, -600.0])
@pytest.mark.parametrize("sent_s", [429.995, 430.05], ids=["sent first", "sent after a reading"])
@pytest.mark.parametrize("silent", [(0.0, 0.0), (195.0, 429.99)], ids=["heard all along", "silent meanwhile"])
def test_a_clock_that_is_set_right_when_the_radio_returns_does_not_move_the_distress(
    log: Any, see: Any, off_s: float, sent_s: float, silent: tuple[float, float]
) -> None:
    """Mended: it was placed where it was sent, and the clock seemed to jump twice."""
    wear(log, clock=lambda true_s: true_s + (off_s if true_s < 429.99 else 0.0), silent=silent)
    send_late(log, [(sent_s, HAPPENED_S, *DISTRESS)])
    results = analyse(log.frames(), Profile.default())
    assert raised_s(log, results) == pytest.approx(HAPPENED_S, abs=0.2)
    assert codes(results).count("clock_stepped") == 1
    for looked_s in (432.0, 434.0, 440.0, 600.0):
        shown = see(looked_s)
        assert shown.alarms[0].raised_at - log.at(0).timestamp() == pytest.approx(HAPPENED_S, abs=0.2)
        assert shown.alarms[0].row_key == "trial/S-1"
        if looked_s > 433.5:
            assert shown.rows[0].pressure_at - log.at(0).timestamp() > looked_s - 2.0


@pytest.mark.parametrize("clock", [set_back_a_minute, set_ahead_a_minute])
def test_the_board_places_an_alarm_of_before_a_jump_at_once(log: Any, see: Any, clock: Clock) -> None:
    """The first alarm of the set, and the next: a clock is fitted every ten seconds only."""
    wear(log, clock=clock)
    second = ("alarm", {"alarm": "no_motion", "state": "raised"})
    send_late(log, [(430.05, HAPPENED_S, *DISTRESS), (431.05, HAPPENED_S + 1.0, *second)])
    for looked_s in range(380, 430):
        see(looked_s)
    for looked_s, moments_s in ((430.5, [190.0]), (431.5, [190.0, 191.0])):
        raised = sorted(line.raised_at - log.at(0).timestamp() for line in see(looked_s).alarms)
        assert raised == pytest.approx(moments_s, abs=0.2)


def test_a_distress_that_is_the_last_thing_heard_stands_at_its_own_time(log: Any, see: Any) -> None:
    one = wear(log)
    one.said = [said for said in one.said if said[0] < SENT_S]
    send_late(log, [(SENT_S, HAPPENED_S, *DISTRESS)])
    results = analyse(log.frames(), Profile.default())
    assert raised_s(log, results) == pytest.approx(HAPPENED_S, abs=0.2)
    assert codes(results) == []
    assert see(431).alarms[0].raised_at - log.at(0).timestamp() == pytest.approx(HAPPENED_S, abs=0.2)


@pytest.mark.parametrize("between", [True, False], ids=["new ones between", "all old ones first"])
def test_old_readings_that_are_numbered_when_they_are_sent_are_old(log: Any, see: Any, between: bool) -> None:
    """Mended: a stored pressure of four minutes ago was on the page as read just now."""
    one = wear(log)
    old, new = [], []
    for said in one.said:
        (old if HAPPENED_S <= said[0] < 430.0 else new).append(said)
    # All that was stored goes out at 25 messages a second.
    sent = [
        (430.01 + number / 25.0, said[0], said[1], said[4])
        for number, said in enumerate(sorted(old, key=lambda one: one[0]))
    ]
    over_s = sent[-1][0]
    one.said = new if between else [said for said in new if not 430.0 <= said[0] <= over_s]
    send_late(log, sent)
    messages = log.frames()
    at_s = (
        fit_clocks(messages).reconciled(messages["pressure"]).sort("at")["at"] - log.at(0)
    ).dt.total_seconds(fractional=True)
    truth_s = sorted(
        [*(said[0] for said in one.said if said[1] == "pressure" and said[0] not in {x[0] for x in sent})]
        + [x[1] for x in sent if x[2] == "pressure"]
    )
    assert at_s.to_list() == pytest.approx(truth_s, abs=0.1)
    assert codes(analyse(messages, Profile.default())) == []
    for looked_s in (432.0, 440.0, 450.0, 470.0):
        (row,) = see(looked_s).rows
        bar = 300.0 - 0.09 * (row.pressure_at - log.at(0).timestamp() - 60.0)
        assert row.pressure_bar == pytest.approx(bar, abs=1.0)


@pytest.mark.parametrize("back_s", [240.0, 20.0, 5.0])
def test_a_clock_that_was_really_set_back_is_found(log: Any, see: Any, back_s: float) -> None:
    """The very next readings after an alarm that is the first message on the new clock tell it."""
    one = wear(log, clock=lambda true_s: true_s - (back_s if true_s > 430.0 else 0.0))
    one.say(430.02, *DISTRESS[:1], **DISTRESS[1])
    results = analyse(log.frames(), Profile.default())
    assert codes(results).count("clock_stepped") == 1
    assert raised_s(log, results) == pytest.approx(430.02, abs=0.5)
    for looked_s in (431.0, 432.0, 433.0, 434.0, 435.0, 440.0):
        shown = see(looked_s)
        (row,) = shown.rows
        assert row.silent_since_at is None
        assert row.pressure_at - log.at(0).timestamp() > looked_s - 4.5
        assert len(shown.alarms) == 1
        assert shown.alarms[0].row_key == "trial/S-1"
        if looked_s > 434.0:
            assert row.pressure_at - log.at(0).timestamp() == pytest.approx(looked_s - 1.0, abs=1.1)
            assert shown.alarms[0].raised_at - log.at(0).timestamp() == pytest.approx(430.02, abs=0.5)


def test_a_desk_whose_clock_is_set_back_keeps_the_order_of_its_words(log: Any) -> None:
    """By its own clock, which was set back, the second `in` would come before the `out`."""
    desk = log.talker("D-1", role="desk", clock=lambda true_s: true_s - (600.0 if true_s > 1500 else 0.0))
    who = {"incident_id": "I-1", "wearer_id": "W-1", "set_id": "S-1"}
    for at_s, action in ((50, "in"), (1200, "out"), (1600, "in")):
        desk.say(at_s, "tally", action=action, **who)
    entries = analyse(log.frames(), Profile.default())["entries"].sort("tallied_in")
    assert entries["ended_how"].to_list() == ["tallied_out", "open"]


def test_an_alarm_that_is_numbered_when_sent_among_clocks_and_links_drawn_at_random() -> None:
    """Steps of up to an hour, stores, losses and whole seconds: the alarm stands where it happened."""
    for seed in range(300):
        one, generator = draw(seed), np.random.default_rng(seed + 1_000_000)
        said = one.power_up.channels["pressure"]
        happened = int(generator.integers(50, len(said) - 60))
        sent = min(len(said) - 5, happened + int(generator.integers(30, 400)))
        said.seq[sent + 1 :] += 1
        alarm = Channel(
            seq=said.seq[sent : sent + 1] + 1,
            time_us=said.time_us[happened : happened + 1],
            received_us=said.received_us[sent : sent + 1] + 10_000,
            uptime_s=np.array([np.nan]),
            retained=np.array([False]),
            at_us=said.time_us[happened : happened + 1],
            numbers={},
            rows=[{}],
        )
        both = PowerUp("set", "S-1", 1, {"pressure": said, "alarm": alarm})
        (fit,) = reconcile([both]).fits.values()
        assert len(fit.steps) == one.steps, seed
        off_s = (int(alarm.at_us[0]) - BASE_US) * 1e-6 - one.true_s[happened]
        assert abs(off_s) < 0.6 + 0.8 * one.grain_s, seed


def test_one_that_was_received_long_before_the_number_before_it_is_not_taken_for_late() -> None:
    """Fault found by drawing messages at random: the analysis ended with an error of numpy."""
    time_s, heard_s = np.array([100.0, 50.0, 60.0]), np.array([1000.0, 400.0, 410.0])
    assert not numbered_when_sent(time_s, heard_s, 0.0).any()
