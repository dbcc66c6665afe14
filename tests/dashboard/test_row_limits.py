"""A row of the live page at the limits of what it says: gauges, minutes, reasons, and its strip."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec.structs import replace

from analysis.air.forecast import Scenario
from analysis.live.rows import FanPoint, GaugeRow, Interval, Lost, Reason
from dashboard.live import words
from dashboard.live.display import STANDARD, Display
from dashboard.live.row_view import MOST_REASONS, bare_row_view, row_view
from tests.dashboard.test_live_view import NOW, ROW


def shown(**change: Any) -> dict[str, Any]:
    return row_view(replace(ROW, **change), NOW, STANDARD)


def test_a_gauge_is_shown_until_a_reading_is_a_minute_newer() -> None:
    gauge = GaugeRow(150.0, NOW - 61.0, "D-1", "D-1/1/7")
    assert shown()["aside"] == ""
    assert shown(gauge=gauge, pressure_at=NOW - 1.0)["aside"].startswith("by voice")
    assert shown(gauge=gauge, pressure_at=NOW - 0.9)["aside"] == ""
    assert shown(gauge=gauge, pressure_at=None, pressure_bar=None)["aside"].startswith("by voice")
    assert shown(gauge=gauge, by_voice=True)["aside"] == ""
    assert shown(gauge=gauge)["gauge"] == "D-1/1/7"
    assert (shown()["gauge"], shown()["aside_gauge"]) == (None, "")


@pytest.mark.parametrize(("age_s", "old"), [(1.0, False), (60.0, False), (60.1, True)])
def test_what_was_just_said_by_voice_is_not_struck_out_whether_the_set_is_heard_or_not(
    age_s: float, old: bool
) -> None:
    gauge = GaugeRow(150.0, NOW - age_s, "D-1", "D-1/1/7")
    for silent_since_at in (None, NOW - 90.0):
        row = shown(gauge=gauge, by_voice=True, silent_since_at=silent_since_at)
        assert row["silent"] is old


def test_the_time_left_below_the_warning_is_never_to_the_warning() -> None:
    below = {"low_air": None, "pressure_bar": 55.0}
    assert shown(**below)["low_range"].startswith("below 55")
    assert shown(**below | {"pressure_bar": 55.1})["low_range"] == ""
    assert shown(**below | {"pressure_bar": None})["low_range"].startswith("below 55")
    assert shown(**below, started_at=None)["low_range"] == ""
    assert shown(**below, started_at=None, by_voice=True)["low_range"].startswith("below 55")


@pytest.mark.parametrize(
    ("minutes", "early_only", "said"), [(15.8, False, True), (15.9, False, False), (15.9, True, True)]
)
def test_the_hard_scenario_is_said_where_it_is_sooner(minutes: float, early_only: bool, said: bool) -> None:
    ahead = Interval(15.9, 11.2, 22.3, early_only)
    row = shown(low_air=ahead, if_hardest=Scenario(minutes, 60.0))
    assert (row["low_what"] != "") is said
    assert "60 L/min" in row["hardest"]
    assert shown(if_hardest=None)["hardest"] == shown(if_hardest=None)["low_what"] == ""
    assert shown(low_air=None, if_hardest=Scenario(minutes, 60.0))["low_what"] == ""


def test_out_by_is_the_early_end() -> None:
    # It is 10:30, and the early end is 11.2 minutes ahead.
    assert shown()["out_by"] == "out by 10:41"
    assert shown(low_air_was_expected_at=(NOW + 300.0, NOW + 900.0))["out_by"] == "out by 10:35"
    assert shown(low_air=None)["out_by"] == ""


@pytest.mark.parametrize(("count", "last"), [(4, None), (5, "and 2 more"), (9, "and 6 more")])
def test_four_reasons_are_said_and_of_more_how_many(count: int, last: str | None) -> None:
    reasons = tuple(Reason("no_tally", NOW - 60.0 * number) for number in range(count))
    why = shown(reasons=reasons)["why"].split(" · ")
    assert len(why) == MOST_REASONS == 4
    assert (why[-1] == last) is (last is not None)


def test_the_earliest_moment_past_turn_back_counts() -> None:
    past = (Reason("team_turn_back", NOW - 60.0), Reason("turn_back", NOW - 120.0))
    row = shown(reasons=past)
    assert (row["turn"], row["turn_range"]) == ("past 2:00", "")
    row = shown(reasons=past[:1])
    assert (row["turn"], row["turn_range"]) == ("past 1:00", "with its team")
    row = shown(reasons=past, turn_back_not_before=NOW - 600.0)
    assert (row["turn"], row["turn_range"]) == ("past 2:00", "perhaps 10:00")
    row = shown(turn_back_was_expected_at=(NOW + 300.0, NOW + 900.0))
    assert (row["turn"], row["turn_range"]) == ("by 10:35", "as last heard")
    assert shown(started_at=None)["turn_bar"] == ""
    assert shown(started_at=None, by_voice=True)["turn_bar"] == shown()["turn_bar"] != ""
    assert shown(turn_back_bar=None)["turn_bar"] == ""


def test_what_the_strip_is_drawn_from() -> None:
    """Moments in seconds since 1970, forecasts in seconds from now; a young wear has early ends alone."""
    strip = shown(silent_since_at=NOW - 3.14159, pressure_bar=181.96)["strip"]
    assert strip["start"] == NOW - 600.0
    assert strip["last"] == [NOW - 1.0, 182.0]
    assert strip["silent"] == round(NOW - 3.1, 1)
    assert strip["low"] == 55.0
    fan = (FanPoint(120.04, 5.0, 7.011, 9.0),)
    assert [[120.0, 300.0, 420.7, 540.0]] in shown(fan=fan)["strip"].values()
    assert [672.0, 954.0, 1338.0] in strip.values()
    young = Interval(15.9, 11.2, 22.3, early_only=True)
    assert [672.0, 672.0, 672.0] in shown(low_air=young)["strip"].values()
    assert [] in shown(low_air=young)["strip"].values()  # no fan
    for missing in ("started_at", "pressure_at", "pressure_bar", "start_bar"):
        assert shown(**{missing: None})["strip"] is None
    assert shown(silent_since_at=None)["strip"]["silent"] is None


def test_whose_row_it_is() -> None:
    assert (shown()["inside"], shown()["over"], shown()["silent"]) == ("11 min", False, False)
    assert shown(started_at=None)["over"] is True
    assert shown(silent_since_at=NOW - 9.0)["silent"] is True
    assert shown()["place"] == ""
    assert row_view(ROW, NOW, Display(names_incidents=True))["place"] == "I-1"
    assert shown(entry_bar=None)["entry"] == words.NONE
    bare = bare_row_view(ROW)
    assert (bare["silent"], bare["over"], bare["fields"]["inside"]) == (True, True, True)
    assert bare_row_view(replace(ROW, tallied_in_at=None))["fields"]["inside"] is False


@pytest.mark.parametrize("code", ["empty", "valve_closed"])
def test_what_an_empty_or_shut_cylinder_reads_now_is_not_crossed_out(code: Any) -> None:
    """A gauge of 0 bar that was heard 2 s ago was struck through, as an old one."""
    lost = {"lost": Lost(code, NOW - 90.0), "started_at": None}
    assert shown(**lost, pressure_at=NOW - 60.0)["silent"] is False
    assert shown(**lost, pressure_at=NOW - 60.1)["silent"] is True
    assert shown(lost=Lost("off", NOW - 90.0), pressure_at=NOW - 2.0)["silent"] is True


def test_whoever_is_shown_after_the_word_out_can_be_closed() -> None:
    """The window had no button for it: the row of a set put down with its valve open stayed for ever."""
    assert shown(tallied_in_at=None, tallied_out_at=NOW - 90.0)["fields"]["lost"] is True
    assert shown(tallied_in_at=None)["fields"]["lost"] is False
