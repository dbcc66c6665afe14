"""Turn-back of cylinders and teams, and the desk's notes about it."""

import functools
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
"""In place of a team's name, in lower case. This and the words below are our own rule, and English."""
ANY_NAME = re.compile(r"\b[a-z][\w-]*\d[\w-]*")
"""A set or a wearer in a note, in lower case: no time and no number."""
NOTES_DESK = "notes-"
"""Begins the name of the desk under which an outside source's notes are kept."""
ENDINGS = (
    r"now|at once|as ordered|(?:at|with) \d+ (?:bar|psi)"
    r"|(?:due to|because of) (?:the )?(?:heat|smoke|fire|low air)"
    r"|(?:at|in|on|before|from) (?:the )?(?:(?:ground|upper|lower|first|second|third|\d+\w\w) )?"
    r"(?:stairs|staircase|door|landing|hall|corridor|floor|roof|cellar|kitchen|loft|store|hatch|branch)"
    r"|after (?:an? |the )?(?:burst|flashover|explosion|collapse|fall|alarm)(?: of(?: hot)? \w+)?"
    r"|with (?:the |an? |one |two )?(?:casualt(?:y|ies)|victims?|persons?|people|child(?:ren)?)"
)
"""All that may follow the words of a note: none of it denies, plans or asks for what they say."""
HARMLESS = re.compile(
    r"\b(?:as ordered|no (?:casualt(?:y|ies)|victims?|persons?|people|smoke|fire)"
    r"|nobody (?:found|in there|inside)|will report|go(?:es|ing) out|(?:next|another) team"
    r"|first floor searched|sat down)\b"
)
"""In another part of the note these deny nothing."""
DENIES = (
    r"n['’]t\b|\b(?:no|not|never|none|nobody|nor|neither|negative|cancel\w*|refus\w*|den(?:y|ie[sd])|declin\w*"
    r"|cannot|unable|im\w*possible|untrue|false|wrong|mistake\w*|error|correct\w*|unclear|unconfirmed|perhaps"
    r"|maybe|probably|ask\w*|request\w*|order\w*|told|tells?|command\w*|instruct\w*|plan\w*|yet|soon|until|till"
    r"|if|when|once|unless|disregard\w*|ignore\w*|scratch|abort\w*|stop\w*|revok\w*|delay\w*|about to"
    r"|ready to|prepar\w*|almost|nearly)\b"
)
STAYS = (
    r"|\b(?:block\w*|collaps\w*|gone|lost|missing|trapped|stuck|jammed|locked|cut off|separated|unconscious"
    r"|inside|down|without|stay(?:s|ed|ing)?|remain\w*|still"
    r"|go(?:es|ing)?|continu\w*|carr\w+ on|follow\w*|first|later|next|another|more|then|before|after|wait\w*"
    r"|hold(?:s|ing)?|search(?:es|ing)?|will|shall|should|would|could|may|might|must|ha(?:s|ve) to|needs?"
    r"|wants?|tr(?:y|ies|ying)|attempt\w*|in \w+ (?:s|sec\w*|m|min\w*))\b"
)
"""In another part of the note these may deny the words, or say that somebody stays, by choice or not."""


