"""One wear with all that was computed about it, for findings and tables."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.air.breathing import NORMAL_90, AirTrack, newest_by, reconstruct
from analysis.air.breathing_model import BREATHING, Breathing
from analysis.air.forecast import EARLY_END_ONLY_S
from analysis.air.gas import free_air_l
from analysis.clocks.links import Gap, filled_later, gaps_of, lost_in
from analysis.heat import heat as heat_of
from analysis.heat.heat import HeatTrack, surroundings_c
from analysis.profile import Air, Profile
from analysis.records import Floats, Ints, runs_of
from analysis.wears.entries import FOR_EVER_US
from analysis.wears.gauges import VoiceGauge
from analysis.wears.unbroken import SECOND_US, begins_rested, join, unbroken
from analysis.wears.wears import USUAL_CYLINDER, Wear

BEFORE_START_US = 300_000_000
"""A temperature heard up to five minutes before the valve was opened still shows the surroundings."""
PEAK_WINDOW_S = 60
NOISE_SDS, LEAST_GAIN_L = 2.0, 20.0
"""If a cylinder seems to gain more than both, its readings do not show what was breathed. Our own rule."""
LOST_BAR = 10.0
"""If half of a wear's readings are further from the filter's pressure, the filter lost track in the pause
before, and each part is examined by itself. Our own rule: if a cylinder empties at 900 L/min, it is within 2
bar."""
NOT_KEPT = np.empty(0)


@dataclass(slots=True)
class Examined:
    """A wear, its air, its heat and its silences."""

    wear: Wear
    air: AirTrack
    heat: HeatTrack | None
    gaps: list[Gap]
    lost_messages: int | None
    # Places of the wear's own readings: those that the filter left out, those of a gauge that may have hung,
    # and those of one that did.
    set_aside: Ints
    doubted: Ints
    stuck: Ints
    later: list[Gap]  # silences for the desk alone, see `filled_later`
    # Free air used between the wear that this one continues and this one; None if their air is not joined.
    between_l: float | None = None

    @property
    def seconds(self) -> int:
        """Length of the 1 s grid."""
        return len(self.air.pressure_bar)

    @property
    def hung_us(self) -> list[tuple[int, int]]:
        """From when until when its gauge hung: its last reading that moved, and the next that did."""
        if not self.stuck.size:
            return []
        good = np.flatnonzero(~self.wear.spike)
        at_us, stuck = self.wear.at_us[good], np.isin(good, self.stuck)
        alike = runs_of(np.diff(self.wear.pressure_bar[good]) == 0.0)
        next_us = [*at_us[1:].tolist(), FOR_EVER_US]
        return [(int(at_us[first]), next_us[last]) for first, last in alike if stuck[last]]

    @property
    def gained_l(self) -> float:
        """Litres by which the cylinder seems to have filled, so that the readings give no amount.

        0 if their uncertainty, or cooling and a step of the gauge, explain it.
        """
        gain_l = -self.air.free_air_l
        return gain_l if gain_l > max(NOISE_SDS * self.air.free_air_sd_l, LEAST_GAIN_L) else 0.0

    @property
    def known_air(self) -> bool:
        """Whether litres can be given: the set said what cylinders it carries, and its readings fell."""
        return self.wear.cylinder is not None and not self.gained_l

    @property
    def used_l(self) -> float:
        """Free air used, litres; never negative, because breathing fills no cylinder."""
        return max(self.air.free_air_l, 0.0)

    def at_us(self, second: int) -> int:
        """Return the moment of a second of the grid."""
        return self.wear.started_us + second * 1_000_000

    @property
    def low_air_us(self) -> int | None:
        """When a reading first was at the warning, as for the derived alarm; None if never."""
        first = self.wear.low_air
        return int(self.wear.at_us[first]) if first is not None else None

    @property
    def low_air_seconds(self) -> float:
        """Seconds under air from then on."""
        return (self.wear.ended_us - self.low_air_us) * 1e-6 if self.low_air_us is not None else 0.0

    @property
    def unheard_s(self) -> float:
        """Seconds in which nothing was heard, whatever arrived later; overlapping silences count once."""
        total_us, until_us = 0, 0
        for gap in sorted([*self.gaps, *self.later], key=lambda one: one.started_us):
            total_us += max(gap.ended_us - max(gap.started_us, until_us), 0)
            until_us = max(until_us, gap.ended_us)
        return total_us * 1e-6

    @property
    def breathed(self) -> bool:
        """Whether there are two readings apart in time: one gives a pressure but no rate."""
        return self.minutes > 0 and int(np.count_nonzero(~self.wear.spike)) > 1

    @property
    def minutes(self) -> float:
        """Length of the wear."""
        return (self.wear.ended_us - self.wear.started_us) / 60e6

    def peak_l_min(self) -> float:
        """Return the highest mean rate of any 60 s (of the whole wear when it is shorter)."""
        rate = self.air.rate_l_min
        window = min(PEAK_WINDOW_S, len(rate))
        total = np.zeros(len(rate) + 1)
        np.cumsum(rate, out=total[1:])
        return float((total[window:] - total[:-window]).max() / window)


def examine(wears: Sequence[Wear], profile: Profile, gauges: Sequence[VoiceGauge] = ()) -> list[Examined]:
    """Compute air, heat and silences of wears that continue each other, with their air as one.

    Gauges read by voice count where the set was silent.
    """
    known = join(wears, gauges)
    heats = [_heat(wear, int((wear.ended_us - wear.started_us) // 1_000_000) + 1, profile) for wear in wears]
    gas_c = known.joined("gas_c")
    cylinder = wears[-1].cylinder or USUAL_CYLINDER
    air = reconstruct(
        known.at_s,
        known.joined("bar"),
        cylinder,
        low_air_bar=max(wear.thresholds.low_air_bar for wear in wears),
        surroundings_c=_around(known.first_s, [around_c for _, around_c in heats]),
        gas_temperature_c=gas_c if np.isfinite(gas_c).any() else None,
        said_step_bar=known.joined("said_step_bar"),
        ends=profile.forecast.ends(),
        hard_l_min=profile.forecast.hard_l_min,
        rested=begins_rested(wears[0]),
        breathing=breathing_of(profile.air),
    )
    found: list[Examined] = []
    between_l, stop, place = None, 0, 0
    for wear, first, read, (heat, _) in zip(wears, known.first_s, known.readings, heats, strict=True):
        if first:
            between_l = float(air.free_air_left_l[stop - 1] - air.free_air_left_l[first])
        last_us, _ = wear.last_kept
        stop = int(known.at_s[place + int(np.searchsorted(read.at_us, last_us))]) + 1
        own = air.part(first, stop) if len(wears) > 1 else air
        by_filter_bar = own.pressure_bar[(wear.at_us[wear.kept] - wear.started_us) // SECOND_US]
        if found and np.median(np.abs(by_filter_bar - wear.pressure_bar[wear.kept])) > LOST_BAR:
            parts = wears[: len(found)], wears[len(found) :]
            return [one for part in parts for one in examine(part, profile, gauges)]
        if wear.bleeding:
            # The last reading may be the hose's: the 90 % reaches to what was left at the reading before.
            before_l = own.free_air_left_l[(read.at_us[-2] - wear.started_us) // 1_000_000]
            there_l = free_air_l(wear.last_bar, own.gas_temperature_c[-1], cylinder.total_l)
            unsure_l = before_l - min(own.free_air_left_l[-1], there_l)
            own.free_air_sd_l = float(np.hypot(own.free_air_sd_l, unsure_l / NORMAL_90))
        # Neither tables nor findings need these; in a big incident each takes 5 MB.
        own.live_rate_hi_l_min = own.free_air_left_l = own.free_air_left_sd_l = NOT_KEPT
        own.used, own.assumed = (NOT_KEPT, NOT_KEPT), (*own.assumed[:3], NOT_KEPT)
        aside, doubted, stuck = (
            read.position[each[(each >= place) & (each < place + len(read.at_us))] - place]
            for each in (air.set_aside, air.doubted, air.stuck)
        )
        place += len(read.at_us)
        found.append(
            Examined(
                wear,
                own,
                heat,
                gaps_of(wear),
                lost_in(wear),
                aside[aside >= 0],
                doubted,
                stuck,
                filled_later(wear),
                between_l,
            )
        )
    return found


def _around(first_s: Sequence[int], around_c: Sequence[Floats | None]) -> Floats | None:
    """Return the surroundings on the grid of wears that go on from each other; None if nothing is known."""
    last_s = first_s[-1] + len(around_c[-1]) if around_c[-1] is not None else first_s[-1] + 1
    whole = np.full(last_s, np.nan)
    for first, own in zip(first_s, around_c, strict=True):
        if own is not None:
            whole[first : first + len(own)] = own
    known = np.flatnonzero(np.isfinite(whole))
    if not len(known):
        return None
    # Causal on purpose: the forecast must rest on what was known at that second.
    return whole[known[np.maximum(np.searchsorted(known, np.arange(last_s), side="right") - 1, 0)]]


def breathing_of(rules: Air) -> Breathing:
    """Return what the filter assumes, with the profile's rule by which a gauge hangs."""
    return replace(
        BREATHING,
        stuck_readings=rules.stuck_readings,
        stuck_rate_part=rules.stuck_rate_part,
        stuck_steps=rules.stuck_steps,
    )


