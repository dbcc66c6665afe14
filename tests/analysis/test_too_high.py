"""Pressures that no cylinder holds, as of a set that sends psi: nobody believes them."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest

from analysis.air.gas import Cylinder
from analysis.incident import analyse
from analysis.live.rows import Row, Snapshot
from analysis.profile import Profile
from analysis.wears.too_high import limit_bar, mark_too_high
from dashboard.live.display import STANDARD
from dashboard.live.row_view import row_view
from tests.analysis.wears_by_hand import power_up as power_up_of

PSI = 14.5038  # one bar (NIST SP 811)


def sends(log: Any, factor: float, *, from_bar: float, seconds: int, boot: int = 1, at_s: float = 60) -> None:
    """Breathe 0.1 bar/s (some 40 L/min from 6.8 L), told in another unit."""
    one = log.talker("S-1", boot)
    one.set_up(at_s - 50)
    if boot == 1:
        one.say(at_s - 20, "pressure", pressure_bar=0.0)
    for second in range(seconds):
        said = float(round((from_bar - 0.1 * second) * factor))
        one.say(at_s + second, "pressure", pressure_bar=said)


def tallied(log: Any) -> Any:
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    desk.say(35, "tally", incident_id="I-1", action="in", wearer_id="W-1", set_id="S-1")
    return desk


def only(snapshot: Snapshot) -> Row:
    (row,) = snapshot.rows
    return row


@pytest.mark.parametrize(("factor", "from_bar"), [(PSI, 60.0), (100.0, 30.0)])
def test_a_set_that_sends_another_unit_is_not_believed_once_it_is_nearly_empty(
    log: Any, see: Any, factor: float, from_bar: float
) -> None:
    """Refused above 500, then 29 bar left was shown as 427 bar, and 5 as 73."""
    tallied(log)
    sends(log, factor, from_bar=from_bar, seconds=int(from_bar * 10))
    for second in range(0, int(from_bar * 10) - 150, 7):
        shown = see(200 + second)
        row = only(shown)
        assert (row.attention, row.started_at, row.low_air) == ("not_accounted", None, None)
        assert row.lost is not None
        assert (row.lost.code, row.pressure_bar or 0.0) == ("readings_refused", 0.0)
        assert "readings refused or too high, no pressure for" in row_view(row, shown.at, STANDARD)["why"]
    results = analyse(log.frames(), Profile.default())
    assert results["wears"].is_empty()
    (finding,) = results["findings"].filter(pl.col("code") == "pressure_not_believed").to_dicts()
    refused = results["refused"]["messages"].sum()
    assert finding["statement"].endswith(f" {refused} pressure messages of the set were refused.")
    (entry,) = results["findings"].filter(pl.col("code") == "tallied_without_wear")["statement"]
    assert entry.endswith(f" {refused} pressure messages of the set were refused.")
    assert finding["statement"].startswith("Set S-1 sent ")


def test_a_set_that_nobody_tallied_in_has_a_row_until_a_desk_speaks_of_it(log: Any, see: Any) -> None:
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    sends(log, PSI, from_bar=30.0, seconds=200)
    desk.say(220, "tally", incident_id="I-1", action="out", wearer_id="W-1", set_id="S-1")
    assert see(55).rows == ()
    for at_s in (70, 130, 215):
        row = only(see(at_s))
        assert row.lost is not None
        assert (row.set_id, row.wearer_id, row.attention) == ("S-1", None, "not_accounted")
        assert (row.lost.code, row.lost.since_at) == ("readings_refused", log.at(60).timestamp())
    assert see(230).rows == ()


def test_nor_after_a_restart_without_a_closed_valve(log: Any, see: Any) -> None:
    tallied(log)
    sends(log, PSI, from_bar=30.0, seconds=60)
    sends(log, PSI, from_bar=23.0, seconds=120, boot=2, at_s=130)  # 334 psi
    assert only(see(240)).started_at is None
    log.talkers[-1].say(260, "pressure", pressure_bar=0.0)
    log.talkers[-1].breathe(300, 60, closes=False)  # it was put right
    row = only(see(350))
    assert (row.pressure_bar, row.started_at is not None) == (296.0, True)


def test_a_slip_of_the_sensor_costs_nobody_the_wear(log: Any, see: Any) -> None:
    tallied(log)
    one = log.talker("S-1")
    one.set_up(10)
    one.breathe(60, 400, closes=False)
    for at_s in (60.5, 61.5, 200.5, *np.arange(300.5, 380.5).tolist()):
        one.say(at_s, "pressure", pressure_bar=480.0)
    for at_s, bar in ((150, 292.0), (250, 283.0), (430, 267.0)):
        row = only(see(at_s))
        assert (row.pressure_bar, row.started_at is not None) == (pytest.approx(bar, abs=1.0), True)
    (wear,) = analyse(log.frames(), Profile.default())["wears"].to_dicts()
    assert wear["start_bar"] == pytest.approx(300.0, abs=1.0)


@pytest.mark.parametrize(
    ("bar", "marked"),  # a reading a second; None: 26 s of silence
    [
        ([0, 300, 299], None),
        ([0, 390, 390], None),  # at the limit of a cylinder of 300 bar
        ([0, 391, 391, 300], [0, 1, 1, 0]),  # two readings are a slip
        ([0, 391, 391, 391, 300, 4.9, 300], [0, 1, 1, 1, 1, 0, 0]),
        ([300, 391, 391, 391, 300], [0, 1, 1, 1, 0]),  # it was believed before
        ([391, 300], [1, 0]),
        ([391, None, 300, 299], [1, 1, 1]),
    ],
)
def test_which_readings_are_too_high(bar: list[float | None], marked: list[int] | None) -> None:
    said, at_s = [], 0.0
    for one in bar:
        at_s += 1.0 if one is not None else 25.0
        said += [(at_s, one)] if one is not None else []
    power_up = power_up_of("S-1", 1, said)
    mark_too_high([(power_up, limit_bar(Cylinder(1, 6.8, 300.0)))])
    assert (None if power_up.too_high is None else power_up.too_high.astype(int).tolist()) == marked
