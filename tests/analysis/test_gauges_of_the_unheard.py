"""Gauges read by voice are all there is of a set that is silent or was never heard: they count."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.incident import analyse
from analysis.profile import Profile


def inside(log: Any, *gauges: tuple[float, float]) -> Any:
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    desk.say(1, "tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1", team="Alder")
    for at_s, bar in gauges:
        desk.say(at_s, "gauge", incident_id="I-1", set_id="S-1", pressure_bar=bar)
    desk.say(2400, "tally", incident_id="I-1", action="out", set_id="S-1", wearer_id="W-1")
    return desk


def entry_of(log: Any) -> dict[str, Any]:
    (row,) = analyse(log.frames(), Profile.default())["entries"].to_dicts()
    for name in ("turn_back_at", "low_air_at"):
        row[name] = row[name] and round((row[name] - log.at(0)).total_seconds())
    return dict(row)


def test_a_set_that_was_never_heard_has_the_figures_of_its_gauges(log: Any, see: Any) -> None:
    inside(log, (60, 290.0), (900, 150.0), (1500, 40.0))
    assert see(910).rows[0].entry_bar == 290.0
    row = entry_of(log)
    assert (row["entry_bar"], row["turn_back_bar"], row["lowest_bar"]) == (290.0, 172.5, 40.0)
    assert (row["turn_back_at"], row["low_air_at"]) == (900, 1500)
    assert (row["turn_back_late_s"], row["turn_back_late_bound"]) == (1500.0, "not known")


def test_a_first_gauge_long_after_the_tally_is_no_entry_pressure(log: Any, see: Any) -> None:
    """150 bar said after 20 min was the entry pressure, and turn-back moved from 177 to 102 bar."""
    inside(log, (1200, 150.0), (1500, 110.0))
    shown = see(1210).rows[0]
    assert (shown.entry_bar, shown.turn_back_bar, shown.attention) == (None, 177.5, "not_accounted")
    assert "beginning_not_heard" in [one.code for one in shown.reasons]
    row = entry_of(log)
    assert (row["entry_bar"], row["turn_back_bar"], row["turn_back_at"]) == (None, 177.5, 1200)
    findings = {
        one["code"]: one["statement"]
        for one in analyse(log.frames(), Profile.default())["findings"].to_dicts()
    }
    assert findings["beginning_not_heard"] == (
        "The beginning was not heard: the first pressure known of W-1 was 150 bar, by voice at 10:20:00 "
        "UTC, 19 min 59 s after the wearer was tallied in. Turn-back counts from a full cylinder (300 bar)."
    )
    assert (
        "between 10:00:01 UTC and 10:20:00 UTC, counted from a full cylinder" in findings["turned_back_late"]
    )


def test_a_first_gauge_above_a_usual_full_cylinder_is_at_least_the_entry_pressure(log: Any, see: Any) -> None:
    inside(log, (300, 305.0))
    assert see(310).rows[0].turn_back_bar == 180.0
    assert entry_of(log)["turn_back_bar"] == 180.0


def test_what_a_set_said_of_itself_counts_though_no_air_of_it_was_heard(log: Any, see: Any) -> None:
    """The board counted from 200 bar full and a warning at 40; the record from 300 bar and 55."""
    inside(log, (300, 130.0), (900, 115.0), (1500, 45.0), (1800, 40.0))
    cylinders = {"count": 1, "water_volume_l": 6.8, "rated_bar": 200.0}
    log.talker("S-1").set_up(-10, cylinders=cylinders, low_air_bar=40.0)
    shown = see(910).rows[0]
    assert (shown.turn_back_bar, shown.low_air_bar) == (120.0, 40.0)
    assert shown.turn_back_reached_at == log.at(900.05).timestamp()
    row = entry_of(log)
    assert (row["turn_back_bar"], row["turn_back_at"], row["low_air_at"]) == (120.0, 900, 1800)


def test_a_gauge_of_a_silent_set_may_be_the_lowest_and_the_warning(log: Any) -> None:
    inside(log, (900, 150.0), (1500, 40.0))
    one = log.talker("S-1")
    one.set_up(0)
    one.breathe(20, 300, closes=False, only_pressure=True)
    row = entry_of(log)
    assert (row["entry_bar"], row["lowest_bar"], row["low_air_at"]) == (300.0, 40.0, 1500)


@pytest.mark.parametrize(("bar", "lowest", "told"), [(275.0, 273.0, 0), (266.0, 273.0, 0), (40.0, 29.0, 1)])
def test_a_gauge_beside_the_sets_own_readings_counts_only_where_they_contradict(
    log: Any, bar: float, lowest: float, told: int
) -> None:
    """The set stuck at 283 bar, the wearer said 40: the gauge counted for turn-back and nothing else."""
    inside(log, (200, bar))
    one = log.talker("S-1")
    one.set_up(0)
    one.breathe(20, 300, only_pressure=True)
    row = entry_of(log)
    assert row["lowest_bar"] == lowest
    assert row["low_air_at"] == (200 if told else None)
    findings = analyse(log.frames(), Profile.default())["findings"].filter(code="gauge_contradicts")
    assert findings["statement"].to_list() == told * [
        "By voice the gauge of set S-1 was at 40 bar at 10:03:20 UTC, while the set sent 284 bar: one of the "
        "two is wrong by 244 bar. Turn-back, warning and lowest pressure use the lower one. Until another "
        "gauge is read, the set counts with 244 bar less."
    ]


def test_a_gauge_far_above_the_last_known_pressure_of_a_silent_set_is_told(log: Any) -> None:
    """Silent at 273 bar, then "298 bar" by voice; the next one is compared with the voice before it."""
    inside(log, (600, 298.0), (900, 150.0), (1500, 200.0), (1600, 190.0))
    one = log.talker("S-1")
    one.set_up(0)
    one.breathe(20, 300, closes=False, only_pressure=True)
    row = entry_of(log)
    assert (row["lowest_bar"], row["turn_back_at"]) == (150.0, 900)
    found = analyse(log.frames(), Profile.default())["findings"].filter(code="gauge_contradicts")
    first, second = found["statement"]
    assert "25 bar above the last known pressure (273 bar at 10:05:19 UTC)" in first
    assert "50 bar above the last known pressure (150 bar at 10:15:00 UTC)" in second
    assert found["evidence"].list.get(0).to_list() == ["D-1/1/2", "D-1/1/4"]


def test_after_a_closed_valve_a_higher_gauge_is_another_cylinder(log: Any) -> None:
    inside(log, (600, 298.0))
    one = log.talker("S-1")
    one.set_up(0)
    one.breathe(20, 300, only_pressure=True)
    assert "gauge_contradicts" not in analyse(log.frames(), Profile.default())["findings"]["code"].to_list()


def test_two_cylinders_in_one_entry_have_one_pair_of_figures_each(log: Any) -> None:
    """The entry has the pair of the first cylinder that came to its turn-back; each wear has its own."""
    one = log.talker("S-1")
    one.set_up(0)
    desk = log.desk()
    desk.say(10, "tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1", team="Alder")
    end_s = one.breathe(20, 1600, bar_s=0.1, only_pressure=True)
    one.breathe(end_s + 120, 1400, start_bar=290.0, bar_s=0.1, closes=False, only_pressure=True)
    entry = entry_of(log)
    assert (entry["entry_bar"], entry["turn_back_bar"]) == (300.0, 177.5)
    assert abs(entry["turn_back_at"] - 1245) < 10
    wears = analyse(log.frames(), Profile.default())["wears"]
    assert wears["turn_back_bar"].to_list() == [177.5, 172.5]
    assert wears["turn_back_at"].null_count() == 0


def late_of(log: Any, wearer: str) -> dict[str, Any]:
    """Return the one finding `turned_back_late` that names a wearer."""
    findings = analyse(log.frames(), Profile.default())["findings"].to_dicts()
    (found,) = [one for one in findings if one["code"] == "turned_back_late" and wearer in one["statement"]]
    return dict(found)


def test_whoever_was_never_heard_and_read_gauges_by_voice_has_turned_back_late_too(log: Any) -> None:
    """The entry had `turn_back_late_s` and there was no finding: no wear belongs to it."""
    inside(log, (60, 290.0), (900, 150.0), (1500, 40.0))
    late = late_of(log, "W-1")
    assert (late["severity"], late["set_id"], late["wear_id"]) == ("serious", "S-1", None)
    assert "no reading under air counts for W-1" in late["statement"]
    assert "by a gauge read by voice (150 bar)" in late["statement"]
    assert "at most 39 min later, after at most 25 min below the warning" in late["statement"]
    assert "By voice the gauge was at 40 bar at 10:25:00 UTC, the warning is at 55 bar" in late["statement"]
    assert "No warning of the set itself was heard" in late["statement"]
    assert late["evidence"][0] == "D-1/1/3"  # the gauge that was at the turn-back
    assert {"D-1/1/4", "D-1/1/5"} < set(late["evidence"])  # the low gauge, the word out


def member(log: Any, number: int, until_s: float, *gauges: tuple[float, float]) -> None:
    desk = log.desk(f"D-{number}")
    of = {"incident_id": "I-1", "set_id": f"S-{number}", "wearer_id": f"W-{number}", "team": "Alder"}
    desk.say(1, "tally", action="in", **of)
    for at_s, bar in gauges:
        desk.say(at_s, "gauge", incident_id="I-1", set_id=f"S-{number}", pressure_bar=bar)
    desk.say(until_s, "tally", action="out", **of)


@pytest.mark.parametrize("gauges", [(), ((1800.0, 200.0),)])
def test_the_teams_turn_back_counts_for_a_member_who_was_never_heard(log: Any, gauges: Any) -> None:
    """Without their messages a member had no turn-back, and so no late one: less was known, more was well."""
    one = log.talker("S-1")
    one.set_up(0)
    one.breathe(20, 1500, bar_s=0.1, only_pressure=True)
    member(log, 1, 1530)
    member(log, 2, 2600, *gauges)
    entries = {
        row["wearer_id"]: row for row in analyse(log.frames(), Profile.default())["entries"].to_dicts()
    }
    assert entries["W-1"]["turn_back_at"] == entries["W-2"]["turn_back_at"] is not None
    assert entries["W-2"]["turn_back_late_s"] == pytest.approx(2600 - 1245, abs=10)
    late = late_of(log, "W-2")
    assert "no reading under air counts for W-2" in late["statement"]
    assert "was due at 10:20:46 UTC for the team, by its lowest member" in late["statement"]
    assert "the exit at 10:43:20 UTC (no reading shows it) was at most" in late["statement"]
    assert late["evidence"][0].startswith("S-1/1/")  # the lowest member's reading


def test_a_reading_long_before_the_turn_back_is_not_what_the_wearer_had_then(log: Any) -> None:
    inside(log, (900, 150.0))
    one = log.talker("S-1")
    one.set_up(0)
    one.breathe(20, 300, closes=False, only_pressure=True)
    assert "by a gauge read by voice (150 bar)" in late_of(log, "UTC")["statement"]  # said 273 bar before


@pytest.mark.parametrize(
    ("gauges", "seconds", "severity", "how"),
    [
        (((1500.0, 30.0),), 300, "caution", "W-1: last known by voice at 10:25:00 UTC with 30 bar"),
        (
            ((60.0, 290.0), (1500.0, 25.0)),
            0,
            "serious",
            "W-1: last known by voice at 10:25:00 UTC with 25 bar",
        ),
        ((), 1370, "caution", "W-1: last heard at 10:23:09 UTC with 40 bar"),
        ((), 1000, None, ""),
        (((1500.0, 80.0),), 300, None, ""),
    ],
)
def test_whoever_left_below_the_warning_and_was_not_heard_then_is_found(
    log: Any, gauges: Any, seconds: int, severity: str | None, how: str
) -> None:
    """Without the valve's closing, or with the pressure by voice alone, nobody had left below the warning."""
    inside(log, *gauges)
    if seconds:
        one = log.talker("S-1")
        one.set_up(0)
        one.breathe(20, seconds, bar_s=0.19, closes=False, only_pressure=True)
    found = analyse(log.frames(), Profile.default())["findings"].filter(code="left_below_warning")
    assert found["severity"].to_list() == ([severity] if severity else [])
    if severity:
        said = f"{how}, below the warning at 55 bar; tallied out at 10:40:00 UTC. No reading shows the exit"
        assert found["statement"][0].startswith(said)


