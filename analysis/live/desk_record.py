"""What the desks' record says: incidents, tallies, notes, gauges, settlements, and their words in force."""

from collections.abc import Mapping, Sequence

from analysis.live.desk_words import DeskWords
from analysis.live.rows import IncidentRow, NoteLine
from analysis.profile import Profile
from analysis.records import PowerUp
from analysis.wears.corrections import DeskWord, Settlement, of_those_in, read_resolved, said
from analysis.wears.gauges import VoiceGauge, read_gauges
from analysis.wears.tally import TallyBook, read_tallies
from analysis.wears.turn_back import NOTES_DESK, TurnBackNote, read_notes
from ingest.contract.kinds import DESK_KINDS

NOTES_KEPT = 200


class DeskRecord:
    """Read again whenever a desk has spoken: a few hundred messages at most."""

    def __init__(self, profile: Profile) -> None:
        self.profile = profile
        self.power_ups: Sequence[PowerUp] = ()
        self.answering: list[PowerUp] = []  # desks that saw an alarm
        self.book: TallyBook = read_tallies(())
        self.written: list[TurnBackNote] = []
        self.gauges: list[VoiceGauge] = []
        self.resolved: list[Settlement] = []
        self.words = DeskWords()
        self.incidents: list[IncidentRow] = []
        self.closed: set[str] = set()
        self.incident_heard_at: dict[str, float] = {}
        self.notes: list[NoteLine] = []
        self._seen: list[DeskWord] = []
        self._about: list[DeskWord] = []  # words about people: tallies, and entries that were settled

    def read(self, power_ups: Sequence[PowerUp]) -> None:
        """Read what the desks have said so far."""
        self.power_ups = power_ups
        self.answering = [one for one in power_ups if "seen" in one.channels]
        self.book = read_tallies(power_ups)
        self.written = read_notes(power_ups)
        self.gauges = read_gauges(power_ups)
        said_resolved = read_resolved(power_ups)
        self.resolved = of_those_in(said_resolved, [word.row for word in self.book.words])
        not_theirs = {one.identity for one in said_resolved} - {one.identity for one in self.resolved}
        words = [(one, kind) for kind in DESK_KINDS for one in said(power_ups, kind)]
        words.sort(key=lambda word: (word[0].at_us, word[0].desk_id, word[0].seq))
        self._seen = [one for one, kind in words if kind == "seen"]
        self._about = [
            one for one, kind in words if kind == "tally" or (kind == "resolved" and one.row["alarm"] is None)
        ]
        latest = {one.row["incident_id"]: one for one, kind in words if kind == "incident"}
        self.closed = {name for name, one in latest.items() if one.row["action"] == "close"}
        self.incidents = [
            IncidentRow(name, one.row["name"], one.row["place"], one.at_us * 1e-6)
            for name, one in latest.items()
            if one.row["action"] == "open"
        ]
        self.incident_heard_at = {
            one.row["incident_id"]: one.at_us * 1e-6
            for one, _ in words
            if one.row.get("incident_id") is not None
        }
        began_us = self.book.began_us
        words = [
            word for word in words if word[0].at_us >= began_us.get(word[0].row.get("incident_id", ""), 0)
        ]
        heard = [one for one, _ in words]
        self.words = DeskWords(self.book.stays, self.book.unmatched, heard, not_theirs)
        never_said = {old.identity for old, _ in self.book.corrected}
        for one, kind in words:
            if one.identity not in never_said:
                self.words.take(
                    kind, {**one.row, "desk_id": one.desk_id, "identity": one.identity}, one.at_us * 1e-6
                )
        notes = [
            NoteLine(
                key=one.identity,
                at=_about_at(one),
                text=one.row["text"],
                incident_id=one.row["incident_id"],
                desk_id=one.desk_id,
                set_id=one.row["set_id"],
                certainty=one.row["certainty"],
            )
            for one, kind in words
            # What was brought in later, as a radio log, is not said now: the review has it.
            if kind == "note"
            and one.row["incident_id"] not in self.closed
            and not one.desk_id.startswith(NOTES_DESK)
        ]
        self.notes = sorted(notes, key=lambda note: note.at)[-NOTES_KEPT:]

    def seen_since(self, about: Mapping[str, str], since_s: float) -> tuple[float, str] | None:
        """Return when an alarm (`set_id`, `alarm`) was first seen after a moment, and by which desk."""
        for one in self._seen:
            if one.at_us >= since_s * 1e6 and about.items() <= one.row.items():
                return one.at_us * 1e-6, one.desk_id
        return None

    def spoken_for(self, wearer_id: str | None, set_id: str | None, since_s: float) -> bool:
        """Return whether a tally of a wearer came since then; without a wearer, any word about the set."""

        def about(word: DeskWord) -> bool:
            named = word.row.get("wearer_id")
            return bool(word.row["set_id"] == set_id if None in (named, wearer_id) else named == wearer_id)

        return any(word.at_us >= since_s * 1e6 and about(word) for word in self._about)

    def spoken_of(self, set_id: str, since_at: float) -> bool:
        """Return whether a gauge or a note about a set came since a moment."""
        gauges = [(one.set_id, one.at_us * 1e-6) for one in self.gauges]
        about = [*gauges, *((one.set_id, one.at) for one in self.notes)]
        return any(name == set_id and at >= since_at for name, at in about)


def _about_at(note: DeskWord) -> float:
    """Return the moment that a note is about, seconds since 1970, corrected like the note's time."""
    said_at, about = note.at_us * 1e-6, note.row["at"]
    return said_at if about is None else float(about.timestamp() + said_at - note.time_us * 1e-6)
