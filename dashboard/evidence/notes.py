"""Notes added later: radio logs and other outside time lines from CSV, and what the review page writes.

Each is a desk message like any other: it gets its own identity and time of receipt, and never edits what was
recorded. The same file brought in again changes nothing. What the page writes is published where there is a
broker and comes back through the listener; without one it takes the path of a file. Either way a note shows
only once it is in the archive.
"""

import csv
import hashlib
import io
import json
import re
import secrets
from collections import defaultdict
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import parse_qsl
from zoneinfo import ZoneInfo

import msgspec
import polars as pl

from analysis.findings.finding import lasting
from analysis.pieces.archive_pieces import incidents_in
from analysis.pieces.identity import incident_id_of
from dashboard.live.desk import Desk
from dashboard.results_store import IncidentRecord
from dashboard.review import words
from dashboard.review.clock import moment_of, zone_of
from dashboard.review.desk_tables import NOTES_DESK, DeskNote
from dashboard.review.view import BadView, request_of
from ingest.archive.folder import create_archive
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.archive.store import ArchivePath
from ingest.contract.captures import Heard
from ingest.contract.columns import INCIDENT_KINDS
from ingest.contract.errors import UnderairError
from ingest.contract.frames import Messages, frames_from_heard
from ingest.contract.times import FIRST_YEAR, LAST_YEAR, rfc3339
from ingest.plurals import counted

COLUMNS = ("time", "source", "text", "certainty")
CERTAINTIES = ("recorded", "estimated")
LONGEST_TEXT = 2000
LONGEST_ID = 40
LONGEST_SOURCE = 80
LONGEST_LOOK = 500
HERE = "review page"
FAR_OFF = timedelta(minutes=30)
"""A note so long before or after its incident's messages may be in another time zone. Our own rule."""


class BadNotes(UnderairError):
    """A CSV of notes that cannot be taken as it is; the text names the line."""


@dataclass(frozen=True)
class NoteTimes:
    """How the times of a file are to be read."""

    zone: str = "UTC"  # time zone (IANA name) of times that name none
    clock_offset_s: float = 0.0  # how much that source's clock was fast, in seconds; it is taken off


def notes_from_csv(
    data: bytes, name: str, service: str, incident_id: str, source: NoteTimes, received: datetime
) -> list[Heard]:
    """Read a CSV of time, source, text, certainty; return one desk note a line.

    - `data`: UTF-8, with a header line naming the four columns; certainty may be empty (recorded).
    - `name`: of the file, for messages about it.
    - `service` and `incident_id`: as in the archive.

    Raises `BadNotes` for the first line that cannot be taken: which line, what is wrong, what was expected;
    `BadZone` when there is no such time zone.
    """
    zone = zone_of(source.zone)
    try:
        lines = list(csv.reader(io.StringIO(data.decode("utf-8-sig"), newline="")))
    except UnicodeDecodeError as error:
        raise BadNotes(
            f"{name} is not UTF-8: {error.reason} at byte {error.start}; save it as UTF-8 and try again"
        ) from None
    except csv.Error as error:
        raise BadNotes(f"{name} cannot be read as CSV: {error}") from None
    if not lines or tuple(name.strip() for name in lines[0]) != COLUMNS:
        first = ",".join(lines[0]) if lines else ""
        raise BadNotes(f"{name}: the first line must be {','.join(COLUMNS)}, got {first!r}")
    # Named after the file's content and how it was read: the same again has the same identities.
    digest = hashlib.sha256(data + f"|{source.zone}|{source.clock_offset_s}".encode()).digest()
    boot = int.from_bytes(digest[:6], "big")
    heard = []
    for number, line in enumerate(lines[1:], 2):
        if not any(part.strip() for part in line):
            continue
        where = f"{name}, line {number}"
        if len(line) != len(COLUMNS):
            expected = f"{len(COLUMNS)} fields ({', '.join(COLUMNS)})"
            raise BadNotes(f"{where}: expected {expected}, got {len(line)}")
        written, said_by, text, certainty = (part.strip() for part in line)
        certainty = certainty_of(certainty, text, f"{where}: ")
        moment = moment_in(written, zone, f"{where}: time") - timedelta(seconds=source.clock_offset_s)
        desk_id = desk_of(said_by, where)
        note = {
            "kind": "note",
            "desk_id": desk_id,
            "boot": boot,
            "seq": number,
            # Not the time of bringing in: the same file again must give the same payload.
            "time": rfc3339(moment),
            "incident_id": incident_id,
            "text": text,
            "at": rfc3339(moment),
            "certainty": certainty,
            "source": said_by,
            "clock_offset_s": source.clock_offset_s,
            "as_written": written,
        }
        payload = json.dumps(note, ensure_ascii=False).encode()
        heard.append(Heard(received, f"underair/v1/{service}/desk/{desk_id}/note", payload))
    return heard


