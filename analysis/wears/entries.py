"""Entries: what a person did, from going in until somebody says that they are out.

A wear is what a set did. An entry has any number of wears: a restart, a sensor drop-out, an outage or a
second cylinder does not end it. A person has an entry for each stay; a set without a tally has its own.
Empty, off, silent or never heard are states inside an open entry.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from analysis.policies import POLICIES, PolicyName, TurnBackMoment, judge_by
from analysis.profile import Profile
from analysis.records import PowerUp, grouped
from analysis.wears.charges import Charge, EarlyEnds, charges_of, is_surely_another
from analysis.wears.gauges import VoiceGauge, known_better
from analysis.wears.rejoined import rejoined
from analysis.wears.setups import heard_setups, setup_at, worst_of
from analysis.wears.tally import Keys, Stay, TallyEntry, key_of
from analysis.wears.turn_back import TurnBackNote, note_about, note_perhaps
from analysis.wears.wears import UNTALLIED_APART_US, Wear

OUTSIDE_US = 5 * 60 * 1_000_000
"""Somebody tallied out may still breathe from the set for so long, outside. Our own rule."""
FOR_EVER_US = 2**62


@dataclass(slots=True)
class Entry:
    """One person in; moments in microseconds since 1970 on the reconciled clock."""

    # `{incident_id}/{wearer_id}/{n}`, n from 1 in order of time. If the incident's name was used again:
    # `{incident_id}@{day}/{wearer_id}/{n}`. Without a tally: `-/{set_id}/{boot}-{n}`, of its first wear.
    entry_id: str
    incident_id: str | None
    wearer_id: str | None
    set_ids: tuple[str, ...]
    stay: Stay | None  # what desks said; None for a set that nobody tallied in
    wears: list[Wear]  # in order of time
    # `charges`: cylinders in order of time; the last one is in use
    charges: list[Charge] = field(default_factory=list)
    until_us: int = 0  # this and the fields below are filled once the wears are known
    # dict of policy to list of TurnBackMoment: what each policy says of each charge.
    moments: dict[PolicyName, list[TurnBackMoment]] = field(default_factory=dict)
    policy: PolicyName = "half_of_usable"
    team_turn_back_us: int | None = None  # when the team must turn back by the policy, with its lowest member
    gauges: list[VoiceGauge] = field(default_factory=list)  # all that were read by voice of its sets
    # `spoken`: those that count, because the set was not heard then or read far more
    spoken: list[VoiceGauge] = field(default_factory=list)
    noted: TurnBackNote | None = None  # the desk's first note that this wearer, or the team, turned back
    perhaps_noted: TurnBackNote | None = None  # the first note with those words, whomever it names
    # `left_us`, `left_bound`, `unheard_apart_s`: from `analysis.findings.ends`, after the fact: when the
    # wearer left; "at most" or "at least" for a bound; how long nothing was heard outside the wears
    left_us: int | None = None
    left_bound: str = ""
    unheard_apart_s: float = 0.0
    # From there, too: the last moment at which turn-back was not due yet, if a silence followed.
    not_due_us: int | None = None
    not_due_by: str = ""  # of whom nothing was known then, if it is another member of the team
    # For somebody who fell silent for good above turn-back, from `analysis.live.last_heard`: when they were
    # last heard, and the early end of the forecast of that moment.
    as_last_heard: tuple[int, int] | None = None
    # Whether `team_turn_back_us` is such a moment: it may have been due at any time since the silence began.
    due_as_last_heard: bool = False

    @property
    def tally(self) -> TallyEntry | None:
        """The tally in force."""
        return self.stay.tallies[-1] if self.stay is not None else None

    @property
    def team(self) -> str | None:
        """The team that the latest tally named."""
        return self.tally.team if self.tally is not None else None

    @property
    def teams(self) -> list[tuple[str | None, int, int]]:
        """Its teams one after the other: name, and from when until when."""
        found: list[tuple[str | None, int, int]] = []
        for tally in self.stay.tallies if self.stay is not None else ():
            if found and found[-1][0] != tally.team:
                found[-1] = *found[-1][:2], tally.in_us
            if not found or found[-1][0] != tally.team:
                found.append((tally.team, tally.in_us if found else 0, FOR_EVER_US))
        return found or [(None, 0, FOR_EVER_US)]

    def together_since(self, other: Entry, at_us: int) -> int | None:
        """Return since when both are of the team of a moment; None if they are not. Always with oneself."""
        if other is self:
            return 0
        own, its = (
            {(one.incident_id, team): since_us for team, since_us, until_us in one.teams if at_us < until_us}
            for one in (self, other)
        )
        same = [max(own[team], its[team]) for team in own.keys() & its.keys() if team[1] is not None]
        return next((since_us for since_us in same if since_us <= at_us), None)

    @property
    def began_us(self) -> int:
        """Tallied in, or first heard under air."""
        return self.stay.in_us if self.stay is not None else self.wears[0].started_us

    @property
    def first_heard_us(self) -> int | None:
        """First reading under air."""
        return self.wears[0].started_us if self.wears else None

    @property
    def last_heard_us(self) -> int | None:
        """Last reading under air."""
        return self.wears[-1].ended_us if self.wears else None

    @property
    def entered_us(self) -> int:
        """When the wearer went in: the first breath, or the `in` where that is earlier."""
        return min(self.began_us, self.first_heard_us or self.began_us)

    @property
    def tallied_in_us(self) -> int | None:
        """When the wearer was tallied in."""
        return self.stay.in_us if self.stay is not None else None

    @property
    def ended_how(self) -> str:
        """`tallied_out`, `resolved`, `incident_closed` or `open`."""
        return self.stay.ended_how if self.stay is not None else "open"

    @property
    def ended_us(self) -> int | None:
        """When somebody said that it is over; None while it is open."""
        return self.stay.ended_us if self.stay is not None else None

    @property
    def tallied_out_us(self) -> int | None:
        """When the wearer was tallied out."""
        return self.ended_us if self.ended_how == "tallied_out" else None

    @property
    def under_air_until_us(self) -> int | None:
        """When its set last used air, or may have, if that is long after the tally out."""
        out_us = self.tallied_out_us
        if out_us is None or not self.wears:
            return None
        used_us = self.wears[-1].breathed_until_us
        return used_us if used_us - out_us > OUTSIDE_US else None

    @property
    def without_air(self) -> Wear | None:
        """The last wear, if its cylinder was empty or its valve shut before anybody said out.

        None also if a gauge was read by voice after it.
        """
        last = max(self.wears, key=lambda one: one.ended_us, default=None)
        if last is None or self.stay is None or last.ended_how != "closed":
            return None
        after = any(one.at_us > last.ended_us for one in self.spoken)
        return last if not after and (self.ended_us or last.ended_us + 1) > last.ended_us else None

    @property
    def entry_bar(self) -> float | None:
        """The entry pressure of the cylinder whose turn-back counts; None if it was not heard."""
        return self.charges[self.counts].known_entry_bar if self.charges else None

    @property
    def lowest_bar(self) -> float | None:
        """The lowest reading under air, also by voice; never above the wearer's word."""
        read = [min([float(one.pressure_bar[one.kept].min()), *one.swung[1].tolist()]) for one in self.wears]
        read += [one.lowest_by_word_bar for one in self.charges if one.wears and one.spoken]
        return min([*read, *(one.pressure_bar for one in self.spoken)], default=None)

    @property
    def low_air_us(self) -> int | None:
        """The first of `lows_us`."""
        return min(self.lows_us, default=None)

    @property
    def lows_us(self) -> list[int]:
        """When each wear, gauge by voice and cylinder was first at or below the warning."""
        read = [int(one.at_us[one.low_air]) for one in self.wears if one.low_air is not None]
        by_word = [one.low_by_word_us[0] for one in self.charges if one.low_by_word_us]
        return [*read, *(one.at_us for one in self.spoken_low), *by_word]

    @property
    def spoken_low(self) -> list[VoiceGauge]:
        """The gauges read by voice that were at or below the warning."""
        if not self.charges:
            return []
        return [one for one in self.spoken if one.pressure_bar <= self.charges[-1].low_air_bar]

    @property
    def turn_back(self) -> TurnBackMoment | None:
        """What the policy in force says of the cylinder that counts."""
        moments = self.moments.get(self.policy)
        return moments[self.counts] if moments else None

    @property
    def counts(self) -> int:
        """The number of the cylinder whose turn-back counts: the first one due, else the one in use.

        A turn-back that was reached stays: a higher pressure may be another cylinder, or the end of a
        drop-out of which messages were lost.
        """
        return self._first_due(0)

    @property
    def renewed(self) -> int:
        """The number of the latest cylinder that surely replaced all whose turn-back was due; else 0."""
        moments, since = self.moments.get(self.policy, []), 0
        for number in range(1, len(moments)):
            due = [(first, moments[first]) for first in range(since, number)]
            limits = [
                (first, one.leave_bar if one.leave_bar is not None else one.pressure_bar)
                for first, one in due
                if one.at_us is not None
            ]
            if limits and all(
                limit_bar is not None
                and is_surely_another(self.charges[first:number], self.charges[number], limit_bar)
                for first, limit_bar in limits
            ):
                since = number
        return since

    @property
    def in_use(self) -> int:
        """The number of the cylinder whose turn-back counts as of now: `counts`, from the renewed one on."""
        return self._first_due(self.renewed)

    def _first_due(self, since: int) -> int:
        moments = self.moments.get(self.policy, [])
        due = (number for number in range(since, len(moments)) if moments[number].at_us is not None)
        return next(due, len(self.charges) - 1)

    @property
    def own_turn_back_us(self) -> int | None:
        """When this wearer's own gauge reached turn-back."""
        return self.turn_back.at_us if self.turn_back is not None else None

    def wear_at(self, at_us: int) -> Wear | None:
        """Return the wear of a moment; of two sets at once the one that reached turn-back then."""
        reached = [
            charge.wears
            for charge, one in zip(self.charges, self.moments.get(self.policy, ()), strict=False)
            if one.at_us == at_us
        ]
        of = reached[0] if reached else self.wears
        return next((wear for wear in reversed(of) if wear.started_us <= at_us), None)

    @property
    def turn_back_bar(self) -> float | None:
        """The pressure at which this wearer must turn back by the policy in force."""
        one = self.turn_back
        return None if one is None else one.leave_bar if one.leave_bar is not None else one.pressure_bar

    @property
    def late_s(self) -> float | None:
        """How late the turn was noted after it was due; without a note, the exit; see `late_bound`."""
        due_us = self.team_turn_back_us
        at_us = self.noted.at_us if self.noted is not None else self.left_us
        return None if at_us is None or due_us is None else max(at_us - due_us, 0) * 1e-6

    @property
    def late_bound(self) -> str:
        """`at most`, `at least`; `not known` if neither the due moment nor the exit is known; else empty."""
        said = "at least" if self.under_air_until_us is not None else self.left_bound
        said = said if self.noted is None else ""
        if self.due_as_last_heard:
            return "not known"
        if self.not_due_us is None:
            return said
        return "not known" if said == "at most" else "at least"

    def span_of(self, number: int) -> tuple[int, int]:
        """Return from when to when a cylinder was in use, the last one until now; unheard: since `in`."""
        if not self.wears:
            return self.began_us, self.until_us
        charge = self.charges[number]
        last = number == len(self.charges) - 1
        return charge.entry_us - charge.unheard_us, self.until_us if last else charge.wears[-1].ended_us

    @property
    def under_air_s(self) -> float:
        """Seconds under air; time with two sets at once counts once."""
        total_us, until_us = 0, 0
        for wear in sorted(self.wears, key=lambda one: one.started_us):
            total_us += max(wear.ended_us - max(wear.started_us, until_us), 0)
            until_us = max(until_us, wear.ended_us)
        return total_us * 1e-6

    @property
    def at_once(self) -> bool:
        """Whether two of its sets were under air at the same time: one of them was somebody else's."""
        return any(
            one.set_id != other.set_id
            and one.started_us <= other.ended_us
            and other.started_us <= one.ended_us
            for one, other in itertools.combinations(self.wears, 2)
        )

    @property
    def doubtful_sets(self) -> tuple[str, ...]:
        """Sets that breathed on after the desk moved the wearer to another: nobody knows who wears them.

        A person's word ends the doubt: a correction, a tally of somebody else, `resolved` for that set.
        """
        if self.stay is None:
            return ()
        left_us: dict[str, int] = {}
        for tally, then in itertools.pairwise(self.stay.tallies):
            if tally.settled_us is None:
                left_us[tally.set_id] = then.in_us
        left_us.pop(self.stay.tallies[-1].set_id, None)
        worn = {wear.set_id for wear in self.wears if wear.ended_us > left_us.get(wear.set_id, wear.ended_us)}
        return tuple(set_id for set_id in left_us if set_id in worn)

    def on_set(self, set_id: str) -> Entry:
        """Return the part of the entry on one set: its tallies, wears, cylinders and their moments."""
        own = [number for number, one in enumerate(self.charges) if one.set_id == set_id]
        stay = self.stay
        if stay is not None:
            until = max((n for n, one in enumerate(stay.tallies) if one.set_id == set_id), default=-1) + 1
            stay = replace(stay, tallies=stay.tallies[:until] or stay.tallies)
        return replace(
            self,
            stay=stay,
            wears=[wear for wear in self.wears if wear.set_id == set_id],
            charges=[self.charges[number] for number in own],
            gauges=[one for one in self.gauges if one.set_id == set_id],
            spoken=[one for one in self.spoken if one.set_id == set_id],
            moments={
                policy: [of[number] for number in own if number < len(of)]
                for policy, of in self.moments.items()
            },
        )


