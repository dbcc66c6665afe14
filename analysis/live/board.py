"""The live board: takes messages as they are received and says, for any moment, who needs attention and why.

Pure: no clock and no input of its own. `take` must be given every message once, in the order of receipt (a
repeated one does no harm); `snapshot(now)` may be asked at any moment not before that of the last.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from typing import Any

import polars as pl

from analysis.live.attention import Moments, in_order_of_need, team_rows
from analysis.live.came_out import CameOut
from analysis.live.clock import LiveClock
from analysis.live.desk_words import DeskWords
from analysis.live.facts import row_of
from analysis.live.one_set import LiveSet, Record
from analysis.live.rows import AlarmLine, Hearing, Incident, NoteLine, Out, Prompt, Row, Snapshot
from analysis.profile import Profile
from ingest.contract.frames import Messages
from ingest.contract.kinds import SET_KINDS

NOTES_KEPT = 200
DESK_KEPT = 100
DELAYS_KEPT = 500
SECONDS_COUNTED = 120
FORGOTTEN_S = (
    7200.0  # a silent set that nobody tallied in leaves the page after this: no cylinder lasts as long
)
SHORTEST_WINDOW_S = 15 * 60.0
LONGEST_WINDOW_S = 60 * 60.0
WINDOW_STEP_S = 300.0
MOST_URGENT = ("distress", "no_motion")


class LiveBoard:
    """State of every set, team, incident and alarm, kept up message by message."""

    def __init__(self, profile: Profile) -> None:
        self.profile = profile
        self._sets: dict[tuple[str, str], LiveSet] = {}
        self._desk_clocks: dict[tuple[str, str], LiveClock] = {}
        self._incidents: dict[str, Incident] = {}
        self._incident_at: dict[str, float] = {}
        self._notes: dict[str, NoteLine] = {}
        self._words = DeskWords()
        self._out = CameOut()
        self._desk_heard: deque[str] = deque(maxlen=DESK_KEPT)
        self._team_reached: Moments = {}
        self._delays_s: deque[float] = deque(maxlen=DELAYS_KEPT)
        self._received: deque[tuple[float, int]] = deque(maxlen=SECONDS_COUNTED)
        self._refused: deque[tuple[float, str]] = deque(maxlen=10_000)
        self._last_received_s: float | None = None
        # What failed by a fault of ours, and how: for the caller to tell and to clear.
        self.faults: list[tuple[str, Exception]] = []

    def take(self, messages: Messages) -> None:
        """Take newly received messages (a frame a kind, as `ingest.contract.frames` makes them).

        A message that cannot be taken is one of `faults`; all others are taken.
        """
        for kind, record in _in_order(messages):
            second = record["received_s"] // 1
            if self._received and self._received[-1][0] == second:
                self._received[-1] = (second, self._received[-1][1] + 1)
            else:
                self._received.append((second, 1))
            self._last_received_s = max(record["received_s"], self._last_received_s or 0.0)
            if kind == "refused":
                self._refused.append((record["received_s"], record["reason"]))
                continue
            try:
                if kind in SET_KINDS:
                    self._take_set(kind, record)
                else:
                    self._take_desk(kind, record)
            except Exception as error:  # noqa: BLE001 one set's fault must not blind the desk to all others
                self._fault(record["service"], record.get("set_id") or record["desk_id"], error)

    def snapshot(self, now: datetime) -> Snapshot:
        """Return what is to be shown at `now` (with a time zone)."""
        now_s = now.timestamp()
        sets = [live_set for live_set in self._sets.values() if self._belongs(live_set, now_s)]
        rows = [row for live_set in sets if (row := self._row(live_set, now_s)) is not None]
        shown = in_order_of_need(rows, self._team_reached)
        earliest = min((row.started_at for row in shown if row.started_at is not None), default=now_s)
        back_s = -(-(now_s - earliest) // WINDOW_STEP_S) * WINDOW_STEP_S
        return Snapshot(
            at=now_s,
            window_from_at=now_s - min(max(back_s, SHORTEST_WINDOW_S), LONGEST_WINDOW_S),
            rows=shown,
            teams=team_rows(shown),
            alarms=self._alarm_lines(now_s),
            prompts=self._prompts(sets, now_s),
            notes=tuple(sorted(self._notes.values(), key=lambda note: note.at, reverse=True)),
            incidents=tuple(sorted(self._incidents.values(), key=lambda incident: incident.opened_at)),
            hearing=self._hearing(now_s),
            desk_heard=tuple(self._desk_heard),
            set_ids=tuple({set_id for _, set_id in self._sets}),
            services=tuple(sorted({service for service, _ in self._sets})),
            orders=self._words.orders(shown),
            roll_calls=self._words.roll_calls(),
            standby=self._words.standby(),
            contradictions=self._words.contradictions(),
            came_out=self._out.lines(self.profile.rest),
        )

    def lines(self) -> dict[str, list[tuple[float, float]]]:
        """Return the air line so far of every wear in progress: row key to (moment, bar), every 10 s."""
        return {
            f"{service}/{set_id}": list(live_set.wear.line)
            for (service, set_id), live_set in self._sets.items()
            if live_set.wear is not None
        }

    def _set(self, service: str, set_id: str) -> LiveSet:
        key = (service, set_id)
        if key not in self._sets:
            self._sets[key] = LiveSet(service, set_id, self.profile)
        return self._sets[key]

    def _take_set(self, kind: str, record: Record) -> None:
        at = self._set(record["service"], record["set_id"]).take(kind, record)
        if not record["retained"] and kind != "link":
            self._delays_s.append(record["received_s"] - at)

    def _row(self, live_set: LiveSet, now_s: float) -> Row | None:
        """Return a set's row; after a fault without its forecast, rather than not at all."""
        for _ in range(2):
            try:
                return row_of(live_set, now_s, self._words)
            except Exception as error:  # noqa: BLE001 one set's fault must not blind the desk to all others
                self._fault(live_set.service, live_set.set_id, error)
        return None

    def _fault(self, service: str, name: str, error: Exception) -> None:
        self.faults.append((f"{service}/{name}", error))
        live_set = self._sets.get((service, name))
        if live_set is not None and live_set.wear is not None:
            live_set.wear.air = None  # nobody knows what state it is in; the pressure goes on being shown

    def _take_desk(self, kind: str, record: Record) -> None:
        service, desk_id = record["service"], record["desk_id"]
        clock = self._desk_clocks.setdefault((service, desk_id), LiveClock())
        at = clock.at(record["boot"], record["seq"], record["time_s"], record["received_s"])
        if record["retained"]:
            return
        self._desk_heard.append(f"{desk_id}/{record['boot']}/{record['seq']}")
        self._words.take(kind, record, at)
        if kind == "tally":
            self._take_tally(service, at, record)
        elif kind == "resolved":
            self._take_resolved(service, at, record)
        elif kind == "seen":
            self._set(service, record["set_id"]).take_seen(at, record["alarm"], desk_id)
        elif kind == "note":
            key = f"{service}/{desk_id}/{record['boot']}/{record['seq']}"
            self._notes[key] = NoteLine(
                key=key,
                # `at` is on the desk's clock, like `time`: the same correction holds.
                at=at if record["at_s"] is None else record["at_s"] + at - record["time_s"],
                text=record["text"],
                incident_id=record["incident_id"],
                desk_id=desk_id,
                set_id=record["set_id"],
                certainty=record["certainty"],
            )
            for live_set in self._sets.values():
                live_set.take_note(self._notes[key].at, record["text"], record["set_id"])
            if len(self._notes) > NOTES_KEPT:
                del self._notes[min(self._notes, key=lambda name: self._notes[name].at)]
        elif kind == "incident" and at >= self._incident_at.get(record["incident_id"], at):
            self._take_incident(at, record)

    def _take_tally(self, service: str, at: float, record: Record) -> None:
        if (corrected := record["corrects"]) is not None:
            identity = (corrected["desk_id"], corrected["boot"], corrected["seq"])
            for other in self._sets.values():
                if other.tally is not None and other.tally.identity == identity:
                    other.tally = None
        live_set = self._set(service, record["set_id"])
        live_set.take_tally(at, record)
        if record["action"] == "out" and corrected is None:
            self._note_out(live_set, at)
        elif record["action"] == "in" and corrected is not None:
            self._out.take_back(record["incident_id"], record["wearer_id"])

    def _take_resolved(self, service: str, at: float, record: Record) -> None:
        live_set = self._set(service, record["set_id"])
        if record["alarm"] is not None:
            live_set.alarms.pop(record["alarm"], None)
        elif live_set.tally is not None and live_set.tally.at <= at:
            live_set.tally = replace(live_set.tally, action="out", at=at)
            self._note_out(live_set, at)

    def _note_out(self, live_set: LiveSet, at: float) -> None:
        tally, wear = live_set.tally, live_set.wear
        if tally is None:
            return
        began_at = wear.started_at if wear is not None else live_set.began_at
        ended_at = live_set.ended_at if wear is None and live_set.ended_at is not None else at
        self._out.take(
            Out(
                key=f"{live_set.service}/{live_set.set_id}/{at:.3f}",
                wearer_id=tally.wearer_id,
                set_id=live_set.set_id,
                team=tally.team,
                incident_id=tally.incident_id,
                at=at,
                pressure_bar=wear.last_bar if wear is not None else live_set.last_wear_bar,
                under_air_s=max(ended_at - began_at, 0.0) if began_at is not None else None,
            )
        )

    def _take_incident(self, at: float, record: Record) -> None:
        incident_id = record["incident_id"]
        self._incident_at[incident_id] = at
        if record["action"] == "close":
            self._words.close(incident_id)
            self._out.close(incident_id)
            self._incidents.pop(incident_id, None)
            for key in [key for key, note in self._notes.items() if note.incident_id == incident_id]:
                del self._notes[key]
        else:
            self._incidents[incident_id] = Incident(incident_id, record["name"], record["place"], at)

    def _belongs(self, live_set: LiveSet, now_s: float) -> bool:
        tally = live_set.tally
        tallied_in = (
            tally is not None and tally.action == "in" and not self._closed(tally.incident_id, tally.at)
        )
        if tallied_in:
            return True
        heard_at = live_set.last_heard_at
        if heard_at is None or now_s - heard_at > FORGOTTEN_S:
            return False
        urgent = any(
            name in live_set.alarms and live_set.alarms[name].ended_at is None for name in MOST_URGENT
        )
        return live_set.wear is not None or urgent

    def _closed(self, incident_id: str, tally_at: float) -> bool:
        closed_at = self._incident_at.get(incident_id)
        return incident_id not in self._incidents and closed_at is not None and closed_at >= tally_at

    def _alarm_lines(self, now_s: float) -> tuple[AlarmLine, ...]:
        lines = []
        for (service, set_id), live_set in self._sets.items():
            tally = live_set.tally
            for active in list(live_set.alarms.values()):
                if active.alarm not in MOST_URGENT and (
                    active.ended_at is not None or not self._belongs(live_set, now_s)
                ):
                    continue
                lines.append(
                    AlarmLine(
                        key=f"{service}/{set_id}/{active.alarm}/{active.raised_at:.3f}",
                        service=service,
                        set_id=set_id,
                        wearer_id=tally.wearer_id if tally else None,
                        team=tally.team if tally else None,
                        alarm=active.alarm,
                        raised_at=active.raised_at,
                        inferred=active.inferred,
                        derived=active.derived,
                        acknowledged_at=active.acknowledged_at,
                        ended_at=active.ended_at,
                        seen_at=active.seen_at,
                        seen_by=active.seen_by,
                        detail=active.detail,
                        unknown_since_at=active.unknown_since_at,
                    )
                )
        # Nobody has seen it, it is still on, it is of the gravest kind, it is old: in this order.
        lines.sort(
            key=lambda line: (
                line.seen_at is not None,
                line.alarm not in MOST_URGENT,
                line.ended_at is not None,
                line.raised_at,
            )
        )
        return tuple(lines)

    def _prompts(self, sets: list[LiveSet], now_s: float) -> tuple[Prompt, ...]:
        """Return whom to ask: due, and neither gauge nor note came since."""
        prompts = []
        for live_set in sets:
            wear, tally = live_set.wear, live_set.tally
            due = [at for at in wear.prompts_at if at <= now_s] if wear is not None else []
            if wear is None or not due:
                continue
            if any(note.set_id == live_set.set_id and note.at >= due[-1] for note in self._notes.values()):
                continue
            gauge = self._words.gauge(live_set.set_id)
            if gauge is not None and gauge.at >= due[-1]:
                continue
            key = f"{live_set.service}/{live_set.set_id}"
            prompts.append(
                Prompt(
                    key=f"{key}/{wear.started_at:.0f}/{len(due)}",
                    set_id=live_set.set_id,
                    incident_id=tally.incident_id if tally is not None else None,
                    wearer_id=tally.wearer_id if tally is not None else None,
                    thirds=len(due),
                    due_at=due[-1],
                )
            )
        return tuple(sorted(prompts, key=lambda prompt: prompt.due_at))

    def _hearing(self, now_s: float) -> Hearing:
        while self._received and self._received[0][0] < now_s - 60.0:
            self._received.popleft()
        while self._refused and self._refused[0][0] < now_s - 3600.0:
            self._refused.popleft()
        delays_s = sorted(self._delays_s)
        return Hearing(
            last_received_at=self._last_received_s,
            received_last_minute=sum(count for _, count in self._received),
            refused_last_hour=len(self._refused),
            last_refusal=self._refused[-1][1] if self._refused else None,
            delay_p95_s=delays_s[int(0.95 * (len(delays_s) - 1))] if delays_s else None,
        )


def _seconds(column: str) -> pl.Expr:
    return (pl.col(column).dt.epoch("us") / 1e6).alias(f"{column}_s")


def _in_order(messages: Messages) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield (kind, record) of all kinds in the order of receipt, with times as seconds."""
    everything: list[tuple[float, str, dict[str, Any]]] = []
    for kind, frame in messages.items():
        if frame.is_empty() or kind == "originals":  # what a mapping made of them is here as well
            continue
        if kind == "refused":
            chosen = frame.select(_seconds("received"), "reason")
        else:
            chosen = frame.drop("topic", "payload").with_columns(
                _seconds(name) for name, dtype in frame.schema.items() if isinstance(dtype, pl.Datetime)
            )
        everything += [(row["received_s"], kind, row) for row in chosen.iter_rows(named=True)]
    everything.sort(key=lambda item: item[0])
    for _, kind, row in everything:
        yield kind, row
