"""A pressure read by voice counts while a set is silent: in the review's air as in the live one."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import polars as pl
import pytest

from analysis.incident import analyse
from analysis.live.rows import ORDER
from analysis.live.voice import low_air_lines
from analysis.profile import Profile
from analysis.wears.corrections import Settlement
from tests.analysis.test_nobody_disappears import codes, only, tally

PROFILE = Profile.default()
SILENT = (660.0, 1860.0)
ASKED_S = 1260.0


def breathed_hard_while_silent(log: Any, gauge_bar: float | None, said_s: float = ASKED_S) -> None:
    """20 bar a minute are used in the silence's first half and none in its second; before and after, 6."""
    one = log.talker("S-1")
    one.set_up(-1)
    one.breathe(60, 600, bar_s=0.1, closes=False, only_pressure=True)
    one.breathe(1860, 600, start_bar=40.0 + 120.0 - 20.0, bar_s=0.1, opens=False, only_pressure=True)
    desk = log.desk()
    desk.say(50, "tally", incident_id="I-1", action="in", wearer_id="W-1", set_id="S-1", team="Larch")
    if gauge_bar is not None:
        desk.say(said_s, "gauge", incident_id="I-1", set_id="S-1", pressure_bar=gauge_bar)


def air_at(log: Any, true_s: float) -> dict[str, Any]:
    air = analyse(log.frames(), PROFILE)["air"]
    row: dict[str, Any] = air.filter(pl.col("time") >= log.at(true_s)).row(0, named=True)
    return row


def test_the_reviews_air_passes_through_a_gauge_read_in_a_silence(log: Any) -> None:
    breathed_hard_while_silent(log, None)
    without = air_at(log, ASKED_S)
    breathed_hard_while_silent(log, 150.0)
    told = air_at(log, ASKED_S)
    # The straight line between 240 and 140 bar is 190 there; the dial said 150, in steps of 10 bar.
    assert without["pressure_bar"] == pytest.approx(190.0, abs=10.0)
    assert told["pressure_bar"] == pytest.approx(150.0, abs=6.0)
    assert told["pressure_sd_bar"] < without["pressure_sd_bar"]


def test_a_gauge_far_below_what_was_expected_brings_the_warning_forward_at_once(log: Any, see: Any) -> None:
    """It was set aside as a slip of a sensor: a wearer with 100 bar got the forecast of one with 210."""
    for number in (1, 2):
        one = log.talker(f"S-{number}")
        one.set_up(-1)
        one.breathe(60, 240, bar_s=0.14, closes=False, only_pressure=True)
    desk = log.desk()
    for number in (1, 2):
        who = {"wearer_id": f"W-{number}", "set_id": f"S-{number}", "team": f"T-{number}"}
        desk.say(50, "tally", incident_id="I-1", action="in", **who)
    before = {row.wearer_id: row.low_air_was_expected_at for row in see(595).rows}
    for number, bar in ((1, 100.0), (2, 210.0)):
        desk.say(600, "gauge", incident_id="I-1", set_id=f"S-{number}", pressure_bar=bar)
    after = {row.wearer_id: row.low_air_was_expected_at for row in see(605).rows}
    assert before["W-1"] is not None
    assert after["W-1"] is not None
    assert after["W-2"] is not None
    # 45 bar above the warning, after 158 bar in 300 s. Before the gauge: 10 to 46 minutes from now.
    assert after["W-1"][0] < log.at(750).timestamp()
    assert after["W-1"][1] < log.at(1300).timestamp()
    assert after["W-2"][0] > after["W-1"][1]
    # More than expected is believed like any reading: not from one alone.
    higher = see(606)
    desk.say(607, "gauge", incident_id="I-1", set_id="S-1", pressure_bar=290.0)
    (now,) = [row.low_air_was_expected_at for row in see(610).rows if row.wearer_id == "W-1"]
    (then,) = [row.low_air_was_expected_at for row in higher.rows if row.wearer_id == "W-1"]
    assert now == pytest.approx(then, abs=10.0)


def test_no_gauge_was_read_after_it_was_told(log: Any, see: Any) -> None:
    """By an hour of the wrong zone, 110 bar were shown nowhere for so long, and then as read just now."""
    one, desk = log.talker("S-1"), log.desk()
    one.set_up(-1)
    one.breathe(60, 240, closes=False, only_pressure=True)
    desk.say(50, "tally", incident_id="I-1", action="in", wearer_id="W-1", set_id="S-1")
    later = f"{log.at(400 + 3600).replace(tzinfo=None).isoformat()}Z"
    desk.say(400, "gauge", incident_id="I-1", set_id="S-1", pressure_bar=110.0, at=later)
    (row,) = see(405).rows
    assert (row.pressure_bar, row.by_voice) == (110.0, True)
    assert row.pressure_at == pytest.approx(log.at(400).timestamp(), abs=0.1)


