"""Every word of the trends page: titles, and the sentence under each plot that says what it shows."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date

import polars as pl

from analysis.trends.ledger import HARD_BREATHING_L_MIN, THERMAL_CLASSES
from analysis.trends.measures import (
    FEWEST_EVENTS_FOR_LIMITS,
    FEWEST_MONTHS_FOR_LIMITS,
    FEWEST_WEARS_FOR_A_RATE,
    MonthlyMean,
    MonthlyRate,
)
from analysis.trends.statistics import MannKendall
from dashboard.units import Units


@dataclass(frozen=True)
class Plot:
    """One plot of the page: what it counts and how it is called.

    For a rate `exposure` is ``wears`` or ``hours`` and `per` its size; for a mean both are empty.
    """

    name: str
    title: str
    unit: str
    exposure: str = ""
    per: float = 0.0
    factor: float = 1.0
    decimals: int = 1


PLOTS = (
    Plot("under_air_min", "Minutes under air, a wear", "min"),
    Plot("hard_min", f"Minutes breathing hard (from {HARD_BREATHING_L_MIN:.0f} L/min), a wear", "min"),
    Plot("heat_dose", "Heat dose, a wear", "", decimals=3),
    Plot("low_air_exits", "Left below the low-air warning, per 1000 wears", "", "wears", 1000.0),
    Plot("no_motion_alarms", "No-motion alarms, per 100 hours under air", "", "hours", 100.0),
    Plot("distress_alarms", "Distress alarms, per 100 hours under air", "", "hours", 100.0),
    Plot("silent_min", "Minutes not heard, a wear", "min"),
)
HEAT_NOTE = "Heat dose is a measure of air temperature from the literature, not what a body felt."

TITLE = "Wears over time"
PERIOD = "Period"
ALL_YEARS = "All years"
ONGOING = "An incident that is under way appears here half an hour after its last message."
NOTHING = (
    "No wears in this period. Wears appear here as soon as an archive holds pressure readings: bring in a "
    "capture with `underair import`, or listen with `underair listen`. " + ONGOING
)
FEW = (
    f"{{wears}} in this period: too few for a rate ({FEWEST_WEARS_FOR_A_RATE} are needed). Counts are shown "
    "as they are; nothing is said about more or less."
)
SUMMARY = "{wears} by {wearers}, {hours:.1f} hours under air, {first} to {last}."
READING = (
    "A point is a month (UTC, so that every reader counts alike); the bold number under it says how many "
    "wears. Bars: exact 95\u00a0% interval of a count. "
    f"Dashed: control limits, drawn from {FEWEST_MONTHS_FOR_LIMITS} months and {FEWEST_EVENTS_FOR_LIMITS} "
    "events on (u chart for rates; individuals above and moving range below for means). A diamond lies "
    "outside them; a hollow point is a month of few wears or one that is not over, shown but not judged; a "
    "triangle stands for one beyond the scale."
)
UNITS, UNIT_CHOICES = "Units", {"metric": "bar, L/min", "imperial": "psi, ft³/min"}
FIND, FIND_WEARER, FIND_SET = "Find", "a wearer", "a set, or why"
NOT_UP_TO_DATE = (
    "The figures are not up to date: what is new in the archive could not be worked out ({problem}). They "
    "hold what was worked out before; the next try is within a minute."
)
NOT_MEASURED = "Not measured in this period."
SO_FAR = "{month} is not over: its counts are those so far."
SO_FAR_MARK = "so far"
MOVING_RANGE = "change"
CLASSES_TITLE = "Minutes in hot surroundings (thermal class II and above), a wear"
HOT_CLASSES = (2, 3, 4)
CLASS_NAMES = {2: "class II", 3: "class III", 4: "class IV"}
CLASSES_HEAD = "Class I / II / III / IV, min a wear"
STATION, ROLE, KIND = "Station", "Role", "Kind"
ALL_KINDS, ALL_STATIONS, ALL_ROLES = "All", "All", "All"
KIND_WORDS = {"incident": "Incidents", "drill": "Drills", "training": "Training"}
EXPORT = "Published tables (for outside)"
SUMMARY_LINK = "Published month to print"
INSIDE_EXPORT = "All tables (inside the service)"
INSIDE_LINK = "Month to print (inside)"
ASK_INSIDE = "the role review sees why"
NOT_PUBLISHED = "Nothing is published yet. A month is published when it is over."
PUBLISHED = "{wears}, about {hours:,} hours under air, {first} to {last}."
PUBLISHED_POINTS = "One point a month. A gap means: too few people to show it."
PUBLISHED_RANGES = "Each bar spans the counts that the month may have."
HOURS_TITLE = "Hours under air"
BY_YEAR, BY_QUARTER = "{part} by year", "{part} by quarter"
WORKING = "Working out wears that are new: {part} of their messages read. The page comes by itself."
WORKING_TITLE = "Reading the archive"
NO_ROSTER = (
    "Stations and roles appear once a roster lies in the archive's folder (roster.toml or roster.csv: "
    "pseudonym, "
    "station, role, from, until)."
)
BAD_ROSTER = "The roster is left out: {problem}."
DUE_TITLE = "Wearers due a look"
NOBODY_DUE = "Nobody: no rule on rest was broken in this period, and no wearer stands out."
DUE_HEADS = ["Wearer", "Station", "Why"]
DUE_NOTE = "By pseudonym; the key lies elsewhere. A reason to ask and to care, not a mark against anybody."
MORE_DUE = "And {count:,} more, each for fewer short rests: choose a year or a station to see them."
RULES = "Rules in force"
STATIONS_TABLE, ROLES_TABLE = "By station", "By role"
PART_HEADS = [
    "Wears",
    "Wearers",
    "Hours",
    "Hard breathing",
    "Heat dose a wear",
    "Left below warning: count, per 1000 wears",
    "No-motion: count, per 100 h",
    "Distress: count, per 100 h",
    CLASSES_HEAD,
    "Not heard a wear",
]
PART_NOTE = (
    "Counts, and their rates with the exact 95\u00a0% interval. The diamond marks what stands out among all "
    "comparisons. Heat and thermal classes over the wears with a heat sensor."
)
ALL_TASKS = "all tasks"
SET_HEADS = [
    "Set",
    "Why",
    "Wears",
    "Last wear (UTC)",
    "Stuck readings",
    "Wrong clock",
    "Battery refused or low",
    "Charge over time",
    "Silent wears",
    "Not heard",
    "Fell with valve closed",
]
STANDS_OUT = "stands out"
PROMISED, AS_SAID, HAPPENED = (
    "90\u00a0% interval as said",
    "as said",
    "what happened: median, middle 90\u00a0%",
)
SAID_AXIS, HAPPENED_AXIS = "minutes said ahead", "minutes it took"
FORECAST_HOVER = "said %{x:.0f} min: half took %{y:.1f} min or less, %{customdata} forecasts"
MOST_MONTHS_NAMED = 4
CHANCE_OUTSIDE = 0.0027  # of points beyond three standard deviations, when nothing is behind them
WEARS_BELOW = "wears"
MONTHS_TABLE = "By month"
MONTH_HEADS = [
    "Month",
    "Wears",
    "Wearers",
    "Hours",
    "Breathing hard",
    "Heat dose",
    "Left below warning",
    "No-motion alarms",
    "Distress alarms",
    CLASSES_HEAD,
    "Not heard",
]
PEOPLE_TABLE = "By wearer"
PEOPLE_NOTE = (
    "Sums of each wearer's wears, by pseudonym; a wear that nobody tallied stands under its set. The mean "
    "rate with its place among all wearers (100\u00a0%: the highest), and of the last 12 wears against the "
    "earlier ones."
)
PEOPLE_HEADS = [
    "Wearer",
    "Wears",
    "Last wear (UTC)",
    "Hours",
    "Breathing hard",
    "Mean rate",
    "Of the service",
    "Last 12 wears",
    "Heat dose",
    CLASSES_HEAD,
    "Left below warning",
    "No-motion, distress",
    "Not heard",
]
OUTSIDE = "outside the limits"


def planning_heads(units: Units) -> list[str]:
    """Return the heads of the planning rates in the units that they are shown in."""
    lasts = ["Lasts at the median", "at the 90th", "at the 95th"]
    return ["Task", "Wears", f"Median, {units.label['rate']}", "90th percentile", "95th percentile", *lasts]


def month_text(month: date) -> str:
    """Return a month as people and computers both read it."""
    return f"{month:%Y-%m}"


def wears_text(count: int) -> str:
    """Return a count of wears with its noun."""
    return f"{count:,} wear" if count == 1 else f"{count:,} wears"


def rate_sentence(plot: Plot, found: MonthlyRate, holds: bool = True) -> str:
    """Say what a rate's plot shows: count, rate, interval, months outside, trend; or why not.

    `holds` says whether its trend is among what stands out when all comparisons are judged together.
    """
    table = found.table
    events = int(table["events"].sum())
    if found.total is None:
        return f"{events} in {wears_text(int(table['wears'].sum()))}: too few wears for a rate."
    _, exposure, rate, low, high = found.total
    amount = wears_text(round(exposure)) if plot.exposure == "wears" else f"{exposure:,.1f} hours"
    unit = "per 1000 wears" if plot.exposure == "wears" else "per 100 hours"
    text = (
        f"{events} in {amount}: {_short(rate)} {unit} (95\u00a0% interval {_short(low)} to {_short(high)}). "
    )
    if table["upper_limit"].null_count() == len(table):
        need = f"{FEWEST_MONTHS_FOR_LIMITS} months and {FEWEST_EVENTS_FOR_LIMITS} events"
        return text + f"Too little for control limits ({need})."
    return text + _outside_text(table, "rate") + _trend_text(found.trend, unit, holds)


def mean_sentence(plot: Plot, found: MonthlyMean, holds: bool = True) -> str:
    """Say what a mean's plot shows; `holds` as in `rate_sentence`."""
    table = found.table
    wears = int(table["wears"].sum())
    if wears == 0 or found.overall != found.overall:
        return NOT_MEASURED
    unit = f" {plot.unit}" if plot.unit else ""
    text = f"{found.overall:.{plot.decimals}f}{unit} on average over {wears_text(wears)}. "
    if found.upper != found.upper:
        need = f"{FEWEST_MONTHS_FOR_LIMITS} months of at least 5 wears"
        return text + f"Too few months for control limits ({need})."
    text += _outside_text(table, "mean")
    leaps = [month_text(month) for month in table.filter("range_outside")["month"]]
    if leaps:
        named = ", ".join(leaps[-MOST_MONTHS_NAMED:])
        text += f" The change to {named} is larger than the moving range's limit."
    return text + _trend_text(found.trend, f"{plot.unit or 'dose'} a wear", holds)