def find_entries(
    wears: Sequence[Wear],
    stays: Sequence[Stay],
    notes: Sequence[TurnBackNote],
    profile: Profile,
    as_of_us: int | None = None,
    early: EarlyEnds | None = None,
    policies: Sequence[PolicyName] = POLICIES,
    gauges: Sequence[VoiceGauge] = (),
    keys: Keys | None = None,
    sets: Mapping[str, Sequence[PowerUp]] | None = None,
) -> list[Entry]:
    """Return everybody's entries, in order of time.

    - `wears`: from `find_wears`, with their tallies.
    - `stays`: from `read_tallies`.
    - `notes`: of desks, in order of time.
    - `as_of_us`: now, for the policy that names a moment of the clock; None when nothing more comes.
    - `early`: mapping of wear_id to (moments, minutes), optional: for the policy that looks at the forecast.
    - `policies`: those to judge by.
    - `gauges`: read by voice.
    - `keys`: by incident_id, from when on its entries have another name than that id, and which.
    - `sets`: all that each set said: one that was never heard under air may have named its cylinder.
    """
    entries = [*_tallied(wears, rejoined(wears, stays), keys or {}), *_untallied(wears)]
    entries.sort(key=lambda entry: (entry.began_us, entry.entry_id))
    ends = [wear.ended_us for wear in wears] + [stay.ended_us or stay.in_us for stay in stays]
    ends += [one.at_us for one in gauges]
    end_us = as_of_us if as_of_us is not None else max(ends, default=0)
    for entry in entries:
        _judge(entry, notes, profile, as_of_us, end_us, early or {}, policies, gauges, sets or {})
    return entries


