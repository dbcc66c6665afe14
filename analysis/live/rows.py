"""The live board's snapshot: what a command unit is shown at one moment, as plain numbers and codes.

Moments (`..._at`) are seconds since 1970-01-01 UTC on the listener's clock. No words here: `dashboard` adds
them. A number that is no longer live has its age, and its row has `silent_since`.
"""

from collections.abc import Iterable
from typing import Literal

import msgspec

from analysis.air.forecast import Scenario
from analysis.records import grouped

# In order of need, first the most urgent: our own rule.
Attention = Literal[
    "distress",
    "no_motion",
    "not_accounted",
    "losing_air",
    "low_air",
    "silent_past",
    "silent",
    "turn_back",
    "turn_back_soon",
    "other_alarm",
    "under_air",
    "no_air_yet",
    "valve_closed",
]
ORDER: dict[str, int] = {name: place for place, name in enumerate(Attention.__args__)}  # type: ignore[attr-defined]


class Interval(msgspec.Struct, frozen=True):
    """Minutes from now: median with the ends of the 90 % interval.

    `early_only`: the wear is younger than three minutes, so that only `low` is worth showing.
    """

    median: float
    low: float
    high: float
    early_only: bool = False


class FanPoint(msgspec.Struct, frozen=True):
    """Minutes from now until the pressure is down to `bar`."""

    bar: float
    low: float
    median: float
    high: float


class Reason(msgspec.Struct, frozen=True):
    """Why a row has its place."""

    code: str
    since_at: float | None = None
    who: str | None = None  # another wearer, why a tally was refused, or the wearer's team of that time
    repeated: tuple[int, float] | None = None  # an alarm that came again: how often, and since when


# Why there is no evidence that somebody inside has air now.
LostCode = Literal[
    "missing",
    "empty",
    "valve_closed",
    "off",
    "restarted",
    "silent",
    "never_heard",
    "set_given",
    "alarm_only",  # the set gives an alarm and no pressure
    "tally_refused",
    "readings_refused",  # or higher than its cylinder can hold
]


class Lost(msgspec.Struct, frozen=True):
    """Somebody inside without evidence of air: why, and since when."""

    code: LostCode
    since_at: float
    # `set_given`: the wearer who has the set now; `tally_refused`: why it was refused
    who: str | None = None


class GaugeRow(msgspec.Struct, frozen=True):
    """The last gauge read by voice."""

    bar: float
    at: float
    desk_id: str
    identity: str = ""


class Prompt(msgspec.Struct, frozen=True):
    """One or two thirds of the expected time are used: the desk should ask for the gauge."""

    key: str
    set_id: str
    incident_id: str | None
    wearer_id: str | None
    thirds: int
    due_at: float
    service: str = ""  # whose set, where there are several services


class Row(msgspec.Struct, frozen=True, kw_only=True):
    """One wearer inside, or one set under air that nobody tallied in.

    The board fills in facts; `attention.judge` fills in `attention` and `reasons`.
    """

    key: str
    set_id: str
    wearer_id: str | None
    team: str | None
    task: str | None = None
    incident_id: str | None = None
    # Other incidents where nobody said out, and the person has no other row: this one is in their lists, too.
    also_in: tuple[str, ...] = ()
    tallied_in_at: float | None = None
    tallied_out_at: float | None = None
    attention: Attention = "under_air"
    reasons: tuple[Reason, ...] = ()
    started_at: float | None = None
    ended_at: float | None = None
    pressure_bar: float | None = None
    pressure_at: float | None = None
    silent_since_at: float | None = None
    cylinder_known: bool = False
    start_bar: float | None = None
    low_air_bar: float
    turn_back_bar: float | None = None
    turn_back_reached_at: float | None = None
    turn_back_not_before: float | None = None  # when it was last known not to be due, if unheard since
    rate_l_min: float | None = None
    low_air: Interval | None = None
    turn_back: Interval | None = None
    fan: tuple[FanPoint, ...] = ()
    # Of a silent set, or of somebody who is in without known air: early and late end as last known.
    low_air_was_expected_at: tuple[float, float] | None = None
    turn_back_was_expected_at: tuple[float, float] | None = None
    service: str = ""
    entered_at: float | None = None  # tallied in or first heard under air, whichever came first
    # Pressure at the first wear on this cylinder; a restart does not change it.
    entry_bar: float | None = None
    lost: Lost | None = None  # no evidence of air now
    # Minutes to empty at the present fall, if that is faster than breathing.
    losing_min: float | None = None
    to_empty: Interval | None = None  # minutes to an empty cylinder, from the low-air warning on
    planned: bool = False  # `low_air` and `turn_back` come from the planning rate, not from a forecast
    relief_at: float | None = None  # when the next wearer must be ready
    gauge: GaugeRow | None = None  # last reading by voice
    # `pressure_bar` was read by voice: the set has sent nothing since, or reads far more; then its fall since
    # is taken off.
    by_voice: bool = False
    low_by_word_at: float | None = None  # since when that is at or below the warning
    other_bar: float | None = None  # what the set reads then, or a gauge too high to count
    sent_bar: float | None = None  # what the set sends that is not believed: see `analysis.wears.too_high`
    sent_low_at: float | None = None  # since when that is at or below the warning
    # When the wearer last acknowledged an evacuation at the set.
    evacuate_acknowledged_at: float | None = None
    if_hardest: Scenario | None = None  # the warning, at the rate of the hardest three minutes so far
    settled: bool = False  # `tallied_out_at` is when a desk closed the entry, without a tally out
    tally_identity: str | None = None  # the tally in force, for a correction

    @property
    def incidents(self) -> tuple[str, ...]:
        """The incidents in whose list it is; a set that nobody tallied in may be at any."""
        return (self.incident_id, *self.also_in) if self.incident_id is not None else ()

    @property
    def is_in(self) -> bool:
        """Whether it counts as a person inside."""
        return self.tallied_in_at is not None or self.started_at is not None or self.lost is not None

    @property
    def still_under_air(self) -> bool:
        """Whether a desk said that its wearer is out, who breathed on or was missed at a roll call since."""
        breathes_on = (self.started_at is not None or self.lost is not None) and not self.settled
        missed = self.lost is not None and self.lost.code == "missing"
        return self.tallied_out_at is not None and (breathes_on or missed)


