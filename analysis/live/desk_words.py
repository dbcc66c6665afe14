"""Desks' words in force (orders, roll calls, emergency teams, gauges by voice), and contradictions."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from msgspec.structs import replace

from analysis.air.forecast import VOICE_STEP_BAR
from analysis.live.rows import (
    Contradiction,
    OrderLine,
    RollCallLine,
    Row,
    StandbyLine,
    people,
)
from analysis.wears.calls import DeskCalls, Roll, is_meant
from analysis.wears.corrections import DeskWord
from analysis.wears.tally import FORGOTTEN_AFTER_US, Stay, TallyWord

CONTRADICTED_WITHIN_S = 30.0  # our own rule
MOST_CONTRADICTIONS = 20

Record = dict[str, Any]


@dataclass(frozen=True)
class _Said:
    at: float
    desk_id: str
    what: tuple[str, ...]


class DeskWords:
    """All desks' words; `take` each desk message once, in order of time.

    - `stays`: who was in, with corrections and settlements applied.
    - `unmatched`: each `out` of somebody who was not in.
    - `words`: all that desks said, as `DeskCalls` needs it.
    - `not_theirs`: words that close an alarm of somebody who never had the set; they do not count.
    """

    def __init__(
        self,
        stays: Sequence[Stay] = (),
        unmatched: Sequence[TallyWord] = (),
        words: Sequence[DeskWord] = (),
        not_theirs: Collection[str] = (),
    ) -> None:
        self._calls = DeskCalls(words)
        self._standby: dict[tuple[str, str], StandbyLine] = {}
        self._stays = {
            (one.incident_id, one.wearer_id): one for one in sorted(stays, key=lambda one: one.in_us)
        }
        self._closed: set[str] = set()
        self._last: dict[tuple[str, ...], list[_Said]] = {}
        self._contradictions: dict[str, Contradiction] = {}
        self._not_theirs = not_theirs
        self._unmatched = {one.identity for one in unmatched if not one.repeats}

    def take(self, kind: str, record: Record, at: float) -> None:
        """Take one desk message, spoken at `at` (seconds since 1970)."""
        self._calls.take(kind, record, at)
        taker = getattr(self, f"_take_{kind}", None)
        if taker is not None:
            taker(record, at)

    def missed_after_out(self, stay: Stay | None, now_s: float) -> float | None:
        """Return since when somebody is missing whom a desk said to be out before, and who is not in again.

        Once the incident is closed, for 12 h, as anybody whom nobody accounted for.
        """
        if stay is None or not _out_at(stay):
            return None
        if self._stays[stay.incident_id, stay.wearer_id].in_us != stay.in_us:
            return None
        at = self.missing_since(stay.incident_id, stay.wearer_id)
        forgotten = at is not None and now_s - at > FORGOTTEN_AFTER_US * 1e-6
        return None if forgotten and stay.incident_id in self._closed else at

    def missing_since(self, incident_id: str | None, wearer_id: str | None) -> float | None:
        """Return since when somebody is missing at a roll call, and neither answered for nor out since."""
        stay = self._stays.get((incident_id or "", wearer_id or ""))
        if stay is None:
            return None
        rolls = [roll for roll in self._calls.rolls.values() if roll.incident_id == incident_id]
        answers = [answer for roll in rolls if (answer := roll.answer_for(stay)) is not None]
        at, state = max(answers, default=(0.0, ""))
        return at if state == "missing" and at > _out_at(stay) else None

    def orders(self, rows: Iterable[Row], now_s: float) -> tuple[OrderLine, ...]:
        """Return the orders in force, the oldest unanswered first.

        - An order to everybody includes sets without a tally. A person counts once, with the set under air.
        - An acknowledgement before the order, or before its wearer went in, does not count.
        - An order for nobody inside is shown for 12 h: a broker may keep orders of desks that are long gone.
        - `rows`: who is inside, or tallied out and still heard under air; these are named beside those out.
        """
        rows = list(rows)
        inside = [row for row in rows if row.tallied_out_at is None]
        in_doubt = [row for row in rows if row.still_under_air]
        lines = []
        for key, (at, given, record) in self._calls.orders.items():
            incident_id, order, team, set_id, desk_id = key
            if not given or not self._in_force(incident_id, inside):
                continue
            meant, still = (
                people(
                    row
                    for row in _of_incident(lot, incident_id)
                    if is_meant(team, set_id, row.team, row.set_id)
                )
                for lot in (inside, in_doubt)
            )
            if not meant and not still and now_s - at > FORGOTTEN_AFTER_US * 1e-6:
                continue
            waiting, still_waiting = (
                tuple(own[0].key for own in lot if not any(self._acknowledged(row, order, at) for row in own))
                for lot in (meant, still)
            )
            out = self._out_since(incident_id, at, team, set_id)
            lines.append(
                OrderLine(
                    key=f"{incident_id}/{order}/{team}/{set_id}/{desk_id}",
                    incident_id=incident_id,
                    order=order,
                    team=team or None,
                    set_id=set_id or None,
                    text=record.get("text"),
                    given_at=at,
                    desk_id=desk_id,
                    meant=len(meant) + out,
                    acknowledged=len(meant) - len(waiting),
                    out=out,
                    waiting=waiting,
                    still_under_air=still_waiting,
                    lifted_by=tuple(
                        desk
                        for (*same, desk), (said_at, stands, _) in self._calls.orders.items()
                        if same == [incident_id, order, team, set_id] and not stands and said_at > at
                    )
                    + (desk_id,) * (key in self._calls.not_lifted),
                )
            )
        return tuple(sorted(lines, key=lambda line: (not line.unanswered, line.given_at)))

    def roll_calls(self, rows: Iterable[Row]) -> tuple[RollCallLine, ...]:
        """Return the open roll calls. `rows`: who is inside; those who were in then are called by name.

        None is complete while somebody who was tallied out is still under air: one set may be off, and its
        wearer inside with another.
        """
        rows = list(rows)
        inside = [row for row in rows if row.tallied_out_at is None]
        doubtful = [row for row in rows if row.still_under_air]
        lines = []
        for (incident_id, roll_id), roll in self._calls.rolls.items():
            if roll.called_at is None or roll.closed_at is not None:
                continue
            if not self._in_force(incident_id, inside):
                continue
            missing = [row for row in rows if row.lost is not None and row.lost.code == "missing"]
            asked = _of_incident([*inside, *missing], incident_id)
            called = {row.wearer_id or row.set_id: row for row in asked}
            states = [(row, self._answered(roll, row)) for _, row in sorted(called.items())]
            answers = [
                (row.wearer_id, row.set_id, row.team, state)
                for row, state in states
                # Somebody who went in after the call need not answer. Who breathed first went in then.
                if state == "missing" or (row.entered_at or 0.0) <= roll.called_at
            ]
            still = {
                row.wearer_id or row.set_id for row in _of_incident(doubtful, incident_id)
            } - called.keys()
            complete = bool(answers) and all(state == "answered" for *_, state in answers) and not still
            last = max((at for at, _ in roll.answers.values()), default=None)
            known_at = [self._whose_since(row, roll.called_at) for row, _ in states]
            lines.append(
                RollCallLine(
                    key=f"{incident_id}/{roll_id}",
                    incident_id=incident_id,
                    roll_id=roll_id,
                    called_at=roll.called_at,
                    answers=tuple(answers),
                    complete_at=max(last or 0.0, *known_at, 0.0) if complete else None,
                    still_under_air=tuple(sorted(still)),
                )
            )
        return tuple(sorted(lines, key=lambda line: line.called_at))

    def standby(self, rows: Iterable[Row]) -> tuple[StandbyLine, ...]:
        """Return the emergency teams that are not stood down. `rows`: who is inside."""
        inside = [row for row in rows if row.tallied_out_at is None]
        found = []
        for (incident, team), line in self._standby.items():
            if line.state == "stood_down" or not self._in_force(incident, inside):
                continue
            within = sum(row.team == team for row in inside if row.incident_id == incident)
            out_at = None
            if line.state == "committed" and not within:
                stays = self._stays.values()
                own = [one for one in stays if (one.incident_id, one.tallies[-1].team) == (incident, team)]
                out_at = max((at for one in own if (at := _out_at(one)) > line.at), default=None)
            found.append(replace(line, inside=within, out_at=out_at))
        return tuple(found)

    def contradictions(self, rows: Iterable[Row]) -> tuple[Contradiction, ...]:
        """Return where two desks differ or share a name, and each `out` of somebody not in; latest first.

        - `rows`: who is inside.
        """
        inside = [row for row in rows if row.tallied_out_at is None]
        found = list(self._contradictions.values())
        for one in self._calls.shared_names():
            key = f"same_name/{one.incident_id}/{one.desk_id}"
            about = (one.incident_id, one.desk_id, one.at)
            found.append(Contradiction(key, "same_name", *about, (one.desk_id, *one.boots), ()))
        shown = [one for one in found if self._in_force(one.incident_id, inside)]
        return tuple(sorted(shown, key=lambda one: one.at, reverse=True))

    def _in_force(self, incident_id: str, inside: Iterable[Row]) -> bool:
        """Return whether words about an incident still count: it is open, or somebody is still in."""
        return incident_id not in self._closed or any(incident_id in row.incidents for row in inside)

    def _acknowledged(self, row: Row, order: str, since_at: float) -> bool:
        since_at = max(since_at, row.tallied_in_at or 0.0)
        by_set = row.evacuate_acknowledged_at if order == "evacuate" else None
        return max(by_set or 0.0, *self._calls.voice.get((row.set_id, order), (0.0,))) >= since_at

    def _answered(self, roll: Roll, row: Row) -> str:
        stay = self._stays.get((roll.incident_id, row.wearer_id or ""))
        if stay is None:
            return "no_tally"
        answer = roll.answer_for(stay)
        return answer[1] if answer is not None else "called"

    def _whose_since(self, row: Row, called_at: float) -> float:
        """Return when a set that was under air at a call got its tally; 0 if it had one at the call."""
        stay = self._stays.get((row.incident_id or "", row.wearer_id or ""))
        if stay is None or row.started_at is None or row.started_at > called_at:
            return 0.0
        said_at = min((one.in_us * 1e-6 for one in stay.tallies if one.set_id == row.set_id), default=0.0)
        return said_at if said_at > called_at else 0.0

    def _out_since(self, incident_id: str, at: float, team: str, set_id: str) -> int:
        count = 0
        for stay in self._stays.values():
            last = stay.tallies[-1]
            meant = is_meant(team, set_id, last.team, last.set_id)
            count += stay.incident_id == incident_id and _out_at(stay) >= at and meant
        return count

    def _take_incident(self, record: Record, at: float) -> None:
        (self._closed.add if record["action"] == "close" else self._closed.discard)(record["incident_id"])

    def _take_order(self, record: Record, at: float) -> None:
        team, set_id = record["team"] or "", record["set_id"] or ""
        same = (record["incident_id"], record["order"], team, set_id)
        self._say(("order", *same), record, at, (record["state"],))

    def _take_roll_call(self, record: Record, at: float) -> None:
        key = (record["incident_id"], record["roll_id"])
        if record["state"] not in ("called", "closed"):
            what = "wearer" if record["wearer_id"] else "team"
            name = (what, record["wearer_id"] or record["team"] or "")
            self._say(("roll_call", *key, *name), record, at, (record["state"],), self._also_of(*name))
        if record["state"] == "missing" and record["wearer_id"]:
            self._say(("missing", key[0], record["wearer_id"]), record, at, ("missing",))

    def _take_standby(self, record: Record, at: float) -> None:
        key = (record["incident_id"], record["team"])
        self._say(("standby", *key), record, at, (record["state"],))
        self._standby[key] = StandbyLine(*key, record["state"], at, record["text"])

    def _take_gauge(self, record: Record, at: float) -> None:
        if record["corrects"] is None:
            what = ("gauge", str(record["pressure_bar"]))
            self._say(("gauge", record["incident_id"], record["set_id"]), record, at, what)

    def _also_of(self, what: str, name: str) -> list[tuple[str, str]]:
        """Return who else an answer to a roll call concerns: the wearer's team, or the team's wearers."""
        last = [stay.tallies[-1] for stay in self._stays.values()]
        if what == "wearer":
            return [("team", one.team) for one in last if one.wearer_id == name and one.team]
        return [("wearer", one.wearer_id) for one in last if one.team == name]

    def _take_resolved(self, record: Record, at: float) -> None:
        """Report a word that closes nothing: it names neither of two wearers, or nobody who had the set."""
        set_id = record["set_id"]
        if record["identity"] in self._not_theirs:
            whose = record["wearer_id"] or record["incident_id"]
            incidents = [one.incident_id for one in self._stays.values() if one.tallies[-1].set_id == set_id]
            self._report("not_theirs", record, at, set_id, (whose,), *incidents[-1:])
        within = [
            one
            for one in self._stays.values()
            if one.tallies[-1].set_id == set_id
            and one.in_us * 1e-6 <= at
            and (one.ended_us is None or one.ended_us * 1e-6 > at)
        ]
        if record["alarm"] is None and record["wearer_id"] is None and len(within) > 1:
            self._report("whose", record, at, set_id, tuple(one.wearer_id for one in within))

    def _take_tally(self, record: Record, at: float) -> None:
        key = (record["incident_id"], record["wearer_id"])
        what = (record["action"], record["set_id"])
        self._say(("tally", *key), record, at, what)
        if record["action"] == "in" and record["corrects"] is None:
            incident_id, wearer_id = key
            self._say(("worn", incident_id, record["set_id"]), record, at, ("worn", wearer_id))
            self._say(("where", wearer_id), record, at, ("where", incident_id))
            if record["team"]:
                self._say(("of_team", *key), record, at, ("of_team", record["team"]))
        if record["action"] == "out":
            self._say(("missing", *key), record, at, what)
        if record["identity"] in self._unmatched:
            self._report("not_in", record, at, key[1], what)

    def _report(
        self,
        kind: str,
        record: Record,
        at: float,
        about: str,
        said: tuple[str, ...],
        incident_id: str | None = None,
    ) -> None:
        """Keep a word of one desk that does not count."""
        name = f"{kind}/{record['identity']}"
        where, first = incident_id or record["incident_id"], (record["desk_id"], *said)
        self._contradictions[name] = Contradiction(name, kind, where, about, at, first, ())

    def _say(
        self,
        subject: tuple[str, ...],
        record: Record,
        at: float,
        what: tuple[str, ...],
        also: Iterable[tuple[str, str]] = (),
    ) -> None:
        """Record what a desk said, and whether another desk has just contradicted it (or of `also`)."""
        said = self._last.setdefault(subject, [])
        compared = 1 if subject[0] == "missing" else None  # whatever the set that somebody is out with
        others = [one for name in also for one in self._last.get((*subject[:-2], *name), ())]
        for other in (*said, *others):
            near = abs(other.at - at) <= CONTRADICTED_WITHIN_S and other.desk_id != record["desk_id"]
            if near and _differ(other.what[:compared], what[:compared]):
                first, second = sorted((other, _Said(at, record["desk_id"], what)), key=lambda one: one.at)
                key = "/".join((*subject, f"{first.at:.0f}"))
                self._contradictions[key] = Contradiction(
                    key=key,
                    kind=subject[0],
                    incident_id=record["incident_id"],
                    about=subject[-1] or subject[1],
                    at=second.at,
                    first=(first.desk_id, *first.what),
                    second=(second.desk_id, *second.what),
                )
        said.append(_Said(at, record["desk_id"], what))
        said[:] = [one for one in said if abs(one.at - at) <= CONTRADICTED_WITHIN_S]
        while len(self._contradictions) > MOST_CONTRADICTIONS:
            del self._contradictions[next(iter(self._contradictions))]


def _differ(one: tuple[str, ...], other: tuple[str, ...]) -> bool:
    """Return whether two desks' words differ; two readings of a gauge by more than the step of each."""
    if one[0] == other[0] == "gauge":
        return abs(float(one[1]) - float(other[1])) > 2.0 * VOICE_STEP_BAR
    return one != other


def _of_incident(rows: Iterable[Row], incident_id: str) -> list[Row]:
    """Return who is in at an incident; a set without a tally may be in at any."""
    return [row for row in rows if not row.incidents or incident_id in row.incidents]


def _out_at(stay: Stay) -> float:
    """Return when a desk said that somebody is out, else 0; closing an incident is nobody's exit."""
    out = stay.ended_us is not None and stay.ended_how != "incident_closed"
    return stay.ended_us * 1e-6 if stay.ended_us is not None and out else 0.0