def certainty_of(said: str, text: str, where: str = "") -> str:
    """Return how certain a note is: *recorded*, if nothing is given.

    Raises `BadNotes` when certainty or text cannot be taken; the text begins with `where`.
    """
    if said and said not in CERTAINTIES:
        raise BadNotes(f"{where}certainty must be {' or '.join(CERTAINTIES)}, got {said!r}")
    if not 0 < len(text) <= LONGEST_TEXT:
        raise BadNotes(f"{where}text must have 1 to {LONGEST_TEXT} characters, got {len(text)}")
    return said or CERTAINTIES[0]


def moment_in(written: str, zone: ZoneInfo, where: str) -> datetime:
    """Return the moment of a written time, in `zone` where it names no offset of its own.

    Raises `BadNotes` when it is no time, or one that the zone does not have or has twice; the text begins
    with `where`.
    """
    try:
        at = datetime.fromisoformat(written)
        if not FIRST_YEAR <= at.year <= LAST_YEAR:
            raise ValueError(at.year)
    except ValueError:
        raise BadNotes(
            f"{where} must be a time such as 2031-05-04T19:12:00 (ISO 8601, {FIRST_YEAR} to {LAST_YEAR}, "
            f"offset optional), got {written!r}"
        ) from None
    if at.tzinfo is not None:
        return at
    local = at.replace(tzinfo=zone)
    if local.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != at:
        raise BadNotes(
            f"{where}: {written} does not exist in {zone.key} (clocks went forward); give an offset"
        )
    if local.utcoffset() != local.replace(fold=1).utcoffset():
        raise BadNotes(f"{where}: {written} came twice in {zone.key} (clock went back); give an offset")
    return local


def desk_of(source: str, where: str) -> str:
    """Return the desk under which a source's notes are kept: its name in the contract's characters."""
    name = re.sub(r"[^A-Za-z0-9._-]+", "-", source).strip("-")
    if not name:
        raise BadNotes(f"{where}: source must have a letter or digit, got {source!r}")
    return f"{NOTES_DESK}{name}"[:LONGEST_ID]


def bring_in(
    data: bytes, name: str, archive: ArchivePath, incident: str, source: NoteTimes, received: datetime
) -> tuple[int, int, str]:
    """Put a CSV's notes into an archive; return its lines, how many notes are new, and what looks wrong.

    Raises `BadNotes` when the archive has no such incident, or for the first bad line: then nothing is
    brought in.
    """
    incident_id = incident_id_of(incident)
    known = incidents_in(archive)
    # Which use of a name a note is about says its moment.
    its = known.filter(pl.col("incident_id") == incident_id).tail(1)
    if not its.height:
        there = ", ".join(known["key"].tail(20)) or "none"
        raise BadNotes(f"no incident {incident} in the archive {archive}; there are: {there}")
    about = pl.col("incident_id") == incident_id
    first, last = its["first"][0], its["last"][0] + timedelta(seconds=1)
    spoken = Archive(archive).messages(first, last, dict.fromkeys(INCIDENT_KINDS, about))
    service = next(str(spoken[kind]["service"][0]) for kind in INCIDENT_KINDS if spoken[kind].height)
    heard = notes_from_csv(data, name, service, incident_id, source, received)
    part = f"notes-{hashlib.sha256(data).hexdigest()[:16]}"
    doubt = _far_off(heard, spoken, incident)
    return len(heard), _sealed(archive, heard, part, f"{name}: "), doubt


def _far_off(heard: list[Heard], spoken: Messages, incident: str) -> str:
    """Return how many notes are far from what the desk said of their incident; empty when none is."""
    received = pl.concat(spoken[kind]["received"] for kind in INCIDENT_KINDS if kind != "note").sort()
    if received.is_empty():
        return ""
    far: list[tuple[timedelta, str]] = []
    for one in heard:
        at = datetime.fromisoformat(json.loads(one.payload)["at"])
        off = max((received[0] - at, "before the first"), (at - received[-1], "after the last"))
        far += [off] if off[0] > FAR_OFF else []
    if not far:
        return ""
    most, where = max(far)
    which = f"{len(far)} of {counted(len(heard), 'note')} {'is' if len(far) == 1 else 'are'} far from"
    how_far = f"{lasting(most.total_seconds())} {where}"
    return f"{which} the messages of {incident}: {how_far}; are its times local (--zone)?"


