"""Small invented drills for one subject each: clocks that are wrong, radio that fails.

They share the service of the incident in `scenario`; places and numbers are invented.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from sample_logs.simulation.radio import RadioPath, SetClock, Silence
from sample_logs.simulation.scenario import DESK, SERVICE, incident_id
from sample_logs.simulation.script import DeskEntry, IncidentScript, SetScript, Stage, WearScript
from sample_logs.simulation.set_alarms import Distress
from sample_logs.simulation.staging import SimulatedIncident, stage

CLOCK_DRILL_S = 1260.0
DRILL = (Stage(2, 38), Stage(8, 46, 30), Stage(2, 40))  # twelve minutes at a steady pace


def build_clock_troubles(seed: int, opened: datetime) -> SimulatedIncident:
    """Seven sets in one drill, each with another thing wrong with its clock or with how late it is heard."""
    since_1970_s = opened.timestamp() + 60.0
    stored = tuple(Silence(at_s, at_s + 30.0, kept=True) for at_s in (240.0, 420.0, 600.0))
    sets = (
        _set("S-101", "W-21", SetClock(offset_s=90.0, says_uptime=False)),
        _set("S-102", "W-22", SetClock(offset_s=0.4, steps=((480.0, 3600.0),))),
        _set("S-103", "W-23", SetClock(offset_s=-since_1970_s)),
        _set("S-104", "W-24", SetClock(offset_s=-1.2, drift_ppm=200.0)),
        _set("S-105", "W-25", SetClock(offset_s=0.1), RadioPath(silences=stored)),
        _set("S-106", "W-26", SetClock(offset_s=0.7, steps=((540.0, -45.0),), says_uptime=False)),
        _set("S-107", "W-27", SetClock(offset_s=-0.3, fraction_digits=0, says_uptime=False)),
    )
    # Left on for a while after the wear: a drift needs a quarter of an hour and more to show.
    left_on = tuple(replace(one, off_s=CLOCK_DRILL_S) for one in sets)
    return stage(_drill("Clock drill", left_on, CLOCK_DRILL_S + 60.0), seed, opened, incident_id(opened))


def build_radio_troubles(seed: int, opened: datetime) -> SimulatedIncident:
    """Six sets in one drill, each with other trouble between set and listener, the last with a restart."""
    plain = SetClock(offset_s=0.2)
    pressed_s = 420.0
    lost_raise = RadioPath(silences=(Silence(pressed_s - 0.5, pressed_s + 2.5),))
    sets = (
        _set("S-201", "W-31", plain, RadioPath(loss=0.05)),
        replace(
            _set("S-202", "W-32", plain, RadioPath(silences=(Silence(360.0, 540.0),))),
            link_down_s=(375.0, 540.5),
        ),
        _set("S-203", "W-33", plain, RadioPath(silences=(Silence(360.0, 420.0, kept=True),))),
        replace(_set("S-204", "W-34", plain, RadioPath(repeated=0.05, late=0.05)), conflicting_s=500.0),
        _set("S-205", "W-35", plain, lost_raise, Distress(pressed_s, pressed_s + 25.0, pressed_s + 80.0)),
        SetScript(
            "S-206",
            on_s=60.0,
            off_s=390.0,
            wears=(replace(_wear("W-36", 120.0, (Stage(4.5, 44),)), tallied_out_before_s=None),),
            clock=plain,
            cut_off=True,
        ),
        # The same set and wearer after its power failed: a new boot finds the cylinder already open.
        SetScript(
            "S-206",
            on_s=412.0,
            off_s=900.0,
            wears=(replace(_wear("W-36", 415.0, (Stage(7, 44),), start_bar=250.0), tallied_in_after_s=None),),
            clock=plain,
            boots_at_random=True,
        ),
    )
    return stage(_drill("Radio drill", sets), seed, opened, incident_id(opened))


def _wear(
    wearer_id: str,
    opens_s: float,
    stages: tuple[Stage, ...] = DRILL,
    *,
    start_bar: float = 298.0,
    distress: Distress | None = None,
) -> WearScript:
    return WearScript(
        opens_s,
        wearer_id,
        "Ember",
        "drill",
        stages,
        start_bar=start_bar,
        distress=distress,
    )


def _set(
    set_id: str,
    wearer_id: str,
    clock: SetClock,
    path: RadioPath | None = None,
    distress: Distress | None = None,
) -> SetScript:
    # Sets open their valves a few seconds apart, as people do.
    opens_s = 120.0 + 4.0 * (int(set_id[-1]) - 1)
    return SetScript(
        set_id,
        on_s=60.0,
        off_s=900.0,
        wears=(_wear(wearer_id, opens_s, distress=distress),),
        clock=clock,
        path=path or RadioPath(),
    )


def _drill(name: str, sets: tuple[SetScript, ...], closes_s: float = 960.0) -> IncidentScript:
    return IncidentScript(
        service=SERVICE,
        desk_id=DESK,
        name=name,
        place="Drill yard, Oxmere Lock",
        type="drill",
        sets=sets,
        desk=(DeskEntry(30.0, "note", {"text": f"{name} begins"}),),
        closes_s=closes_s,
    )
