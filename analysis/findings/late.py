"""Findings about what was heard late: the desk could not know it then, or the listener's clock was set."""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from analysis.alarms.alarms import Alarm
from analysis.alarms.kinds import GRAVEST
from analysis.clocks.links import LATE_S
from analysis.findings.alarms import named
from analysis.findings.examined import Examined
from analysis.findings.finding import Context, Finding, clock, finding, lasting
from analysis.records import Floats, Ints, PowerUp
from ingest.plurals import counted
from ingest.receipt_jumps import ALIKE_S, FORWARD_FROM_S, LASTING_LINES, LEAST_SHARE

FEWEST_SETS = 3
"""Fewer sets may share one gateway. Our own rule."""
ABOUT_US = 10_000_000
"""Some sets send so seldom, and messages overtake each other. Our own rule."""


def not_yet_known(at_us: Ints, received_us: Ints, late_s: float) -> list[tuple[int, int]]:
    """Return the stretches whose readings came more than `late_s` late.

    Each ends when its readings had come, or at the next reading that came in time.

    - `at_us`, `received_us`: arrays, shape (n,): microseconds since 1970, in order of `at_us`.
    """
    is_late = np.concatenate(([False], received_us - at_us > late_s * 1e6, [False]))
    starts, ends = np.flatnonzero(is_late[1:] & ~is_late[:-1]), np.flatnonzero(is_late[:-1] & ~is_late[1:])
    spans = []
    for first, after in zip(starts.tolist(), ends.tolist(), strict=True):
        known_us = int(received_us[first:after].max())
        until_us = min(known_us, int(at_us[after])) if after < len(at_us) else known_us
        spans.append((int(at_us[first]), max(until_us, int(at_us[after - 1]))))
    return spans


def late_findings(context: Context) -> Iterator[Finding]:
    """Apply the rule to readings and alarms."""
    for one in context.examined:
        yield from _readings(one)
    for alarm in context.alarms:
        yield from _alarm(alarm, context)
    yield from _receipts_jumped(context)


def _readings(one: Examined) -> Iterator[Finding]:
    wear = one.wear
    late_s = (wear.received_us - wear.at_us) * 1e-6
    late = np.flatnonzero(late_s > LATE_S)
    if not len(late):
        return
    first, last = int(late[0]), int(late[-1])
    yield finding(
        "heard_late",
        "note",
        wear,
        (int(wear.at_us[first]), int(wear.at_us[last])),
        f"{counted(len(late), 'pressure reading')} from {clock(int(wear.at_us[first]))} to "
        f"{clock(int(wear.at_us[last]))} arrived up to {lasting(float(late_s.max()))} late: the desk could "
        "not know them at the time.",
        [wear.identity(first), wear.identity(last)],
    )


def _alarm(alarm: Alarm, context: Context) -> Iterator[Finding]:
    if alarm.reported is None:
        return
    heard_us = alarm.reported.heard_us
    late_s = (heard_us - alarm.raised_us) * 1e-6
    if late_s <= LATE_S:
        return
    seen = f", seen at {clock(alarm.seen_us)}" if alarm.seen_us is not None else ""
    # The wearer waited as long as if the desk had been slow, so the same limit applies.
    cleared_us = alarm.cleared_us if alarm.cleared_us is not None else heard_us
    alone_s = (min(cleared_us, heard_us) - alarm.raised_us) * 1e-6
    grave = alarm.alarm in GRAVEST and alone_s > context.profile.alarms.response_s
    over = f"; it was cleared at {clock(cleared_us)}, before that" if cleared_us < heard_us else ""
    yield finding(
        "heard_late",
        "serious" if grave else "caution",
        alarm.wear or alarm.set_id,
        (alarm.raised_us, heard_us),
        f"The {named(alarm)} was raised at {clock(alarm.raised_us)}, heard at {clock(heard_us)}"
        f"{seen}{over}. The desk could not know it for {lasting(late_s)}.",
        alarm.reported.evidence[:1],
    )


class _Lateness(NamedTuple):
    """The live messages of one power-up in order of its own time: arrays, shape (n,)."""

    at_us: Ints
    late_s: Floats
    seq: Ints

    def change_s(self, at_us: int) -> float | None:
        """Return by how much later everything comes from a moment on; None if too little was heard.

        NaN if the delays are uneven: then stored messages were sent, and no clock was set.
        """
        before = self.late_s[self.at_us < at_us - ABOUT_US]
        after = self.late_s[self.at_us > at_us + ABOUT_US]
        if min(len(before), len(after)) < LASTING_LINES:
            return None
        even = all(float(np.median(part) - part.min()) <= ALIKE_S for part in (before, after))
        return float(np.median(after) - np.median(before)) if even else np.nan


def _receipts_jumped(context: Context) -> Iterator[Finding]:
    """Find moments from which on messages of all sets come later, or earlier, by one amount: a clock was set.

    For each set its greatest jump counts.
    """
    known = [one for one in context.sets if one.key in context.clocks.fits and one.is_live]
    told: list[int] = []
    for power_up in known:
        if not any(
            np.any(one.received_us - one.at_us > FORWARD_FROM_S * 1e6) for one in power_up.channels.values()
        ):
            continue
        of_it = _lateness(power_up)
        jump = int(np.argmax(np.abs(np.cumsum(of_it.late_s - of_it.late_s.mean())))) + 1
        at_us = int(of_it.at_us[min(jump, len(of_it.at_us) - 1)])
        change_s = of_it.change_s(at_us)
        if change_s is None or not abs(change_s) >= FORWARD_FROM_S or not context.inside(at_us):
            continue
        if any(abs(at_us - one) <= ABOUT_US for one in told):
            continue
        each = {one.name: by_s for one in known if (by_s := _lateness(one).change_s(at_us)) is not None}
        alike = sum(abs(by_s - change_s) <= ALIKE_S for by_s in each.values())
        if alike < max(FEWEST_SETS, LEAST_SHARE * len(each)):
            continue
        told.append(at_us)
        of = f"all {alike}" if alike == len(each) else f"{alike} of {len(each)}"
        way = "later" if change_s > 0 else "earlier"
        yield finding(
            "receipts_jumped",
            "caution",
            None,
            at_us,
            f"From {clock(at_us)} on, messages of {of} sets that were heard before and after it were "
            f"received {lasting(change_s)} {way} than their own clocks say. Probably the clock of the "
            "listener's machine was set then. Nothing is corrected: times of sets and desks that were heard "
            f"on only one side of that moment differ from these by {lasting(change_s)}, and so do lengths of "
            "time across it (rest, answers, delays).",
            (power_up.identity(int(of_it.seq[jump - 1])), power_up.identity(int(of_it.seq[jump]))),
        )


def _lateness(power_up: PowerUp) -> _Lateness:
    retained, *columns = power_up.joined("retained", "at_us", "received_us", "seq")
    at_us, received_us, seq = (one[~retained] for one in columns)
    order = np.argsort(at_us, kind="stable")
    return _Lateness(at_us[order], (received_us - at_us)[order] * 1e-6, seq[order])
