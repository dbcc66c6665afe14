"""What the desks' record says: incidents, tallies, notes, gauges, settlements, and their words in force."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from analysis.live.desk_words import DeskWords
from analysis.live.rows import IncidentRow, NoteLine
from analysis.profile import Profile
from analysis.records import PowerUp
from analysis.wears.corrections import Settlement, read_resolved
from analysis.wears.gauges import VoiceGauge, read_gauges
from analysis.wears.tally import TallyBook, read_tallies
from analysis.wears.turn_back import TurnBackNote, read_notes

NOTES_KEPT = 200


class DeskRecord:
    """Read anew whenever a desk has spoken: a few hundred messages at most."""

    def __init__(self, profile: Profile) -> None:
        self.profile = profile
        self.power_ups: Sequence[PowerUp] = ()
        self.seen_power_ups: list[PowerUp] = []
        self.book: TallyBook = read_tallies(())
        self.written: list[TurnBackNote] = []
        self.gauges: list[VoiceGauge] = []
        self.resolved: list[Settlement] = []
        self.words = DeskWords()
        self.incidents: list[IncidentRow] = []
        self.closed: set[str] = set()
        self.incident_heard_at: dict[str, float] = {}
        self.notes: list[NoteLine] = []

    def read(self, power_ups: Sequence[PowerUp]) -> None:
        """Read what the desks have said so far."""
        self.power_ups = power_ups
        self.seen_power_ups = [one for one in power_ups if "seen" in one.channels]
        self.book = read_tallies(power_ups)
        self.written = read_notes(power_ups)
        self.gauges = read_gauges(power_ups)
        self.resolved = read_resolved(power_ups)
        said = sorted(_said(power_ups), key=lambda one: (one[0], one[3]["desk_id"], one[3]["seq"]))
        self._read_incidents(said)
        self.incident_heard_at = {
            record["incident_id"]: at for at, _, _, record in said if record.get("incident_id") is not None
        }
        self.words = DeskWords(self.gauges, self.book.stays)
        for at, _, kind, record in said:
            self.words.take(kind, record, at)
            if kind == "incident" and record["action"] == "close":
                self.words.close(record["incident_id"])
        notes = [
            NoteLine(
                key=identity,
                at=at if record["at_s"] is None else record["at_s"] + at - record["time_s"],
                text=record["text"],
                incident_id=record["incident_id"],
                desk_id=record["desk_id"],
                set_id=record["set_id"],
                certainty=record["certainty"],
            )
            for at, identity, kind, record in said
            if kind == "note" and record["incident_id"] not in self.closed
        ]
        self.notes = sorted(notes, key=lambda note: note.at)[-NOTES_KEPT:]

    def spoken_of(self, set_id: str, since_at: float) -> bool:
        """Return whether a gauge or a note about a set came since a moment."""
        gauge = self.words.gauge(set_id)
        if gauge is not None and gauge.at >= since_at:
            return True
        return any(note.set_id == set_id and note.at >= since_at for note in self.notes)

    def _read_incidents(self, said: list[tuple[float, str, str, dict[str, Any]]]) -> None:
        latest: dict[str, tuple[float, dict[str, Any]]] = {}
        for at, _, kind, record in said:
            if kind == "incident":
                latest[record["incident_id"]] = at, record
        self.closed = {name for name, (_, record) in latest.items() if record["action"] == "close"}
        self.incidents = [
            IncidentRow(name, record["name"], record["place"], at)
            for name, (at, record) in latest.items()
            if record["action"] == "open"
        ]


def _said(power_ups: Sequence[PowerUp]) -> list[tuple[float, str, str, dict[str, Any]]]:
    """Return (moment, identity, kind, record) of what desks said live; times as seconds since 1970."""
    found = []
    for power_up in power_ups:
        for kind, channel in power_up.channels.items():
            for position, row in enumerate(channel.rows):
                if channel.retained[position]:
                    continue
                seq = int(channel.seq[position])
                record = {**row, "desk_id": power_up.name, "boot": power_up.boot, "seq": seq}
                record["time_s"] = int(channel.time_us[position]) * 1e-6
                at = row.get("at")
                record["at_s"] = None if at is None else at.timestamp()
                moment = int(channel.at_us[position]) * 1e-6
                found.append((moment, power_up.identity(seq), kind, record))
    return found
