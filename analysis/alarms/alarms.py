"""Alarms of an incident: reported and derived matched, who saw them, and how fast they were answered."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from analysis.alarms.derived import Derived, derived_alarms
from analysis.alarms.reported import Reported, reported_alarms
from analysis.profile import Profile
from analysis.records import PowerUp, grouped
from analysis.wears.corrections import Settlement, said
from analysis.wears.entries import Entry
from analysis.wears.wears import Wear

EDGE_US = 5_000_000
"""An alarm this close outside a wear still belongs to it. Our own rule."""
TRIED_BEFORE_US = 600_000_000
"""So long before the tally in, an alarm is of whoever puts the set on and tries the button. Our own rule."""
SEEN_EARLY_US = 1_000_000
"""The desk's clock may put `seen` this much before `raised`. Our own rule."""


@dataclass(slots=True)
class Alarm:
    """One row of `alarms`, with what the findings need beside it."""

    wear: Wear | None
    set_id: str
    alarm: str
    raised_us: int
    reported: Reported | None
    derived: Derived | None
    seen_us: int | None = None
    seen_by: str | None = None
    supported: bool = False  # reported again while the readings still show what another report told
    evidence: list[str] = field(default_factory=list)
    entry: Entry | None = None  # whose it is, after the fact (`give_entries`)

    @property
    def acknowledged_us(self) -> int | None:
        """When it was acknowledged at the set."""
        return self.reported.acknowledged_us if self.reported else None

    @property
    def cleared_us(self) -> int | None:
        """When it was over, as the set said or, for a derived alarm, as the data show."""
        if self.reported is not None:
            return self.reported.cleared_us
        return self.derived.cleared_us if self.derived else None

    @property
    def source(self) -> str:
        """`reported`, `derived` or `both`."""
        if self.reported is not None and self.derived is not None:
            return "both"
        return "reported" if self.reported is not None else "derived"

    @property
    def heard_us(self) -> int | None:
        """When the listener received what raised it."""
        if self.reported is not None:
            return self.reported.heard_us
        return self.derived.heard_us if self.derived else None

    @property
    def last_us(self) -> int:
        """When it was last spoken of."""
        return self.reported.last_us if self.reported is not None else self.raised_us

    @property
    def answered_us(self) -> int | None:
        """The first of acknowledged and seen."""
        answers = [at for at in (self.acknowledged_us, self.seen_us) if at is not None]
        return min(answers) if answers else None

    @property
    def response_s(self) -> float | None:
        """First of acknowledged and seen after raised; None when the raised itself was never heard."""
        if self.answered_us is None or (self.reported is not None and self.reported.inferred):
            return None
        return max(self.answered_us - self.raised_us, 0) * 1e-6

    @property
    def lead_s(self) -> float | None:
        """Reported minus derived; positive: the set was late.

        None where the set reported it in a silence of the readings: they do not show when it began.
        """
        if self.reported is None or self.derived is None:
            return None
        silent_us = self.derived.silent_since_us
        if silent_us is not None and silent_us < self.reported.raised_us <= self.derived.raised_us:
            return None
        return (self.reported.raised_us - self.derived.raised_us) * 1e-6


def find_alarms(
    records: Sequence[PowerUp],
    wears: Sequence[Wear],
    profile: Profile,
    as_of_us: int | None = None,
    resolved: Sequence[Settlement] = (),
) -> list[Alarm]:
    """Return all alarms, reported, derived or both, in order of time.

    - `records`: with reconciled times.
    - `profile`: for the thresholds that sets did not say, and how close two alarms must be to be one.
    - `as_of_us`: now: what the last wear of a set shows goes on while the wear does. None: nothing more
      comes.
    - `resolved`: desks' words that count (`of_those_in`).
    """
    by_set = grouped((wear.set_id, wear) for wear in wears)
    slack_us = round(profile.alarms.match_s * 1e6)
    alarms: list[Alarm] = []
    for reported in reported_alarms(records, resolved):
        around = _wear_at(by_set.get(reported.set_id, ()), reported.raised_us)
        one = Alarm(around, reported.set_id, reported.alarm, reported.raised_us, reported, None)
        one.evidence = list(reported.evidence)
        alarms.append(one)
    by_kind = grouped(((one.set_id, one.alarm), one) for one in alarms)
    for wear in wears:
        goes_on = as_of_us is not None and wear.ended_how == "not heard" and wear is by_set[wear.set_id][-1]
        for derived in derived_alarms(wear, profile, goes_on=goes_on):
            partner = _partner(by_kind.get((wear.set_id, derived.alarm), ()), derived, wear, slack_us)
            if partner is None:
                alone = Alarm(wear, wear.set_id, derived.alarm, derived.raised_us, None, derived)
                alone.evidence = list(derived.evidence)
                alarms.append(alone)
            elif partner.derived is None:
                partner.derived = derived
                partner.evidence = [*derived.evidence, *partner.evidence]
                partner.wear = wear
            for one in by_kind.get((wear.set_id, derived.alarm), ()):
                one.supported = one.supported or _overlaps(one, derived, wear, slack_us)
    alarms.sort(key=lambda one: (one.raised_us, one.set_id, one.alarm))
    _mark_seen(alarms, records, resolved)
    return alarms


