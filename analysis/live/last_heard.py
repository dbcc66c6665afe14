"""The forecast that stands when a set falls silent: the same on the board and in the record."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analysis.air.gas import free_air_l
from analysis.findings.examined import Examined
from analysis.live.follower import WearFollower
from analysis.live.outlook import Outlook, look_ahead
from analysis.live.rows import Interval
from analysis.policies import TurnBackMoment
from analysis.profile import Profile
from analysis.wears.charges import Charge
from analysis.wears.entries import FOR_EVER_US, Entry
from analysis.wears.gauges import VoiceGauge
from analysis.wears.unbroken import unbroken
from analysis.wears.wears import USUAL_CYLINDER, Wear

PLANNING_C = 20.0  # for planned times: the reference temperature of free air


def outlook_at(
    wear: Wear,
    gauges: Sequence[VoiceGauge],
    profile: Profile,
    until_us: int,
    low_air_bar: float,
    leave_bar: float | None,
) -> Outlook:
    """Return the forecast of a wear, made at a moment."""
    known = next((one for one in reversed(unbroken(wear)) if one.started_us <= until_us), wear)
    follower, known = WearFollower(), _until(known, until_us)
    air = follower.follow(known, gauges, profile, until_us)
    began_at, now_s = follower.zero_us * 1e-6, until_us * 1e-6
    return look_ahead(air, began_at, follower.last, low_air_bar, leave_bar, now_s)


def _until(wear: Wear, until_us: int) -> Wear:
    """Return a wear with its readings up to a moment."""
    end = int(np.searchsorted(wear.at_us, until_us, side="right"))
    return replace(
        wear,
        seq=wear.seq[:end],
        at_us=wear.at_us[:end],
        received_us=wear.received_us[:end],
        pressure_bar=wear.pressure_bar[:end],
        gas_temperature_c=wear.gas_temperature_c[:end],
        spike=wear.spike[:end],
    )


def minutes_ahead(
    moment: TurnBackMoment, profile: Profile, now_s: float, low_air: Interval | None, leave: Interval | None
) -> Interval | None:
    """Return the minutes to a turn-back that was not reached, by its policy; None when not known."""
    if moment.leave_us is not None:
        minutes = (moment.leave_us * 1e-6 - now_s) / 60.0  # a moment of the clock, known exactly
        warned = low_air or Interval(math.inf, math.inf, math.inf)  # the warning may come before
        median, low, high = (min(minutes, end) for end in (warned.median, warned.low, warned.high))
        return Interval(median, low, high, warned.early_only and low < minutes)
    if moment.policy == "forecast":
        if low_air is None:
            return None
        rules = profile.turn_back
        enough = rules.way_in_min + rules.forecast.margin_min
        # This policy uses the early end (of a young wear the middle) as its own middle, and the next
        # figure as its late end.
        early, late = (low_air.low, low_air.median)
        if low_air.early_only:
            early, late = low_air.median, low_air.high
        early = max(early - enough, 0.0)
        return Interval(early, early, max(late - enough, early))
    return leave


def give_last_heard(entries: Sequence[Entry], examined: Sequence[Examined], profile: Profile) -> None:
    """Give everybody of whom nothing more was known the turn-back that the board showed until they left.

    They fell silent for good, or their gauge hung to the end.
    """
    unknown = {gap.wear.wear_id for one in examined for gap in one.gaps if gap.at_end}
    unknown |= {
        one.wear.wear_id for one in examined for _, until_us in one.hung_us if until_us == FOR_EVER_US
    }
    for entry in entries:
        moments = entry.moments.get(entry.policy, ())
        if not moments or moments[-1].at_us is not None:
            continue
        if entry.wears and entry.wears[-1].wear_id not in unknown:
            continue
        charge, moment = entry.charges[-1], moments[-1]
        wear = entry.wears[-1] if entry.wears else None
        said = [one.at_us for one in charge.spoken if one in entry.spoken]
        heard = [(one.at_us, one.pressure_bar) for one in charge.spoken] + ([wear.last_kept] if wear else [])
        last_us, bar = max(heard)
        low_air = leave = None
        if wear is not None:
            found = outlook_at(wear, charge.spoken, profile, last_us, charge.low_air_bar, moment.leave_bar)
            if found.hangs_at is not None and found.hangs_at * 1e6 >= max(said, default=0):  # as on the board
                last_us = round(found.hangs_at * 1e6)
                found = outlook_at(
                    wear, charge.spoken, profile, last_us, charge.low_air_bar, moment.leave_bar
                )
            low_air, leave = found.low_air, found.leave
        low_air = low_air or _at_hard_work(charge, bar, charge.low_air_bar, profile)
        leave = leave or _at_hard_work(charge, bar, moment.leave_bar, profile)
        ahead = minutes_ahead(moment, profile, last_us * 1e-6, low_air, leave)
        if ahead is None:
            continue
        at_us = last_us + round(60e6 * max(ahead.low, 0.0))
        if entry.left_us is not None and at_us <= entry.left_us:
            entry.as_last_heard = last_us, at_us


def _at_hard_work(charge: Charge, bar: float, target_bar: float | None, profile: Profile) -> Interval | None:
    """Return the minutes down to a pressure in hard work: nobody knows how hard the silent work."""
    if target_bar is None or target_bar >= bar:
        return None
    volume_l = (charge.cylinder or USUAL_CYLINDER).total_l
    left_l, there_l = (float(free_air_l(each, PLANNING_C, volume_l)) for each in (bar, target_bar))
    minutes = (left_l - there_l) / max(profile.forecast.hard_l_min, profile.air.planning_l_min)
    return Interval(minutes, minutes, minutes)
