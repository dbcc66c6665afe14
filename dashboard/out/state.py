"""What the live page shows, and what happened on it, as JSON for a map, a vehicle terminal or a wall display.

One object for each incident, with the same figures as the page. Times are RFC 3339 on the listener's clock,
units are in the names. `board.schema.json` beside this module is the JSON Schema.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Literal

import msgspec

from analysis.live.rows import Interval, Row, Snapshot

SCHEMA = Path(__file__).with_name("board.schema.json")
CAUTION = (
    "underair does not replace the set's own alarms, entry control, radio or training. "
    "Do not use this state after stale_after."
)
NO_INCIDENT = "-"
STALE_AFTER_S = 15.0


class Minutes(msgspec.Struct, frozen=True):
    """Minutes from `made_at`: median, and the ends of the 90 % interval. Act on `low`."""

    median: float
    low: float
    high: float


class WearerState(msgspec.Struct, frozen=True):
    """One wearer, or one set under air that nobody tallied in.

    `attention` is the reason why the row is where it is; `not_accounted` says why nothing vouches for air.
    `pressure_bar` is the last reading; it is old when `silent_since` is given. With `by_voice` the wearer
    said it, and the set has said nothing since, or `other_bar`. `turn_back_by` and `low_air_by` are early
    ends as last known, where nobody forecasts. `team_turn_back_at` is when the team had to turn back.
    `also_in` names other incidents that list the same person, whom nobody tallied out at one of them.
    """

    set_id: str
    wearer_id: str | None
    team: str | None
    attention: str
    not_accounted: str | None
    entered_at: str | None
    tallied_in_at: str | None
    entry_bar: float | None
    pressure_bar: float | None
    pressure_at: str | None
    silent_since: str | None
    low_air_bar: float
    turn_back_bar: float | None
    turn_back_reached_at: str | None
    turn_back_min: Minutes | None
    low_air_min: Minutes | None
    empty_min: Minutes | None
    planned: bool
    by_voice: bool = False
    other_bar: float | None = None
    turn_back_by: str | None = None
    low_air_by: str | None = None
    team_turn_back_at: str | None = None
    also_in: tuple[str, ...] = ()


class AlarmState(msgspec.Struct, frozen=True):
    """One alarm that is raised, or over and not yet seen by a desk."""

    set_id: str
    wearer_id: str | None
    alarm: str
    raised_at: str
    derived: bool
    ended_at: str | None
    unknown_since: str | None
    seen_at: str | None


class BoardState(msgspec.Struct, frozen=True):
    """Everything that the live page shows of one incident, most urgent wearer first."""

    incident_id: str
    name: str | None
    made_at: str
    stale_after: str
    made_by: str
    caution: str
    wearers: tuple[WearerState, ...]
    alarms: tuple[AlarmState, ...]


def board_states(snapshot: Snapshot) -> dict[tuple[str, str], BoardState]:
    """Return the state of each incident, by service and incident.

    Wearers whom no tally ties to an incident are under ``-``.
    """
    rows: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for row in snapshot.rows:
        for incident_id in row.incidents or (NO_INCIDENT,):
            rows[row.service or NO_INCIDENT, incident_id].append(row)
    where = {row.key: (row.service or NO_INCIDENT, row.incident_id or NO_INCIDENT) for row in snapshot.rows}
    alarms: dict[tuple[str, str], list[AlarmState]] = defaultdict(list)
    for line in snapshot.alarms:
        alarms[where.get(line.row_key, (line.service, NO_INCIDENT))].append(
            AlarmState(
                set_id=line.set_id,
                wearer_id=line.wearer_id,
                alarm=line.alarm,
                raised_at=_moment(line.raised_at),
                derived=line.derived,
                ended_at=_moment_or_none(line.ended_at),
                unknown_since=_moment_or_none(line.unknown_since_at),
                seen_at=_moment_or_none(line.seen_at),
            )
        )
    names = {incident.incident_id: incident.name for incident in snapshot.incidents}
    return {
        place: BoardState(
            incident_id=place[1],
            name=names.get(place[1]),
            made_at=_moment(snapshot.at),
            stale_after=_moment(snapshot.at + STALE_AFTER_S),
            made_by=f"underair {version('underair')}",
            caution=CAUTION,
            wearers=tuple(_wearer(row, place[1]) for row in rows[place]),
            alarms=tuple(alarms[place]),
        )
        for place in sorted({*rows, *alarms})
    }


def _wearer(row: Row, incident_id: str) -> WearerState:
    return WearerState(
        set_id=row.set_id,
        wearer_id=row.wearer_id,
        team=row.team,
        attention=row.attention,
        not_accounted=None if row.lost is None else row.lost.code,
        entered_at=_moment_or_none(row.entered_at),
        tallied_in_at=_moment_or_none(row.tallied_in_at),
        entry_bar=row.entry_bar,
        pressure_bar=row.pressure_bar,
        pressure_at=_moment_or_none(row.pressure_at),
        silent_since=_moment_or_none(row.silent_since_at),
        low_air_bar=row.low_air_bar,
        turn_back_bar=row.turn_back_bar,
        turn_back_reached_at=_moment_or_none(row.turn_back_reached_at),
        turn_back_min=_minutes(row.turn_back),
        low_air_min=_minutes(row.low_air),
        empty_min=_minutes(row.to_empty),
        planned=row.planned,
        by_voice=row.by_voice,
        other_bar=row.other_bar,
        turn_back_by=_early(row.turn_back_was_expected_at),
        low_air_by=_early(row.low_air_was_expected_at),
        team_turn_back_at=next(
            (_moment_or_none(one.since_at) for one in row.reasons if one.code == "team_turn_back"), None
        ),
        also_in=tuple(name for name in row.incidents if name != incident_id),
    )


def _early(expected: tuple[float, float] | None) -> str | None:
    return None if expected is None else _moment(expected[0])


def _minutes(interval: Interval | None) -> Minutes | None:
    if interval is None:
        return None
    return Minutes(round(interval.median, 1), round(interval.low, 1), round(interval.high, 1))


def _moment(at_s: float) -> str:
    return datetime.fromtimestamp(at_s, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _moment_or_none(at_s: float | None) -> str | None:
    return None if at_s is None else _moment(at_s)


What = Literal["distress", "no_motion", "not_accounted", "evacuate"]
_ALARMS: dict[str, What] = {"distress": "distress", "no_motion": "no_motion", "evacuate": "evacuate"}


class Event(msgspec.Struct, frozen=True):
    """Something that began or ended."""

    key: str  # the same for the beginning and the end of one thing
    what: What
    state: Literal["raised", "ended"]
    at: float  # when it began or was found to have ended; seconds since 1970, the listener's clock
    service: str
    set_id: str | None
    wearer_id: str | None
    incident_id: str | None
    derived: bool  # found by underair; otherwise the set or the desk said it


def standing(snapshot: Snapshot) -> dict[str, Event]:
    """Return everything of these kinds that lasts at this moment, by key."""
    events = [
        Event(
            key=line.key,
            what=_ALARMS[line.alarm],
            state="raised",
            at=line.raised_at,
            service=line.service,
            set_id=line.set_id,
            wearer_id=line.wearer_id,
            incident_id=line.incident_id,
            derived=line.derived,
        )
        for line in snapshot.alarms
        if line.alarm in _ALARMS and line.ended_at is None
    ]
    events += [
        Event(
            key=f"{row.key} not accounted {row.lost.since_at:.3f}",
            what="not_accounted",
            state="raised",
            at=row.lost.since_at,
            service=row.service,
            set_id=row.set_id,
            wearer_id=row.wearer_id,
            incident_id=row.incident_id,
            derived=True,
        )
        for row in snapshot.rows
        if row.lost is not None  # also below a distress
    ]
    return {event.key: event for event in events}


def between(before: Mapping[str, Event], now: Mapping[str, Event], at: float) -> Iterable[Event]:
    """Return what began and what ended between two moments, in the order of time."""
    began = [event for key, event in now.items() if key not in before]
    ended = [
        msgspec.structs.replace(event, state="ended", at=at)
        for key, event in before.items()
        if key not in now
    ]
    return sorted([*began, *ended], key=lambda event: event.at)