def raised_in(alarm: Alarm, entries: Sequence[Entry]) -> Entry | None:
    """Return the entry in which an alarm was raised; None where there is none.

    - `entries`: those that had its set, in order of time.

    By the tally that held the set then, else by its wear, else whoever is tallied in with it soon after, else
    the one that had the set last.
    """
    return _had_it(alarm, entries) or _had_it_soon(alarm, entries) or _last_before(alarm, entries)


def give_entries(alarms: Sequence[Alarm], entries: Sequence[Entry]) -> None:
    """Give each alarm its entry, after the fact: as `raised_in`, but who had the set last only if silent.

    A set that is taken off and laid down sounds for no motion: nobody has it any more.
    """
    ordered = sorted(entries, key=lambda one: one.began_us)
    by_set = grouped((set_id, entry) for entry in ordered for set_id in entry.set_ids)
    for alarm in alarms:
        own = by_set.get(alarm.set_id, ())
        alarm.entry, last = _had_it(alarm, own) or _had_it_soon(alarm, own), _last_before(alarm, own)
        if alarm.entry is None and last is not None and last.ended_how in ("open", "incident_closed"):
            alarm.entry = last if last.wears and last.wears[-1].ended_how == "not heard" else None


def _had_it(alarm: Alarm, entries: Sequence[Entry]) -> Entry | None:
    at_us = alarm.raised_us
    for entry in entries:
        for tally in entry.stay.tallies if entry.stay is not None else ():
            if tally.set_id == alarm.set_id and any(first <= at_us < last for first, last in tally.spans):
                return entry
    if alarm.wear is not None:
        for entry in entries:
            if any(one.wear_id == alarm.wear.wear_id for one in entry.wears):
                return entry
    return None


def _had_it_soon(alarm: Alarm, entries: Sequence[Entry]) -> Entry | None:
    """Return whoever tried the button before the tally, where nobody was in with the set then."""
    last = _last_before(alarm, entries)
    if last is not None and (last.ended_us is None or last.ended_us > alarm.raised_us):
        return None
    until_us = alarm.raised_us + TRIED_BEFORE_US
    return next((one for one in entries if alarm.raised_us < one.began_us <= until_us), None)


def _last_before(alarm: Alarm, entries: Sequence[Entry]) -> Entry | None:
    began = [entry for entry in entries if entry.began_us <= alarm.raised_us]
    return began[-1] if began else None


def _wear_at(wears: Sequence[Wear], at_us: int) -> Wear | None:
    inside = [wear for wear in wears if wear.started_us <= at_us <= wear.ended_us]
    near = [wear for wear in wears if wear.started_us - EDGE_US <= at_us <= wear.ended_us + EDGE_US]
    return next(iter(inside or near), None)


def _partner(alarms: Sequence[Alarm], derived: Derived, wear: Wear, slack_us: int) -> Alarm | None:
    """Return the reported alarm that is the same event: it overlaps the derived one, or nearly does.

    Low air is once a wear: there the two are the same however far apart, and the lead says how far; what
    the set raised at the moment or after it comes before what it raised too early.
    """
    reported = [one for one in alarms if one.reported is not None]
    if derived.alarm == "low_air":
        of_wear = [one for one in reported if one.wear is wear]
        near = [one for one in of_wear if one.raised_us >= derived.raised_us - slack_us] or of_wear
    else:
        near = [one for one in reported if _overlaps(one, derived, wear, slack_us)]
    return min(near, key=lambda one: abs(one.raised_us - derived.raised_us), default=None)


def _overlaps(one: Alarm, derived: Derived, wear: Wear, slack_us: int) -> bool:
    if one.wear is not None and one.wear is not wear:
        return False
    ended_us = derived.cleared_us if derived.cleared_us is not None else wear.ended_us
    until_us = one.cleared_us if one.cleared_us is not None else wear.ended_us
    return one.raised_us <= ended_us + slack_us and until_us >= derived.raised_us - slack_us


def _mark_seen(alarms: Sequence[Alarm], records: Sequence[PowerUp], resolved: Sequence[Settlement]) -> None:
    """Give every `seen` of a desk to the latest alarm of that set and kind raised and heard before it.

    Whoever closes an alarm with a word (`resolved`) has seen it. The first one counts. An alarm that came
    late (a radio gap) was not on the screen yet.
    """
    by_kind = grouped(((one.set_id, one.alarm), one) for one in alarms)
    seen = [
        (one.at_us, one.identity, one.row["set_id"], one.row["alarm"], one.desk_id, one.heard_us)
        for one in said(records, "seen")
    ]
    seen += [
        (one.at_us, one.identity, one.set_id, one.alarm, one.identity.rsplit("/", 2)[0], one.heard_us)
        for one in resolved
        if one.alarm is not None
    ]
    for at_us, identity, set_id, alarm, desk_id, received_us in sorted(seen):
        raised = [
            one
            for one in by_kind.get((set_id, alarm), ())
            if one.raised_us <= at_us + SEEN_EARLY_US and (one.heard_us or 0) <= received_us
        ]
        if raised and raised[-1].seen_us is None:
            raised[-1].seen_us, raised[-1].seen_by = at_us, desk_id
            raised[-1].evidence.append(identity)
