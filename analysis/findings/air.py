"""Findings about air: how full, how fast, how late, and readings that stay the same."""

from collections.abc import Iterator, Sequence

import numpy as np

from analysis.air.breathing import NORMAL_90
from analysis.air.breathing_kernels import LEAST_STEP_BAR
from analysis.air.breathing_model import BREATHING
from analysis.alarms.derived import stillness
from analysis.findings.ends import THEN
from analysis.findings.examined import Examined
from analysis.findings.finding import Context, Finding, clock, finding, lasting, places_below
from analysis.findings.sensors import offset_said
from analysis.records import runs_of
from analysis.wears.charges import Charge
from analysis.wears.entries import Entry
from analysis.wears.gauges import UNHEARD_US
from analysis.wears.turn_back import is_ready
from analysis.wears.wears import Wear
from ingest.plurals import counted, percent

JOIN_S = 60
"""Losses of air closer than this are one. Our own rule."""
MOVING_S = 5.0
"""Somebody who was still for less than this is moving. Our own rule."""
WARMS_S = 60
"""For so long after a loss of air the cold gas may warm up fast enough to hold the pressure. Our own rule."""
MANY_ASIDE = 0.2
"""A gauge that leaps in more than this part of its readings has another fault. Our own rule."""
LEAP_BAR = 5.0
"""A reading this far from the line around it is named. Our own rule."""
CHANGED_LATER_S = 3600.0
"""A fuller wear of the set so soon after another is a changed cylinder. Our own rule."""


def air_findings(context: Context) -> Iterator[Finding]:
    """Apply every rule about air to every wear."""
    for entry in context.entries:
        yield from _left_unheard(entry)
    charges = [charge for entry in context.entries for charge in entry.charges]
    for entry in context.entries:
        for charge in entry.charges:
            if not charge.opening_heard:
                yield _begun_unheard(charge.wears[0]) if charge.wears else _begun_unsaid(entry, charge)
    risen = {after.wear_id for charge in charges for _, after in charge.rises}
    goes_on = {wear.wear_id for charge in charges for wear in charge.wears[1:]}
    for one in context.examined:
        if one.wear.wear_id not in goes_on and one.wear.opening_heard:
            yield from _started_low(one, context)
        yield from _below_warning(one, context)
        yield from _set_aside(one)
        if one.wear.wear_id not in risen:
            yield from _changed(one, context)
        yield from _stuck(one, context)
        yield from _gained(one)
        if one.wear.cylinder is not None:
            yield from _free_flow(one, context)
            yield from _falling_without_motion(one, context)


def leaving(one: Examined) -> tuple[int, str]:
    """Return when the wearer left: tallied out during the wear, else the wear's end; and what proves it."""
    tally, wear = one.wear.tally, one.wear
    if tally is not None and tally.out_us is not None and wear.started_us < tally.out_us < wear.ended_us:
        return tally.out_us, tally.out_identity or ""
    return wear.ended_us, wear.identity(-1)


def warnings_said(examined: Sequence[Examined], context: Context) -> str:
    """Say when the readings reached the warning, and when the set raised its own: never one for the other.

    `examined`: the wears of one entry, or one of them.
    """
    own = next(
        (
            alarm.reported
            for alarm in context.alarms
            if alarm.alarm == "low_air"
            and alarm.reported is not None
            and any(alarm.wear is one.wear for one in examined)
        ),
        None,
    )
    said = []
    reached = [
        (one.low_air_us, one.wear.thresholds.low_air_bar) for one in examined if one.low_air_us is not None
    ]
    if reached:
        low_us, low_bar = min(reached)
        said.append(f"The readings reached {low_bar:.0f} bar at {clock(low_us)} (derived)")
    if own is not None:
        said.append(f"the set raised its own warning at {clock(own.raised_us)} (reported)")
    else:
        said.append("no warning of the set itself was heard")
    text = "; ".join(said)
    offsets = dict.fromkeys(offset_said(context, one.wear.wear_id) for one in examined)
    return f"{text[0].upper()}{text[1:]}.{''.join(offsets)}"


def _begun_unheard(wear: Wear) -> Finding:
    statement = (
        f"The beginning was not heard: the first reading was {wear.first_bar:.0f} bar at "
        f"{clock(wear.started_us)}, with no opening of the valve shortly before. Since when the wearer was "
        "under air, and with how much, is not known: time under air and air used are at least what the "
        f"readings show. Turn-back counts from a full cylinder ({wear.full_bar:.0f} bar)."
    )
    return finding("beginning_not_heard", "note", wear, wear.started_us, statement, [wear.identity(0)])


