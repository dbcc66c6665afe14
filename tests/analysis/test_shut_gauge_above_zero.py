"""A sensor that reads too high: where its valve is shut, the gauge falls at once and then stands above 0."""

from __future__ import annotations

import functools
from typing import Any

import numpy as np
import pytest

from analysis.incident import analyse
from analysis.profile import Profile
from tests.benchmarks.real_wears import emptied

PROFILE = Profile.default()
SECONDS, OPENED_S = 900, 60
BLEEDS = {"at once": (), "within a second": (15, 3), "slowly": (120, 60, 20, 5)}


@functools.cache
def truth() -> tuple[float, list[float]]:
    """Litres breathed, and the gauge's pressure each second."""
    left_l, bar, _ = emptied(np.full(SECONDS, 40.0 / 60.0), 6.8)
    return float(left_l[0] - left_l[-1]), bar.tolist()


def worn(log: Any, above_bar: float, bleeds: tuple[int, ...], shut_s: int = 12, before_s: int = 0) -> None:
    one, desk = log.talker("S-1"), log.desk()
    one.set_up(0)
    who = {"incident_id": "I-1", "wearer_id": "W-1", "set_id": "S-1"}
    desk.say(OPENED_S - 40, "tally", action="in", **who)
    readings = [*[0.0] * before_s, *truth()[1], *bleeds, *[0.0] * shut_s]
    for number, bar in enumerate(readings):
        shown_bar = float(round(bar + above_bar))
        one.say(OPENED_S - before_s + number, "pressure", pressure_bar=shown_bar)
    desk.say(OPENED_S + SECONDS + 8, "tally", action="out", **who)


@pytest.mark.parametrize("above_bar", [4.0, 6.0, 10.0, 18.0, 22.0, 30.0])
@pytest.mark.parametrize("bleeds", BLEEDS.values(), ids=BLEEDS)
@pytest.mark.parametrize("before_s", [0, 8])
def test_an_ordinary_wear_ends_when_its_valve_is_shut(
    log: Any, above_bar: float, bleeds: tuple[int, ...], before_s: int
) -> None:
    """It ended with 13 bar: 1,791 L instead of 407, "left below the warning", a low-air alarm missing."""
    worn(log, above_bar, bleeds, before_s=before_s)
    results = analyse(log.frames(), PROFILE)
    (wear,) = results["wears"].to_dicts()
    assert abs((wear["ended"] - log.at(OPENED_S + SECONDS - 1)).total_seconds()) < 0.2
    assert wear["end_bar"] == round(truth()[1][-1] + above_bar)
    assert wear["low_air_s"] == 0.0
    # At 30 bar more, each bar is up to 10 % fewer litres: dense gas is harder to compress.
    assert wear["free_air_l"] == pytest.approx(truth()[0], rel=0.11)
    codes = set(results["findings"]["code"])
    assert not codes & {"left_below_warning", "alarm_not_raised", "free_flow", "under_air_below_warning"}
    assert ("pressure_offset" in codes) is (above_bar >= 5.0)


@pytest.mark.parametrize("falls_bar", [0.11, 0.05])
def test_whoever_breathes_on_after_a_loss_to_30_bar_is_still_under_air(log: Any, falls_bar: float) -> None:
    one = log.talker("S-1")
    one.set_up(0)
    one.breathe(60, 300, start_bar=150.0, closes=False)
    bar = [123.0 - 12.0 * number for number in range(8)]
    bar += [39.0 - falls_bar * number for number in range(120)]
    for number, each in enumerate(bar):
        one.say(360 + number, "pressure", pressure_bar=float(round(each)))
    (wear,) = analyse(log.frames(), PROFILE)["wears"].to_dicts()
    assert wear["end_bar"] == round(bar[-1])


def test_live_the_valve_is_shut_once_the_gauge_has_stood_for_a_minute(log: Any, see: Any) -> None:
    worn(log, 22.0, (15, 3), shut_s=200)
    log.talkers[1].said.pop()  # never tallied out
    (row,) = see(OPENED_S + SECONDS + 50).rows
    assert (row.attention, row.pressure_bar) == ("low_air", 22.0)
    (row,) = see(OPENED_S + SECONDS + 70).rows
    assert (row.attention, row.lost.code, row.pressure_bar) == ("not_accounted", "valve_closed", 22.0)