def test_a_gauge_while_the_set_itself_is_heard_changes_nothing(log: Any) -> None:
    breathed_hard_while_silent(log, None)
    without = analyse(log.frames(), PROFILE)["air"]
    log.talkers[-1].say(300, "gauge", incident_id="I-1", set_id="S-1", pressure_bar=120.0)
    assert analyse(log.frames(), PROFILE)["air"].equals(without)


def test_the_live_forecast_in_a_silence_is_the_reviews_of_that_second(log: Any, see: Any) -> None:
    """The set comes back for one second; live and review then know the same readings and the same gauge."""
    breathed_hard_while_silent(log, 150.0)
    see(ASKED_S + 5)  # live takes the gauge while the set is silent
    (row,) = see(2000.5).rows
    review = air_at(log, 2000)
    assert row.low_air is not None
    assert row.low_air.median == pytest.approx(review["low_air_min"], abs=0.1)
    assert row.low_air.low == pytest.approx(review["low_air_lo_min"], abs=0.1)


@pytest.mark.parametrize(
    ("settled_s", "about", "shown"),
    [
        (None, {}, True),
        (-0.1, {}, True),
        (0.0, {}, False),
        (9.0, {}, False),
        (9.0, {"set_id": "S-2"}, True),
        (9.0, {"alarm": "distress"}, True),
        (9.0, {"wearer_id": "W-2"}, True),
        (9.0, {"wearer_id": "W-1"}, False),
    ],
)
def test_a_word_from_before_a_low_gauge_does_not_close_its_warning(
    settled_s: float | None, about: dict[str, str], shown: bool
) -> None:
    said_at = 1_900_000_000.0
    word = Settlement(0, "S-1", "I-1", "low_air", "out", "D-1/1/1")
    changes: dict[str, Any] = {"at_us": round((said_at + (settled_s or 0.0)) * 1e6), **about}
    said = [replace(word, **changes)] if settled_s is not None else []
    row: Any = SimpleNamespace(
        low_by_word_at=said_at, service="trial", key="k", set_id="S-1", wearer_id="W-1", team=None,
        incident_id="I-1", sent_low_at=None,
    )  # fmt: skip
    desks: Any = {"trial": SimpleNamespace(resolved=said, seen_since=lambda about, at: (at + 5.0, "D-1"))}
    lines = low_air_lines([row], [], desks)
    assert [(line.alarm, line.raised_at, line.seen_at) for line in lines] == (
        [("low_air", said_at, said_at + 5.0)] if shown else []
    )
    # The set's own warning says it already; one that is over, or another alarm, does not.
    of_set: Any = (
        [SimpleNamespace(row_key="k", alarm="low_air", ended_at=None)],
        [SimpleNamespace(row_key="k", alarm="low_air", ended_at=said_at)],
        [SimpleNamespace(row_key="k", alarm="distress", ended_at=None)],
    )
    assert [len(low_air_lines([row], each, desks)) for each in of_set] == [0, int(shown), int(shown)]
    row.low_by_word_at = None
    assert low_air_lines([row], [], desks) == []


def gauge(desk: Any, at_s: float, bar: float) -> None:
    desk.say(at_s, "gauge", incident_id="I-1", set_id="S-1", pressure_bar=bar)


def test_a_gauge_by_voice_is_the_pressure_of_a_silent_set(log: Any, see: Any) -> None:
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    one = log.talker("S-1")
    one.set_up(0)
    tally(desk, 1, "in", "W-1", "S-1")
    one.breathe(20, 300, closes=False, only_pressure=True)
    gauge(desk, 900, 150.0)
    gauge(desk, 1500, 40.0)
    before, row = only(see(890)), only(see(910))
    assert (row.pressure_bar, row.by_voice) == (150.0, True)
    assert row.pressure_at == pytest.approx(log.at(900).timestamp(), abs=0.1)
    assert ORDER[row.attention] <= ORDER[before.attention]
    assert "turn_back" in codes(row)
    low = see(1510)
    assert (only(low).pressure_bar, low.teams[0].lowest_bar) == (40.0, 40.0)
    assert only(low).attention == "not_accounted"
    assert "low_air" in codes(only(low))


def test_gauges_by_voice_are_all_that_is_known_of_a_set_that_was_never_heard(log: Any, see: Any) -> None:
    desk = log.desk()
    log.talker("S-1").set_up(0)
    tally(desk, 1, "in", "W-1", "S-1")
    for at_s, bar in ((60, 290.0), (900, 150.0), (1500, 40.0)):
        gauge(desk, at_s, bar)
    row = only(see(70))
    assert (row.pressure_bar, row.by_voice, row.turn_back_bar) == (290.0, True, 172.5)
    assert row.turn_back_was_expected_at is not None
    assert row.turn_back_was_expected_at[0] > log.at(60).timestamp()
    row = only(see(910))
    assert row.pressure_bar == 150.0
    assert row.turn_back_reached_at == pytest.approx(log.at(900).timestamp(), abs=0.1)
    assert see(1510).teams[0].lowest_bar == 40.0
    assert "low_air" in codes(only(see(1511)))
