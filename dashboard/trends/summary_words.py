"""Words of what is handed out: the monthly sheets and the notes beside exported tables."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from importlib.metadata import version

from analysis.trends.columns import WORDS
from dashboard.words import CAUTION

TITLE = "Under air: summary of {month}"
NO_MONTH = "Under air: no month is published yet"
MADE = "Made {made:%Y-%m-%d %H:%M} UTC by underair {version}, profile {profile}. {decides}"
OTHER_PERIODS = "Other years and months"
PRINT_HINT = "Print this page from the browser (Ctrl+P). It fits one sheet of A4."
KEY_FIGURES = "The {length} in figures"
KEY_HEADS = ("", "This {length}", "A {length} before (mean of up to {before})")
INSIDE_HEADS = ("", "This {length}", "95\u00a0% interval", "A {length} before (mean of up to {before})")
A_LENGTH = "a {length}"
NEVER_HEARD = "Entries never heard under air (in no rate, in no mean)"
NOTHING = "–"
CHARTS = "Month by month"
NO_MONTH_SHOWN = "No month has this figure."
STANDS_OUT = "What stands out over all years"
NOTHING_STANDS_OUT = "Nothing stands out among {count:,} comparisons. They are not about single months."
PLANNING = "Planning rates of {year}, L/min"
PLANNING_INSIDE = "Planning rates, L/min"
PLANNING_HEADS = ("Task", "Half below", "9 in 10", "19 in 20")
PLANNING_INSIDE_HEADS = ("Task", "Wears", "Half below", "9 in 10", "19 in 20")
THIS_CYLINDER = "a cylinder of 6.8 L and 300 bar"
NO_PLANNING = "Too few wears."
PARTS = "Stations, roles and kinds in {period}"
PART_NAMES = {"station": "Stations", "role": "Roles", "kind": "Incidents, drills and training"}
PART_HEADS = ("", "Wears", "Hours", "Left below warning", "No-motion", "Distress", "Silent")
REST = "Rest between wears, all years"
REST_HEADS = ("Rule", "Rests too short", "Source")
FORECASTS = "Forecasts of the low-air warning"
TOO_FEW_FORECASTS = "Too few outcomes to judge."
FORECAST_SENTENCE = (
    "In {known:,} forecasts the warning came. {inside} of them were right: it came within the forecast "
    "interval (promised: 90\u00a0%). "
    "Half were off by less than {error:.1f} min."
)
FLAG = {
    "low_air_exits": "Left below the low-air warning",
    "no_motion_wears": "Wears with a no-motion alarm",
    "distress_wears": "Wears with a distress alarm",
    "silent_wears": "Wears with a minute of silence or more",
}
AMOUNT = {
    "under_air_min": "Minutes under air, a wear",
    "hard_min": "Minutes breathing hard, a wear",
    "heat_dose": "Heat dose, a wear",
}
PUBLISHED_NOTE = (
    "Each figure covers at least {people} people. Events are rounded to 5 and shown as a range: "
    "“3 to 7” means a count from 3 to 7. Hours are rounded to 5, means to two figures. "
    "A dash means: too few people to show it, or nothing known. Exits below the warning are counted only "
    "where the end of the wear was heard."
)
TOO_FEW_PEOPLE = "Too few people were at work in {period} to publish it."
NO_ROW = (
    "No table has a row: no period is over, or too few people were at work in it. With --inside, `audit` "
    "writes the service's own tables."
)
INSIDE_ONLY = "Inside the service only: exact counts can reveal a person."
HEAT_NOTE = "Heat dose is computed from the air temperature. It is not what a body felt."


def published_note(people: int) -> str:
    """Return what the figures of the published tables mean."""
    return PUBLISHED_NOTE.format(people=people)


def readme(profile_name: str, tables: Iterable[str], people: int) -> str:
    """Return the note beside published tables."""
    return _note(
        profile_name,
        {name: WORDS["tables"]["outside"][name] for name in tables},
        f"{published_note(people)} Small stations, roles and kinds are merged until each is large enough. "
        "Columns ending in _low and _high are the ends of a range. Rates are wears with the event per 1000 "
        "wears, made from those ends. A period with wears is published once, when it is over, and never "
        "changes: releases of later months can be handed out beside earlier ones.",
    )


def inside_readme(profile_name: str, tables: Iterable[str]) -> str:
    """Return the note beside the service's own tables."""
    return _note(profile_name, {name: WORDS["tables"]["inside"][name] for name in tables}, INSIDE_ONLY)


def _note(profile_name: str, tables: Mapping[str, str], meaning: str) -> str:
    about = "".join(f"{name}: {says}\n" for name, says in tables.items())
    head = f"underair {version('underair')}, profile {profile_name}\n\n{CAUTION}\n{HEAT_NOTE}"
    return f"{head}\n\n{meaning}\n\n{about}"
