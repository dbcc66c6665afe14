"""One incident as one HTML file: works offline, prints well, written for a reader who was not there.

The rows and figures are those of the review page (`dashboard.review`), printed by a template (Jinja2). The
same record, profile and origin give the same bytes.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from functools import cache
from importlib.resources import files
from typing import Any

import jinja2
import msgspec
import polars as pl
from markupsafe import Markup, escape

from analysis.alarms.kinds import GRAVEST
from analysis.policies import POLICY_WORDS
from analysis.profile import Profile
from dashboard.evidence.origin import Origin
from dashboard.evidence.svg import svg_of
from dashboard.incident_record import IncidentRecord
from dashboard.review import words
from dashboard.review.clock import Clock
from dashboard.review.desk_tables import of_incident, said
from dashboard.review.drawing import View
from dashboard.review.figures import LANES, lanes_figure, scales_of
from dashboard.review.lanes import PersonLanes, lanes_of_each
from dashboard.review.overview import ALARM_CHARACTERS, alarm_kinds, overview_figure
from dashboard.review.setting import Setting, duration_text
from dashboard.review.tables import SEVERITY_ORDER, finding_items, incident_tables, not_heard
from dashboard.review.view import seen
from dashboard.rows import Table, text_of
from dashboard.units import METRIC, Units
from dashboard.words import ALARMS, CAUTION
from ingest.plurals import counted

PLOT_PX = 720.0
SHORT_LETTERS = 16
MOST_NAMED = 8
BEFORE_THE_FINDINGS = ("review-entries", "review-wears")


def report_html(
    record: IncidentRecord, profile: Profile, origin: Origin, units: Units = METRIC, zone: str = "UTC"
) -> str:
    """Return the report, as `report_parts` yields it."""
    return "".join(report_parts(record, profile, origin, units, zone))


def report_parts(
    record: IncidentRecord, profile: Profile, origin: Origin, units: Units = METRIC, zone: str = "UTC"
) -> Iterator[str]:
    """Yield the report part by part: that of a big incident takes 30 MB when it is whole.

    - `profile`: by which the wears were judged.
    - `zone`: IANA name of the time zone that every time is shown in.

    Raises `BadZone` when there is no such zone.
    """
    results, about = record.results, record.about
    everybody, notes, setting = seen(record, profile, units, zone)
    whole, clock = setting.whole, setting.shown
    findings = finding_items(results["findings"], setting)
    tables = incident_tables(record, notes, setting)
    identity = str(about["incident_id"] or about["key"])
    yield from _template().generate(
        style=files("dashboard.evidence").joinpath("report.css").read_text(encoding="utf-8"),
        identity=identity,
        words=words,
        caution=CAUTION,
        name=about["name"] or identity,
        facts=" · ".join(filter(None, (identity, about["place"], about["type"], _when(about, clock)))),
        zone=clock.span_name(whole),
        units=units.label,
        converted=units.name != METRIC.name,
        summary=" ".join(_summary(record, setting, findings)),
        happened=happened(record, setting),
        grave=[item for item in findings if item["severity"] == "serious"],
        overview=svg_of(overview_figure(record, everybody, whole, clock), PLOT_PX, words.OVERVIEW)
        if len(everybody)
        else "",
        signs=[f"{ALARM_CHARACTERS[kind]} {ALARMS[kind]}" for kind in alarm_kinds(results)],
        before=[table for table in tables if table.name in BEFORE_THE_FINDINGS],
        findings=findings,
        courses=_courses(record, everybody, setting),
        after=[table for table in tables if table.name not in BEFORE_THE_FINDINGS],
        profile=profile,
        numbers=_numbers(profile),
        origin=origin,
    )


@cache
def _template() -> jinja2.Template:
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, keep_trailing_newline=True
    )
    environment.filters["cells"] = _cells
    environment.filters["css"] = _css
    text = files("dashboard.evidence").joinpath("report.html.j2").read_text(encoding="utf-8")
    return environment.from_string(text)


def _cells(row: Sequence[Any], tag: str, numeric: Collection[int]) -> Any:
    """Return a table's row as markup; what is short stays on one line, what is long may wrap.

    In the template itself the rows of a long report took most of its time.
    """
    parts = ["<tr>"]
    for number, made in enumerate(row):
        text = text_of(made)
        is_long = len(text) > SHORT_LETTERS
        kind = ' class="number"' if number in numeric else ' class="long"' if is_long else ""
        said = str(escape(text))
        parts.append(f"<{tag}{kind}>{said if is_long else f'<span>{said}</span>'}</{tag}>")
    return Markup("".join([*parts, "</tr>"]))  # noqa: S704 - every text in it is escaped above


def _css(text: str) -> Any:
    """Return a text as a string of CSS; what could end it is a code point (CSS Syntax 3, section 4.3.7)."""
    made = "".join(one if one.isalnum() or one in " .,:;()-–·" else f"\\{ord(one):x} " for one in text)
    return Markup(f'"{made}"')  # noqa: S704 - only letters, digits and harmless signs are left as they are


def _when(about: dict[str, Any], clock: Clock) -> str | None:
    if about["started"] is None:
        return None
    started, ended = clock.local(about["started"]), clock.local(about["ended"])
    until = f"{ended:%H:%M}" if started.date() == ended.date() else f"{ended:%Y-%m-%d %H:%M}"
    return f"{started:%Y-%m-%d %H:%M} to {until} {clock.name(about['started'])}"


def silences_sentence(gaps: pl.DataFrame) -> str:
    """Return how many silences there are, how long they are, and how many messages were lost in them."""
    together = duration_text(float(gaps["seconds"].sum()))
    lost = counted(int(gaps["lost_messages"].sum()), "message")
    losses = f"{lost} lost there"
    if uncounted := gaps["lost_messages"].null_count():
        losses = f"the messages lost in {uncounted:,} of them are unknown"
        losses += f", {lost} lost in the others" if uncounted < len(gaps) else ""
    return f"{counted(len(gaps), 'silence')} inside wears, {together} together; {losses}."


def heard_later_sentence(later: pl.DataFrame, setting: Setting) -> str:
    """Return for how long the desk heard nothing of whom, though what was said then arrived later."""
    of_each: dict[str, float] = defaultdict(float)
    for row in later.sort("started").iter_rows(named=True):
        of_each[setting.who(row)] += row["seconds"]
    told = {who: duration_text(seconds) for who, seconds in of_each.items()}
    return f"For a time the desk heard nothing of {_named(told)}; readings of that time arrived later."


def not_out_sentences(entries: pl.DataFrame, setting: Setting) -> Iterator[str]:
    """Yield how many people went in, and for whom nobody said out, with what was heard of each last."""
    people = entries.filter(pl.col("wearer_id").is_not_null())
    if not len(people):
        return
    count = people["wearer_id"].n_unique()
    yield "1 person was tallied in." if count == 1 else f"{count:,} people were tallied in."
    elsewhere = people.filter(pl.col("other_incident_id").is_not_null())
    told = {
        row["wearer_id"]: f"{row['other_incident_id']}, {setting.clock(row['other_tallied_in'])}"
        for row in elsewhere.iter_rows(named=True)
    }
    if told:
        yield f"Also at another incident: {_named(told)}."
    inside = people.filter(~pl.col("ended_how").is_in(["tallied_out", "resolved"]))
    last = {
        row["wearer_id"]: not_heard(row)
        if row["last_heard"] is None
        else f"last under air {setting.clock(row['last_heard'])}"
        for row in inside.iter_rows(named=True)
    }
    if last:
        yield f"Nobody said out for {len(last)} of them: {_named(last)}."
    else:
        yield "A desk said that everybody came out."


def _named(people: Mapping[str, str]) -> str:
    """Return names, each with its text; if there are many, the first ones."""
    named = [f"{who} ({what})" for who, what in list(people.items())[:MOST_NAMED]]
    more = [f"{len(people) - MOST_NAMED} more"] if len(people) > MOST_NAMED else []
    return ", ".join([*named, *more])


def _summary(record: IncidentRecord, setting: Setting, findings: list[dict[str, Any]]) -> Iterator[str]:
    results = record.results
    wears, gaps = results["wears"], results["gaps"]
    yield from not_out_sentences(results["entries"], setting)
    if not len(wears):
        yield words.NOBODY
    else:
        first, last = wears["started"].min(), wears["ended"].max()
        wearers = wears.select(pl.coalesce("wearer_id", "set_id").n_unique()).item()
        yield (
            f"{counted(wearers, 'wearer')} made {counted(len(wears), 'wear')} under air between "
            f"{setting.clock(first)} and {setting.clock(last)}."  # type: ignore[arg-type]
        )
        unnamed = wears.filter(pl.col("wearer_id").is_null())
        if len(unnamed):
            sets = ", ".join(unnamed["set_id"].unique().sort())
            yield f"Nobody tallied in {len(unnamed):,} of these wears: set {sets}."
        timed = wears.with_columns((pl.col("ended") - pl.col("started")).dt.total_seconds().alias("seconds"))
        longest = timed.sort("seconds", descending=True).row(0, named=True)
        lasted = duration_text(longest["seconds"])
        yield f"The longest lasted {lasted} ({setting.who(longest)})."
        below = wears.filter(pl.col("low_air_s") > 0)
        if len(below):
            most = duration_text(float(below["low_air_s"].max()))  # type: ignore[arg-type]
            went_on = f"{counted(len(below), 'wear')} continued below the low-air warning (derived)"
            yield f"{went_on}, for up to {most}."
        else:
            yield "Nobody was under air below the low-air warning (derived), as far as was heard."
    reported = results["alarms"].filter(pl.col("source") != "derived")
    kinds = [ALARMS.get(kind, kind) for kind in reported["alarm"].unique().sort()]
    alarms = f": {', '.join(kinds)}" if kinds else ""
    yield f"The sets reported {counted(len(reported), 'alarm')}{alarms}."
    if len(gaps):
        yield silences_sentence(gaps)
    if len(results["heard_later"]):
        yield heard_later_sentence(results["heard_later"], setting)
    refused = int(results["refused"]["messages"].sum())
    if refused:
        yield f"{counted(refused, 'message')} arrived and broke the contract; they are listed below."
    counts = {name: sum(item["severity"] == name for item in findings) for name in SEVERITY_ORDER}
    yield (
        f"Findings: {counts['serious']} serious, {counted(counts['caution'], 'caution')}, "
        f"{counted(counts['note'], 'note')}."
    )


def _courses(record: IncidentRecord, everybody: pl.DataFrame, setting: Setting) -> Iterator[str]:
    """Yield each wearer's lanes, as the page draws them, one at a time: their data is large."""
    for person in lanes_of_each(record.results, record.messages, everybody.iter_rows(named=True)):
        view = View(_lanes(person), setting.units, setting.shown, PLOT_PX)
        figure, _ = lanes_figure([person], None, setting.whole, view, scales_of([person]))
        yield svg_of(figure, PLOT_PX, f"Course of {person.key}")


