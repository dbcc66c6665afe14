"""Findings about orders and roll calls: who never acknowledged, who was missing, whose word it was."""

from collections.abc import Iterator
from itertools import groupby

from analysis.findings.finding import Context, Finding, clock, finding, lasting
from analysis.wears.calls import ROLL_CALL, Call, CallAnswer, SharedName


def call_findings(context: Context) -> Iterator[Finding]:
    """Apply every rule about orders and roll calls."""
    for one in context.answers:
        if one.missing_us is not None:
            yield _missing(one, one.missing_us)
    every = [one for one in context.answers if one.call.kind != ROLL_CALL]
    orders = [one for one in every if one.reached]
    reached = {one.call for one in orders}
    for call, those in groupby(every, key=lambda one: one.call):
        if call not in reached:
            yield _reached_nobody(call, list(those))
    for _, those in groupby(orders, key=lambda one: one.call):
        waited = [one for one in those if _waited_for(one)]
        if waited:
            yield _not_acknowledged(waited)
    rule = context.profile.turn_back
    way_us = round((rule.way_in_min * 60.0 + rule.late_margin_s) * 1e6)
    yield from (_followed_late(one, out_us) for one in orders if (out_us := _out_after(one, way_us)))
    yield from map(_shared, context.shared_names)


def _shared(one: SharedName) -> Finding:
    at_us, until_us = round(one.at * 1e6), round(one.until * 1e6)
    statement = (
        f"Two desks used the name {one.desk_id} in incident {one.incident_id}: boot numbers "
        f"{one.boots[0]} and {one.boots[1]}, both heard from {clock(at_us)} to {clock(until_us)}. If both "
        "gave an order or called a roll, it is over only when both have ended it."
    )
    return finding("desk_name_shared", "caution", None, (at_us, until_us), statement, one.evidence)


def _waited_for(one: CallAnswer) -> bool:
    """Return whether somebody neither acknowledged an order nor was out before it was lifted."""
    until_us = one.call.ended_us
    out_us = one.under_air_until_us or one.out_us
    out = out_us is not None and (until_us is None or out_us <= until_us)
    return one.answered_us is None and not out


def _out_after(one: CallAnswer, way_us: int) -> int | None:
    """Return when somebody who said nothing came out, where that took longer than the planned way back."""
    out_us = one.under_air_until_us or one.out_us
    if out_us is None or one.answered_us is not None or _waited_for(one):
        return None
    return out_us if out_us - (one.in_us or one.call.called_us) > way_us else None


def _followed_late(one: CallAnswer, out_us: int) -> Finding:
    since_us = one.in_us or one.call.called_us
    return finding(
        "order_followed_late",
        "caution",
        one.set_id,
        (one.call.called_us, out_us),
        f"{one.wearer_id or f'Set {one.set_id}'}{_known(one)} did not acknowledge the order to "
        f"{one.call.kind} of {clock(one.call.called_us)} ({one.call.about or 'everybody'}), by set or by "
        f"voice, and was out at {clock(out_us)}, {lasting((out_us - since_us) * 1e-6)} after it: longer than "
        "the planned way back. What was said by radio is not in this record.",
        (one.call.identity,) if one.call.identity else (),
    )


def _reached_nobody(call: Call, inside: list[CallAnswer]) -> Finding:
    names = [one.wearer_id or f"set {one.set_id}" for one in inside]
    who = " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))
    return finding(
        "order_reached_nobody",
        "caution",
        None,
        (call.called_us, call.ended_us),
        f"Order to {call.kind} of {clock(call.called_us)} ({call.about or 'everybody'}) was sent to service "
        f"{call.service}, of which nobody was in at incident {call.incident_id}: no set could signal it. "
        f"{who} {'was' if len(names) == 1 else 'were'} in. What was said by radio is not in this record.",
        (call.identity,) if call.identity else (),
    )


def _not_acknowledged(waited: list[CallAnswer]) -> Finding:
    call = waited[0].call
    who = ", ".join((one.wearer_id or f"set {one.set_id}") + _known(one) for one in waited)
    until = f" before it was lifted at {clock(call.ended_us)}" if call.ended_us is not None else ""
    whom = call.about or "everybody"
    return finding(
        "order_not_acknowledged",
        "caution",
        waited[0].set_id if len(waited) == 1 else None,
        (call.called_us, call.ended_us),
        f"Order to {call.kind} of {clock(call.called_us)} ({whom}): {who} did not acknowledge it, by set or "
        f"by voice, and did not come out{until}. What was said by radio is not in this record.",
        (call.identity,) if call.identity else (),
    )


def _known(one: CallAnswer) -> str:
    known = [f"in at {clock(one.in_us)}"] if one.in_us else []
    if one.out_us and one.under_air_until_us:
        known.append(f"tallied out at {clock(one.out_us)}, under air until {clock(one.under_air_until_us)}")
    return f" ({', '.join(known)})" if known else ""


def _missing(one: CallAnswer, missing_us: int) -> Finding:
    out_us = one.under_air_until_us or one.out_us
    ends = [at for at in (one.answered_us, out_us) if at is not None and at >= missing_us]
    ended_us = min(ends, default=None)
    if ended_us is None:
        until = "nobody answered for this wearer afterwards"
    elif ended_us == one.answered_us:
        until = f"answered for at {clock(ended_us)}"
    else:
        until = f"out at {clock(ended_us)}{_known(one)}"
    return finding(
        "missing_at_roll_call",
        "serious",
        one.set_id,
        (missing_us, ended_us),
        f"A desk said at {clock(missing_us)} that {one.wearer_id} was missing at the roll call of "
        f"{clock(one.call.called_us)} ({one.call.about}); {until}.",
        (one.missing_by,) if one.missing_by else (),
    )
