"""What a reviewer looks at, as the URL holds it: incident, wearers, window, lanes, units, zone, cursor."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import Any

import polars as pl

from analysis.profile import Profile
from analysis.tables import Results
from dashboard.results_store import IncidentRecord, ResultsStore
from dashboard.review import figures, words
from dashboard.review.clock import SECOND_MS, UTC_CLOCK, BadZone, Clock, Window, clock_of, zone_of
from dashboard.review.desk_tables import DeskNote, desk_acts, desk_notes, of_incident, said
from dashboard.review.drawing import NARROWEST_PX, View
from dashboard.review.figures import Scales, scales_of
from dashboard.review.lanes import Mark, PersonLanes, chosen_of, lanes_of, owners_of, people_of
from dashboard.review.overview import whole_window
from dashboard.review.setting import Setting
from dashboard.units import METRIC, UNITS, Units
from ingest.contract.errors import UnderairError

MOST_PEOPLE = 6
LATEST_MS = 4e12
"""The year 2096: what lies beyond is no moment of an incident."""
WIDEST_PX = 8000.0
PEOPLE_AT_FIRST = 2
LANES = tuple(figures.LANES)


class BadView(UnderairError):
    """A URL or request whose view makes no sense."""


@dataclass(frozen=True)
class Request:
    """A view as asked for; what is not said is None or empty."""

    incident: str
    people: tuple[str, ...]
    lanes: tuple[str, ...]
    units: str
    zone: str
    window: Window | None
    at_ms: float | None
    plot_px: float = NARROWEST_PX
    overlay: bool = False


def request_of(query: Mapping[str, str]) -> Request:
    """Read a view from a URL's query.

    Raises `BadView` when a number is not one, a choice or a time zone is unknown, or the window is empty.
    """
    odd = [name for name, value in query.items() if not isinstance(value, str)]
    if odd:
        raise BadView(f"each part of a view must be text, got something else for {', '.join(map(str, odd))}")
    start, end = _number(query, "from"), _number(query, "to")
    if (start is None) != (end is None) or (start is not None and end is not None and start >= end):
        raise BadView(f"from and to must be two moments in order, got {query.get('from')}, {query.get('to')}")
    units = query.get("units") or METRIC.name
    if units not in UNITS:
        raise BadView(f"units must be one of {', '.join(UNITS)}, got {units!r}")
    lanes = tuple(part for part in (query.get("lanes") or "").split(",") if part)
    unknown = set(lanes) - set(LANES)
    if unknown:
        raise BadView(f"lanes must be among {', '.join(LANES)}, got {', '.join(sorted(unknown))}")
    zone = query.get("zone") or UTC_CLOCK.zone
    try:
        zone_of(zone)
    except BadZone as problem:
        raise BadView(f"zone: {problem}") from None
    return Request(
        incident=query.get("incident", ""),
        people=tuple(part for part in (query.get("people") or "").split(",") if part)[:MOST_PEOPLE],
        lanes=tuple(lane for lane in LANES if lane in lanes),
        units=units,
        zone=zone,
        window=None if start is None or end is None else Window(start, end),
        at_ms=_number(query, "at"),
        plot_px=min(max(_number(query, "px") or NARROWEST_PX, NARROWEST_PX / 4), WIDEST_PX),
        overlay=query.get("overlay") == "yes",
    )


def _number(query: Mapping[str, str], name: str) -> float | None:
    text = query.get(name)
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not (math.isfinite(value) and 0 <= value <= LATEST_MS):
        raise BadView(f"{name} must be a number of milliseconds from 0 to {LATEST_MS:.0f}, got {text!r}")
    return value


class Bench:
    """The incidents on the bench: lanes are gathered once a wearer and kept until the figures change."""

    def __init__(self, store: ResultsStore) -> None:
        self.store = store

    def lanes(self, record: IncidentRecord, people: list[dict[str, Any]]) -> list[PersonLanes]:
        """Return the lanes of people (rows of `people_of`), in that order."""
        return [
            self.store.drawn.get(
                (record.about["key"], record.version, person["key"]),
                partial(lanes_of, record.results, record.messages, person),
            )
            for person in people
        ]

    def look(self, request: Request, following: bool = False) -> Look:
        """Return everything that a view needs; `following` a page that is open already.

        Raises `UnknownIncident` when the archive has no such incident.
        """
        record = self.store.incident(request.incident, following)
        everybody, notes, setting = seen(record, self.store.profile, UNITS[request.units], request.zone)
        chosen = chosen_of(everybody, request.people) or first_choice(record.results, everybody)
        rows = [person for person in everybody.iter_rows(named=True) if person["key"] in chosen]
        lanes = self.lanes(record, rows)
        return Look(
            request=request,
            record=record,
            everybody=everybody,
            chosen=[person["key"] for person in rows],
            lanes=lanes,
            desk=desk_marks(record, rows, notes, setting),
            whole=setting.whole,
            window=request.window or setting.whole,
            scales=scales_of(lanes),
            clock=setting.shown,
            notes=notes,
            setting=setting,
        )


def seen(
    record: IncidentRecord, profile: Profile, units: Units, zone: str
) -> tuple[pl.DataFrame, list[DeskNote], Setting]:
    """Return what page and report show an incident with: its people, its notes, and the tables' setting.

    Raises `BadZone` when there is no such zone.
    """
    everybody = people_of(record.results)
    notes = desk_notes(record.messages["note"], record.about["incident_id"])
    whole = whole_window(record.results, record.about, notes)
    policy, forecast = profile.turn_back.policy, profile.forecast.version
    clock = clock_of(zone, whole)
    return everybody, notes, Setting(owners_of(everybody), whole, units, clock, policy, forecast)


@dataclass(frozen=True)
class Look:
    """A view with its data."""

    request: Request
    record: IncidentRecord
    everybody: pl.DataFrame
    chosen: list[str]
    lanes: list[PersonLanes]
    desk: list[Mark]
    whole: Window
    window: Window
    scales: Scales
    clock: Clock
    notes: list[DeskNote]
    setting: Setting

    @property
    def view(self) -> View:
        """How it is drawn."""
        asked = self.request
        return View(asked.lanes or LANES, UNITS[asked.units], self.clock, asked.plot_px, asked.overlay)


def first_choice(results: Results, everybody: pl.DataFrame) -> list[str]:
    """Return whom to show when nobody was asked for: those with the gravest findings, else the first."""
    weight = {"serious": 100, "caution": 10, "note": 1}
    owner = owners_of(everybody)
    score = dict.fromkeys(everybody["key"], 0)
    for of, severity in results["findings"].select(pl.coalesce("wear_id", "set_id"), "severity").iter_rows():
        if of in owner:
            score[owner[of]] += weight.get(severity, 0)
    return sorted(score, key=lambda key: -score[key])[:PEOPLE_AT_FIRST]


def desk_marks(
    record: IncidentRecord, people: list[dict[str, Any]], notes: Sequence[DeskNote], setting: Setting
) -> list[Mark]:
    """Return in time order: all of the desk's notes, and what it said of these people or of everybody."""
    sets = {set_id for person in people for set_id in person["set_ids"]}
    incident_id = record.about["incident_id"]
    marks = [
        _mark(note.at, _note_mark(note))
        for note in notes
        # Not what a reviewer did later.
        if not (note.looks_at or note.bookmark)
    ]
    for act in desk_acts(record.messages, incident_id, sets, setting):
        # A gauge read by voice is in the lane of its set's pressure.
        if act.row.get("set_id") in (None, *sets) and act.what != words.GAUGE:
            what = ", ".join(filter(None, (act.what, act.whom.strip())))
            marks.append(_mark(act.row["moment"], f"{what}: {act.told}" if act.told else what))
    of_sets = of_incident(incident_id) & pl.col("set_id").is_in(list(sets))
    for row in said(record.messages, "tally", of_sets):
        marks.append(_mark(row["moment"], f"tally {row['action']} {row['wearer_id']}"))
    return sorted(marks, key=lambda mark: mark.at)


def _mark(moment: datetime, text: str) -> Mark:
    return Mark(moment.timestamp() * SECOND_MS, text)


def _note_mark(note: DeskNote) -> str:
    """Return a note for the desk's lane: its source where that is not the desk, and what is uncertain."""
    doubts = ["estimated"] * (note.certainty == "estimated") + ["withdrawn"] * bool(note.withdrawn)
    told = f"“{note.text}”" + (f" ({', '.join(doubts)})" if doubts else "")
    return f"{note.source}: {told}" if note.outside else told
