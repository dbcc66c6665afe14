"""The clock drill and the radio drill through the whole analysis: each trouble is found."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cache

import polars as pl
import pytest

from analysis.incident import analyse
from analysis.profile import Profile
from analysis.tables import Results
from ingest.contract.frames import frames_from_heard
from sample_logs.drills import build_clock_troubles, build_radio_troubles
from sample_logs.simulation.staging import SimulatedIncident
from tests.simulated_truth import truth_of

OPENED = datetime(2031, 5, 4, 19, 12, tzinfo=UTC)
HEARD_AT_BEST_S = 0.04
WHOLE_SECONDS_SET = "S-107"


@cache
def clock_drill() -> tuple[SimulatedIncident, Results]:
    incident = build_clock_troubles(7, OPENED)
    return incident, analyse(frames_from_heard(incident.heard), Profile.default())


@cache
def radio_drill() -> tuple[SimulatedIncident, Results]:
    incident = build_radio_troubles(7, OPENED)
    return incident, analyse(frames_from_heard(incident.heard), Profile.default())


def codes(results: Results, set_id: str) -> set[str]:
    return set(results["findings"].filter(pl.col("set_id") == set_id)["code"])


def row(results: Results, table: str, set_id: str) -> dict[str, float]:
    return results[table].row(by_predicate=pl.col("set_id") == set_id, named=True)


def test_whatever_its_clock_each_wear_is_where_it_was() -> None:
    incident, results = clock_drill()
    found = {wear["wear_id"]: wear for wear in results["wears"].iter_rows(named=True)}
    assert set(found) == {wear.wear_id for wear in truth_of(incident).wears}
    for wear in truth_of(incident).wears:
        # A clock of whole seconds cannot be placed better than to a second.
        tolerance_s = 1.0 if wear.set_id == WHOLE_SECONDS_SET else 0.1
        started, ended = found[wear.wear_id]["started"], found[wear.wear_id]["ended"]
        assert (started - wear.started).total_seconds() == pytest.approx(0.0, abs=tolerance_s)
        assert (ended - wear.ended).total_seconds() == pytest.approx(0.0, abs=tolerance_s)
        assert found[wear.wear_id]["wearer_id"] == wear.wearer_id
        assert found[wear.wear_id]["free_air_l"] == pytest.approx(wear.free_air_l, rel=0.025)
        assert found[wear.wear_id]["gap_s"] == 0.0


def test_offsets_steps_and_drift_are_found() -> None:
    _, results = clock_drill()
    assert row(results, "clocks", "S-101")["offset_s"] == pytest.approx(90.0 - HEARD_AT_BEST_S, abs=0.1)
    assert row(results, "clocks", "S-104")["drift_ppm"] == pytest.approx(200.0, abs=20.0)
    steps = dict(results["clocks"].select("set_id", "steps").iter_rows())
    assert {set_id for set_id, count in steps.items() if count} == {"S-102", "S-106"}
    assert row(results, "clocks", "S-103")["offset_s"] == pytest.approx(-OPENED.timestamp() - 60.0, abs=1.0)
    assert "clock_stepped" in codes(results, "S-102")
    assert "clock_stepped" in codes(results, "S-106")
    assert "clock_wrong" in codes(results, "S-101")
    assert codes(results, "S-105") == {"heard_late"}  # up to 30 s late, as the drill sends it


def test_losses_doubles_and_lateness_leave_the_wears_whole() -> None:
    incident, results = radio_drill()
    found = {wear["wear_id"]: wear for wear in results["wears"].iter_rows(named=True)}
    assert set(found) == {wear.wear_id for wear in truth_of(incident).wears}
    missed_l: dict[str, list[float]] = {}
    for wear in truth_of(incident).wears:
        # The first or last readings may be among the lost.
        assert (found[wear.wear_id]["started"] - wear.started).total_seconds() == pytest.approx(0.0, abs=2.5)
        missed_l.setdefault(wear.set_id, []).append(wear.free_air_l - found[wear.wear_id]["free_air_l"])
    # The drill gives the set that restarts rested gas and another gauge: its pieces are right together.
    for wear in truth_of(incident).wears:
        whole_l = sum(one.free_air_l for one in truth_of(incident).wears if one.set_id == wear.set_id)
        assert abs(sum(missed_l[wear.set_id])) < 0.025 * whole_l


def test_only_what_was_lost_is_a_gap() -> None:
    _, results = radio_drill()
    gaps = {gap["set_id"]: gap["seconds"] for gap in results["gaps"].sort("seconds").iter_rows(named=True)}
    assert gaps["S-202"] == pytest.approx(181.0, abs=1.1)
    assert "S-203" not in gaps  # stored, and heard afterwards
    assert "S-204" not in gaps  # twice and out of order, but all there


def test_a_lost_raise_is_inferred_and_said() -> None:
    _, results = radio_drill()
    alarm = row(results, "alarms", "S-205")
    assert alarm["alarm"] == "distress"
    assert alarm["raised"] is not None
    assert "raise_inferred" in codes(results, "S-205")


def test_a_restart_is_a_new_wear_and_said() -> None:
    _, results = radio_drill()
    wears = results["wears"].filter(pl.col("set_id") == "S-206")
    assert wears["wearer_id"].to_list() == ["W-36", "W-36"]
    assert "set_restarted" in codes(results, "S-206")
