"""One incident as one HTML file: works offline, prints well, written for a reader who was not there."""

from __future__ import annotations

from html import escape
from importlib.resources import files
from typing import Any

import msgspec
import polars as pl

from analysis.profile import Profile
from dashboard.charts import words as review_words
from dashboard.charts.clock import clock_of
from dashboard.charts.drawing import Window
from dashboard.charts.figures import scales_of
from dashboard.charts.lanes import lanes_of, people_of
from dashboard.charts.overview import whole_window
from dashboard.evidence import words
from dashboard.evidence.origin import Origin
from dashboard.evidence.plots import overview_svg, person_svg
from dashboard.evidence.report_tables import (
    SEVERITIES,
    alarms_table,
    clocks_table,
    findings_table,
    gaps_table,
    heat_table,
    notes_table,
    table,
    turn_back_table,
    wears_table,
    who,
)
from dashboard.evidence.shown import Shown
from dashboard.results_store import IncidentRecord
from dashboard.units import METRIC, Units
from dashboard.words import CAUTION, PRODUCT
from ingest.plurals import counted

LIBRARIES = ("underair", "python", "numpy", "polars", "scipy", "numba")


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
        _section(words.WHO, wears_table(results["wears"], shown, whole)),
        _section(words.FINDINGS, findings_table(results["findings"], owner, shown)),
        _section(words.ALARMS, alarms_table(results, owner, shown)),
        _section(words.COURSE, _courses(record, everybody, whole, shown)),
        _section(words.HEAT, heat_table(results, owner, shown)),
        _section(words.NOT_HEARD, gaps_table(results["gaps"], owner, shown)),
        _section(words.DESK, notes_table(record, shown)),
        _section(words.TURN_BACK, turn_back_table(results, owner, profile.turn_back.policy, shown)),
        _section(words.CLOCKS, clocks_table(results["clocks"])),
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
        f'<p class="note">{PRODUCT} {origin.versions.get("underair", "")} · profile {escape(profile.name)} · '
        f"made {origin.made:%Y-%m-%d %H:%M:%S} UTC</p>"
        f'{_state(origin)}{_choices(shown, whole)}<p class="caution">{escape(CAUTION)}</p></header>'
    )


def _state(origin: Origin) -> str:
    """Say on the first page when the archive was not whole."""
    if origin.archive.whole:
        return ""
    told = " ".join((words.NOT_WHOLE, *origin.archive.faults))
    return f'<p class="caution">{escape(told)}</p>'


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
        f"<li><b>{shown.time(row['started'])}</b> {escape(who(row, owner))}: {escape(row['statement'])}</li>"
        for row in grave.iter_rows(named=True)
    )
    return f"<p>{escape(' '.join(texts))}</p>" + (f"<ul>{items}</ul>" if items else "")


def _overview(record: IncidentRecord, everybody: pl.DataFrame, whole: Window, shown: Shown) -> str:
    if not len(everybody):
        return f"<p>{escape(review_words.NOBODY)}</p>"
    results = record.results
    svg = overview_svg(everybody, results["wears"], results["alarms"], results["gaps"], whole, shown)
    return f'<figure>{svg}<figcaption class="note">{escape(words.ESTIMATE)}</figcaption></figure>'


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
        f"{escape(profile.decides)}</p><ul>{sources}</ul>" + table(("Number", "Value"), numbers, kind="keys")
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
    made_with = ", ".join(f"{name} {origin.versions[name]}" for name in LIBRARIES if name in origin.versions)
    return (
        f"<p>{origin.messages:,} messages. SHA-256 of them as a capture, one a line in the order received: "
        f"<code>{origin.sha256}</code></p><p>{escape(made_with)}</p>"
    )
