"""Findings about the pressure sensor: an offset that witnesses show, readings that rose or dropped out."""

import itertools
from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from analysis.alarms.alarms import Alarm
from analysis.findings.examined import Examined
from analysis.findings.finding import Context, Finding, clock, finding, lasting
from analysis.records import Ints, PowerUp
from analysis.refused import pressures_refused
from analysis.wears.charges import Charge, differed
from analysis.wears.entries import Entry
from analysis.wears.gauges import GaugeApart, contradictions
from analysis.wears.valve import (
    CLOSED_BELOW_BAR,
    OPEN_ABOVE_BAR,
    SHUT_AGAIN_BAR,
    SWINGS_WITHIN_S,
)
from analysis.wears.wears import Wear
from ingest.plurals import counted

LEAST_OFFSET_BAR = 5.0
"""A smaller offset is within the tolerance of a gauge. Our own rule."""
AGREE_BAR = 6.0
"""Witnesses agree if no further apart: two gauge steps, and a cylinder warmer by 2 K. Our own rule."""
SURE_CLOSED = 3
"""So many readings alike show a closed valve. Our own rule."""
ALIKE_BAR = 1.0
DROPPED_OUT_S = 60.0
"""Nobody closes a valve inside for so short a time and goes on. Our own rule."""
GOES_ON_BAR = 10.0
"""The pressure continues where it was, less the air of a minute. Our own rule."""


def offsets_of(
    examined: Sequence[Examined], alarms: Sequence[Alarm]
) -> dict[str, tuple[float, list[tuple[str, float]]]]:
    """Return, by wear, how much too high its pressure reads, and the witnesses that agree on it.

    The reading with the valve closed is enough. A full cylinder may be warm, and a set's own warning late:
    these two count only together or with the first.
    """
    found = {}
    for one in examined:
        witnesses = _witnesses(one, alarms)
        closed = [bar for name, bar in witnesses if name == "closed"]
        best = max(
            (
                [each for each in witnesses if abs(each[1] - bar) <= AGREE_BAR]
                for _, bar in witnesses
                if abs(bar) >= LEAST_OFFSET_BAR
            ),
            key=len,
            default=[],
        )
        if closed and abs(closed[0]) >= LEAST_OFFSET_BAR:
            best = [each for each in witnesses if abs(each[1] - closed[0]) <= AGREE_BAR]
        elif len(best) < 2:
            continue
        offset_bar = float(np.median([bar for _, bar in best]))
        if abs(offset_bar) >= LEAST_OFFSET_BAR:
            found[one.wear.wear_id] = (offset_bar, witnesses)
    return found


def _witnesses(one: Examined, alarms: Sequence[Alarm]) -> list[tuple[str, float]]:
    wear = one.wear
    found: list[tuple[str, float]] = []
    closed = _closed_bar(wear)
    if closed is not None:
        found.append(("closed", closed))
    if wear.cylinder is not None and wear.restarted_from is None:
        over_bar = wear.first_bar - wear.cylinder.rated_bar
        if over_bar >= LEAST_OFFSET_BAR:
            found.append(("full", over_bar))
    for alarm in alarms:
        if alarm.wear is wear and alarm.alarm == "low_air" and alarm.reported and not alarm.reported.inferred:
            found.append(("warning", wear.bar_at(alarm.raised_us) - wear.thresholds.low_air_bar))
            break
    return found


def _closed_bar(wear: Wear) -> float | None:
    """Return what the sensor read with the valve closed: before it was opened, or after it was closed."""
    channel = wear.power_up.channels.get("pressure")
    if channel is None:
        return None
    bar = channel.numbers["pressure_bar"]
    first = int(np.searchsorted(channel.at_us, wear.started_us))
    last = int(np.searchsorted(channel.at_us, wear.ended_us, side="right"))
    shut = wear.shut_bar
    # A reading well above 0 before the opening may be the line's pressure: it must come again at the end.
    stood = shut >= OPEN_ABOVE_BAR
    below = shut + SHUT_AGAIN_BAR if stood else OPEN_ABOVE_BAR
    before, after = bar[max(first - 30, 0) : first], bar[last : last + 30]
    if wear.ended_how == "closed" and len(after):
        below = max(below, float(after.min()) + SHUT_AGAIN_BAR)
    for part in (after,) if stood else (before, after):
        low = part[part < below]
        for start in range(len(low) - SURE_CLOSED + 1):
            run = low[start : start + SURE_CLOSED]
            if np.ptp(run) <= ALIKE_BAR:
                return float(np.median(run))
    # The end was not heard: a cylinder that reads more than full shows which of the two it is.
    over = wear.cylinder is not None and wear.first_bar - wear.cylinder.rated_bar >= LEAST_OFFSET_BAR
    return shut if stood and over and not len(after) else None


