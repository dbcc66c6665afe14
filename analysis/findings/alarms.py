"""Findings about alarms: unanswered, missing, without data, late, lost, too many."""

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Literal

import numpy as np

from analysis.alarms.alarms import Alarm
from analysis.alarms.kinds import GRAVEST, KINDS
from analysis.findings.examined import Examined
from analysis.findings.finding import Context, Finding, Severity, clock, finding, lasting, unique
from analysis.heat.heat import rapid_rise
from analysis.records import PowerUp, lost_between
from analysis.wears.wears import Wear
from ingest.plurals import counted

STANDS_S = 3.0
"""A condition shorter than this may be missed between a set's own samples. Our own rule."""
HEARD_LATE_US = 5_000_000
NEAR_S = 30.0
"""Messages lost this close to an alarm may have been the alarm. Our own rule."""
Verdict = Literal["early", "in band", "late"]


def named(alarm: Alarm) -> str:
    """Return an alarm's name, and whether the set reported it or only the readings show it."""
    return f"{KINDS[alarm.alarm].named} ({'derived' if alarm.reported is None else 'reported'})"


def warning_verdict(first_bar: float, low_air_bar: float, early_bar: float, late_bar: float) -> Verdict:
    """Return whether a low-air warning came in its band.

    Source: EN 137 as restated in training literature (secondary source): 55 plus or minus 5 bar; 49.9 bar is
    late, 50.0 to 60.0 in the band, 60.1 early.

    Examples
    --------
    >>> warning_verdict(49.9, 55.0, 5.0, 5.0)
    'late'
    """
    if first_bar < low_air_bar - late_bar:
        return "late"
    return "early" if first_bar > low_air_bar + early_bar else "in band"


def alarm_findings(context: Context) -> Iterator[Finding]:
    """Apply every rule about alarms."""
    by_wear = {one.wear.wear_id: one for one in context.examined}
    without: dict[tuple[str, str], list[tuple[Alarm, str]]] = {}
    for alarm in context.alarms:
        yield from _unanswered(alarm, context)
        yield from _not_raised(alarm)
        shown = _without_data(alarm, by_wear, context)
        if shown is not None and alarm.wear is not None:
            without.setdefault((alarm.wear.wear_id, alarm.alarm), []).append((alarm, shown))
        yield from _warning_band(alarm, context)
        if alarm.reported is not None and alarm.reported.inferred:
            yield _finding(
                "raise_inferred",
                "note",
                alarm,
                f"The message that raised the {named(alarm)} was never heard. Later messages show it at "
                f"{clock(alarm.raised_us)}; it may have begun earlier.",
            )
        if alarm.reported is not None and alarm.reported.clear_lost:
            yield _finding(
                "clear_not_heard",
                "note",
                alarm,
                f"The message that cleared the {named(alarm)} of {clock(alarm.raised_us)} was never "
                "heard: the set raised it again, and messages were lost before that. When it was over "
                "is not known.",
            )
    for alike in without.values():
        yield _all_without_data(alike)
    for power_up in context.sets:
        yield from _only_kept_by_broker(power_up, context)
    for flood in context.floods:
        minutes = context.profile.alarms.flood_window_min
        yield finding(
            "alarm_flood",
            "caution",
            None,
            (flood.started_us, flood.ended_us),
            f"{flood.most} alarms (reported) within {minutes:g} min from {clock(flood.started_us)}: more "
            f"than {context.profile.alarms.flood_count}, which is more than one person can answer well.",
            _first_raises(context, flood.started_us, flood.ended_us),
        )


def _only_kept_by_broker(power_up: PowerUp, context: Context) -> Iterator[Finding]:
    channel = power_up.channels.get("alarm")
    if channel is None:
        return
    for position in np.flatnonzero(channel.retained).tolist():
        row, received_us = channel.rows[position], int(channel.received_us[position])
        if row["state"] == "cleared" or not context.inside(received_us):
            continue
        yield finding(
            "alarm_kept_by_broker",
            "serious" if row["alarm"] in GRAVEST else "caution",
            power_up.name,
            (received_us, None),
            f"The broker had kept a message of set {power_up.name} ({KINDS[row['alarm']].named}) and handed "
            f"it on at {clock(received_us)}. The set dates it {clock(int(channel.time_us[position]))}. "
            "The listener did not hear it when it was raised, so no table and no other finding uses it.",
            (power_up.identity(int(channel.seq[position])),),
        )


