"""The drawing of everybody in a report: which words stand where there is no room for all."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import polars as pl

from analysis.tables import TABLES
from dashboard.charts.drawing import Window
from dashboard.evidence.plots import overview_svg
from dashboard.evidence.shown import Shown

BEGAN = datetime(2031, 5, 4, 19, 12, tzinfo=UTC)
WEAR = "S-1/1/1"


def words_of(raised_s: dict[str, float]) -> list[str]:
    rows = [
        {"wear_id": WEAR, "alarm": kind, "source": "both", "raised": BEGAN + timedelta(seconds=at)}
        for kind, at in raised_s.items()
    ]
    alarms = pl.concat([pl.DataFrame(schema=TABLES["alarms"]), pl.DataFrame(rows)], how="diagonal_relaxed")
    ended = BEGAN + timedelta(minutes=40)
    wears = pl.DataFrame([{"wear_id": WEAR, "started": BEGAN, "ended": ended}])
    people = pl.DataFrame([{"wear_ids": [WEAR], "key": "S-1", "wearer_id": "W-1", "team": "Alder"}])
    window = Window(BEGAN.timestamp() * 1000, ended.timestamp() * 1000)
    drawn = overview_svg(people, wears, alarms, pl.DataFrame(schema=TABLES["gaps"]), window, Shown())
    assert drawn.count('class="alarm"') == len(raised_s)
    return re.findall(r'<text x="[^"]+" y="[^"]+">([^<]+)</text>', drawn)


def test_of_two_alarms_at_one_place_the_graver_is_worded() -> None:
    assert words_of({"no_motion_prealarm": 600.0, "no_motion": 610.0}) == ["no motion"]
    assert words_of({"heat": 600.0, "distress": 650.0}) == ["distress"]


def test_alarms_with_room_between_are_all_worded() -> None:
    assert set(words_of({"low_air": 300.0, "distress": 1500.0})) == {"low air", "distress"}
