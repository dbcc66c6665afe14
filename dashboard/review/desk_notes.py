"""What was written about an incident: every note with its moment, its source and whether it was withdrawn.

A note is withdrawn by another note that names it; both stay. Who wrote the note and what it withdraws are
in its payload under names that the contract does not have and therefore keeps.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import msgspec
import polars as pl

from analysis.wears.turn_back import NOTES_DESK as NOTES_DESK

RIGHT_WITHIN = timedelta(seconds=1)


@dataclass(frozen=True)
class DeskNote:
    """One note."""

    identity: str  # ``desk_id/boot/seq``
    at: datetime  # the moment that it is about
    received: datetime
    text: str
    source: str  # who or what said it: the outside source where it names one, else the desk
    outside: bool  # whether it names an outside source
    certainty: str
    set_id: str | None
    withdraws: str | None = None  # identity of the note that it takes back
    withdrawn: datetime | None = None  # when a note that takes this one back was received
    account: str | None = None  # who was signed in at the desk, where the note says so
    looks_at: str | None = None  # the finding that somebody looked at, of which this note says so
    bookmark: str | None = None  # the query of a view of the review page that this note names


class Extra(msgspec.Struct):
    """What a desk's payload may say beyond the contract; anything else than text there says nothing."""

    source: Any = None
    withdraws: Any = None
    account: Any = None
    looks_at: Any = None
    bookmark: Any = None


def desk_notes(notes: pl.DataFrame, incident_id: str | None) -> list[DeskNote]:
    """Return an incident's notes in the order of the moments that they are about.

    `notes`: messages of the kind `note` with `at` (reconciled) and `about` (`dashboard.results_store`).
    """
    of_incident = notes.filter(pl.col("incident_id").eq_missing(pl.lit(incident_id)))
    found = [_note(row) for row in of_incident.iter_rows(named=True)]
    taken_back = {note.withdraws: note.received for note in found if note.withdraws}
    known = [replace(note, withdrawn=taken_back.get(note.identity)) for note in found]
    return sorted(known, key=lambda note: (note.at, note.received))


def _note(row: dict[str, Any]) -> DeskNote:
    extra = extra_of(row["payload"])
    desk = str(row["desk_id"])
    named = _text(extra.source) or (desk.removeprefix(NOTES_DESK) if desk.startswith(NOTES_DESK) else None)
    return DeskNote(
        identity=f"{desk}/{row['boot']}/{row['seq']}",
        at=_about(row),
        received=row["received"],
        text=row["text"],
        source=named or desk,
        outside=named is not None,
        certainty=row["certainty"] or "recorded",
        set_id=row["set_id"],
        withdraws=_text(extra.withdraws),
        account=_text(extra.account),
        looks_at=_text(extra.looks_at),
        bookmark=_text(extra.bookmark),
    )


def _about(row: dict[str, Any]) -> datetime:
    """Return the moment that a note is about, on the listener's clock.

    A note names it on its desk's clock, as it does its own time: the same correction holds
    (`analysis.wears.turn_back.read_notes`). A clock that is right to a second is left alone.
    """
    sent: datetime = row["at"] or row["received"]
    about: datetime | None = row["about"]
    if about is None:
        return sent
    if str(row["desk_id"]).startswith(NOTES_DESK):
        return about  # an outside source's own time: it has no clock that runs with the listener's
    shift = sent - row["time"] if row.get("time") is not None else timedelta()
    return about + shift if abs(shift) >= RIGHT_WITHIN else about


def extra_of(payload: str) -> Extra:
    """Return what a desk's payload says beyond the contract."""
    try:
        return msgspec.json.decode(payload, type=Extra)
    except (msgspec.MsgspecError, ValueError, RecursionError):
        return Extra()


def _text(value: object) -> str | None:
    return value.strip() or None if isinstance(value, str) else None
