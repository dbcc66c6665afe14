"""Faults that a review found, each mended and kept from coming back."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import polars as pl
import pytest

from analysis.incident import analyse
from analysis.profile import Profile
from analysis.tables import Results

PROFILE = Profile.default()


def analysed(log: Any, incident_id: str | None = None) -> Results:
    """Analyse a written log; no number of any table may be NaN or infinite."""
    results = analyse(log.frames(), PROFILE, incident_id)
    for name, table in results.items():
        for column in table.select(pl.col(pl.Float64)):
            assert column.is_nan().sum() == 0, f"{name}.{column.name}"
            assert column.is_infinite().sum() == 0, f"{name}.{column.name}"
    return results


def of_code(results: Results, code: str) -> list[dict[str, Any]]:
    """Return the findings of one code."""
    return results["findings"].filter(pl.col("code") == code).to_dicts()


@pytest.mark.parametrize(
    "wrong",
    [
        {"count": 0},
        {"count": -1},
        {"count": 10**15},
        {"water_volume_l": 0.0},
        {"water_volume_l": -6.8},
        {"water_volume_l": 1e300},
        {"rated_bar": 0.0},
        {"rated_bar": -300.0},
        {"rated_bar": 1e300},
    ],
    ids=str,
)
def test_a_cylinder_that_cannot_be_is_unknown(log: Any, wrong: dict[str, float]) -> None:
    talker = log.talker("S-1")
    talker.set_up(-29, cylinders={"count": 1, "water_volume_l": 6.8, "rated_bar": 300.0} | wrong)
    talker.breathe(60, 300)
    results = analysed(log)
    wear = results["wears"].row(0, named=True)
    assert len(of_code(results, "cylinder_unknown")) == 1
    for name in ("cylinder_count", "water_volume_l", "rated_bar", "free_air_l", "mean_l_min", "peak_l_min"):
        assert wear[name] is None, name
    assert results["air"]["rate_l_min"].null_count() == results["air"].height


@pytest.mark.parametrize("switched_off", [False, True])
def test_a_silence_into_the_end_of_a_wear_is_reported(log: Any, switched_off: bool) -> None:
    talker = log.talker("S-1")
    talker.set_up(-29)
    talker.breathe(60, 900, silent=(760.0, 960.0), closes=False)
    if switched_off:
        talker.say(960, "power", state="off")
    else:
        talker.say(960, "pressure", pressure_bar=0.0)
    results = analysed(log)
    wear = results["wears"].row(0, named=True)
    gap = results["gaps"].row(0, named=True)
    assert abs((wear["ended"] - log.at(759)).total_seconds()) < 0.2  # still the last reading
    assert wear["gap_s"] == pytest.approx(201, abs=0.2)
    assert wear["lost_messages"] == 0
    assert results["gaps"].height == 1
    assert gap["lost_messages"] == 600
    assert gap["started"] == wear["ended"]
    assert gap["seconds"] == pytest.approx(201, abs=0.2)
    (end,) = of_code(results, "end_not_heard")
    (silence,) = of_code(results, "silence_under_air")
    for finding in (end, silence):
        assert (finding["started"], finding["ended"]) == (gap["started"], gap["ended"])
        assert "10:12:39 UTC" in finding["statement"]
        assert "10:16:00 UTC" in finding["statement"]
        assert "600 messages" in finding["statement"]
        assert len(finding["evidence"]) == 2
        assert ("switched off" if switched_off else "0 bar") in finding["statement"]


def test_acknowledged_after_cleared_belongs_to_the_alarm_that_was_cleared(log: Any) -> None:
    talker = log.talker("S-1")
    talker.set_up(-29)
    talker.breathe(60, 600)
    for true_s, state in ((200.5, "raised"), (210.5, "cleared"), (212.5, "acknowledged")):
        talker.say(true_s, "alarm", alarm="distress", state=state)
    results = analysed(log)
    alarm = results["alarms"].row(0, named=True)
    assert results["alarms"].height == 1
    assert alarm["response_s"] == pytest.approx(12.0, abs=0.1)
    assert alarm["cleared"] < alarm["acknowledged"]
    assert of_code(results, "raise_inferred") == []


def test_low_air_is_matched_to_the_report_nearest_at_or_after_it(log: Any) -> None:
    talker = log.talker("S-1")
    talker.set_up(-29)
    talker.breathe(60, 900, start_bar=120.0)  # at 55 bar after 719 s
    for true_s, state in ((200.5, "raised"), (205.5, "cleared"), (783.5, "raised"), (790.5, "cleared")):
        talker.say(true_s, "alarm", alarm="low_air", state=state)
    alarms = analysed(log)["alarms"]
    assert alarms["source"].to_list() == ["reported", "both"]
    assert alarms["lead_s"][1] == pytest.approx(783.5 - 60 - 717, abs=1.1)


def test_a_motion_sensor_that_speaks_every_ten_seconds_can_be_still(log: Any) -> None:
    talker = log.talker("S-1")
    talker.set_up(-29)
    talker.breathe(60, 600)
    talker.said = [one for one in talker.said if one[1] != "motion"]
    for true_s in range(60, 660, 10):
        talker.say(true_s + 0.1, "motion", motion_m_s2=0.0 if 200 <= true_s < 300 else 1.0)
    alarms = analysed(log)["alarms"]
    assert alarms["alarm"].to_list() == ["no_motion_prealarm", "no_motion"]
    assert alarms["raised"][1] == pytest.approx(log.at(220.1), abs=timedelta(seconds=0.5))


@pytest.mark.parametrize("corrects", [True, False])
def test_a_tally_that_the_desk_corrected_is_not_missing_its_out(log: Any, corrects: bool) -> None:
    """Without `corrects` nobody said that the first wearer is out: the entry stays open."""
    talker = log.talker("S-1")
    talker.set_up(-29)
    talker.breathe(60, 600)
    desk = log.desk()
    for true_s, wearer, action in ((70, "W-1", "in"), (80, "W-2", "in"), (680, "W-2", "out")):
        who = {"incident_id": "I-1", "set_id": "S-1", "wearer_id": wearer, "team": "Larch"}
        if corrects and (wearer, action) == ("W-2", "in"):
            who["corrects"] = {"desk_id": "D-1", "boot": 1, "seq": 0}
        desk.say(true_s, "tally", action=action, **who)
    desk.say(900, "incident", incident_id="I-1", action="close")
    results = analysed(log)
    assert results["wears"]["wearer_id"].to_list() == ["W-2"]
    assert len(of_code(results, "not_tallied_out")) == (0 if corrects else 1)
    assert results["entries"]["wearer_id"].to_list() == (["W-2"] if corrects else ["W-1", "W-2"])


def test_a_wear_of_another_incident_does_not_fall_to_the_one_asked_for(log: Any) -> None:
    talker = log.talker("S-1")
    talker.set_up(-29)
    talker.breathe(60, 600)
    talker.breathe(2000, 600)
    desk = log.desk()
    first = {"set_id": "S-1", "wearer_id": "W-1", "incident_id": "I-1"}
    desk.say(600, "tally", action="in", **first)  # forgotten: reaches to the next `in`
    desk.say(2100, "tally", action="in", **(first | {"incident_id": "I-2"}))
    desk.say(2610, "tally", action="out", **(first | {"incident_id": "I-2"}))
    whole = analysed(log)["wears"]
    assert whole["incident_id"].to_list() == ["I-1", "I-2"]
    for name in ("I-1", "I-2"):
        ids = whole.filter(pl.col("incident_id") == name)["wear_id"].to_list()
        assert analysed(log, name)["wears"]["wear_id"].to_list() == ids


def test_two_sets_of_one_wearer_in_two_incidents_are_found_in_each(log: Any) -> None:
    for set_id in ("S-1", "S-2"):
        talker = log.talker(set_id)
        talker.set_up(-29)
        talker.breathe(60, 600)
    desk = log.desk()
    for true_s, action in ((70, "in"), (665, "out")):
        for number in (1, 2):
            who = {"incident_id": f"I-{number}", "set_id": f"S-{number}", "wearer_id": "W-1"}
            desk.say(true_s + number, "tally", action=action, **who)
    for incident_id in (None, "I-1", "I-2"):
        assert len(of_code(analysed(log, incident_id), "one_wearer_two_sets")) == 1


def test_the_setup_of_the_own_power_up_comes_before_an_older_one(log: Any) -> None:
    older = log.talker("S-1", 1)
    older.set_up(-900)
    newer = log.talker("S-1", 2)
    newer.breathe(60, 600)
    newer.set_up(90, cylinders={"count": 2, "water_volume_l": 4.0, "rated_bar": 300.0})
    assert analysed(log)["wears"]["cylinder_count"].to_list() == [2]


@pytest.mark.parametrize("wild", [1e300, -1e300])
def test_wild_times_of_a_set_do_not_end_the_analysis(log: Any, wild: float) -> None:
    talker = log.talker("S-1")
    talker.set_up(-29)
    talker.breathe(60, 300)
    if wild > 0:
        talker.say(200.5, "motion", motion_m_s2=0.0, still_s=wild)
    for number, (true_s, kind, lost, retained, fields) in enumerate(talker.said):
        talker.said[number] = (true_s, kind, lost, retained, fields | {"uptime_s": wild})
    wear = analysed(log)["wears"].row(0, named=True)
    assert abs((wear["started"] - log.at(60)).total_seconds()) < 0.5


def test_a_tallied_set_of_which_nothing_is_heard_is_said(log: Any) -> None:
    talker = log.talker("S-1")
    talker.set_up(-29)
    talker.breathe(60, 600)
    desk = log.desk()
    for set_id in ("S-1", "S-2"):
        who = {"incident_id": "I-1", "set_id": set_id, "wearer_id": f"W-{set_id}"}
        desk.say(70, "tally", action="in", **who)
        desk.say(670, "tally", action="out", **who)
    (finding,) = of_code(analysed(log), "set_never_heard")
    assert (finding["set_id"], finding["severity"]) == ("S-2", "note")


def test_the_peak_temperature_is_the_highest_reading_not_the_last_of_its_second(log: Any) -> None:
    talker = log.talker("S-1")
    talker.set_up(-29)
    talker.breathe(60, 300)
    talker.say(200.05, "temperature", temperature_c=90.0)  # 20 °C again in the same second
    results = analysed(log)
    assert results["wears"]["peak_temperature_c"].to_list() == [90.0]
    assert results["heat"]["temperature_c"].max() == 90.0


def test_low_air_is_reached_when_the_derived_alarm_says(log: Any) -> None:
    talker = log.talker("S-1")
    talker.set_up(-29)
    talker.breathe(60.4, 0)
    for number in range(400):
        bar = 60.0 - 5.0 * (number == 399)  # only the last reading is at the warning
        talker.say(60.4 + number, "pressure", pressure_bar=bar)
    results = analysed(log)
    wear, alarm = results["wears"].row(0, named=True), results["alarms"].row(0, named=True)
    assert (alarm["alarm"], alarm["source"]) == ("low_air", "derived")
    assert wear["low_air_at"] == alarm["raised"] == wear["ended"]
    assert wear["low_air_s"] == 0.0


def test_one_reading_tells_no_rate(log: Any) -> None:
    talker = log.talker("S-1")
    talker.set_up(-29)
    talker.say(60, "pressure", pressure_bar=280.0)
    wear = analysed(log)["wears"].row(0, named=True)
    assert wear["start_bar"] == 280.0
    assert (wear["mean_l_min"], wear["peak_l_min"]) == (None, None)


def test_many_conflicts_of_one_power_up_are_one_finding(log: Any) -> None:
    talker = log.talker("S-1")
    talker.set_up(-29)
    talker.breathe(60, 300)
    for _, one in [one for one in talker.heard() if b'"pressure_bar": 28' in one[1].payload][:20]:
        payload = one.payload.replace(b'"pressure_bar": 28', b'"pressure_bar": 27')
        log.extra.append(type(one)(one.received + timedelta(seconds=1), one.topic, payload, False))
    (finding,) = of_code(analysed(log), "conflicting_records")
    assert "20 times" in finding["statement"]
    assert finding["set_id"] == "S-1"
    assert len(finding["evidence"]) == 8
