"""Findings about turning back: everybody whose turn, or exit, was late by the policy in force."""

from collections.abc import Iterator, Mapping

from analysis.findings.air import warnings_said
from analysis.findings.examined import Examined
from analysis.findings.finding import Context, Finding, clock, finding, lasting, unique
from analysis.policies import POLICY_WORDS
from analysis.wears.charges import is_surely_another
from analysis.wears.entries import Entry
from analysis.wears.gauges import UNHEARD_US, VoiceGauge
from analysis.wears.turn_back import TurnBackNote
from analysis.wears.wears import Wear


def turn_back_findings(context: Context) -> Iterator[Finding]:
    """Apply the rule to every entry."""
    by_wear = {one.wear.wear_id: one for one in context.examined}
    for entry in context.entries:
        if entry.team_turn_back_us is not None:
            yield from _turned_back_late(entry, entry.team_turn_back_us, by_wear, context)
        if entry.noted is not None:
            yield from _long_way_back(entry, entry.noted, context)


def _long_way_back(entry: Entry, noted: TurnBackNote, context: Context) -> Iterator[Finding]:
    """A note is a desk's word: whoever takes far longer to come out than to go in may not have turned."""
    rule = context.profile.turn_back
    left_us = entry.left_us or noted.at_us
    inside_s, back_s = ((b - a) * 1e-6 for a, b in ((entry.entered_us, noted.at_us), (noted.at_us, left_us)))
    if back_s <= max(inside_s, rule.way_in_min * 60.0) + rule.late_margin_s:
        return
    left = f"left at {clock(left_us)}"
    if entry.left_bound == "at least":
        left = f"had not left, as far as is known, by {clock(left_us)}"
    elif entry.left_bound:
        left = f"was out at {clock(left_us)} by a desk's word (no reading shows it)"
    ended_by = entry.stay.ended_by if entry.stay is not None else None
    yield Finding(
        "long_way_back",
        "caution",
        entry.set_ids[-1],
        entry.wears[-1].wear_id if entry.wears else None,
        noted.at_us,
        left_us,
        f"The desk noted the turn at {clock(noted.at_us)}; {entry.wearer_id or 'the wearer'} {left}, "
        f"{lasting(back_s)} later. The planned way back is {lasting(rule.way_in_min * 60.0)}, and the wearer "
        f"had been inside for {lasting(inside_s)}: the way back was hindered, or the wearer turned "
        "later than noted.",
        unique([noted.identity, *(one.identity(-1) for one in entry.wears[-1:]), *filter(None, [ended_by])]),
    )


