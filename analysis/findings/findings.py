"""All findings of an incident: every rule applied, in one table, in order of time.

The rules are in this room, one module for each subject; their thresholds are in the profile, each
with its source.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import polars as pl

from analysis.findings.air import air_findings
from analysis.findings.alarms import alarm_findings
from analysis.findings.calls import call_findings
from analysis.findings.finding import Context, Finding
from analysis.findings.heat import heat_findings
from analysis.findings.late import late_findings
from analysis.findings.link import link_findings
from analysis.findings.refused import refused_findings
from analysis.findings.rest import rest_findings
from analysis.findings.sensors import sensor_findings
from analysis.findings.tally import tally_findings
from analysis.findings.turn_back import turn_back_findings
from analysis.tables import table_of
from analysis.wears.wears import Wear

RULES = (
    air_findings,
    turn_back_findings,
    sensor_findings,
    heat_findings,
    alarm_findings,
    late_findings,
    link_findings,
    tally_findings,
    call_findings,
    rest_findings,
    refused_findings,
)


def find(context: Context) -> pl.DataFrame:
    """Return the table `findings`."""
    worn_too = _worn_too(context)
    found = [_of_two_sets(one, worn_too, context) for rule in RULES for one in rule(context)]
    found.sort(key=_order)
    rows = []
    used: dict[str, int] = {}
    for one in found:
        # A number distinguishes findings of one rule about the same moment and message.
        name = one.finding_id
        again = used[name] = used.get(name, 0) + 1
        rows.append(
            (
                name if again == 1 else f"{name}-{again}",
                one.code,
                one.severity,
                one.wear_id,
                one.set_id,
                one.started_us,
                one.ended_us,
                one.statement,
                list(one.evidence),
            )
        )
    return table_of("findings", rows)


def _worn_too(context: Context) -> dict[str, list[Wear]]:
    return {
        wear.wear_id: others
        for entry in context.entries
        if entry.at_once and entry.wearer_id is not None
        for wear in entry.wears
        if (others := [one for one in entry.wears if _together(wear, one)])
    }


def _together(wear: Wear, other: Wear) -> bool:
    meanwhile = wear.started_us <= other.ended_us and other.started_us <= wear.ended_us
    return wear.set_id != other.set_id and meanwhile


def _of_two_sets(one: Finding, worn_too: Mapping[str, Sequence[Wear]], context: Context) -> Finding:
    """Say that a finding may be about somebody else, if its wearer had another set under air then."""
    others = worn_too.get(one.wear_id or "", ())
    if not others:
        return one
    sets = " and ".join(dict.fromkeys(other.set_id for other in others))
    who = next(other.tally.wearer_id for other in others if other.tally is not None)
    said = f" {who} was tallied in with {sets} as well, under air at the same time: who wore {one.set_id} is "
    said += "not known."
    if "no-motion" in one.statement:
        moved = [other.set_id for other in others if _moved(other, one, context)]
        said += f" {' and '.join(dict.fromkeys(moved))} moved meanwhile." if moved else ""
    return replace(one, statement=one.statement + said)


def _moved(other: Wear, one: Finding, context: Context) -> bool:
    channel = other.power_up.channels.get("motion")
    if channel is None:
        return False
    first, last = channel.at_us.searchsorted([one.started_us, one.ended_us or one.started_us])
    motion = channel.numbers["motion_m_s2"][first : last + 1]
    return bool(np.any(motion >= context.profile.motion.still_below_m_s2))


def _order(one: Finding) -> tuple[int, str, str, str, str]:
    return (one.started_us, one.set_id or "", one.wear_id or "", one.code, one.statement)
