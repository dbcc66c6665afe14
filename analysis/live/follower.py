"""The filter of the wear in progress, kept up with the readings of the record.

It takes the readings that are new, and starts anew when an earlier one changed: by a late message, or because
another wear began.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.air.breathing import LiveAir
from analysis.air.forecast import VOICE_STEP_BAR
from analysis.air.gas import Cylinder
from analysis.profile import Profile
from analysis.wears.entries import Gauge
from analysis.wears.wears import Wear


class Follower:
    """Follows one set's wears; `follow` returns the filter of the one in progress."""

    def __init__(self) -> None:
        self._air: LiveAir | None = None
        self._wear_id = ""
        self._cylinder: Cylinder | None = None
        self._fed = 0
        self._last_seq = -1
        self._gauges = 0
        self.last: tuple[float, float] = (0.0, 0.0)

    def stop(self) -> None:
        """Give up after a fault: nobody knows what state the filter is in."""
        self._air, self._wear_id = None, ""

    def follow(self, wear: Wear, gauges: Sequence[Gauge], profile: Profile) -> LiveAir | None:
        """Feed what is new and return the filter; None while the set has not named its cylinder.

        Parameters
        ----------
        wear : Wear
            In progress.
        gauges : sequence of Gauge
            Read by voice since its start; they count where the set itself is silent.
        profile : Profile
            For the constants of the forecast.
        """
        if wear.cylinder is None:
            return None
        good = np.flatnonzero(~wear.spike)
        same = wear.wear_id == self._wear_id and wear.cylinder == self._cylinder and self._fed <= len(good)
        if same and self._fed:
            same = int(wear.seq[good[self._fed - 1]]) == self._last_seq
        if not same or self._air is None:
            around_c = _temperature_at(wear, wear.started_us)
            self._air = LiveAir(
                wear.cylinder,
                wear.thresholds.low_air_bar,
                None,
                around_c,
                ends=profile.forecast.ends(),
                hard_l_min=profile.forecast.hard_l_min,
            )
            self._wear_id, self._cylinder, self._fed, self._gauges = wear.wear_id, wear.cylinder, 0, 0
        air = self._air
        for position in good[self._fed :].tolist():
            at_us = int(wear.at_us[position])
            around_c = _temperature_at(wear, at_us)
            if around_c is not None:
                air.surroundings_c = around_c
            gas_c = float(wear.gas_temperature_c[position])
            second = (at_us - wear.started_us) * 1e-6
            air.add(second, float(wear.pressure_bar[position]), None if np.isnan(gas_c) else gas_c)
        self._fed = len(good)
        self._last_seq = int(wear.seq[good[-1]])
        self.last = (int(wear.at_us[good[-1]]) * 1e-6, float(wear.pressure_bar[good[-1]]))
        later = [one for one in gauges if one.at_us > wear.ended_us]
        for one in later[self._gauges :]:
            second = (one.at_us - wear.started_us) * 1e-6
            air.add(second, one.pressure_bar, said_step_bar=VOICE_STEP_BAR)
            self.last = (one.at_us * 1e-6, one.pressure_bar)
        self._gauges = len(later)
        return air


def _temperature_at(wear: Wear, at_us: int) -> float | None:
    channel = wear.power_up.channels.get("temperature")
    if channel is None:
        return None
    position = int(np.searchsorted(channel.at_us, at_us, side="right")) - 1
    while position >= 0 and channel.retained[position]:
        position -= 1
    if position < 0:
        return None
    value = float(channel.numbers["temperature_c"][position])
    return None if np.isnan(value) else value
