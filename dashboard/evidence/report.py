"""One incident as one HTML file: works offline, prints well, written for a reader who was not there."""

from __future__ import annotations

import hashlib
import platform
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from html import escape
from importlib.metadata import version
from importlib.resources import files
from typing import Any

import msgspec
import polars as pl

from analysis.profile import Profile
from dashboard.charts import words as review_words
from dashboard.charts.clock import clock_of
from dashboard.charts.desk_notes import desk_notes
from dashboard.charts.drawing import Window
from dashboard.charts.figures import scales_of
from dashboard.charts.lanes import lanes_of, people_of
from dashboard.charts.overview import whole_window
from dashboard.evidence import words
from dashboard.evidence.plots import overview_svg, person_svg
from dashboard.evidence.shown import BREAK, Shown
from dashboard.results_store import IncidentRecord
from dashboard.units import METRIC, Units
from dashboard.words import CAUTION, PRODUCT
from ingest.plurals import counted

MOST_EVIDENCE = 8
UNBROKEN = 16
TIMES = re.compile(r"[0-9:()–−+ ]+(UTC\))?")
SEVERITIES = ("serious", "caution", "note")
LIBRARIES = ("numpy", "polars", "scipy", "numba")


@dataclass(frozen=True)
class Origin:
    """Where a report's figures come from: hash and count of the messages, and when it was made."""

    messages: int
    sha256: str
    made: datetime


def versions() -> dict[str, str]:
    """Return the versions of underair and of what computes its figures."""
    found = {"underair": version("underair"), "python": platform.python_version()}
    return found | {name: version(name) for name in LIBRARIES}


def hash_of(lines: Iterable[bytes]) -> tuple[int, str]:
    """Return the count and the SHA-256 of a capture's lines, as its uncompressed file would have it."""
    digest, count = hashlib.sha256(), 0
    for line in lines:
        digest.update(line)
        count += 1
    return count, digest.hexdigest()


def report_html(
    record: IncidentRecord, profile: Profile, origin: Origin, units: Units = METRIC, zone: str = "UTC"
) -> str:
    """Return the report.

    Parameters
    ----------
    record : IncidentRecord
        The incident, its tables and its messages.
    profile : Profile
        By which the wears were judged.
    origin : Origin
    units : Units
        What figures and plots are shown in.
    zone : str
        IANA name of the time zone that times are shown in, with UTC beside them.

    Raises
    ------
    BadZone
        When there is no such zone.
    """
    results, about = record.results, record.about
    everybody = people_of(results)
    whole = whole_window(results, about)
    shown = Shown(units, clock_of(zone, whole))
    owner = {wear: row["key"] for row in everybody.iter_rows(named=True) for wear in row["wear_ids"]}
    body = [
        _head(about, profile, origin, shown, whole),
        _section(words.SUMMARY, _summary(record, owner, shown)),
        _section(words.OVERVIEW, _overview(record, everybody, whole, shown)),
        _section(words.WHO, _wears(results["wears"], shown, whole)),
        _section(words.FINDINGS, _findings(results["findings"], owner, shown)),
        _section(words.ALARMS, _alarms(results, owner, shown)),
        _section(words.COURSE, _courses(record, everybody, whole, shown)),
        _section(words.HEAT, _heat(results, owner, shown)),
        _section(words.NOT_HEARD, _gaps(results["gaps"], owner, shown)),
        _section(words.DESK, _notes(record, shown)),
        _section(words.TURN_BACK, _turn_back(results, owner, profile.turn_back.policy, shown)),
        _section(words.CLOCKS, _clocks(results["clocks"])),
        _section(words.METHODS, _methods(profile)),
        _section(words.MADE_FROM, _origin(origin)),
        f'<p class="caution">{escape(CAUTION)}</p>',
    ]
    title = f"{words.TITLE}: {about['incident_id'] or about['key']}"
    style = files("dashboard.evidence").joinpath("report.css").read_text(encoding="utf-8")
    return (
        f'<!DOCTYPE html>\n<html lang="en-GB"><head><meta charset="utf-8"><title>{escape(title)}</title>'
        f"<style>{style}</style></head>\n<body><main>\n{chr(10).join(body)}\n</main></body></html>\n"
    )


def _section(title: str, content: str) -> str:
    return f"<section><h2>{escape(title)}</h2>{content}</section>"


