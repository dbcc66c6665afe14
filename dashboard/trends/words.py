"""Every word of the trends page: titles, and the sentence under each plot that says what it shows."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import polars as pl

from analysis.trends.ledger import HARD_BREATHING_L_MIN, THERMAL_CLASSES
from analysis.trends.measures import FEWEST_WEARS_FOR_A_RATE, LOGS, MEANS, MonthlyMean, MonthlyRate
from analysis.trends.prediction import BASELINE, FEWEST_EVENTS, MOST_JUDGED, Predicted
from analysis.trends.statistics import MannKendall
from dashboard.rows import heads
from dashboard.trends.summary_words import FLAG
from dashboard.units import Units
from ingest.plurals import counted


@dataclass(frozen=True)
class Plot:
    """One plot of the page: what it counts and how it is called.

    A rate is of wears with the event, per 1000 wears; other plots are means a wear.
    """

    name: str
    title: str
    unit: str
    rate: bool = False
    decimals: int = 1


PLOTS = (
    Plot("under_air_min", "Minutes under air, a wear", "min"),
    Plot("hard_min", f"Minutes breathing hard (from {HARD_BREATHING_L_MIN:.0f} L/min), a wear", "min"),
    Plot("heat_dose", "Heat dose, a wear", "", decimals=3),
    *(Plot(name, f"{title}, per 1000 wears", "", rate=True) for name, title in FLAG.items()),
)
DOSE_LIMIT = "The profile's limit for the dose of one wear is {limit:g}."
WITHOUT_SENSOR = "{count} without a heat sensor are left out."
WITHOUT_END = "{count} whose end was not heard are left out."
LIMITS_CUT = " A limit reaches beyond the top of the plot."
BARS_CUT = "Bars of {count} reach beyond the top of the plot."
TITLE = "Wears over time"
PERIOD = "Period"
ALL_YEARS = "All years"
ONGOING = "An incident that is under way appears here half an hour after its last message."
NOTHING = (
    "No wears in this period. Wears appear here as soon as an archive has pressure readings: import a "
    "capture with `underair import`, or listen with `underair listen`. " + ONGOING
)
NOBODY_HEARD = "No set was heard under air in this period."
FEW = (
    f"{{wears}} in this period: too few for a rate ({FEWEST_WEARS_FOR_A_RATE} are needed). The page shows "
    "counts only and looks for no trend."
)
SUMMARY = "{wears} by {wearers}, {hours:.1f} hours under air, {first} to {last}."
NAMES_DROPPED = "an unknown number of wearers (names were dropped)"
READING = (
    "Each point is a month (UTC). The bold number below it counts the wears. The true rate is probably "
    f"within the bar (95\u00a0% interval). The last {MOST_JUDGED} months are compared with the {BASELINE} "
    "before. Season, kind and task are taken into account. Dashed lines show how far one month may stray "
    "by chance. A diamond is a month beyond them. A line along the top marks 6 or 12 months in a row that "
    "are unusual together. A hollow point has few wears, or its month is not over."
)
UNITS, UNIT_CHOICES = "Units", {"metric": "bar, L/min", "imperial": "psi, ft³/min"}
FIND, FIND_WEARER, FIND_SET = "Find", "a wearer", "a set, or why"
NOT_UP_TO_DATE = (
    "The figures are not up to date: new messages could not be analysed ({problem}). They show the "
    "earlier state. The next try is within a minute."
)
NOT_MEASURED = "Not measured in this period."
SO_FAR = "{month} is not over: its counts are those so far."
SO_FAR_MARK = "so far"
CLASSES_TITLE = "Minutes in hot surroundings (thermal class II and above), a wear"
HOT_CLASSES = (2, 3, 4)
CLASS_NAMES = {2: "class II", 3: "class III", 4: "class IV"}
CLASSES_HEAD = "Class I / II / III / IV, min a wear"
STATION, ROLE, KIND = "Station", "Role", "Kind"
ALL = "All"
KIND_WORDS = {"incident": "Incidents", "drill": "Drills", "training": "Training"}
EXPORT = "Published tables (for outside)"
SUMMARY_LINK = "Published month to print"
INSIDE_EXPORT = "All tables (inside the service)"
INSIDE_LINK = "Month to print (inside)"
ASK_INSIDE = "the role review sees why"
NOT_PUBLISHED = "Nothing is published yet. A month with wears is published when it is over."
PUBLISHED = "{wears}, about {hours:,} hours under air, {first} to {last}."
PUBLISHED_POINTS = "One point a month. A gap: too few people, or nothing was received."
PUBLISHED_RANGES = "Each bar spans the counts that the month may have."
HOURS_TITLE = "Hours under air"
WEARS_TITLE = "Wears"
SEASON_WEARS = "Season: wears a month"
SEASON_EXITS = "Season: left below the low-air warning, per 1000 wears"
SEASON_DOSE = "Season: heat dose a wear"
NO_SEASON = "{value} in every month, over {years} years."
SEASON = "Highest in {high} ({most}), lowest in {low} ({least}), over {years} years. Each ring is one year."
SEASON_TOO_SHORT = "A season needs two whole years."
TRAINING_TITLE = "Training{year}"
NO_MINIMUM = "The profile sets no yearly minimum of training (its part `training`)."
TRAINING_NOTE = (
    "The profile asks for {asked} a year. {lacking} of {people} still need hours or wears. {behind} are "
    "behind for this time of the year. Only wears in drills and training count, until {day}."
)
TRAINING_HEADS = ["Wearer", "Station", "Wears", "Hours", "Last (UTC)", "Still missing", "So far"]
BEHIND, ON_COURSE, NOTHING_MISSING = "behind", "on course", "nothing"
TESTS_TITLE = "Tests of sets and cylinders"
NO_TESTS = "The roster has no test dates ([[equipment]] in roster.toml, or equipment.csv)."
TESTS_NOTE = "{overdue} of {tests} are overdue. Dates come from the roster in the archive's folder."
TEST_HEADS = ["What", "Test", "Done", "Due", "State", "Last wear (UTC)", "Stands out by"]
EQUIPMENT = {"set": "Set", "cylinder": "Cylinder"}
OVERDUE, DUE_SOON, NOT_DUE = "overdue by {days}", "due in {days}", "not due yet"
NEAR_MISSES, ONLY_NEAR_MISSES = "Near misses", "Near misses only"
WITHOUT_STATION = "{count} have no station and are in no comparison of stations."
BY_YEAR, BY_QUARTER = "{part} by year", "{part} by quarter"
WORKING = "Analysing new wears: {part} of their messages read. The page opens by itself."
WORKING_TITLE = "Reading the archive"
NO_ROSTER = (
    "Stations and roles appear once a roster is in the archive's folder (roster.toml or roster.csv: "
    "pseudonym, "
    "station, role, from, until)."
)
BAD_ROSTER = "The roster is left out: {problem}."
DUE_TITLE = "Wearers to look at"
NOBODY_DUE = "Nobody: no rule on rest was broken in this period, and no wearer stands out."
DUE_HEADS = ["Wearer", "Station", "Why"]
DUE_NOTE = "By pseudonym; your service keeps the key. It is a reason to ask and to help, not a fault."
MORE_DUE = "And {count:,} more, each for fewer short rests: choose a year or a station to see them."
RULES = "Rules in force"
STATIONS_TABLE, ROLES_TABLE = "By station", "By role"
PART_HEADS = heads(
    "Wears | Wearers | Hours | Hard breathing | Heat dose a wear | Left below warning: wears, per 1000",
    f"No-motion: wears, per 1000 | Distress: wears, per 1000 | {CLASSES_HEAD} | Not heard a wear",
)
PART_NOTE = (
    "“10: 10 (5.0 to 19)” means: 10 wears had the event, which is 10 in 1000 wears. The true "
    "rate is probably from 5.0 to 19 (exact 95\u00a0% interval). “Not known” counts wears whose end was not "
    "heard; they are in no rate of exits. These figures are not adjusted. A diamond "
    "marks what stands out after kind and task are taken into account."
)
ALL_TASKS = "all tasks"
SET_HEADS = heads(
    "Set | Why | Wears | Last wear (UTC) | Stuck readings | Wrong clock | Battery refused or low",
    "Charge over time | Silent wears | Not heard | Fell with valve closed",
)
PROMISED, AS_SAID, HAPPENED = (
    "forecast interval, 90\u00a0%",
    "forecast",
    "what happened: median, middle 90\u00a0%",
)
SAID_AXIS, HAPPENED_AXIS = "minutes forecast", "minutes it took"
FORECAST_HOVER = "forecast %{x:.0f} min: half took %{y:.1f} min or less, %{customdata} forecasts"
INSIDE, EARLIER = "inside the 90\u00a0% interval", "before its early end"
PROMISED_LINES = "promised: 90\u00a0% inside, at most 5\u00a0% early"
GROUP_HOVER = "%{x}: %{y:.0f}\u00a0%, %{customdata} forecasts with an outcome"
MOST_MONTHS_NAMED = 4
WEARS_BELOW = "wears"
MONTHS_TABLE = "By month"
MONTH_HEADS = heads(
    "Month | Wears | Wearers | Hours | Breathing hard | Heat dose | Left below warning",
    f"Wears with no-motion | Wears with distress | {CLASSES_HEAD} | Not heard | Entries never heard",
)
NOT_HEARD = "not heard"
PEOPLE_TABLE = "By wearer"
PEOPLE_NOTE = (
    "Sums for each wearer, by pseudonym. A wear without a tally is under its set. "
    "Wears whose names were dropped are not listed. An entry never heard is in "
    "no sum. “Of the service” is the place of the mean rate among all wearers (100\u00a0%: the highest). "
    "“Last 12 wears” compares them with the earlier ones."
)
PEOPLE_HEADS = heads(
    "Wearer | Wears | Entries never heard | Last wear (UTC) | Hours | Breathing hard | Mean rate",
    f"Of the service | Last 12 wears | Heat dose | {CLASSES_HEAD} | Left below warning",
    "No-motion, distress | Not heard",
)
ANEW = "Publish a period again"
ANEW_NOTE = (
    "Only for an error in what was published. Whoever has both versions can compare them. Your name, the "
    "period and the reason are kept."
)
ANEW_REASON, ANEW_BUTTON = "Reason, and who decided", "Publish again"
ANEW_NO_REASON = "Give a reason of 1 to {most} characters."
ANEW_NOT_NOW = "New wears are being analysed, or the roster cannot be read. Try again later."
ANEW_DONE = "{period} is published again."


def planning_heads(units: Units) -> list[str]:
    """Return the heads of the planning rates in the units that they are shown in."""
    lasts = ["Lasts at half", "at 9 in 10", "at 19 in 20"]
    rates = [f"Half are below, {units.label['rate']}", "9 in 10 are below", "19 in 20 are below"]
    return ["Task", "Wears", *rates, *lasts]


def month_text(month: date) -> str:
    """Return a month as people and computers both read it."""
    return f"{month:%Y-%m}"


def rate_sentence(found: MonthlyRate, holds: bool = True, cut: int = 0, left_out: int = 0) -> str:
    """Say what a rate's plot shows: count, rate, interval, months that stand out, trend; or why not.

    - `holds`: whether its trend is among what stands out.
    - `cut`: how many bars the plot cuts off.
    - `left_out`: wears of which it is not known.
    """
    table = found.table
    events = int(table["events"].sum())
    without = f" {WITHOUT_END.format(count=counted(left_out, 'wear'))}" if left_out else ""
    if found.total is None:
        few = f"{events} in {counted(int(table['wears'].sum()), 'wear')}: too few wears for a rate."
        return few + without
    _, wears, rate, low, high = found.total
    text = f"{events:,} of {counted(wears, 'wear')}: {_short(rate)} per 1000 "
    text += f"(95\u00a0% interval {_short(low)} to {_short(high)}). "
    text += judged_text(found.judged, table) + trend_text(found.trend, "per 1000 wears", holds)
    return text + (f" {BARS_CUT.format(count=counted(cut, 'month'))}" if cut else "") + without


def mean_sentence(plot: Plot, found: MonthlyMean, holds: bool = True, left_out: int = 0) -> str:
    """Say what a mean's plot shows; `holds` as in `rate_sentence`, `left_out` wears were not measured."""
    table = found.table
    wears = int(table["wears"].sum())
    if wears == 0 or found.overall != found.overall:
        return NOT_MEASURED
    unit = f" {plot.unit}" if plot.unit else ""
    text = f"{found.overall:.{plot.decimals}f}{unit} on average over {counted(wears, 'wear')}. "
    text += f"{WITHOUT_SENSOR.format(count=counted(left_out, 'wear'))} " if left_out else ""
    # Of an amount that is neither judged nor compared, "no steady rise is visible" would be untrue.
    text += judged_text(found.judged, table) if plot.name in LOGS else ""
    trend = trend_text(found.trend, f"{plot.unit or 'dose'} a wear", holds) if plot.name in MEANS else ""
    return (text + trend).strip()


