"""The desk's tally: who went in with which set, for which incident, and who said that they are out.

- A wearer's entry begins with an `in` and ends only when somebody says so: `out`, `resolved`, or the incident
  is closed and no `out` follows. Meanwhile it claims one set after another.
- Another `in` of the same wearer in the same incident continues the entry; another set moves the claim.
- If two open entries claim a set, the one that claimed it last has it. The other gets it back when that one
  moves on to another set or is tallied out.
- A corrected message counts as never said, and the correction counts at its moment.
- An `out` with the wearer whom a corrected `in` named is the same slip: it ends the corrected entry. Any
  other `out` of somebody who is not in ends nothing; it is kept and reported.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import polars as pl

from analysis.records import PowerUp
from analysis.wears.corrections import Row, corrections, moment_of, read_resolved, said
from ingest.archive.index import later_note

FORGOTTEN_AFTER_US = 12 * 3600 * 1_000_000
"""A tally that nobody ended claims its set for so long at most: not the next day's wears; its entry stays
open. For so long after an incident is closed an `out` still counts. Our own rule."""

USED_AGAIN_US = 24 * 3600 * 1_000_000
"""If desks were silent about an incident for so long, the next `open` or `in` begins another one of the same
name. Our own rule."""
USED_AFTER_CLOSE_US = 6 * 3600 * 1_000_000
"""The same for an `open`, if every earlier `open` was closed. Our own rule."""


Keys = Mapping[str, Sequence[tuple[int, str]]]
SPOKEN_EARLIER_US = 3 * 3600 * 1_000_000
"""A tally may count from so long before the first word about its incident: half the shortest pause between
two uses of a name."""


def written_then() -> pl.Expr:
    """Select notes written during an incident: one imported later does not say when the incident was."""
    return ~later_note()


@dataclass(slots=True)
class TallyEntry:
    """One `in` and what became of it; microseconds since 1970 on the reconciled clock."""

    set_id: str
    incident_id: str
    wearer_id: str
    team: str | None
    task: str | None
    in_us: int  # from when it counts: its own moment, or that of the tally that it corrects
    said_us: int  # when the desk said it
    in_identity: str
    desk_id: str
    # When it claims its set: until `out`, the next `in` of wearer or set, the end of the entry, or 12 h.
    spans: list[tuple[int, int]] = field(default_factory=list)
    out_us: int | None = None  # when the wearer was tallied out; None when nobody did
    out_identity: str | None = None
    closed: bool = False  # whether the incident was closed after it (only then a missing `out` is a fault)
    replaced: bool = False  # whether the same wearer's next `in` took its place
    service: str | None = None
    # When a person settled who wears the set, after the wearer was tallied in with another.
    settled_us: int | None = None

    @property
    def ended_us(self) -> int:
        """When it stops counting."""
        return self.spans[-1][1] if self.spans else self.in_us


@dataclass(slots=True)
class Stay:
    """One person in: the tallies of one wearer in one incident until somebody says how it ended."""

    incident_id: str
    wearer_id: str
    number: int
    tallies: list[TallyEntry]
    ended_us: int | None = None
    ended_how: str = "open"  # `tallied_out`, `resolved`, `incident_closed` or `open`
    ended_by: str | None = None  # identity of the message that ended it
    # `closed_us`, `closed_by`: when the incident was closed while this was open, and by which message. A
    # close accounts for nobody: it ends the entry only if no `out` and no settlement follows.
    closed_us: int | None = None
    closed_by: str | None = None
    use: int = 0  # which use of the incident's name it belongs to
    followed: bool = False  # whether the wearer was tallied in again in a later use of the name
    # The same wearer's stays at other incidents, if no `out` separates the two; in the order of the messages.
    elsewhere: list[Stay] = field(default_factory=list, compare=False, repr=False)

    def is_in(self, as_of_us: int) -> bool:
        """Whether nobody has accounted for the wearer yet.

        Closing the incident accounts for nobody; 12 h later the search ends all the same.
        """
        if self.ended_us is None or self.ended_how != "incident_closed":
            return self.ended_us is None and not self.followed
        return as_of_us - max(self.tallies[-1].in_us, self.ended_us) < FORGOTTEN_AFTER_US

    @property
    def in_us(self) -> int:
        """When the wearer was tallied in."""
        return self.tallies[0].in_us


def key_of(stay: Stay, keys: Keys) -> str:
    """Return the key of a stay's incident: the latest use of its name that had begun by then."""
    uses = keys.get(stay.incident_id) or [(0, stay.incident_id)]
    begun = [key for from_us, key in uses if from_us - SPOKEN_EARLIER_US <= stay.in_us]
    return begun[-1] if begun else uses[0][1]