def _begun_unsaid(entry: Entry, charge: Charge) -> Finding:
    first = charge.spoken[0]
    return finding(
        "beginning_not_heard",
        "note",
        charge.set_id,
        (entry.began_us, first.at_us),
        f"The beginning was not heard: the first pressure known of {entry.wearer_id} was "
        f"{first.pressure_bar:.0f} bar, by voice at {clock(first.at_us)}, "
        f"{lasting((first.at_us - entry.began_us) * 1e-6)} after the wearer was tallied in. Turn-back counts "
        f"from a full cylinder ({charge.full_bar:.0f} bar).",
        (first.identity,),
    )


def _started_low(one: Examined, context: Context) -> Iterator[Finding]:
    cylinder, part = one.wear.cylinder, context.profile.air.ready_fraction
    if cylinder is None or is_ready(one.air.start_bar, cylinder.rated_bar, part):
        return
    bar, share = one.air.start_bar, one.air.start_bar / cylinder.rated_bar
    yield finding(
        "started_below_ready",
        "caution",
        one.wear,
        one.wear.started_us,
        f"Started with {bar:.{places_below(bar, part * cylinder.rated_bar)}f} bar, "
        f"{percent(share, places_below(100 * share, 100 * part))} of the rated {cylinder.rated_bar:.0f} bar; "
        f"the profile asks for at least {percent(part)}.",
        [one.wear.identity(0), *([one.wear.setup_identity] if one.wear.setup_identity else [])],
    )


def _below_warning(one: Examined, context: Context) -> Iterator[Finding]:
    wear, at_us = one.wear, one.low_air_us
    if at_us is None:
        return
    low_bar = wear.thresholds.low_air_bar
    left_us, left_identity = leaving(one)
    read_us, left_bar = wear.kept_by(left_us)
    with_it, read = f"with {left_bar:.0f} bar", ""
    second = (left_us - wear.started_us) // 1_000_000
    if left_us - read_us > UNHEARD_US and one.air.pressure_bar[second] < left_bar:
        read = f"; last read: {left_bar:.0f} bar at {clock(read_us)}"
        left_bar = float(one.air.pressure_bar[second])
        half_bar = NORMAL_90 * float(one.air.pressure_sd_bar[second])
        low_end, high_end = max(left_bar - half_bar, 0.0), left_bar + half_bar
        with_it = f"with an estimated {left_bar:.0f} bar ({low_end:.0f} to {high_end:.0f})"
    perhaps = " (the cylinder's, or the hose's behind a valve being shut)" if wear.bleeding else ""
    how = "Last under air" if left_us == wear.ended_us else "Tallied out"
    if left_bar < low_bar and wear.ended_how != "not heard":
        yield finding(
            "left_below_warning",
            "serious" if left_bar < low_bar / 2.0 else "caution",
            wear,
            left_us,
            f"{how} at {clock(left_us)} {with_it}{perhaps}, below the warning at {low_bar:.0f} bar{read}. "
            f"{warnings_said([one], context)}",
            [wear.identity_at(at_us), left_identity, wear.identity(-1)],
        )
    limit_s = context.profile.air.below_warning_s
    if one.low_air_seconds > limit_s:
        yield finding(
            "under_air_below_warning",
            "serious" if one.low_air_seconds > 5.0 * limit_s else "caution",
            wear,
            (at_us, wear.ended_us),
            f"{lasting(one.low_air_seconds)} under air below the warning at {low_bar:.0f} bar, from "
            f"{clock(at_us)} to the end at {one.air.end_bar:.0f} bar. {warnings_said([one], context)}",
            [wear.identity_at(at_us), wear.identity(-1)],
        )


def _left_unheard(entry: Entry) -> Iterator[Finding]:
    """Find wearers last known below the warning whose exit a desk noted and no reading shows."""
    wear = next(iter(entry.wears[-1:]), None)
    spoken = next(iter(entry.spoken[-1:]), None)
    if entry.ended_us is None or not entry.charges or (wear is not None and wear.ended_how != "not heard"):
        return
    if spoken is not None and (wear is None or spoken.at_us > wear.ended_us):
        bar, at_us, identity, how = spoken.pressure_bar, spoken.at_us, spoken.identity, "last known by voice"
    elif wear is not None and wear.ended_us < entry.ended_us:
        bar, at_us, identity, how = wear.last_bar, wear.ended_us, wear.identity(-1), "last heard"
    else:
        return
    low_bar = entry.charges[-1].low_air_bar
    if bar >= low_bar:
        return
    ended_by = entry.stay.ended_by if entry.stay is not None else None
    yield finding(
        "left_below_warning",
        "serious" if bar < low_bar / 2.0 else "caution",
        wear if wear is not None else entry.set_ids[-1],
        (at_us, entry.ended_us),
        f"{entry.wearer_id}: {how} at {clock(at_us)} with {bar:.0f} bar, below the warning at {low_bar:.0f} "
        f"bar; {THEN[entry.ended_how]} at {clock(entry.ended_us)}. No reading shows the exit: the pressure "
        "then is not known.",
        [identity, *([ended_by] if ended_by is not None else [])],
    )


