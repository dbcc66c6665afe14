"""The tables of an incident's report, as HTML: one function a section."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from html import escape
from typing import Any

import polars as pl

from dashboard.charts import words as review_words
from dashboard.charts.desk_notes import desk_notes
from dashboard.charts.drawing import Window
from dashboard.evidence import words
from dashboard.evidence.shown import BREAK, Shown
from dashboard.results_store import IncidentRecord

MOST_EVIDENCE = 8
UNBROKEN = 16
TIMES = re.compile(r"[0-9:()–−+ ]+(UTC\))?")
SEVERITIES = ("serious", "caution", "note")


def table(
    heads: Sequence[str], rows: Iterable[Sequence[str]], numeric: Sequence[int] = (), kind: str = ""
) -> str:
    """A table whose cells are text; it prints its head on every page and never cuts a row."""
    classes = [' class="number"' if column in numeric else "" for column in range(len(heads))]

    def class_of(cell: str, column: int) -> str:
        return classes[column] or (' class="long"' if len(cell) > UNBROKEN else "")

    def row_of(tag: str, cells: Sequence[str]) -> str:
        made = (f"<{tag}{class_of(cell, column)}>{_cell(cell)}</{tag}>" for column, cell in enumerate(cells))
        return f"<tr>{''.join(made)}</tr>"

    body = "".join(row_of("td", row) for row in rows)
    if not body:
        return f"<p>{words.NOTHING}</p>"
    opening = f'<table class="{kind}">' if kind else "<table>"
    return f"{opening}<thead>{row_of('th', heads)}</thead><tbody>{body}</tbody></table>"


def _cell(text: str) -> str:
    """A cell's text; a short one (a time, an identity, a number with its unit) and times are never broken."""
    parts = [escape(part) for part in text.split(BREAK)]
    return " ".join(
        f"<span>{part}</span>" if len(part) <= UNBROKEN or TIMES.fullmatch(part) else part for part in parts
    )


def _number(value: float | None, places: int = 0, unit: str = "") -> str:
    return "–" if value is None else f"{value:z,.{places}f}{unit}"


def who(row: dict[str, Any], owner: dict[str, str]) -> str:
    """Return whom a row is about: the wearer, else the set."""
    if row["wear_id"] in owner:
        return owner[row["wear_id"]]
    return f"{review_words.SET} {row['set_id']}" if row["set_id"] else ""


def wears_table(wears: pl.DataFrame, shown: Shown, whole: Window) -> str:
    """Return the table of the wears: who, when, cylinder, air and rate."""
    rows = []
    for row in wears.sort("started").iter_rows(named=True):
        cylinder = (
            f"{row['cylinder_count']} × {row['water_volume_l']:g} L, {row['rated_bar']:.0f} bar"
            if row["water_volume_l"] is not None and row["rated_bar"] is not None
            else "not known"
        )
        air = (
            "–"
            if row["free_air_l"] is None
            else f"{shown.number('volume', row['free_air_l'])} ± "
            f"{shown.spread('volume', 1.645 * (row['free_air_sd_l'] or 0))}"
        )
        rows.append(
            [
                row["wearer_id"] or "–",
                row["team"] or "–",
                row["set_id"],
                shown.span(row["started"], row["ended"]),
                review_words.duration_text((row["ended"] - row["started"]).total_seconds()),
                cylinder,
                f"{shown.number('pressure', row['start_bar'])} to {shown.number('pressure', row['end_bar'])}",
                air,
                f"{shown.number('rate', row['mean_l_min'])} / {shown.number('rate', row['peak_l_min'])}",
                review_words.duration_text(row["low_air_s"]),
                review_words.duration_text(row["gap_s"]),
            ]
        )
    named = shown.units.label | {"zone": shown.clock.span_name(whole)}
    heads = [head.format(**named) for head in words.WEAR_HEADS]
    return table(heads, rows, range(6, 11)) + f'<p class="note">{escape(words.ESTIMATE)}</p>'


def findings_table(findings: pl.DataFrame, owner: dict[str, str], shown: Shown) -> str:
    """Return the findings with the messages that prove them."""
    if not len(findings):
        return f"<p>{escape(review_words.NO_FINDINGS)}</p>"
    parts = []
    for severity in SEVERITIES:
        for row in findings.filter(pl.col("severity") == severity).sort("started").iter_rows(named=True):
            evidence = list(row["evidence"] or [])
            more = len(evidence) - MOST_EVIDENCE
            text = ", ".join(evidence[:MOST_EVIDENCE])
            if more > 0:
                text += ", " + words.MORE_EVIDENCE.format(count=more)
            parts.append(
                f'<div class="finding grade-{severity}"><p><b>{review_words.SEVERITY[severity]}</b> '
                f"{shown.time(row['started'])} {escape(who(row, owner))}</p>"
                f"<p>{escape(row['statement'])}</p>"
                f'<p class="evidence">{words.EVIDENCE}: {escape(text) or "–"}</p></div>'
            )
    return "".join(parts)


