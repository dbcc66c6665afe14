"""Drop readings of closed wears from memory, except those that an answer still needs.

Otherwise a set that reports every second would fill the server's memory in a week; the archive keeps every
message. Kept are new lows of the pressure, both ends of a wear, slips of the sensor, and motion and
temperature around alarms. The board then asks every rule again; if any answer changed, it takes them back.
"""

from collections.abc import Sequence

import numpy as np

from analysis.alarms.alarms import Alarm
from analysis.alarms.derived import HEAT_CLEARS_BELOW_K, still_from_motion
from analysis.clocks.links import USUAL_OF
from analysis.policies import BY_NEW_LOWS
from analysis.profile import Profile
from analysis.records import Bools, Channel, PowerUp, runs_of
from analysis.wears.tally import FORGOTTEN_AFTER_US
from analysis.wears.wears import Wear

KEPT_WHOLE_US = 300_000_000
"""So late readings are all kept: messages that come late are mostly about them. Our own rule."""
EDGE_US = 120_000_000
"""All pressures around both ends of a wear are kept: no rule looks further. Our own rule."""
LINE_US = 10_000_000
"""The air line so far has one point each."""
FIRST_KEPT = USUAL_OF + 1
"""Of each kind: they show whether the power-up's number was used before, and its usual interval. Our own
rule."""
BESIDE = 3  # readings on both sides of what is kept for itself


def closed_until_us(power_up: PowerUp, wears: Sequence[Wear], now_us: int) -> int:
    """Return until when nothing of a power-up is open any more; 0 if all of it is open.

    `wears`: of its set, in order of time.
    """
    own = [wear for wear in wears if wear.power_up is power_up]
    until_us = now_us - KEPT_WHOLE_US
    for wear in own:
        # While somebody is still in, the last forecast counts.
        if wear.tally is not None:
            looked_for = wear.tally.ended_us > now_us
        else:
            looked_for = not wear.closed_in_order and now_us - wear.ended_us <= FORGOTTEN_AFTER_US
        still_in = wear is wears[-1] and looked_for
        if wear.ended_how not in ("closed", "off") or still_in or wear.ended_us > until_us:
            return min(until_us, wear.started_us - EDGE_US)
    return max(until_us, 0)


def needed(power_up: PowerUp, wears: Sequence[Wear], profile: Profile, until_us: int) -> dict[str, Bools]:
    """Return, for each kind that comes every second, which of its readings to keep.

    - `power_up`: of which nothing is open until `until_us`, see `closed_until_us`.
    - `wears`: of its set.
    - `profile`: for thresholds that the set did not say.
    - `until_us`: what came later is kept whole.
    """
    own = [wear for wear in wears if wear.power_up is power_up]
    found = {}
    for kind, rule in (("pressure", _pressure), ("motion", _motion), ("temperature", _temperature)):
        channel = power_up.channels.get(kind)
        if channel is not None and len(channel):
            keep = rule(channel, own, profile)
            keep[:FIRST_KEPT] = True
            found[kind] = keep | (channel.at_us >= until_us) | channel.retained
    return found


def _pressure(channel: Channel, wears: Sequence[Wear], profile: Profile) -> Bools:
    at_us, bar = channel.at_us, channel.numbers["pressure_bar"]
    if profile.turn_back.policy not in BY_NEW_LOWS:
        return np.ones(len(bar), np.bool_)
    keep: Bools = np.r_[True, np.diff(at_us // LINE_US) > 0] | ~np.isfinite(bar)
    # Both ends of a pause: pauses decide whether a second cylinder is certain.
    keep |= np.r_[np.diff(at_us) > LINE_US, True]
    inside = np.zeros(len(bar), np.bool_)
    for wear in wears:
        inside |= (at_us >= wear.started_us) & (at_us <= wear.ended_us)
        good_us, good_bar = wear.at_us[~wear.spike], wear.pressure_bar[~wear.spike]
        lower = np.r_[True, np.diff(np.minimum.accumulate(good_bar)) < 0.0]
        keep |= np.isin(at_us, good_us[lower]) | _beside(np.isin(at_us, wear.at_us[wear.spike]))
        for edge_us in (wear.started_us, wear.ended_us):
            keep |= np.abs(at_us - edge_us) <= EDGE_US
    changed: Bools = np.r_[True, np.diff(bar) != 0.0]
    return keep | _beside(changed & ~inside)


def _motion(channel: Channel, wears: Sequence[Wear], profile: Profile) -> Bools:
    at_us, still_s = channel.at_us, channel.numbers["still_s"]
    counted = still_from_motion(at_us, channel.numbers["motion_m_s2"], profile.motion.still_below_m_s2)
    still_s = np.where(np.isnan(still_s), counted, still_s)
    alarm_s = min(
        [profile.motion.no_motion_prealarm_s, profile.motion.no_motion_alarm_s]
        + [wear.thresholds.no_motion_prealarm_s for wear in wears]
        + [wear.thresholds.no_motion_alarm_s for wear in wears]
    )
    keep = np.zeros(len(at_us), np.bool_)
    # Each stillness that led to an alarm, because it is counted again.
    for first, last in runs_of(still_s > 0.0):
        if still_s[first:last].max() >= alarm_s:
            keep[first:last] = True
    return _beside(keep)


def _temperature(channel: Channel, wears: Sequence[Wear], profile: Profile) -> Bools:
    start_c = min([profile.heat.heat_start_c, *(wear.thresholds.heat_start_c for wear in wears)])
    return _beside(channel.numbers["temperature_c"] >= start_c - HEAT_CLEARS_BELOW_K)


def _beside(keep: Bools) -> Bools:
    found = keep.copy()
    for step in range(1, BESIDE + 1):
        found[step:] |= keep[:-step]
        found[:-step] |= keep[step:]
    return found


Answers = tuple[list[tuple[object, ...]], list[tuple[object, ...]]]


def answers(wears: Sequence[Wear], alarms: Sequence[Alarm]) -> Answers:
    """Return all that wears and alarms say and that letting go must not change."""
    of_wears: list[tuple[object, ...]] = [
        (
            *(wear.wear_id, wear.started_us, wear.ended_us, wear.ended_how, wear.first_bar, wear.last_bar),
            None if wear.low_air is None else wear.identity(wear.low_air),
            wear.cylinder,
            wear.thresholds,
            wear.tally,
            wear.following,
            wear.opening_heard,
            float(wear.pressure_bar[~wear.spike].min()),
        )
        for wear in wears
    ]
    of_alarms: list[tuple[object, ...]] = [
        (
            *(one.wear.wear_id if one.wear is not None else None, one.alarm, one.raised_us, one.cleared_us),
            *(one.source, one.seen_us, one.acknowledged_us, one.heard_us, tuple(one.evidence)),
        )
        for one in alarms
    ]
    return of_wears, of_alarms
