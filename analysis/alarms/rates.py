"""How fast alarms came: rates and floods, as EEMUA 191 is cited in open literature (secondary source)."""

from typing import NamedTuple

import numpy as np

from analysis.records import Ints


class Flood(NamedTuple):
    """A stretch in which every rolling window holds more alarms than the limit; microseconds since 1970."""

    started_us: int
    ended_us: int
    most: int


def floods(raised_us: Ints, limit: int, window_s: float) -> list[Flood]:
    """Return the alarm floods: more than `limit` alarms in any rolling window.

    - `raised_us`: array of int, shape (n,): when alarms were raised, any order.
    - `limit`: ten in the literature: eleven are a flood, ten are not ("more than 10 in 10 minutes").
    - `window_s`: 600 in the literature; an alarm exactly one window later is outside.
    """
    times = np.sort(raised_us)
    first_in, counts = _windows(times, window_s)
    found: list[Flood] = []
    for last in np.flatnonzero(counts > limit).tolist():
        started, count = int(times[first_in[last]]), int(counts[last])
        if found and started <= found[-1].ended_us:
            joined = found[-1]
            found[-1] = Flood(joined.started_us, int(times[last]), max(joined.most, count))
        else:
            found.append(Flood(started, int(times[last]), count))
    return found


class AlarmRates(NamedTuple):
    """How many alarms one person at a desk had to take in."""

    alarms: int
    mean_in_ten_minutes: float | None
    most_in_minute: int
    most_in_ten_minutes: int
    most_in_hour: int

    @property
    def beyond(self) -> tuple[str, ...]:
        """Return the published limits that were exceeded.

        Source: EEMUA 191 as cited in open literature (secondary source): about 1 in 10 minutes in steady
        running, peaks of 15 an hour and 2 a minute, more than 10 in 10 minutes a flood. They were made for
        control rooms; a fire ground is busier, and no limit for it is known to us.
        """
        limits = (
            ((self.mean_in_ten_minutes or 0.0) > 1.0, "mean above 1 in 10 min"),
            (self.most_in_minute > 2, "more than 2 in a minute"),
            (self.most_in_hour > 15, "more than 15 in an hour"),
            (self.most_in_ten_minutes > 10, "more than 10 in 10 min"),
        )
        return tuple(words for exceeded, words in limits if exceeded)


def alarm_rates(raised_us: Ints, started_us: int, ended_us: int) -> AlarmRates:
    """Count alarms in rolling windows and over a whole period.

    - `raised_us`: array of int, shape (n,): when alarms were raised, microseconds, any order.
    - `started_us` and `ended_us`: the period over which the mean is taken; one shorter than ten minutes has
      no mean.
    """
    times = np.sort(raised_us)
    most = (int(_windows(times, window_s)[1].max(initial=0)) for window_s in (60.0, 600.0, 3600.0))
    minutes = (ended_us - started_us) / 60e6
    mean = 10.0 * len(times) / minutes if minutes >= 10.0 else None
    return AlarmRates(len(times), mean, *most)


def _windows(times_us: Ints, window_s: float) -> tuple[Ints, Ints]:
    """Return the first alarm of the window that ends with each, and how many it holds."""
    first_in = np.searchsorted(times_us, times_us - round(window_s * 1e6), side="right").astype(np.int64)
    return first_in, np.arange(1, len(times_us) + 1, dtype=np.int64) - first_in