def alarms_table(results: dict[str, pl.DataFrame], owner: dict[str, str], shown: Shown) -> str:
    """Return the table of alarms, reported and derived."""
    rate = review_words.alarm_rate_text(next(results["alarm_rates"].iter_rows(named=True), None))
    rows = []
    for row in results["alarms"].sort("raised", nulls_last=True).iter_rows(named=True):
        times = [shown.time(row[name]) for name in ("raised", "acknowledged", "cleared", "seen")]
        rows.append(
            [
                who(row, owner),
                review_words.ALARMS.get(row["alarm"], row["alarm"]),
                *times,
                review_words.duration_text(row["response_s"]),
                review_words.SOURCES[row["source"]],
            ]
        )
    return table(words.ALARM_HEADS, rows) + (f"<p>{escape(rate)}</p>" if rate else "")


def heat_table(results: dict[str, pl.DataFrame], owner: dict[str, str], shown: Shown) -> str:
    """Return the table of heat around the sets."""
    wears = results["wears"].filter(pl.col("peak_temperature_c").is_not_null())
    if not len(wears):
        return f"<p>{words.NO_HEAT}</p>"
    seconds = {
        (row["wear_id"], row["thermal_class"]): row["seconds"]
        for row in results["exposure"].iter_rows(named=True)
    }
    rows = [
        [
            owner.get(row["wear_id"], "–"),
            row["set_id"],
            shown.number("temperature", row["peak_temperature_c"], with_unit=True),
            *(
                review_words.duration_text(seconds.get((row["wear_id"], number), 0.0))
                for number in (1, 2, 3, 4)
            ),
            _number(row["heat_dose"], 3),
        ]
        for row in wears.sort("heat_dose", descending=True, nulls_last=True).iter_rows(named=True)
    ]
    return table(words.HEAT_HEADS, rows, range(2, 8)) + f'<p class="note">{escape(words.HEAT_NOTE)}</p>'


def gaps_table(gaps: pl.DataFrame, owner: dict[str, str], shown: Shown) -> str:
    """Return the table of silences inside wears."""
    if not len(gaps):
        return f"<p>{escape(words.ALL_HEARD)}</p>"
    rows = [
        [
            owner.get(row["wear_id"] or "", "–"),
            row["set_id"],
            shown.time(row["started"]),
            shown.time(row["ended"]),
            review_words.duration_text(row["seconds"]),
            str(row["lost_messages"]),
        ]
        for row in gaps.sort("started").iter_rows(named=True)
    ]
    return table(words.GAP_HEADS, rows, (4, 5)) + f'<p class="note">{escape(review_words.SILENCES_NOTE)}</p>'


def notes_table(record: IncidentRecord, shown: Shown) -> str:
    """Return the desk's notes."""
    rows = []
    for note in desk_notes(record.messages["note"], record.about["incident_id"]):
        text = f"{note.source}: {note.text}" if note.outside else note.text
        if note.withdrawn is not None:
            text += f" ({review_words.WITHDRAWN_AT.format(when=f'{note.withdrawn:%Y-%m-%d %H:%M}')})"
        rows.append([shown.time(note.at), text, note.set_id or "–", note.certainty])
    return table(words.DESK_HEADS, rows) if rows else f"<p>{words.NO_DESK}</p>"


def turn_back_table(
    results: dict[str, pl.DataFrame], owner: dict[str, str], in_force: str, shown: Shown
) -> str:
    """Return what each turn-back policy would have said."""
    replayed = {(row["wear_id"], row["policy"]): row for row in results["turn_back"].iter_rows(named=True)}
    policies = [policy for policy in review_words.POLICIES if any(key[1] == policy for key in replayed)]
    rows = []
    for wear in results["wears"].sort("started").iter_rows(named=True):
        cells = [owner.get(wear["wear_id"], wear["set_id"]), shown.time(wear["started"])]
        team = (replayed.get((wear["wear_id"], in_force)) or {}).get("team_at")
        cells.append(shown.time(team) if team is not None else review_words.NOT_REACHED)
        for policy in policies:
            row = replayed.get((wear["wear_id"], policy))
            if row is None or row["at"] is None:
                cells.append(review_words.NOT_REACHED)
                continue
            pressure = shown.number("pressure", row["pressure_bar"], with_unit=True)
            text = f"{shown.time(row['at'])},{BREAK}{pressure}"
            if row["minutes_in_hand_low_air"] is not None:
                text += ", " + review_words.BEFORE_LOW_AIR.format(
                    minutes=f"{row['minutes_in_hand_low_air']:.1f}"
                )
            cells.append(text)
        rows.append(
            [*cells, shown.time(wear["ended"]), shown.number("pressure", wear["end_bar"], with_unit=True)]
        )
    heads = [
        *review_words.TURN_BACK_FIRST,
        *review_words.policy_heads(policies, in_force),
        *review_words.TURN_BACK_LAST,
    ]
    return table(heads, rows) + f'<p class="note">{escape(review_words.TURN_BACK_NOTE)}</p>'


def clocks_table(clocks: pl.DataFrame) -> str:
    """Return the table of the sets' clocks."""
    rows = [
        [
            row["set_id"],
            str(row["boot"]),
            _number(row["offset_s"], 2, " s"),
            _number(row["offset_sd_s"], 2, " s"),
            _number(row["drift_ppm"], 0, " ppm"),
            str(row["steps"]),
        ]
        for row in clocks.sort("set_id", "boot").iter_rows(named=True)
    ]
    return f'<p class="note">{escape(review_words.CLOCKS_NOTE)}</p>' + table(
        words.CLOCK_HEADS, rows, range(2, 6)
    )
