"""What happened between two states of the live board that another system must know at once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Literal

import msgspec

from analysis.live.rows import Snapshot

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
    incident_of = {row.set_id: row.incident_id for row in snapshot.rows}
    events = [
        Event(
            key=line.key,
            what=_ALARMS[line.alarm],
            state="raised",
            at=line.raised_at,
            service=line.service,
            set_id=line.set_id,
            wearer_id=line.wearer_id,
            incident_id=incident_of.get(line.set_id),
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
        if row.lost is not None and row.attention == "not_accounted"
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
