"""The filter of the wear in progress, kept up with the readings of the record.

It takes new readings, and starts again when an earlier one changed: by a late message, or because another
wear began.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.air.breathing import LiveAir
from analysis.air.gas import Cylinder
from analysis.findings.examined import breathing_of
from analysis.heat.believed import surroundings_c
from analysis.profile import Profile
from analysis.records import Floats, Ints
from analysis.wears.gauges import Readings, VoiceGauge, readings_of
from analysis.wears.wears import TYPICAL_WATER_VOLUME_L, Wear

LOOK_BACK = 60
"""Readings of the heat sensor before the newest ones among which one that can be is looked for."""


class WearFollower:
    """Follows one set's wears; `follow` returns the filter of the one in progress.

    `may_hang_us` is since when its gauge has not moved although it should have, `hangs_us` the same if even
    somebody at rest would have moved it, and `hung_us` from when until when it hung last.
    """

    def __init__(self) -> None:
        self._air: LiveAir | None = None
        self._wear_id = ""
        self._cylinder: Cylinder | None = None
        self._fed = 0
        self._last = (-1, 0.0)
        self._said: frozenset[VoiceGauge] = frozenset()
        self.last: tuple[float, float] = (0.0, 0.0)
        self.may_hang_us: int | None = None
        self.hangs_us: int | None = None
        self.hung_us: tuple[int, int] | None = None

    def stop(self) -> None:
        """Give up after a fault: nobody knows what state the filter is in."""
        self._air, self._wear_id = None, ""
        self.may_hang_us = self.hangs_us = self.hung_us = None

    def follow(self, wear: Wear, gauges: Sequence[VoiceGauge], profile: Profile, now_us: int) -> LiveAir:
        """Feed what is new and return the filter; of a set that has not named its cylinder, by a usual one.

        - `wear`: in progress.
        - `gauges`: read by voice; they count where the set itself is silent.
        - `profile`: for the constants of the forecast.
        - `now_us`: gauges count until now.
        """
        known = readings_of(wear, gauges, max(now_us, wear.ended_us))
        count = len(known.at_us)
        same = wear.wear_id == self._wear_id and wear.cylinder == self._cylinder and self._fed <= count
        if same and self._fed:
            same = self._last == self._mark(wear, known, self._fed - 1)
        # A gauge that was corrected is taken back by starting again: the filter has no way of forgetting one.
        if not same or self._air is None or not self._said <= set(gauges):
            self._air = LiveAir(
                wear.cylinder or Cylinder(1, TYPICAL_WATER_VOLUME_L, 300.0),
                wear.thresholds.low_air_bar,
                None,
                _temperatures_at(wear, np.array([wear.started_us]))[0],
                ends=profile.forecast.ends(),
                hard_l_min=profile.forecast.hard_l_min,
                breathing=breathing_of(profile.air),
            )
            self._wear_id, self._cylinder, self._fed = wear.wear_id, wear.cylinder, 0
        new = slice(self._fed, count)
        if self._fed < count:
            at_s: Floats = ((known.at_us[new] - wear.started_us) * 1e-6).astype(np.float64)
            self._air.take(
                at_s,
                known.bar[new],
                known.gas_c[new],
                known.said_step_bar[new],
                _temperatures_at(wear, known.at_us[new]),
            )
        self._said = frozenset(gauges)
        self._fed, self._last = count, self._mark(wear, known, count - 1)
        self.last = int(known.at_us[-1]) * 1e-6, float(known.bar[-1])
        unmoved, hung = self._air.unmoved_since_s, self._air.hung_s
        self.may_hang_us = self._moment(wear, unmoved[0]) if unmoved is not None else None
        self.hangs_us = self.may_hang_us if unmoved is not None and unmoved[1] else None
        self.hung_us = (
            (self._moment(wear, hung[0]), self._moment(wear, hung[1])) if hung is not None else None
        )
        return self._air

    @staticmethod
    def _moment(wear: Wear, at_s: float) -> int:
        return wear.started_us + round(at_s * 1e6)

    @staticmethod
    def _mark(wear: Wear, known: Readings, place: int) -> tuple[int, float]:
        """Return what identifies a reading: not its time, because clocks are fitted again."""
        position = int(known.position[place])
        return (int(wear.seq[position]) if position >= 0 else -1), float(known.bar[place])


def _temperatures_at(wear: Wear, at_us: Ints) -> list[float | None]:
    """Return the surroundings as known by each moment, for the air; None where nothing is known."""
    channel = wear.power_up.channels.get("temperature")
    if channel is None:
        return [None] * len(at_us)
    heard_us, heard_c = channel.at_us, channel.numbers["temperature_c"]
    if channel.retained.any():
        live = ~channel.retained
        heard_us, heard_c = heard_us[live], heard_c[live]
    newest = heard_us.searchsorted(at_us, side="right") - 1
    if newest.max(initial=-1) < 0:
        return [None] * len(at_us)
    # What was known before these few, the filter keeps.
    first = max(int(newest.min()) - LOOK_BACK, 0)
    known = surroundings_c(heard_c[first : int(newest.max()) + 1])[np.maximum(newest - first, 0)]
    known[newest < 0] = np.nan
    return [value if value == value else None for value in known.tolist()]
