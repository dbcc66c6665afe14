"""Words of what leaves the house: the monthly summary and the note beside the exported tables."""

from __future__ import annotations

from collections.abc import Iterable
from importlib.metadata import version

from analysis.trends.audit import Audit
from analysis.trends.withholding import WITHHELD, small_mark
from dashboard.words import CAUTION

TITLE = "Under air: summary of {month}"
NO_MONTH = "Under air: no wears yet"
MADE = "Made {made:%Y-%m-%d %H:%M} UTC by underair {version}, profile {profile}. {decides}"
OTHER_MONTHS = "Other months"
PRINT_HINT = "Print this page from the browser (Ctrl+P); it fits one sheet of A4."
KEY_FIGURES = "The month in figures"
KEY_HEADS = ("", "This month", "95\u00a0% interval", "A month before (mean of up to 12)")
MARKS_NOTE = (
    "“{small}”: a count from 1 to {most}. “{withheld}”: hidden since it, or what follows from it, would tell "
    "more of such a count; it may be of any size from 1. A nought is shown."
)
NOTHING = "–"
CHARTS = "Month by month"
NO_MONTH_SHOWN = "No month has a figure that is shown."
STANDS_OUT = "What stands out over all years"
NOTHING_STANDS_OUT = "Nothing, of {count:,} comparisons judged together."
PLANNING = "Planning rates, L/min"
PLANNING_HEADS = ("Task", "Wears", "Median", "90\u00a0%", "95\u00a0%")
NO_PLANNING = "Too few wears."
REST = "Rest between wears, all years"
REST_HEADS = ("Rule", "Rests too short", "Source")
FORECASTS = "Forecasts of the low-air warning"
TOO_FEW_FORECASTS = "Too few outcomes to speak of."
FORECAST_SENTENCE = (
    "Of {known:,} whose wear reached the warning {inside} lay inside their 90\u00a0% interval; half were "
    "off by "
    "less than {error:.1f} min."
)
REFUSED_TITLE = "Not made: it would tell withheld counts"
REFUSED_LINK = "Make it all the same, for use inside the service only (this is noted, and stands on it)"
BACK = "Back to the trends"
INSIDE_ONLY = (
    "Inside the service only: tables of a period that overlaps were handed out before, and both together can "
    "tell withheld counts."
)
HEAT_NOTE = "Heat dose is a measure of air temperature from the literature, not what a body felt."


def marks_note(smallest_count: int) -> str:
    """Return what the two marks mean."""
    return MARKS_NOTE.format(small=small_mark(smallest_count), most=smallest_count - 1, withheld=WITHHELD)


_TABLES = {
    "by_month": "sums and rates by month (events per 1000 wears or per 100 hours, exact 95\u00a0% intervals)",
    "by_part": "the same by kind, station and role",
    "planning_rates": "quantiles of the wears' mean rates with their 95\u00a0% interval",
    "sets": "what was found about each set",
    "forecasts": "said against happened, by minutes ahead",
    "rest": "rests shorter than the rules in force ask for",
    "standing_out": "what holds when all comparisons are judged together",
}


def readme(made: Audit, profile_name: str, tables: Iterable[str], *, inside_only: bool = False) -> str:
    """Return the note that lies beside exported tables, which are these."""
    inside = f"{INSIDE_ONLY}\n\n" if inside_only else ""
    about = "".join(f"{name}: {_TABLES[name]}\n" for name in tables)
    return (
        f"underair {version('underair')}, profile {profile_name}\n\n{CAUTION}\n{HEAT_NOTE}\n\n{inside}"
        f"{marks_note(made.smallest_count)} Where a line has either, its `withheld` is true and what would "
        "tell the count (rates, intervals, minutes) is empty. In Parquet files the counts stay numbers; "
        "their marks stand in the columns of the same name with `_mark`. For all that stands in these files, "
        "a small count can have every value that marks and noughts allow, and none can be computed back. "
        "Wearers do not appear. Tables over another period are made anew and withhold other cells: two that "
        f"overlap are refused, unless somebody asks for them all the same; do not hand those out.\n\n{about}"
    )
