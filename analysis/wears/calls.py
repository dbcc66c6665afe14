"""Orders and roll calls of desks: what is in force, and how each person who was in then answered."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from analysis.records import PowerUp
from analysis.wears.corrections import DeskWord, said
from analysis.wears.entries import Entry
from analysis.wears.tally import Stay
from ingest.contract.kinds import DESK_KINDS

ACKNOWLEDGED_BY_VOICE = {
    "evacuate": "Order to evacuate acknowledged by voice",
    "withdraw": "Order to withdraw acknowledged by voice",
}
"""A note about a set that has these words and no others acknowledges this order."""
ACKNOWLEDGED_THE_ONE = "Order acknowledged by voice"  # of older desks: it means the one order in force then
ROLL_CALL = "roll_call"
KINDS = ("incident", "order", "roll_call", "note")

Record = dict[str, Any]
OrderKey = tuple[str, str, str, str, str]  # incident, order, team, set, desk


@dataclass
class GivenOrder:
    """An order from when it was first given until it was lifted, seconds since 1970."""

    key: OrderKey
    identity: str
    given_at: float
    lifted_at: float | None = None
    over_at: float | None = None  # when its incident was closed; given again, it is a new order
    service: str | None = None

    def is_in_force(self, at: float) -> bool:
        """Return whether it was given, and neither lifted nor over."""
        return self.given_at <= at < min(self.lifted_at or math.inf, self.over_at or math.inf)


@dataclass
class Roll:
    """A roll call, seconds since 1970."""

    incident_id: str
    called_at: float | None = None
    closed_at: float | None = None
    called_by: str | None = None  # identity of the call
    callers: set[str] = field(default_factory=set)  # speakers that called it and have not closed it
    answers: dict[tuple[str, str], tuple[float, str]] = field(default_factory=dict)  # (what, name): at, state
    missing: dict[str, tuple[float, str]] = field(default_factory=dict)  # by wearer: since when, message

    def answer_for(self, stay: Stay) -> tuple[float, str] | None:
        """Return when and how somebody was answered for since going in: by name, or by the team of that time.

        Whoever is missing by name is found by name only: the rest of the team may answer before.
        """
        in_at = stay.in_us * 1e-6
        by_name = self.answers.get(("wearer", stay.wearer_id))
        if by_name is not None and by_name[0] < in_at:
            by_name = None
        if by_name is not None and by_name[1] == "missing":
            return by_name
        found = [by_name] if by_name is not None else []
        for (what, name), answer in self.answers.items():
            then = [one.team for one in stay.tallies if one.in_us * 1e-6 <= answer[0]]
            if what == "team" and then[-1:] == [name]:
                found.append(answer)
        return max(found, default=None)


def is_meant(team: str, set_id: str, own_team: str | None, own_set_id: str) -> bool:
    """Return whether an order means somebody: everybody, or by team or set."""
    return not (team or set_id) or (team != "" and own_team == team) or own_set_id == set_id


@dataclass(frozen=True)
class SharedName:
    """Two power-ups under one desk's name whose messages about an incident alternate; seconds since 1970."""

    incident_id: str
    desk_id: str
    boots: tuple[str, str]
    at: float  # since when the second spoke too
    until: float
    evidence: tuple[str, str]  # messages: the second's first, the first's last