def _gained(one: Examined) -> Iterator[Finding]:
    if one.gained_l:
        wear = one.wear
        statement = (
            f"By its readings the cylinder held {one.gained_l:.0f} L more at the end "
            f"({one.air.end_bar:.0f} bar) than at the start ({one.air.start_bar:.0f} bar): the readings are "
            "too noisy, or of another cylinder. No air used, rate or forecast is given."
        )
        yield finding(
            "air_gained", "caution", wear, wear.span_us, statement, [wear.identity(0), wear.identity(-1)]
        )


def _set_aside(one: Examined) -> Iterator[Finding]:
    wear = one.wear
    kept = one.set_aside
    second = (wear.at_us[kept] - wear.started_us) // 1_000_000
    # The filter also sets aside readings at sharp bends; only those far from the line have jumped.
    far = np.abs(wear.pressure_bar[kept] - one.air.pressure_bar[second]) > LEAP_BAR
    swung_us = set(wear.swung[0].tolist())
    jumped = [place for place in np.flatnonzero(wear.spike).tolist() if wear.at_us[place] not in swung_us]
    aside = sorted({*jumped, *kept[far].tolist()})
    aside = [position for position in aside if not (wear.bleeding and position == len(wear.at_us) - 1)]
    if not aside:
        return
    first, last = int(wear.at_us[aside[0]]), int(wear.at_us[aside[-1]])
    values = ", ".join(f"{wear.pressure_bar[position]:.0f}" for position in aside[:4])
    many = len(aside) > MANY_ASIDE * len(wear.pressure_bar)
    yield finding(
        "readings_set_aside",
        "caution" if many else "note",
        wear,
        (first, last),
        f"{counted(len(aside), 'pressure reading')} ({values}"
        f"{', ...' if len(aside) > 4 else ''} bar) jumped and returned at once; "
        "not used in the analysis of air."
        + (
            f" That is {percent(len(aside) / len(wear.at_us))} of them: do two sets use this ID?"
            if many
            else ""
        ),
        [wear.identity(position) for position in aside],
    )


def _changed(one: Examined, context: Context) -> Iterator[Finding]:
    wear, before = one.wear, one.wear.previous
    if before is None:
        return
    apart_s = (wear.started_us - before.ended_us) * 1e-6
    rise_bar = float(wear.pressure_bar[0] - before.pressure_bar[-1])
    same = wear.tally is None or before.tally is None or wear.tally.wearer_id == before.tally.wearer_id
    evidence = [before.identity(-1), wear.identity(0)]
    if wear.restarted_from is not None:
        statement = (
            f"The set restarted without having been switched off: last heard under air at "
            f"{clock(before.ended_us)} with {before.pressure_bar[-1]:.0f} bar ({before.wear_id}), again at "
            f"{clock(wear.started_us)} with {wear.pressure_bar[0]:.0f} bar."
        )
        yield finding(
            "set_restarted", "caution", wear, (before.ended_us, wear.started_us), statement, evidence
        )
    elif rise_bar > 25.0 and same and apart_s < CHANGED_LATER_S:
        out_us = before.tally.out_us if before.tally is not None else None
        between = out_us is not None and out_us <= wear.started_us
        soon = apart_s < context.profile.air.changed_soon_s and not between
        where = " between two entries" if between else " during the entry" if soon and wear.tally else ""
        yield finding(
            "cylinder_changed",
            "caution" if soon else "note",
            wear,
            (before.ended_us, wear.started_us),
            f"Cylinder changed{where}: {before.pressure_bar[-1]:.0f} bar at "
            f"{clock(before.ended_us)}, {wear.pressure_bar[0]:.0f} bar at {clock(wear.started_us)}, "
            f"{lasting(apart_s)} between.",
            evidence,
        )