@dataclass(frozen=True, slots=True)
class Shared:
    """A set that two open entries claimed at the same time."""

    first: TallyEntry
    second: TallyEntry
    from_us: int


@dataclass(frozen=True, slots=True)
class TallyWord:
    """One `tally` message: an `in` or an `out`."""

    from_us: int  # from when it counts
    said_us: int  # when the desk said it
    identity: str
    row: Row
    desk_id: str
    heard_us: int  # when the listener received it
    repeats: bool = False  # an `out` that repeats how an entry ended

    @property
    def said(self) -> str:
        """The words for a sentence: `W-1 in with set S-1`."""
        return f"{self.row['wearer_id']} {self.row['action']} with set {self.row['set_id']}"


@dataclass(frozen=True)
class TallyBook:
    """Everything that desks said about who was in."""

    tallies: list[TallyEntry]  # those that count, by set and time
    corrected: list[tuple[TallyWord, TallyWord]]  # old and new; the old one stays in the record
    stays: list[Stay]  # by incident, wearer and time
    shared: list[Shared]  # sets that two wearers were in with at once
    unmatched: list[TallyWord]  # each `out` of somebody who was not in
    words: list[TallyWord]  # all that was said, in order of the moment from which it counts
    began_us: dict[str, int] = field(default_factory=dict)  # by incident: when the name was used again last

    def within(self, incidents: frozenset[str] | set[str]) -> TallyBook:
        """Return the book of some incidents only."""
        return TallyBook(
            [one for one in self.tallies if one.incident_id in incidents],
            [pair for pair in self.corrected if {one.row["incident_id"] for one in pair} & incidents],
            [one for one in self.stays if one.incident_id in incidents],
            [one for one in self.shared if {one.first.incident_id, one.second.incident_id} & incidents],
            [one for one in self.unmatched if one.row["incident_id"] in incidents],
            [one for one in self.words if one.row["incident_id"] in incidents],
            {name: at_us for name, at_us in self.began_us.items() if name in incidents},
        )


_RANK = {"tally": 0, "resolved": 1, "incident": 2}
_Word = tuple[int, int, str, str, Row, str, int]  # moment, rank, identity, kind, row, desk, receipt


def read_tallies(records: Sequence[PowerUp]) -> TallyBook:
    """Read every tally, settlement and close of incidents, in order of reconciled time."""
    words: list[_Word] = [
        (one.at_us, _RANK[kind], one.identity, kind, one.row, one.desk_id, one.heard_us)
        for kind in ("tally", "incident")
        for one in said(records, kind)
    ]
    words += [
        (
            one.at_us,
            _RANK["resolved"],
            one.identity,
            "resolved",
            {"set_id": one.set_id, "incident_id": one.incident_id, "wearer_id": one.wearer_id},
            "",
            0,
        )
        for one in read_resolved(records)
        if one.alarm is None
    ]
    corrected = corrections(said(records, "tally"))
    return _Reader(words, corrected).book()


