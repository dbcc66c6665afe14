"""The same alarms, derived from the readings with the set's own thresholds."""

from dataclasses import dataclass

import numpy as np

from analysis.profile import Profile
from analysis.records import Floats, Ints, runs_of
from analysis.wears.wears import Wear

HEAT_CLEARS_BELOW_K = 5.0
"""A derived heat alarm ends this far below its start: noise must not make many of one. Our own rule."""
SILENT_US = 30_000_000
"""After a longer silence of its readings nobody knows when an alarm began. Our own rule."""
STALE_MOTION_S = 5.0
STALE_MOTION_INTERVALS = 3.0
"""A stillness is not carried across a silence of a motion sensor without `still_s` that is longer than both
(so many of its usual intervals: some sensors speak every 10 s). Our own rule."""


@dataclass(frozen=True, slots=True)
class Derived:
    """One alarm that the readings show; microseconds since 1970 on the reconciled clock."""

    alarm: str
    raised_us: int
    cleared_us: int | None
    evidence: tuple[str, ...]
    heard_us: int | None = None
    # The reading before a silence in which it may have begun; None where the readings show when it began.
    silent_since_us: int | None = None


def derived_alarms(wear: Wear, profile: Profile, *, goes_on: bool = False) -> list[Derived]:
    """Return what the readings of one wear show: low air, motionless, heat, battery.

    `goes_on`: the wear is not over, and with it its low air.
    """
    return [
        *_low_air(wear, goes_on=goes_on),
        *_no_motion(wear, profile),
        *_heat(wear),
        *_battery(wear, profile),
    ]


def _low_air(wear: Wear, *, goes_on: bool) -> list[Derived]:
    first = wear.low_air
    if first is None:
        return []
    evidence = (wear.identity(first),)
    heard_us = int(wear.received_us[first])
    ended_us = None if goes_on else wear.ended_us
    silent_us = _silent_since(wear.at_us, first)
    return [Derived("low_air", int(wear.at_us[first]), ended_us, evidence, heard_us, silent_us)]


def _silent_since(at_us: Ints, first: int) -> int | None:
    before_us = int(at_us[first - 1]) if first else None
    return before_us if before_us is not None and int(at_us[first]) - before_us > SILENT_US else None


def stillness(
    wear: Wear, profile: Profile, until_us: int | None = None
) -> tuple[Ints, Floats, Ints, Ints] | None:
    """Return (at_us, seconds still, seq, received_us) of a wear's motion readings; None without any.

    The set's own `still_s` where it says it, else counted from the motion readings. `until_us`: in place of
    the wear's end.
    """
    part = wear.span("motion", until_us)
    if part is None:
        return None
    channel, span = part
    at_us, still_s = channel.at_us[span], channel.numbers["still_s"][span]
    if np.isnan(still_s).any():
        motion = channel.numbers["motion_m_s2"][span]
        counted = still_from_motion(at_us, motion, profile.motion.still_below_m_s2)
        still_s = np.where(np.isnan(still_s), counted, still_s)
    return at_us, still_s, channel.seq[span], channel.received_us[span]


def _no_motion(wear: Wear, profile: Profile) -> list[Derived]:
    still = stillness(wear, profile)
    if still is None:
        return []
    at_us, still_s, seq, received_us = still
    found: list[Derived] = []
    for alarm, after_s in (
        ("no_motion_prealarm", wear.thresholds.no_motion_prealarm_s),
        ("no_motion", wear.thresholds.no_motion_alarm_s),
    ):
        for first, last in runs_of(still_s >= after_s):
            # Counted from the last motion, not from the reading that happens to come next.
            raised_us = int(at_us[first]) - round((float(still_s[first]) - after_s) * 1e6)
            cleared_us = int(at_us[last]) if last < len(at_us) else None
            evidence = tuple(
                wear.power_up.identity(int(seq[position]))
                for position in sorted({max(first - 1, 0), first, min(last, len(seq) - 1)})
            )
            if raised_us <= wear.ended_us:
                heard_us = int(received_us[first])
                found.append(Derived(alarm, max(raised_us, wear.started_us), cleared_us, evidence, heard_us))
    return found


def still_from_motion(at_us: Ints, motion_m_s2: Floats, below_m_s2: float) -> Floats:
    """Return seconds since the last motion, from the motion readings alone.

    - `at_us`: array of int, shape (n,): ascending.
    - `motion_m_s2`: array, shape (n,).
    - `below_m_s2`: below this a reading counts as still.

    Notes
    -----
    A silence longer than five seconds, and than three of the usual intervals, starts the count again:
    nobody knows what happened in it.
    """
    apart_s = (at_us[1:] - at_us[:-1]) * 1e-6
    moved = ~(motion_m_s2 < below_m_s2)
    moved[0] = True
    if len(apart_s) and apart_s.max() > STALE_MOTION_S:
        stale_s = max(STALE_MOTION_S, STALE_MOTION_INTERVALS * float(np.median(apart_s)))
        moved[1:] |= apart_s > stale_s
    last = np.maximum.accumulate(np.where(moved, np.arange(len(at_us)), 0))
    since_s: Floats = (at_us - at_us[last]).astype(np.float64) * 1e-6
    return since_s


def _heat(wear: Wear) -> list[Derived]:
    part = wear.span("temperature")
    if part is None:
        return []
    channel, span = part
    reading, at_us, seq = channel.numbers["temperature_c"][span], channel.at_us[span], channel.seq[span]
    start_c = wear.thresholds.heat_start_c
    if not (reading >= start_c).any():
        return []
    hot = np.where(reading >= start_c, 1, np.where(reading < start_c - HEAT_CLEARS_BELOW_K, -1, 0))
    decided = np.maximum.accumulate(np.where(hot != 0, np.arange(len(hot)), 0))
    found = []
    for first, last in runs_of(hot[decided] > 0):
        cleared_us = int(at_us[last]) if last < len(at_us) else None
        evidence = (wear.power_up.identity(int(seq[first])),)
        heard_us = int(channel.received_us[span][first])
        silent_us = _silent_since(at_us, first)
        found.append(Derived("heat", int(at_us[first]), cleared_us, evidence, heard_us, silent_us))
    return found


def _battery(wear: Wear, profile: Profile) -> list[Derived]:
    part = wear.span("power")
    if part is None:
        return []
    channel, span = part
    rows = channel.rows[span]
    for position, row in enumerate(rows):
        charge = row["battery_fraction"]
        if charge is not None and charge < profile.battery.low_fraction and row["state"] == "on":
            at = span.start + position
            identity = wear.power_up.identity(int(channel.seq[at]))
            heard_us = int(channel.received_us[at])
            return [Derived("battery", int(channel.at_us[at]), None, (identity,), heard_us)]
    return []
