"""Findings about what was heard and whether it can be believed: silence, clocks, conflicts, power."""

from collections.abc import Iterator

import numpy as np

from analysis.clocks.links import Gap
from analysis.findings.examined import Examined
from analysis.findings.finding import (
    Context,
    Finding,
    clock,
    finding,
    lasting,
    places_below,
)
from analysis.records import PowerUp
from analysis.wears.setups import cylinder_of
from ingest.plurals import counted, percent


def link_findings(context: Context) -> Iterator[Finding]:
    """Apply every rule about link, clock, setup and power."""
    restarted = {
        one.wear.restarted_from.wear_id for one in context.examined if one.wear.restarted_from is not None
    }
    for one in context.examined:
        yield from _losses_unknown(one)
        yield from _silence(one, context)
        yield from _thinned(one, context)
        if one.wear.wear_id not in restarted:
            yield from _end(one)
        yield from _setup(one)
        yield from _battery_low(one, context)
    for power_up in (*context.sets, *context.desks):
        yield from _conflicts(power_up, context)
        yield from _used_again(power_up, context)
    yield from _same_id(context)
    for power_up in context.sets:
        yield from _clock(power_up, context)
        yield from _refused(power_up, context)


def _same_id(context: Context) -> Iterator[Finding]:
    told = set()
    for one in context.sets:
        if one.said_as and one.name not in told:
            told.add(one.name)
            first_us, last_us = one.span_us
            ends = [channel.seq[[0, -1]] for channel in one.channels.values() if len(channel)]
            seqs = np.sort(np.concatenate(ends)).tolist()
            yield finding(
                "two_sets_one_id",
                "caution",
                one.name,
                (first_us, last_us),
                f"Two sets used the ID {one.said_as} at the same time. The second one, heard from "
                f"{clock(first_us)} to {clock(last_us)} with boot {one.boot}, is set {one.name} here: a "
                f"tally of {one.said_as} counts for the first one. Who wore which is not known.",
                (one.identity(seqs[0]), one.identity(seqs[-1])),
            )


LEAST_LOST, LARGE_SHARE = 20, 0.5
"""At least so many messages, and this share of a set's messages during a wear. Our own rule."""
UNKNOWN = "unknown, because the source does not number its messages"


def _losses_unknown(one: Examined) -> Iterator[Finding]:
    wear = one.wear
    if not wear.power_up.losses_known:
        yield finding(
            "losses_unknown",
            "note",
            wear,
            wear.span_us,
            f"How many messages of set {wear.set_id} were lost is {UNKNOWN}.",
            [wear.identity(0)],
        )


def _silence(one: Examined, context: Context) -> Iterator[Finding]:
    rules = context.profile.link
    longest = max(one.later, key=lambda gap: gap.seconds, default=None)
    if longest is not None and longest.seconds >= rules.silence_caution_s:
        yield finding(
            "silence_under_air",
            "serious" if longest.seconds >= rules.silence_serious_s else "caution",
            one.wear,
            (longest.started_us, longest.ended_us),
            _filled_later(longest, one),
            [longest.before_identity, longest.after_identity],
        )
    for gap in one.gaps:
        within = any(each.started_us <= gap.started_us <= gap.ended_us <= each.ended_us for each in one.later)
        if gap.seconds < rules.silence_caution_s or (within and not gap.at_end):
            continue
        if gap.started_us > one.wear.ended_us:
            continue  # `cylinder_empty_inside` tells of it
        yield finding(
            "silence_under_air",
            "serious" if gap.seconds >= rules.silence_serious_s else "caution",
            one.wear,
            (gap.started_us, gap.ended_us),
            f"Not heard for {lasting(gap.seconds)} under air, from {clock(gap.started_us)} "
            f"({one.wear.bar_at(gap.started_us):.0f} bar) to {clock(gap.ended_us)} "
            f"({_heard_next(gap, one)}); {_missing(gap)}. "
            f"{_said_down(gap, context)}What happened in that time is not known.",
            [gap.before_identity, gap.after_identity],
        )


def _filled_later(longest: Gap, one: Examined) -> str:
    """Tell only of the longest silence that was filled later: a set that sends once a minute has many."""
    bars = [
        f"{clock(at_us)} ({one.wear.bar_at(at_us):.0f} bar)"
        for at_us in (longest.started_us, longest.ended_us)
    ]
    lost = "" if longest.lost_messages == 0 else f"; {_missing(longest)}"
    others = ""
    if len(one.later) > 1:
        together_s = sum(gap.seconds for gap in one.later)
        others = f" It is the longest of {len(one.later)} such silences, {lasting(together_s)} together."
    return (
        f"Not heard for {lasting(longest.seconds)} under air, from {bars[0]} to {bars[1]}. "
        f"{counted(longest.heard_later, 'pressure reading')} of that time arrived later, by "
        f"{clock(longest.known_us)}: the desk knew nothing of them then{lost}.{others}"
    )


