"""Findings about heat: the slow trigger (dose) and the fast one (rise). Never what a body felt."""

from collections.abc import Iterator

import numpy as np

from analysis.findings.examined import Examined
from analysis.findings.finding import Context, Finding, clock, finding, lasting
from analysis.heat.heat import HeatTrack, dose_rate_s, rapid_rise
from analysis.profile import DOSE_LAWS
from ingest.plurals import counted

LAW_WORDS = {
    "iso13571_clothed": "ISO 13571 (clothed)",
    "sfpe_unclothed": "SFPE Eq. 63.44 (unclothed)",
}

MOST_SLIPS = 4
"""With more impossible readings the sensor is broken, and the heat is not known. Our own rule."""
NO_BODY = "It is a measure of air temperature, not of what a person in fire kit felt."


def heat_findings(context: Context) -> Iterator[Finding]:
    """Apply both rules to every wear with a heat sensor."""
    for one in context.examined:
        if one.heat is not None:
            yield from _doubtful(one, one.heat)
            if not one.heat.measured:
                continue
            yield from _lag_disproved(one, one.heat, context)
            yield from _dose(one, one.heat, context)
            yield from _rise(one, one.heat, context)


def _doubtful(one: Examined, heat: HeatTrack) -> Iterator[Finding]:
    count = len(heat.doubtful_s)
    if not count:
        return
    first_us, last_us = (
        one.wear.started_us + round(at_s * 1e6) for at_s in heat.doubtful_s[[0, -1]].tolist()
    )
    low, high = (f"{value:.0f}" for value in (heat.doubtful_c.min(), heat.doubtful_c.max()))
    yield finding(
        "heat_sensor_doubtful",
        "note" if count <= MOST_SLIPS else "caution",
        one.wear,
        (first_us, last_us),
        f"{counted(count, 'reading')} ({high if low == high else f'{low} to {high}'} °C) from "
        f"{clock(first_us)} to {clock(last_us)} cannot be the surroundings of a person, or jumped and "
        "returned at once. No heat figure uses them: in that time the temperature counts as not heard.",
        _readings_near(one, [int(heat.doubtful_s[0]), int(heat.doubtful_s[-1])]),
    )


def _dose(one: Examined, heat: HeatTrack, context: Context) -> Iterator[Finding]:
    rules = context.profile.heat
    least = float(heat.dose[-1])
    most = max(heat.most_dose(rules.dose_law), least) if heat.not_heard_s else least
    if most < rules.dose_limit:
        return
    unheard = ""
    if most > least:
        unheard = (
            f" No temperature was heard for {lasting(heat.not_heard_s)}. If it was as hot then as before or "
            f"after, the dose was {most:.2f}."
        )
    if least < rules.dose_limit:
        yield finding(
            "heat_dose",
            "caution",
            one.wear,
            one.wear.span_us,
            f"The heat dose may have passed {rules.dose_limit:g}: it was at least {least:.2f}."
            f"{unheard} {NO_BODY}",
            _readings_near(one, [int(np.nanargmax(heat.temperature_c))]),
        )
        return
    second = int(np.argmax(heat.dose >= rules.dose_limit))
    sure = np.where(heat.thermal_class > 0, heat.ambient_c, np.nan)
    both = [
        f"{float(np.sum(dose_rate_s(sure, law))):.2f} by {LAW_WORDS[law]}"
        for law in sorted(DOSE_LAWS, key=lambda law: law != rules.dose_law)
    ]
    from_us = one.at_us(int(np.argmax(heat.ambient_c > 60.0)))
    yield finding(
        "heat_dose",
        "serious" if most >= 1.0 else "caution",
        one.wear,
        (one.at_us(second), one.wear.ended_us),
        f"The heat dose passed {rules.dose_limit:g} at {clock(one.at_us(second))}"
        f"{' or earlier' if unheard else ''}, "
        f"{lasting((one.at_us(second) - from_us) * 1e-6)} after the surroundings passed 60 °C, and "
        f"{'reached at least' if unheard else 'ended at'} {', '.join(both)}.{unheard} {NO_BODY}",
        _readings_near(one, [second, int(np.nanargmax(heat.temperature_c))]),
    )


def _rise(one: Examined, heat: HeatTrack, context: Context) -> Iterator[Finding]:
    rise = rapid_rise(heat.ambient_c, heat.thermal_class > 0, context.profile)
    if rise is None:
        return
    first, last, steepest = rise
    lag = "lag removed" if heat.disproved_c is None else "as read, lag not removed"
    yield finding(
        "rapid_heat",
        "caution",
        one.wear,
        (one.at_us(first), one.at_us(last)),
        f"The estimated surroundings rose from {heat.ambient_c[first]:.0f} to {heat.ambient_c[last]:.0f} °C "
        f"from {clock(one.at_us(first))}, by up to {steepest:.0f} K/min ({lag}; range at the end "
        f"{heat.ambient_lo_c[last]:.0f} to {heat.ambient_hi_c[last]:.0f} °C).",
        _readings_near(one, [first, last]),
    )


def _lag_disproved(one: Examined, heat: HeatTrack, context: Context) -> Iterator[Finding]:
    if heat.disproved_c is None:
        return
    known = np.flatnonzero(~np.isnan(heat.temperature_c))
    # Impossible surroundings are above all readings for a rise, below them for a fall.
    rose = heat.disproved_c > np.max(heat.temperature_c[known])
    slope = np.diff(heat.temperature_c[known]) / np.diff(known)
    steepest = int(slope.argmax() if rose else slope.argmin())
    first, last = int(known[steepest]), int(known[steepest + 1])
    yield finding(
        "heat_lag_disproved",
        "note",
        one.wear,
        (one.at_us(first), one.at_us(last)),
        f"The heat sensor went from {heat.temperature_c[first]:.0f} to {heat.temperature_c[last]:.0f} °C in "
        f"{last - first} s at {clock(one.at_us(first))}. A sensor with a lag near "
        f"the profile's {context.profile.heat.sensor_lag_s:g} s would need surroundings of "
        f"{heat.disproved_c:.0f} °C for that. So this sensor is faster, and no lag was removed. Classes, "
        "dose and rise of this wear follow its readings, and the range covers both.",
        _readings_near(one, [first, last]),
    )


def _readings_near(one: Examined, seconds: list[int]) -> list[str]:
    channel = one.wear.power_up.channels["temperature"]
    found = []
    for second in seconds:
        position = int(np.searchsorted(channel.at_us, one.at_us(second)))
        found.append(one.wear.power_up.identity(int(channel.seq[min(position, len(channel) - 1)])))
    return found