def _turned_back_late(
    entry: Entry, due_us: int, by_wear: Mapping[str, Examined], context: Context
) -> Iterator[Finding]:
    """A note of the desk says when the wearer turned; without one the exit counts, after the way back."""
    margin_s = context.profile.turn_back.late_margin_s
    wear = entry.wear_at(due_us) or next(iter(entry.wears), None)
    left_us = entry.left_us or due_us  # `ends` has given it
    gauge = next((one for one in entry.spoken if one.at_us == due_us), None)
    evidence = _proof(entry, wear, gauge, due_us, context)
    low_us, (least_s, below_s) = entry.low_air_us, _below_s(entry, left_us)
    # If the due moment is not known, the earliest decides: knowing less must not make a turn timely.
    earliest_us = entry.not_due_us or due_us
    unknown_s = (due_us - earliest_us) * 1e-6
    upper = "at most " if entry.due_as_last_heard else ""  # no reading shows that it was due at all
    if entry.noted is not None:
        late_s = (entry.noted.at_us - earliest_us) * 1e-6
        if late_s <= margin_s:
            return
        long = f"{upper}{lasting(late_s)}" if upper else _from_to(late_s, unknown_s)
        statement = f"The desk noted the turn at {clock(entry.noted.at_us)}, {long} late"
        if below_s > max(margin_s, least_s):
            statement += f". The wearer left after {_from_to(below_s, below_s - least_s)} below the warning"
        evidence.append(entry.noted.identity)
    else:
        late_s = (left_us - earliest_us) * 1e-6
        # Late: longer than the planned way back, or longer below the warning than the margin.
        way_s = context.profile.turn_back.way_in_min * 60.0
        in_low_air = low_us is not None and low_us > earliest_us and below_s > margin_s
        if late_s <= way_s + margin_s and not in_low_air:
            return
        unheard = " (no reading shows it)" if entry.left_bound else ""
        bound = f"{entry.left_bound} " if unheard and not _began_unheard(entry, due_us) else ""
        nobody = "Nobody noted the turn"
        perhaps = entry.perhaps_noted
        if perhaps is not None and all(one.noted != perhaps for one in context.entries):
            nobody = (
                f"No note says for certain that this wearer turned (one of {clock(perhaps.at_us)} reads "
                f"“{perhaps.text}”)"
            )
            evidence.append(perhaps.identity)
        bound = upper or bound
        at_most = bound == "at most "
        below = lasting(below_s) if at_most else _from_to(below_s, below_s - least_s)
        at_most_below = bound if at_most else ""
        below = f", after {at_most_below}{below} below the warning" if below_s > margin_s else ""
        why = "the turn was late, or the way back longer than the way in"
        if not in_low_air:
            why = f"the turn was late, or the way back longer than the planned {lasting(way_s)}"
        if _began_unheard(entry, due_us):
            why += ", or the cylinder not full at the beginning"
        long = lasting(late_s) if at_most else _from_to(late_s, unknown_s)
        statement = f"{nobody}; the exit at {clock(left_us)}{unheard} was {bound}{long} later{below}: {why}"
        if entry.left_bound == "at least":
            below = below.replace(", after ", ", at least " if least_s == below_s else ", of it ")
            long = f"{upper}{long}"
            statement = (
                f"{nobody}. Nobody said that the wearer came out: by {clock(left_us)}, the last "
                f"known moment, {long} had passed{below}"
            )
        if entry.stay is not None and entry.stay.ended_by is not None and entry.left_bound:
            evidence.append(entry.stay.ended_by)
    spoken = next((one for one in entry.spoken_low if one.at_us == low_us), None)
    if spoken is not None:
        evidence.append(spoken.identity)
    elif low_us is not None:
        own = [each for each in entry.wears if each.started_us <= low_us <= each.ended_us]
        own.sort(key=lambda each: each.low_air is None)  # of two sets at once, the one that was low
        evidence += [each.identity_at(low_us) for each in own[:1]]
    evidence += [each.identity(-1) for each in entry.wears[-1:]]
    said = [f"{_due(entry, gauge, due_us, context)}.", f"{statement}."]
    if not entry.wears:
        said.insert(0, f"Tallied in, but no reading under air counts for {entry.wearer_id}.")
    if spoken is not None:
        said.append(
            f"By voice the gauge was at {spoken.pressure_bar:.0f} bar at {clock(spoken.at_us)}, the warning "
            f"is at {entry.charges[-1].low_air_bar:.0f} bar."
        )
    elif low_us is not None and any(low_us in charge.low_by_word_us for charge in entry.charges):
        low_bar = entry.charges[-1].low_air_bar
        said.append(
            f"By what the wearer said, the set was at the warning of {low_bar:.0f} bar at {clock(low_us)}."
        )
    said.append(warnings_said([by_wear[each.wear_id] for each in entry.wears], context))
    yield finding(
        "turned_back_late",
        "serious" if below_s > 2.0 * margin_s else "caution",
        wear if wear is not None else entry.set_ids[-1],
        (due_us, left_us),
        " ".join(said),
        evidence,
    )


def _from_to(most_s: float, unknown_s: float) -> str:
    """Return a length of time; a range if it began at an unknown moment within so many seconds."""
    return f"{lasting(max(most_s - unknown_s, 0.0))} to {lasting(most_s)}" if unknown_s else lasting(most_s)


def _below_s(entry: Entry, left_us: int) -> tuple[float, float]:
    """Return for how long at least, and at most, the pressure was below the warning.

    Until the wearer left or certainly had another cylinder; then for that cylinder again.
    """
    lows = entry.lows_us
    ends = [
        charge.entry_us
        for number, charge in enumerate(entry.charges)
        if number and is_surely_another(entry.charges[:number], charge, charge.low_air_bar)
    ]
    least_us, most_us, since_us = 0, 0, 0
    for until_us in (*ends, left_us):
        first_us = min((at_us for at_us in lows if since_us <= at_us <= until_us), default=None)
        if first_us is not None:
            charge = next(one for one in reversed(entry.charges) if one.entry_us <= first_us)
            unseen_us = charge.unseen_since(first_us, entry.gauges, first_us) or first_us
            least_us += until_us - first_us
            most_us += until_us - max(unseen_us, since_us)
        since_us = until_us
    return least_us * 1e-6, most_us * 1e-6


