"""What was written about an incident: every note with its moment, its source and whether it was withdrawn.

A note is withdrawn by another note that names it; both stay. Who wrote the note and what it withdraws are
in its payload under names that the contract does not have and therefore keeps.
"""

from __future__ import annotations

from collections.abc import Mapping
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


EXTRA = ("source", "withdraws", "account", "looks_at", "bookmark")
"""What a desk's payload may say beyond the contract; anything else than text there says nothing."""


def of_incident(incident_id: str | None) -> pl.Expr:
    """Return what is true of messages about an incident."""
    return pl.col("incident_id").eq_missing(pl.lit(incident_id))


def said(messages: Mapping[str, pl.DataFrame], kind: str, about: pl.Expr) -> list[dict[str, Any]]:
    """Return the chosen messages of one kind in order of time.

    `moment` is when each was said, on the reconciled clock; when it was heard where that is not known.
    """
    frame = messages.get(kind)
    if frame is None or "at" not in frame.columns:
        return []
    timed = frame.filter(about).with_columns(moment=pl.coalesce("at", "received"))
    return timed.sort("at", "received", nulls_last=True).to_dicts()


def desk_notes(notes: pl.DataFrame, incident_id: str | None) -> list[DeskNote]:
    """Return an incident's notes in the order of the moments that they are about.

    `notes`: messages of the kind `note` with `at` (reconciled) and `about` (`dashboard.results_store`).
    """
    found = [_note(row) for row in notes.filter(of_incident(incident_id)).iter_rows(named=True)]
    taken_back = {note.withdraws: note.received for note in found if note.withdraws}
    known = [replace(note, withdrawn=taken_back.get(note.identity)) for note in found]
    return sorted(known, key=lambda note: (note.at, note.received))


def _note(row: dict[str, Any]) -> DeskNote:
    extra, desk = extra_of(row["payload"]), str(row["desk_id"])
    source = extra.pop("source") or (desk.removeprefix(NOTES_DESK) if desk.startswith(NOTES_DESK) else None)
    return DeskNote(
        identity=f"{desk}/{row['boot']}/{row['seq']}",
        at=_about(row),
        source=source or desk,
        outside=source is not None,
        certainty=row["certainty"] or "recorded",
        **{name: row[name] for name in ("received", "text", "set_id")},
        **extra,
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


def extra_of(payload: str) -> dict[str, Any]:
    """Return what a desk's payload says beyond the contract: a text or None for each name of `EXTRA`."""
    try:
        told = msgspec.json.decode(payload, type=dict[str, Any])
    except (msgspec.MsgspecError, ValueError, RecursionError):
        told = {}
    texts = {name: told.get(name) for name in EXTRA}
    return {name: value.strip() or None if isinstance(value, str) else None for name, value in texts.items()}
