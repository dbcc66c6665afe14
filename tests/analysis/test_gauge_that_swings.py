"""A gauge that falls at each breath and comes back: its seconds stay under air, and it is told, live too."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from analysis.incident import analyse
from analysis.profile import Profile
from tests.benchmarks.real_wears import emptied

PROFILE = Profile.default()
FROM_S, UNTIL_S = 420, 660
BAR_S, HARD_BAR_S = 0.1, 0.14


def worn(
    log: Any,
    falls: list[float],
    from_s: int = FROM_S,
    until_s: int = UNTIL_S,
    seconds: int = 900,
    parts: list[float] | None = None,
) -> None:
    """Tell a wear whose gauge is below the cylinder's pressure by `falls` in turn, once a second.

    `parts`: what the gauge shows of it instead, in turn; a wearer of a cylinder so low breathes harder.
    """
    one = log.talker("S-1")
    one.set_up(0)
    one.say(57, "pressure", pressure_bar=0.0)
    log.desk().say(1, "tally", action="in", incident_id="I-1", wearer_id="W-1", set_id="S-1")
    for second in range(seconds):
        fall = falls[(second - from_s) % len(falls)] if from_s <= second < until_s else 0.0
        bar = max(round(296.0 - BAR_S * second - fall), 0.0)
        if parts is not None:
            part = parts[(second - from_s) % len(parts)] if from_s <= second < until_s else 1.0
            bar = max(round(part * (296.0 - HARD_BAR_S * second)), 0)
        one.say(60 + second, "pressure", pressure_bar=bar)
        one.say(60 + second + 0.2, "motion", motion_m_s2=1.0, still_s=0.0)
    for second, bar in enumerate((60.0, 10.0, 0.0, 0.0)):
        one.say(60 + seconds + second, "pressure", pressure_bar=bar)


def told(log: Any) -> tuple[list[dict[str, Any]], dict[str, Any], list[dict[str, Any]]]:
    results = analyse(log.frames(), PROFILE)
    (entry,) = results["entries"].to_dicts()
    findings = [row for row in results["findings"].to_dicts() if row["code"] == "gauge_swung"]
    return results["wears"].to_dicts(), entry, findings


FALLS = {
    "back at times": [0.0, 60.0, 120.0, 40.0, 90.0],
    "never back": [40.0, 100.0, 120.0, 60.0, 110.0],
    "at every breath": [0.0, 0.0, 70.0, 110.0, 110.0, 80.0],
    "by less than 25 bar a second": [0.0, 20.0, 40.0, 60.0, 80.0, 60.0, 30.0],
}


@pytest.mark.parametrize("falls", FALLS.values(), ids=FALLS)
def test_the_seconds_of_a_gauge_that_swings_are_under_air(log: Any, falls: list[float]) -> None:
    """Four minutes vanished from the record: no wear, no gap, no finding."""
    worn(log, falls)
    wears, entry, findings = told(log)
    assert len(wears) == 1
    assert entry["under_air_s"] == pytest.approx(899.0, abs=1.0)
    assert entry["unheard_s"] == 0.0
    assert entry["lowest_bar"] == pytest.approx(296.0 - BAR_S * UNTIL_S - max(falls), abs=2.0)
    log.talkers.clear()
    worn(log, [0.0])
    assert entry["free_air_l"] == pytest.approx(told(log)[1]["free_air_l"], rel=0.03)
    (finding,) = findings
    assert finding["severity"] == "serious"
    lows = range(FROM_S, UNTIL_S)
    assert (finding["started"] - log.at(60 + lows[0])).total_seconds() == pytest.approx(0.0, abs=7.0)
    assert (finding["ended"] - log.at(60 + lows[-1])).total_seconds() == pytest.approx(0.0, abs=7.0)


def test_nothing_else_is_made_of_it(log: Any) -> None:
    worn(log, FALLS["back at times"])
    codes = set(analyse(log.frames(), PROFILE)["findings"]["code"])
    wrong = {"free_flow", "cylinder_changed", "readings_set_aside", "pressure_rose", "readings_dropped_out"}
    assert not codes & wrong


def test_a_valve_shut_for_some_seconds_is_the_same_cylinder(log: Any) -> None:
    """213 bar, 64 for four seconds, 0 for eight, then 208: that was a changed cylinder."""
    worn(log, [150.0] * 4 + [300.0] * 8, 480, 492)
    wears, entry, (finding,) = told(log)
    assert len(wears) == 1
    assert (entry["lowest_bar"], entry["entry_bar"]) == (0.0, 296.0)
    assert entry["turn_back_at"] is None or (entry["turn_back_at"] - log.at(60 + 492)).total_seconds() > 60.0
    assert finding["severity"] == "caution"
    assert "to 0 bar" in finding["statement"]


@pytest.mark.parametrize(
    ("falls", "from_s", "until_s"),
    [
        ([250.0] * 7 + [300.0] * 9, 30, 46),
        ([0.0, 24.0], 420, 660),
        ([0.0, 60.0], 420, 421),
        ([120.0], 420, 440),
    ],
    ids=["a full cylinder is tried", "small swings", "one slip", "one fall"],
)
def test_what_does_not_swing_is_not_said_to(log: Any, falls: list[float], from_s: int, until_s: int) -> None:
    worn(log, falls, from_s, until_s)
    assert told(log)[2] == []


@pytest.mark.parametrize("falls", FALLS.values(), ids=FALLS)
def test_the_board_shows_the_lowest_and_says_that_it_swings(log: Any, see: Any, falls: list[float]) -> None:
    worn(log, falls)
    (before,) = see(60 + FROM_S - 5).rows
    for second in (FROM_S + 30, FROM_S + 121, FROM_S + 122, UNTIL_S - 3):
        (row,) = see(60 + second + 0.06).rows
        assert row.lost is None
        assert row.started_at == before.started_at
        lowest = 296.0 - BAR_S * second - max(falls)
        assert row.pressure_bar == pytest.approx(lowest, abs=3.0)
        assert "swings" in [one.code for one in row.reasons]
        assert row.losing_min is None
        assert row.turn_back is not None
        assert row.turn_back.low == 0.0
        if row.low_air is not None:
            assert row.low_air.median < before.low_air.median / 2.0
    (after,) = see(60 + UNTIL_S + 90.06).rows
    assert "swings" not in [one.code for one in after.reasons]
    assert after.pressure_bar == pytest.approx(296.0 - BAR_S * (UNTIL_S + 90), abs=1.0)


PARTS = {
    "in steps": [1.0, 0.7, 0.42, 0.8, 0.55],
    "by halves": [1.0, 0.75, 0.5, 0.75],
    "high again once in 20 s": [1.0, *[0.8, 0.4, 0.7, 0.5] * 5],
}
LOW_S = 1740
"""The cylinder holds 52 bar then: one step of the swings is less than 25 bar from 100 bar on."""


@pytest.mark.parametrize("parts", PARTS.values(), ids=PARTS)
def test_swings_of_a_low_cylinder_take_no_high_reading_away(log: Any, parts: list[float]) -> None:
    """All swings became one fall of twenty minutes, the high readings too: turned back a quarter late."""
    worn(log, [0.0], 340, LOW_S - 20, LOW_S, [1.0])
    (_, right, nothing) = told(log)
    assert nothing == []
    log.talkers.clear()
    worn(log, [0.0], 340, LOW_S - 20, LOW_S, parts)
    wears, entry, findings = told(log)
    assert len(wears) == 1
    assert entry["under_air_s"] == right["under_air_s"]
    assert (entry["turn_back_at"] - right["turn_back_at"]).total_seconds() == pytest.approx(0.0, abs=25.0)
    assert entry["free_air_l"] == pytest.approx(right["free_air_l"], rel=0.03)
    (finding,) = findings
    assert finding["severity"] == "serious"
    times = int(finding["statement"].split(" the reading fell ")[1].split()[0])
    assert times >= (1000 - 340) / len(parts)


@pytest.mark.parametrize("parts", PARTS.values(), ids=PARTS)
def test_the_turn_back_of_a_gauge_that_swings_never_moves_back(
    log: Any, see: Any, parts: list[float]
) -> None:
    worn(log, [0.0], 340, LOW_S - 20, LOW_S, parts)
    due_at = log.at(60 + (296.0 - (296.0 + 55.0) / 2.0) / HARD_BAR_S).timestamp()
    reached = []
    for second in range(960, LOW_S - 20, 39):
        (row,) = see(60 + second + 0.06).rows
        assert row.lost is None
        reached.append(row.turn_back_reached_at)
    assert reached == pytest.approx([due_at] * len(reached), abs=25.0)
    assert np.ptp(reached) < 10.0


@pytest.mark.parametrize("lost_l_min", [260.0, 55.0])
def test_a_gauge_that_stands_after_a_loss_of_air_may_be_held_by_the_gas(log: Any, lost_l_min: float) -> None:
    """It said that the wearer hardly breathed: CoolProp's gas warms as fast as 55 L/min empty it."""
    flow = np.full(901, 55.0 / 60.0)
    flow[480:550] = lost_l_min / 60.0
    _, bar, _ = emptied(flow, 6.8)
    one = log.talker("S-1")
    one.set_up(0)
    one.say(57, "pressure", pressure_bar=0.0)
    for second in range(900):
        shown = bar[550] if 550 <= second < 575 else bar[second]  # alike for some seconds at least
        one.say(60 + second, "pressure", pressure_bar=float(round(shown)))
        one.say(60 + second + 0.2, "motion", motion_m_s2=1.0, still_s=0.0)
    findings = analyse(log.frames(), PROFILE)["findings"]
    stuck = findings.filter(code="readings_stuck")["statement"].to_list()
    assert ["warmed up after a loss of air" in one for one in stuck] == ([True] if lost_l_min > 200.0 else [])


def test_a_burst_hose_over_some_readings_is_no_swing(log: Any) -> None:
    worn(log, [0.0], seconds=500)
    falling = [246.0 - 6.0 * second for second in range(1, 30)]
    log.talkers[0].said = [one for one in log.talkers[0].said if one[0] < 560]
    for second, bar in enumerate([*falling, *[72.0 - 0.1 * one for one in range(200)]]):
        log.talkers[0].say(560 + second, "pressure", pressure_bar=float(round(bar)))
    assert told(log)[2] == []