def _thinned(one: Examined, context: Context) -> Iterator[Finding]:
    """Find wears of which many messages were lost although no silence was long enough for a finding."""
    wear, caution_s = one.wear, context.profile.link.silence_caution_s
    long = [gap for gap in one.gaps if not gap.at_end and gap.seconds >= caution_s]
    lost_there = sum(gap.lost_messages or 0 for gap in long)
    lost = (one.lost_messages or 0) - lost_there
    said = int(wear.seq.max() - wear.seq.min()) + 1 - lost_there
    if lost < LEAST_LOST or lost < LARGE_SHARE * said:
        return
    pauses_s = np.diff(wear.at_us) * 1e-6
    short_s = pauses_s[pauses_s < caution_s]  # none where a set seldom reports
    apart = f"Readings were up to {lasting(short_s.max())} apart; what" if short_s.size else "What"
    statement = (
        f"{lost} of {said} messages of set {wear.set_id} never arrived ({percent(lost / said)}), longer "
        f"silences not counted. {apart} happened between the readings was not observed."
    )
    yield finding(
        "messages_lost", "caution", wear, wear.span_us, statement, [wear.identity(0), wear.identity(-1)]
    )


def _missing(gap: Gap) -> str:
    lost = f"lost: {UNKNOWN}"
    if gap.then and gap.wear.power_up.losses_known:
        lost = "how many messages were lost is not known"
    if gap.lost_messages is not None:
        lost = f"lost: {counted(gap.lost_messages, 'message')}"
    if not gap.refused_messages:
        return lost
    lost = "" if gap.lost_messages == 0 else f"; {lost}"
    return f"received, but refused: {counted(gap.refused_messages, 'message')}{lost}"


def _heard_next(gap: Gap, one: Examined) -> str:
    if gap.then:
        return gap.then
    following = one.wear.following
    if not gap.at_end or following is None:
        text = f"{one.wear.bar_at(gap.ended_us):.0f} bar"
        if one.wear.bleeding and gap.ended_us == one.wear.ended_us:
            text += ", which fell to nothing at once: the valve was being shut, and this may be the hose's"
        return text
    return "switched off" if following.pressure_bar is None else f"{following.pressure_bar:.0f} bar"


def _said_down(gap: Gap, context: Context) -> str:
    down = [
        at_us
        for at_us in context.links_down.get(gap.wear.set_id, ())
        if gap.started_us <= at_us <= gap.ended_us
    ]
    return f"The gateway said at {clock(down[0])} that the link was down. " if down else ""


def _end(one: Examined) -> Iterator[Finding]:
    wear = one.wear
    for gap in one.gaps:
        if gap.at_end and not gap.then:
            yield finding(
                "end_not_heard",
                "note",
                wear,
                (gap.started_us, gap.ended_us),
                f"The end was not heard: last reading {wear.pressure_bar[-1]:.0f} bar at "
                f"{clock(gap.started_us)}, then nothing until {clock(gap.ended_us)} "
                f"({_heard_next(gap, one)}); {_missing(gap)}. The wear may "
                "have gone on between the two.",
                [gap.before_identity, gap.after_identity],
            )
    if wear.ended_how != "not heard":
        return
    statement = (
        f"The record ends under air: last reading {wear.pressure_bar[-1]:.0f} bar at {clock(wear.ended_us)}; "
        "neither the valve's closing nor the set's switching off was heard."
    )
    yield finding("end_not_heard", "note", wear, (wear.ended_us, None), statement, [wear.identity(-1)])