def by_person(rows: Iterable[Row]) -> list[list[Row]]:
    """Return the rows of each person; a set without a known wearer counts as one person."""
    people = (((row.service, row.wearer_id is None, row.wearer_id or row.key), row) for row in rows)
    return list(grouped(people).values())


def breathing(rows: Iterable[Row]) -> dict[str, Row]:
    """Return by set which are heard under air."""
    return {row.set_id: row for row in rows if row.started_at is not None and row.silent_since_at is None}


def people(rows: Iterable[Row]) -> list[list[Row]]:
    """Return the rows of each person; two sets under air at once are two people with one name."""
    found: list[list[Row]] = []
    for own in by_person(rows):
        sets = breathing(own)
        found += [[row] for row in sets.values()] or [own]
    return found


class Team(msgspec.Struct, frozen=True):
    """A team turns back with its lowest member, heard or not."""

    team: str
    incident_id: str
    members: int
    under_air: int
    silent: int
    lowest_set_id: str | None
    lowest_wearer_id: str | None
    lowest_bar: float | None
    lowest_at: float | None
    turn_back: Interval | None
    turn_back_reached_at: float | None
    attention: Attention
    not_accounted: int = 0
    # Early end of the turn-back, as last heard from a silent member, where that comes before what the others'
    # readings say.
    turn_back_by_at: float | None = None
    planned: bool = False  # `turn_back` comes from the planning rate, not from a forecast
    turn_back_unknown: int = 0  # members inside of whom no turn-back is known
    relief_at: float | None = None  # when the next team must be ready
    service: str = ""  # whose team, where there are several services


SPOKEN = "by voice"  # the detail of an alarm that rests on a gauge read by voice


class AlarmLine(msgspec.Struct, frozen=True, kw_only=True):
    """One alarm that is raised, or over and not yet seen.

    `unknown_since_at`: since when nobody knows whether it is still raised, because the set went off,
    restarted or fell silent. Such an alarm stays, and sounds until somebody has seen it.
    """

    key: str
    service: str
    set_id: str
    wearer_id: str | None
    team: str | None
    alarm: str
    raised_at: float
    inferred: bool = False
    derived: bool = False
    acknowledged_at: float | None = None
    ended_at: float | None = None
    seen_at: float | None = None
    seen_by: str | None = None
    detail: str | None = None
    unknown_since_at: float | None = None
    row_key: str = ""  # the row of the wearer who raised it
    repeated: tuple[int, float] | None = None  # how often it was raised, unseen, and since when
    incident_id: str | None = None  # where it was raised; also once the row has gone


class NoteLine(msgspec.Struct, frozen=True):
    """A note from a desk."""

    key: str
    at: float
    text: str
    incident_id: str
    desk_id: str
    set_id: str | None
    certainty: str | None


class OrderLine(msgspec.Struct, frozen=True):
    """An order in force: for how many, how many acknowledged, how many are out; `waiting`: who has not.

    `lifted_by`: other desks that lifted it (its own name: another desk of that name). The desk that gave it
    has not, so sets still receive it.
    """

    key: str
    incident_id: str
    order: str
    team: str | None
    set_id: str | None
    text: str | None
    given_at: float
    desk_id: str
    meant: int
    acknowledged: int
    out: int
    waiting: tuple[str, ...]
    lifted_by: tuple[str, ...] = ()
    still_under_air: tuple[str, ...] = ()  # tallied out, perhaps still inside, and did not acknowledge it
    service: str = ""  # whose desk, where there are several services

    @property
    def unanswered(self) -> tuple[str, ...]:
        """Rows of all who may be inside and did not acknowledge it, whatever the tally says."""
        return self.waiting + self.still_under_air