def _table(
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
    return "–" if value is None else f"{value:,.{places}f}{unit}"


def _head(about: dict[str, Any], profile: Profile, origin: Origin, shown: Shown, whole: Window) -> str:
    name = about["name"] or about["incident_id"]
    facts = [
        about["incident_id"],
        about["place"],
        about["type"],
        _when(about, shown, whole),
    ]
    return (
        f'<header><p class="kind">{words.TITLE}</p><h1>{escape(name)}</h1>'
        f"<p>{escape(' · '.join(fact for fact in facts if fact))}</p>"
        f'<p class="note">{PRODUCT} {version("underair")} · profile {escape(profile.name)} · '
        f"made {origin.made:%Y-%m-%d %H:%M:%S} UTC</p>"
        f'{_choices(shown, whole)}<p class="caution">{escape(CAUTION)}</p></header>'
    )


def _choices(shown: Shown, whole: Window) -> str:
    """Say what was chosen for this report, where anything was."""
    told = []
    if not shown.clock.is_utc:
        told.append(words.LOCAL_TIMES.format(zone=shown.clock.span_name(whole)))
    if not shown.as_recorded:
        told.append(words.OTHER_UNITS.format(**shown.units.label))
    return f'<p class="note">{escape(" ".join(told))}</p>' if told else ""


def _when(about: dict[str, Any], shown: Shown, whole: Window) -> str | None:
    if about["started"] is None:
        return None
    utc = f"{about['started']:%Y-%m-%d %H:%M} to {about['ended']:%H:%M} UTC"
    if shown.clock.is_utc:
        return utc
    date = shown.clock.local(about["started"])
    ended = shown.clock.time(about["ended"], "%H:%M")
    started = shown.clock.time(about["started"], "%H:%M")
    return f"{date:%Y-%m-%d} {started} to {ended} ({shown.clock.span_name(whole)}), {utc}"


def _who(row: dict[str, Any], owner: dict[str, str]) -> str:
    if row["wear_id"] in owner:
        return owner[row["wear_id"]]
    return f"{review_words.SET} {row['set_id']}" if row["set_id"] else ""


def _summary(record: IncidentRecord, owner: dict[str, str], shown: Shown) -> str:
    results, about = record.results, record.about
    wears, findings, gaps = results["wears"], results["findings"], results["gaps"]
    texts = (
        [review_words.NOBODY]
        if not len(wears)
        else [
            f"{counted(about['wearers'], 'wearer')} made {counted(len(wears), 'wear')} "
            f"under air between {shown.time(wears['started'].min())} and {shown.time(wears['ended'].max())}"  # type: ignore[arg-type]
            f"{' UTC' if shown.clock.is_utc else ''}."
        ]
    )
    timed = wears.with_columns((pl.col("ended") - pl.col("started")).dt.total_seconds().alias("seconds"))
    if len(timed):
        longest = timed.sort("seconds", descending=True).row(0, named=True)
        texts.append(
            f"The longest lasted {review_words.duration_text(longest['seconds'])} "
            f"({owner.get(longest['wear_id'], longest['set_id'])})."
        )
    below = wears.filter(pl.col("low_air_s") > 0)
    if len(below):
        seconds = float(below["low_air_s"].max())  # type: ignore[arg-type]
        texts.append(
            f"{counted(len(below), 'wear')} went on below the low-air warning, for up to "
            f"{review_words.duration_text(seconds)}."
        )
    elif len(wears):
        texts.append("Nobody was under air below the low-air warning, as far as was heard.")
    reported = results["alarms"].filter(pl.col("source") != "derived")
    kinds = [review_words.ALARMS.get(kind, kind) for kind in reported["alarm"].unique().sort()]
    alarm_text = f": {', '.join(kinds)}" if kinds else ""
    texts.append(f"The sets reported {counted(len(reported), 'alarm')}{alarm_text}.")
    if len(gaps):
        lost = int(gaps["lost_messages"].sum())
        together = review_words.duration_text(float(gaps["seconds"].sum()))
        texts.append(
            f"{counted(len(gaps), 'silence')} inside wears, {together} together; "
            f"{counted(lost, 'message')} lost there."
        )
    counts = {name: int((findings["severity"] == name).sum()) for name in SEVERITIES}
    texts.append(
        f"Findings: {counts['serious']} serious, {counts['caution']} to be cautious of, "
        f"{counted(counts['note'], 'note')}."
    )
    grave = findings.filter(pl.col("severity") == "serious").sort("started")
    items = "".join(
        f"<li><b>{shown.time(row['started'])}</b> {escape(_who(row, owner))}: {escape(row['statement'])}</li>"
        for row in grave.iter_rows(named=True)
    )
    return f"<p>{escape(' '.join(texts))}</p>" + (f"<ul>{items}</ul>" if items else "")


def _overview(record: IncidentRecord, everybody: pl.DataFrame, whole: Window, shown: Shown) -> str:
    if not len(everybody):
        return f"<p>{escape(review_words.NOBODY)}</p>"
    results = record.results
    svg = overview_svg(everybody, results["wears"], results["alarms"], results["gaps"], whole, shown)
    return f'<figure>{svg}<figcaption class="note">{escape(words.ESTIMATE)}</figcaption></figure>'


def _wears(wears: pl.DataFrame, shown: Shown, whole: Window) -> str:
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
    return _table(heads, rows, range(6, 11)) + f'<p class="note">{escape(words.ESTIMATE)}</p>'


def _findings(findings: pl.DataFrame, owner: dict[str, str], shown: Shown) -> str:
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
                f"{shown.time(row['started'])} {escape(_who(row, owner))}</p>"
                f"<p>{escape(row['statement'])}</p>"
                f'<p class="evidence">{words.EVIDENCE}: {escape(text) or "–"}</p></div>'
            )
    return "".join(parts)


