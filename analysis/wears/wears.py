"""Wears: each time one set was under air, with its cylinder, its thresholds, its wearer and its incident.

A set that restarts during a wear begins a new wear, and a finding links the two. A changed cylinder begins
the next wear. Retained messages say what a set is (its cylinders); they open and close nothing.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from analysis.air.gas import Cylinder
from analysis.profile import Profile
from analysis.records import Bools, Channel, Floats, Ints, PowerUp, by_set, grouped
from analysis.wears.setups import HeardSetup, Thresholds, cylinder_at, heard_setups, setup_at, worst_of
from analysis.wears.tally import TallyEntry, tally_of
from analysis.wears.too_high import mark_too_high
from analysis.wears.valve import (
    CHANGED,
    CHANGED_RISE_BAR,
    CLOSED,
    CLOSED_BELOW_BAR,
    HOSE_FALLS_BAR_S,
    OPEN_ABOVE_BAR,
    OPEN_AT_END,
    UNDECIDED_S,
    shut_bar,
    spikes,
    swings,
    under_air,
)

RESTART_WITHIN_US = 3600 * 1_000_000
"""A set heard again so soon, with no more pressure than before, has restarted; if the same tally is in force,
however late. Our own rule."""
LATE_TALLY_US = 600 * 1_000_000
"""A tally so soon after a wear, with the set still on, is of that wear: the desk was late. Our own rule."""
UNTALLIED_APART_US = 3600 * 1_000_000
"""Wears of a set that nobody tallied in belong to one entry when they are no further apart, and whoever is
tallied in with a set so soon after it was last heard under air has that air. Our own rule."""
USUAL_CYLINDER = Cylinder(1, 6.8, 300.0)
"""For an unknown cylinder where its litres do not matter: for the shape of the pressure, for minutes to a
pressure, and as a full one. Common practice, no source."""
ENDED = {CLOSED: "closed", CHANGED: "changed"}
BEGAN_WITHIN_US = 60 * 1_000_000
BREATHED_ON_US = 180 * 1_000_000
"""Between two readings far apart, air is used as in so long before them. Our own rule."""
STANDS_US = 120 * 1_000_000
"""Whoever breathes at all moves a gauge within this (6 L/min, steps of 1 bar). Our own rule."""
FEW_LOST, INTERVALS_SEEN = 20, 3
"""If the opening came at most so long, or so few messages, before the first reading, that reading is within a
few bar of the entry pressure. The time counts too: 20 messages of a slow set may be 40 min. Our own rule."""


@dataclass(frozen=True, slots=True)
class Message:
    """One message of a set: a pressure reading, or one without a pressure, such as `power off`."""

    seq: int
    at_us: int
    identity: str
    pressure_bar: float | None


def _message(power_up: PowerUp, seq: np.int64, at_us: np.int64, bar: float | None = None) -> Message:
    return Message(int(seq), int(at_us), power_up.identity(int(seq)), bar)


@dataclass(slots=True)
class Wear:
    """One time that one set was under air."""

    wear_id: str
    number: int
    power_up: PowerUp
    # `seq`, `at_us`, `received_us`, `pressure_bar`: the pressure readings of the wear in order of reconciled
    # time, spikes included
    seq: Ints
    at_us: Ints
    received_us: Ints
    pressure_bar: Floats
    gas_temperature_c: Floats
    # array of bool: readings that jumped and returned at once, and the low ones of a gauge that swung
    spike: Bools
    ended_how: str  # "closed", "changed", "off" or "not heard"
    cylinder: Cylinder | None  # None: the set never sent one
    setup: dict[str, Any] | None
    setup_identity: str | None
    thresholds: Thresholds
    setup_changed: bool = False  # the set sent another cylinder or other thresholds during it
    tally: TallyEntry | None = None
    shut_bar: float = math.nan  # what the gauge read, standing with the valve shut, before it was opened
    opening_heard: bool = True  # False: it may have begun long before its first reading, with more air
    # The next pressure reading or `power off` of the same power-up.
    following: Message | None = None
    # The moment and pressure of each low reading of a gauge that swung, up to its end and after it.
    swung: tuple[Ints, Floats] = (np.empty(0, np.int64), np.empty(0))
    previous: Wear | None = field(default=None, repr=False)
    # `started_us`, `ended_us`: first and last reading under air, microseconds since 1970 on the reconciled
    # clock
    started_us: int = field(init=False)
    ended_us: int = field(init=False)
    # Number of the first reading (slips of the sensor aside) at or below the warning; None if never.
    low_air: int | None = field(init=False)

    def __post_init__(self) -> None:
        """Keep the ends, and the first reading at or below the warning."""
        self.started_us, self.ended_us = int(self.at_us[0]), int(self.at_us[-1])
        low = np.flatnonzero((self.pressure_bar <= self.thresholds.low_air_bar) & ~self.spike)
        self.low_air = int(low[0]) if len(low) else None

    @property
    def span_us(self) -> tuple[int, int]:
        """Its first and last reading under air."""
        return self.started_us, self.ended_us

    @property
    def bleeding(self) -> bool:
        """Whether its last reading, the first after a silence, may be the hose's as the valve was shut.

        It may also be the cylinder's, so every figure counts it.
        """
        after = self.following
        if len(self.at_us) < 2 or self.ended_how != "closed" or after is None or after.pressure_bar is None:
            return False
        before_s, then_s = (self.ended_us - int(self.at_us[-2])) * 1e-6, (after.at_us - self.ended_us) * 1e-6
        falls_bar = float(self.pressure_bar[-1]) - after.pressure_bar
        return before_s > UNDECIDED_S and falls_bar > HOSE_FALLS_BAR_S * then_s

    @property
    def set_id(self) -> str:
        """The set."""
        return self.power_up.name

    @property
    def kept(self) -> Bools | slice:
        """Selects the readings that are not slips: nearly always all, and then nothing is copied."""
        return ~self.spike if self.spike.any() else slice(None)

    @property
    def first_bar(self) -> float:
        """Pressure of the first reading."""
        return float(self.pressure_bar[0])

    @property
    def full_bar(self) -> float:
        """The most that its cylinder can have held: the first reading, or a full one if it began unheard."""
        return self.first_bar if self.opening_heard else _rated_bar(self.cylinder)

    @property
    def last_bar(self) -> float:
        """Pressure of the last reading."""
        return float(self.pressure_bar[-1])

    @property
    def last_kept(self) -> tuple[int, float]:
        """The last reading that is no slip: moment and pressure."""
        return self.kept_by(self.ended_us)

    def kept_by(self, at_us: int) -> tuple[int, float]:
        """Return the last reading until a moment that is no slip, the first one before any."""
        kept = np.flatnonzero(~self.spike)
        last = kept[max(int(self.at_us[kept].searchsorted(at_us, side="right")) - 1, 0)]
        return int(self.at_us[last]), float(self.pressure_bar[last])

    @property
    def used_until_us(self) -> int:
        """When its pressure last reached a new low; its beginning if it never did."""
        kept = np.flatnonzero(~self.spike)
        lower = np.flatnonzero(np.diff(np.minimum.accumulate(self.pressure_bar[kept])) < 0.0) + 1
        return int(self.at_us[kept[lower[-1]]]) if len(lower) else self.started_us

    @property
    def breathed_until_us(self) -> int:
        """When air was last used, or may have been: a gauge that stands while its set moves may hang.

        One that rises after that works: gas warms in a set put down with its valve open.
        """
        used_us, motion = self.used_until_us, self.span("motion")
        later_bar = self.pressure_bar[self.kept][self.at_us[self.kept] >= used_us]
        if later_bar.max() > later_bar[0] or self.ended_us - used_us < STANDS_US:
            return used_us
        if motion is None:
            return self.ended_us
        channel, span = motion
        at_us, still_s = int(channel.at_us[span][-1]), float(channel.numbers["still_s"][span][-1])
        if math.isnan(still_s) or self.ended_us - at_us > BEGAN_WITHIN_US:
            return self.ended_us
        return min(max(used_us, at_us - round(still_s * 1e6)), self.ended_us)

    @property
    def restarted_from(self) -> Wear | None:
        """The wear that this one continues because the set restarted; else None."""
        before = self.previous
        if before is None or before.power_up is self.power_up or before.ended_how != "not heard":
            return None
        same = self.tally is not None and self.tally is before.tally  # then it may be any time later
        soon = same or self.started_us - before.ended_us < RESTART_WITHIN_US
        rise_bar = float(self.pressure_bar[0] - before.pressure_bar[-1])
        return before if soon and rise_bar <= CHANGED_RISE_BAR else None

    @property
    def ran_empty(self) -> bool:
        """Whether the cylinder ran empty by its end, or at the same rate by the next reading."""
        from_us = self.last_us(self.ended_us - BREATHED_ON_US)
        falls = (self.bar_at(from_us) - self.last_bar) / max(self.ended_us - from_us, 1)  # bar a microsecond
        next_us = self.following.at_us if self.following is not None else self.ended_us
        return self.last_bar - falls * (next_us - self.ended_us) <= 2.0 * CLOSED_BELOW_BAR

    @property
    def closed_in_order(self) -> bool:
        """Whether the valve was closed with air left, as at the end of a training."""
        return self.ended_how in ("closed", "changed") and not self.ran_empty

    def span(self, kind: str, until_us: int | None = None) -> tuple[Channel, slice] | None:
        """Return the power-up's channel of a kind and the slice of it inside the wear; None without one.

        `until_us`: in place of its end.
        """
        channel = self.power_up.channels.get(kind)
        if channel is None:
            return None
        first = int(channel.at_us.searchsorted(self.started_us, side="left"))
        ended_us = self.ended_us + 999_999 if until_us is None else until_us
        last = int(channel.at_us.searchsorted(ended_us, side="right"))
        return (channel, slice(first, last)) if last > first else None

    def bar_at(self, at_us: int) -> float:
        """Return the last reading at a moment, the first one before any."""
        return float(self.pressure_bar[max(int(self.at_us.searchsorted(at_us, side="right")) - 1, 0)])

    def last_us(self, at_us: int) -> int:
        """Return the moment of that reading."""
        return int(self.at_us[max(int(self.at_us.searchsorted(at_us, side="right")) - 1, 0)])

    def identity(self, position: int) -> str:
        """Return the identity of the wear's reading number `position`."""
        return self.power_up.identity(int(self.seq[position]))

    def message(self, position: int) -> Message:
        """Return the wear's reading number `position`."""
        bar = float(self.pressure_bar[position])
        return _message(self.power_up, self.seq[position], self.at_us[position], bar)

    def identity_of(self, at_us: int) -> str:
        """Return the identity of the last reading at a moment."""
        return self.identity(max(int(np.searchsorted(self.at_us, at_us, side="right")) - 1, 0))

    def identity_at(self, at_us: int) -> str:
        """Return the identity of the reading at or next after a moment."""
        return self.identity(min(int(self.at_us.searchsorted(at_us)), len(self.seq) - 1))


