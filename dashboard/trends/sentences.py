"""Sentences of the trends page beyond its plots: what stands out and why, rest, sets, planning, forecasts."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from analysis.air.gas import Cylinder
from analysis.profile import RestRule
from analysis.trends.columns import WORDS
from analysis.trends.comparisons import RECENT_WEARS, Signal
from analysis.trends.false_marks import FalseMarks
from analysis.trends.forecast_audit import FEWEST_FORECASTS, ForecastAccount
from analysis.trends.measures import FLAGS, MEANS
from analysis.trends.naming import SmallestEffect
from analysis.trends.planning import PlanningRate, minutes_to_warning
from analysis.trends.rest import ShortRest, reached_text
from dashboard.rows import heads
from ingest.plurals import counted, percent

MEASURE = {
    "low_air_exits": "leaving below the low-air warning",
    "no_motion_wears": "wears with a no-motion alarm",
    "distress_wears": "wears with a distress alarm",
    "under_air_min": "minutes under air",
    "hard_min": "minutes breathing hard",
    "heat_dose": "heat dose",
    "silent_min": "minutes not heard",
    "readings_stuck": "stuck readings",
    "clock": "a wrong clock",
    "battery": "battery refused or low",
    "silent_wears": "a minute of silence or more",
    "pressure_fell_closed": "pressure that fell with the valve closed",
    "battery_charge": "battery charge",
    "mean_l_min": "breathing rate",
}
UNIT = dict.fromkeys(FLAGS, "per 1000 wears") | dict.fromkeys(MEANS, "min a wear") | {"heat_dose": "a wear"}
RULE = {
    "two_cylinders": "two cylinders in succession",
    "long_work": "long work",
    "hot_wear": "a hot wear",
    "one_cylinder_1584": "one cylinder (1584)",
    "two_cylinders_1584": "two cylinders (1584)",
}
INTERVAL = "95\u00a0% interval"
OUT_TITLE = "What stands out"
NOTHING_OUT = (
    "Nothing stands out among {count:,} comparisons of stations, roles, wearers, sets and trends. Single "
    "months are judged under their charts, not here."
)
WHOLE_SERVICE = "This list is about the whole service, not only {chosen}."
OUT_NOTE = (
    "{count:,} comparisons were made over the whole service. A wear counts once, however often its alarm "
    "came. Kind and task are taken into account. It is a reason to look, not a judgement."
)
NOT_MEASURED_HERE = (
    "How often is it chance? In simulated services without any difference, at most 1 list in 20 named "
    "anybody. This is not measured on your own wears yet."
)
MEASURED_HERE = (
    "How often is it chance? We made {copies} of your wears without any difference. {naming} still "
    "named somebody ({named}, probably at most {named_high}). {marking} showed a trend or a marked month "
    "({marked}, probably at most {marked_high})."
)
SEEN = "We would have noticed, 8 times in 10, {parts}. Smaller differences can go unnoticed."
SEEN_PART = {
    "station": "a station that left below the warning {ratio:.1f} times as often as expected ({count} times "
    "instead of {expected:.0f})",
    "wearer": "a wearer with {ratio:.0f} times as many",
    "set": "a set with {ratio:.0f} times the silence",
}
NOT_KNOWN = " ({unknown:,} not known)"
NEVER_HEARD = "Never heard under air: {entries}, in no rate and no mean. Known of them: {known}."
TOO_FEW_TO_COMPARE = "Too few wears for any comparison yet."


def figure(value: float, digits: int = 3) -> str:
    """Return a figure with so many significant digits and no exponent."""
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else "–"
    places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    return f"{value:,.{min(places, 4)}f}"


def interval(low: float, high: float) -> str:
    """Return a 95 % interval in words."""
    return f"{INTERVAL} {figure(low)} to {figure(high)}"


def signed(value: float) -> str:
    """Return a figure with its sign, the minus as people print it."""
    return f"{value:+.2f}".replace("-", "\u2212")


def smallest_text(smallest: Mapping[str, SmallestEffect | None]) -> str:
    """Say which differences would have been noticed, so that a short list is not taken for proof."""
    told = [
        SEEN_PART[part].format(ratio=one.ratio, count=one.count, expected=one.expected)
        for part, one in smallest.items()
        if one is not None
    ]
    if not told:
        return "There are too few events to notice even large differences." if smallest else ""
    listed = f"{', '.join(told[:-1])} or {told[-1]}" if len(told) > 1 else told[0]
    return SEEN.format(parts=listed)


def events_text(row: Mapping[str, Any], event: str) -> str:
    """Return how many wears had an event, and of how many nobody knows; `row` as `sums_by`."""
    unknown = row["low_air_exits_unknown"] if event == "low_air_exits" else 0
    return f"{row[event]:,}" + (NOT_KNOWN.format(unknown=unknown) if unknown else "")


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
    return NEVER_HEARD.format(entries=entries, known=known_of_never_heard(row) or "nothing")


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
    text = f" ({INTERVAL} {ends[0]:.0f} to {ends[1]:.0f})" if len(ends) == 2 else ""
    return PLANNING_FINDING.format(
        planned=lasts(doctrine_l_min), tenth=lasts(tenth.rate_l_min), interval=text, cylinder=named
    )


def chance_text(measured: FalseMarks) -> str:
    """Say how often chance alone names or marks something here."""
    if not measured.drawn:
        return NOT_MEASURED_HERE
    named, marked = ([percent(share, 1) for share in ends] for ends in measured.shares())
    return MEASURED_HERE.format(
        copies=counted(measured.drawn, "copy", "copies"),
        naming=measured.naming,
        named=named[0],
        named_high=named[1],
        marking=measured.marking,
        marked=marked[0],
        marked_high=marked[1],
    )


def headline(one: Signal) -> str:
    """Return the few words by which a signal is listed."""
    what = MEASURE[one.measure]
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
    unit = UNIT.get(one.measure, "")
    if one.part == "service":
        sign, more = (1, "more") if one.how == "rise" else (-1, "less")
        low, high = sorted((sign * one.low, sign * one.high))
        return (
            f"{figure(sign * one.value)} {unit} {more} each year ({interval(low, high)}) on a mean of "
            f"{figure(one.rest)}, over {one.wears:,} wears. Each month is compared with the same month "
            "of other years."
        )
    if one.part == "set":
        if one.how == "fall":
            return (
                f"Over {one.wears} wears the charge at the start has fallen steadily: {signed(one.value)} "
                f"on a scale from \u22121 (always falling) to 0 (no change); {INTERVAL} {signed(one.low)} to "
                f"{signed(one.high)}."
            )
        return (
            f"{one.events} of its {one.wears} wears, where {figure(one.expected, 2)} were expected. "
            f"Other sets: {figure(one.rest, 2)} per 1000 wears."
        )
    if one.how == "higher":
        return (
            f"{one.value:.0f}\u00a0% higher ({INTERVAL} {one.low:.0f} to {one.high:.0f}\u00a0%) in the last "
            f"{RECENT_WEARS} wears than in the same wearer's earlier ones at the same kind of work "
            f"({one.wears} wears in all)."
        )
    others = {"station": "the other stations", "role": "the other roles", "wearer": "all others"}[one.part]
    crude = f"{figure(one.value)} {unit} ({interval(one.low, one.high)}); {others}: {figure(one.rest)}"
    if not math.isfinite(one.expected):
        return f"{crude}. Kind, task and season are taken into account."
    return (
        f"{one.events} of {one.wears:,} wears, where {figure(one.expected, 2)} are expected for the same "
        f"kinds and tasks. As counted: {crude}."
    )


REST_TITLE = "Rest between wears"
NO_RULES = "No rest rule is on in the profile."


def short_rest(one: ShortRest) -> str:
    """Return a sentence about one wear that began too soon."""
    rested, asked = f"{one.rested_min:.0f} min", f"{one.rest_min:.0f} min"
    return f"Rested {rested} after {reached_text(one)}; the rule asks for {asked} ({one.source})."


def rule_sentence(rule: RestRule) -> str:
    """Return a rule of the profile with its source."""
    limits = {
        f"{rule.after_cylinders} cylinder(s) in succession": rule.after_cylinders,
        f"{rule.after_work_min:.0f} min under air": rule.after_work_min,
        f"{rule.after_hard_min:.0f} min of hard breathing": rule.after_hard_min,
        f"a heat dose of {rule.after_heat_dose:g}": rule.after_heat_dose,
    }
    after = [text for text, limit in limits.items() if limit]
    memory = " From memory: check it before relying on it." if rule.from_memory else ""
    state = "" if rule.on else " Off."
    return f"{rule.rest_min:.0f} min after {' or '.join(after)} (source: {rule.source}).{memory}{state}"


PLANNING_FINDING = (
    "Doctrine plans {planned:.0f} min with {cylinder}. In one wear in ten breathing is so hard that the "
    "warning comes within {tenth:.0f} min{interval}."
)
PLANNING_TITLE = "Planning rates from your own wears"
PLANNING_NOTE = (
    "Mean rate of a wear; short bursts are higher. In brackets: the true figure is probably between these "
    "(95\u00a0% interval). Minutes are from a full cylinder down to its warning at that rate (real gas at "
    "15 °C). Way back and reserve are not deducted."
)
DOCTRINE = "doctrine (profile {name})"
CYLINDER_LABEL = "Cylinder"
TOO_FEW_FOR_RATES = "Fewer than 10 wears with a known rate: no planning rates."

SETS_TITLE = "Sets to look at"
SETS_NOTE = (
    "What the wears and the log show about each set. Sets that stand out come first, then those with the "
    "most findings. Charge over time: \u22121 is always falling, 0 no change, +1 always rising."
)
FORECAST_TITLE = "How good were the forecasts"


def forecast_sentence(account: Sequence[ForecastAccount]) -> str:
    """Say in one sentence how the forecasts of the low-air warning did."""
    every = account[0]
    if every.known < FEWEST_FORECASTS:
        return (
            f"{counted(every.known, 'forecast has', 'forecasts have')} an outcome (the wear reached its "
            f"warning), of {every.said:,}: too few to judge ({FEWEST_FORECASTS} are needed)."
        )
    low, high = every.inside_interval
    early_low, early_high = every.early_interval
    ten = next((one for one in account if one.ahead_min == 10 and one.known), None)
    middle = f"Of those 10 min ahead, half were off by less than {ten.error_min:.1f} min. " if ten else ""
    return (
        f"In {every.known:,} forecasts the wear reached its warning. "
        f"{percent(every.inside / every.known)} of them were right: the warning came within the forecast "
        f"interval (promised: 90\u00a0%; {INTERVAL} {percent(low)} to {percent(high)}). {middle}"
        f"In {every.of_early:,} forecasts we know whether the warning came too early. It did in "
        f"{percent(every.early_share, 1)} (promised: at most 5\u00a0%; {INTERVAL} {percent(early_low, 1)} to "
        f"{percent(early_high, 1)})."
    )


FORECAST_NOTE = (
    "Each wear counts once for each number of minutes. Forecasts of one wear can fail together; the "
    "intervals allow for that. Most wears leave before the warning. Of those, only one thing is known: the "
    "warning did not come early. So the share inside depends mostly on wears that came close."
)
FORECAST_HEADS = heads(
    "Forecast | Forecasts | Outcome known | Inside | Earlier | Later | Median error | It took",
)
"""One line for each number of minutes; `It took` is the middle 90 % of what happened."""


def ahead_row(one: ForecastAccount) -> list[str]:
    """Return one line of the forecasts' table."""
    counts = [f"{one.ahead_min} min", f"{one.said:,}", f"{one.known:,}"]
    if one.happened is None:
        return [*counts, "–", "–", "–", "–", "–"]
    low, middle, high = one.happened
    shares = [percent(part / one.known) for part in (one.inside, one.early, one.late)]
    return [*counts, *shares, f"{one.error_min:.1f} min", f"{middle:.0f} min ({low:.0f} to {high:.0f})"]


