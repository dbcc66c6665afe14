"""What the desk said, and what was refused, as neutral rows: tallies, orders, roll calls, notes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import polars as pl

from dashboard.review import words
from dashboard.review.clock import SECOND_MS
from dashboard.review.desk_notes import DeskNote, extra_of
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
    account = extra_of(row["payload"]).account
    return f"{row['desk_id']} ({account})" if isinstance(account, str) and account else str(row["desk_id"])


def _of_incident(
    messages: Mapping[str, pl.DataFrame], kind: str, incident_id: str | None
) -> Iterable[dict[str, Any]]:
    if kind not in messages or "at" not in messages[kind].columns:
        return ()
    chosen = messages[kind].filter(pl.col("incident_id").eq_missing(pl.lit(incident_id)))
    return chosen.sort("at", "received", nulls_last=True).iter_rows(named=True)


def _moment(row: dict[str, Any]) -> datetime:
    return row["at"] or row["received"]  # type: ignore[no-any-return]


def _corrected(rows: Sequence[dict[str, Any]], setting: Setting) -> Callable[[dict[str, Any]], str]:
    """Return what says of a message by whom it was corrected, or that it corrects another; empty for most."""
    by_identity = {
        (row["corrects"]["desk_id"], row["corrects"]["boot"], row["corrects"]["seq"]): row
        for row in rows
        if row.get("corrects")
    }

    def sentence(row: dict[str, Any]) -> str:
        by = by_identity.get((row["desk_id"], row["boot"], row["seq"]))
        if by is not None:
            return words.CORRECTED_BY.format(when=setting.clock(_moment(by)), desk=desk_of(by))
        return words.A_CORRECTION if row.get("corrects") else ""

    return sentence


def tally_table(messages: Mapping[str, pl.DataFrame], incident_id: str | None, setting: Setting) -> Table:
    """Return the tallies, each with its desk and the tally that corrected it."""
    tallies = list(_of_incident(messages, "tally", incident_id))
    corrected = _corrected(tallies, setting)
    rows = [
        [
            setting.time(_moment(row)),
            row["action"],
            *(row[name] or "–" for name in ("wearer_id", "set_id", "team", "task")),
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
            setting.time(row["called"]),
            " · ".join(filter(None, (words.CALLS.get(row["call"], row["call"]), row["about"]))),
            row["wearer_id"] or words.NOT_TALLIED,
            row["set_id"] or "–",
            row["team"] or "–",
            setting.time(row["answered"]) if row["answered"] is not None else words.NEVER,
            *(setting.time(row[name]) for name in ("missing", "out", "ended")),
        ]
        for row in answers.iter_rows(named=True)
    ]
    return table("answers", rows)


@dataclass(frozen=True)
class DeskAct:
    """One thing that a desk said beside tallies and notes."""

    row: dict[str, Any]  # the message
    what: str
    whom: str
    told: str

    @property
    def moment(self) -> datetime:
        """When it was said, on the reconciled clock; when it was heard where that is not known."""
        return _moment(self.row)


def desk_acts(
    messages: Mapping[str, pl.DataFrame], incident_id: str | None, sets: set[str], setting: Setting
) -> list[DeskAct]:
    """Return orders, roll calls, gauges read by voice, emergency teams, alarms seen and closed, in order."""
    found: list[DeskAct] = []

    def add(row: dict[str, Any], what: str, whom: str, *texts: str | None) -> None:
        found.append(DeskAct(row, what, whom, ", ".join(filter(None, texts))))

    for row in _of_incident(messages, "incident", incident_id):
        add(row, f"{words.INCIDENT} {row['action']}", " ", row["name"])
    for row in _of_incident(messages, "order", incident_id):
        add(row, f"{words.ORDER}: {row['order']} {row['state']}", _whom(row), row["text"])
    for row in _of_incident(messages, "roll_call", incident_id):
        add(row, f"{words.ROLL_CALL}: {row['state']}", row["wearer_id"] or _whom(row), row["roll_id"])
    gauges = list(_of_incident(messages, "gauge", incident_id))
    corrected = _corrected(gauges, setting)
    for row in gauges:
        bar = setting.units.text("pressure", row["pressure_bar"])
        add(row, words.GAUGE, _whom(row), bar, corrected(row))
    for row in _of_incident(messages, "standby", incident_id):
        add(row, f"{words.STANDBY}: {row['state']}", _whom(row), row["text"])
    settled = list(_of_incident(messages, "resolved", incident_id))
    corrected = _corrected(settled, setting)
    for row in settled:
        what = ALARMS.get(row["alarm"] or "", words.ENTRY)
        add(row, f"{words.RESOLVED}: {what}", _whom(row), row["text"], corrected(row))
    for row in messages["seen"].filter(pl.col("set_id").is_in(list(sets))).iter_rows(named=True):
        add(row, f"{words.SEEN}: {ALARMS.get(row['alarm'], row['alarm'])}", _whom(row))
    return sorted(found, key=lambda act: act.moment)


def desk_table(acts: Sequence[DeskAct], setting: Setting) -> Table:
    """Return the table of what desks said beside tallies and notes."""
    rows = [
        [
            setting.time(act.moment),
            setting.heard(act.row["received"], act.moment),
            *(act.what, act.whom or words.EVERYBODY, act.told or "–", desk_of(act.row)),
        ]
        for act in acts
    ]
    return table("desk", rows)


def _whom(row: dict[str, Any]) -> str:
    named = [f"{words.TEAM} {row['team']}"] if row.get("team") else []
    named += [f"{words.SET} {row['set_id']}"] if row.get("set_id") else []
    return ", ".join(named)


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
            row["kind"] or "–",
            row["reason"],
            row["path"] or "–",
            setting.time(row["first"]),
            setting.time(row["last"]),
            cell(str(row["messages"]), value=row["messages"]),
        ]
        for row in refused.sort("first", "reason", nulls_last=True).iter_rows(named=True)
    ]
    return table("refused", rows, (6,))
