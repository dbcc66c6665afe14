"""What the record says now about one entry, or a set without a tally, by the review's rules."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np

from analysis.air.gas import Cylinder, free_air_l
from analysis.live.last_heard import PLANNING_C, minutes_ahead, outlook_at
from analysis.live.outlook import LATEST_S, Outlook, escapes, look_ahead
from analysis.live.rows import Interval
from analysis.live.set_now import SetNow
from analysis.live.voice import believed
from analysis.policies import TurnBackMoment, judge_by
from analysis.wears.charges import Charge
from analysis.wears.entries import OUTSIDE_US, Entry
from analysis.wears.gauges import APART_BAR, UNHEARD_US, VoiceGauge
from analysis.wears.tally import Stay
from analysis.wears.turn_back import prompt_times_s
from analysis.wears.unbroken import GOES_ON_US, unbroken
from analysis.wears.valve import CHANGED_RISE_BAR, OPEN_ABOVE_BAR, SPIKE_BAR, SWINGS_WITHIN_S
from analysis.wears.wears import ENDED, USUAL_CYLINDER, Wear

EntryState = Literal["expected", "under_air", "silent", "valve_closed", "empty", "off", "restarted", "out"]
LINE_STEP_S = 10.0  # one point of the air line
SLIP_US = 120_000_000
"""An *in* so soon after an *out* of the same set may take that back. Our own rule: as long as a set may be
unheard after an *in*."""
OWN_RATE_US = 180_000_000  # a shorter wear does not show how hard its wearer breathes


Line = list[tuple[float, float | None]]
"""The air line so far: (seconds since 1970, bar)."""


def earliest_us(entry: Entry, hangs: Sequence[tuple[int, int]]) -> list[int]:
    """Return when each cylinder reached turn-back; where a silence or a hang ended below it, when that began.

    `hangs`: of the gauges of its sets, from when until when.
    """
    found = []
    for charge, one in zip(entry.charges, entry.moments.get(entry.policy, ()), strict=False):
        if one.at_us is not None:
            unseen_us = charge.unseen_since(one.at_us, entry.gauges, entry.entered_us, hangs)
            found.append(one.at_us if one.leave_bar is None or unseen_us is None else unseen_us)
    return found


@dataclass(slots=True)
class Inside:
    """One open entry, or one set under air that nobody tallied in, with its set as of now."""

    entry: Entry
    live_set: SetNow
    state: EntryState
    since_us: int
    gauges: Sequence[VoiceGauge]
    key: str
    tallied_in: bool
    """Whether somebody was tallied in, and nobody has accounted for the wearer since."""
    entered_us: int  # when its wearer went in
    given_to: str | None = None  # the wearer who has the set now, by the tally
    known_until_us: int | None = None  # later readings are about another wearer
    known_from_us: int = 0  # earlier readings are about another wearer
    higher: VoiceGauge | None = None  # the last gauge, if it is above what was known before
    also_in: tuple[str, ...] = ()  # other incidents in whose lists this row is, too
    elsewhere: tuple[Stay, ...] = ()  # its wearer's stays at other incidents at the same time
    said_out: tuple[int, str] | None = None  # when and how somebody without a tally was said to be out
    missed: bool = False  # at a roll call, after a desk said out
    same_id: tuple[str, ...] = ()  # other sets that use the ID of its set at the same time
    put_down_us: int | None = None  # since when its open set has used no air, after the word out
    doubtful: tuple[str, ...] = ()  # other sets under air that its wearer is tallied in with

    def reading(self, now_us: int) -> tuple[int, float] | None:
        """Return the newest reading of this entry, (moment, bar); see `fallen`.

        Never one of another wearer of the set, or one that jumped above those that the figures use.
        """
        if self.known_until_us is not None:
            return self.entry.wears[-1].last_kept if self.entry.wears else None
        wear, fallen = self.wear, self.fallen()
        newest = fallen[-1] if wear is not None and fallen else self.live_set.reading(now_us)
        if newest is None or newest[0] <= self.known_from_us:
            return None
        if wear is not None and newest[1] - wear.last_kept[1] > SPIKE_BAR:
            return wear.last_kept
        return newest

    def spoken(self, now_us: int) -> VoiceGauge | None:
        """Return the last gauge by voice, if the set has sent nothing since, or reads far more."""
        if not self.gauges:
            return None
        reading, last = self.reading(now_us), self.gauges[-1]
        if reading is None or last.at_us - reading[0] > UNHEARD_US:
            return last
        more = reading[1] - last.pressure_bar > APART_BAR
        closed = self.wear is None and reading[0] > (self.entry.last_heard_us or 0)
        return last if more or (self.above_bar > 0.0 and not closed) else None

    @property
    def above_bar(self) -> float:
        """By how much the set exceeds its wearer's word."""
        if self.charge is None or not self.charge.wears or not self.charge.spoken:
            return 0.0
        return float(self.charge.readings()[2][-1])

    def by_word(self, spoken: VoiceGauge, now_us: int) -> tuple[int, float, int | None]:
        """Return the wearer's last word, less what the set has fallen since.

        Moment, bar, and since when that is at or below the warning.
        """
        own, low_bar = self.reading(now_us), self.live_set.low_air_bar
        low_us = spoken.at_us if spoken.pressure_bar <= low_bar else None
        bar = max(own[1] - self.above_bar, 0.0) if own is not None else spoken.pressure_bar
        if own is None or own[0] <= spoken.at_us or bar >= spoken.pressure_bar:
            return spoken.at_us, spoken.pressure_bar, low_us
        if low_us is None and bar <= low_bar and self.charge is not None:
            since = (at_us for at_us in self.charge.low_by_word_us if at_us > spoken.at_us)
            low_us = next(since, own[0])
        return own[0], bar, low_us

    def swung(self, now_us: int) -> tuple[int, float] | None:
        """Return the lowest reading of the last minute, (moment, bar), if the gauge swings."""
        wear = self.wear
        if wear is None or not len(wear.swung[0]):
            return None
        lows = [
            (bar, at_us)
            for at_us, bar in zip(*(column.tolist() for column in wear.swung), strict=True)
            if 0 <= now_us - at_us < SWINGS_WITHIN_S * 1e6
        ]
        return min(lows)[::-1] if lows else None

    def fallen(self) -> list[tuple[int, float]]:
        """Return the newest readings, (moment, bar), that later ones may undo; none with its valve shut.

        Until the rules decide, the worse counts: it may be a slip of the sensor or a burst hose.
        """
        wear, newest_us = self.known_wear, self.live_set.heard.reading_us
        if wear is None or newest_us is None or self.known_until_us is not None:
            return []
        found = self.live_set.after(wear.ended_us) if newest_us - wear.ended_us < GOES_ON_US else []
        if not found:
            return []
        if wear.ended_how in ENDED.values():
            opens = found[-1][1] > max(OPEN_ABOVE_BAR, min(bar for _, bar in found) + CHANGED_RISE_BAR)
        else:
            opens = found[-1][1] > OPEN_ABOVE_BAR or escapes([wear.last_kept, *found])
        return found if opens else []

    @property
    def looked_for(self) -> bool:
        """Whether nobody has said that this person is out; without a tally always."""
        return self.tallied_in or self.entry.stay is None

    @property
    def wear(self) -> Wear | None:
        """The wear that goes on."""
        return self.entry.wears[-1] if self.entry.wears and self.state in ("under_air", "silent") else None

    @property
    def known_wear(self) -> Wear | None:
        """The wear that goes on; if somebody is in without known air, the last one."""
        return self.entry.wears[-1] if self.looked_for and self.entry.wears else self.wear

    @property
    def cylinder(self) -> Cylinder | None:
        """The cylinder that its set named, for its wear."""
        wear = self.known_wear
        return wear.cylinder if wear is not None else self.live_set.cylinder

    @property
    def charge(self) -> Charge | None:
        """The cylinder in use."""
        return self.entry.charges[-1] if self.entry.charges else None

    @property
    def moment(self) -> TurnBackMoment | None:
        """What the policy in force says of the cylinder whose turn-back counts now."""
        moments = self.entry.moments.get(self.entry.policy)
        return moments[self.entry.in_use] if moments else None

    @property
    def not_due_us(self) -> int | None:
        """The last moment at which turn-back was not reached, if a silence followed."""
        moment = self.moment
        if moment is None or moment.at_us is None or moment.leave_bar is None or not self.entry.charges:
            return None
        charge = self.entry.charges[self.entry.in_use]
        hangs = self.live_set.follower.hangs
        return charge.unseen_since(moment.at_us, self.gauges, self.entered_us, hangs)

    @property
    def entry_bar(self) -> float | None:
        """The entry pressure of that cylinder; None if it was not heard."""
        return self.entry.charges[self.entry.in_use].known_entry_bar if self.entry.charges else None

    @property
    def turns_with_team_since_us(self) -> int | None:
        """Since when its team's turn-back counts: first under air, or on a new cylinder."""
        renewed = self.entry.renewed
        since_us = self.entry.charges[renewed].entry_us if renewed else self.entry.first_heard_us
        if since_us is None or not self.entry.charges:
            return since_us
        return since_us - self.entry.charges[renewed].unheard_us

    def outlook(self, now_s: float) -> Outlook | None:
        """Return the forecasts; None without a wear, and for a cylinder that nobody named as for a usual one.

        Those of a wear that is over are kept, because its readings may be dropped.
        """
        wear, live_set = self.known_wear, self.live_set
        if wear is None or live_set.failed:
            return None
        moment = self.moment
        leave_bar = moment.leave_bar if moment is not None and moment.at_us is None else None
        is_over, over = self.wear is None, live_set.over
        fallen = self.fallen()
        least_bar = fallen[-1][1] if fallen else math.inf
        made_of = wear.wear_id, round(now_s * 1e6), leave_bar, least_bar
        if is_over and over is not None and over[0] == made_of and len(wear.seq) <= over[1]:
            return over[2]
        air = live_set.follower.follow(wear, self.gauges, live_set.profile, round(now_s * 1e6))
        started_at, last = live_set.follower.zero_us * 1e-6, live_set.follower.last
        swung = self.swung(round(now_s * 1e6))
        last = (last[0], min(last[1], swung[1])) if swung is not None else last
        hardest_l_min, low_air_bar = self.own_l_min[1], live_set.low_air_bar
        found = look_ahead(air, started_at, last, low_air_bar, leave_bar, now_s, hardest_l_min, least_bar)
        if is_over:
            live_set.over = made_of, len(wear.seq), found
        return found

    @property
    def risen(self) -> Wear | None:
        """The wear before a rise that nothing explains; the one with the lowest pressure, if several."""
        rises = self.charge.rises if self.wear is not None and self.charge is not None else []
        return min((before for before, _ in rises), key=lambda one: one.last_bar, default=None)

    def outlook_of(self, wear: Wear, until_us: int) -> Outlook | None:
        """Return the forecast made at a moment, from a wear's readings up to then."""
        live_set = self.live_set
        if live_set.failed:
            return None
        made_of = wear.wear_id, until_us
        if live_set.before is None or live_set.before[0] != made_of:
            leave_bar = None
            if self.moment is not None and self.moment.at_us is None:
                leave_bar = self.moment.leave_bar
            found = outlook_at(wear, (), live_set.profile, until_us, live_set.low_air_bar, leave_bar)
            live_set.before = made_of, found
        return live_set.before[1]

    def ahead(self, now_s: float, low_air: Interval | None, leave: Interval | None) -> Interval | None:
        """Return the minutes to turn-back by the policy in force; None when reached or not known."""
        moment = self.moment
        if moment is None or moment.at_us is not None:
            return None
        return minutes_ahead(moment, self.live_set.profile, now_s, low_air, leave)

    def planned_min(self, from_bar: float, target_bar: float | None) -> float | None:
        """Return the minutes from one pressure down to another at the planning rate."""
        cylinder = self.cylinder or USUAL_CYLINDER
        if target_bar is None or from_bar <= target_bar or self.live_set.failed:
            return None
        left_l, there_l = (
            float(free_air_l(bar, PLANNING_C, cylinder.total_l)) for bar in (from_bar, target_bar)
        )
        return (left_l - there_l) / max(self.live_set.profile.air.planning_l_min, self.own_l_min[0])

    @property
    def own_l_min(self) -> tuple[float, float]:
        """The hardest mean rate and the hardest three minutes of this entry's earlier wears, L/min; else 0.

        A new cylinder changes nobody's breathing.
        """
        found = [(0.0, 0.0)]
        known = self.live_set.rates_l_min
        for wear in self.entry.wears[:-1]:
            if wear.cylinder is not None and wear.ended_us - wear.started_us >= OWN_RATE_US:
                of = wear.wear_id, len(wear.seq)
                if of not in known:
                    known[of] = _rates_l_min(wear, wear.cylinder)
                found.append(known[of])
        return max(mean for mean, _ in found), max(hardest for _, hardest in found)

    def prompts_at(self) -> tuple[float, ...]:
        """Return when a third and two thirds of the expected time are used, seconds since 1970."""
        charge = self.charge
        if self.wear is None or charge is None or charge.cylinder is None:
            return ()
        after_s = _prompts_after_s(
            charge.entry_bar,
            self.live_set.low_air_bar,
            charge.cylinder.total_l,
            self.live_set.profile.air.planning_l_min,
        )
        return tuple(charge.entry_us * 1e-6 + each_s for each_s in after_s)

    def recent(self) -> list[tuple[float, float]]:
        """Return the latest readings that moved and the one before, (seconds since 1970, bar).

        They include those that later ones may undo, unless only a valve being shut falls so fast.
        """
        wear = self.wear
        if wear is None:
            return []
        # By time, not by number: a set that reports often must not hide how long its air has been falling.
        one = unbroken(wear)
        at_us = np.concatenate([part.at_us[part.kept] for part in one])
        bar = np.concatenate([part.pressure_bar[part.kept] for part in one])
        fallen = self.fallen()
        if fallen and escapes([wear.last_kept, *fallen]):
            at_us, bar = (
                np.append(at_us, [one[0] for one in fallen]),
                np.append(bar, [one[1] for one in fallen]),
            )
        hung_us = self.live_set.follower.hung_us
        if hung_us is not None:
            moved = (at_us <= hung_us[0]) | (at_us >= hung_us[1])
            at_us, bar = at_us[moved], bar[moved]
        first = max(int(at_us.searchsorted(at_us[-1] - round(LATEST_S * 1e6))) - 1, 0)
        counted = bar[first:] - self.above_bar
        return list(zip((at_us[first:] * 1e-6).tolist(), counted.tolist(), strict=True))

    def line(self) -> Line:
        """Return the air line so far on its set: one point every ten seconds.

        Where the pressure rises, by another cylinder or without a reason, no bar: the line breaks there.
        """
        found: Line = []
        own = [one for one in self.entry.charges if one.wears and one.set_id == self.live_set.set_id]
        wears = [wear for one in own for wear in one.wears] if self.wear is not None else []
        for number, wear in enumerate(wears):
            if number and wear.first_bar - wears[number - 1].last_bar > CHANGED_RISE_BAR:
                found.append((wear.started_us * 1e-6, None))
            tens = wear.at_us // round(LINE_STEP_S * 1e6)
            first = np.flatnonzero(np.r_[True, np.diff(tens) > 0] & ~wear.spike)
            found += zip((wear.at_us[first] * 1e-6).tolist(), wear.pressure_bar[first].tolist(), strict=True)
        return found


