"""Somebody in by the tally whose cylinder is empty, or whose valve is shut: said, with what came last."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.incident import analyse
from analysis.profile import Profile

WHO = {"incident_id": "I-1", "set_id": "S-1", "wearer_id": "W-1", "team": "Larch"}


def breathed_out(
    log: Any, *, out_s: float | None, empty_for_s: int = 600, end_bar: float = 5.0
) -> dict[str, Any]:
    """From 305 bar at 60 s to `end_bar` at 1560 s, without motion from 1300 s; then 0 bar, still on."""
    talker = log.talker("S-1")
    talker.say(-30, "power", state="on", battery_fraction=0.8)
    talker.set_up(-29)
    last_s = talker.breathe(
        60,
        1501,
        start_bar=300.0 + end_bar,
        bar_s=0.2,
        closes=False,
        motion=lambda true_s: 1.0 if true_s < 1300 else 0.0,
    )
    for number in range(1, empty_for_s + 1):
        talker.say(last_s + number, "pressure", pressure_bar=0.0)
        talker.say(last_s + number + 0.1, "motion", motion_m_s2=0.0, still_s=last_s + number - 1299)
    desk = log.desk()
    desk.say(-60, "incident", incident_id="I-1", action="open")
    desk.say(55, "tally", action="in", **WHO)
    if out_s is not None:
        desk.say(out_s, "tally", action="out", **WHO)
    desk.say(9000, "incident", incident_id="I-1", action="close")
    return analyse(log.frames(), Profile.default())


def told(results: Any, code: str = "cylinder_empty_inside") -> list[tuple[str, str]]:
    return [(row["severity"], row["statement"]) for row in results["findings"].filter(code=code).to_dicts()]


def test_who_runs_out_of_air_inside_is_told_with_the_last_motion_and_the_last_message(log: Any) -> None:
    """The record ended with "last heard", and said that there was no silence."""
    results = breathed_out(log, out_s=None)
    ((severity, statement),) = told(results)
    assert severity == "serious"
    assert "last under air at 10:26:00 UTC with 5 bar, 0 bar at 10:26:01 UTC" in statement
    assert "nobody said out, and the incident closed at 12:30:00 UTC, 2 h 3 min later" in statement
    assert "no motion from 10:21:39 UTC to 10:36:00 UTC, the last of them" in statement
    assert (
        "The last message of set S-1 is of 10:36:00 UTC; nothing was heard of it in the 1 h 54 min"
        in statement
    )
    (gap,) = results["gaps"].to_dicts()
    lasted = [(gap[name] - log.at(0)).total_seconds() for name in ("started", "ended")]
    assert lasted == pytest.approx([2160.1, 9000], abs=0.1)
    (entry,) = results["entries"].to_dicts()
    assert entry["unheard_s"] == pytest.approx(9000 - 2160.1, abs=0.1)
    assert (entry["last_heard"] - log.at(1560)).total_seconds() == pytest.approx(
        0, abs=0.1
    )  # the last reading under air, by the contract


@pytest.mark.parametrize(
    ("out_s", "severity"), [(1620, None), (1622, "caution"), (1740, "caution"), (1742, "serious")]
)
def test_who_is_said_to_be_out_within_a_minute_may_have_emptied_it_outside(
    log: Any, out_s: float, severity: str | None
) -> None:
    """A minute, our own rule; three, as long as a silence that is serious (the profile's)."""
    results = breathed_out(log, out_s=out_s)
    assert [one for one, _ in told(results)] == ([severity] if severity else [])
    assert not len(results["gaps"])  # the set went on sending


@pytest.mark.parametrize(("end_bar", "code"), [(5.0, None), (120.0, "valve_shut_before_out")])
@pytest.mark.parametrize("out_s", [1850, 1870])
def test_a_valve_shut_on_air_long_before_the_word_out_is_a_note(
    log: Any, out_s: float, end_bar: float, code: str | None
) -> None:
    """Five minutes, our own rule."""
    notes = told(breathed_out(log, out_s=out_s, end_bar=end_bar), "valve_shut_before_out")
    assert bool(notes) == (code is not None and out_s > 1860)
    assert all(severity == "note" for severity, _ in notes)


def test_a_stillness_that_no_set_reported_is_told_with_how_long_it_lasted(log: Any) -> None:
    """Still from 1300 s, an alarm by the readings 30 s after the last motion; under air to 1560 s."""
    (statement,) = [
        one
        for _, one in told(breathed_out(log, out_s=1600), "alarm_not_raised")
        if "no-motion alarm (derived)" in one
    ]
    lasted = (
        "it lasted 3 min 51 s, to the last reading under air at 10:26:00 UTC, and nobody marked it as seen."
    )
    assert statement.endswith(lasted)


def bled_down(log: Any, first_after: tuple[float, ...], said_bar: float | None = 95.0) -> dict[str, Any]:
    """228 bar at 360 s, no reading for 18 min, then these a second apart; `said_bar`: by voice before."""
    talker = log.talker("S-1")
    talker.set_up(0)
    talker.breathe(60, 301, start_bar=300.0, bar_s=0.24, closes=False)
    for number, bar in enumerate((*first_after, 0.0, 0.0, 0.0)):
        talker.say(1441 + number, "pressure", pressure_bar=bar)
    desk = log.desk()
    desk.say(55, "tally", action="in", **WHO)
    if said_bar is not None:
        desk.say(1380, "gauge", incident_id="I-1", set_id="S-1", pressure_bar=said_bar)
    desk.say(1500, "tally", action="out", **WHO)
    return analyse(log.frames(), Profile.default())


def test_the_first_reading_after_a_silence_that_falls_at_once_may_be_the_hoses_and_counts(log: Any) -> None:
    """38 bar, then 15 and 6 within 2 s. It "jumped and returned"; left out, the lowest was 228 bar."""
    results = bled_down(log, (38.0, 15.0, 6.0))
    (entry,) = results["entries"].to_dicts()
    assert entry["lowest_bar"] == 38.0
    assert entry["low_air_at"] is not None
    assert not len(results["findings"].filter(code="readings_set_aside"))
    (silence,) = results["findings"].filter(code="silence_under_air")["statement"]
    assert "from 10:06:00 UTC (228 bar) to 10:24:01 UTC (38 bar, which fell to nothing at once" in silence


@pytest.mark.parametrize(("said_bar", "left_l"), [(None, 1470), (95.0, 652)])
def test_what_may_be_the_hoses_is_told_as_both_and_gives_no_rate(
    log: Any, said_bar: float | None, left_l: float
) -> None:
    """The litres were those of 38 bar or of 95, give or take 19.

    6.8 L hold 1,828 L at 300 bar, 1,470 L at 228, 652 L at 95 265 L at 38 (all at 20 °C) and
    313 L at 38 bar and -20 °C (CoolProp).
    """
    results = bled_down(log, (38.0, 15.0, 6.0), said_bar)
    ((_, statement),) = told(results, "left_below_warning")
    assert "Last under air at 10:24:01 UTC with 38 bar (the cylinder's, or the hose's behind a valve" in (
        statement
    )
    assert not told(results, "alarm_not_raised")
    (wear,) = results["wears"].to_dicts()
    assert wear["mean_l_min"] is None
    for row in (wear, *results["entries"].to_dicts()):
        unsure_l = 1.645 * row["free_air_sd_l"]
        assert row["free_air_l"] - unsure_l <= 1828 - left_l
        assert row["free_air_l"] + unsure_l >= 1828 - 313
        assert unsure_l < 1.2 * (left_l - 265)


def test_a_low_reading_that_stands_after_a_silence_is_a_warning(log: Any) -> None:
    """Two readings a second apart of 38 bar are the cylinder's: the closing comes after them."""
    results = bled_down(log, (38.0, 38.0, 15.0, 6.0))
    (entry,) = results["entries"].to_dicts()
    assert (entry["low_air_at"] - log.at(1441)).total_seconds() == pytest.approx(0, abs=0.1)
    assert entry["lowest_bar"] == 38.0
    ((_, statement),) = told(results, "left_below_warning")
    assert "hose" not in statement
    assert results["wears"]["mean_l_min"].null_count() == 0


def test_a_silence_quotes_readings_only(log: Any) -> None:
    """It gave the filter's estimate (88 bar) as if it had been read."""
    talker = log.talker("S-1")
    talker.set_up(0)
    talker.breathe(60, 1200, start_bar=300.0, bar_s=0.1, silent=(360.0, 900.0))
    talker.said = [
        (
            at,
            kind,
            lost,
            kept,
            {**fields, "pressure_bar": 236.0} if (at, kind) == (900, "pressure") else fields,
        )
        for at, kind, lost, kept, fields in talker.said
    ]
    findings = analyse(log.frames(), Profile.default())["findings"]
    (silence,) = findings.filter(code="silence_under_air")["statement"]
    assert "(270 bar) to 10:15:00 UTC (236 bar)" in silence
