"""One incident as one HTML file: works offline, prints well, written for a reader who was not there.

The rows and figures are those of the review page (`dashboard.review`), printed by a template (Jinja2). The
same record, profile and origin give the same bytes.
"""

import re
from collections import defaultdict
from collections.abc import Collection, Iterator, Sequence
from functools import cache
from importlib.resources import files
from operator import itemgetter
from typing import Any

import jinja2
import msgspec
import polars as pl
from markupsafe import Markup, escape

from analysis.alarms.kinds import GRAVEST
from analysis.policies import POLICY_WORDS
from analysis.profile import Profile
from analysis.tables import Results
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
BY_A_WORD = ("tallied_out", "resolved")
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
    yield from _template("report.html.j2").generate(
        style=files("dashboard.evidence").joinpath("report.css").read_text(encoding="utf-8"),
        identity=identity,
        words=words,
        caution=CAUTION,
        name=about["name"] or identity,
        facts=" · ".join(filter(None, (identity, about["place"], about["type"], _when(about, clock)))),
        zone=clock.span_name(whole),
        units=units.label,
        converted=units.name != METRIC.name,
        summary=summary_of(results, setting, findings),
        happened=happened(record, setting),
        most_lines=MOST_LINES,
        clock=setting.clock,
        duration=duration_text,
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
def _template(name: str) -> jinja2.Template:
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, keep_trailing_newline=True
    )
    environment.filters |= {"cells": _cells, "css": _css, "alarm": lambda kind: ALARMS.get(kind, kind)}
    return environment.from_string(files("dashboard.evidence").joinpath(name).read_text(encoding="utf-8"))


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


def summary_of(results: Results, setting: Setting, findings: list[dict[str, Any]]) -> str:
    """Return the report's first sentences (`summary.j2`): who went in and came out, wears, alarms, silences.

    `findings`: as `finding_items` returns them.
    """
    people = results["entries"].drop_nulls("wearer_id")
    lasted_s = (pl.col("ended") - pl.col("started")).dt.total_seconds()
    severities = [item["severity"] for item in findings]
    later: dict[str, float] = defaultdict(float)
    for row in results["heard_later"].sort("started").iter_rows(named=True):
        later[setting.who(row)] += row["seconds"]
    told = _template("summary.j2").render(
        words=words,
        MOST_NAMED=MOST_NAMED,
        counted=counted,
        clock=setting.clock,
        duration=duration_text,
        who=setting.who,
        people=people["wearer_id"].n_unique(),
        elsewhere={
            row["wearer_id"]: f"{row['other_incident_id']}, {setting.clock(row['other_tallied_in'])}"
            for row in people.drop_nulls("other_incident_id").iter_rows(named=True)
        },
        inside={
            row["wearer_id"]: f"last under air {setting.clock(row['last_heard'])}"
            if row["last_heard"]
            else not_heard(row)
            for row in people.filter(~pl.col("ended_how").is_in(BY_A_WORD)).iter_rows(named=True)
        },
        wearers=results["wears"].select(pl.coalesce("wearer_id", "set_id").n_unique()).item(),
        wears=results["wears"].with_columns(lasted_s=lasted_s).sort("lasted_s", descending=True).to_dicts(),
        reported=results["alarms"].filter(pl.col("source") != "derived")["alarm"].to_list(),
        gaps=results["gaps"].to_dicts(),
        later={who: duration_text(seconds) for who, seconds in later.items()},
        refused=int(results["refused"]["messages"].sum()),
        findings={severity: severities.count(severity) for severity in SEVERITY_ORDER},
    )
    return Markup(re.sub("[ \n]+", " ", told).strip())  # noqa: S704 - the template escaped it


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


def happened(record: IncidentRecord, setting: Setting) -> list[dict[str, Any]]:
    """Return in order of time (`at`) each grave alarm that a set reported, and each emergency team sent in.

    An alarm has who had it, and the desk's word that closed it (`closed`); a team has what it `did`.
    """
    grave = record.results["alarms"].filter(pl.col("alarm").is_in(GRAVEST), pl.col("source") != "derived")
    about = of_incident(record.about["incident_id"])
    words_of_desks = said(record.messages, "resolved", about & pl.col("alarm").is_in(GRAVEST))
    lines = []
    for row in grave.to_dicts():
        closing = (
            one
            for one in words_of_desks
            if (one["set_id"], one["alarm"]) == (row["set_id"], row["alarm"])
            and one["moment"] >= row["raised"]
        )
        lines.append(row | {"at": row["raised"], "who": setting.who(row), "closed": next(closing, None)})
    lines += [
        {"at": row["moment"], "team": row["team"], "did": TEAM_DID[row["state"]]}
        for row in said(record.messages, "standby", about & pl.col("state").is_in(list(TEAM_DID)))
    ]
    return sorted(lines, key=itemgetter("at"))