def _rates_l_min(wear: Wear, cylinder: Cylinder) -> tuple[float, float]:
    """Return the mean rate of a wear that lasted three minutes, and that of its hardest three."""
    at_us = wear.at_us[wear.kept]
    left_l = free_air_l(wear.pressure_bar[wear.kept], PLANNING_C, cylinder.total_l)
    first = at_us.searchsorted(at_us - OWN_RATE_US, side="right") - 1  # the last reading three minutes before
    used_l, took_min = left_l[np.maximum(first, 0)] - left_l, (at_us - at_us[np.maximum(first, 0)]) / 60e6
    hardest = (used_l[first >= 0] / took_min[first >= 0]).max(initial=0.0)
    # Numbers of numpy's cannot be sent.
    return float((left_l[0] - left_l[-1]) / ((at_us[-1] - at_us[0]) / 60e6)), float(hardest)


@lru_cache(maxsize=4096)  # of each cylinder at every tick
def _prompts_after_s(
    entry_bar: float, low_air_bar: float, volume_l: float, planning_l_min: float
) -> tuple[float, ...]:
    start_l = float(free_air_l(entry_bar, PLANNING_C, volume_l))
    usable_l = start_l - float(free_air_l(low_air_bar, PLANNING_C, volume_l))
    return tuple(prompt_times_s(max(usable_l, 0.0) / planning_l_min))