def read_notes(records: Sequence[PowerUp]) -> list[TurnBackNote]:
    """Return the desks' notes at the moment that they are about, in order of time."""
    notes = []
    for power_up in records:
        channel = power_up.channels.get("note") if power_up.role == "desk" else None
        for position, row in enumerate(channel.rows if channel else ()):
            if channel is None:
                continue
            # `at` is on the desk's clock, like `time`, and is corrected alike. An outside source has no such
            # clock: its note is about the moment that it names.
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
    wearer_id: str | None = None,
    of_team: bool = False,
) -> TurnBackNote | None:
    """Return the first note that certainly says these words about some sets, their wearer or their team.

    - `team`: incident and name: two incidents may have teams of one name.
    - `of_team`: what is said of one member is true of all, and somebody who stays takes nothing back.
    """
    notes = [note for note in _between(notes, started_us, ended_us) if words.lower() in note.text.lower()]
    if not notes:
        return None
    incident_id = team[0]
    own = frozenset(name.lower() for name in (*set_ids, wearer_id) if name)
    own_people = {_plain(name) for name in own}
    names, whose, says, whom_last = _patterns((team[1] or "").lower(), own, words.lower())
    for note in notes:
        text = note.text.lower().strip()
        pieces = re.split(r"(:)(?!\d\d)|[,;!()\n]|\.(?!\d\d)|\s[-–—]|[-–—]\s", text)
        parts = [part.strip() for part in pieces[::2]]
        told = [one for part in parts if (one := says.fullmatch(part)) is not None]
        people = {_plain(name) for one in told for name in ANY_NAME.findall(re.sub(names, " ", one[1]))}
        if not told or "?" in text:
            continue
        for part, colon in zip(parts, [*pieces[1::2], None], strict=True):
            if says.fullmatch(part) or whose.fullmatch(part) or re.fullmatch(ENDINGS, part):
                continue
            others = set(map(_plain, ANY_NAME.findall(part))) if ANY_NAME.match(part) else set()
            of_another = others and people & own_people and not others & own_people
            against = DENIES if of_team or of_another else DENIES + STAYS
            rest = HARMLESS.sub(
                " ", ANY_NAME.sub(" ", part)
            )  # a name denies nothing, whatever it begins with
            # Before a colon is who says it, or a comment on it: "Asked:", "Not true:".
            if colon or words.lower() in part or re.search(against, rest):
                break
        else:
            by_name = re.match(names, parts[0]) or whom_last.fullmatch(text)
            names_team = by_name is not None and note.incident_id == incident_id
            of_all_or_own = note.set_id is None and (not people or people & own_people)
            if note.set_id in set_ids or (names_team and (of_team or of_all_or_own)):
                return note
    return None


@functools.lru_cache(maxsize=4096)
def _patterns(
    team: str, own: frozenset[str], words: str
) -> tuple[str, re.Pattern[str], re.Pattern[str], re.Pattern[str]]:
    """Return what names the team or everybody; patterns of names, of the words, of the words before a name.

    Kept, because the live page asks for everybody inside once a second. All in lower case.
    """
    team_named = rf"(?:team +)?{re.escape(team)}|" if team else ""
    names = rf"(?:{team_named}{EVERYBODY})(?![\w-])"
    said = re.escape(words)
    # Atomic: a text of a hundred words with digits would take for ever otherwise.
    who = rf"(?>(?:{'|'.join([names, *map(re.escape, sorted(own))])})(?![\w-])|[\w:./-]*\d[\w:./-]*)"
    says = (
        rf"((?:(?:and +)?{who} +)*)(?:(?:is|are|now) +)*{said}((?: +(?:{ENDINGS}|(?:(?:with|and) +)?{who}))*)"
    )
    return (
        names,
        re.compile(rf"{who}(?: +{who})*"),
        re.compile(says),
        re.compile(rf"{said}[\s,;:.]+{names}[\s.!]*"),
    )


def note_perhaps(
    notes: Sequence[TurnBackNote],
    set_ids: set[str],
    incident_id: str | None,
    started_us: int,
    ended_us: int,
    words: str,
) -> TurnBackNote | None:
    """Return the first note of an incident that has these words, whoever and whatever it is about."""
    for note in _between(notes, started_us, ended_us):
        own = note.incident_id == incident_id and (note.set_id is None or note.set_id in set_ids)
        if own and words.lower() in note.text.lower():
            return note
    return None


def _between(notes: Sequence[TurnBackNote], started_us: int, ended_us: int) -> Sequence[TurnBackNote]:
    first = bisect_left(notes, started_us, key=lambda note: note.at_us)
    return notes[first : bisect_right(notes, ended_us, key=lambda note: note.at_us)]


def _plain(name: str) -> str:
    return re.sub(r"[\W_]", "", name)