def find_wears(
    records: Sequence[PowerUp], tallies: Sequence[TallyEntry], profile: Profile, as_of_us: int | None = None
) -> list[Wear]:
    """Find every wear of every set.

    - `records`: with reconciled times.
    - `tallies`: from `analysis.wears.tally.read_tallies`.
    - `profile`: for thresholds that a set did not say.
    - `as_of_us`: now; what a later reading may still change is not decided yet. None: nothing more comes.

    They are sorted by set, then time.
    """
    sets, claims = by_set(records), grouped((tally.set_id, tally) for tally in tallies)
    wears: list[Wear] = []
    for set_id in sorted(sets):
        setups = heard_setups(sets[set_id])
        mark_too_high([(one, cylinder_at(setups, one)) for one in sets[set_id]])
        of_set: list[Wear] = []
        for power_up in sets[set_id]:
            # If a boot number is used again, the count continues, so that each wear has its own name.
            before = sum(wear.power_up.boot == power_up.boot for wear in of_set) if power_up.use else 0
            of_set += _wears_of(power_up, setups, profile, before, as_of_us)
        of_set.sort(key=lambda wear: (wear.started_us, wear.wear_id))
        for wear, previous in zip(of_set[1:], of_set[:-1], strict=True):
            wear.previous = previous
        for wear in of_set:
            wear.tally = tally_of(claims.get(set_id, ()), wear.started_us, wear.ended_us)
        _give_late_tallies(of_set, claims.get(set_id, ()))
        wears += of_set
    return wears


