"""Pressures above all that a cylinder can hold, as of a set that sends psi or kPa: nobody believes them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.air.gas import Cylinder
from analysis.records import PowerUp
from analysis.wears.valve import CLOSED_BELOW_BAR, SPIKE_BACK_S
from ingest.contract.kinds import RATED_BAR

ABOVE_RATED, LEAST_LIMIT_BAR = 1.15, 390.0
"""No warm, overfilled cylinder reads more; a set that was set up for 200 bar may carry 300. Our own rule."""
SLIP_READINGS = 2  # so many, and no longer than `SPIKE_BACK_S`, are a slip of the sensor
GOES_ON_US = 3600 * 1_000_000
"""A set heard again so soon without a closed valve still sends what it sent. Our own rule."""


def limit_bar(cylinder: Cylinder | None) -> float:
    """Return the most that a set can read."""
    return RATED_BAR[1] if cylinder is None else max(ABOVE_RATED * cylinder.rated_bar, LEAST_LIMIT_BAR)


def mark_too_high(power_ups: Sequence[tuple[PowerUp, float]]) -> None:
    """Mark the pressures of one set that are not believed (`PowerUp.too_high`).

    These are all above its limit. Where a time under air begins with them, and they are no slip of the
    sensor, the set sends another unit: then all until a closed valve, however low.

    - `power_ups`: in order of time, each with its limit in bar.
    """
    doubted = believed = False
    last_us = 0
    for power_up, most_bar in power_ups:
        channel = power_up.channels.get("pressure")
        power_up.too_high = None
        if channel is None or channel.retained.all():
            continue
        live = np.flatnonzero(~channel.retained)
        bar, at_us = channel.numbers["pressure_bar"][live], channel.at_us[live]
        over = bar > most_bar
        if int(at_us[0]) - last_us > GOES_ON_US:
            doubted = believed = False
        last_us = int(at_us[-1])
        first = 0 if doubted else int(over.argmax())
        if not doubted and not over.any():
            believed = bool(bar[-1] >= CLOSED_BELOW_BAR)
            continue
        if first:
            believed = bool(bar[first - 1] >= CLOSED_BELOW_BAR)
        marked, began = over.copy(), None
        for place in range(first, len(bar)):
            if bar[place] < CLOSED_BELOW_BAR:
                doubted, believed, began = False, False, None
                continue
            if over[place] and began is None:
                began = place
            if began is not None and not believed:
                lasts_s = (at_us[place] - at_us[began]) * 1e-6
                doubted = (
                    doubted or place - began >= SLIP_READINGS + (not over[place]) or lasts_s > SPIKE_BACK_S
                )
            marked[place] = over[place] or doubted
            if not marked[place]:
                believed, began = True, None
        power_up.too_high = np.zeros(len(channel), np.bool_)
        power_up.too_high[live] = marked