def _proof(
    entry: Entry, wear: Wear | None, gauge: VoiceGauge | None, due_us: int, context: Context
) -> list[str]:
    """Return what shows that turn-back was due: a reading, a gauge by voice, or the lowest member's."""
    if gauge is not None:
        return [gauge.identity]
    if entry.due_as_last_heard:
        silent = _last_heard(entry, due_us, context)
        if silent.wears:
            return [silent.wears[-1].identity(-1)]
    if wear is not None:
        return [wear.identity_at(due_us)]
    for other in context.entries:
        lowest = other.wear_at(due_us) if other.own_turn_back_us == due_us else None
        if entry.together_since(other, due_us) is not None and lowest is not None:
            return [lowest.identity_at(due_us)]
    return [entry.stay.tallies[0].in_identity] if entry.stay is not None else []


def _last_heard(entry: Entry, due_us: int, context: Context) -> Entry:
    """Return whose silence it is by which the team was due: this wearer's own, or a member's."""
    return next(
        one
        for one in [entry, *context.entries]
        if one.as_last_heard is not None
        and one.as_last_heard[1] == due_us
        and entry.together_since(one, due_us) is not None
    )


def _began_unheard(entry: Entry, due_us: int) -> bool:
    """Return whether it was due by this wearer's own cylinder, whose beginning was not heard."""
    own = entry.own_turn_back_us == due_us and bool(entry.charges)
    return own and not entry.charges[entry.counts].opening_heard


def _due(entry: Entry, gauge: VoiceGauge | None, due_us: int, context: Context) -> str:
    """Say whose moment it was: a team turns back with its lowest member, who may be another wearer."""
    said = f"By {POLICY_WORDS[context.profile.turn_back.policy]}, turn-back was due at {clock(due_us)}"
    if entry.due_as_last_heard:
        silent = _last_heard(entry, due_us, context)
        who = "this wearer" if silent is entry else f"{silent.wearer_id or silent.set_ids[-1]} of the team"
        heard_us, _ = silent.as_last_heard or (due_us, due_us)
        wear = silent.wears[-1] if silent.wears else None
        had = "" if wear is None else f" ({wear.bar_at(heard_us):.0f} bar)"
        hung = wear is not None and wear.last_kept[0] > heard_us
        unknown = f"the gauge of {who} did not move" if hung else f"{who} was not heard"
        return (
            f"{said} as last heard: {unknown} after {clock(heard_us)}{had}, and this is the "
            "early end of the forecast of that moment. It may have fallen due at any time since"
        )
    if entry.not_due_us is not None:
        between = f"between {clock(entry.not_due_us)} and {clock(due_us)}"
        said = said.replace(f"was due at {clock(due_us)}", f"fell due {between}")
    if _began_unheard(entry, due_us):
        said += "" if entry.not_due_us is not None else " at the latest"
        said += ", counted from a full cylinder (the beginning was not heard),"
    if gauge is not None and entry.own_turn_back_us == due_us:
        return f"{said} by a gauge read by voice ({gauge.pressure_bar:.0f} bar)"
    wear = entry.wear_at(due_us)
    if entry.own_turn_back_us == due_us:
        gauged = f"this wearer's own gauge ({'' if wear is None else f'{wear.bar_at(due_us):.0f} bar'})"
        if entry.not_due_by:
            said += f" for the team, because nothing was known of {entry.not_due_by};"
        return f"{said} by {gauged}{f' at {clock(due_us)}' if entry.not_due_by else ''}"
    own = entry.own_turn_back_us
    when = "it was never due" if own is None else f"it was due at {clock(own)}"
    if wear is None and own is None:
        return f"{said} for the team, by its lowest member"
    had = "no reading of this wearer was heard by then"
    if wear is not None:
        had = f"this wearer had {wear.bar_at(due_us):.0f} bar then"
        if due_us - wear.last_us(due_us) > UNHEARD_US:
            had = f"this wearer was last heard at {clock(wear.last_us(due_us))} with "
            had += f"{wear.bar_at(due_us):.0f} bar"
            when = when if own is not None else "it had not been due when last heard"
    return f"{said} for the team, by its lowest member ({had}; by this wearer's own gauge {when})"
