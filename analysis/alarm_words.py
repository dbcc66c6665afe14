"""The states of an alarm in the words of the open alarm-management standards, rates and floods.

Words and states: ISA-18.2 / IEC 62682 as restated in open documentation (secondary source); latching:
OPC UA Part 9, v1.05, 4.8. Rates: EEMUA 191 as cited in open literature (secondary source).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.records import Ints

State = Literal[
    "normal",
    "unacknowledged",
    "acknowledged",
    "returned to normal, unacknowledged",
    "latched, unacknowledged",
    "latched, acknowledged",
]

LATCHED_KINDS = frozenset({"no_motion", "distress"})
"""Alarms that stand until somebody resets them, whatever the readings do. Common practice, no source."""


def alarm_state(*, active: bool, acknowledged: bool, latched: bool = False, reset: bool = False) -> State:
    """Return the state of an alarm that has been raised.

    Parameters
    ----------
    active : bool
        The condition stands now.
    acknowledged : bool
        Somebody has acknowledged or seen it.
    latched : bool
        Once active it stands until reset, even when the value is back to normal.
    reset : bool
        It has been reset (a set's `cleared` is the reset of a latched alarm).

    Examples
    --------
    >>> alarm_state(active=False, acknowledged=False)
    'returned to normal, unacknowledged'
    >>> alarm_state(active=False, acknowledged=True, latched=True)
    'latched, acknowledged'
    """
    if active:
        return "acknowledged" if acknowledged else "unacknowledged"
    if latched and not reset:
        return "latched, acknowledged" if acknowledged else "latched, unacknowledged"
    return "normal" if acknowledged else "returned to normal, unacknowledged"


@dataclass(frozen=True, slots=True)
class Flood:
    """A stretch in which every rolling window holds more alarms than the limit; microseconds since 1970."""

    started_us: int
    ended_us: int
    most: int


def floods(raised_us: Ints, limit: int, window_s: float) -> list[Flood]:
    """Return the alarm floods: more than `limit` alarms in any rolling window.

    Parameters
    ----------
    raised_us : array of int, shape (n,)
        When alarms were raised, any order.
    limit : int
        Ten in the literature: eleven are a flood, ten are not ("more than 10 in 10 minutes").
    window_s : float
        600 in the literature; an alarm exactly one window later is outside.
    """
    times = np.sort(raised_us)
    first_in = np.searchsorted(times, times - round(window_s * 1e6), side="right")
    counts = np.arange(1, len(times) + 1) - first_in
    found: list[Flood] = []
    for last in np.flatnonzero(counts > limit).tolist():
        started, count = int(times[first_in[last]]), int(counts[last])
        if found and started <= found[-1].ended_us:
            joined = found[-1]
            found[-1] = Flood(joined.started_us, int(times[last]), max(joined.most, count))
        else:
            found.append(Flood(started, int(times[last]), count))
    return found
