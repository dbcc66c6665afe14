"""Findings about refused messages that concern a person: an alarm, or a desk's word about somebody.

Only sender, kind and moment of a refused message are certain; its payload is quoted.
"""

from collections.abc import Iterator

import polars as pl

from analysis.findings.finding import Context, Finding, clock, finding
from analysis.records import micros
from analysis.refused import said_in
from ingest.plurals import counted

ABOUT_PEOPLE = ("tally", "resolved", "order", "roll_call", "gauge", "seen", "standby")
"""Desk messages about somebody who is in."""
SAID = ("alarm", "flag", "state", "action", "wearer_id", "set_id", "team", "order", "pressure_bar")
SHORT = 60


def refused_findings(context: Context) -> Iterator[Finding]:
    """Apply the rule to every kind of message that concerns a person; equal messages are one finding."""
    refused = context.refused
    if refused.is_empty():
        return
    told: dict[tuple[str, str, str, str], list[tuple[int, str]]] = {}
    of_people = ((pl.col("role") == "set") & (pl.col("kind") == "alarm")) | (
        (pl.col("role") == "desk") & pl.col("kind").is_in(ABOUT_PEOPLE)
    )
    for row in refused.filter(of_people).iter_rows(named=True):
        at_us = int(micros(pl.Series([row["received"]]))[0])
        about = row["role"], row["speaker"], row["kind"], _said(row["payload"])
        told.setdefault(about, []).append((at_us, row["reason"]))
    for (role, speaker, kind, said), heard in told.items():
        first_us, last_us = heard[0][0], heard[-1][0]
        times = counted(len(heard), "message")
        until = f" until {clock(last_us)}" if len(heard) > 1 else ""
        who = f"set {speaker}" if role == "set" else f"desk {speaker}"
        what = "an alarm" if kind == "alarm" else f"a message of kind {kind}"
        yield finding(
            "alarm_refused" if kind == "alarm" else "desk_word_refused",
            "serious" if kind == "alarm" else "caution",
            speaker if role == "set" else None,
            (first_us, last_us),
            f"Refused: {what} from {who}, received at {clock(first_us)}{until} ({times}){said}. "
            f"Reason: {heard[0][1]}. No table and no other finding uses it.",
            (),
        )


def _said(payload: bytes) -> str:
    """Return the fields of a payload that name a person or an alarm, word for word."""
    row = said_in(payload)
    words = [f"{name} {str(row[name])[:SHORT]!r}" for name in SAID if row.get(name) is not None]
    return f"; it says {', '.join(words)}" if words else ""