FORECAST_BY_MONTH = "Forecasts by month"
FORECAST_BY_HARDNESS = "Forecasts by how hard the wearer worked"
FORECAST_GROUPS = {"month": "Month (UTC)", "hardness": "Mean rate of the wear"}
FORECAST_TABLE = "The same as a table"
GROUP_HEADS = ["Forecasts", "Outcome known", "Inside", "Later", "Median error", "Before the early end"]
FORECAST_GROUPS_NOTE = (
    f"Bold numbers count forecasts with an outcome. A hollow mark has fewer than {FEWEST_FORECASTS}. "
    f"Bars show the {INTERVAL}. “Before the early end” also counts wears that left after that end. "
    "If several months in a row are below 90\u00a0%, breathing has changed. "
    "Then learn the interval again with “underair learn”."
)


def groups_sentence(said: Sequence[ForecastAccount]) -> str:
    """Say which group of forecasts did worst, of those with enough outcomes."""
    enough = [one for one in said if one.known >= FEWEST_FORECASTS]
    if not enough:
        return f"No group has {FEWEST_FORECASTS} forecasts with an outcome."
    least = min(enough, key=lambda one: one.inside / one.known)
    most = max(enough, key=lambda one: one.early_share)
    return (
        f"Fewest inside: {percent(least.inside / least.known)} ({least.group}). "
        f"Most before the early end: {percent(most.early_share, 1)} ({most.group})."
    )


def group_row(one: ForecastAccount) -> list[str]:
    """Return one line of a group's table."""
    counts = [f"{one.said:,}", f"{one.known:,}"]
    early = f"{percent(one.early_share, 1)} of {one.of_early:,}" if one.of_early else "–"
    if not one.known:
        return [one.group, *counts, "–", "–", "–", early]
    shares = [percent(part / one.known) for part in (one.inside, one.late)]
    return [one.group, *counts, *shares, f"{one.error_min:.1f} min", early]