def _lanes(person: PersonLanes) -> tuple[str, ...]:
    """Return a wearer's lanes on paper: motion where it is spoken of, nothing that would be empty."""
    wanted = {
        "air": True,
        "rate": bool(len(person.rate.x)),
        "motion": any(kind.startswith("no_motion") for kind in person.alarm_kinds),
        "heat": bool(len(person.temperature.x)),
        "alarms": bool(person.alarm_kinds),
    }
    return tuple(lane for lane in LANES if wanted[lane])


def _numbers(profile: Profile) -> Table:
    parts = {name: value for name, value in msgspec.to_builtins(profile).items() if isinstance(value, dict)}
    rows: list[list[Any]] = [
        [f"{part}.{name}", _told(name, value)]
        for part, values in parts.items()
        for name, value in values.items()
    ]
    return Table("report-profile", "", ("Number", "Value"), rows)


def _told(name: str, value: Any) -> str:
    """A number of the profile in words: a policy by what people call it."""
    if name == "policy":
        return f"{POLICY_WORDS[value]} ({value})"
    policy = POLICY_WORDS.get(name)
    return f"{policy}: {_plain(value)}" if policy else _plain(value)


def _plain(value: Any) -> str:
    if isinstance(value, dict):
        return ", ".join(f"{name} {_plain(part)}" for name, part in value.items())
    return str(value) or "–"