class DeskCalls:
    """All orders and roll calls; `take` each desk message once, in order of time.

    A speaker is `desk_id/boot`. If a speaker began after another of the same name fell silent, the desk was
    restarted, and the new one speaks for it. If their messages alternate, they are two desks: neither ends
    what the other gave.

    - `words`: all that desks said, also later: a desk that is heard again was not restarted.
    """

    def __init__(self, words: Iterable[DeskWord] = ()) -> None:
        self.orders: dict[OrderKey, tuple[float, bool, Record]] = {}  # when given or lifted, whether in force
        self.given: list[GivenOrder] = []
        self.rolls: dict[tuple[str, str], Roll] = {}
        self.voice: dict[tuple[str, str], list[float]] = {}  # by set and order: when it was acknowledged
        self.not_lifted: set[OrderKey] = set()  # only another desk of the same name lifted it
        self._open: dict[OrderKey, GivenOrder] = {}
        self._holders: dict[OrderKey, set[str]] = {}  # speakers that gave it and have not lifted it
        # By incident and speaker: its first and its last message about it, each (moment, identity).
        self._spoke: dict[tuple[str, str], tuple[tuple[float, str], tuple[float, str]]] = {}
        for word in words:
            incident_id = word.row.get("incident_id")
            if incident_id is not None and not word.retained:
                key, one = (incident_id, _speaker(word.identity)), (word.at_us * 1e-6, word.identity)
                first, last = self._spoke.get(key, (one, one))
                self._spoke[key] = min(first, one), max(last, one)

    def shared_names(self) -> list[SharedName]:
        """Return by incident which desk's name two desks used at once."""
        found: dict[tuple[str, str], SharedName] = {}
        latest: dict[tuple[str, str], tuple[float, str]] = {}  # the last message of all so far
        for (incident_id, speaker), (first, last) in sorted(self._spoke.items(), key=lambda one: one[1]):
            desk_id, _, boot = speaker.rpartition("/")
            key = (incident_id, desk_id)
            until = latest.get(key, (float("-inf"), ""))
            if first <= until:
                boots = (_speaker(until[1]).rpartition("/")[2], boot)
                evidence = first[1], until[1]
                found.setdefault(key, SharedName(*key, boots, first[0], min(last, until)[0], evidence))
            latest[key] = max(until, last)
        return list(found.values())

    def _speaks_for(self, incident_id: str, speaker: str, other: str) -> bool:
        """Return whether a speaker is another, or the same desk restarted."""
        if speaker == other or speaker.rpartition("/")[0] != other.rpartition("/")[0]:
            return speaker == other
        mine, its = self._spoke.get((incident_id, speaker)), self._spoke.get((incident_id, other))
        return mine is None or its is None or its[1] < mine[0]

    def take(self, kind: str, record: Record, at: float) -> None:
        """Take one desk message, spoken at `at` (seconds since 1970)."""
        match kind:
            case "incident" if record["action"] == "close":
                for one in self._open.values():
                    if one.over_at is None and one.key[0] == record["incident_id"]:
                        one.over_at = at
            case "order":
                self._order(record, at)
            case "roll_call":
                self._roll_call(record, at)
            case "note":
                self._note(record, at)

    def _put(self, key: OrderKey, at: float, record: Record, *, given: bool, speaker: str) -> None:
        holders = self._holders.setdefault(key, set())
        if given:
            holders.add(speaker)
        else:
            holders -= {one for one in holders if self._speaks_for(key[0], speaker, one)}
            if holders:
                self.not_lifted.add(key)
                return
        self.not_lifted.discard(key)
        self.orders[key] = (at, given, record)
        last = self._open.get(key)
        if given and (last is None or last.over_at is not None):
            self._open[key] = GivenOrder(key, record["identity"], at, service=record.get("service"))
            self.given.append(self._open[key])
        elif not given and last is not None:
            self._open.pop(key).lifted_at = at

    def _order(self, record: Record, at: float) -> None:
        desk_id, standing, speaker = record["desk_id"], record["standing"], _speaker(record["identity"])
        same = (record["incident_id"], record["order"], record["team"] or "", record["set_id"] or "")
        self._put((*same, desk_id), at, record, given=record["state"] == "given", speaker=speaker)
        if standing is None:
            return
        # Every order that it lists is in force, even if the message that gave it was lost. An order that this
        # speaker gave or listed before, and does not list now, is lifted. It may not know another's orders.
        listed = {
            (one["incident_id"], one["order"], one["team"] or "", one["set_id"] or ""): one[
                "since"
            ].timestamp()
            for one in standing
        }
        for key, (said_at, given, was) in list(self.orders.items()):
            known = key[4] == desk_id and speaker in self._holders[key]
            if known and given and key[:4] not in listed and said_at <= at:
                self._put(key, at, was, given=False, speaker=speaker)
        for name, since_at in listed.items():
            if self.orders.get((*name, desk_id), (0.0, False, None))[1]:
                self._holders[*name, desk_id].add(speaker)
            else:
                self._put((*name, desk_id), since_at, record | {"text": None}, given=True, speaker=speaker)

    def _roll_call(self, record: Record, at: float) -> None:
        roll = self.rolls.setdefault((record["incident_id"], record["roll_id"]), Roll(record["incident_id"]))
        state, speaker = record["state"], _speaker(record["identity"])
        if state == "called":
            roll.callers.add(speaker)
            if roll.called_at is None:
                roll.called_at, roll.called_by = at, record["identity"]
        elif state == "closed":
            # Any desk may close it; but a desk that called it, too, closes only its own call.
            own = {one for one in roll.callers if self._speaks_for(record["incident_id"], speaker, one)}
            roll.callers -= own or roll.callers
            roll.closed_at = None if roll.callers else at
        else:
            what = "wearer" if record["wearer_id"] else "team"
            name = record["wearer_id"] or record["team"] or ""
            roll.answers[what, name] = at, state
            if state == "missing" and what == "wearer":
                roll.missing.setdefault(name, (at, record["identity"]))

    def _note(self, record: Record, at: float) -> None:
        text, incident_id = record["text"].strip(), record["incident_id"]
        names = {order for order, words in ACKNOWLEDGED_BY_VOICE.items() if words == text}
        if text == ACKNOWLEDGED_THE_ONE:
            names = {key[1] for key, (_, given, _) in self.orders.items() if given and key[0] == incident_id}
        if record["set_id"] and len(names) == 1:
            self.voice.setdefault((record["set_id"], names.pop()), []).append(at)