def _tallied(wears: Sequence[Wear], stays: Sequence[Stay], keys: Keys) -> list[Entry]:
    by_tally = grouped((wear.tally.in_identity, wear) for wear in wears if wear.tally is not None)
    found = []
    first: dict[tuple[str, str], int] = {}  # by key and wearer: the number with which the use begins
    for stay in stays:
        key = key_of(stay, keys)
        number = stay.number - first.setdefault((key, stay.wearer_id), stay.number) + 1
        own = [wear for tally in stay.tallies for wear in by_tally.get(tally.in_identity, ())]
        own.sort(key=lambda wear: (wear.started_us, wear.wear_id))
        found.append(
            Entry(
                entry_id=f"{key}/{stay.wearer_id}/{number}",
                incident_id=stay.incident_id,
                wearer_id=stay.wearer_id,
                set_ids=tuple(dict.fromkeys(tally.set_id for tally in stay.tallies)),
                stay=stay,
                wears=own,
            )
        )
    return found


def _untallied(wears: Sequence[Wear]) -> list[Entry]:
    found: list[Entry] = []
    for wear in sorted(wears, key=lambda one: (one.set_id, one.started_us, one.wear_id)):
        if wear.tally is not None:
            continue
        last = found[-1] if found and found[-1].set_ids == (wear.set_id,) else None
        if last is not None and wear.started_us - last.wears[-1].ended_us <= UNTALLIED_APART_US:
            last.wears.append(wear)
            continue
        # The name of its first wear stays the same, whatever else was read.
        name = f"-/{wear.set_id}/{wear.power_up.boot}-{wear.number}"
        found.append(Entry(name, None, None, (wear.set_id,), None, [wear]))
    return found


