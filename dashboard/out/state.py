"""What the live page shows, and what happened on it, as JSON for a map, a vehicle terminal or a wall display.

One object for each incident, with the same figures as the page. Times are RFC 3339 on the listener's clock,
units are in the names. `board.schema.json` beside this module is the JSON Schema.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from importlib.metadata import version
from operator import attrgetter
from pathlib import Path
from typing import Any, Literal, TypeVar

import msgspec

from analysis.live.rows import AlarmLine, Interval, OrderLine, Row, Snapshot

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
    said it, and the set has said nothing since, or reads `other_bar`: then it is what they said less what the
    set has fallen since. `sent_bar` is what the set sends and nobody can believe. `turn_back_by` and
    `low_air_by` are early ends as last known, where nobody forecasts. `team_turn_back_at` is when the team
    had to turn back.
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
    sent_bar: float | None = None
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


class OrderState(msgspec.Struct, frozen=True):
    """An order in force: to a team, a set, or everybody; `waiting` are those who have not acknowledged it.

    They include people who were tallied out but may still be inside; `meant` does not count these.
    """

    order: str
    team: str | None
    set_id: str | None
    given_at: str
    desk_id: str
    meant: int
    acknowledged: int
    out: int
    waiting: tuple[str, ...]


class BoardState(msgspec.Struct, frozen=True):
    """Wearers, alarms and orders of one incident, most urgent wearer first; the live page shows more."""

    incident_id: str
    name: str | None
    made_at: str
    stale_after: str
    made_by: str
    caution: str
    wearers: tuple[WearerState, ...]
    alarms: tuple[AlarmState, ...]
    orders: tuple[OrderState, ...] = ()


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
        place = where.get(line.row_key, (line.service, NO_INCIDENT))
        alarms[place].append(_of(AlarmState, line))
    orders: dict[tuple[str, str], list[OrderState]] = defaultdict(list)
    who = {row.key: row.wearer_id or row.set_id for row in snapshot.rows}
    for order in snapshot.orders:
        waiting = tuple(who.get(key, key) for key in order.unanswered)
        orders[_service_of(order, snapshot), order.incident_id].append(
            _of(OrderState, order, waiting=waiting)
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
            orders=tuple(orders[place]),
        )
        for place in sorted({*rows, *alarms, *orders})
    }


def _service_of(order: OrderLine, snapshot: Snapshot) -> str:
    """Return whose order it is; a line names it only where there are several."""
    return order.service or next(iter(snapshot.services), NO_INCIDENT)


State = TypeVar("State", WearerState, AlarmState, OrderState)
_OF = {
    "silent_since": "silent_since_at",
    "unknown_since": "unknown_since_at",
    "turn_back_min": "turn_back",
    "low_air_min": "low_air",
    "empty_min": "to_empty",
    "turn_back_by": "turn_back_was_expected_at",
    "low_air_by": "low_air_was_expected_at",
}
"""Fields that the board has under another name."""


def _of(kind: type[State], source: Row | AlarmLine | OrderLine, **own: Any) -> State:
    """Return a state of the source's fields (moments as text, of expected ones the early end) and its own."""
    for name in kind.__struct_fields__:
        if name not in own:
            theirs = _OF.get(name, name)
            value = getattr(source, theirs)
            if isinstance(value, Interval):
                value = Minutes(*(round(one, 1) for one in (value.median, value.low, value.high)))
            elif theirs.endswith("_at") and value is not None:
                value = _moment(value[0] if isinstance(value, tuple) else value)
            own[name] = value
    return kind(**own)


def _wearer(row: Row, incident_id: str) -> WearerState:
    since_at = next((one.since_at for one in row.reasons if one.code == "team_turn_back"), None)
    return _of(
        WearerState,
        row,
        not_accounted=None if row.lost is None else row.lost.code,
        team_turn_back_at=None if since_at is None else _moment(since_at),
        also_in=tuple(name for name in row.incidents if name != incident_id),
    )


def _moment(at_s: float) -> str:
    return datetime.fromtimestamp(at_s, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


What = Literal["distress", "no_motion", "not_accounted", "evacuate", "evacuate_ordered"]
_ALARMS: dict[str, What] = {"distress": "distress", "no_motion": "no_motion", "evacuate": "evacuate"}


class Event(msgspec.Struct, frozen=True):
    """Something that began or ended.

    `key`: the same for the beginning and the end of one thing. It has no moment in it: a new fit of a set's
    clock moves moments, and so does a restart.
    """

    key: str
    what: What
    state: Literal["raised", "ended"]
    at: float  # when it began or was found to have ended; seconds since 1970, the listener's clock
    began_at: float  # as first sent
    service: str
    set_id: str | None
    wearer_id: str | None
    incident_id: str | None
    derived: bool  # found by underair; otherwise the set or the desk said it
    team: str | None = None  # to which it was ordered; neither set nor team: everybody


def standing(snapshot: Snapshot) -> dict[str, Event]:
    """Return everything of these kinds that lasts at this moment, by key.

    An alarm lasts as long as the page shows it: until it is over and a desk has seen it.
    """
    events = [
        _event(
            line, f"{line.service}/{line.set_id}/{line.wearer_id or '-'}", what, line.raised_at, line.derived
        )
        for line in sorted(snapshot.alarms, key=lambda line: line.raised_at)
        if (what := _ALARMS.get(line.alarm)) is not None
    ]
    for row in snapshot.rows:
        if row.lost is not None:  # also below a distress
            events.append(_event(row, row.key, "not_accounted", row.lost.since_at, derived=True))
    for order in snapshot.orders:
        if order.order == "evacuate":
            about = (_service_of(order, snapshot), order.set_id, None, order.incident_id)
            at = order.given_at
            key = f"{order.key} ordered"
            events.append(
                Event(key, "evacuate_ordered", "raised", at, at, *about, derived=False, team=order.team)
            )
    return {event.key: event for event in reversed(events)}  # if two have one key, the first


def _event(of: AlarmLine | Row, who: str, what: What, at: float, derived: bool) -> Event:
    about = (of.service, of.set_id, of.wearer_id, of.incident_id)
    return Event(f"{who} {what}", what, "raised", at, at, *about, derived)


def between(before: Mapping[str, Event], now: Mapping[str, Event], at: float) -> Iterable[Event]:
    """Return what ended and then what began between two moments, each in the order of time."""
    ended = [
        msgspec.structs.replace(event, state="ended", at=at)
        for key, event in before.items()
        if key not in now
    ]
    began = [event for key, event in now.items() if key not in before]
    return [*sorted(ended, key=attrgetter("began_at")), *sorted(began, key=attrgetter("began_at"))]