def _finding(
    code: str, severity: Severity, alarm: Alarm, statement: str, ended_us: int | None = None
) -> Finding:
    when_us = alarm.raised_us, alarm.cleared_us if ended_us is None else ended_us
    return finding(code, severity, alarm.wear or alarm.set_id, when_us, statement, alarm.evidence)


def _first_raises(context: Context, started_us: int, ended_us: int) -> tuple[str, ...]:
    return unique(
        [
            one.reported.evidence[0]
            for one in context.alarms
            if one.reported is not None and started_us <= one.raised_us <= ended_us
        ]
    )


def _unanswered(alarm: Alarm, context: Context) -> Iterator[Finding]:
    limit_s = context.profile.alarms.response_s
    if alarm.alarm not in GRAVEST or alarm.reported is None or alarm.reported.inferred:
        return
    answered_us, cleared_us = alarm.answered_us, alarm.cleared_us
    # Nobody can answer what has not been heard.
    known_us = max(alarm.raised_us, alarm.heard_us or alarm.raised_us)
    over_us = known_us + round(limit_s * 1e6)
    if answered_us is not None and answered_us <= over_us:
        return
    if answered_us is None and cleared_us is not None and cleared_us <= over_us:
        return  # over before anybody had to answer
    if answered_us is None:
        how = "was never acknowledged at the set or marked as seen at the desk"
        how += f"; it was cleared at {clock(cleared_us)}" if cleared_us is not None else ""
    else:
        took = lasting((answered_us - alarm.raised_us) * 1e-6)
        how = f"was first answered at {clock(answered_us)}, after {took}"
        if known_us - alarm.raised_us > HEARD_LATE_US:
            how += (
                f"; it was heard at {clock(known_us)}, {lasting((answered_us - known_us) * 1e-6)} before that"
            )
    yield _finding(
        "alarm_unanswered",
        "serious",
        alarm,
        f"The {named(alarm)} of {clock(alarm.raised_us)} {how}; the profile allows {limit_s:.0f} s. "
        "What was said by radio is not in this record.",
        answered_us if answered_us is not None else cleared_us,
    )


def _not_raised(alarm: Alarm) -> Iterator[Finding]:
    if alarm.source != "derived" or alarm.derived is None or alarm.wear is None:
        return
    until_us = alarm.derived.cleared_us if alarm.derived.cleared_us is not None else alarm.wear.ended_us
    if (until_us - alarm.raised_us) * 1e-6 < STANDS_S and not KINDS[alarm.alarm].about_the_set:
        return
    lost = _lost_near(alarm.wear, alarm.raised_us)
    severity: Severity = "note" if lost else KINDS[alarm.alarm].not_raised
    statement = (
        f"The readings show a {named(alarm)} at {clock(alarm.raised_us)}, but no message of the set "
        "raised one"
    )
    if alarm.alarm in GRAVEST:
        lasted = lasting((until_us - alarm.raised_us) * 1e-6)
        over = "until" if alarm.derived.cleared_us is not None else "to the last reading under air at"
        statement += f"; it lasted {lasted}, {over} {clock(until_us)}"
        statement += ", and nobody marked it as seen" if alarm.answered_us is None else ""
    if lost:
        were = "was" if lost == 1 else "were"
        statement += f"; {counted(lost, 'message')} of the set near it {were} never heard"
    if not alarm.wear.power_up.losses_known:
        statement += "; whether one was lost is unknown, because the source does not number its messages"
    yield _finding("alarm_not_raised", severity, alarm, f"{statement}.", until_us)


def _lost_near(wear: Wear, raised_us: int) -> int:
    near_us = round(NEAR_S * 1e6)
    first = int(np.searchsorted(wear.at_us, raised_us - near_us))
    last = int(np.searchsorted(wear.at_us, raised_us + near_us))
    # If no reading is so near, those on both sides of the pause.
    seq = wear.seq[max(min(first, last - 1), 0) : last + 1]
    return lost_between(wear.power_up, int(seq.min()), int(seq.max()))