def classes_sentence(months: pl.DataFrame) -> str:
    """Say how long a wear was in each thermal class on average."""
    wears = int(months["heat_dose_wears"].sum())
    if not wears:
        return NOT_MEASURED
    text = " / ".join(f"{float(months[f'class_{c}_s'].sum()) / 60 / wears:.2f}" for c in THERMAL_CLASSES)
    return (
        f"Class I / II / III / IV: {text} min a wear over {wears_text(wears)} with a heat sensor (NIST TN "
        "1474, of the estimated surroundings)."
    )


def _short(value: float) -> str:
    """Three significant figures, without an exponent."""
    if value == 0:
        return "0"
    text = (
        f"{value:,.0f}"
        if abs(value) >= 100
        else f"{value:.{max(0, 2 - math.floor(math.log10(abs(value))))}f}"
    )
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return text.replace("-", "\u2212")


def _outside_text(table: pl.DataFrame, column: str) -> str:
    outside = table.filter(pl.col("outside"))
    if not len(outside):
        return "No month with enough wears to be judged lies outside the control limits."
    middle = table[column].mean()
    words = []
    for row in outside.iter_rows(named=True):
        above = isinstance(middle, int | float) and row[column] > middle
        words.append(
            f"{month_text(row['month'])} ({'above' if above else 'below'}, {wears_text(row['wears'])})"
        )
    if len(words) > MOST_MONTHS_NAMED:
        more = len(words) - MOST_MONTHS_NAMED
        words = [*words[-MOST_MONTHS_NAMED:], f"and {more} earlier month{'s' if more > 1 else ''}"]
    verbs = ("lies", "is") if len(words) == 1 else ("lie", "are")
    by_chance = CHANCE_OUTSIDE * len(table)
    return (
        f"{', '.join(words)} {verbs[0]} outside the control limits and {verbs[1]} due a look; "
        f"of {len(table)} months {by_chance:.1f} would by chance alone."
    )


def _trend_text(trend: MannKendall | None, unit: str, holds: bool) -> str:
    if trend is None:
        return " Too few months to speak of a trend."
    if trend.p_two_sided >= 0.05:
        return f" No steady rise or fall (Mann-Kendall, p = {trend.p_two_sided:.2f})."
    if not holds:
        return (
            f" A rise or fall that chance among so many comparisons may make (Mann-Kendall, "
            f"p = {trend.p_two_sided:.2g})."
        )
    direction = "rise" if trend.slope_per_step > 0 else "fall"
    probability = "p < 0.001" if trend.p_two_sided < 0.001 else f"p = {trend.p_two_sided:.3f}"
    sign = 12 if trend.slope_per_step > 0 else -12
    low, high = sorted(sign * end for end in (trend.slope_low, trend.slope_high))
    return (
        f" A steady {direction} of about {_short(sign * trend.slope_per_step)} {unit} a year "
        f"(95\u00a0% interval {_short(low)} to {_short(high)}; Sen's slope; Mann-Kendall, {probability})."
    )
