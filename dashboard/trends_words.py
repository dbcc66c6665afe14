"""Every word of the trends page: titles, and the sentence under each plot that says what it shows."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import polars as pl

from analysis.statistics import MannKendall
from analysis.trends import (
    FEWEST_EVENTS_FOR_LIMITS,
    FEWEST_MONTHS_FOR_LIMITS,
    FEWEST_WEARS_FOR_A_RATE,
    HARD_BREATHING_L_MIN,
    MonthlyMean,
    MonthlyRate,
)


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
NOTHING = (
    "No wears in this period. Wears appear here as soon as an archive holds pressure readings: bring in a "
    "capture with `underair import`, or listen with `underair listen`."
)
FEW = (
    f"{{wears}} in this period: too few for a rate ({FEWEST_WEARS_FOR_A_RATE} are needed). Counts are shown "
    "as they are; nothing is said about more or less."
)
SUMMARY = "{wears} by {wearers}, {hours:.1f} hours under air, {first} to {last}."
READING = (
    "A point is a month; the bold number under it says how many wears. Bars: exact 95 % interval of a count. "
    f"Dashed: control limits, drawn from {FEWEST_MONTHS_FOR_LIMITS} months and {FEWEST_EVENTS_FOR_LIMITS} "
    "events on. A diamond lies outside them."
)
MONTH = "Month (UTC)"
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
    "Not heard",
]
PEOPLE_TABLE = "By wearer"
PEOPLE_NOTE = "Sums of each wearer's wears, by pseudonym. A wear that nobody tallied stands under its set."
PEOPLE_HEADS = [
    "Wearer",
    "Wears",
    "Last wear (UTC)",
    "Hours",
    "Breathing hard",
    "Mean rate",
    "Heat dose",
    "Left below warning",
    "Not heard",
]
NO_EVENT = "none"
LIMITS = "control limits"
CENTRE = "mean"
OUTSIDE = "outside the limits"


def month_text(month: date) -> str:
    """Return a month as people and computers both read it."""
    return f"{month:%Y-%m}"


def wears_text(count: int) -> str:
    """Return a count of wears with its noun."""
    return f"{count:,} wear" if count == 1 else f"{count:,} wears"


def rate_sentence(plot: Plot, found: MonthlyRate) -> str:
    """Say what a rate's plot shows: count, rate, interval, months outside, trend; or why not."""
    table = found.table
    events = int(table["events"].sum())
    if found.total is None:
        return f"{events} in {wears_text(int(table['wears'].sum()))}: too few wears for a rate."
    _, exposure, rate, low, high = found.total
    amount = wears_text(round(exposure)) if plot.exposure == "wears" else f"{exposure:,.1f} hours"
    unit = "per 1000 wears" if plot.exposure == "wears" else "per 100 hours"
    text = f"{events} in {amount}: {_short(rate)} {unit} (95 % interval {_short(low)} to {_short(high)}). "
    if table["upper_limit"].null_count() == len(table):
        need = f"{FEWEST_MONTHS_FOR_LIMITS} months and {FEWEST_EVENTS_FOR_LIMITS} events"
        return text + f"Too little for control limits ({need})."
    return text + _outside_text(table, "rate") + _trend_text(found.trend, unit)


def mean_sentence(plot: Plot, found: MonthlyMean) -> str:
    """Say what a mean's plot shows."""
    table = found.table
    wears = int(table["wears"].sum())
    if wears == 0 or found.overall != found.overall:
        return "Not measured in this period."
    unit = f" {plot.unit}" if plot.unit else ""
    text = f"{found.overall:.{plot.decimals}f}{unit} on average over {wears_text(wears)}. "
    if found.upper != found.upper:
        need = f"{FEWEST_MONTHS_FOR_LIMITS} months of at least 5 wears"
        return text + f"Too few months for control limits ({need})."
    return text + _outside_text(table, "mean") + _trend_text(found.trend, f"{plot.unit or 'dose'} a wear")


def _short(value: float) -> str:
    """Three significant figures, without an exponent."""
    if value == 0:
        return "0"
    return f"{value:,.0f}" if value >= 100 else f"{value:.3g}"


def _outside_text(table: pl.DataFrame, column: str) -> str:
    outside = table.filter(pl.col("outside"))
    if not len(outside):
        return "No month lies outside the control limits: what varies is what chance alone would vary."
    middle = table[column].mean()
    words = []
    for row in outside.iter_rows(named=True):
        above = isinstance(middle, int | float) and row[column] > middle
        words.append(
            f"{month_text(row['month'])} ({'above' if above else 'below'}, {wears_text(row['wears'])})"
        )
    verbs = ("lies", "is") if len(words) == 1 else ("lie", "are")
    return f"{', '.join(words)} {verbs[0]} outside the control limits and {verbs[1]} due a look."


def _trend_text(trend: MannKendall | None, unit: str) -> str:
    if trend is None:
        return " Too few months to speak of a trend."
    if trend.p_two_sided >= 0.05:
        return f" No steady rise or fall (Mann-Kendall, p = {trend.p_two_sided:.2f})."
    direction = "rise" if trend.slope_per_step > 0 else "fall"
    probability = "p < 0.001" if trend.p_two_sided < 0.001 else f"p = {trend.p_two_sided:.3f}"
    return (
        f" A steady {direction} of about {_short(abs(12 * trend.slope_per_step))} {unit} a year "
        f"(Mann-Kendall, {probability}; Sen's slope)."
    )