@dataclass(frozen=True, slots=True)
class Call:
    """An order or a roll call; microseconds since 1970."""

    incident_id: str
    kind: str  # `evacuate`, `withdraw` or `roll_call`
    about: str  # roll call: its name; order: whom it named, empty for everybody
    identity: str | None  # of the message that called
    called_us: int
    ended_us: int | None  # when it was lifted or closed
    service: str | None = None  # of an order


@dataclass(frozen=True, slots=True)
class CallAnswer:
    """One person who was in when desks called for something; microseconds since 1970."""

    call: Call
    wearer_id: str | None
    # The set that acknowledged, else the tally's at that time; None: a desk missed somebody without a tally.
    set_id: str | None
    team: str | None
    answered_us: int | None = None  # acknowledged by set or voice; answered for
    missing_us: int | None = None
    missing_by: str | None = None  # identity of the message that said so
    out_us: int | None = None
    under_air_until_us: int | None = None  # when last heard under air, if long after the tally out
    in_us: int | None = None  # when the person went in, if the order was in force by then
    reached: bool = True  # whether the order went to the person's service


def read_calls(records: Sequence[PowerUp]) -> DeskCalls:
    """Return all that desks called for."""
    words = [(one, kind) for kind in KINDS for one in said(records, kind)]
    calls = DeskCalls(one for kind in DESK_KINDS for one in said(records, kind))
    for one, kind in sorted(words, key=lambda word: (word[0].at_us, word[0].desk_id, word[0].seq)):
        calls.take(kind, {**one.row, "desk_id": one.desk_id, "identity": one.identity}, one.at_us * 1e-6)
    return calls