NOT_JUDGED = (
    "The last months cannot be compared yet: "
    f"more than {BASELINE} months and {FEWEST_EVENTS} events are needed."
)

LIKE_BEFORE = f"The last months are like the {BASELINE} before them."


def judged_text(judged: Predicted | None, table: pl.DataFrame) -> str:
    """Say which of the last months stand out from those before, the longest span first."""
    if judged is None:
        return NOT_JUDGED
    if not judged.marks:
        return LIKE_BEFORE
    months = [month_text(month) for month in table["month"]]
    told = []
    for length in sorted({mark.months for mark in judged.marks}, reverse=True):
        for mark in [one for one in judged.marks if one.months == length][:MOST_MONTHS_NAMED]:
            side = "above" if mark.above else "below"
            if length == 1:
                told.append(f"{months[mark.first]} is {side} what chance explains.")
            else:
                last = months[mark.first + length - 1]
                told.append(f"{months[mark.first]} to {last} together are {side} what was expected.")
                break  # one span of a length says enough
    if judged.too_early:
        told.append(NOT_JUDGED)
    return " ".join(told)


def months_out(judged: Mapping[str, Predicted], months: pl.DataFrame) -> str:
    """Return which charts have single months that stand out, and which months; empty where none has."""
    named = []
    for plot in PLOTS:
        marks = judged[plot.name].marks if plot.name in judged else ()
        own = [month_text(months["month"][mark.first]) for mark in marks if mark.months == 1]
        if own:
            named.append(f"{plot.title} ({', '.join(own)})")
    return f"Single months that stand out, see their charts: {'; '.join(named)}." if named else ""


def classes_sentence(months: pl.DataFrame) -> str:
    """Say how long a wear was in each thermal class on average."""
    wears = int(months["heat_dose_wears"].sum())
    if not wears:
        return NOT_MEASURED
    text = " / ".join(f"{float(months[f'class_{c}_s'].sum()) / 60 / wears:.2f}" for c in THERMAL_CLASSES)
    return (
        f"Class I / II / III / IV: {text} min a wear over {counted(wears, 'wear')} with a heat sensor "
        "(NIST TN 1474, of the estimated surroundings)."
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


def trend_text(trend: MannKendall | None, unit: str, holds: bool) -> str:
    """Say a steady rise or fall where it holds; that none is visible where not."""
    if trend is None:
        return " Too few months to see a trend."
    if not holds:
        return " No steady rise or fall is visible."
    direction = "rise" if trend.slope_per_step > 0 else "fall"
    sign = 12 if trend.slope_per_step > 0 else -12
    low, high = sorted(sign * end for end in (trend.slope_low, trend.slope_high))
    return (
        f" A steady {direction} of about {_short(sign * trend.slope_per_step)} {unit} a year "
        f"(95\u00a0% interval {_short(low)} to {_short(high)})."
    )
