"""What the desks have said that stays in force: orders, roll calls, emergency teams, gauges by voice; and
where two desks contradict each other.

`DeskWords` takes every desk message in the order of its own moment.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from analysis.air.forecast import VOICE_STEP_BAR
from analysis.live.rows import Contradiction, GaugeRow, OrderLine, RollCallLine, Row, StandbyLine
from analysis.wears import gauges as by_voice
from analysis.wears.tally import Stay, TallyEntry, TallyWord

CONTRADICTED_WITHIN_S = 30.0  # our own rule
ACKNOWLEDGED_BY_VOICE = "order acknowledged by voice"  # a note about the set with these words acknowledges
MOST_CONTRADICTIONS = 20

Record = dict[str, Any]


@dataclass
class _Roll:
    incident_id: str
    called_at: float | None = None
    closed_at: float | None = None
    answers: dict[tuple[str, str], tuple[float, str]] = field(default_factory=dict)  # (what, name): at, state


@dataclass(frozen=True)
class _Said:
    at: float
    desk_id: str
    what: tuple[str, ...]


class DeskWords:
    """All desks' words; `take` each desk message once, in order of time.

    - `gauges`: what was read by voice and not corrected, in order of time.
    - `stays`: who was in, corrections and settlements minded.
    - `unmatched`: each `out` of somebody who was not in.
    """

    def __init__(
        self,
        gauges: Sequence[by_voice.VoiceGauge] = (),
        stays: Sequence[Stay] = (),
        unmatched: Sequence[TallyWord] = (),
    ) -> None:
        self._orders: dict[tuple[str, str, str, str, str], tuple[float, bool, Record]] = {}
        self._rolls: dict[tuple[str, str], _Roll] = {}
        self._standby: dict[tuple[str, str], StandbyLine] = {}
        self._gauges = {
            one.set_id: GaugeRow(one.pressure_bar, one.at_us * 1e-6, one.desk_id, one.identity)
            for one in gauges
        }
        self._stays = {
            (one.incident_id, one.wearer_id): one for one in sorted(stays, key=lambda one: one.in_us)
        }
        self._voice: dict[str, float] = {}
        self._last: dict[tuple[str, ...], list[_Said]] = {}
        self._contradictions: dict[str, Contradiction] = {}
        self._unmatched = {one.identity for one in unmatched if not one.repeats}

    def take(self, kind: str, record: Record, at: float) -> None:
        """Take one desk message, spoken at `at` (seconds since 1970)."""
        taker = getattr(self, f"_take_{kind}", None)
        if taker is not None:
            taker(record, at)

    def close(self, incident_id: str) -> None:
        """Forget what was said about an incident that is closed."""
        self._orders = {key: order for key, order in self._orders.items() if key[0] != incident_id}
        self._rolls = {key: roll for key, roll in self._rolls.items() if key[0] != incident_id}
        self._standby = {key: line for key, line in self._standby.items() if key[0] != incident_id}
        self._contradictions = {
            key: one for key, one in self._contradictions.items() if one.incident_id != incident_id
        }

    def gauge(self, set_id: str) -> GaugeRow | None:
        """Return the last pressure that was read by voice of a set."""
        return self._gauges.get(set_id)

    def missing_since(self, incident_id: str | None, wearer_id: str | None, team: str | None) -> float | None:
        """Return since when a roll call has missed somebody who has not been found since."""
        latest: tuple[float, str] | None = None
        for roll in self._rolls.values():
            if roll.incident_id != incident_id:
                continue
            for answer in (
                roll.answers.get(("wearer", wearer_id or "")),
                roll.answers.get(("team", team or "")),
            ):
                if answer is not None and (latest is None or answer > latest):
                    latest = answer
        return latest[0] if latest is not None and latest[1] == "missing" else None

    def orders(self, rows: Iterable[Row]) -> tuple[OrderLine, ...]:
        """Return the orders in force, the oldest unanswered first.

        `rows`: who is inside; a set's own acknowledgement counts from the order on.
        """
        inside = list(rows)
        lines = []
        for (incident_id, order, team, set_id, desk_id), (at, given, record) in self._orders.items():
            if not given:
                continue
            meant = [
                row
                for row in inside
                if row.incident_id == incident_id
                and row.tallied_out_at is None
                and (not team or row.team == team)
                and (not set_id or row.set_id == set_id)
            ]
            waiting = tuple(row.key for row in meant if not self._acknowledged(row, at))
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
                )
            )
        return tuple(sorted(lines, key=lambda line: (not line.waiting, line.given_at)))

    def roll_calls(self) -> tuple[RollCallLine, ...]:
        """Return the roll calls that are open."""
        lines = []
        for (incident_id, roll_id), roll in self._rolls.items():
            if roll.called_at is None or roll.closed_at is not None:
                continue
            answers = []
            for tally in self._inside_of(incident_id):
                own = [
                    answer
                    for name in (("wearer", tally.wearer_id), ("team", tally.team or ""))
                    if (answer := roll.answers.get(name)) is not None
                ]
                state = max(own)[1] if own else "called"
                answers.append((tally.wearer_id, tally.set_id, tally.team, state))
            complete = bool(answers) and all(state == "answered" for *_, state in answers)
            last = max((at for at, _ in roll.answers.values()), default=None)
            lines.append(
                RollCallLine(
                    key=f"{incident_id}/{roll_id}",
                    incident_id=incident_id,
                    roll_id=roll_id,
                    called_at=roll.called_at,
                    answers=tuple(answers),
                    complete_at=last if complete else None,
                )
            )
        return tuple(sorted(lines, key=lambda line: line.called_at))

    def standby(self) -> tuple[StandbyLine, ...]:
        """Return the emergency teams, those that were stood down left out."""
        return tuple(line for line in self._standby.values() if line.state != "stood_down")

    def contradictions(self) -> tuple[Contradiction, ...]:
        """Return where two desks differed within 30 s, and each `out` of nobody who was in, latest first."""
        return tuple(sorted(self._contradictions.values(), key=lambda one: one.at, reverse=True))

    def _acknowledged(self, row: Row, since_at: float) -> bool:
        by_set = row.evacuate_acknowledged_at
        return (by_set is not None and by_set >= since_at) or self._voice.get(row.set_id, 0.0) >= since_at

    def _inside_of(self, incident_id: str) -> list[TallyEntry]:
        """Return the tallies in force of those who are in, by wearer."""
        inside = [
            one for one in self._stays.values() if one.incident_id == incident_id and one.ended_us is None
        ]
        return sorted((one.tallies[-1] for one in inside), key=lambda tally: tally.wearer_id)

    def _out_since(self, incident_id: str, at: float, team: str, set_id: str) -> int:
        count = 0
        for stay in self._stays.values():
            last = stay.tallies[-1]
            meant = (not team or last.team == team) and (not set_id or last.set_id == set_id)
            out = stay.ended_us is not None and stay.ended_us * 1e-6 >= at
            count += stay.incident_id == incident_id and out and meant
        return count

    def _take_order(self, record: Record, at: float) -> None:
        team, set_id = record["team"] or "", record["set_id"] or ""
        same = (record["incident_id"], record["order"], team, set_id)
        self._say(("order", *same), record, at, (record["state"],))
        self._orders[*same, record["desk_id"]] = (at, record["state"] == "given", record)

    def _take_roll_call(self, record: Record, at: float) -> None:
        key = (record["incident_id"], record["roll_id"])
        roll = self._rolls.setdefault(key, _Roll(record["incident_id"]))
        state = record["state"]
        if state == "called":
            roll.called_at = at if roll.called_at is None else roll.called_at
        elif state == "closed":
            roll.closed_at = at
        else:
            what = "wearer" if record["wearer_id"] else "team"
            name = (what, record["wearer_id"] or record["team"] or "")
            self._say(("roll_call", *key, *name), record, at, (state,), self._also_of(*name))
            roll.answers[name] = at, state

    def _take_standby(self, record: Record, at: float) -> None:
        key = (record["incident_id"], record["team"])
        self._say(("standby", *key), record, at, (record["state"],))
        self._standby[key] = StandbyLine(*key, record["state"], at, record["text"])

    def _take_gauge(self, record: Record, at: float) -> None:
        if record["corrects"] is None:
            what = ("gauge", str(record["pressure_bar"]))
            self._say(("gauge", record["incident_id"], record["set_id"]), record, at, what)

    def _also_of(self, what: str, name: str) -> list[tuple[str, str]]:
        """Return who else an answer to a roll call is about: the wearer's team, or the team's wearers."""
        last = [stay.tallies[-1] for stay in self._stays.values()]
        if what == "wearer":
            return [("team", one.team) for one in last if one.wearer_id == name and one.team]
        return [("wearer", one.wearer_id) for one in last if one.team == name]

    def _take_note(self, record: Record, at: float) -> None:
        if record["set_id"] and ACKNOWLEDGED_BY_VOICE in record["text"].lower():
            self._voice[record["set_id"]] = at

    def _take_tally(self, record: Record, at: float) -> None:
        key = (record["incident_id"], record["wearer_id"])
        what = (record["action"], record["set_id"])
        self._say(("tally", *key), record, at, what)
        if record["identity"] in self._unmatched:
            name = f"not_in/{record['identity']}"
            self._contradictions[name] = Contradiction(
                name, "not_in", key[0], key[1], at, (record["desk_id"], *what), ()
            )

    def _say(
        self,
        subject: tuple[str, ...],
        record: Record,
        at: float,
        what: tuple[str, ...],
        also: Iterable[tuple[str, str]] = (),
    ) -> None:
        """Note what a desk said, and whether another desk has just said otherwise of it, or of `also`."""
        said = self._last.setdefault(subject, [])
        others = [one for name in also for one in self._last.get((*subject[:-2], *name), ())]
        for other in (*said, *others):
            near = abs(other.at - at) <= CONTRADICTED_WITHIN_S
            if near and other.desk_id != record["desk_id"] and _differ(other.what, what):
                first, second = sorted((other, _Said(at, record["desk_id"], what)), key=lambda one: one.at)
                key = "/".join((*subject, f"{first.at:.0f}"))
                self._contradictions[key] = Contradiction(
                    key=key,
                    kind=subject[0],
                    incident_id=subject[1],
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