class _Reader:
    def __init__(self, words: list[_Word], corrected: dict[str, str]) -> None:
        self._corrected = corrected
        said_us = {identity: at_us for at_us, _, identity, *_ in words}
        # A correction counts from the moment of the tally that it replaces.
        self._words = sorted(
            (
                (moment_of(identity, corrected, said_us), rank, at_us, identity, kind, row, desk, heard_us)
                for at_us, rank, identity, kind, row, desk, heard_us in words
            ),
            key=lambda word: word[:4],
        )
        self._rows = {identity: row for _, _, identity, _, row, *_ in words}
        self._open: dict[str, list[Stay]] = {}
        self._claims: dict[str, list[TallyEntry]] = {}  # by set: the last one holds it
        self._stays: list[Stay] = []
        self._of_wearer: dict[str, list[Stay]] = {}
        self._tallies: list[TallyEntry] = []
        self._shared: list[Shared] = []
        self._unmatched: list[TallyWord] = []
        self._spoken_us: dict[str, int] = {}  # by incident: when desks spoke of it last
        self._opens: dict[str, int] = {}  # by incident: how many opens are not closed
        self._use: dict[str, int] = {}
        self._began_us: dict[str, int] = {}

    def book(self) -> TallyBook:
        """Return the book."""
        tallies = {
            identity: TallyWord(from_us, said_us, identity, row, desk, heard_us)
            for from_us, _, said_us, identity, kind, row, desk, heard_us in self._words
            if kind == "tally"
        }
        never_said = set(self._corrected.values())
        for from_us, _, said_us, identity, kind, row, desk, _ in self._words:
            if identity in never_said:
                continue
            if kind != "resolved":
                self._count_uses(str(row["incident_id"]), from_us, str(row["action"]))
            if kind == "incident":
                self._open_or_close(from_us, identity, row)
            elif kind == "resolved":
                self._resolve(from_us, identity, row)
            elif row["action"] == "out":
                self._out(tallies[identity])
            else:
                self._in(from_us, said_us, identity, row, desk)
        self._close([one for ones in self._open.values() for one in ones])
        for claims in self._claims.values():
            if claims:
                self._release(claims[-1], claims[-1].in_us + FORGOTTEN_AFTER_US)
        counts: dict[tuple[str, str], int] = {}
        for stay in self._stays:
            key = (stay.incident_id, stay.wearer_id)
            counts[key] = stay.number = counts.get(key, 0) + 1
        self._stays.sort(key=lambda stay: (stay.incident_id, stay.wearer_id, stay.number))
        self._tallies.sort(key=lambda tally: (tally.set_id, tally.in_us, tally.in_identity))
        corrected = sorted(
            ((tallies[old], tallies[new]) for new, old in self._corrected.items()),
            key=lambda pair: (pair[1].said_us, pair[1].identity),
        )
        words = list(tallies.values())
        return TallyBook(
            self._tallies, corrected, self._stays, self._shared, self._unmatched, words, self._began_us
        )

    def _count_uses(self, incident_id: str, at_us: int, action: str) -> None:
        """Count the uses of a name by the rule of `analysis.pieces.identity`."""
        last_us = self._spoken_us.get(incident_id, at_us)
        opens = self._opens.get(incident_id, 0)
        if action in ("open", "in") and at_us - last_us > USED_AGAIN_US:
            self._use[incident_id] = self._use.get(incident_id, 0) + 1
            self._began_us[incident_id] = at_us
        elif action == "open" and at_us - last_us > USED_AFTER_CLOSE_US and opens <= 0:
            self._use[incident_id] = self._use.get(incident_id, 0) + 1
        self._opens[incident_id] = opens + {"open": 1, "close": -1}.get(action, 0)
        self._spoken_us[incident_id] = max(at_us, last_us)

    def _open_or_close(self, at_us: int, identity: str, row: Row) -> None:
        """Mark all who are in when the incident is closed; unmark them if it is opened again."""
        for stay in [one for ones in self._open.values() for one in ones]:
            if stay.incident_id != row["incident_id"]:
                continue
            again = stay.use != self._use.get(stay.incident_id, 0)
            lately = stay.closed_us is not None and at_us - stay.closed_us <= FORGOTTEN_AFTER_US
            if row["action"] != "close" and (lately or not again):  # they still have a row, and keep it
                stay.closed_us = stay.closed_by = None
            elif row["action"] == "close" and stay.closed_us is None and stay.in_us < at_us:
                stay.closed_us, stay.closed_by = at_us, identity

    def _in(self, from_us: int, said_us: int, identity: str, row: Row, desk: str) -> None:
        tally = TallyEntry(
            set_id=str(row["set_id"]),
            incident_id=str(row["incident_id"]),
            wearer_id=str(row["wearer_id"]),
            team=_text(row["team"]),
            task=_text(row["task"]),
            in_us=from_us,
            said_us=said_us,
            in_identity=identity,
            desk_id=desk,
            service=row.get("service"),
        )
        self._tallies.append(tally)
        self._close(
            [
                one
                for ones in self._open.values()
                for one in ones
                if one.wearer_id == tally.wearer_id or one.tallies[-1].set_id == tally.set_id
            ]
        )
        stays = self._open.setdefault(tally.wearer_id, [])
        use = self._use.get(tally.incident_id, 0)
        stay = next((one for one in stays if one.incident_id == tally.incident_id), None)
        if stay is not None and stay.use != use:
            # The wearer goes in again, and nobody said how the earlier stay ended: it stays open there.
            stay.followed = True
            self._move_on(stay.tallies[-1], from_us, back=False)
            stays.remove(stay)
            stay = None
        if stay is None:
            stay = Stay(tally.incident_id, tally.wearer_id, 0, [tally], use=use)
            stays.append(stay)
            self._stays.append(stay)
            self._of_wearer.setdefault(tally.wearer_id, []).append(stay)
        else:
            before = stay.tallies[-1]
            before.replaced = True
            stay.tallies.append(tally)
            held = self._claims.get(before.set_id, [])
            if before.set_id == tally.set_id and held and held[-1] is before:
                self._release(before, from_us)
                held[-1] = tally
                tally.spans.append((from_us, from_us))
                return
            self._move_on(before, from_us, back=before.set_id != tally.set_id)
            if self._claims.get(before.set_id):
                before.settled_us = from_us  # the wearer before has it back
        for other in self._of_wearer[tally.wearer_id]:
            not_out = (
                other.ended_how in ("open", "incident_closed") and other.incident_id != tally.incident_id
            )
            if not_out and from_us < other.tallies[-1].in_us + FORGOTTEN_AFTER_US:
                stay.elsewhere.append(other)
                other.elsewhere.append(stay)
        self._settle(tally.set_id, from_us)
        claims = self._claims.setdefault(tally.set_id, [])
        if claims:
            holder = claims[-1]
            fresh = from_us < holder.in_us + FORGOTTEN_AFTER_US
            if holder.wearer_id != tally.wearer_id and fresh:
                self._shared.append(Shared(holder, tally, from_us))
            self._release(holder, from_us)
        claims.append(tally)
        tally.spans.append((from_us, from_us))

    def _close(self, stays: Sequence[Stay]) -> None:
        """End the entries whose incident was closed, from that moment on."""
        for stay in stays:
            if stay.closed_us is not None and stay.closed_by is not None:
                self._end(stay, stay.closed_us, "incident_closed", stay.closed_by)

    def _move_on(self, tally: TallyEntry, at_us: int, *, back: bool) -> None:
        """End a claim; if the wearer moved on, the claim before it gets the set back."""
        claims = self._claims.get(tally.set_id, [])
        if tally not in claims:
            return
        held = claims[-1] is tally
        if held:
            self._release(tally, at_us)
        claims.remove(tally)
        if held and claims:
            if back:
                claims[-1].spans.append((at_us, at_us))
            else:
                claims.clear()

    def _release(self, tally: TallyEntry, at_us: int) -> None:
        if tally.spans:
            began = tally.spans[-1][0]
            tally.spans[-1] = (began, max(min(at_us, tally.in_us + FORGOTTEN_AFTER_US), began))

    def _out(self, word: TallyWord) -> None:
        at_us, identity, row = word.from_us, word.identity, word.row
        stays = self._open.get(str(row["wearer_id"]), [])
        if self._corrected and not any(one.tallies[-1].set_id == row["set_id"] for one in stays):
            every = [one for ones in self._open.values() for one in ones]
            with_set = [one for one in every if one.tallies[-1].set_id == row["set_id"]]
            slips = [one for one in with_set if self._names(word, one)]
            stays = slips if len(slips) == 1 else stays
        self._close([one for one in stays if at_us - (one.closed_us or at_us) > FORGOTTEN_AFTER_US])
        stays = [one for one in stays if one.ended_us is None]
        own = [one for one in stays if one.incident_id == row["incident_id"]]
        # If it names another incident, it means the wearer's open entry: nobody is in twice.
        named = own or [one for one in stays if one.closed_us is None]
        if not named:
            repeats = any(one.ended_us is not None and self._names(word, one) for one in self._stays)
            self._unmatched.append(replace(word, repeats=repeats))
            return
        stay = named[-1]
        stay.tallies[-1].out_us, stay.tallies[-1].out_identity = at_us, identity
        self._end(stay, at_us, "tallied_out", identity)

    def _names(self, word: TallyWord, stay: Stay) -> bool:
        """Return whether a message names a stay's set and its wearer, or the wearer before a correction."""
        named = (word.row["wearer_id"], word.row["set_id"], "in")
        for tally in stay.tallies:
            identity: str | None = tally.in_identity
            while identity is not None and tally.set_id == word.row["set_id"]:
                if tuple(self._rows[identity][name] for name in ("wearer_id", "set_id", "action")) == named:
                    return True
                identity = self._corrected.get(identity)
        return False

    def _resolve(self, at_us: int, identity: str, row: Row) -> None:
        of_set = [
            stay
            for stays in self._open.values()
            for stay in stays
            if stay.tallies[-1].set_id == row["set_id"] and row["wearer_id"] in (None, stay.wearer_id)
        ]
        own = [stay for stay in of_set if stay.incident_id == row["incident_id"]]
        named = own or of_set
        if len(named) == 1:
            self._end(named[0], at_us, "resolved", identity)
        elif not named:
            self._settle(str(row["set_id"]), at_us)
        # If two are in with it and it names neither, it ends neither: the one who breathes must not vanish.

    def _settle(self, set_id: str, at_us: int) -> None:
        """Settle who wears a set after its wearer was tallied in with another: a person has said so."""
        for tally in self._tallies:
            if tally.set_id == set_id and tally.replaced and tally.settled_us is None:
                tally.settled_us = at_us

    def _end(self, stay: Stay, at_us: int, how: str, identity: str) -> None:
        stay.ended_us, stay.ended_how, stay.ended_by = at_us, how, identity
        for tally in stay.tallies:
            tally.closed = tally.closed or how == "incident_closed"
        # Another wearer who is in with the same set has it from then on, and may still breathe from it.
        self._move_on(stay.tallies[-1], at_us, back=how == "tallied_out")
        self._open[stay.wearer_id].remove(stay)


