"""The invented incident of the demo, the sample logs and the end-to-end tests, at one of three places.

`cooperage_fire.toml` beside this module is its script: who goes in when, how hard it is, what goes wrong.
"""

from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import datetime, time
from pathlib import Path
from typing import Any

import msgspec

from sample_logs.simulation.script import IncidentScript
from sample_logs.simulation.staging import SimulatedIncident, stage


def _in_seconds(value: Any) -> Any:
    """Return what a TOML file says with its times in seconds from the opening."""
    if isinstance(value, time):
        return 3600.0 * value.hour + 60.0 * value.minute + value.second + value.microsecond / 1e6
    if isinstance(value, dict):
        return {name: _in_seconds(one) for name, one in value.items()}
    return [_in_seconds(one) for one in value] if isinstance(value, list) else value


_TOLD = tomllib.loads(Path(__file__).with_name("cooperage_fire.toml").read_text(encoding="utf-8"))
SCRIPT = msgspec.convert(_in_seconds(_TOLD), IncidentScript)
SERVICE, DESK = SCRIPT.service, SCRIPT.desk_id
# Name and place by seed, so that two incidents of one demo differ.
PLACES = (
    ("Ropewalk, Sallow Lane", "Sallow Lane 31"),
    (SCRIPT.name, SCRIPT.place),
    ("Drying loft, Oxmere Lock", "Oxmere Lock 2"),
)


def build_incident(seed: int, opened: datetime) -> SimulatedIncident:
    """Make the whole incident as a listener heard it.

    - `seed`: the same seed gives the same incident.
    - `opened`: its opening, UTC, time-zone aware.

    Returns ``heard`` in the order received and the ``truth`` behind it.

    Raises `ValueError` if `opened` has no time zone.
    """
    name, place = PLACES[seed % len(PLACES)]
    return stage(replace(SCRIPT, name=name, place=place), seed, opened, incident_id(opened))


def build_late_turn_back(seed: int, opened: datetime) -> SimulatedIncident:
    """The wearer of the whole incident who turns back late (set S-012), alone with the desk."""
    only = "S-012"
    script = replace(
        SCRIPT,
        sets=tuple(one for one in SCRIPT.sets if one.set_id == only),
        desk=tuple(entry for entry in SCRIPT.desk if entry.fields.get("set_id") == only),
        refused_starts=(),
        closes_s=36 * 60.0,
    )
    return stage(script, seed, opened, incident_id(opened))


def incident_id(opened: datetime) -> str:
    """Return the incident's identity, from the service and the minute of its opening."""
    if opened.tzinfo is None:
        raise ValueError(f"opened must have a time zone (UTC), got {opened.isoformat()}")
    return f"TH-{opened:%Y%m%d-%H%M}"
