"""Exactly at a limit: what counts at the low-air warning, at half of it, and how sure the air used is."""

from __future__ import annotations

import dataclasses
import re
from typing import Any

import msgspec
import numpy as np
import polars as pl
import pytest

from analysis.air.breathing_model import VESSEL, used_sd_l
from analysis.air.gas import Cylinder, free_air_l
from analysis.incident import analyse
from analysis.live.attention import judge
from analysis.live.board import LiveBoard
from analysis.live.rows import Row
from analysis.policies import Course, DoubleReturn
from analysis.profile import Profile, shipped_profile, shipped_profiles

PROFILE = Profile.default()
WARNING_BAR = 55.0


def wear_down_to(log: Any, bar: float) -> dict[str, pl.DataFrame]:
    """Return the tables of a wear that falls by a bar each ten seconds and ends at this pressure."""
    talker = log.talker("S-1")
    talker.set_up(0)
    talker.breathe(60, int((300.0 - bar) * 10) + 1, bar_s=0.1)
    desk = log.desk()
    who = {"incident_id": "I-1", "set_id": "S-1", "wearer_id": "W-1"}
    desk.say(50, "tally", action="in", **who)
    return analyse(log.frames(), PROFILE)


@pytest.mark.parametrize(("lowest_bar", "reached"), [(WARNING_BAR, True), (WARNING_BAR + 1.0, False)])
def test_a_reading_at_the_warning_has_reached_it(log: Any, lowest_bar: float, reached: bool) -> None:
    tables = wear_down_to(log, lowest_bar)
    assert (tables["wears"]["low_air_at"][0] is not None) is reached
    assert ("low_air" in tables["alarms"]["alarm"].to_list()) is reached


@pytest.mark.parametrize(("pressure_bar", "low"), [(WARNING_BAR, True), (WARNING_BAR + 0.1, False)])
def test_the_live_row_is_low_at_the_warning(see: Any, log: Any, pressure_bar: float, low: bool) -> None:
    talker = log.talker("S-1")
    talker.set_up(0)
    talker.breathe(60, 300, closes=False)
    log.desk().say(50, "tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1")
    row: Row = see(350).rows[0]
    assert row.attention != "low_air"
    judged = judge(
        msgspec.structs.replace(row, pressure_bar=pressure_bar, reasons=()), {}, log.at(350).timestamp()
    )
    assert (judged.attention == "low_air") is low


@pytest.mark.parametrize(("last_bar", "lost"), [(WARNING_BAR, True), (WARNING_BAR + 30.0, False)])
def test_whoever_falls_silent_at_the_warning_has_no_known_air(
    see: Any, log: Any, last_bar: float, lost: bool
) -> None:
    """Nobody forecasts past the warning, so there is no moment until which the air was expected to last."""
    talker = log.talker("S-1")
    talker.set_up(0)
    last_s = talker.breathe(60, int(300.0 - last_bar) * 5 + 1, bar_s=0.2, closes=False)
    log.desk().say(50, "tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1")
    row: Row = see(last_s + 10).rows[0]
    assert row.silent_since_at is not None
    assert row.pressure_bar == last_bar
    assert (row.lost is not None) is lost
    assert (row.attention == "not_accounted") is lost


@pytest.mark.parametrize(("left_bar", "severity"), [(40.0, "caution"), (30.0, "caution"), (25.0, "serious")])
def test_leaving_with_less_than_half_of_the_warning_is_serious(
    log: Any, left_bar: float, severity: str
) -> None:
    findings = wear_down_to(log, left_bar)["findings"]
    left = findings.filter(pl.col("code") == "left_below_warning")
    assert left["severity"].to_list() == [severity]


def left_of(log: Any) -> list[str]:
    findings = analyse(log.frames(), PROFILE)["findings"]
    return findings.filter(pl.col("code") == "left_below_warning")["statement"].to_list()


def tallied_out_at(log: Any, out_s: float, silent: tuple[float, float] = (0.0, 0.0)) -> None:
    """A wear that goes on from 300 to 30 bar until 1410 s, and its wearer is tallied out in it."""
    desk, talker = log.desk(), log.talker("S-1")
    talker.set_up(0)
    talker.breathe(60, 1351, bar_s=0.2, silent=silent)
    about = {"incident_id": "I-1", "set_id": "S-1", "wearer_id": "W-1"}
    desk.say(50, "tally", action="in", **about)
    desk.say(out_s, "tally", action="out", **about)


def test_the_pressure_on_leaving_is_the_one_that_was_read(log: Any) -> None:
    """The gauge showed 55 bar and the curve 54.7: nobody read that."""
    tallied_out_at(log, 1286.5)  # 54.8 bar, shown as 55: at the warning, not below it
    assert left_of(log) == []
    log.talkers[0].said[-1] = (1302.5, *log.talkers[0].said[-1][1:])
    (told,) = left_of(log)
    assert told.startswith("Tallied out at 10:21:42 UTC with 52 bar, below the warning at 55 bar.")


def test_where_no_reading_was_heard_on_leaving_the_last_one_and_the_estimate_are_told_apart(log: Any) -> None:
    """ "Tallied out with 47 bar": the last reading was 80 bar, and 47 the curve through the silence."""
    tallied_out_at(log, 1325.0, silent=(1160.0, 1390.0))
    (told,) = left_of(log)
    found = re.match(
        r"Tallied out at 10:22:05 UTC with an estimated (\d+) bar \((\d+) to (\d+)\), below the warning at "
        r"55 bar; last read: 80 bar at 10:19:19 UTC\.",
        told,
    )
    assert found is not None, told
    estimate, low, high = map(int, found.groups())
    assert low <= estimate <= high
    assert estimate == pytest.approx(300 - 0.2 * (1325 - 60), abs=5)