def _text(value: object) -> str | None:
    return None if value is None else str(value)


def tally_of(tallies: Sequence[TallyEntry], started_us: int, ended_us: int) -> TallyEntry | None:
    """Return the tally of a wear, live and afterwards: the one that has the set at its last reading.

    If none has it then, or it got the set during the wear because another wearer was tallied out: the tally
    that overlaps the wear most, of equals the earlier; None if none overlaps.
    """
    holding = [
        (first, tally.in_identity, tally)
        for tally in tallies
        for first, last in tally.spans
        if first <= ended_us <= last
    ]
    if holding:
        since_us, _, holder = max(holding, key=lambda one: one[:2])
        outs_us = [tally.out_us for tally in tallies if tally.out_us is not None]
        # The one who is out may have breathed most; the one who has it since may be out, too, unsaid.
        if not any(started_us < out_us <= since_us for out_us in outs_us):
            return holder
    best, most = None, -1
    for tally in tallies:
        overlaps = [min(last, ended_us) - max(first, started_us) for first, last in tally.spans]
        if any(each >= 0 for each in overlaps):
            overlap = sum(each for each in overlaps if each >= 0)
            if overlap > most:
                best, most = tally, overlap
    return best


def two_at_once(tallies: Sequence[TallyEntry]) -> list[tuple[TallyEntry, TallyEntry]]:
    """Return each pair of tallies of one wearer with two sets or in two incidents, and no `out` between."""
    ordered = sorted(tallies, key=lambda tally: (tally.in_us, tally.in_identity))
    found = []
    for number, tally in enumerate(ordered):
        until_us = tally.out_us if tally.out_us is not None else tally.in_us + FORGOTTEN_AFTER_US
        for other in ordered[number + 1 :]:
            if other.in_us >= until_us or (tally.closed and other.in_us >= tally.ended_us):
                break
            elsewhere = (other.set_id, other.incident_id) != (tally.set_id, tally.incident_id)
            if other.wearer_id == tally.wearer_id and elsewhere:
                found.append((tally, other))
    return found