def early_ends(examined: Sequence[Examined]) -> dict[str, tuple[Ints, Floats]]:
    """Return, by wear, the early end of the forecast at each second, as it was known then.

    While the wear is young, the middle: the early end then says nothing about this wearer.
    """
    found = {}
    for one in examined:
        at_us = one.wear.started_us + 1_000_000 * np.arange(one.seconds, dtype=np.int64)
        young = at_us < unbroken(one.wear)[0].started_us + EARLY_END_ONLY_S * 1e6
        found[one.wear.wear_id] = at_us, np.where(young, one.air.low_air_min, one.air.low_air_lo_min)
    return found


def _seconds(at_us: Ints, zero_us: int) -> Floats:
    seconds: Floats = (at_us - zero_us).astype(np.float64) * 1e-6
    return seconds


def _heat(wear: Wear, seconds: int, profile: Profile) -> tuple[HeatTrack | None, Floats | None]:
    """Return a wear's heat, and for its air the surroundings as known by each second (NaN before)."""
    channel = wear.power_up.channels.get("temperature")
    if channel is None:
        return None, None
    first = int(np.searchsorted(channel.at_us, wear.started_us - BEFORE_START_US))
    last = int(np.searchsorted(channel.at_us, wear.started_us + seconds * 1_000_000))
    live = ~channel.retained[first:last] & np.isfinite(channel.numbers["temperature_c"][first:last])
    at_s = _seconds(channel.at_us[first:last][live], wear.started_us)
    reading = channel.numbers["temperature_c"][first:last][live]
    if not len(at_s):
        return None, None
    around_c = surroundings_c(reading)
    known = np.isfinite(around_c)
    inside = at_s >= 0.0
    heat = heat_of.track(at_s[inside], reading[inside], seconds, profile) if inside.any() else None
    newest = newest_by(at_s[known], seconds)
    return heat, np.where(newest < 0, np.nan, around_c[known][newest]) if known.any() else None
