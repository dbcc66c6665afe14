"""All findings of an incident: every rule applied, in one table, in order of time.

The rules are in this room, one module for each subject; their thresholds are in the profile, each
with its source.
"""

from __future__ import annotations

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
    found = [finding for rule in RULES for finding in rule(context)]
    found.sort(key=_order)
    rows = []
    used: dict[str, int] = {}
    for one in found:
        # Two findings of one rule about the very same moment and message are distinguished by a number.
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


def _order(one: Finding) -> tuple[int, str, str, str, str]:
    return (one.started_us, one.set_id or "", one.wear_id or "", one.code, one.statement)
