"""Findings about what came late, and about a sensor that several witnesses contradict."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from analysis.incident import analyse
from analysis.profile import Profile

PROFILE = Profile.default()


def findings_of(log: Any, code: str) -> list[dict[str, Any]]:
    findings = analyse(log.frames(), PROFILE)["findings"]
    return [row for row in findings.to_dicts() if row["code"] == code]


def wear(
    log: Any, *, offset_bar: float, start_bar: float = 300.0, warning_at_bar: float | None = 55.0
) -> None:
    """Say a wear whose sensor reads too high from before the valve is opened until after it is closed."""
    talker = log.talker("S-1")
    talker.set_up(-1)
    for second in range(30):
        talker.say(25 + second, "pressure", pressure_bar=float(round(offset_bar)))
    last = talker.breathe(60, 2700, start_bar=start_bar + offset_bar, bar_s=0.1, opens=False, closes=False)
    talker.say(60 + (start_bar - warning_at_bar) / 0.1, "alarm", alarm="low_air", state="raised")
    for second in range(10):
        talker.say(last + 1 + second, "pressure", pressure_bar=float(round(offset_bar)))


class TestPressureOffset:
    @pytest.mark.parametrize("offset_bar", [12.0, 30.0])
    def test_three_witnesses_that_agree_are_named(self, log: Any, offset_bar: float) -> None:
        """The valve closed reads 12 bar, full 312 of 300 bar, the set's own warning comes at 67 bar."""
        wear(log, offset_bar=offset_bar)
        (told,) = findings_of(log, "pressure_offset")
        assert f"about {offset_bar:.0f} bar too high" in told["statement"]
        for witness in ("with the valve closed", "the full cylinder", "the set raised its own warning"):
            assert witness in told["statement"]
        assert "does not agree" not in told["statement"]

    def test_thirty_bar_with_the_valve_shut_is_no_wear(self, log: Any) -> None:
        """Nor another cylinder, an entry with 30 bar, or 690 L/min when the valve is shut."""
        wear(log, offset_bar=30.0)
        results = analyse(log.frames(), PROFILE)
        ((start_bar, end_bar, peak_l_min),) = (
            results["wears"].select("start_bar", "end_bar", "peak_l_min").rows()
        )
        assert (start_bar, end_bar) == (330.0, pytest.approx(60.0, abs=0.2))
        assert peak_l_min < 60.0
        assert "cylinder_changed" not in results["findings"]["code"]

    def test_the_row_says_so_and_a_full_cylinder_is_witness_enough(self, log: Any, see: Any) -> None:
        talker = log.talker("S-1")
        talker.set_up(-1)
        for second in range(30):
            talker.say(25 + second, "pressure", pressure_bar=30.0)
        talker.breathe(60, 900, start_bar=320.0, opens=False, closes=False)
        (row,) = see(500).rows
        assert "reads_shut" in {reason.code for reason in row.reasons}
        (told,) = findings_of(log, "pressure_offset")
        assert "with the valve closed it read 30 bar" in told["statement"]

    def test_a_line_that_was_still_under_pressure_is_no_offset(self, log: Any) -> None:
        talker = log.talker("S-1")
        talker.set_up(-1)
        for second in range(30):
            talker.say(25 + second, "pressure", pressure_bar=30.0)
        talker.breathe(60, 1500, bar_s=0.1, opens=False)
        results = analyse(log.frames(), PROFILE)
        assert results["wears"]["start_bar"].to_list() == [300.0]
        assert "pressure_offset" not in results["findings"]["code"]

    def test_a_statement_built_on_the_readings_says_so(self, log: Any) -> None:
        wear(log, offset_bar=12.0)
        (told,) = findings_of(log, "under_air_below_warning")
        assert "Reading offset: this set's pressure reads about 12 bar too high." in told["statement"]
        assert "(derived)" in told["statement"]
        assert "(reported)" in told["statement"]

    def test_a_witness_that_does_not_agree_is_named_as_such(self, log: Any) -> None:
        wear(log, offset_bar=12.0, start_bar=260.0, warning_at_bar=90.0)
        (told,) = findings_of(log, "pressure_offset")
        assert "This does not agree: the set raised its own warning" in told["statement"]

    @pytest.mark.parametrize("start_bar", [300.0, 305.0, 310.0])
    def test_a_warm_full_cylinder_alone_is_no_offset(self, log: Any, start_bar: float) -> None:
        wear(log, offset_bar=0.0, start_bar=start_bar)
        assert findings_of(log, "pressure_offset") == []


