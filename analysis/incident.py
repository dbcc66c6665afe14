"""Puts one incident (or a whole archive) together: messages in, every table of the results out.

Pure and deterministic: the same messages, in any order and in any parts, give the same tables to the bit.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
import polars as pl

from analysis.alarm_words import Flood, floods
from analysis.alarms import Alarm, find_alarms
from analysis.assemble import (
    air_table,
    alarm_rates_table,
    alarms_table,
    clocks_table,
    exposure_table,
    floods_table,
    gaps_table,
    heat_table,
    turn_back_table,
    wears_table,
)
from analysis.clocks import reconcile
from analysis.examined import Examined, examine
from analysis.finding import Context
from analysis.findings import find
from analysis.links import links_down
from analysis.profile import Profile
from analysis.records import power_ups
from analysis.tables import TABLES, Results
from analysis.tally import Incident, Tally, read_incidents, read_tallies, written_then
from analysis.turn_back import TurnBackMoment, read_notes, replay, team_moments
from analysis.wears import Wear, find_wears

Progress = Callable[[int, int], None]


def analyse(
    messages: Mapping[str, pl.DataFrame],
    profile: Profile,
    incident_id: str | None = None,
    progress: Progress | None = None,
) -> Results:
    """Return every table of the results.

    Parameters
    ----------
    messages : mapping of kind to DataFrame
        From the archive's reader or a capture; any order, duplicates allowed.
    profile : Profile
        The doctrine by which wears are judged.
    incident_id : str, optional
        Only the wears, alarms and sets of this incident.
    progress : callable (done, total), optional
        Called after each wear.

    Returns
    -------
    dict of str to DataFrame
        Every table of `analysis.tables.TABLES`, by name.
    """
    sets = _sets_of(messages, incident_id) if incident_id is not None else None
    records = power_ups(messages, sets)
    clocks = reconcile(records)
    incidents = read_incidents(records)
    tallies = read_tallies(records, incidents)
    if incident_id is not None:
        tallies = [tally for tally in tallies if tally.incident_id == incident_id]
    wears = find_wears(records, tallies, profile)
    if incident_id is not None:
        wears = [wear for wear in wears if wear.tally is not None]
    alarms = find_alarms(records, wears, profile)
    window = _window(incident_id, incidents, tallies, wears)
    if window is not None:
        alarms = [one for one in alarms if window[0] <= one.raised_us <= window[1]]
    examined = []
    for number, wear in enumerate(wears, 1):
        examined.append(examine(wear, profile))
        if progress is not None:
            progress(number, len(wears))
    notes = read_notes(records)
    moments = {one.wear.wear_id: replay(one.wear, one.air, profile, notes) for one in examined}
    team_us = _team_moments(examined, moments)
    context = Context(
        profile=profile,
        records=records,
        clocks=clocks,
        tallies=tallies,
        notes=notes,
        examined=examined,
        alarms=alarms,
        team_us={wear_id: by_policy[profile.turn_back.policy] for wear_id, by_policy in team_us.items()},
        moments=moments,
        floods=_floods(alarms, profile),
        window_us=window,
        links_down=links_down(messages),
    )
    tables = {
        "wears": wears_table(examined, moments, team_us, profile),
        "air": air_table(examined),
        "alarms": alarms_table(alarms),
        "heat": heat_table(examined),
        "gaps": gaps_table(examined),
        "clocks": clocks_table(clocks.table, records, window),
        "findings": find(context),
        "turn_back": turn_back_table(examined, moments, team_us),
        "exposure": exposure_table(examined),
        "alarm_rates": alarm_rates_table(examined, alarms),
        "floods": floods_table(context.floods),
    }
    return {name: tables[name] for name in TABLES}


def _sets_of(messages: Mapping[str, pl.DataFrame], incident_id: str) -> list[str]:
    """Return the sets of an incident: tallied, or refused to start while it lasted."""
    about = pl.col("incident_id") == incident_id
    tallied = messages["tally"].filter(about)
    heard = {**messages, "note": messages["note"].filter(written_then())}
    spoken = pl.concat([heard[kind].filter(about)["received"] for kind in ("incident", "tally", "note")])
    power = messages["power"].filter(
        (pl.col("state") == "refused") & pl.col("received").is_between(spoken.min(), spoken.max())
    )
    return pl.concat([tallied["set_id"], power["set_id"]]).unique().sort().to_list()


def _window(
    incident_id: str | None,
    incidents: Mapping[str, Incident],
    tallies: Sequence[Tally],
    wears: Sequence[Wear],
) -> tuple[int, int] | None:
    """Return from when to when an incident lasted: its open and close, and all its wears and tallies."""
    if incident_id is None:
        return None
    incident = incidents.get(incident_id)
    starts = [wear.started_us for wear in wears] + [tally.in_us for tally in tallies]
    ends = [wear.ended_us for wear in wears] + [tally.out_us or tally.in_us for tally in tallies]
    if incident is not None and incident.opened_us is not None:
        starts.append(incident.opened_us)
    if incident is not None and incident.closed_us is not None:
        ends.append(incident.closed_us)
    return (min(starts), max(ends)) if starts and ends else (0, 0)


def _team_moments(
    examined: Sequence[Examined], moments: Mapping[str, list[TurnBackMoment]]
) -> dict[str, dict[str, int | None]]:
    wears = [one.wear for one in examined]
    team: dict[str, dict[str, int | None]] = {wear.wear_id: {} for wear in wears}
    for number in range(4):
        own: dict[str, int | None] = {}
        policy = ""
        for one in examined:
            moment = moments[one.wear.wear_id][number]
            policy = moment.policy
            own[one.wear.wear_id] = one.at_us(moment.second) if moment.second is not None else None
        for wear_id, at_us in team_moments(wears, own).items():
            team[wear_id][policy] = at_us
    return team


def _floods(alarms: Sequence[Alarm], profile: Profile) -> list[Flood]:
    raised = np.array([one.raised_us for one in alarms if one.reported is not None], dtype=np.int64)
    return floods(raised, profile.alarms.flood_count, profile.alarms.flood_window_min * 60.0)
