"""Turn-back of cylinders and teams, and the desk's notes about it."""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.records import PowerUp


def prompt_times_s(expected_minutes: float) -> tuple[float, float]:
    """Return when to ask a team for its pressures: a third and two thirds of the expected time, seconds.

    Source: FwDV 7 (2002) 7.4.
    """
    return expected_minutes * 60.0 / 3.0, expected_minutes * 120.0 / 3.0


def is_ready(start_bar: float, rated_bar: float, ready_fraction: float = 0.9) -> bool:
    """Return whether a cylinder is full enough. Source: FwDV 7, 90 % of nominal (secondary source)."""
    return start_bar >= ready_fraction * rated_bar


@dataclass(frozen=True, slots=True)
class TurnBackNote:
    """A desk's note about a set, microseconds since 1970 on the reconciled clock."""

    at_us: int
    incident_id: str
    set_id: str | None
    text: str
    identity: str


EVERYBODY = "all teams|everybody|everyone"
"""In place of a team's name, in lower case. Our own rule."""
NOTES_DESK = "notes-"
"""Begins the name of the desk under which an outside source's notes are kept."""
DOUBT = re.compile(
    r"n['’]t\b|\b(?:no|not|never|none|nobody|nor|cannot|unable|im\w*possible|refus\w*|den(?:y|ie[sd])|declin\w*"
    r"|plan\w*|will|shall|should|would|could|may|might|must|has to|have to|needs?|wants?|ask(?:s|ed)?"
    r"|request\w*|if|when|once|unless|soon|later|next|tr(?:y|ies|ying)|attempt\w*|wait\w*|perhaps|maybe|probably"
    r"|unclear|unconfirmed|go(?:es|ing)? on|continu\w*|in \w+ (?:s|sec\w*|m|min\w*))\b"
)
"""Beside the words in a note: it may deny, plan, ask or refuse them. Our own rule."""
TAKEN_BACK = re.compile(
    r"(?:no|not|negative|denied|refuse[sd]?|cancelled|planned|impossible)(?: (?:yet|now|possible|by .*))?"
    r"|(?:go(?:es|ing)? on|if|when|once|unless|as soon as)\b.*|in \w+ (?:s|sec\w*|m|min\w*)"
)
"""A whole part of a note that does so with another part of it. Our own rule."""


def read_notes(records: Sequence[PowerUp]) -> list[TurnBackNote]:
    """Return the desks' notes at the moment that they are about, in order of time."""
    notes = []
    for power_up in records:
        channel = power_up.channels.get("note") if power_up.role == "desk" else None
        for position, row in enumerate(channel.rows if channel else ()):
            if channel is None:
                continue
            # `at` is on the desk's clock, like `time`: the same correction holds. What an outside source says
            # afterwards is on no clock that runs with the listener's: it is about the moment that it names.
            about_us = int(channel.at_us[position])
            if row["at"] is not None:
                own_us = round(row["at"].timestamp() * 1e6)
                told_us = own_us - int(channel.time_us[position])
                about_us = own_us if power_up.name.startswith(NOTES_DESK) else about_us + told_us
            identity = power_up.identity(int(channel.seq[position]))
            notes.append(TurnBackNote(about_us, row["incident_id"], row["set_id"], row["text"], identity))
    return sorted(notes, key=lambda note: (note.at_us, note.identity))


def note_about(
    notes: Sequence[TurnBackNote],
    set_ids: set[str],
    team: tuple[str | None, str | None],
    started_us: int,
    ended_us: int,
    words: str,
    *,
    of_team: bool = False,
) -> TurnBackNote | None:
    """Return the first note that says these words, and nothing against them, of some sets or their team.

    `team`: incident and name: two incidents may have teams of one name.
    """
    incident_id, named = team[0], (team[1] or "").lower()
    own = rf"(?:team +)?{re.escape(named)}|" if named else ""
    names = rf"(?:{own}{EVERYBODY})(?![\w-])"
    said = re.escape(words.lower())
    # Atomic: a text of a hundred words with digits would take for ever otherwise.
    says = re.compile(rf"(?:(?>{names}|\S*\d\S*) +)*{said}(?!\w)(.*)")
    whom_last = re.compile(rf"{said}[\s,;:.]+{names}[\s.!]*")
    for note in _between(notes, started_us, ended_us):
        # "W-1 says NOT turning back" and "turning back not possible" say the opposite: a part of the sentence
        # must begin with the words, or with whom they are about, and nothing in it may deny or plan them.
        text = note.text.lower().strip()
        parts = [part.strip() for part in re.split(r"[,;!]|[:.](?!\d\d)", text)]
        told = [one for part in parts if (one := says.fullmatch(part)) is not None]
        if not told or "?" in text or any(map(TAKEN_BACK.fullmatch, parts)):
            continue
        if any(DOUBT.search(re.sub(names, " ", one[1])) for one in told):
            continue
        by_name = re.match(names, parts[0]) or whom_last.fullmatch(text)
        names_team = by_name is not None and note.incident_id == incident_id
        if note.set_id in set_ids or (names_team and (note.set_id is None or of_team)):
            return note
    return None


def note_perhaps(
    notes: Sequence[TurnBackNote],
    set_ids: set[str],
    incident_id: str | None,
    started_us: int,
    ended_us: int,
    words: str,
) -> TurnBackNote | None:
    """Return the first note of an incident that has these words, whomever and whatever it is about."""
    for note in _between(notes, started_us, ended_us):
        own = note.incident_id == incident_id and (note.set_id is None or note.set_id in set_ids)
        if own and words.lower() in note.text.lower():
            return note
    return None


def _between(notes: Sequence[TurnBackNote], started_us: int, ended_us: int) -> Sequence[TurnBackNote]:
    first = bisect_left(notes, started_us, key=lambda note: note.at_us)
    return notes[first : bisect_right(notes, ended_us, key=lambda note: note.at_us)]
