"""Gauges read by voice are all there is of a set that is silent or was never heard: they count."""

from __future__ import annotations

from typing import Any

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
    assert row["turn_back_late_s"] == 1500.0


def test_a_gauge_of_a_silent_set_may_be_the_lowest_and_the_warning(log: Any) -> None:
    inside(log, (900, 150.0), (1500, 40.0))
    one = log.talker("S-1")
    one.set_up(0)
    one.breathe(20, 300, closes=False)
    row = entry_of(log)
    assert (row["entry_bar"], row["lowest_bar"], row["low_air_at"]) == (300.0, 40.0, 1500)


def test_a_gauge_beside_the_sets_own_readings_changes_nothing(log: Any) -> None:
    inside(log, (200, 40.0))
    one = log.talker("S-1")
    one.set_up(0)
    one.breathe(20, 300)
    row = entry_of(log)
    assert row["lowest_bar"] > 250.0
    assert row["low_air_at"] is None


def test_two_cylinders_in_one_entry_have_one_pair_of_figures_each(log: Any) -> None:
    """The entry has the pair of the first cylinder that came to its turn-back; each wear has its own."""
    one = log.talker("S-1")
    one.set_up(0)
    desk = log.desk()
    desk.say(10, "tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1", team="Alder")
    end_s = one.breathe(20, 1600, bar_s=0.1)
    one.breathe(end_s + 120, 1400, start_bar=290.0, bar_s=0.1, closes=False)
    entry = entry_of(log)
    assert (entry["entry_bar"], entry["turn_back_bar"]) == (300.0, 177.5)
    assert abs(entry["turn_back_at"] - 1245) < 10
    wears = analyse(log.frames(), Profile.default())["wears"]
    assert wears["turn_back_bar"].to_list() == [177.5, 172.5]
    assert wears["turn_back_at"].null_count() == 0