MOST_LINES = 20
TEAM_DID = {"committed": "was sent in", "stood_down": "was stood down"}


def happened(record: IncidentRecord, setting: Setting) -> list[str]:
    """Return sentences in order of time: each grave alarm that a set reported, each emergency team sent in.

    An alarm has who, from when to when, who saw it and with which words it was closed. Of more than
    `MOST_LINES` the last line says how many there are.
    """
    grave = record.results["alarms"].filter(pl.col("alarm").is_in(GRAVEST), pl.col("source") != "derived")
    about = of_incident(record.about["incident_id"])
    closed = said(record.messages, "resolved", about & pl.col("alarm").is_in(GRAVEST))
    lines = [(row["raised"], _alarm(row, closed, setting)) for row in grave.to_dicts()]
    lines += [
        (row["moment"], f"emergency team {row['team']} {TEAM_DID[row['state']]}.")
        for row in said(record.messages, "standby", about & pl.col("state").is_in(list(TEAM_DID)))
    ]
    lines.sort()
    told = [f"{setting.clock(at)}: {text}" for at, text in lines[:MOST_LINES]]
    more = len(lines) - len(told)
    return [*told, *[f"{more:,} more: see the tables of alarms and of the desk."] * (more > 0)]


def _alarm(row: dict[str, Any], closed: list[dict[str, Any]], setting: Setting) -> str:
    what = (row["set_id"], row["alarm"])
    by = next(
        (one for one in closed if (one["set_id"], one["alarm"]) == what and one["moment"] >= row["raised"]),
        None,
    )
    did = [f"cleared at {setting.clock(row['cleared'])}" if row["cleared"] else "never cleared at the set"]
    if row["acknowledged"] is not None:
        did.append(f"acknowledged at the set at {setting.clock(row['acknowledged'])}")
    if row["seen"] is None:
        did.append("no desk marked it as seen or closed it")
    elif by is None or row["seen"] < by["moment"]:
        after = duration_text((row["seen"] - row["raised"]).total_seconds())
        did.append(f"seen by a desk at {setting.clock(row['seen'])}, {after} later")
    if by is not None:
        did.append(f"closed by desk {by['desk_id']} at {setting.clock(by['at'])} (“{by['text']}”)")
    who = setting.who(row)
    worn = "" if who.endswith(row["set_id"]) else f" with {words.SET.lower()} {row['set_id']}"
    return f"{ALARMS[row['alarm']]}, {who}{worn}; {'; '.join(did)}."