def _give_late_tallies(wears: Sequence[Wear], tallies: Sequence[TallyEntry]) -> None:
    """Link a tally that was made only after a wear to that wear, if it overlaps no other.

    The wear must be the last before it. One that ended: no longer ago than `LATE_TALLY_US`, and the set must
    still have been on. One whose end was not heard goes on, as far as anybody knows.
    """
    taken = {wear.tally.in_identity for wear in wears if wear.tally is not None}
    for tally in tallies:
        before = [wear for wear in wears if wear.ended_us < tally.in_us]
        if tally.in_identity in taken or not before:
            continue
        wear = max(before, key=lambda one: one.ended_us)
        heard_us = max(int(channel.at_us[-1]) for channel in wear.power_up.channels.values() if len(channel))
        until_us = min(wear.ended_us + LATE_TALLY_US, heard_us)
        if wear.ended_how == "not heard":
            until_us = wear.ended_us + UNTALLIED_APART_US
        if tally.in_us <= until_us and wear.tally is None:
            wear.tally = tally
            taken.add(tally.in_identity)


def _wears_of(
    power_up: PowerUp, setups: list[HeardSetup], profile: Profile, before: int, as_of_us: int | None
) -> list[Wear]:
    channel = power_up.channels.get("pressure")
    if channel is None:
        return []
    # A retained copy (some gateways retain everything) is not a reading of this moment.
    of_now = ~channel.retained & np.isfinite(channel.numbers["pressure_bar"])
    if power_up.too_high is not None:
        of_now &= ~power_up.too_high
    # A slice copies nothing; nearly always all count.
    live: Ints | slice = slice(None) if of_now.all() else np.flatnonzero(of_now)
    if not of_now.any():
        return []
    at_us, seq, received_us = channel.at_us[live], channel.seq[live], channel.received_us[live]
    # For an array that cannot be written, such as a view of a frame, numba would compile the loops again.
    bar, gas_c = (
        np.require(channel.numbers[name][live], requirements="W")
        for name in ("pressure_bar", "gas_temperature_c")
    )
    known = cylinder_at(setups, power_up)
    volume_l = (known or USUAL_CYLINDER).total_l
    at_s = (at_us - at_us[0]) * 1e-6
    wears: list[Wear] = []
    offs = _power_offs(power_up)
    bounds = [0, *np.searchsorted(seq, [off.seq for off in offs]).tolist(), len(seq)]
    for part, (first, last) in enumerate(itertools.pairwise(bounds)):
        if last <= first:
            continue
        # Once the set is off, nothing more comes.
        open_ended = as_of_us is not None and last == len(seq) and part >= len(offs)
        until_s = (as_of_us - int(at_us[0])) * 1e-6 if as_of_us is not None and open_ended else math.inf
        part_swung = swings(at_s[first:last], bar[first:last], volume_l, until_s)
        part_spike = spikes(at_s[first:last], bar[first:last], until_s, part_swung)
        kept = np.flatnonzero(~part_spike) + first
        part_shut = shut_bar(at_s[kept], bar[kept])
        for start, stop, how in under_air(at_s[first:last], bar[first:last], part_spike, volume_l, until_s):
            span = slice(first + start, first + stop + 1)
            setup = setup_at(setups, power_up.key, int(at_us[span.start]))
            off = offs[part] if part < len(offs) else None
            following = off
            if span.stop < last:
                following = _message(power_up, seq[span.stop], at_us[span.stop], float(bar[span.stop]))
            said = [setup.said] if setup is not None else []
            said += [
                one.said
                for one in setups
                if one.power_up == power_up.key and at_us[span.start] < one.at_us <= at_us[span.stop - 1]
            ]
            cylinder, thresholds = worst_of(said, profile)
            until = last if how == OPEN_AT_END else span.stop
            swung = np.flatnonzero(part_swung[start : until - first]) + span.start
            earlier = np.flatnonzero(~part_spike[:start]) + first
            next_ones = slice(span.start, min(span.start + INTERVALS_SEEN, last - 1) + 1)
            heard = bar[span.start] >= _rated_bar(cylinder) or _opening_heard(
                power_up,
                (seq[earlier], at_us[earlier], bar[earlier]),
                (seq[next_ones], at_us[next_ones], bar[next_ones]),
                offs[part - 1].seq if part else -1,
            )
            wears.append(
                Wear(
                    wear_id=f"{power_up.name}/{power_up.boot}/{before + len(wears) + 1}",
                    number=before + len(wears) + 1,
                    power_up=power_up,
                    seq=seq[span],
                    at_us=at_us[span],
                    received_us=received_us[span],
                    pressure_bar=bar[span],
                    gas_temperature_c=gas_c[span],
                    spike=part_spike[start : stop + 1],
                    ended_how=ENDED.get(how, "off" if off is not None else "not heard"),
                    cylinder=cylinder,
                    setup=setup.said if setup else None,
                    setup_identity=setup.identity if setup else None,
                    thresholds=thresholds,
                    setup_changed=len(said) > 1 and len({worst_of([one], profile) for one in said}) > 1,
                    shut_bar=part_shut,
                    opening_heard=bool(heard),
                    following=following,
                    swung=(at_us[swung], bar[swung]),
                )
            )
    return wears


