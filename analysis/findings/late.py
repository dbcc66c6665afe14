"""Findings about what was heard late: the desk could not have known it when it happened."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from analysis.alarms.alarms import Alarm
from analysis.findings.alarms import named
from analysis.findings.examined import Examined
from analysis.findings.finding import Context, Finding, about_wear, clock, lasting
from ingest.plurals import counted

LATE_S = 5.0
"""A lag that a person notices. Our own rule."""


def late_findings(context: Context) -> Iterator[Finding]:
    """Apply the rule to readings and alarms."""
    for one in context.examined:
        yield from _readings(one)
    for alarm in context.alarms:
        yield from _alarm(alarm)


def _readings(one: Examined) -> Iterator[Finding]:
    wear = one.wear
    late_s = (wear.received_us - wear.at_us) * 1e-6
    late = np.flatnonzero(late_s > LATE_S)
    if not len(late):
        return
    first, last = int(late[0]), int(late[-1])
    yield about_wear(
        "heard_late",
        "note",
        wear,
        int(wear.at_us[first]),
        int(wear.at_us[last]),
        f"{counted(len(late), 'pressure reading')} from {clock(int(wear.at_us[first]))} to "
        f"{clock(int(wear.at_us[last]))} came up to {lasting(float(late_s.max()))} late. The desk did not "
        "know them at the time.",
        [wear.identity(first), wear.identity(last)],
    )


def _alarm(alarm: Alarm) -> Iterator[Finding]:
    heard_us = alarm.heard_us
    if alarm.reported is None or heard_us is None or (heard_us - alarm.raised_us) * 1e-6 <= LATE_S:
        return
    wear_id = alarm.wear.wear_id if alarm.wear else None
    seen = f", seen at {clock(alarm.seen_us)}" if alarm.seen_us is not None else ""
    yield Finding(
        "heard_late",
        "caution",
        alarm.set_id,
        wear_id,
        alarm.raised_us,
        heard_us,
        f"The {named(alarm)} was raised at {clock(alarm.raised_us)}, heard at {clock(heard_us)}"
        f"{seen}. The desk could not know it for {lasting((heard_us - alarm.raised_us) * 1e-6)}.",
        tuple(alarm.reported.evidence[:1]),
    )
