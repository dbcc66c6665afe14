"""A clock that stands still or hardly runs is none: its messages are placed where they were received."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest

from analysis.clocks.clocks import fit_clocks
from analysis.incident import analyse
from analysis.profile import Profile
from tests.analysis.test_reconciled_clock import ALLOWED_S, Delay, errors_s, speak


def test_a_clock_that_stands_still_is_none(log: Any) -> None:
    """Nobody can tell its times: every message is placed where it was received, and a finding says so."""
    one = log.talker("S-1", clock=lambda t: min(t, 20.0))
    one.set_up(4)
    for second in range(10, 900, 2):
        one.say(second, "pressure", pressure_bar=300.0 - second * 0.1)
    messages = log.frames()
    clocks = fit_clocks(messages)
    assert clocks.table.height == 0
    assert (
        clocks.reconciled(messages["pressure"])["at"].to_list() == messages["pressure"]["received"].to_list()
    )
    results = analyse(messages, Profile.default())
    (wear,) = results["wears"].to_dicts()
    assert (wear["ended"] - wear["started"]).total_seconds() == pytest.approx(888.0, abs=10.0)
    (told,) = results["findings"].filter(pl.col("code") == "clock_stood").to_dicts()
    assert "10:00:20 UTC" in told["statement"]
    assert "heard_late" not in results["findings"]["code"].to_list()


def test_a_set_without_a_clock_is_no_obstacle_to_its_incident(log: Any) -> None:
    """Report, case and review of the whole incident ended with a traceback."""
    desk = log.desk()
    for number, clock in enumerate((lambda t: min(t, 20.0), lambda t: t), 1):
        one = log.talker(f"S-{number}", clock=clock)
        one.set_up(4)
        one.breathe(10, 300)
        told = {"incident_id": "I-1", "wearer_id": f"W-{number}", "set_id": one.name, "team": "Larch"}
        desk.say(5, "tally", action="in", **told)
        desk.say(400, "tally", action="out", **told)
    clocks = analyse(log.frames(), Profile.default(), "I-1")["clocks"]
    assert clocks["set_id"].to_list() == ["S-2"]


def test_a_clock_that_stands_still_is_no_silence_on_the_board(log: Any, see: Any) -> None:
    one = log.talker("S-1", clock=lambda t: min(t, 20.0))
    one.set_up(4)
    for second in range(10, 900, 2):
        one.say(second, "pressure", pressure_bar=300.0 - second * 0.1)
    for looked_s in (101, 301, 881):
        (shown,) = see(looked_s).rows
        assert shown.silent_since_at is None
    assert see(960).rows[0].silent_since_at == pytest.approx(log.at(898).timestamp(), abs=1.0)


def seconds_as_ms(log: Any, until_s: float = np.inf) -> Callable[[float], float]:
    """Return a clock whose time in seconds is read as milliseconds, until its mapping is put right."""
    now_s = log.at(0).timestamp()
    return lambda t: (int(now_s + t) / 1000.0 - now_s) if t < until_s else t


@pytest.mark.parametrize("until_s", [np.inf, 600.0])
def test_a_clock_that_hardly_runs_is_none(log: Any, see: Any, until_s: float) -> None:
    """Seconds read as milliseconds: 15 minutes under air were 0.9 s, at 40,000 L/min."""
    one = log.talker("S-1", clock=seconds_as_ms(log, until_s), delay=lambda t: 40.0 if 300 < t < 340 else 0.1)
    one.set_up(4)
    for second in range(10, 900, 2):
        one.say(second, "pressure", pressure_bar=300.0 - second * 0.1)
    for looked_s in (101, 451, 881):
        (shown,) = see(looked_s).rows
        assert shown.silent_since_at is None
        assert shown.pressure_at == pytest.approx(log.at(looked_s).timestamp(), abs=3.0)
    messages = log.frames()
    assert fit_clocks(messages).table.height == 0
    results = analyse(messages, Profile.default())
    (wear,) = results["wears"].to_dicts()
    assert (wear["ended"] - wear["started"]).total_seconds() == pytest.approx(888.0, abs=10.0)
    (told,) = results["findings"].filter(code="clock_stood").to_dicts()
    assert not results["findings"]["code"].is_in(["clock_wrong", "clock_stepped", "heard_late"]).any()
    ran = "0.9 s in 14 min 54 s" if until_s == np.inf else "0.6 s in 9 min 54 s"  # from 4 s to 898 s or 598 s
    assert f"ran {ran} (a time in s, read as ms?)" in told["statement"]


def test_a_clock_of_another_pace_is_none(log: Any, see: Any, jitter: Delay) -> None:
    """Minutes that are read as seconds: 2,300 L/min, and an empty cylinder after 15 s."""
    one = log.talker("S-1", clock=lambda t: t / 60, delay=jitter)
    right = log.talker("S-2", delay=jitter)
    for talker in (one, right):
        talker.set_up(4)
        for second in range(10, 900, 2):
            talker.say(second, "pressure", pressure_bar=300.0 - second * 0.1)
    for looked_s in (301, 881):
        wrong, known = sorted(see(looked_s).rows, key=lambda row: row.set_id or "")
        assert wrong.rate_l_min == pytest.approx(known.rate_l_min, rel=0.03)
        assert wrong.pressure_at == pytest.approx(known.pressure_at, abs=1.0)
    results = analyse(log.frames(), Profile.default())
    wears = results["wears"].sort("set_id")
    assert wears["mean_l_min"][0] == pytest.approx(wears["mean_l_min"][1], rel=0.01)
    assert (wears["started"][0] - wears["started"][1]).total_seconds() == pytest.approx(0.0, abs=2.0)
    (told,) = results["findings"].filter(pl.col("code").str.starts_with("clock_")).to_dicts()
    assert (told["code"], told["set_id"]) == ("clock_stood", "S-1")
    assert "ran 14.9 s in 14 min 54 s. All" in told["statement"]
    assert results["clocks"]["set_id"].to_list() == ["S-2"]


@pytest.mark.parametrize("delay", ["falls", "drains", "drains evenly at first", "drains evenly"])
def test_a_delay_that_changes_is_no_clock_of_another_pace(log: Any, delay: str) -> None:
    delays: dict[str, Delay] = {
        "falls": lambda t: t,
        "drains": lambda t: 60.0 * np.exp(-t / 60.0),
        "drains evenly at first": lambda t: max(30.0 - 0.6 * t, 0.0),
        "drains evenly": lambda t: 0.1 * (600.0 - t),  # a store, sent at the rate of the link
    }
    speak(log, seconds=600, delay=delays[delay])
    for until_s in (70, 120, 180, 240, 620):
        heard = {
            kind: frame.filter(pl.col("received") <= log.at(until_s)) for kind, frame in log.frames().items()
        }
        assert fit_clocks(heard).table.height == 1


@pytest.mark.parametrize("slower", [0.0, 1e-3])
def test_an_uptime_that_hardly_runs_is_not_used(log: Any, jitter: Delay, slower: float) -> None:
    speak(log, delay=jitter, powered_s=-10.0)
    messages = {
        kind: frame.with_columns(pl.col("uptime_s") * slower) if "uptime_s" in frame.columns else frame
        for kind, frame in log.frames().items()
    }
    assert np.abs(errors_s(log, messages, fit_clocks(messages))).max() < ALLOWED_S


@pytest.mark.parametrize("slower", [2.0, 20.0])
def test_a_link_that_falls_behind_is_no_clock_that_stands(log: Any, slower: float) -> None:
    speak(log, seconds=600, delay=lambda t: (slower - 1.0) * t)
    assert fit_clocks(log.frames()).table.height == 1


@pytest.mark.parametrize("every_s", [0.2, 2.0])
def test_a_clock_of_whole_seconds_does_not_stand_still(log: Any, every_s: float) -> None:
    one = log.talker("S-1", clock=lambda t: float(int(t)))
    for number in range(300):
        one.say(number * every_s, "pressure", pressure_bar=200.0)
    assert fit_clocks(log.frames()).table.height == 1