class TestDroppedOut:
    @pytest.mark.parametrize(("bar", "closed"), [(21.0, False), (0.0, True)])
    def test_readings_that_fall_away_and_go_on_are_told(self, log: Any, bar: float, closed: bool) -> None:
        talker = log.talker("S-1")
        talker.set_up(-1)
        talker.breathe(60, 1510, start_bar=280.0, bar_s=0.1, closes=False)
        talker.say(1597, "pressure", pressure_bar=bar)
        talker.breathe(1624, 300, start_bar=126.0, bar_s=0.1, opens=False)
        (told,) = findings_of(log, "readings_dropped_out")
        assert f"{bar:.0f} bar between" in told["statement"]
        assert "One cylinder, one entry pressure" in told["statement"]
        assert ("the valve may have been closed" in told["statement"]) is closed

    def test_a_valve_closed_for_minutes_is_no_drop_out(self, log: Any) -> None:
        talker = log.talker("S-1")
        talker.set_up(-1)
        talker.breathe(60, 600)
        talker.breathe(900, 300, start_bar=246.0)
        assert findings_of(log, "readings_dropped_out") == []


class TestHeardLate:
    @staticmethod
    def stored(log: Any) -> None:
        """Nothing comes through from 200 to 340 s; all of it comes then. A distress is raised at 220 s."""
        talker = log.talker("S-1", delay=lambda at: 340.0 - at + 0.05 if 200 <= at < 340 else 0.05)
        talker.set_up(-1)
        talker.breathe(60, 600)
        talker.say(220, "alarm", alarm="distress", state="raised")
        log.desk().say(350, "seen", set_id="S-1", alarm="distress")

    def test_an_alarm_that_came_after_a_radio_gap_says_when_it_was_heard(self, log: Any) -> None:
        self.stored(log)
        (told,) = [row for row in findings_of(log, "heard_late") if row["severity"] == "serious"]
        when = "raised at 10:03:40 UTC, heard at 10:05:40 UTC, seen at 10:05:50 UTC"
        assert f"distress alarm (reported) was {when}" in told["statement"]
        assert "could not know it for 2 min" in told["statement"]

    def test_the_readings_that_came_late_are_told_once_a_wear(self, log: Any) -> None:
        self.stored(log)
        (told,) = [row for row in findings_of(log, "heard_late") if row["severity"] == "note"]
        assert told["statement"].startswith("135 pressure readings from 10:03:20 UTC to 10:05:34 UTC")

    def test_the_desk_is_not_called_slow_for_what_it_could_not_know(self, log: Any) -> None:
        self.stored(log)
        assert findings_of(log, "alarm_unanswered") == []
        table = analyse(log.frames(), PROFILE)["alarms"].filter(alarm="distress")
        assert (table["heard"][0] - log.at(340.05)).total_seconds() == pytest.approx(0, abs=0.5)

    def test_an_ordinary_delay_is_no_finding(self, log: Any) -> None:
        talker = log.talker("S-1", delay=lambda at: 0.05 + (at % 4))
        talker.set_up(-1)
        talker.breathe(60, 300)
        assert findings_of(log, "heard_late") == []


@pytest.mark.parametrize(("late_s", "known"), [(59.0, True), (61.0, False)])
def test_nothing_is_foreseen_of_readings_that_came_later(log: Any, late_s: float, known: bool) -> None:
    """A report gave what the desk "knew then": a forecast of readings that were read out 35 min later."""
    talker = log.talker("S-1", delay=lambda at_s: late_s if 600 <= at_s < 900 else 0.05)
    talker.set_up(0)
    talker.breathe(60, 1500)
    air = analyse(log.frames(), PROFILE)["air"].with_columns(
        at_s=(pl.col("time") - log.at(0)).dt.total_milliseconds() / 1000
    )
    told = air.filter(pl.col("low_air_min").is_finite() & pl.col("low_air_lo_min").is_finite())["at_s"]
    inside = told.filter((told > 601) & (told < 899))
    assert (len(inside) > 290) if known else inside.is_empty()
    assert told.filter(told < 600).len() > 300
    assert told.filter(told > 901).len() > 300
    # What was measured stays: only what was foreseen was not.
    assert air.filter(pl.col("at_s").is_between(601, 899))["pressure_bar"].is_finite().all()
