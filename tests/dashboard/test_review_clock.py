"""The clock that is shown: zones by name, right through a change of summer time inside an incident."""

from __future__ import annotations

import itertools
from datetime import datetime

import pytest

from dashboard.review.clock import UTC_CLOCK, BadZone, Window, clock_of, moment_of


def window(start: str, end: str) -> Window:
    return Window(*(datetime.fromisoformat(f"{text}+00:00").timestamp() * 1000 for text in (start, end)))


def test_an_hour_that_comes_twice_is_told_apart() -> None:
    # Europe/Berlin goes back from 03:00 to 02:00 at 01:00 UTC on the last Sunday of October
    # (directive 2000/84/EC, from memory).
    night = window("2031-10-26T00:30:00", "2031-10-26T01:45:00")
    clock = clock_of("Europe/Berlin", night)
    assert clock.time(moment_of(night.start)) == "02:30:00 UTC+2"
    assert clock.time(moment_of(night.end)) == "02:45:00 UTC+1"
    moments, texts = clock.ticks(night, 6)
    assert texts == ["02:30 UTC+2", "02:45 UTC+2", "02:00 UTC+1", "02:15 UTC+1", "02:30 UTC+1", "02:45 UTC+1"]
    assert moments == [night.start + quarter * 900_000 for quarter in range(6)]
    assert "and then" in clock.span_name(night)


def test_an_hour_that_is_left_out_leaves_no_hole() -> None:
    morning = window("2031-03-30T00:30:00", "2031-03-30T01:30:00")
    moments, texts = clock_of("Europe/Berlin", morning).ticks(morning, 3)
    assert texts == ["01:30 UTC+1", "03:00 UTC+2", "03:30 UTC+2"]
    assert {later - sooner for sooner, later in itertools.pairwise(moments)} == {1_800_000}


def test_ticks_are_round_on_the_shown_clock() -> None:
    evening = window("2031-05-04T19:12:00", "2031-05-04T20:02:00")
    assert clock_of("Asia/Kathmandu", evening).ticks(evening, 6)[1][0] == "01:00"
    assert clock_of("Asia/Kathmandu", evening).span_name(evening) == "Asia/Kathmandu, UTC+05:45"
    assert UTC_CLOCK.ticks(evening, 6)[1] == ["19:20", "19:30", "19:40", "19:50", "20:00"]


@pytest.mark.parametrize("name", ["Mars/Olympus", "../../etc/passwd", "", "/etc/localtime"])
def test_what_is_no_zone_is_refused_with_words(name: str) -> None:
    with pytest.raises(BadZone, match="IANA name"):
        clock_of(name, Window(0.0, 1000.0))


def test_days_begin_at_midnight_after_a_change_too() -> None:
    week = window("2031-10-24T00:00:00", "2031-10-29T00:00:00")
    moments, texts = clock_of("Europe/Berlin", week).ticks(week, 6)
    assert [moment_of(at).isoformat()[:16] for at in moments] == [
        "2031-10-24T22:00",
        "2031-10-25T22:00",
        "2031-10-26T23:00",
        "2031-10-27T23:00",
        "2031-10-28T23:00",
    ]
    assert texts[0] == "2031-10-25"


def test_the_first_tick_of_each_day_names_the_date_where_midnight_is_crossed() -> None:
    night = window("2031-05-04T23:20:00", "2031-05-05T00:40:00")
    assert UTC_CLOCK.ticks(night, 6)[1] == ["05-04 23:30", "23:45", "05-05 00:00", "00:15", "00:30"]


@pytest.mark.parametrize("zone", ["America/Chicago", "Pacific/Auckland"])
def test_a_window_beyond_the_calendar_has_a_clock_too(zone: str) -> None:
    """An archive made before 0.4.0 may hold a note of year 1; the window has a margin."""
    assert clock_of(zone, Window(-6.3e13, 2.6e14)).zone == zone