def inside_of(
    entry: Entry,
    live_set: SetNow,
    gauges: Sequence[VoiceGauge],
    now_us: int,
    key: str,
    holder: Entry | None = None,
    others: Sequence[Entry] = (),
    *,
    doubtful: tuple[str, ...] = (),
) -> Inside:
    """Return an entry as of now.

    - `gauges`: read by voice, of all sets.
    - `holder`: who holds the set, when somebody else does.
    - `others`: the other entries that had the set.
    - `doubtful`: other sets that its wearer is tallied in with.
    """
    heard = live_set.heard
    tallied_in = entry.stay is not None and entry.stay.is_in(now_us)
    entered_us = entry.entered_us  # before it has the air of a set that was handed on
    # Whoever the set is tallied to breathes what it gives, also when that wear began with somebody else. And
    # whoever breathed from it last for another incident is the same person, whose air it was.
    if tallied_in and holder is None and live_set.wears:
        last = live_set.wears[-1]
        began_with = next((one for one in others if last in one.wears), None)
        is_own = began_with is not None and began_with.wearer_id == entry.wearer_id
        same = began_with is not None and began_with.tally is not None and (is_own or goes_on(last, live_set))
        if began_with is not None and same and not _was_out_before(entry, began_with):
            charges, moments = began_with.charges, began_with.moments
            if is_own:  # a turn-back that was due before stays due
                charges = [*entry.charges, *charges]
                moments = {policy: [*entry.moments.get(policy, ()), *of] for policy, of in moments.items()}
            entry = replace(entry, wears=[last], charges=charges, moments=moments)
            others = [one for one in others if one is not began_with]
    known_from_us = max((one.wears[-1].ended_us for one in others if one.wears), default=0)
    if entry.wears and known_from_us >= entry.wears[-1].started_us:
        known_from_us = 0
    off_us, boot_us = max(heard.offs_us, default=None), max(heard.boots_us, default=None)
    state, since_us = state_of(entry, now_us, heard.silent_after_us, off_us, boot_us)
    put_down_us = unused_since(entry)
    if state == "out" and put_down_us is None and entry.wears:
        last = entry.wears[-1]
        went_on = last.ended_us - heard.silent_after_us > since_us and not last.closed_in_order
        if went_on or goes_on(last, live_set):  # whatever the desk has said
            state, since_us = _state_on(last, now_us, heard.silent_after_us, off_us, boot_us)
    given_us = holder.tally.in_us if holder is not None and holder.tally is not None else None
    began_us = entry.entered_us
    own = [
        one
        for one in gauges
        if one.set_id == live_set.set_id
        and max(began_us, known_from_us) <= one.at_us <= (given_us if given_us is not None else now_us)
    ]
    own, higher = believed(own, entry)
    low_air_bar, profile = live_set.low_air_bar, live_set.profile
    if own and not entry.wears:
        charge = Charge([], own, low_air_bar, began_us, live_set.cylinder)
        moment = judge_by(entry.policy, profile.turn_back, charge.course(None, profile, now_us, {}))
        entry = replace(entry, charges=[charge], moments={entry.policy: [moment]})
    return Inside(
        entry,
        live_set,
        state,
        since_us,
        own,
        key,
        tallied_in,
        entered_us,
        holder.wearer_id if holder is not None else None,
        given_us,
        known_from_us,
        higher,
        doubtful=doubtful,
        put_down_us=put_down_us,
    )