def answers(
    calls: DeskCalls, entries: Sequence[Entry], acknowledged: Mapping[str, Sequence[int]]
) -> list[CallAnswer]:
    """Return how each person who was in at an order or a roll call answered, in order of calls and entries.

    Whoever went in while an order was in force had to follow it, too.

    - `acknowledged`: by set, when it acknowledged an evacuation alarm.

    A set that nobody tallied in counts where it was under air then, as on the live page.
    """
    found = []
    services = {tally.service for entry in entries if entry.stay for tally in entry.stay.tallies}
    for order in calls.given:
        incident_id, name, team, set_id, _ = order.key
        for entry in entries:
            who, in_us = _in_then(entry, incident_id, _us(order.given_at)), None
            if who is None and order.is_in_force(entry.began_us * 1e-6):
                in_us = entry.began_us
                who = _in_then(entry, incident_id, in_us)
            if who is None or not is_meant(team, set_id, who[1], who[0]):
                continue
            sets = {who[0], *entry.set_ids}
            times = [(at, one) for one in sets for at in acknowledged.get(one, ()) if name == "evacuate"]
            times += [(_us(at), one) for one in sets for at in calls.voice.get((one, name), ())]
            first = min((one for one in times if one[0] >= _us(order.given_at)), default=None)
            answered, of_set = first or (None, who[0])
            named = (f"team {team}" if team else "", f"set {set_id}" if set_id else "")
            about = " and ".join(filter(None, named))
            ended_us, service = _us(order.lifted_at), order.service
            call = Call(incident_id, name, about, order.identity, _us(order.given_at), ended_us, service)
            # Whose set nobody tallied in is not known: it is of any service that is there.
            own = {entry.stay.tallies[-1].service} if entry.stay is not None else services or {service}
            out_us, under_air_us = _out_us(entry)
            found.append(
                CallAnswer(
                    *(call, entry.wearer_id, of_set, who[1], answered, None, None),
                    *(out_us, under_air_us, in_us, service in own),
                )
            )
    for (incident_id, roll_id), roll in calls.rolls.items():
        called_at = roll.called_at or min((at for at, _ in roll.answers.values()), default=None)
        if called_at is None:
            continue
        call = Call(incident_id, ROLL_CALL, roll_id, roll.called_by, _us(called_at), _us(roll.closed_at))
        for entry in entries:
            missing = roll.missing.get(entry.wearer_id or "")
            moment_us = _us(missing[0]) if missing is not None else _us(called_at)
            who = _in_then(entry, incident_id, _us(called_at)) or _in_then(entry, incident_id, moment_us)
            if who is None:
                continue
            answer = roll.answer_for(entry.stay) if entry.stay is not None else None
            answered = _us(answer[0]) if answer is not None and answer[1] == "answered" else None
            missing_us, missing_by = (moment_us, missing[1]) if missing is not None else (None, None)
            found.append(
                CallAnswer(call, entry.wearer_id, *who, answered, missing_us, missing_by, *_out_us(entry))
            )
        unknown = roll.missing.keys() - {one.wearer_id for one in found if one.call == call}
        for wearer_id in sorted(unknown):
            (at, by), (last_at, state) = roll.missing[wearer_id], roll.answers["wearer", wearer_id]
            answered = _us(last_at) if state == "answered" else None
            found.append(CallAnswer(call, wearer_id, None, None, answered, _us(at), by))
    return sorted(found, key=lambda one: (one.call.called_us, one.call.kind, one.call.about))


def _speaker(identity: str) -> str:
    return identity.rpartition("/")[0]


def _us(at: float | None) -> Any:
    return None if at is None else round(at * 1e6)


def _in_then(entry: Entry, incident_id: str, at_us: int) -> tuple[str, str | None] | None:
    """Return set and team of an entry at a moment; None for somebody who was not in then."""
    stay = entry.stay
    if stay is None:
        there = entry.wears and entry.wears[0].started_us <= at_us <= entry.wears[-1].ended_us
        return (entry.wears[-1].set_id, None) if there else None
    # Somebody who is tallied out and still breathes for minutes may be inside.
    until_us = max(stay.ended_us, entry.under_air_until_us or 0) if stay.ended_us else at_us + 1
    if stay.incident_id != incident_id or not stay.in_us <= at_us < until_us:
        return None
    tally = [one for one in stay.tallies if one.in_us <= at_us][-1]
    return tally.set_id, tally.team


def _out_us(entry: Entry) -> tuple[int | None, int | None]:
    """Return when a desk said that somebody was out; and until when the set used air, if long after that."""
    said = entry.ended_how in ("tallied_out", "resolved")
    return (entry.ended_us, entry.under_air_until_us) if said else (None, None)
