"""Smaller incidents of the year before, so that the demo's list of incidents is not empty.

Each is a handful of the sets of the scenario, with other people's breathing, and with what went wrong there
only now and then.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np

from sample_logs.simulation.scenario import PLACES, SCRIPT, incident_id
from sample_logs.simulation.script import DeskEntry, SetScript, WearScript
from sample_logs.simulation.staging import SimulatedIncident, stage
from sample_logs.simulation.tasks import PERSON_SPREAD

INCIDENTS = 6
EVERY_DAYS = 25.0
GOES_WRONG = 0.3
LATE_SET = "S-012"


def opened_at(number: int, now: datetime) -> datetime:
    """Return when incident `number` (1 is the youngest) was opened, at another hour each time."""
    return now - timedelta(
        days=EVERY_DAYS * number, hours=float(number * 5 % 17), minutes=float(number * 11 % 60)
    )


def build_past_incident(number: int, now: datetime) -> SimulatedIncident:
    """Make incident `number` of the year before `now`; the number is its seed.

    - `now`: UTC, time-zone aware.
    """
    rng = np.random.default_rng([number, 365])
    chosen = np.sort(rng.choice(len(SCRIPT.sets), size=int(rng.integers(5, 8)), replace=False))
    sets = tuple(_other_day(SCRIPT.sets[index], rng) for index in chosen.tolist())
    notes = tuple(
        DeskEntry(
            wear.turns_back_s + 4.0, "note", {"text": f"{wear.team}: turning back", "set_id": one.set_id}
        )
        for one in sets
        for wear in one.wears
        if wear.turns_back_s is not None
    )
    drill = number % 3 == 0
    name, place = ("Quarterly drill", "Drill yard, Oxmere Lock") if drill else PLACES[number % len(PLACES)]
    script = replace(
        SCRIPT,
        name=name,
        place=place,
        type="drill" if drill else SCRIPT.type,
        sets=sets,
        desk=notes,
        refused_starts=SCRIPT.refused_starts if rng.random() < GOES_WRONG else (),
    )
    opened = opened_at(number, now)
    return stage(script, number, opened, incident_id(opened))


def _other_day(one: SetScript, rng: np.random.Generator) -> SetScript:
    goes_wrong = rng.random() < GOES_WRONG
    person = float(np.clip(rng.lognormal(-0.03, PERSON_SPREAD), 0.8, 1.12))
    wears = tuple(_other_wear(one.set_id, wear, person, goes_wrong) for wear in one.wears)
    if goes_wrong:
        return replace(one, wears=wears)
    quiet = replace(one.path, silences=())
    return replace(one, wears=wears, path=quiet, link_down_s=None, sent_twice_s=None, conflicting_s=None)


def _other_wear(set_id: str, wear: WearScript, person: float, goes_wrong: bool) -> WearScript:
    stages = tuple(replace(part, mean_l_min=part.mean_l_min * person) for part in wear.stages)
    if goes_wrong:
        return replace(wear, stages=stages)
    if set_id == LATE_SET:
        stages = stages[:2] + stages[3:]
        wear = replace(wear, turns_back_s=wear.opens_s + 600.0)
    stages = tuple(
        replace(part, still=False, free_flow_l_min=0.0, surroundings_c=min(part.surroundings_c, 90.0))
        for part in stages
    )
    return replace(wear, stages=stages, distress=None)
