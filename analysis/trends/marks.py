"""What the desk's notes mark: an incident as a near miss, a wear as exposed to products of combustion.

A note that begins with "near miss" marks its incident; what follows is the reference. A note that begins
with "contamination" marks the entry of its set, or without a set everybody of its incident, as in
"contamination: soot, 25 min, decontaminated 21:40". Several notes add up: no later one takes an exposure
back, except by withdrawing its note. A withdrawn note marks nothing, nor does "contamination: none". The
words are our own rule.
"""

import re
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import msgspec
import polars as pl

_NEAR_MISS = re.compile(r"\s*near[- ]miss\b[\s:,.]*(?P<said>.*)", re.IGNORECASE | re.DOTALL)
_CONTAMINATION = re.compile(r"\s*contamination\b[\s:,.]*(?P<said>.*)", re.IGNORECASE | re.DOTALL)
_MINUTES = re.compile(r"(\d+(?:[.,]\d+)?)\s*min(?:utes)?", re.IGNORECASE)
_CLEANED = re.compile(r"decontaminated\b[\s:]*(?P<said>.*)", re.IGNORECASE | re.DOTALL)
MARKS = pl.Schema(
    dict.fromkeys(("near_miss", "contamination"), pl.String())
    | {"contaminated_min": pl.Float64(), "decontaminated": pl.String()}
)
NO_REFERENCE = "noted"
NO_KIND = "products of combustion"
_ALONE = [[word] for word in ("none", "no", "nil", "nothing", "negative")]


@dataclass(frozen=True)
class Contamination:
    """What a note says of an exposure."""

    kind: str | None
    minutes: float | None  # None where the note has none: unknown, not 0
    decontaminated: str | None  # when, as it was written; None where nothing was written

    def then(self, later: "Contamination") -> "Contamination":
        """Return this exposure and what a later note adds to it.

        A note of cleaning without minutes adds its words and its time, and no exposure. Any other adds its
        minutes (unknown when one of both is), and is not clean unless it says so.
        """
        words = [self.kind or "", "" if later.kind in (None, NO_KIND) else later.kind]
        kind = "; ".join(dict.fromkeys(word for word in words if word))
        if later.minutes is None and later.decontaminated is not None:
            return Contamination(kind, self.minutes, later.decontaminated)
        both = [one.minutes for one in (self, later) if one.minutes is not None]
        return Contamination(kind, sum(both) if len(both) == 2 else None, later.decontaminated)


class _Extra(msgspec.Struct):
    withdraws: Any = None


def near_miss_of(text: str) -> str | None:
    """Return the reference of a note that marks a near miss; None for any other note.

    Examples
    --------
    >>> near_miss_of("Near miss: 2031-17"), near_miss_of("near miss"), near_miss_of("no miss")
    ('2031-17', 'noted', None)
    """
    found = _NEAR_MISS.match(text)
    return None if found is None else found["said"].strip() or NO_REFERENCE


def contamination_of(text: str) -> Contamination | None:
    """Return what a note says of an exposure; None for any other note.

    Examples
    --------
    >>> contamination_of("Contamination: soot, 25 min, decontaminated 21:40")
    Contamination(kind='soot', minutes=25.0, decontaminated='21:40')
    >>> contamination_of("contamination")
    Contamination(kind='products of combustion', minutes=None, decontaminated=None)
    """
    found = _CONTAMINATION.match(text)
    if found is None:
        return None
    kinds, minutes, cleaned = [], None, None
    for part in (one.strip() for one in re.split(r"[,;]\s+|\n", found["said"])):
        told, washed = _MINUTES.fullmatch(part), _CLEANED.match(part)
        if told is not None:
            minutes = float(told[1].replace(",", "."))
        elif washed is not None:
            cleaned = washed["said"].strip() or NO_REFERENCE
        elif part:
            kinds.append(part)
    if minutes is None and cleaned is None and [one.lower().strip(".") for one in kinds] in _ALONE:
        return None
    return Contamination(", ".join(kinds) or NO_KIND, minutes, cleaned)


def marks_of(wears: pl.DataFrame, notes: pl.DataFrame) -> pl.DataFrame:
    """Return `near_miss`, `contamination`, `contaminated_min` and `decontaminated`, one line a wear.

    - `wears`: `wear_id`, `entry_id`, `incident_id`, `set_id`, `started`.
    - `notes`: the desks' messages of the kind `note`. Of several references of one near miss the last counts.
    """
    near: dict[str, str] = {}
    exposed: dict[str, Contamination] = {}
    rows = wears.select("wear_id", "entry_id", "incident_id", "set_id", "started").rows(named=True)
    for note in _in_force(notes):
        reference, contamination = near_miss_of(note["text"]), contamination_of(note["text"])
        if reference is not None:
            near[note["incident_id"]] = reference
        if contamination is not None:
            of_incident = [row for row in rows if row["incident_id"] == note["incident_id"]]
            for wear_id in _about(note, of_incident):
                before = exposed.get(wear_id)
                exposed[wear_id] = before.then(contamination) if before else contamination
    nothing = Contamination(None, None, None)
    found = [(near.get(row["incident_id"]), exposed.get(row["wear_id"], nothing)) for row in rows]
    lines = [(miss, one.kind, one.minutes, one.decontaminated) for miss, one in found]
    return pl.DataFrame(lines, schema=MARKS, orient="row")


def _in_force(notes: pl.DataFrame) -> list[dict[str, Any]]:
    """Return the notes that nobody withdrew, in the order in which they were received."""
    rows = notes.sort("received").select(
        "desk_id", "boot", "seq", "incident_id", "set_id", "text", "at", "received", "payload"
    )
    every = rows.rows(named=True)
    gone = set()
    for row in every:
        try:
            named = msgspec.json.decode(row["payload"], type=_Extra).withdraws
        except msgspec.DecodeError:
            continue
        if isinstance(named, str):
            gone.add(named.strip())
    return [row for row in every if f"{row['desk_id']}/{row['boot']}/{row['seq']}" not in gone]


def _about(note: dict[str, Any], rows: list[dict[str, Any]]) -> list[str]:
    """Return the wears that a note is about: those of one entry of its set, or all of its incident."""
    if note["set_id"] is None:
        return [row["wear_id"] for row in rows]
    at: datetime = note["at"] or note["received"]
    own = [row for row in rows if row["set_id"] == note["set_id"] and row["started"] is not None]
    if not own:
        return []
    # A note is written after the wear that it is about; one before all of them is about the first.
    before = [row for row in own if row["started"] <= at]
    nearest = max(before, key=lambda row: row["started"]) if before else min(own, key=lambda r: r["started"])
    if nearest["entry_id"] is None:
        return [nearest["wear_id"]]
    return [row["wear_id"] for row in rows if row["entry_id"] == nearest["entry_id"]]
