"""The forecasts of one wear: rate, minutes to warning, turn-back and fan; minutes left when losing air."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from analysis.air.breathing import LiveAir, LiveEstimate
from analysis.air.breathing_kernels import OUTLIER_SD
from analysis.air.forecast import EARLY_END_ONLY_S, Scenario, of_another_pressure
from analysis.live.rows import FanPoint, Interval
from analysis.profile import Profile
from analysis.records import Floats
from analysis.wears.valve import HOSE_FALLS_BAR_S, UNBREATHABLE_L_S
from analysis.wears.wears import USUAL_CYLINDER

FAN_LEVELS = 4  # pressures down to the warning, and including it, at which the fan is drawn
EMPTY_BAR = 5.0  # below this no breath comes; our own rule
STEP_BAR = 1.0  # a fall may look this much larger than it is, by the gauge's step
LATEST_S = 30.0  # the latest readings that are looked at, with the one before
STEP_READINGS = 300  # the latest, that show the gauge's step
DOUBTED_BAR = 5.0  # a reading so far below what the filter expects it may have set aside; our own rule


@dataclass(frozen=True, slots=True)
class Outlook:
    """The forecasts of one moment, in minutes from `made_at`; None where there is none."""

    made_at: float  # seconds since 1970
    rate_l_min: float  # breathing rate
    # `low_air`, `leave`: to the low-air warning, and to the pressure at which to turn back
    low_air: Interval | None
    leave: Interval | None
    fan: tuple[FanPoint, ...]  # the way down to the warning
    to_empty: Interval | None = None  # to an empty cylinder, from the warning on
    # To the warning, if it stays as hard as the hardest three minutes so far.
    if_hardest: Scenario | None = None
    # Since when its gauge has not moved, if even somebody at rest would have moved it; seconds since 1970.
    hangs_at: float | None = None


def look_ahead(
    air: LiveAir,
    started_at: float,
    reading: tuple[float, float],
    low_air_bar: float,
    leave_bar: float | None,
    now_s: float,
    hardest_l_min: float = 0.0,
    least_bar: float = math.inf,
) -> Outlook:
    """Return the outlook of a wear.

    - `air`: the wear's filter.
    - `started_at` and `now_s`: seconds since 1970.
    - `reading`: (float, float): moment and gauge pressure (bar) of the newest reading.
    - `low_air_bar` and `leave_bar`: float, float or None: gauge pressures of the warning and of turn-back.
    - `hardest_l_min`: the hardest three minutes of the same entry before this wear.
    - `least_bar`: a newer reading that may still be undone.
    """
    reading_at, reading_bar = reading
    estimate = air.at(max(now_s, reading_at) - started_at)
    low_air = leave = to_empty = if_hardest = None
    fan: tuple[FanPoint, ...] = ()
    if reading_bar > low_air_bar:
        part = _part(estimate, min(reading_bar, least_bar), low_air_bar)
        low_air = _minutes(estimate, low_air_bar, part, is_warning=True)
        fan = _fan(estimate, low_air_bar, low_air) if part == 1.0 else ()
        scenario = estimate.if_hardest(low_air_bar)
        if math.isfinite(scenario.minutes):
            rate_l_min = max(scenario.rate_l_min, hardest_l_min, 1.0)
            slower = max(scenario.rate_l_min, 1.0) / rate_l_min
            if_hardest = Scenario(scenario.minutes * part * slower, rate_l_min)
        if leave_bar is not None and max(reading_bar, float(estimate.pressure_bar)) > leave_bar:
            part = _part(estimate, min(reading_bar, least_bar), leave_bar)
            leave = _minutes(estimate, leave_bar, part)
    elif reading_bar > EMPTY_BAR:
        to_empty = _minutes(estimate, EMPTY_BAR, _part(estimate, reading_bar, EMPTY_BAR))
    unmoved = air.unmoved_since_s
    return Outlook(
        made_at=now_s,
        rate_l_min=float(estimate.rate_l_min),
        low_air=low_air,
        leave=leave,
        fan=fan,
        to_empty=to_empty,
        if_hardest=if_hardest,
        hangs_at=started_at + unmoved[0] if unmoved is not None and unmoved[1] else None,
    )


def _part(estimate: LiveEstimate, reading_bar: float, target_bar: float) -> float:
    """Return which part of a forecast is left by a reading far below it that the filter may have set aside.

    Until the next readings decide, the worse of both counts.
    """
    bar = float(estimate.pressure_bar)
    if bar - reading_bar <= max(DOUBTED_BAR, OUTLIER_SD * estimate.pressure_sd_bar):
        return 1.0
    return max((reading_bar - target_bar) / (bar - target_bar), 0.0) if bar > target_bar else 1.0


def _minutes(
    estimate: LiveEstimate, target_bar: float, part: float = 1.0, *, is_warning: bool = False
) -> Interval | None:
    """Return the forecast, None where there is none (too early in the wear, or too far ahead)."""
    minutes = estimate.minutes_to(target_bar)
    if not math.isfinite(minutes.median):
        return None
    is_young = estimate.time_s < EARLY_END_ONLY_S
    if not (is_warning or is_young):
        minutes = of_another_pressure(minutes)
    median_min, low_min = minutes.median * part, minutes.low * part
    if part < 1.0:  # it may be a big loss of air: no figure is better than at hard work
        hard_min = estimate.hard_minutes_to(target_bar) * part
        median_min, low_min = min(median_min, hard_min), min(low_min, hard_min)
    return Interval(median_min, low_min, minutes.high, is_young)


def _fan(estimate: LiveEstimate, low_air_bar: float, low_air: Interval | None) -> tuple[FanPoint, ...]:
    """Return when the pressure will be down to each of some levels between now and the warning."""
    now_bar = float(estimate.pressure_bar)
    if low_air is None or now_bar <= low_air_bar:
        return ()
    points = []
    for level in range(1, FAN_LEVELS):
        bar = now_bar - (now_bar - low_air_bar) * level / FAN_LEVELS
        minutes = _minutes(estimate, bar)
        if minutes is not None:
            points.append(FanPoint(bar, minutes.low, minutes.median, minutes.high))
    points.append(FanPoint(low_air_bar, low_air.low, low_air.median, low_air.high))
    return tuple(points)


def gauge_step_bar(bar: Floats) -> float:
    """Return the finest step of a gauge that has shown the same figure twice; else `STEP_BAR`.

    One that is read seldom shows another figure at each reading: then its changes say nothing of its step.
    `bar`: array, shape (n,): its readings in order of time.
    """
    changes = np.abs(np.diff(bar))
    moved = changes[changes > 0.0]
    return max(STEP_BAR, float(moved.min())) if 0 < len(moved) < len(changes) else STEP_BAR


def escapes(readings: Sequence[tuple[int, float]]) -> bool:
    """Return whether a fall may be the cylinder's: the hose's, when a valve is shut, is faster.

    `readings`: sequence of (int, float): microseconds and bar, in order of time.
    """
    return all(
        before[1] - after[1] <= HOSE_FALLS_BAR_S * (after[0] - before[0]) * 1e-6
        for before, after in pairwise(readings)
    )


def minutes_to_empty(
    readings: Sequence[tuple[float, float]],
    volume_l: float | None,
    profile: Profile,
    step_bar: float = STEP_BAR,
) -> float | None:
    """Return the minutes until the cylinder is empty at the present fall; None unless it falls too fast.

    - `readings`: sequence of (float, float): the latest pressure readings, in order of time: seconds and bar.
    - `volume_l`: water volume of all cylinders together, litres.
    - `step_bar`: of its gauge.
    - `profile`: `air.free_flow_l_min` and `air.free_flow_s`: the limit and for how long it must be exceeded.

    Notes
    -----
    Our own rule: nominal litres (volume x fall), one gauge step taken off for the
    limit (not for the minutes), over the shortest window of at
    least `free_flow_s` that ends with the last reading. Over a gap this is a mean: at least so much is lost.
    If it fell faster than anybody breathes since the reading before, the minutes are at that fall.
    """
    if not readings or readings[-1][1] <= EMPTY_BAR:
        return None
    last_s, last_bar = readings[-1]
    litres = volume_l or USUAL_CYLINDER.total_l
    for at_s, bar in reversed(readings):
        window_s = last_s - at_s
        if window_s < profile.air.free_flow_s:
            continue
        sure_bar_min = (bar - last_bar - step_bar) / window_s * 60.0
        if sure_bar_min * litres < profile.air.free_flow_l_min:
            if step_bar > STEP_BAR:
                continue  # a coarse gauge shows a loss only over some of its steps
            return None
        took_s, fell_bar = last_s - readings[-2][0], readings[-2][1] - last_bar
        if (fell_bar - step_bar) * litres <= UNBREATHABLE_L_S * took_s:
            took_s, fell_bar = window_s, bar - last_bar
        return (last_bar - EMPTY_BAR) * min(took_s / fell_bar, window_s / (bar - last_bar)) / 60.0
    return None
