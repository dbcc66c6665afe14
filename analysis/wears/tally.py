"""The desk's tally: who was in, with which set, for which incident, from when to when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from analysis.records import PowerUp
from ingest.archive.index import later_note

FORGOTTEN_AFTER_US = 12 * 3600 * 1_000_000
"""A tally that nobody closed counts for so long at most, else it would claim the next day. Our own rule."""


def written_then() -> pl.Expr:
    """Tell notes written during an incident from those brought in later (a radio log, days after).

    What was brought in later says nothing about when the incident was.
    """
    return ~later_note()


@dataclass(frozen=True, slots=True)
class Tally:
    """One `in`, and the `out` that belongs to it, on the reconciled clock (microseconds since 1970).

    Attributes
    ----------
    ended_us : int
        When it stops to count: `out`, the next `in` of the set, the incident's close, or 12 hours.
    out_us : int or None
        When the wearer was tallied out; None when nobody did.
    closed : bool
        Whether the incident was closed after it (only then a missing `out` is a fault).
    replaced : bool
        Whether another `in` of the set in the same incident ended it: the desk corrected itself.
    """

    set_id: str
    incident_id: str
    wearer_id: str
    team: str | None
    task: str | None
    in_us: int
    ended_us: int
    out_us: int | None
    closed: bool
    in_identity: str
    out_identity: str | None
    replaced: bool


@dataclass(frozen=True, slots=True)
class Incident:
    """An incident as the desk opened and closed it; either may be unknown."""

    incident_id: str
    opened_us: int | None
    closed_us: int | None


def read_incidents(records: Sequence[PowerUp]) -> dict[str, Incident]:
    """Return the incidents that desks spoke of: first `open`, last `close`."""
    opened: dict[str, int] = {}
    closed: dict[str, int] = {}
    names: set[str] = set()
    for power_up in records:
        for kind in ("incident", "tally", "note") if power_up.role == "desk" else ():
            channel = power_up.channels.get(kind)
            for position, row in enumerate(channel.rows if channel else ()):
                name, at_us = row["incident_id"], int(channel.at_us[position]) if channel else 0
                names.add(name)
                if kind == "incident" and row["action"] == "open":
                    opened[name] = min(at_us, opened.get(name, at_us))
                elif kind == "incident" and row["action"] == "close":
                    closed[name] = max(at_us, closed.get(name, at_us))
    return {name: Incident(name, opened.get(name), closed.get(name)) for name in sorted(names)}


def read_tallies(records: Sequence[PowerUp], incidents: dict[str, Incident]) -> list[Tally]:
    """Pair every `in` with its `out`, by set, in order of reconciled time.

    An `in` while the set is in already replaces the earlier one from that moment (the desk corrected it).
    """
    entries: dict[str, list[tuple[int, str, str, str, str | None, str | None, str]]] = {}
    for power_up in records:
        channel = power_up.channels.get("tally") if power_up.role == "desk" else None
        for position, row in enumerate(channel.rows if channel else ()):
            at_us = int(channel.at_us[position]) if channel else 0
            identity = power_up.identity(int(channel.seq[position])) if channel else ""
            entries.setdefault(row["set_id"], []).append(
                (
                    at_us,
                    identity,
                    row["action"],
                    row["incident_id"],
                    row["team"],
                    row["task"],
                    row["wearer_id"],
                )
            )
    tallies: list[Tally] = []
    for set_id in sorted(entries):
        ordered = sorted(entries[set_id], key=lambda entry: entry[:2])
        for number, (at_us, identity, action, incident_id, team, task, wearer_id) in enumerate(ordered):
            if action != "in":
                continue
            following = ordered[number + 1] if number + 1 < len(ordered) else None
            out = following if following is not None and following[2] == "out" else None
            incident = incidents.get(incident_id)
            closed_us = incident.closed_us if incident else None
            ended_us = at_us + FORGOTTEN_AFTER_US
            if following is not None:
                ended_us = min(ended_us, following[0])
            if closed_us is not None and closed_us > at_us and out is None:
                ended_us = min(ended_us, closed_us)
            again = following is not None and following[2:4] == ("in", incident_id)
            tallies.append(
                Tally(
                    set_id=set_id,
                    incident_id=incident_id,
                    wearer_id=wearer_id,
                    team=team,
                    task=task,
                    in_us=at_us,
                    ended_us=ended_us,
                    out_us=out[0] if out else None,
                    closed=closed_us is not None and closed_us > at_us,
                    in_identity=identity,
                    out_identity=out[1] if out else None,
                    replaced=again and following is not None and ended_us == following[0],
                )
            )
    return tallies


def tally_of(tallies: Sequence[Tally], started_us: int, ended_us: int) -> Tally | None:
    """Return the tally that overlaps a wear most; None when none does. Of equals the earlier."""
    best, most = None, -1
    for tally in tallies:
        overlap = min(tally.ended_us, ended_us) - max(tally.in_us, started_us)
        if overlap > most and overlap >= 0:
            best, most = tally, overlap
    return best


def two_at_once(tallies: Sequence[Tally]) -> list[tuple[Tally, Tally]]:
    """Return every two tallies by which one wearer was in with two sets at the same time."""
    ordered = sorted(tallies, key=lambda tally: (tally.in_us, tally.in_identity))
    found = []
    for number, tally in enumerate(ordered):
        for other in ordered[number + 1 :]:
            if other.in_us >= tally.ended_us:
                break
            if other.wearer_id == tally.wearer_id and other.set_id != tally.set_id:
                found.append((tally, other))
    return found
