"""Findings about turning back: everybody whose turn, or exit, was late by the policy in force."""

from __future__ import annotations

from collections.abc import Iterator

from analysis.findings.air import warnings_said
from analysis.findings.examined import Examined
from analysis.findings.finding import Context, Finding, about_wear, clock, lasting
from analysis.policies import POLICY_WORDS
from analysis.wears.entries import Entry


def turn_back_findings(context: Context) -> Iterator[Finding]:
    """Apply the rule to every entry."""
    by_wear = {one.wear.wear_id: one for one in context.examined}
    for entry in context.entries:
        if entry.team_turn_back_us is not None and entry.wears:
            yield from _turned_back_late(entry, entry.team_turn_back_us, by_wear, context)


def _turned_back_late(
    entry: Entry, due_us: int, by_wear: dict[str, Examined], context: Context
) -> Iterator[Finding]:
    """The desk's note of the turn says when; without one, the exit does: it has the way back in it."""
    margin_s = context.profile.turn_back.late_margin_s
    wear = entry.wear_at(due_us) or entry.wears[0]
    one = by_wear[wear.wear_id]
    left_us = entry.left_us if entry.left_us is not None else wear.ended_us
    evidence = [wear.identity_at(due_us)]
    low_us = entry.low_air_us
    below_s = (left_us - low_us) * 1e-6 if low_us is not None else 0.0
    if entry.noted is not None:
        late_s = (entry.noted.at_us - due_us) * 1e-6
        if late_s <= margin_s:
            return
        statement = f"The desk noted the turn at {clock(entry.noted.at_us)}, {lasting(late_s)} late"
        evidence.append(entry.noted.identity)
    else:
        late_s = (left_us - due_us) * 1e-6
        # In time, the planned way is enough for the way back; or the air tells: an exit below the warning.
        way_s = context.profile.turn_back.way_in_min * 60.0
        in_low_air = low_us is not None and low_us > due_us and below_s > margin_s
        if late_s <= way_s + margin_s and not in_low_air:
            return
        bound = f"{entry.left_bound} " if entry.left_bound else ""
        unheard = " (no reading shows it)" if bound else ""
        below = f" and {lasting(below_s)} below the warning" if below_s > margin_s else ""
        why = "the turn was late, or the way back longer than the way in"
        if not in_low_air:
            why = f"the turn was late, or the way back longer than the planned {lasting(way_s)}"
        statement = (
            f"Nobody noted the turn; the exit at {clock(left_us)}{unheard} was {bound}{lasting(late_s)} later"
            f"{below}: {why}"
        )
        if entry.stay is not None and entry.stay.ended_by is not None and bound:
            evidence.append(entry.stay.ended_by)
    if low_us is not None:
        spoken = [each.identity for each in entry.spoken_low if each.at_us == low_us]
        read = [each.identity_at(low_us) for each in entry.wears if each.low_air is not None]
        evidence.append([*spoken, *read][0])
    evidence.append(entry.wears[-1].identity(-1))
    yield about_wear(
        "turned_back_late",
        "serious" if below_s > 2.0 * margin_s else "caution",
        wear,
        due_us,
        left_us,
        f"{_due(entry, due_us, context)}. {statement}. {warnings_said(one, context)}",
        evidence,
    )


def _due(entry: Entry, due_us: int, context: Context) -> str:
    """Say whose moment it was: the team turns on its lowest member, who may be another wearer."""
    said = f"By {POLICY_WORDS[context.profile.turn_back.policy]} turn-back was due at {clock(due_us)}"
    wear = entry.wear_at(due_us)
    had = "" if wear is None else f"{wear.bar_at(due_us):.0f} bar"
    if entry.own_turn_back_us == due_us:
        return f"{said} by this wearer's own gauge ({had})"
    own = entry.own_turn_back_us
    when = "it was never due" if own is None else f"it was due at {clock(own)}"
    return (
        f"{said} for the team, on its lowest member (this wearer had {had or 'no reading'} then; by this "
        f"wearer's own gauge {when})"
    )
