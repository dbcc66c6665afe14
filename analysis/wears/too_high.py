"""Pressures above all that a cylinder can hold, as from a set that sends psi or kPa: they do not count."""

import math
from collections.abc import Sequence

import numpy as np

from analysis.air.gas import Cylinder
from analysis.records import Floats, Ints, PowerUp
from analysis.wears.valve import (
    CLOSED_BELOW_BAR,
    RAMP_S,
    SPIKE_BACK_S,
    SPIKE_BAR,
    STANDS_BAR,
    UNBREATHABLE_L_S,
)
from ingest.contract.kinds import RATED_BAR
from ingest.contract.units import BAR_IN_A_PSI

ABOVE_RATED, LEAST_LIMIT_BAR = 1.15, 390.0
"""No warm, overfilled cylinder reads more; a set that was set up for 200 bar may carry 300. Our own rule."""
SLIP_READINGS = 2  # at most so many, within `SPIKE_BACK_S`, are a slip of the sensor
GOES_ON_US = 3600 * 1_000_000
"""A set heard again so soon, without a closed valve, still sends the same unit. Our own rule."""
LEAST = ((60.0, 5.0 / 60.0), (300.0, 7.0 / 60.0))
"""Nobody under air breathes less, L/s, for so many seconds: at rest it is some 6 L/min (from memory). Our own
rule."""


def limit_bar(cylinder: Cylinder | None) -> float:
    """Return the most that a set can read."""
    return RATED_BAR[1] if cylinder is None else max(ABOVE_RATED * cylinder.rated_bar, LEAST_LIMIT_BAR)


def mark_too_high(power_ups: Sequence[tuple[PowerUp, Cylinder | None]]) -> None:
    """Mark the pressures of one set that are not believed (`PowerUp.too_high`).

    All above its limit are. If a time under air begins with them and they are no slip of the sensor, the set
    may send another unit: then all are marked, however low, until a closed valve or until it is sound.

    Readings that were refused for being too high count for this as those that were kept.

    - `power_ups`: in order of time, each with its cylinder.
    """
    lives, lots = [], []
    for power_up, cylinder in power_ups:
        channel = power_up.channels.get("pressure")
        power_up.too_high = None
        if channel is not None and not channel.retained.all():
            live = np.flatnonzero(~channel.retained)
            seqs, refused_bar = power_up.refused_high
            at_us, bar = channel.at_us[live], channel.numbers["pressure_bar"][live]
            order = np.arange(len(live))
            if len(seqs):
                at_us = np.concatenate((at_us, power_up.moments_of(seqs)))
                bar = np.concatenate((bar, refused_bar))
                order = np.lexsort((np.concatenate((channel.seq[live], seqs)), at_us))
            lots.append((at_us[order], bar[order], cylinder))
            lives.append((power_up, live, order, len(channel)))
    if not any((bar > limit_bar(cylinder)).any() for _, bar, cylinder in lots):
        return
    at_us, bar = (np.concatenate([lot[place] for lot in lots]) for place in (0, 1))
    over = np.concatenate([bar > limit_bar(cylinder) for _, bar, cylinder in lots])
    ends = np.cumsum([len(order) for _, _, order, _ in lives])
    fresh = {0} | {int(end) for end in ends[:-1] if at_us[end] - at_us[end - 1] > GOES_ON_US}
    marked = over.copy()
    doubted, began, first = False, -1, int(over.argmax())
    believed = first not in fresh and bool(bar[first - 1] >= CLOSED_BELOW_BAR)
    last_over, lot = first, 0
    for place in range(first, len(bar)):
        if place in fresh or bar[place] < CLOSED_BELOW_BAR:
            doubted, believed, began = False, False, -1
        if bar[place] < CLOSED_BELOW_BAR:
            continue
        if over[place]:
            last_over = place
            began = place if began < 0 else began
        if began >= 0 and not believed:
            lasts_s = (at_us[place] - at_us[began]) * 1e-6
            doubted = doubted or place - began >= SLIP_READINGS + (not over[place]) or lasts_s > SPIKE_BACK_S
        if doubted and not over[place]:
            while ends[lot] <= place:
                lot += 1
            since = _sound_since(at_us[last_over : place + 1], bar[last_over : place + 1], lots[lot][2])
            doubted = not since
            if since:
                marked[last_over + since : place] = False
        marked[place] = over[place] or doubted
        if not marked[place]:
            believed, began = True, -1
    for (power_up, live, order, count), end in zip(lives, ends, strict=True):
        own = np.empty(len(order), np.bool_)
        own[order] = marked[end - len(order) : end]
        if own[: len(live)].any():
            power_up.too_high = np.zeros(count, np.bool_)
            power_up.too_high[live] = own[: len(live)]


def _sound_since(at_us: Ints, bar: Floats, cylinder: Cylinder | None) -> int:
    """Return from which reading on a gauge must be in bar, whatever it sent before; 0 if that is not certain.

    Either it fell so fast that in psi nobody could breathe it, and then stood for 8 s: a transient of the
    sensor. Or it came down by over 25 bar at once or unheard, and has fallen since, for a minute or longer,
    more slowly than anybody breathes in psi.

    - `at_us`, `bar`: from the last reading that was too high on.
    """
    usual = Cylinder()
    most_bar = ABOVE_RATED * max((cylinder or usual).rated_bar, usual.rated_bar)
    volume_l = (cylinder or usual).total_l
    breathable = UNBREATHABLE_L_S / volume_l * 1e-6  # bar/us
    settled = max(int(np.searchsorted(at_us, at_us[0] + RAMP_S * 1e6)), 1)
    stands = int(np.searchsorted(at_us, at_us[-1] - RAMP_S * 1e6, side="right")) - 1
    near = slice(1, settled + 1)
    for since, lasts_s, most, seen_bar, leap_bar in (
        (stands, RAMP_S, breathable, -math.inf, breathable / BAR_IN_A_PSI * (at_us[near] - at_us[0])),
        *((settled, s, l_s / (BAR_IN_A_PSI * volume_l) * 1e-6, STANDS_BAR, SPIKE_BAR) for s, l_s in LEAST),
    ):
        if not 0 < since < len(bar) or bar[since] > most_bar or not (bar[0] - bar[near] > leap_bar).any():
            continue
        falls_bar, in_us = bar[since] - bar[-1], at_us[-1] - at_us[since]
        if in_us >= lasts_s * 1e6 and seen_bar < falls_bar <= most * in_us:
            steps = np.abs(np.diff(bar)) > STANDS_BAR + breathable * np.diff(at_us)  # the last one: 304, 296
            while since < len(steps) and steps[since]:
                since += 1
            while since > 1 and not steps[since - 1]:
                since -= 1
            return since
    return 0
