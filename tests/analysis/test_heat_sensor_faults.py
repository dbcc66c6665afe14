"""A heat sensor that fails never makes air look better, nor a fire smaller, and somebody says so."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import polars as pl
import pytest

from analysis.heat.heat import surroundings_c
from analysis.incident import analyse
from analysis.live.board import LiveBoard
from analysis.profile import Profile
from tests.analysis.conftest import WrittenLog
from tests.analysis.test_findings import ordinary

PROFILE = Profile.default()


def fire(true_s: float) -> float:
    """25 °C, from 10:05 to 10:15 a fire of 140 °C, as a sensor with a lag of 60 s shows it."""
    warmer = 115.0 * (1 - 2.718 ** (-(true_s - 300) / 60)) if true_s > 300 else 0.0
    return 25.0 + warmer - (115.0 * (1 - 2.718 ** (-(true_s - 900) / 60)) if true_s > 900 else 0.0)


def tables(temperature: Callable[[float], float], **options: Any) -> dict[str, pl.DataFrame]:
    log = WrittenLog()
    ordinary(log, temperature=temperature, **options)
    return analyse(log.frames(), PROFILE)


def without_temperature(
    temperature: Callable[[float], float], since_s: float, until_s: float
) -> dict[str, pl.DataFrame]:
    """A wear whose heat sensor alone is not heard between two moments."""
    log = WrittenLog()
    talker = ordinary(log, temperature=temperature)
    talker.said = [
        (true_s, kind, lost or (kind == "temperature" and since_s <= true_s < until_s), retained, fields)
        for true_s, kind, lost, retained, fields in talker.said
    ]
    return analyse(log.frames(), PROFILE)


def said(found: dict[str, pl.DataFrame], code: str) -> tuple[str, str]:
    ((severity, statement),) = (
        found["findings"].filter(pl.col("code") == code).select("severity", "statement").iter_rows()
    )
    return severity, statement


def not_heard_s(found: dict[str, pl.DataFrame]) -> Any:
    return found["exposure"].filter(pl.col("thermal_class") == 0)["seconds"].item()


@pytest.mark.parametrize("broken_c", [-60.0, 1200.0])
def test_air_does_not_follow_a_sensor_that_broke(broken_c: float) -> None:
    sound = tables(lambda true_s: 25.0)
    broken = tables(lambda true_s: 25.0 if true_s < 480 else broken_c)
    for name in ("free_air_l", "mean_l_min", "peak_l_min"):
        assert broken["wears"][name].to_list() == sound["wears"][name].to_list(), name
    assert broken["air"].equals(sound["air"])
    assert said(broken, "heat_sensor_doubtful")[0] == "caution"


def test_a_sensor_that_was_broken_from_the_start_counts_as_none() -> None:
    broken = tables(lambda true_s: -60.0)
    none = without_temperature(lambda true_s: 25.0, 0, 4000)
    assert broken["air"].equals(none["air"])
    assert said(broken, "heat_sensor_doubtful")[0] == "caution"
    assert broken["wears"]["peak_temperature_c"].to_list() == [None]
    assert broken["wears"]["heat_dose"].to_list() == [None]
    assert broken["exposure"].is_empty()


def test_cold_that_can_be_explains_little_of_a_fall_of_pressure() -> None:
    """A sensor that fails to -40 °C may be right: the air is then taken for -20 °C, so that more was used."""
    cold, bounded = (tables(lambda true_s, c=c: 25.0 if true_s < 480 else c) for c in (-40.0, -20.0))
    assert cold["air"].equals(bounded["air"])


def test_the_live_row_does_not_follow_it_either() -> None:
    rows = []
    for broken_c in (25.0, -60.0, 1200.0):
        log = WrittenLog()
        ordinary(log, temperature=lambda true_s, c=broken_c: 25.0 if true_s < 480 else c)
        rows.append(log.seen_on(LiveBoard(PROFILE))(1200.0).rows[0])
    sound = rows[0]
    for row in rows[1:]:
        assert row.low_air == sound.low_air
        assert row.turn_back == sound.turn_back
        assert row.rate_l_min == sound.rate_l_min


def test_a_spike_of_two_readings_makes_no_dose() -> None:
    for spike_c in (950.0, 400.0):
        found = tables(lambda true_s, c=spike_c: c if int(true_s) in (900, 901) else 25.0)
        codes = set(found["findings"]["code"])
        assert codes.isdisjoint({"heat_dose", "rapid_heat", "heat_lag_disproved"})
        severity, statement = said(found, "heat_sensor_doubtful")
        assert severity == "note"
        assert f"2 readings ({spike_c:.0f} °C) from 10:15:00 UTC" in statement
        assert found["wears"]["heat_dose"].item() < 0.05
        assert found["wears"]["peak_temperature_c"].item() == 25.0


def test_three_hot_readings_are_believed() -> None:
    found = tables(lambda true_s: 400.0 if 900 <= true_s < 903 else 25.0)
    assert "heat_sensor_doubtful" not in set(found["findings"]["code"])
    assert found["wears"]["peak_temperature_c"].item() == 400.0


def test_a_dose_with_unheard_minutes_is_a_least() -> None:
    heard = tables(fire)
    whole = heard["wears"]["heat_dose"].item()
    assert "at least" not in said(heard, "heat_dose")[1]
    assert not_heard_s(heard) == 0.0
    found = without_temperature(fire, 420, 870)
    severity, statement = said(found, "heat_dose")
    assert 0.3 < found["wears"]["heat_dose"].item() < whole
    # 30 s on both sides of the silence are near a reading.
    assert not_heard_s(found) == pytest.approx(450 - 60, abs=3)
    assert "at least" in statement
    assert "No temperature was heard for 6 min 3" in statement
    assert severity == said(heard, "heat_dose")[0]


def test_a_dose_that_may_have_been_taken_unheard_is_said() -> None:
    """What is heard stays below the limit; as hot as beside the silence, it would have passed it."""
    found = without_temperature(lambda true_s: 100.0 if 600 <= true_s < 1500 else 25.0, 660, 1440)
    assert found["wears"]["heat_dose"].item() < PROFILE.heat.dose_limit
    severity, statement = said(found, "heat_dose")
    assert severity == "caution"
    assert "may have passed 0.3" in statement


def test_a_sensor_that_was_never_heard_makes_no_dose_of_a_silence() -> None:
    found = without_temperature(lambda true_s: 25.0, 400, 1600)
    assert "heat_dose" not in set(found["findings"]["code"])


def test_the_moment_of_a_derived_heat_alarm_in_a_silence_is_a_latest() -> None:
    """The set raised it while no temperature was heard: nobody can say that the set was early."""
    log = WrittenLog()
    talker = ordinary(log, temperature=lambda true_s: 25.0 if true_s < 600 else 200.0)
    talker.said = [
        (true_s, kind, lost or (kind == "temperature" and 590 <= true_s < 990), retained, fields)
        for true_s, kind, lost, retained, fields in talker.said
    ]
    talker.say(800, "alarm", alarm="heat", state="raised")
    alarm = analyse(log.frames(), PROFILE)["alarms"].filter(pl.col("alarm") == "heat")
    assert alarm["source"].to_list() == ["both"]
    assert alarm["lead_s"].to_list() == [None]


def test_what_the_air_is_taken_to_be() -> None:
    nan = float("nan")
    known = surroundings_c(pl.Series([nan, -60.0, 25.0, 1200.0, -35.0]).to_numpy())
    assert str(known.tolist()) == str([nan, nan, 25.0, 25.0, -20.0])