def _sealed(archive: ArchivePath, heard: list[Heard], part: str, where: str = "") -> int:
    """Put notes into an archive; return how many of them are new."""
    messages = frames_from_heard(heard)
    if len(messages["refused"]):
        raise BadNotes(f"{where}{messages['refused']['reason'][0]}")
    return seal_messages(create_archive(archive), messages, part).kept


def fields_of(form: dict[str, Any], record: IncidentRecord, kept: list[DeskNote]) -> dict[str, Any]:
    """Return the fields of what a form of the review page asks for.

    `form`: texts. With `withdraws` (a note of `kept`), `looks_at` (a finding) or `bookmark` (a view's query)
    it withdraws, was looked at, or is named; else it is a note with `time` (ISO 8601, in `zone` where it
    names no offset), `text`, `certainty`, `source`, `set_id`.

    Raises `BadNotes`: what cannot be taken, and what was expected.
    """
    said = defaultdict(str, {name: text.strip() for name, text in form.items() if isinstance(text, str)})
    if form.get("withdraws"):
        return _withdrawal(said, kept)
    if form.get("looks_at"):
        return _look(said, record)
    if form.get("bookmark"):
        return _bookmark(said, record)
    certainty = certainty_of(said["certainty"], said["text"])
    if len(said["source"]) > LONGEST_SOURCE:
        raise BadNotes(f"source must have at most {LONGEST_SOURCE} characters, got {len(said['source'])}")
    moment = moment_in(said["time"], zone_of(said["zone"] or "UTC"), words.NOTE_TIME)
    own = {name: said[name] for name in ("text", "set_id", "source")}
    return {**own, "at": rfc3339(moment), "certainty": certainty}


def _withdrawal(said: dict[str, str], notes: list[DeskNote]) -> dict[str, Any]:
    """Return a note that takes another back: it has the same moment and names the note."""
    identity, reason = said["withdraws"], said["text"]
    note = next((note for note in notes if note.identity == identity), None)
    if note is None:
        raise BadNotes(f"the incident has no note {identity!r} to withdraw; reload the page")
    if note.withdrawn is not None or note.withdraws is not None:
        raise BadNotes("this note is withdrawn already, or withdraws another: nothing to do")
    told = words.WITHDRAWAL.format(reason=reason)
    if not reason or len(told) > LONGEST_TEXT:
        raise BadNotes(f"say why it is withdrawn, in 1 to {LONGEST_TEXT} characters")
    return {"text": told, "at": rfc3339(note.at), "withdraws": identity, "set_id": note.set_id}


def _look(said: dict[str, str], record: IncidentRecord) -> dict[str, Any]:
    found = record.results["findings"].filter(pl.col("finding_id") == said["looks_at"])
    if not len(found):
        raise BadNotes(f"the incident has no finding {said['looks_at']!r}; reload the page")
    if len(said["text"]) > LONGEST_LOOK:
        raise BadNotes(f"text must have at most {LONGEST_LOOK} characters, got {len(said['text'])}")
    finding = found.row(0, named=True)
    told = words.LOOKED_AT.format(statement=finding["statement"][:LONGEST_LOOK])
    moment = finding["started"] or record.about["started"]
    text = f"{told} {said['text']}".strip()
    return {"text": text, "looks_at": said["looks_at"], "at": rfc3339(moment), "set_id": finding["set_id"]}


def _bookmark(said: dict[str, str], record: IncidentRecord) -> dict[str, Any]:
    query, name = said["bookmark"], said["text"]
    if not query:
        raise BadNotes("bookmark must be the address of a view, got none")
    if not 0 < len(name) <= LONGEST_SOURCE:
        raise BadNotes(f"a bookmark's name must have 1 to {LONGEST_SOURCE} characters, got {len(name)}")
    try:
        view = request_of(dict(parse_qsl(query[:LONGEST_TEXT])))
    except BadView as problem:
        raise BadNotes(f"this view cannot be kept: {problem}") from None
    start = view.at_ms if view.at_ms is not None else view.window.start if view.window else None
    moment = record.about["started"] if start is None else moment_of(start)
    return {"text": words.BOOKMARKED.format(name=name), "bookmark": query, "at": rfc3339(moment)}


def keep(fields: dict[str, Any], record: IncidentRecord, desk: Desk | None, archive: ArchivePath) -> str:
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
    topic = f"underair/v1/{service}/desk/{desk_id}/note"
    _sealed(archive, [Heard(now, topic, msgspec.json.encode(message))], f"note-{boot}")
    return f"{desk_id}/{boot}/0"
