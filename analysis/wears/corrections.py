"""What a desk corrects: both messages stay in the record, and the earlier one no longer counts."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from analysis.records import PowerUp

Row = Mapping[str, Any]
KEPT_BY_BROKER = "order"  # who connects later must obey it, too: a retained one counts, from its own time


@dataclass(frozen=True, slots=True)
class DeskWord:
    """One message of a desk, heard live; its moment is in microseconds since 1970 on the reconciled clock."""

    at_us: int
    time_us: int
    identity: str
    desk_id: str
    seq: int
    row: Row
    heard_us: int
    retained: bool = False


def said(records: Sequence[PowerUp], kind: str) -> list[DeskWord]:
    """Return all messages of one kind that desks sent, in order of time; retained ones only if orders."""
    return sorted(_said(records, kind), key=lambda one: (one.at_us, one.identity))


def _said(records: Sequence[PowerUp], kind: str) -> Iterator[DeskWord]:
    for power_up in records:
        channel = power_up.channels.get(kind) if power_up.role == "desk" else None
        if channel is None:
            continue
        for position, row in enumerate(channel.rows):
            retained = bool(channel.retained[position])
            if not retained or kind == KEPT_BY_BROKER:
                time_us = int(channel.time_us[position])
                at_us = time_us if retained else int(channel.at_us[position])
                seq = int(channel.seq[position])
                heard_us = int(channel.received_us[position])
                yield DeskWord(
                    at_us, time_us, power_up.identity(seq), power_up.name, seq, row, heard_us, retained
                )


def corrections(messages: Sequence[DeskWord]) -> dict[str, str]:
    """Return for each correction the message that it replaces, by identities.

    A message that was not heard cannot be corrected, and none is corrected twice.

    - `messages`: of one kind, in order of time.
    """
    heard = {one.identity for one in messages}
    found: dict[str, str] = {}
    for one in messages:
        old = corrected_in(one.row)
        known = old is not None and old in heard and old not in found.values()
        if old is not None and known and not _in_its_place(old, one.identity, found):
            found[one.identity] = old
    return found


def corrected_in(row: Row) -> str | None:
    """Return the identity of the message that a message names as corrected."""
    corrects = row.get("corrects")
    return (
        f"{corrects['desk_id']}/{corrects['boot']}/{corrects['seq']}" if isinstance(corrects, dict) else None
    )


def _in_its_place(identity: str, other: str, found: Mapping[str, str]) -> bool:
    """Return whether a message replaces another, also through others: two must not replace each other."""
    while identity != other and identity in found:
        identity = found[identity]
    return identity == other


def moment_of(identity: str, corrected: Mapping[str, str], at_us: Mapping[str, int]) -> int:
    """Return from when a message counts: its own moment, or that of the first message that it replaces."""
    seen = {identity}
    while (old := corrected.get(identity)) is not None and old not in seen:
        seen.add(old)
        identity = old
    return at_us[identity]


@dataclass(frozen=True, slots=True)
class Settlement:
    """A person's word that an alarm (None: an entry) is settled; microseconds since 1970."""

    at_us: int
    set_id: str
    incident_id: str
    alarm: str | None
    text: str
    identity: str
    wearer_id: str | None = None  # None: whoever was in with the set
    heard_us: int = 0  # when the listener received it

    def is_about(self, wearer_id: str | None) -> bool:
        """Return whether it may be about this wearer."""
        return self.wearer_id is None or self.wearer_id == wearer_id


def read_resolved(records: Sequence[PowerUp]) -> list[Settlement]:
    """Return what desks settled, in order of time.

    A correction with the same set and alarm only withdraws the earlier message: nothing is settled.
    """
    messages = said(records, "resolved")
    corrected = corrections(messages)
    rows = {one.identity: one.row for one in messages}
    gone = set(corrected.values())
    gone |= {new for new, old in corrected.items() if _about(rows[new]) == _about(rows[old])}
    return [
        Settlement(
            one.at_us,
            one.row["set_id"],
            one.row["incident_id"],
            one.row["alarm"],
            one.row["text"],
            one.identity,
            one.row["wearer_id"],
            one.heard_us,
        )
        for one in messages
        if one.identity not in gone
    ]


def of_those_in(resolved: Sequence[Settlement], tallies: Iterable[Row]) -> list[Settlement]:
    """Return the words that count: one about an alarm names nobody who never had the set.

    Nor an incident in which it never was. A set that no desk ever tallied may be of any incident.

    - `tallies`: every `tally` message, corrected or not.
    """
    known: dict[str, tuple[set[str], set[str]]] = {}
    for row in tallies:
        incidents, wearers = known.setdefault(row["set_id"], (set(), set()))
        incidents.add(row["incident_id"])
        wearers.add(row["wearer_id"])
    found = []
    for one in resolved:
        incidents, wearers = known.get(one.set_id, ({one.incident_id}, {one.wearer_id or ""}))
        if one.alarm is None or (one.incident_id in incidents and {one.wearer_id} <= {None, *wearers}):
            found.append(one)
    return found


def _about(row: Row) -> tuple[object, object]:
    return row["set_id"], row["alarm"]