def _setup(one: Examined) -> Iterator[Finding]:
    wear = one.wear
    proof = [wear.setup_identity or wear.identity(0)]
    if wear.thresholds.impossible:
        named = " and ".join(f"{name} {value:.6g}" for name, value in wear.thresholds.impossible)
        statement = (
            f"The set's setup says {named}, which is impossible: it counts as not sent, and the "
            f"profile's value is used (low air {wear.thresholds.low_air_bar:.0f} bar)."
        )
        yield finding("threshold_impossible", "caution", wear, wear.span_us, statement, proof)
    if wear.setup_changed:
        counts = "no cylinder is known"
        if wear.cylinder is not None:
            cylinder = wear.cylinder
            counts = (
                f"{cylinder.count} x {cylinder.water_volume_l:g} L at {cylinder.rated_bar:.0f} bar counts"
            )
        statement = (
            f"The set sent another setup in the middle of the wear. Which is right is not known: {counts} "
            f"(the least air), and the highest warning counts ({wear.thresholds.low_air_bar:.0f} bar)."
        )
        yield finding("setup_changed", "caution", wear, wear.span_us, statement, proof)
    if wear.setup is None or wear.cylinder is None:
        said = "never said which cylinders it carries"
        if wear.setup is not None and wear.setup.get("cylinders"):
            said = "named cylinders that nobody can wear"
        statement = (
            f"The set {said}: litres, rates and forecasts stay empty, and the "
            f"warning is assumed at {wear.thresholds.low_air_bar:.0f} bar."
        )
        yield finding("cylinder_unknown", "caution", wear, wear.span_us, statement, proof)
        return
    choices, chosen = wear.setup.get("choices"), wear.setup.get("chosen")
    if not choices or chosen is None:
        return
    picked = cylinder_of({"cylinders": choices[chosen]}) if 0 <= chosen < len(choices) else None
    if picked == wear.cylinder:
        return
    said = "no such choice" if picked is None else f"{picked.count} x {picked.water_volume_l:g} L"
    statement = (
        f"The set's setup contradicts itself: it says {wear.cylinder.count} x "
        f"{wear.cylinder.water_volume_l:g} L at {wear.cylinder.rated_bar:.0f} bar, "
        f"but choice {chosen} is {said}. Litres follow the first."
    )
    yield finding("setup_mismatch", "caution", wear, wear.span_us, statement, proof)


def _battery_low(one: Examined, context: Context) -> Iterator[Finding]:
    channel = one.wear.power_up.channels.get("power")
    if channel is None:
        return
    known = [
        position
        for position, row in enumerate(channel.rows)
        if row["battery_fraction"] is not None or row["lasts_another_wear"] is not None
    ]
    before = [position for position in known if channel.at_us[position] <= one.wear.started_us]
    if not before:
        return
    row, seq = channel.rows[before[-1]], int(channel.seq[before[-1]])
    charge, lasts, low = (
        row["battery_fraction"],
        row["lasts_another_wear"],
        context.profile.battery.low_fraction,
    )
    if (charge is None or charge >= low) and lasts is not False:
        return
    said = "unknown charge"
    if charge is not None:
        said = f"{percent(charge, places_below(100 * charge, 100 * low) if charge < low else 0)} charge"
    said += "; the set itself said that it would not last another wear" if lasts is False else ""
    yield finding(
        "battery_low_at_start",
        "caution",
        one.wear,
        (int(channel.at_us[before[-1]]), one.wear.started_us),
        f"Started with {said}; the profile asks for at least {percent(low)}.",
        [one.wear.power_up.identity(seq), one.wear.identity(0)],
    )


def _refused(power_up: PowerUp, context: Context) -> Iterator[Finding]:
    channel = power_up.channels.get("power")
    for position, row in enumerate(channel.rows if channel else ()):
        if channel is None or row["state"] != "refused" or channel.retained[position]:
            continue
        at_us, charge = int(channel.at_us[position]), row["battery_fraction"]
        if context.inside(at_us):
            with_charge = f" with {percent(charge)} charge" if charge is not None else ""
            yield finding(
                "battery_refused",
                "caution",
                power_up.name,
                at_us,
                f"Set {power_up.name} refused to start{with_charge} at {clock(at_us)}.",
                (power_up.identity(int(channel.seq[position])),),
            )


def _conflicts(power_up: PowerUp, context: Context) -> Iterator[Finding]:
    moments = [(seq, _at_of(power_up, seq)) for seq in sorted(power_up.conflicts)]
    known = [(seq, at_us) for seq, at_us in moments if at_us is not None and context.inside(at_us)]
    if not known:
        return
    started_us, ended_us = min(at_us for _, at_us in known), max(at_us for _, at_us in known)
    wear = next(
        (
            one.wear
            for one in context.examined
            if one.wear.power_up is power_up and one.wear.started_us <= started_us <= one.wear.ended_us
        ),
        None,
    )
    identities = tuple(power_up.identity(seq) for seq, _ in known)
    which = f"the identity {identities[0]} ({clock(started_us)})"
    if len(known) > 1:
        which = f"one identity, {len(known)} times from {clock(started_us)} to {clock(ended_us)}"
    about = wear or (power_up.name if power_up.role == "set" else None)
    statement = f"Two different messages have {which}; all are kept, the one heard first is used."
    yield finding("conflicting_records", "caution", about, (started_us, ended_us), statement, identities)


