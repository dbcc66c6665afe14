"""What the record says now of one set, by the review's own rules."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from analysis.air.gas import Cylinder
from analysis.alarms.alarms import Alarm, find_alarms
from analysis.alarms.held import HeldAlarm, held_alarms
from analysis.findings.examined import examine
from analysis.live.desk_record import DeskRecord
from analysis.live.follower import WearFollower
from analysis.live.hearing import LAST_INTERVALS, HeardSet, heard_of, latest_delays_s
from analysis.live.outlook import Outlook
from analysis.profile import Profile
from analysis.records import Channel, Floats, Ints, PowerUp
from analysis.wears.corrections import Settlement
from analysis.wears.setups import cylinder_of, thresholds_of
from analysis.wears.tally import TallyEntry
from analysis.wears.unbroken import unbroken
from analysis.wears.valve import spikes
from analysis.wears.wears import Wear, find_wears

QUIET_US = 10_000_000  # alarms call no set silent before this
UNDECIDED_S = 32.0  # after this, time alone no longer changes what a reading means
EARLY_EVERY_US = 5_000_000  # the policy that reads the forecast looks at it so often
ASKED_EVERY_US = 1_200_000
"""Without new messages the rules are asked again so often, so what time decides may show so late. Our own
rule."""


RefusedHigh = Mapping[int, Mapping[int, float]]
"""By power-up: number and pressure of readings that were refused for being too high."""


@dataclass(slots=True)
class SetNow:
    """One set as of now; `ask` puts the question, `stale` says when to put it again."""

    service: str
    set_id: str
    profile: Profile
    refused_high: RefusedHigh = field(default_factory=dict)
    power_ups: list[PowerUp] = field(default_factory=list)
    wears: list[Wear] = field(default_factory=list)
    alarms: list[Alarm] = field(default_factory=list)
    link: str | None = None
    news: bool = True
    failed: bool = False  # a fault of ours: its readings are shown, and no forecast
    follower: WearFollower = field(default_factory=WearFollower)
    heard: HeardSet = field(default_factory=HeardSet)
    last_us: int = 0
    asked_us: int = 0
    delays_s: list[float] = field(default_factory=list)  # of its latest messages
    let_go_us: dict[int, int] = field(default_factory=dict)  # by power-up: until when readings were dropped
    over: tuple[tuple[str, int, float | None, float], int, Outlook | None] | None = None  # `Inside.outlook`
    before: tuple[tuple[str, int], Outlook | None] | None = None  # see `Inside.outlook_of`
    # By wear and its number of readings: see `Inside.own_l_min`.
    rates_l_min: dict[tuple[str, int], tuple[float, float]] = field(default_factory=dict)
    _early: dict[str, tuple[int, Ints, Floats]] = field(default_factory=dict)

    def stale(self, now_us: int) -> bool:
        """Return whether the answer may have changed: by new messages, or by time if it was undecided."""
        undecided = self.asked_us - self.last_us < UNDECIDED_S * 1e6
        return self.news or (undecided and abs(now_us - self.asked_us) >= ASKED_EVERY_US)

    def ask(
        self,
        power_ups: list[PowerUp],
        tallies: Sequence[TallyEntry],
        desks: DeskRecord,
        now_us: int,
    ) -> None:
        """Find wears and alarms as of now."""
        self.asked_us = now_us
        self.power_ups = power_ups
        for one in power_ups if self.refused_high else ():
            high = self.refused_high.get(one.boot, {})
            one.refused_high = np.array([*high], np.int64), np.array([*high.values()], np.float64)
        self.wears = find_wears(power_ups, tallies, self.profile, now_us)
        self.heard = heard_of(power_ups)
        self.alarms = find_alarms(
            [*power_ups, *desks.answering], self.wears, self.profile, now_us, desks.resolved
        )
        self.last_us = max((int(one.received_us[-1]) for one in self._channels("pressure")), default=0)
        self.delays_s = latest_delays_s(self.heard.newest)
        self.news = False

    def early(self) -> dict[str, tuple[Ints, Floats]]:
        """Return the early end of the forecast of the last wear, as it was known at each of its seconds."""
        rules = self.profile.turn_back
        if rules.policy != "forecast" or not self.wears:
            return {}
        soon_min = rules.way_in_min + rules.forecast.margin_min + 1.0
        for wear in self.wears[-2:]:
            known = self._early.get(wear.wear_id)
            near = known is not None and bool(len(known[2])) and known[2][-1] <= soon_min
            if known is None or wear.ended_us - known[0] >= (0 if near else EARLY_EVERY_US):
                air = examine(unbroken(wear), self.profile)[-1].air
                seconds = np.arange(len(air.low_air_lo_min), dtype=np.int64)
                at_us = wear.started_us + 1_000_000 * seconds
                self._early[wear.wear_id] = (wear.ended_us, at_us, air.low_air_lo_min)
        return {wear_id: (at_us, early) for wear_id, (_, at_us, early) in self._early.items()}

    def _channels(self, kind: str) -> list[Channel]:
        return [one.channels[kind] for one in self.power_ups if kind in one.channels]

    def after(self, at_us: int) -> list[tuple[int, float]]:
        """Return the readings after a moment that are of now and believed: (moment, bar), by power-up."""
        found: list[tuple[int, float]] = []
        for power_up in self.power_ups:
            if (channel := power_up.channels.get("pressure")) is not None:
                late = slice(int(channel.at_us.searchsorted(at_us, side="right")), None)
                live = ~channel.retained[late]
                if power_up.too_high is not None:
                    live &= ~power_up.too_high[late]
                bar = channel.numbers["pressure_bar"][late][live]
                found += zip(channel.at_us[late][live].tolist(), bar.tolist(), strict=True)
        return found

    def reading(self, now_us: int) -> tuple[int, float] | None:
        """Return the newest reading, (moment, bar); a leap that may still come back is passed over."""
        newest: tuple[int, float] | None = None
        for power_up in self.power_ups:
            if (channel := power_up.channels.get("pressure")) is None:
                continue
            live = ~channel.retained[-LAST_INTERVALS:]
            if power_up.too_high is not None:
                live &= ~power_up.too_high[-LAST_INTERVALS:]
            at_us = channel.at_us[-LAST_INTERVALS:][live]
            bar = channel.numbers["pressure_bar"][-LAST_INTERVALS:][live]
            if len(at_us) and (newest is None or int(at_us[-1]) > newest[0]):
                kept = ~spikes((at_us - at_us[0]) * 1e-6, bar, (now_us - int(at_us[0])) * 1e-6)
                newest = int(at_us[kept][-1]), float(bar[kept][-1])
        return newest

    @property
    def setup(self) -> dict[str, object] | None:
        """The newest setup."""
        found = [(int(one.at_us[-1]), one.rows[-1]) for one in self._channels("setup") if one.rows]
        return max(found, key=lambda one: one[0])[1] if found else None

    @property
    def cylinder(self) -> Cylinder | None:
        """The cylinders that its newest setup names."""
        return cylinder_of(self.setup) if self.setup is not None else None

    @property
    def low_air_bar(self) -> float:
        """The warning: of the wear, else of the newest setup."""
        if self.wears:
            return self.wears[-1].thresholds.low_air_bar
        return thresholds_of(self.setup, self.profile).low_air_bar

    @property
    def evacuate_acknowledged_us(self) -> int | None:
        """When an evacuation was last acknowledged at the set."""
        found = [one.acknowledged_us for one in self.alarms if one.alarm == "evacuate"]
        return max((at_us for at_us in found if at_us is not None), default=None)

    def held(
        self, alarms: Sequence[Alarm], resolved: Sequence[Settlement], now_us: int, wearer_id: str | None
    ) -> list[HeldAlarm]:
        """Return those of one wearer's alarms that nobody has closed."""
        heard, silent_us = self.heard, None
        if heard.last_us is not None and now_us - heard.last_us > max(heard.silent_after_us, QUIET_US):
            silent_us = heard.last_us
        own = [word for word in resolved if word.set_id == self.set_id and word.is_about(wearer_id)]
        return held_alarms(alarms, own, now_us, heard.interrupted_us, silent_us)