def _was_out_before(entry: Entry, before: Entry) -> bool:
    """Return whether somebody said *out* well before another entry, and its set was not heard since."""
    if before.ended_us is None or before.ended_how not in ("tallied_out", "resolved"):
        return False
    return entry.began_us - max(before.ended_us, before.wears[-1].ended_us) > SLIP_US


def goes_on(wear: Wear, live_set: SetNow) -> bool:
    """Return whether a wear is the last of its set, and neither closed nor switched off."""
    if wear.ended_how != "not heard" or not live_set.wears or live_set.wears[-1].wear_id != wear.wear_id:
        return False
    heard = live_set.heard
    return not any(at_us > wear.ended_us for at_us in (*heard.boots_us, *heard.offs_us))


def unused_since(entry: Entry) -> int | None:
    """Return since when the open set of somebody said to be out uses no air; None unless for minutes."""
    if entry.ended_how not in ("tallied_out", "resolved") or entry.ended_us is None or not entry.wears:
        return None
    last = entry.wears[-1]
    closed = last.ended_how in ("closed", "changed")
    since_us = last.ended_us if closed else last.breathed_until_us
    return since_us if last.ended_us - max(since_us, entry.ended_us) >= OUTSIDE_US else None


def state_of(
    entry: Entry, as_of_us: int, silent_after_us: int, off_us: int | None, boot_us: int | None
) -> tuple[EntryState, int]:
    """Return the state inside an entry at a moment, and since when.

    - `silent_after_us`: how long its set may be quiet.
    - `off_us` and `boot_us`: when its set was last switched off, and when its newest power-up was first
      heard.
    """
    ended = entry.stay is not None and not entry.stay.is_in(as_of_us)
    if ended and entry.ended_us is not None and entry.ended_us <= as_of_us:
        return "out", entry.ended_us
    since_us = entry.began_us
    if not entry.wears:
        return "expected", since_us
    return _state_on(entry.wears[-1], as_of_us, silent_after_us, off_us, boot_us)


def _state_on(
    last: Wear, as_of_us: int, silent_after_us: int, off_us: int | None, boot_us: int | None
) -> tuple[EntryState, int]:
    """Return the state of whoever has breathed from a set last; arguments as of `state_of`."""
    if off_us is not None and off_us >= last.ended_us:
        return "off", off_us
    if boot_us is not None and boot_us > last.ended_us:
        return "restarted", boot_us
    if last.ended_how in ("closed", "changed"):
        return ("empty" if last.ran_empty else "valve_closed"), last.ended_us
    if as_of_us - last.ended_us > silent_after_us:
        return "silent", last.ended_us
    return "under_air", last.started_us
