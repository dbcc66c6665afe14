"""A note written on the review page, and a note taken back: desk messages like any other, never an edit.

With a broker they are published and come back through the listener; without one they go into the archive by
the path of `underair notes`. Either way they show only once they are in the archive.
"""

from __future__ import annotations

import secrets
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl

import msgspec
import polars as pl

from dashboard.evidence.notes import LONGEST_TEXT, BadNotes, certainty_of, desk_of, moment_in
from dashboard.live.desk import Desk
from dashboard.results_store import IncidentRecord
from dashboard.review import words
from dashboard.review.clock import moment_of, zone_of
from dashboard.review.desk_notes import DeskNote
from dashboard.review.view import BadView, request_of
from ingest.archive.folder import create_archive
from ingest.archive.sealing import seal_messages
from ingest.contract.captures import Heard
from ingest.contract.frames import frames_from_heard
from ingest.contract.times import rfc3339

LONGEST_SOURCE = 80
LONGEST_LOOK = 500
HERE = "review page"


def note_fields(form: dict[str, Any]) -> dict[str, Any]:
    """Return the fields of a new note from what a form says.

    `form`: `time` (ISO 8601, in `zone` where it names no offset), `zone`, `text`, `certainty`, `source`,
    `set_id`.

    Raises `BadNotes`: which field cannot be taken, and what was expected.
    """
    said = {name: _text(form, name) for name in ("time", "zone", "text", "certainty", "source", "set_id")}
    certainty = certainty_of(said["certainty"], said["text"])
    if len(said["source"]) > LONGEST_SOURCE:
        raise BadNotes(f"source must have at most {LONGEST_SOURCE} characters, got {len(said['source'])}")
    moment = moment_in(said["time"], zone_of(said["zone"] or "UTC"), words.NOTE_TIME)
    own = {name: said[name] for name in ("text", "set_id", "source")}
    return {**own, "at": rfc3339(moment), "certainty": certainty}


def withdrawal_fields(form: dict[str, Any], notes: list[DeskNote]) -> dict[str, Any]:
    """Return the fields of the note that takes another back: it has the same moment and names the note.

    Raises `BadNotes` when there is no such note, when it is withdrawn already, or without a reason.
    """
    identity, reason = _text(form, "withdraws"), _text(form, "text")
    note = next((note for note in notes if note.identity == identity), None)
    if note is None:
        raise BadNotes(f"the incident has no note {identity!r} to withdraw; reload the page")
    if note.withdrawn is not None or note.withdraws is not None:
        raise BadNotes("this note is withdrawn already, or withdraws another: nothing to do")
    told = words.WITHDRAWAL.format(reason=reason)
    if not reason or len(told) > LONGEST_TEXT:
        raise BadNotes(f"say why it is withdrawn, in 1 to {LONGEST_TEXT} characters")
    return {"text": told, "at": rfc3339(note.at), "withdraws": identity, "set_id": note.set_id}


def look_fields(form: dict[str, Any], record: IncidentRecord) -> dict[str, Any]:
    """Return the fields of the note that a finding was looked at.

    Raises `BadNotes` when there is no such finding, or what is said about it is too long.
    """
    identity, said = _text(form, "looks_at"), _text(form, "text")
    found = record.results["findings"].filter(pl.col("finding_id") == identity)
    if not len(found):
        raise BadNotes(f"the incident has no finding {identity!r}; reload the page")
    if len(said) > LONGEST_LOOK:
        raise BadNotes(f"text must have at most {LONGEST_LOOK} characters, got {len(said)}")
    finding = found.row(0, named=True)
    told = words.LOOKED_AT.format(statement=finding["statement"][:LONGEST_LOOK])
    moment = finding["started"] or record.about["started"]
    text = f"{told} {said}".strip()
    return {"text": text, "looks_at": identity, "at": rfc3339(moment), "set_id": finding["set_id"]}


def bookmark_fields(form: dict[str, Any], record: IncidentRecord) -> dict[str, Any]:
    """Return the fields of the note that names a view of the review page.

    Raises `BadNotes` when the view makes no sense or the name is missing or too long.
    """
    query, name = _text(form, "bookmark"), _text(form, "text")
    if not 0 < len(name) <= LONGEST_SOURCE:
        raise BadNotes(f"a bookmark's name must have 1 to {LONGEST_SOURCE} characters, got {len(name)}")
    try:
        view = request_of(dict(parse_qsl(query[:LONGEST_TEXT])))
    except BadView as problem:
        raise BadNotes(f"this view cannot be kept: {problem}") from None
    start = view.at_ms if view.at_ms is not None else view.window.start if view.window else None
    moment = record.about["started"] if start is None else moment_of(start)
    return {"text": words.BOOKMARKED.format(name=name), "bookmark": query, "at": rfc3339(moment)}


def keep(fields: dict[str, Any], record: IncidentRecord, desk: Desk | None, archive: Path) -> str:
    """Send a note on its way into the archive; return its identity ``desk_id/boot/seq``.

    `fields`: its own, without the incident; empty ones are left out.

    Raises `RefusedMessage` when it would not keep the contract; `BrokerProblem` when there is a broker and it
    cannot be reached; `BadNotes` when the archive would refuse it.
    """
    incident_id = record.about["incident_id"]
    about = pl.col("incident_id") == incident_id
    spoken = [record.messages[kind].filter(about)["service"] for kind in ("tally", "incident", "note")]
    service = str(pl.concat(spoken)[0])
    fields = {"incident_id": incident_id, **{name: value for name, value in fields.items() if value}}
    if desk is not None:
        return desk.send("note", service, fields, account=fields.pop("account", ""))
    desk_id, boot = desk_of(fields.get("source", HERE), "source"), secrets.randbits(52)
    now = datetime.now(UTC)
    message = {"kind": "note", "desk_id": desk_id, "boot": boot, "seq": 0, "time": rfc3339(now), **fields}
    heard = Heard(now, f"underair/v1/{service}/desk/{desk_id}/note", msgspec.json.encode(message))
    messages = frames_from_heard([heard])
    if len(messages["refused"]):
        raise BadNotes(str(messages["refused"]["reason"][0]))
    seal_messages(create_archive(archive), messages, f"note-{boot}")
    return f"{desk_id}/{boot}/0"


def _text(form: dict[str, Any], name: str) -> str:
    value = form.get(name)
    return value.strip() if isinstance(value, str) else ""