def _rated_bar(cylinder: Cylinder | None) -> float:
    return (cylinder or USUAL_CYLINDER).rated_bar


def _opening_heard(
    power_up: PowerUp,
    before: tuple[Ints, Ints, Floats],
    first: tuple[Ints, Ints, Floats],
    off_seq: int,
) -> bool:
    """Return whether the opening of a wear was heard: then its first reading is its entry pressure.

    - `before`: number, moment and pressure of the readings before it since the set was last switched on.
    - `first`: the same of its first readings.
    - `off_seq`: number of the `power off` before them, -1 where there is none.

    It was where the set gave a pressure of before the opening, was switched on, or began to speak, and then
    nothing or little was lost until the first reading: few messages, and so many as the set sends in a short
    time. A retained copy is not of this moment.
    """
    (seq, *_), (at_us, *_), (bar, *_) = (one.tolist() for one in first)
    low = np.flatnonzero(before[2] < max(OPEN_ABOVE_BAR, bar - CHANGED_RISE_BAR))
    if len(low) and at_us - int(before[1][low[-1]]) <= BEGAN_WITHIN_US:
        return True
    if power_up.losses_known:
        since = int(before[0][low[-1]]) if len(low) else off_seq
        heard = int(np.diff(power_up.seqs.searchsorted([since + 1, seq]))[0])
        lost = seq - since - 1 - heard
        sent, took_us = int(first[0][-1]) - seq, int(first[1][-1]) - at_us
        if not lost or (lost <= FEW_LOST and took_us > 0 and lost * took_us <= BEGAN_WITHIN_US * sent):
            return True
    power = power_up.channels.get("power")
    return power is not None and any(
        row["state"] == "on" and not retained and 0 <= at_us - on_us <= BEGAN_WITHIN_US
        for row, retained, on_us in zip(power.rows, power.retained, power.at_us, strict=True)
    )


def _power_offs(power_up: PowerUp) -> list[Message]:
    channel = power_up.channels.get("power")
    if channel is None:
        return []
    offs = [
        _message(power_up, channel.seq[position], channel.at_us[position])
        for position, row in enumerate(channel.rows)
        if row["state"] == "off" and not channel.retained[position]
    ]
    return sorted(offs, key=lambda off: off.seq)
