"""Sentences of the trends pages: under each plot what it shows, what stands out and why, forecasts."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from analysis.air.gas import Cylinder
from analysis.profile import RestRule
from analysis.trends.audit import WORDS
from analysis.trends.comparisons import RECENT_WEARS, Signal
from analysis.trends.false_marks import FalseMarks
from analysis.trends.forecast_audit import FEWEST_FORECASTS, ForecastAccount
from analysis.trends.ledger import HARD_BREATHING_L_MIN, THERMAL_CLASSES
from analysis.trends.measures import LOGS, MEANS, Monthly
from analysis.trends.naming import SmallestEffect
from analysis.trends.planning import PlanningRate, ShortRest, minutes_to_warning, reached_text
from analysis.trends.prediction import BASELINE, FEWEST_EVENTS, Predicted
from analysis.trends.statistics import MannKendall
from dashboard.trends import words
from dashboard.trends.words import FLAG
from ingest.plurals import counted, listed, percent


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
MOST_MONTHS_NAMED = 4


def plot_sentence(plot: Plot, found: Monthly, holds: bool = True, left_out: int = 0, cut: str = "") -> str:
    """Say what a plot shows: count, rate or mean, months that stand out, trend; or why not.

    - `holds`: whether its trend is among what stands out.
    - `left_out`: wears of which it is not known.
    - `cut`: the sentence about points beyond the plot's scale.
    """
    table, overall = found.table, found.overall
    wears, without = counted(int(table["wears"].sum()), "wear"), counted(left_out, "wear")
    if plot.rate:
        events = int(table["events"].sum())
        without = f" {words.WITHOUT_END.format(count=without)}" if left_out else ""
        if overall is None:
            return f"{events} in {wears}: too few wears for a rate.{without}"
        ends = f"95\u00a0% interval {_short(overall.low)} to {_short(overall.high)}"
        text = f"{events:,} of {wears}: {_short(overall.rate)} per 1000 ({ends}). "
        text += judged_text(found.judged, table) + trend_text(found.trend, "per 1000 wears", holds)
        return text + cut + without
    if overall is None:
        return words.NOT_MEASURED + cut
    unit = f" {plot.unit}" if plot.unit else ""
    text = f"{overall.rate:.{plot.decimals}f}{unit} on average over {wears}. "
    text += f"{words.WITHOUT_SENSOR.format(count=without)} " if left_out else ""
    # Of an amount that is neither judged nor compared, "no steady rise is visible" would be untrue.
    text += judged_text(found.judged, table) if plot.name in LOGS else ""
    trend = trend_text(found.trend, f"{plot.unit or 'dose'} a wear", holds) if plot.name in MEANS else ""
    return (text + trend).strip() + cut


def judged_text(judged: Predicted | None, table: pl.DataFrame) -> str:
    """Say which of the last months stand out from those before, the longest span first."""
    not_judged = words.NOT_JUDGED.format(months=BASELINE, events=FEWEST_EVENTS)
    if judged is None:
        return not_judged
    if not judged.marks:
        return words.LIKE_BEFORE.format(months=BASELINE)
    months = table["month"].dt.strftime("%Y-%m")
    told = []
    for length in sorted({mark.months for mark in judged.marks}, reverse=True):
        for mark in [one for one in judged.marks if one.months == length][:MOST_MONTHS_NAMED]:
            side = "above" if mark.above else "below"
            if length == 1:
                told.append(f"{months[mark.first]} is {side} what chance explains.")
            else:
                last = months[mark.first + length - 1]
                told.append(f"{months[mark.first]} to {last} together are {side} what was expected.")
                break  # one span of each length is enough
    if judged.too_early:
        told.append(not_judged)
    return " ".join(told)


def months_out(judged: Mapping[str, Predicted], months: pl.DataFrame) -> str:
    """Return which charts have single months that stand out, and which months; empty where none has."""
    named = []
    for plot in PLOTS:
        marks = judged[plot.name].marks if plot.name in judged else ()
        own = [f"{months['month'][mark.first]:%Y-%m}" for mark in marks if mark.months == 1]
        if own:
            named.append(f"{plot.title} ({', '.join(own)})")
    return words.MONTHS_OUT.format(charts="; ".join(named)) if named else ""


def classes_sentence(months: pl.DataFrame) -> str:
    """Say how long a wear was in each thermal class on average."""
    wears = int(months["heat_dose_wears"].sum())
    if not wears:
        return words.NOT_MEASURED
    text = " / ".join(f"{float(months[f'class_{c}_s'].sum()) / 60 / wears:.2f}" for c in THERMAL_CLASSES)
    return words.CLASSES.format(minutes=text, wears=counted(wears, "wear"))


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
    """Describe a steady rise or fall if the trend holds; otherwise say that none is visible."""
    if trend is None:
        return words.TREND_TOO_SHORT
    if not holds:
        return words.NO_TREND
    sign, direction = (12, "rise") if trend.slope_per_step > 0 else (-12, "fall")
    ends = sorted(sign * end for end in (trend.slope_low, trend.slope_high))
    size, low, high = (_short(value) for value in (sign * trend.slope_per_step, *ends))
    return words.TREND.format(direction=direction, size=size, unit=unit, low=low, high=high)


def figure(value: float, digits: int = 3) -> str:
    """Return a figure with so many significant digits and no exponent."""
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else "–"
    places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    return f"{value:,.{min(places, 4)}f}"


def interval(low: float, high: float) -> str:
    """Return a 95 % interval in words."""
    return f"{words.INTERVAL} {figure(low)} to {figure(high)}"


def signed(value: float) -> str:
    """Return a figure with its sign, the minus as people print it."""
    return f"{value:+.2f}".replace("-", "\u2212")


def smallest_text(smallest: Mapping[str, SmallestEffect | None]) -> str:
    """Say which differences would have been noticed, so that a short list is not taken for proof."""
    told = [
        words.SEEN_PART[part].format(ratio=one.ratio, count=one.count, expected=one.expected)
        for part, one in smallest.items()
        if one is not None
    ]
    if not told:
        return "There are too few events to notice even large differences." if smallest else ""
    return words.SEEN.format(parts=listed(told, "or"))


def events_text(row: Mapping[str, Any], event: str) -> str:
    """Return how many wears had an event, and of how many nobody knows; `row` as `sums_by`."""
    unknown = row["low_air_exits_unknown"] if event == "low_air_exits" else 0
    return f"{row[event]:,}" + (words.OF_THEM_NOT_KNOWN.format(unknown=unknown) if unknown else "")


def known_of_never_heard(row: Mapping[str, Any]) -> str:
    """Return what voice and alarms show of entries without a heard set; `row` as `with_never_heard`."""
    told = [(row.get(f"never_heard_{event}"), what) for event, what in WORDS["events"].items()]
    return ", ".join(f"{count:,} {what}" for count, what in told if count)


def never_heard_cell(row: Mapping[str, Any]) -> str:
    """Return how many entries were never heard, and what is known of them, as short as a cell."""
    known = known_of_never_heard(row)
    return f"{row['never_heard']:,}" + (f": {known}" if known else "")


def never_heard_text(row: Mapping[str, Any]) -> str:
    """Say how many entries were never heard, and what is known of them; `row` as `with_never_heard`."""
    entries = counted(row["never_heard"], "entry", "entries")
    return words.NEVER_HEARD_UNDER_AIR.format(entries=entries, known=known_of_never_heard(row) or "nothing")


def planning_finding(
    rates: Mapping[str, Sequence[PlanningRate]],
    cylinder: Cylinder,
    warning_bar: float,
    doctrine_l_min: float,
    named: str = "this cylinder",
) -> str:
    """Say what doctrine plans beside what one wear in ten leaves; empty without enough wears."""
    tenth = next((one for one in rates.get("", ()) if one.quantile == 0.9), None)
    if tenth is None:
        return ""

    def lasts(rate_l_min: float) -> float:
        return minutes_to_warning(cylinder, warning_bar, rate_l_min)

    ends = [lasts(rate) for rate in (tenth.high_l_min, tenth.low_l_min) if rate is not None]
    text = f" ({words.INTERVAL} {ends[0]:.0f} to {ends[1]:.0f})" if len(ends) == 2 else ""
    return words.PLANNING_FINDING.format(
        planned=lasts(doctrine_l_min), tenth=lasts(tenth.rate_l_min), interval=text, cylinder=named
    )


def chance_text(measured: FalseMarks) -> str:
    """Say how often chance alone names or marks something here."""
    if not measured.drawn:
        return words.NOT_MEASURED_HERE
    named, marked = ([percent(share, 1) for share in ends] for ends in measured.shares())
    copies = counted(measured.drawn, "copy", "copies")
    return words.MEASURED_HERE.format(copies=copies, named=named, marked=marked, **vars(measured))


def headline(one: Signal) -> str:
    """Return the few words by which a signal is listed."""
    what = words.MEASURE[one.measure]
    if one.part == "service":
        return f"{what[:1].upper()}{what[1:]}: a steady {one.how}"
    name = {"station": one.name, "role": f"Role {one.name}", "wearer": one.name, "set": f"Set {one.name}"}[
        one.part
    ]
    if one.how == "fall":
        return f"{name}: falling {what}"
    return f"{name}: {what}{' has risen' if one.how == 'higher' else ''}"


def reason(one: Signal) -> str:
    """Return why a signal stands out: its figures with their interval, beside those of the rest."""
    sign, more = (-1, "less") if one.how == "fall" else (1, "more")
    told = {"unit": words.UNIT.get(one.measure, ""), "more": more, "recent": RECENT_WEARS, **vars(one)}
    told |= {"value": figure(one.value), "rest": figure(one.rest), "expected": figure(one.expected, 2)}
    told |= {"interval": interval(one.low, one.high), "percent": one.value}
    if one.part == "service":
        ends = interval(*sorted((sign * one.low, sign * one.high)))
        return words.REASON["trend"].format(**{**told, "value": figure(sign * one.value), "interval": ends})
    if one.part == "set":
        told |= {"low": signed(one.low), "high": signed(one.high), "value": signed(one.value)}
        told["rest"] = figure(one.rest, 2)
        return words.REASON["charge" if one.how == "fall" else "set"].format(**told)
    if one.how == "higher":
        return words.REASON["higher"].format(**told)
    crude = words.REASON["crude"].format(**told, others=words.OTHERS[one.part])
    return words.REASON["events" if math.isfinite(one.expected) else "amount"].format(**told, crude=crude)


def short_rest(one: ShortRest) -> str:
    """Return a sentence about one wear that began too soon."""
    rested, asked = f"{one.rested_min:.0f} min", f"{one.asked.rest_min:.0f} min"
    return f"Rested {rested} after {reached_text(one)}; the rule asks for {asked} ({one.asked.source})."


def rule_sentence(rule: RestRule) -> str:
    """Return a rule of the profile with its source."""
    limits = (rule.after_cylinders, rule.after_work_min, rule.after_hard_min, rule.after_heat_dose)
    after = [text.format(limit) for text, limit in zip(words.RULE_LIMITS, limits, strict=True) if limit]
    text = words.RULE_SENTENCE.format(rest=rule.rest_min, after=" or ".join(after), source=rule.source)
    memory = words.RULE_FROM_MEMORY if rule.from_memory else ""
    return text + memory + ("" if rule.on else words.RULE_OFF)


def forecast_sentence(account: Sequence[ForecastAccount]) -> str:
    """Say in one sentence how the forecasts of the low-air warning did."""
    every = account[0]
    if every.known < FEWEST_FORECASTS:
        have = counted(every.known, "forecast has", "forecasts have")
        return words.FORECASTS_TOO_FEW.format(have=have, said=every.said, fewest=FEWEST_FORECASTS)
    ten = next((one for one in account if one.ahead_min == 10 and one.known), None)
    inside, early = every.inside_interval, every.early_interval
    return words.FORECASTS_JUDGED.format(
        known=every.known,
        inside=percent(every.inside / every.known),
        inside_ends=" to ".join(map(percent, inside)),
        middle=words.FORECASTS_TEN_AHEAD.format(error=ten.error_min) if ten else "",
        of_early=every.of_early,
        early=percent(every.early_share, 1),
        early_ends=" to ".join(percent(end, 1) for end in early),
    )


def ahead_row(one: ForecastAccount) -> list[str]:
    """Return one line of the forecasts' table."""
    counts = [f"{one.ahead_min} min", f"{one.said:,}", f"{one.known:,}"]
    if one.happened is None:
        return [*counts, "–", "–", "–", "–", "–"]
    low, middle, high = one.happened
    shares = [percent(part / one.known) for part in (one.inside, one.early, one.late)]
    return [*counts, *shares, f"{one.error_min:.1f} min", f"{middle:.0f} min ({low:.0f} to {high:.0f})"]


def groups_sentence(said: Sequence[ForecastAccount]) -> str:
    """Say which group of forecasts did worst, of those with enough outcomes."""
    enough = [one for one in said if one.known >= FEWEST_FORECASTS]
    if not enough:
        return words.NO_FORECAST_GROUP.format(fewest=FEWEST_FORECASTS)
    least = min(enough, key=lambda one: one.inside / one.known)
    most = max(enough, key=lambda one: one.early_share)
    return words.FORECAST_WORST.format(
        inside=percent(least.inside / least.known),
        least=least.group,
        early=percent(most.early_share, 1),
        most=most.group,
    )


def group_row(one: ForecastAccount) -> list[str]:
    """Return one line of a group's table."""
    counts = [f"{one.said:,}", f"{one.known:,}"]
    early = f"{percent(one.early_share, 1)} of {one.of_early:,}" if one.of_early else "–"
    if not one.known:
        return [one.group, *counts, "–", "–", "–", early]
    shares = [percent(part / one.known) for part in (one.inside, one.late)]
    return [one.group, *counts, *shares, f"{one.error_min:.1f} min", early]