def test_double_return_never_asks_for_less_than_the_warning() -> None:
    """Ten bar were used on the way in: twice that is 20 bar, and the warning sounds at 55."""
    at_us = np.arange(0, 3_000, 10, dtype=np.int64) * 1_000_000
    bar = 300.0 - 0.1 * at_us / 1e6
    course = Course(
        entry_us=0,
        entry_bar=300.0,
        at_us=at_us,
        bar=bar,
        low_air_bar=WARNING_BAR,
        cylinder=Cylinder(1, 6.8, 300.0),
        objective_us=100_000_000,
        way_in_min=5.0,
        until_us=int(at_us[-1]),
        early_at_us=np.empty(0, np.int64),
        early_min=np.empty(0),
    )
    judged = DoubleReturn().judge(course)
    assert judged.leave_bar == WARNING_BAR
    assert judged.pressure_bar == WARNING_BAR
    assert judged.at_us == 2_450_000_000


def test_a_gauge_that_is_off_makes_the_air_used_less_sure() -> None:
    """One bar more or less at both ends: litres a bar differ there, and the air used is so unsure."""
    cylinder = Cylinder(1, 6.8, 300.0)
    smoothed = np.zeros((2, 5))
    smoothed[:, 0], smoothed[:, 4] = (1900.0, 700.0), (300.0, 100.0)
    gas_c = np.array([15.0, 15.0])

    def variance_l2(offset_sd_bar: float) -> float:
        vessel = dataclasses.replace(VESSEL, gauge_offset_sd_bar=offset_sd_bar)
        return used_sd_l(smoothed, gas_c, cylinder, vessel, 1.5) ** 2

    def litres_a_bar(bar: float) -> float:
        return float(free_air_l(bar + 0.5, 15.0, 6.8) - free_air_l(bar - 0.5, 15.0, 6.8))

    expected_l = 4.0 * (litres_a_bar(300.0) - litres_a_bar(100.0))
    assert abs(expected_l) > 1.0
    assert variance_l2(4.0) - variance_l2(0.0) == pytest.approx(expected_l**2, rel=1e-9)


def down_before_the_clock(log: Any) -> None:
    """Say a slow one, one down to the warning after 20 min 30 s, and the same one of an unknown cylinder.

    By `fixed_margin` all turn back after 6.8 L x 300 bar / 40 L/min - 10 min = 41 min.
    """
    desk = log.desk()
    for name, bar_s in (("slow", 0.06), ("fast", 0.2), ("unknown", 0.2)):
        talker = log.talker(f"S-{name}")
        if name != "unknown":
            talker.set_up(0)
        talker.breathe(60, 1400, bar_s=bar_s, closes=False)
        who = {"set_id": f"S-{name}", "wearer_id": name, "team": name}
        desk.say(50, "tally", incident_id="I-1", action="in", **who)
        desk.say(1470, "tally", incident_id="I-1", action="out", **who)


@pytest.mark.parametrize("name", shipped_profiles())
def test_every_policy_turns_back_at_the_warning_at_the_latest(log: Any, name: str) -> None:
    """Also with a reserve below the warning, on the way in, and of a cylinder that nobody named."""
    down_before_the_clock(log)
    profile = shipped_profile(name)
    half = msgspec.structs.replace(profile.turn_back.half_of_usable, reserve_bar=1.0, round_up_bar=0.0)
    rules = msgspec.structs.replace(profile.turn_back, way_in_min=60.0, half_of_usable=half)
    tables = analyse(log.frames(), msgspec.structs.replace(profile, turn_back=rules))
    low_at = tables["wears"].filter(wearer_id="fast")["low_air_at"].item()
    due = tables["turn_back"].filter(policy=profile.turn_back.policy, wear_id="S-fast/1/1").to_dicts()
    assert due[0]["at"] is not None
    assert due[0]["at"] <= low_at
    entries = {row["wearer_id"]: row for row in tables["entries"].to_dicts()}
    for who in ("fast", "unknown"):
        assert entries[who]["turn_back_at"] <= low_at
        assert entries[who]["turn_back_bar"] >= WARNING_BAR


@pytest.mark.parametrize("name", ["fixed_margin", "double_return"])
def test_nobody_near_the_warning_reads_minutes_beyond_it(log: Any, name: str) -> None:
    """And nobody with more air left is above: neither by the clock, nor while the way in is not over."""
    down_before_the_clock(log)
    profile = shipped_profile(name)
    rules = msgspec.structs.replace(profile.turn_back, way_in_min=60.0)
    see = log.seen_on(LiveBoard(msgspec.structs.replace(profile, turn_back=rules)))
    snapshot = see(1200)
    rows = {row.wearer_id: row for row in snapshot.rows}
    assert [row.wearer_id for row in snapshot.rows][2] == "slow"
    for who in ("fast", "unknown"):
        row = rows[who]
        assert row.low_air is not None
        assert row.low_air.low < 5.0
        assert row.attention == "turn_back_soon"
        if name == "fixed_margin":
            assert row.turn_back is not None
            assert (row.turn_back.low, row.turn_back.median) == (row.low_air.low, row.low_air.median)
            (team,) = [one for one in snapshot.teams if one.team == who]
            assert team.turn_back == row.turn_back
            assert row.relief_at is not None
            assert row.relief_at <= log.at(1200).timestamp()
    for row in see(1320).rows:
        if row.wearer_id != "slow":
            assert row.turn_back_reached_at == pytest.approx(log.at(1285).timestamp(), abs=10)
    assert rows["slow"].attention == "under_air"
