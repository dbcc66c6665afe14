"""The filter of the wear in progress, up to date with the record.

It takes new readings, and starts again when an earlier one changed: by a late message, or because another
wear began.
"""

from collections.abc import Sequence

import numpy as np

from analysis.air.breathing import LiveAir
from analysis.air.gas import Cylinder
from analysis.findings.examined import breathing_of
from analysis.heat.heat import surroundings_c
from analysis.profile import Profile
from analysis.records import Ints
from analysis.wears.entries import FOR_EVER_US
from analysis.wears.gauges import VoiceGauge
from analysis.wears.unbroken import Unbroken, join, unbroken
from analysis.wears.wears import USUAL_CYLINDER, Wear

LOOK_BACK = 60
"""So many heat readings before the newest ones are searched for a possible one."""


class WearFollower:
    """Follows one set's wears; `follow` returns the filter of the one in progress.

    `zero_us` is the moment from which the filter counts its seconds, `last` the newest reading.
    `may_hang_us` is since when its gauge has not moved although it should have, `hung_us` from when until
    when it hung last, and `hangs` both that and a hang that lasts.
    """

    def __init__(self) -> None:
        self._air: LiveAir | None = None
        self._began: tuple[str, Cylinder | None] = "", None
        self._fed = 0
        self._last = ("", -1, 0.0)
        self._said: frozenset[VoiceGauge] = frozenset()
        self.last: tuple[float, float] = (0.0, 0.0)
        self.zero_us = 0
        self.may_hang_us: int | None = None
        self.hung_us: tuple[int, int] | None = None
        self.hangs: list[tuple[int, int]] = []

    def stop(self) -> None:
        """Give up after a fault: nobody knows what state the filter is in."""
        self._air = None
        self.may_hang_us = self.hung_us = None
        self.hangs = []

    def follow(self, wear: Wear, gauges: Sequence[VoiceGauge], profile: Profile, now_us: int) -> LiveAir:
        """Feed new readings and return the filter; without a known cylinder it assumes a usual one.

        - `wear`: in progress.
        - `gauges`: read by voice; they count where the set itself is silent.
        - `profile`: for the constants of the forecast.
        - `now_us`: gauges count until now.
        """
        wears = unbroken(wear)
        known = join(wears, gauges, max(now_us, wear.ended_us))
        count = len(known.at_s)
        began = wears[0].wear_id, wear.cylinder
        same = began == self._began and self._fed <= count
        if same and self._fed:
            same = self._last == self._mark(known, self._fed - 1)
        # After a correction of a gauge it starts again, because the filter cannot forget a gauge.
        if not same or self._air is None or not self._said <= set(gauges):
            self._air = LiveAir(
                wear.cylinder or USUAL_CYLINDER,
                None,
                _temperatures_at(wears[0], np.array([wears[0].started_us]))[0],
                ends=profile.forecast.ends(),
                hard_l_min=profile.forecast.hard_l_min,
                breathing=breathing_of(profile.air),
            )
            self._began, self._fed = began, 0
        place = 0
        for one, read in zip(wears, known.readings, strict=True):
            new = slice(max(self._fed - place, 0), len(read.at_us))
            if new.start < new.stop:
                self._air.take(
                    known.at_s[place + new.start : place + new.stop],
                    read.bar[new],
                    read.gas_c[new],
                    read.said_step_bar[new],
                    _temperatures_at(one, read.at_us[new]),
                )
            place += len(read.at_us)
        self.zero_us = known.zero_us
        self._said = frozenset(gauges)
        self._fed, self._last = count, self._mark(known, count - 1)
        self.last = int(read.at_us[-1]) * 1e-6, float(read.bar[-1])
        unmoved, hung = self._air.unmoved_since_s, self._air.hung_s
        self.may_hang_us = self._moment(unmoved[0]) if unmoved is not None else None
        self.hung_us = (self._moment(hung[0]), self._moment(hung[1])) if hung is not None else None
        self.hangs = [self.hung_us] if self.hung_us is not None else []
        if unmoved is not None and unmoved[1]:
            self.hangs.append((self._moment(unmoved[0]), FOR_EVER_US))
        return self._air

    def _moment(self, at_s: float) -> int:
        return self.zero_us + round(at_s * 1e6)

    @staticmethod
    def _mark(known: Unbroken, place: int) -> tuple[str, int, float]:
        """Return what identifies a reading: not its time, which changes when clocks are fitted again."""
        number = int(known.wear[place])
        wear, read = known.wears[number], known.readings[number]
        place -= int(known.wear.searchsorted(number))
        position = int(read.position[place])
        return wear.wear_id, int(wear.seq[position]) if position >= 0 else -1, float(read.bar[place])


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