def test_of_whoever_never_came_out_no_exit_is_told(log: Any) -> None:
    """It said "the exit at ..." of the end of the record."""
    desk = inside(log, (60, 290.0), (900, 150.0), (1500, 40.0))
    desk.said = [one for one in desk.said if one[4].get("action") != "out"]
    desk.say(2400, "note", incident_id="I-1", text="still inside")
    late = late_of(log, "W-1")["statement"]
    assert "the exit" not in late
    assert (
        "Nobody noted the turn. Nobody said that the wearer came out: by 10:25:00 UTC, the last known "
        "moment, 10 min to 24 min had passed, of it 0 s to 10 min below the warning." in late
    )


def test_a_member_who_was_silent_at_the_teams_turn_back_is_given_as_last_heard(log: Any) -> None:
    for number, seconds, bar_s in ((1, 900, 0.3), (2, 300, 0.1)):
        one = log.talker(f"S-{number}")
        one.set_up(0)
        one.breathe(20, seconds, bar_s=bar_s, closes=number == 1, only_pressure=True)
        member(log, number, 2600)
    findings = analyse(log.frames(), Profile.default())["findings"]
    (late,) = findings.filter(code="turned_back_late", set_id="S-2")["statement"]
    assert "(this wearer was last heard at 10:05:19 UTC with 270 bar" in late