def _alarms(results: dict[str, pl.DataFrame], owner: dict[str, str], shown: Shown) -> str:
    rate = review_words.alarm_rate_text(next(results["alarm_rates"].iter_rows(named=True), None))
    rows = []
    for row in results["alarms"].sort("raised", nulls_last=True).iter_rows(named=True):
        times = [shown.time(row[name]) for name in ("raised", "acknowledged", "cleared", "seen")]
        rows.append(
            [
                _who(row, owner),
                review_words.ALARMS.get(row["alarm"], row["alarm"]),
                *times,
                review_words.duration_text(row["response_s"]),
                review_words.SOURCES[row["source"]],
            ]
        )
    return _table(words.ALARM_HEADS, rows) + (f"<p>{escape(rate)}</p>" if rate else "")


def _courses(record: IncidentRecord, everybody: pl.DataFrame, whole: Window, shown: Shown) -> str:
    people = [lanes_of(record.results, record.messages, row) for row in everybody.iter_rows(named=True)]
    figures = [
        f"<figure><h3>{escape(review_words.person_title(p.wearer_id, p.team, p.set_ids))}</h3>"
        f"{person_svg(p, whole, scales_of([p]), shown)}</figure>"
        for p in people
    ]
    note = words.PLOT_NOTE.format(zone=shown.clock.span_name(whole))
    if not figures:
        return f"<p>{escape(review_words.NOBODY)}</p>"
    return f'<p class="note">{escape(note)} {escape(words.ESTIMATE)}</p>' + "".join(figures)


def _heat(results: dict[str, pl.DataFrame], owner: dict[str, str], shown: Shown) -> str:
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
    return _table(words.HEAT_HEADS, rows, range(2, 8)) + f'<p class="note">{escape(words.HEAT_NOTE)}</p>'


def _gaps(gaps: pl.DataFrame, owner: dict[str, str], shown: Shown) -> str:
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
    return _table(words.GAP_HEADS, rows, (4, 5)) + f'<p class="note">{escape(review_words.SILENCES_NOTE)}</p>'


def _notes(record: IncidentRecord, shown: Shown) -> str:
    rows = []
    for note in desk_notes(record.messages["note"], record.about["incident_id"]):
        text = f"{note.source}: {note.text}" if note.outside else note.text
        if note.withdrawn is not None:
            text += f" ({review_words.WITHDRAWN_AT.format(when=f'{note.withdrawn:%Y-%m-%d %H:%M}')})"
        rows.append([shown.time(note.at), text, note.set_id or "–", note.certainty])
    return _table(words.DESK_HEADS, rows) if rows else f"<p>{words.NO_DESK}</p>"


def _turn_back(results: dict[str, pl.DataFrame], owner: dict[str, str], in_force: str, shown: Shown) -> str:
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
    return _table(heads, rows) + f'<p class="note">{escape(review_words.TURN_BACK_NOTE)}</p>'


def _clocks(clocks: pl.DataFrame) -> str:
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
    return f'<p class="note">{escape(review_words.CLOCKS_NOTE)}</p>' + _table(
        words.CLOCK_HEADS, rows, range(2, 6)
    )


def _methods(profile: Profile) -> str:
    texts = "".join(f"<dt>{escape(name)}</dt><dd>{escape(text)}</dd>" for name, text in words.METHOD_TEXTS)
    parts = {name: value for name, value in msgspec.to_builtins(profile).items() if isinstance(value, dict)}
    numbers = [
        [f"{part}.{name}", _told(name, value)]
        for part, values in parts.items()
        for name, value in values.items()
    ]
    sources = "".join(f"<li>{escape(source)}</li>" for source in profile.sources)
    return (
        f"<dl>{texts}</dl><h3>{words.IN_FORCE}: {escape(profile.name)}</h3><p>{escape(profile.title)}. "
        f"{escape(profile.decides)}</p><ul>{sources}</ul>" + _table(("Number", "Value"), numbers, kind="keys")
    )


def _told(name: str, value: Any) -> str:
    """A number of the profile in words: a policy by what people call it."""
    if name == "policy":
        return f"{review_words.POLICIES[value]} ({value})"
    policy = review_words.POLICIES.get(name)
    return f"{policy}: {_plain(value)}" if policy else _plain(value)


def _plain(value: Any) -> str:
    if isinstance(value, dict):
        return ", ".join(f"{name} {_plain(part)}" for name, part in value.items())
    return str(value)


def _origin(origin: Origin) -> str:
    made_with = ", ".join(f"{name} {number}" for name, number in versions().items())
    return (
        f"<p>{origin.messages:,} messages. SHA-256 of them as a capture, one a line in the order received: "
        f"<code>{origin.sha256}</code></p><p>{escape(made_with)}</p>"
    )