def _judge(
    entry: Entry,
    notes: Sequence[TurnBackNote],
    profile: Profile,
    as_of_us: int | None,
    end_us: int,
    early: EarlyEnds,
    policies: Sequence[PolicyName],
    gauges: Sequence[VoiceGauge],
    sets: Mapping[str, Sequence[PowerUp]],
) -> None:
    rules = profile.turn_back
    entry.policy = rules.policy
    entry.gauges = _gauges_of(entry, gauges)
    tallied = [(one.set_id, one.in_us) for one in entry.stay.tallies] if entry.stay is not None else []
    entry.charges = charges_of(entry.wears, entry.gauges, tallied)
    entry.spoken = [one for one in entry.gauges if not any(known_better(wear, one) for wear in entry.wears)]
    if not entry.wears and entry.spoken:  # never heard: voice is all there is
        first = entry.spoken[0]
        said = setup_at(heard_setups(sets.get(first.set_id, ())), None, first.at_us)
        named, thresholds = worst_of([said.said] if said is not None else [], profile)
        entry.charges = [Charge([], entry.spoken, thresholds.low_air_bar, entry.began_us, named)]
    heard_us = [wear.ended_us for wear in entry.wears[-1:]] or [one.at_us for one in entry.spoken]
    last_us = heard_us[-1] if heard_us else entry.began_us
    # Somebody who is not out is in, heard or not: the team's moment counts.
    entry.until_us = max(last_us, end_us if entry.ended_us is None else entry.ended_us)
    course_until_us = last_us if as_of_us is None or entry.ended_us is not None else max(as_of_us, last_us)
    names = {wear.set_id for wear in entry.wears} | set(entry.set_ids)
    judged: dict[PolicyName, list[TurnBackMoment]] = {policy: [] for policy in policies}
    for number, charge in enumerate(entry.charges):
        last = number == len(entry.charges) - 1
        until_us = course_until_us if last else charge.wears[-1].ended_us
        objective = _note(entry, notes, names, charge.entry_us, until_us, rules.objective_word, of_team=True)
        objective_us = objective.at_us if objective is not None else None
        if charge.wears:
            charge.hear(gauges, entry.span_of(number)[1], entry.wears, entry.entered_us)
        course = charge.course(objective_us, profile, until_us, early)
        for policy in policies:
            judged[policy].append(judge_by(policy, rules, course))
    entry.moments = judged
    since_us = entry.wears[0].started_us if entry.wears else entry.began_us
    until_us = max(entry.until_us, entry.ended_us or 0)
    word = rules.withdrawal_word
    entry.noted = _note(entry, notes, names, since_us, until_us, word, wearer_id=entry.wearer_id)
    entry.perhaps_noted = note_perhaps(notes, names, entry.incident_id, since_us, until_us, word)


def _note(
    entry: Entry,
    notes: Sequence[TurnBackNote],
    sets: set[str],
    since_us: int,
    until_us: int,
    words: str,
    **more: Any,
) -> TurnBackNote | None:
    """Return the first note about an entry, or about its team of that time."""
    of_teams = (
        note_about(
            notes,
            sets,
            (entry.incident_id, team),
            max(since_us, first_us),
            min(until_us, last_us),
            words,
            **more,
        )
        for team, first_us, last_us in entry.teams
    )
    return next((note for note in of_teams if note is not None), None)


def _gauges_of(entry: Entry, gauges: Sequence[VoiceGauge]) -> list[VoiceGauge]:
    if entry.stay is not None:
        spans = [(tally.set_id, *span) for tally in entry.stay.tallies for span in tally.spans]
    else:
        until_us = entry.wears[-1].ended_us + UNTALLIED_APART_US
        spans = [(entry.set_ids[0], entry.wears[0].started_us, until_us)]
    return [
        one
        for one in gauges
        if any(one.set_id == set_id and first <= one.at_us <= last for set_id, first, last in spans)
    ]
