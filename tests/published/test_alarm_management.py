"""Floods of alarms. EEMUA 191: more than 10 alarms in 10 minutes, as cited in open literature (mark V2)."""

from __future__ import annotations

import numpy as np

from analysis.alarms.rates import alarm_rates, floods
from analysis.profile import Profile


def test_worked_example_51_eleven_are_a_flood_and_ten_are_not() -> None:
    rules = Profile.default().alarms
    window_s = rules.flood_window_min * 60.0
    eleven = (np.arange(11) * 59_000_000).astype(np.int64)  # 590 s from the first to the last
    assert [flood.most for flood in floods(eleven, rules.flood_count, window_s)] == [11]
    assert floods(eleven[:10], rules.flood_count, window_s) == []


def test_worked_example_51_the_window_rolls() -> None:
    spread = (np.arange(30) * 60_000_000).astype(np.int64)  # one a minute never makes eleven within ten
    assert floods(spread, 10, 600.0) == []


def test_worked_example_51_the_limit_is_a_setting() -> None:
    five = (np.arange(5) * 1_000_000).astype(np.int64)
    assert len(floods(five, 4, 600.0)) == 1


def test_rates_beside_the_published_limits() -> None:
    """EEMUA 191: 1 in 10 min steady, 15 an hour, 2 a minute, 10 in 10 min; exceeded only above them."""
    second = 1_000_000
    hour = 3600 * second
    at_the_limits = np.array([0, 30, 600, 1200, 1800, 2400], dtype=np.int64) * second
    rates = alarm_rates(at_the_limits, 0, hour)
    assert (rates.mean_in_ten_minutes, rates.most_in_minute, rates.beyond) == (1.0, 2, ())
    busy = alarm_rates((np.arange(16) * 20).astype(np.int64) * second, 0, hour)
    assert (busy.most_in_minute, busy.most_in_ten_minutes, busy.most_in_hour) == (3, 16, 16)
    assert len(busy.beyond) == 4
    assert alarm_rates(np.array([], dtype=np.int64), 0, 60 * second).mean_in_ten_minutes is None