def _free_flow(one: Examined, context: Context) -> Iterator[Finding]:
    """Lower end of the live band above the limit for 8 s: above what work asks for, no gasp. Our own rule."""
    rules = context.profile.air
    fast = runs_of(one.air.live_rate_lo_l_min > rules.free_flow_l_min)
    joined: list[tuple[int, int]] = []
    for first, last in fast:
        if last - first < rules.free_flow_s:
            continue
        if joined and first - joined[-1][1] < JOIN_S:
            joined[-1] = (joined[-1][0], last)
        else:
            joined.append((first, last))
    for first, last in joined:
        started_us, ended_us = one.at_us(first), one.at_us(last - 1)
        # For a short loss the smoothed rate is lower than what was certain at the time.
        peak = max(float(rate[first:last].max()) for rate in (one.air.rate_l_min, one.air.live_rate_lo_l_min))
        yield finding(
            "free_flow",
            "serious",
            one.wear,
            (started_us, ended_us),
            f"Air left at more than {rules.free_flow_l_min:.0f} L/min for {lasting(last - first)} from "
            f"{clock(started_us)} (highest {peak:.0f} L/min): free flow, a leak or very hard breathing.",
            [one.wear.identity_at(started_us), one.wear.identity_at(ended_us)],
        )


def _falling_without_motion(one: Examined, context: Context) -> Iterator[Finding]:
    rules, wear = context.profile.air, one.wear
    still = stillness(wear, context.profile)
    if still is None:
        return
    at_us, still_s, _, _ = still
    for first, last in runs_of(still_s >= rules.leak_without_motion_s):
        from_us = int(at_us[first]) - round(float(still_s[first]) * 1e6)
        a = max((from_us - wear.started_us) // 1_000_000, 0)
        b = min((int(at_us[last - 1]) - wear.started_us) // 1_000_000 + 1, one.seconds)
        if b - a < rules.leak_without_motion_s:
            continue
        mean = float(one.air.rate_l_min[a:b].mean())
        if mean > rules.leak_without_motion_l_min:
            yield finding(
                "falling_without_motion",
                "caution",
                wear,
                (one.at_us(a), one.at_us(b - 1)),
                f"No motion for {lasting(b - a)} from {clock(one.at_us(a))}, yet air left at {mean:.0f} "
                f"L/min (from {one.air.pressure_bar[a]:.0f} to {one.air.pressure_bar[b - 1]:.0f} bar): "
                "a leak, a set put down with its valve open, or distress.",
                [wear.identity_at(one.at_us(a)), wear.identity_at(one.at_us(b - 1))],
            )


def _stuck(one: Examined, context: Context) -> Iterator[Finding]:
    wear, rules = one.wear, context.profile.air
    if not one.doubted.size:
        return
    good = np.flatnonzero(~wear.spike)
    bar, at_us = wear.pressure_bar[good], wear.at_us[good]
    doubted, stuck = np.isin(good, one.doubted), np.isin(good, one.stuck)
    for first, last in runs_of(np.diff(bar) == 0.0, shortest=rules.stuck_readings - 1):
        if not doubted[last]:
            continue
        seconds, level = float(at_us[last] - at_us[first]) * 1e-6, float(bar[first])
        fell_bar = level - float(bar[last + 1]) if last + 1 < bar.size else 0.0
        # Some people at rest hardly breathe for minutes: a stuck sensor needs a second witness.
        if stuck[last] and fell_bar >= rules.stuck_steps * max(one.air.step_bar, LEAST_STEP_BAR):
            witness = f"it then fell by {fell_bar:.0f} bar at once"
        elif _moving(one, context, int(at_us[first]), int(at_us[last])):
            witness = "the wearer was moving"
        elif stuck[last]:
            witness = f"even {BREATHING.rest_l_min:.0f} L/min would have moved it"
        else:
            continue
        second = int(at_us[first] - wear.started_us) // 1_000_000
        lost = one.air.live_rate_lo_l_min[max(second - WARMS_S, 0) : second + 1] > rules.free_flow_l_min
        warms = "gas that warmed up after a loss of air, " if lost.any() else ""
        yield finding(
            "readings_stuck",
            "caution",
            wear,
            (int(at_us[first]), int(at_us[last])),
            f"The gauge stayed at {level:g} bar for {lasting(seconds)} from {clock(int(at_us[first]))}. At "
            f"the earlier rate it should have fallen, and {witness}: a stuck sensor, {warms}or the wearer "
            "hardly breathed.",
            [wear.identity(int(good[first])), wear.identity(int(good[last]))],
        )


def _moving(one: Examined, context: Context, from_us: int, until_us: int) -> bool:
    """Return whether most motion readings between two moments show movement; without any, none does."""
    still = stillness(one.wear, context.profile)
    if still is None:
        return False
    at_us, still_s, _, _ = still
    between = still_s[(at_us >= from_us) & (at_us <= until_us)]
    return bool(between.size and np.mean(between < MOVING_S) > 0.5)
