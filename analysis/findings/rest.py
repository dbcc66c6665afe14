"""Findings about rest between the wears of one incident, by the profile's rules that are on.

Wears of several incidents are judged together by the ledger (`analysis.trends.planning`), not here: a finding
must be the same whatever else was analysed with its incident.
"""

from collections.abc import Iterator
from datetime import UTC, datetime

import numpy as np
import polars as pl

from analysis.findings.examined import Examined
from analysis.findings.finding import Context, Finding, finding, lasting
from analysis.records import grouped
from analysis.trends.ledger import HARD_BREATHING_L_MIN, WEARS
from analysis.trends.planning import reached_text, short_rests
from analysis.wears.tally import TallyEntry


def rest_findings(context: Context) -> Iterator[Finding]:
    """Say which wears began before the rest that a rule asks for was over."""
    both = [(one, one.wear.tally) for one in context.examined if one.wear.tally is not None]
    incidents = grouped((tally.incident_id, (one, tally)) for one, tally in both)
    for tallied in incidents.values():
        if len(tallied) > 1:
            yield from _of_incident(tallied, context)


def _of_incident(tallied: list[tuple[Examined, TallyEntry]], context: Context) -> Iterator[Finding]:
    by_id = {one.wear.wear_id: one.wear for one, _ in tallied}
    wears = pl.DataFrame([_line(one, tally.wearer_id) for one, tally in tallied], schema=WEARS)
    for short in short_rests(wears, context.profile.rest):
        wear = by_id[short.wear_id]
        memory = ", from memory" if short.asked.from_memory and "memory" not in short.asked.source else ""
        yield finding(
            "rest_too_short",
            "caution",
            wear,
            (wear.started_us, None),
            f"{short.wearer_id} went under air again {lasting(60.0 * short.rested_min)} after "
            f"{reached_text(short)}; the rule asks for {short.asked.rest_min:.0f} min "
            f"(source: {short.asked.source}{memory}).",
            [by_id[short.after_wear_id].identity(-1), wear.identity(0)],
        )


def _line(one: Examined, wearer_id: str) -> dict[str, object]:
    wear = one.wear
    return {
        "wear_id": wear.wear_id,
        "wearer_id": wearer_id,
        "set_id": wear.set_id,
        "started": datetime.fromtimestamp(wear.started_us * 1e-6, UTC),
        "ended": datetime.fromtimestamp(wear.ended_us * 1e-6, UTC),
        "start_bar": float(wear.pressure_bar[0]),
        "end_bar": float(wear.pressure_bar[-1]),
        "under_air_min": one.minutes,
        "hard_min": _hard_min(one),
        "heat_dose": None if one.heat is None else float(one.heat.dose[-1]),
    }


def _hard_min(one: Examined) -> float:
    if not (one.known_air and one.breathed):
        return 0.0
    return float(np.count_nonzero(one.air.rate_l_min >= HARD_BREATHING_L_MIN)) / 60.0