def _used_again(power_up: PowerUp, context: Context) -> Iterator[Finding]:
    """Tell that a boot number was used again, so that an identity in the evidence may mean two messages."""
    if not power_up.use or not power_up.is_live:
        return
    first_us, last_us = power_up.span_us
    if not context.overlaps(first_us, last_us):
        return
    speaker = f"{'Set' if power_up.role == 'set' else 'Desk'} {power_up.name}"
    yield finding(
        "conflicting_records",
        "caution",
        power_up.name if power_up.role == "set" else None,
        (first_us, last_us),
        f"{speaker} used the boot number {power_up.boot} again: from {clock(first_us)} it counted its "
        "messages from the start, under identities already used. All are kept and separated by the time they "
        "were heard; an identity cited here may mean two messages. A boot number must change at every "
        "power-up.",
        (power_up.identity(power_up.first_live_seq()),),
    )


def _at_of(power_up: PowerUp, seq: int) -> int | None:
    for channel in power_up.channels.values():
        where = np.flatnonzero(channel.seq == seq)
        if len(where):
            return int(channel.at_us[where[0]])
    return None


def _clock(power_up: PowerUp, context: Context) -> Iterator[Finding]:
    fit = context.clocks.fits.get(power_up.key)
    first, last = power_up.span_us
    if fit is None:
        still = context.clocks.stood.get(power_up.key)
        if still is not None and context.overlaps(first, last):
            ran = f"stopped at {clock(still.time_us)}"
            if still.ran_s:
                ran_s = f"{still.ran_s:.1f} s" if still.ran_s < 60.0 else lasting(still.ran_s)
                unit = " (a time in s, read as ms?)" if still.ran_s * 500.0 < still.heard_s else ""
                ran = f"ran {ran_s} in {lasting(still.heard_s)}{unit}"
            yield finding(
                "clock_stood",
                "caution",
                power_up.name,
                (first, last),
                f"The clock of set {power_up.name} {ran}. All its messages get their "
                "time of receipt; how late they arrived is not known.",
                (power_up.identity(still.first_seq), power_up.identity(still.last_seq)),
            )
        return
    for step in fit.steps:
        if context.inside(step.at_us):
            yield finding(
                "clock_stepped",
                "note" if abs(step.jump_s) < context.profile.link.clock_wrong_s else "caution",
                power_up.name,
                step.at_us,
                f"The clock of set {power_up.name} jumped by {_signed(step.jump_s)} at {clock(step.at_us)}; "
                "times before and after it are corrected to the listener's clock.",
                (power_up.identity(step.before_seq), power_up.identity(step.after_seq)),
            )
    if abs(fit.offset_s) > context.profile.link.clock_wrong_s and context.overlaps(first, last):
        way = "fast" if fit.offset_s > 0 else "slow"
        so = "; all its times are corrected"
        if fit.steps:
            so = " over the longest stretch between its jumps; every stretch is corrected by its own offset"
        yield finding(
            "clock_wrong",
            "note",
            power_up.name,
            (first, last),
            f"The clock of set {power_up.name} was {lasting(fit.offset_s)} {way}{so}."
            + _perhaps_the_listener(power_up, fit.offset_s, context),
            (power_up.identity(int(power_up.seqs[0])), power_up.identity(int(power_up.seqs[-1]))),
        )


def _perhaps_the_listener(power_up: PowerUp, offset_s: float, context: Context) -> str:
    """Say if all sets heard in that time (three or more: our own rule) were off by the same amount."""
    first, last = power_up.span_us
    others: dict[str, list[float]] = {}
    for other in context.sets:
        began, ended = other.span_us
        fit = context.clocks.fits.get(other.key)
        if other.name != power_up.name and began <= last and ended >= first and fit:
            others.setdefault(other.name, []).append(fit.offset_s)
    alike_s = context.profile.link.clock_wrong_s
    if len(others) < 2 or any(abs(one - offset_s) > alike_s for ones in others.values() for one in ones):
        return ""
    return (
        f" The {len(others)} other sets heard in that time were all off by about as much. Perhaps the "
        "listener's clock was wrong: then the times given here are wrong by as much. Or the record was "
        "replayed."
    )


def _signed(seconds: float) -> str:
    size = lasting(seconds) if abs(seconds) >= 60 else f"{abs(seconds):.1f} s"
    return f"{'+' if seconds >= 0 else '-'}{size}"