WITNESS_WORDS = {
    "closed": "with the valve closed it read {bar:.0f} bar",
    "full": "the full cylinder read {bar:.0f} bar above its rated pressure",
    "warning": "the set raised its own warning {bar:.0f} bar away from its threshold (reported)",
}


def offset_said(context: Context, wear_id: str) -> str:
    """Return the sentence that a statement about a doubtful reading must carry; empty without an offset."""
    offset = context.offsets.get(wear_id)
    if offset is None:
        return ""
    return f" Reading offset: this set's pressure reads {_too(offset[0])}."


def _too(offset_bar: float) -> str:
    return f"about {abs(offset_bar):.0f} bar too {'high' if offset_bar > 0 else 'low'}"


def sensor_findings(context: Context) -> Iterator[Finding]:
    """Apply every rule about the pressure sensor."""
    for one in context.examined:
        offset = context.offsets.get(one.wear.wear_id)
        if offset is not None:
            yield _offset(one, *offset)
        yield from _swung(one, context)
    for power_up in context.sets:
        if power_up.too_high is not None:
            yield from _too_high(power_up, np.flatnonzero(power_up.too_high), context)
    by_wear = {one.wear.wear_id: one for one in context.examined}
    for entry in context.entries:
        yield from (_contradicts(one, entry) for one in contradictions(entry.wears, entry.gauges))
        for charge in entry.charges:
            yield from (_rose(before, after, charge) for before, after in charge.rises)
            for before, after in itertools.pairwise(charge.wears):
                yield from _dropped_out(before, after, by_wear)


def _too_high(power_up: PowerUp, places: Ints, context: Context) -> Iterator[Finding]:
    channel = power_up.channels["pressure"]
    first, last = int(places[0]), int(places[-1])
    from_us, until_us = int(channel.at_us[first]), int(channel.at_us[last])
    if not context.overlaps(from_us, until_us):
        return
    most = float(channel.numbers["pressure_bar"][places].max())
    yield finding(
        "pressure_not_believed",
        "caution",
        power_up.name,
        (from_us, until_us),
        f"Set {power_up.name} sent {counted(len(places), 'pressure')} from {clock(from_us)} to "
        f"{clock(until_us)} that do not count: more than its cylinder can hold (up to {most:.0f} bar), or "
        "sent after that and before a closed valve. Another unit (psi, kPa), or a faulty sensor."
        + pressures_refused(context.refused, [power_up.name]),
        (power_up.identity(int(channel.seq[first])), power_up.identity(int(channel.seq[last]))),
    )


def _contradicts(one: GaugeApart, entry: Entry) -> Finding:
    gauge, known = one.gauge, one.known_bar
    wear = next((wear for wear in reversed(entry.wears) if wear.started_us <= gauge.at_us), None)
    apart = abs(gauge.pressure_bar - known)
    said = f"By voice the gauge of set {gauge.set_id} was at {gauge.pressure_bar:.0f} bar "
    said += f"at {clock(gauge.at_us)}"
    if one.heard:
        after = f" at {clock(one.known_us)}, after a silence" if one.known_us > gauge.at_us else ""
        said += f", while the set sent {known:.0f} bar{after}: one of the two is wrong by {apart:.0f} bar"
    else:
        said += (
            f", {apart:.0f} bar above the last known pressure ({known:.0f} bar at {clock(one.known_us)}), "
            "and no closed valve was heard: another set's gauge, a slip, or another cylinder"
        )
    lower = "Turn-back, warning and lowest pressure use the lower one."
    if one.heard and gauge.pressure_bar < known:
        lower += f" Until another gauge is read, the set counts with {apart:.0f} bar less."
        changed = (
            number
            for number, charge in enumerate(entry.charges)
            if charge.wears and charge.wears[0].set_id == gauge.set_id and charge.entry_us > one.known_us
        )
        number = next(changed, None)
        if number is not None and differed(entry.charges, number):
            since = clock(entry.charges[number].entry_us)
            lower += (
                f" From {since} on, with another cylinder, no gauge was read: the set counts as it reads."
            )
    return Finding(
        "gauge_contradicts",
        "caution",
        gauge.set_id,
        wear.wear_id if wear is not None else None,
        gauge.at_us,
        gauge.at_us,
        f"{said}. {lower}",
        (gauge.identity, one.known_identity),
    )


