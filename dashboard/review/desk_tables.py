"""What the desk said, and what was refused: notes, and all of it as neutral rows."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from operator import itemgetter
from typing import Any

import msgspec
import polars as pl

from analysis.wears.turn_back import NOTES_DESK as NOTES_DESK
from dashboard.review import words
from dashboard.review.clock import SECOND_MS
from dashboard.review.setting import Setting
from dashboard.rows import Table, cell, heads
from dashboard.words import ALARMS

RIGHT_WITHIN = timedelta(seconds=1)


@dataclass(frozen=True)
class DeskNote:
    """One note. It is withdrawn by another note that names it; both stay.

    Who wrote it and what it withdraws are in its payload under names that the contract does not have and
    therefore keeps.
    """

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


def table(name: str, rows: list[list[Any]], numeric: Sequence[int] = (), **said: Any) -> Table:
    """Return a table of one incident with its words; `said`: heads or note that are not always the same."""
    own = words.TABLES[name]
    own = {"note": "", **own, "heads": heads(own.get("heads", "")), **said}
    return Table(f"review-{name}", rows=rows, numeric=numeric, **own)


def desk_of(row: dict[str, Any]) -> str:
    """Return a desk and, where somebody was signed in, the account."""
    account = extra_of(row["payload"])["account"]
    return f"{row['desk_id']} ({account})" if account else str(row["desk_id"])


def _corrected(rows: Sequence[dict[str, Any]], setting: Setting) -> Callable[[dict[str, Any]], str]:
    """Return what says of a message by whom it was corrected, or that it corrects another; empty for most."""
    identity = itemgetter("desk_id", "boot", "seq")
    by_identity = {identity(row["corrects"]): row for row in rows if row.get("corrects")}

    def sentence(row: dict[str, Any]) -> str:
        by = by_identity.get(identity(row))
        if by is not None:
            return words.CORRECTED_BY.format(when=setting.clock(by["moment"]), desk=desk_of(by))
        return words.A_CORRECTION if row.get("corrects") else ""

    return sentence


def tally_table(messages: Mapping[str, pl.DataFrame], incident_id: str | None, setting: Setting) -> Table:
    """Return the tallies, each with its desk and the tally that corrected it."""
    tallies = said(messages, "tally", of_incident(incident_id))
    corrected = _corrected(tallies, setting)
    rows = [
        [
            *setting.cells(row, "moment", "action", "wearer_id", "set_id", "team", "task"),
            desk_of(row),
            corrected(row) or "–",
        ]
        for row in tallies
    ]
    return table("tallies", rows)


def answers_table(answers: pl.DataFrame, setting: Setting) -> Table:
    """Return who was in at each order and roll call, and how each answered."""
    rows = [
        [
            *setting.cells(row, "called"),
            " · ".join(filter(None, (words.CALLS.get(row["call"], row["call"]), row["about"]))),
            *setting.cells(row, "wearer_id", unknown=words.NOT_TALLIED),
            *setting.cells(row, "set_id", "team"),
            *setting.cells(row, "answered", unknown=words.NEVER),
            *setting.cells(row, "missing", "out", "ended"),
        ]
        for row in answers.iter_rows(named=True)
    ]
    return table("answers", rows)


@dataclass(frozen=True)
class DeskAct:
    """One thing that a desk said beside tallies and notes."""

    row: dict[str, Any]  # the message, with its `moment`
    what: str
    whom: str
    told: str


def desk_acts(
    messages: Mapping[str, pl.DataFrame], incident_id: str | None, sets: set[str], setting: Setting
) -> list[DeskAct]:
    """Return orders, roll calls, gauges read by voice, emergency teams, alarms seen and closed, in order."""
    about = of_incident(incident_id)
    found: list[DeskAct] = []

    def add(row: dict[str, Any], what: str, whom: str, *texts: str | None) -> None:
        found.append(DeskAct(row, what, whom, ", ".join(filter(None, texts))))

    for row in said(messages, "incident", about):
        add(row, f"{words.INCIDENT} {row['action']}", " ", row["name"])
    for row in said(messages, "order", about):
        add(row, f"{words.ORDER}: {row['order']} {row['state']}", _whom(row), row["text"])
    for row in said(messages, "roll_call", about):
        add(row, f"{words.ROLL_CALL}: {row['state']}", row["wearer_id"] or _whom(row), row["roll_id"])
    corrected = _corrected(gauges := said(messages, "gauge", about), setting)
    for row in gauges:
        bar = setting.units.text("pressure", row["pressure_bar"])
        add(row, words.GAUGE, _whom(row), bar, corrected(row))
    for row in said(messages, "standby", about):
        add(row, f"{words.STANDBY}: {row['state']}", _whom(row), row["text"])
    corrected = _corrected(settled := said(messages, "resolved", about), setting)
    for row in settled:
        what = ALARMS.get(row["alarm"] or "", words.ENTRY)
        add(row, f"{words.RESOLVED}: {what}", _whom(row), row["text"], corrected(row))
    for row in said(messages, "seen", pl.col("set_id").is_in(list(sets))):
        add(row, f"{words.SEEN}: {ALARMS.get(row['alarm'], row['alarm'])}", _whom(row))
    return sorted(found, key=lambda act: act.row["moment"])


def desk_table(acts: Sequence[DeskAct], setting: Setting) -> Table:
    """Return the table of what desks said beside tallies and notes."""
    rows = [
        [
            *setting.cells(act.row, "moment"),
            setting.heard(act.row["received"], act.row["moment"]),
            *(act.what, act.whom or words.EVERYBODY, act.told or "–", desk_of(act.row)),
        ]
        for act in acts
    ]
    return table("desk", rows)


def _whom(row: dict[str, Any]) -> str:
    named = ((words.TEAM, row.get("team")), (words.SET, row.get("set_id")))
    return ", ".join(f"{what} {name}" for what, name in named if name)


def note_table(notes: list[DeskNote], setting: Setting, may_withdraw: bool = False) -> Table:
    """Return an incident's notes; who may write notes may take one back."""
    rows = []
    for note in notes:
        withdrawn: Any = "–"
        if note.withdrawn is not None:
            withdrawn = words.WITHDRAWN_AT.format(when=f"{note.withdrawn:%Y-%m-%d %H:%M}")
        elif note.withdraws is not None:
            withdrawn = words.A_WITHDRAWAL
        elif may_withdraw:
            withdrawn = cell(words.WITHDRAW, jump={"withdraw": note.identity, "text": note.text})
        rows.append(
            [
                setting.time(note.at),
                f"{note.source} ({note.account})" if note.account else note.source,
                note.text,
                note.set_id or "–",
                words.CERTAINTIES.get(note.certainty, note.certainty),
                cell(setting.clock(note.received), value=note.received.timestamp() * SECOND_MS),
                withdrawn,
            ]
        )
    return table("notes", rows)


def refused_table(refused: pl.DataFrame, setting: Setting) -> Table:
    """Return what was received and refused: a row for each speaker, kind, reason and field, counted."""
    rows = [
        [
            f"{words.SET} {row['set_id']}" if row["set_id"] else f"{words.DESK_LANE} {row['desk_id'] or '–'}",
            *setting.cells(row, "kind", "reason", "path", "first", "last", "messages"),
        ]
        for row in refused.sort("first", "reason", nulls_last=True).iter_rows(named=True)
    ]
    return table("refused", rows, (6,))
