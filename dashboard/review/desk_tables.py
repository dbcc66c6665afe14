"""What the desk said, and what was refused, as neutral rows: tallies, orders, roll calls, notes."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from operator import itemgetter
from typing import Any

import polars as pl

from dashboard.review import words
from dashboard.review.clock import SECOND_MS
from dashboard.review.desk_notes import DeskNote, extra_of, of_incident, said
from dashboard.review.setting import Setting
from dashboard.rows import Table, cell, heads
from dashboard.words import ALARMS


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