def _offset(one: Examined, offset_bar: float, witnesses: list[tuple[str, float]]) -> Finding:
    wear = one.wear
    agree = [each for each in witnesses if abs(each[1] - offset_bar) <= AGREE_BAR]
    others = [each for each in witnesses if each not in agree]
    said = "; ".join(WITNESS_WORDS[name].format(bar=bar) for name, bar in agree)
    statement = f"The pressure reads {_too(offset_bar)}: {said}."
    if others:
        said = "; ".join(WITNESS_WORDS[name].format(bar=bar) for name, bar in others)
        statement += f" This does not agree: {said}."
    return finding(
        "pressure_offset",
        "caution",
        wear,
        wear.span_us,
        f"{statement} No figure was corrected for it.",
        [wear.identity(0), wear.identity(-1)],
    )


def _rose(before: Wear, after: Wear, charge: Charge) -> Finding:
    return finding(
        "pressure_rose",
        "caution",
        after,
        (before.ended_us, after.started_us),
        f"The pressure rose by {after.first_bar - before.last_bar:.0f} bar within "
        f"{lasting((after.started_us - before.ended_us) * 1e-6)}: {before.last_bar:.0f} bar at "
        f"{clock(before.ended_us)}, {after.first_bar:.0f} bar at {clock(after.started_us)}. No closed valve, "
        "no pause and no word of a desk explains it: a faulty sensor, another set's reading, or another "
        f"cylinder. It counts as the same cylinder, with the entry pressure {charge.entry_bar:.0f} bar.",
        [before.identity(-1), after.identity(0)],
    )


def _swung(one: Examined, context: Context) -> Iterator[Finding]:
    wear, rules = one.wear, context.profile.link
    at_us, bar = wear.swung
    levels = wear.pressure_bar[wear.kept]
    places = np.maximum(wear.at_us[wear.kept].searchsorted(at_us, side="right") - 1, 0)
    ends = np.flatnonzero(np.diff(at_us) > SWINGS_WITHIN_S * 1e6) + 1
    for lows in np.split(np.arange(len(at_us)), ends) if len(at_us) else []:
        first_us, last_us = int(at_us[lows[0]]), int(at_us[lows[-1]])
        lowest = lows[bar[lows].argmin()]
        fell_bar, times = float((levels[places] - bar)[lows].max()), len(np.unique(places[lows]))
        yield finding(
            "gauge_swung",
            "serious" if (last_us - first_us) * 1e-6 >= rules.silence_serious_s else "caution",
            wear,
            (first_us, last_us),
            f"From {clock(first_us)} to {clock(last_us)} the reading fell {counted(times, 'time')} by up to "
            f"{fell_bar:.0f} bar (to {bar[lowest]:.0f} bar), faster than anybody breathes, and came back: "
            "the valve was not fully open or was shut, or the sensor is at fault. This time counts as under "
            "air. The lowest pressure uses these readings; air used, rate, warning and turn-back do not.",
            [wear.identity_at(us) for us in (first_us, int(at_us[lowest]), last_us)],
        )


def _dropped_out(before: Wear, after: Wear, by_wear: Mapping[str, Examined]) -> Iterator[Finding]:
    apart_s = (after.started_us - before.ended_us) * 1e-6
    if after.power_up is not before.power_up or apart_s > DROPPED_OUT_S:
        return
    if abs(after.first_bar - before.last_bar) > GOES_ON_BAR or before.wear_id not in by_wear:
        return
    lowest = _lowest_between(before, after)
    low = "" if lowest is None else f", {lowest:.0f} bar between"
    zero = lowest is not None and lowest < CLOSED_BELOW_BAR
    yield finding(
        "readings_dropped_out",
        "caution",
        after,
        (before.ended_us, after.started_us),
        f"The pressure dropped for {lasting(apart_s)} and returned to where it was: {before.last_bar:.0f} "
        f"bar at {clock(before.ended_us)}{low}, {after.first_bar:.0f} bar at {clock(after.started_us)}. One "
        "cylinder, one entry pressure; the analysis of air omits the readings between"
        + (", and the valve may have been closed for that time." if zero else "."),
        [before.identity(-1), after.identity(0)],
    )


def _lowest_between(before: Wear, after: Wear) -> float | None:
    channel = before.power_up.channels["pressure"]
    first = int(np.searchsorted(channel.at_us, before.ended_us, side="right"))
    last = int(np.searchsorted(channel.at_us, after.started_us))
    between = channel.numbers["pressure_bar"][first:last]
    return float(between.min()) if len(between) else None