class RollCallLine(msgspec.Struct, frozen=True):
    """An open roll call; `answers` are (wearer, set, team, state).

    The state is `called`, `answered` or `missing`; `no_tally` for a set whose wearer is not known (None).
    """

    key: str
    incident_id: str
    roll_id: str
    called_at: float
    answers: tuple[tuple[str | None, str, str | None, str], ...]
    complete_at: float | None
    still_under_air: tuple[str, ...] = ()  # wearers or sets, tallied out, perhaps still inside
    service: str = ""  # whose desk, where there are several services


class StandbyLine(msgspec.Struct, frozen=True):
    """An emergency team. It is not ready with members `inside`, and not inside once all of them are out."""

    incident_id: str
    team: str
    state: str
    at: float
    text: str | None
    inside: int = 0
    service: str = ""  # whose team, where there are several services
    out_at: float | None = None  # when the last of its members came out after it was sent in

    @property
    def code(self) -> str:
        """Its state, by the desk's word and the tallies."""
        if self.out_at is not None:
            return "out_again"
        return "inside" if self.state == "ready" and self.inside else self.state


class Contradiction(msgspec.Struct, frozen=True):
    """Two desks that said different things about one subject within 30 s: (desk, what it said ...) each.

    Other kinds, without `second`. `not_in`: an `out` of somebody who was not in. `whose`: an entry was closed
    of a set that several wearers are in with. `same_name`: two desks use one name. `not_theirs`: an alarm was
    closed for a wearer, or at an incident, that never had its set.
    """

    key: str
    kind: str
    incident_id: str
    about: str
    at: float
    first: tuple[str, ...]
    second: tuple[str, ...]


class Out(msgspec.Struct, frozen=True):
    """Somebody who came out: when, with how much, and until when the profile's rules ask for rest."""

    key: str
    wearer_id: str | None
    set_id: str
    team: str | None
    incident_id: str
    at: float
    pressure_bar: float | None
    under_air_s: float | None  # as far as heard
    pressure_at: float | None = None
    by_voice: bool = False
    heard_at_exit: bool = False  # the valve was heard to close, or air was heard until the exit
    inside_s: float = 0.0
    rest_until_at: float | None = None
    rest_source: str = ""
    # `tallied_out` or `resolved`; `valve_closed` without a tally. If nobody said out and the row is gone:
    # `forgotten`, or `incident_closed`.
    ended_how: str = "tallied_out"
    ended_by: str | None = None  # identity of the message that ended the entry
    service: str = ""
    breathes_on: bool = False  # heard under air after the exit that a desk said: it has a row

    @property
    def perhaps_inside(self) -> bool:
        """Whether no exit is known, so no rest either: never heard and nobody said out, or heard since."""
        return self.breathes_on or (self.under_air_s is None and self.ended_how == "incident_closed")


class IncidentRow(msgspec.Struct, frozen=True):
    """An open incident."""

    incident_id: str
    name: str | None
    place: str | None
    opened_at: float


class FromMemory(msgspec.Struct, frozen=True):
    """An alarm that is not cleared, or a tally *in*, that only the broker kept. It never counts."""

    who: str  # the set, or the wearer
    alarm: str | None  # None: a tally
    said_at: float  # by its speaker's clock


class Hearing(msgspec.Struct, frozen=True):
    """How well the messages arrive."""

    last_received_at: float | None
    received_last_minute: int
    refused_last_hour: int
    last_refusal: str | None
    delay_p95_s: float | None
    tallies_unread: int = 0  # refused tallies of the last 12 h whose wearer cannot be read
    began_at: float | None = None  # first message after the last pause of 12 h or more
    from_memory: tuple[FromMemory, ...] = ()  # not heard live, kept by the broker


class Snapshot(msgspec.Struct, frozen=True):
    """Everything of one moment; rows, teams and alarms in the order of need.

    - `desk_heard`: the latest desk messages in the archive (`desk_id/boot/seq`): what a page sent is done
      when it is among them.
    - `set_ids`, `services`: all that were heard of.
    - `incident_services`: the incidents that are shown, and those that a desk mentioned in the last six
      hours; for each, the services that have somebody or said something there.
    """

    at: float
    window_from_at: float
    rows: tuple[Row, ...]
    teams: tuple[Team, ...]
    alarms: tuple[AlarmLine, ...]
    prompts: tuple[Prompt, ...]
    notes: tuple[NoteLine, ...]
    incidents: tuple[IncidentRow, ...]
    hearing: Hearing
    desk_heard: tuple[str, ...]
    set_ids: tuple[str, ...]
    services: tuple[str, ...]
    orders: tuple[OrderLine, ...] = ()
    roll_calls: tuple[RollCallLine, ...] = ()
    standby: tuple[StandbyLine, ...] = ()
    contradictions: tuple[Contradiction, ...] = ()
    came_out: tuple[Out, ...] = ()
    incident_services: dict[str, tuple[str, ...]] = {}