def _without_data(alarm: Alarm, by_wear: Mapping[str, Examined], context: Context) -> str | None:
    """Return what the readings show in place of an alarm that the set raised; None if they may show it."""
    if alarm.source != "reported" or alarm.wear is None or not KINDS[alarm.alarm].in_readings:
        return None
    if alarm.supported:
        return None
    one = by_wear.get(alarm.wear.wear_id)
    if one is None or not _was_heard(alarm, one):
        return None
    second = min(max((alarm.raised_us - alarm.wear.started_us) // 1_000_000, 0), one.seconds - 1)
    if alarm.alarm == "low_air":
        if alarm.wear.swung[1].min(initial=np.inf) <= alarm.wear.thresholds.low_air_bar:
            return None
        shown = f"the pressure was {one.air.pressure_bar[second]:.0f} bar, the set's threshold is "
        shown += f"{alarm.wear.thresholds.low_air_bar:.0f} bar, and it was not reached in this wear"
    elif alarm.alarm == "heat":
        heat = one.heat
        if heat is None or not heat.measured or heat.dose[second] >= context.profile.heat.dose_limit:
            return None
        rise = rapid_rise(heat.ambient_c, heat.thermal_class > 0, context.profile)
        if rise is not None and rise[0] - NEAR_S <= second <= rise[1] + 2 * NEAR_S:
            return None
        shown = f"its sensor read {_nearest(heat.temperature_c, second):.0f} °C, below its "
        shown += f"{alarm.wear.thresholds.heat_start_c:.0f} °C, and neither dose nor rise explains it"
    else:
        shown = "its motion readings show no such stillness"
    return shown


def _all_without_data(alike: list[tuple[Alarm, str]]) -> Finding:
    """Return one finding of all alarms of one kind in one wear that the readings do not show."""
    (alarm, shown), (last, _) = alike[0], alike[-1]
    when = f"at {clock(alarm.raised_us)}"
    if len(alike) > 1:
        when = f"{len(alike)} times from {clock(alarm.raised_us)} to {clock(last.raised_us)}"
        shown = shown if len({said for _, said in alike}) == 1 else f"at the first {shown}"
    finding = _finding(
        "alarm_without_data",
        "note" if alarm.alarm in ("heat", "no_motion_prealarm") else "caution",
        alarm,
        f"The set raised a {named(alarm)} {when}, but {shown}.",
        last.cleared_us if last.cleared_us is not None or len(alike) == 1 else last.raised_us,
    )
    return replace(finding, evidence=unique([identity for one, _ in alike for identity in one.evidence]))


def _nearest(values: np.ndarray[tuple[int, ...], np.dtype[np.float64]], second: int) -> float:
    known = np.flatnonzero(~np.isnan(values))
    return float(values[known[np.argmin(np.abs(known - second))]])


def _was_heard(alarm: Alarm, one: Examined) -> bool:
    """Return whether the channel behind an alarm was heard around it; silence proves nothing."""
    kind = {"low_air": "pressure", "heat": "temperature"}.get(alarm.alarm, "motion")
    part = one.wear.span(kind)
    if part is None or (alarm.reported is not None and alarm.reported.inferred):
        return False
    channel, span = part
    at_us = channel.at_us[span]
    before = int(np.searchsorted(at_us, alarm.raised_us))
    if before in (0, len(at_us)):
        return False
    return bool(at_us[before] - at_us[before - 1] <= NEAR_S * 1e6)


def _warning_band(alarm: Alarm, context: Context) -> Iterator[Finding]:
    if alarm.alarm != "low_air" or alarm.reported is None or alarm.reported.inferred or alarm.wear is None:
        return
    wear, rules = alarm.wear, context.profile.air
    good = np.flatnonzero(~wear.spike)
    last = int(np.searchsorted(wear.at_us[good], alarm.raised_us, side="right")) - 1
    if last < 0 or alarm.raised_us - int(wear.at_us[good[last]]) > NEAR_S * 1e6:
        return
    bar, low_bar = float(wear.pressure_bar[good[last]]), wear.thresholds.low_air_bar
    verdict = warning_verdict(bar, low_bar, rules.warning_early_bar, rules.warning_late_bar)
    if verdict == "in band" or (verdict == "early" and alarm.derived is None):
        return  # early, and never reached by the readings: `alarm_without_data` says so
    yield _finding(
        "warning_out_of_band",
        "caution" if verdict == "late" else "note",
        alarm,
        f"The set's own {named(alarm)} came {verdict}: at {bar:.0f} bar at {clock(alarm.raised_us)}, with a "
        f"threshold of {low_bar:.0f} bar and a band from {low_bar - rules.warning_late_bar:.0f} to "
        f"{low_bar + rules.warning_early_bar:.0f} bar.",
    )
