"""The invented incident of the demo, the sample logs and the end-to-end tests.

A fire at one of three places that do not exist: twelve wearers in four teams over fifty minutes. What
each of them is there to show is beside the script below. Times are minutes and seconds from the opening.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from analysis.simulation.radio import RadioPath, SetClock, Silence
from analysis.simulation.script import (
    SINGLE,
    SMALL,
    TWIN,
    DeskEntry,
    IncidentScript,
    RefusedStart,
    SetScript,
    Stage,
    WearScript,
)
from analysis.simulation.set_alarms import Distress
from analysis.simulation.staging import SimulatedIncident, stage

SERVICE = "tarnhollow"
DESK = "D-01"
# Name and place by seed, so that two incidents of one demo differ.
PLACES = (
    ("Ropewalk, Sallow Lane", "Sallow Lane 31"),
    ("Cooperage, Fellmire Quay", "Fellmire Quay 7"),
    ("Drying loft, Oxmere Lock", "Oxmere Lock 2"),
)


def _s(minutes: float, seconds: float = 0.0) -> float:
    return minutes * 60.0 + seconds


def _note(at_s: float, text: str, set_id: str | None = None, **more: str) -> DeskEntry:
    fields = {"text": text} | ({"set_id": set_id} if set_id else {}) | more
    return DeskEntry(at_s, "note", fields)


def _seen(at_s: float, set_id: str, alarm: str) -> DeskEntry:
    return DeskEntry(at_s, "seen", {"set_id": set_id, "alarm": alarm})


ALDER = (
    SetScript(  # an ordinary wear, then a changed cylinder and a second one
        "S-011",
        on_s=_s(0, 50),
        off_s=_s(46, 40),
        clock=SetClock(offset_s=0.34, drift_ppm=4.0),
        shows_minutes=True,
        wears=(
            WearScript(
                _s(2, 40),
                "W-01",
                "Alder",
                "attack, ground floor",
                (Stage(3, 38), Stage(8.2, 52, 45), Stage(4, 44, 30)),
                turns_back_s=_s(13, 52),
            ),
            WearScript(
                _s(31),
                "W-01",
                "Alder",
                "damping down, ground floor",
                (Stage(2, 36), Stage(9, 47, 35), Stage(3, 41)),
                start_bar=296.0,
                turns_back_s=_s(42),
            ),
        ),
    ),
    SetScript(  # turns back late and comes out far below the warning
        "S-012",
        on_s=_s(0, 55),
        off_s=_s(33, 20),
        clock=SetClock(offset_s=-0.52, drift_ppm=-7.0),
        shows_minutes=True,
        wears=(
            WearScript(
                _s(2, 42),
                "W-02",
                "Alder",
                "attack, ground floor",
                (Stage(3, 42), Stage(7, 50, 50), Stage(13.5, 66, 60), Stage(5.5, 55, 35)),
                turns_back_s=_s(26, 12),
            ),
        ),
    ),
    SetScript(  # also a changed cylinder; one reading arrives twice
        "S-013",
        on_s=_s(1, 5),
        off_s=_s(46, 30),
        clock=SetClock(offset_s=0.08, fraction_digits=6),
        sent_twice_s=_s(10),
        wears=(
            WearScript(
                _s(2, 45),
                "W-03",
                "Alder",
                "attack, ground floor",
                (Stage(3, 40), Stage(8.1, 50, 40), Stage(4.2, 46)),
                turns_back_s=_s(13, 51),
            ),
            WearScript(
                _s(31, 10),
                "W-03",
                "Alder",
                "damping down, ground floor",
                (Stage(2, 36), Stage(8.8, 46, 35), Stage(3, 42)),
                start_bar=291.0,
                turns_back_s=_s(41, 58),
            ),
        ),
    ),
)

BITTERN = (
    SetScript(  # a distress
        "S-021",
        on_s=_s(3, 30),
        off_s=_s(26),
        boots_at_random=True,
        battery_type="rechargeable",
        battery_fraction=0.62,
        reports_gas_temperature=True,
        wears=(
            WearScript(
                _s(5, 30),
                "W-04",
                "Bittern",
                "search, upper store",
                (Stage(4, 40), Stage(5.8, 46, 35), Stage(3.3, 64, 45), Stage(5.5, 52, 35)),
                distress=Distress(_s(15, 20), _s(16, 5), _s(18, 35)),
                turns_back_s=_s(18, 36),
            ),
        ),
    ),
    SetScript(  # a motionless alarm acknowledged only after 95 s; half a minute arrives late
        "S-022",
        on_s=_s(3, 35),
        off_s=_s(26, 10),
        boots_at_random=True,
        battery_type="rechargeable",
        battery_fraction=0.71,
        clock=SetClock(offset_s=0.95, drift_ppm=11.0),
        path=RadioPath(silences=(Silence(_s(10, 40), _s(11, 10), kept=True),)),
        wears=(
            WearScript(
                _s(5, 34),
                "W-05",
                "Bittern",
                "search, upper store",
                (Stage(4, 41), Stage(8.6, 46, 35), Stage(115 / 60, 26, 35, still=True), Stage(4.2, 48, 30)),
                no_motion_acknowledged_after_s=95.0,
                turns_back_s=_s(20, 20),
            ),
        ),
    ),
    SetScript(  # a twin-cylinder set
        "S-023",
        on_s=_s(3, 40),
        off_s=_s(26, 20),
        choices=(SINGLE, TWIN),
        shows_minutes=True,
        clock=SetClock(offset_s=-0.2, fraction_digits=1),
        wears=(
            WearScript(
                _s(5, 40),
                "W-06",
                "Bittern",
                "search lead, upper store",
                (Stage(4, 42), Stage(10.7, 47, 35), Stage(4.2, 46)),
                cylinder=TWIN,
                turns_back_s=_s(20, 24),
            ),
        ),
    ),
)

COBALT = (
    SetScript(  # a heat alarm by slow dose; one reading comes twice with two different pressures
        "S-031",
        on_s=_s(6, 40),
        off_s=_s(27, 20),
        clock=SetClock(offset_s=0.6, drift_ppm=-3.0),
        conflicting_s=_s(12, 30),
        wears=(
            WearScript(
                _s(8, 30),
                "W-07",
                "Cobalt",
                "cooling, kiln cellar",
                (Stage(3.5, 40, 85), Stage(9.9, 44, 143, warms_in_s=70), Stage(4.1, 48, 70)),
                turns_back_s=_s(21, 54),
            ),
        ),
    ),
    SetScript(  # a heat alarm by fast rise
        "S-032",
        on_s=_s(6, 45),
        off_s=_s(26, 40),
        clock=SetClock(offset_s=-0.15),
        reports_gas_temperature=True,
        wears=(
            WearScript(
                _s(8, 32),
                "W-08",
                "Cobalt",
                "cooling, kiln cellar",
                (
                    Stage(3.5, 42, 55),
                    Stage(4.6, 50, 70),
                    Stage(0.9, 60, 330, warms_in_s=6),
                    Stage(4.5, 55, 60, warms_in_s=12),
                    Stage(3, 48, 25),
                ),
                turns_back_s=_s(18, 30),
            ),
        ),
    ),
    SetScript(  # three minutes of radio silence
        "S-033",
        on_s=_s(6, 50),
        off_s=_s(27, 40),
        clock=SetClock(offset_s=0.41, drift_ppm=6.0),
        path=RadioPath(silences=(Silence(_s(14, 10), _s(17, 10)),)),
        link_down_s=(_s(14, 25), _s(17, 10.5)),
        wears=(
            WearScript(
                _s(8, 35),
                "W-09",
                "Cobalt",
                "cooling, kiln cellar",
                (Stage(3.5, 41, 55), Stage(9.6, 47, 80), Stage(4.5, 45, 30)),
                turns_back_s=_s(21, 41),
            ),
        ),
    ),
)

DUNLIN = (
    SetScript(  # a clock that is 90 s fast
        "S-041",
        on_s=_s(22, 30),
        off_s=_s(39),
        clock=SetClock(offset_s=90.0, drift_ppm=2.0, says_uptime=False),
        wears=(
            WearScript(
                _s(24, 30),
                "W-10",
                "Dunlin",
                "search, quay side loft",
                (Stage(3, 42), Stage(5.75, 50, 40), Stage(4.5, 46)),
                turns_back_s=_s(33, 15),
            ),
        ),
    ),
    SetScript(  # started with a cylinder that was not full
        "S-044",
        on_s=_s(22, 40),
        off_s=_s(39, 10),
        clock=SetClock(offset_s=-0.3),
        shows_minutes=True,
        wears=(
            WearScript(
                _s(24, 34),
                "W-11",
                "Dunlin",
                "search, quay side loft",
                (Stage(3, 40), Stage(5.7, 47, 45), Stage(4.6, 45)),
                cylinder=SMALL,
                start_bar=262.0,
                turns_back_s=_s(33, 16),
            ),
        ),
    ),
    SetScript(  # taken in place of the set that would not start; loses air unbreathed for 45 s
        "S-043",
        on_s=_s(23, 50),
        off_s=_s(37, 30),
        clock=SetClock(offset_s=0.12),
        wears=(
            WearScript(
                _s(24, 50),
                "W-12",
                "Dunlin",
                "search, quay side loft",
                (
                    Stage(3, 44),
                    Stage(4.2, 50, 40),
                    Stage(0.75, 60, 40, free_flow_l_min=230),
                    Stage(3.5, 55, 30),
                ),
                turns_back_s=_s(33, 10),
            ),
        ),
    ),
)

DESK_ENTRIES = (
    _note(_s(1, 10), "Entry control set up at the north gate; three teams, a fourth on the way"),
    _note(_s(5, 50), "Alder: objective reached, seat of the fire in the ground floor store", "S-012"),
    _note(_s(9, 40), "Bittern: objective reached, upper store", "S-021"),
    _note(_s(12, 5), "Cobalt: objective reached, kiln cellar, hot", "S-031"),
    _note(_s(13, 53), "Alder: W-01 turning back with W-03; W-02 stays at the branch", "S-011"),
    _note(_s(13, 57), "Alder: W-03 turning back", "S-013"),
    _seen(_s(15, 34), "S-021", "distress"),
    _note(_s(15, 50), "W-04 foot through the floor, W-05 with W-04, air all right", "S-021"),
    _seen(_s(17, 25), "S-032", "heat"),
    _note(_s(18, 32), "Cobalt: W-08 turning back after a burst of hot gas", "S-032"),
    _note(_s(18, 40), "W-04 free, turning back", "S-021"),
    _seen(_s(20), "S-022", "no_motion"),
    _note(_s(20, 22), "W-05 answers, had sat down beside the hatch, turning back", "S-022"),
    _note(_s(20, 27), "Bittern: W-06 turning back with W-05", "S-023"),
    _note(_s(21), "Told Alder W-02 to leave", "S-012"),
    _seen(_s(21, 35), "S-031", "heat"),
    _note(_s(21, 57), "Cobalt: W-07 turning back, heat alarm", "S-031"),
    _note(_s(21, 45), "Cobalt: W-09 turning back", "S-033"),
    _note(_s(23, 35), "S-042 would not start, W-12 takes S-043"),
    _note(_s(26, 20), "Alder: W-02 turning back", "S-012"),
    _seen(_s(29, 20), "S-012", "low_air"),
    _note(_s(28, 20), "Dunlin: objective reached, quay side loft", "S-041"),
    DeskEntry(
        _s(30),
        "note",
        {"text": "Stairs to the upper store gave way", "certainty": "estimated"},
        about_s=_s(15),
    ),
    _note(_s(33, 12), "Dunlin: W-12 turning back, mask was knocked off", "S-043"),
    _note(_s(33, 18), "Dunlin: W-10 turning back", "S-041"),
    _note(_s(33, 20), "Dunlin: W-11 turning back", "S-044"),
    _note(_s(41, 59), "Alder: turning back, fire out", "S-013"),
    _note(_s(42, 3), "Alder: turning back, fire out", "S-011"),
    _note(_s(47), "All out, roll call complete", certainty="recorded"),
)

SCRIPT = IncidentScript(
    service=SERVICE,
    desk_id=DESK,
    name=PLACES[1][0],
    place=PLACES[1][1],
    type="building fire",
    sets=ALDER + BITTERN + COBALT + DUNLIN,
    desk=DESK_ENTRIES,
    refused_starts=(RefusedStart("S-042", _s(23, 20), 0.06),),
    closes_s=_s(50),
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
        desk=tuple(entry for entry in DESK_ENTRIES if entry.fields.get("set_id") == only),
        refused_starts=(),
        closes_s=36 * 60.0,
    )
    return stage(script, seed, opened, incident_id(opened))


def incident_id(opened: datetime) -> str:
    """Return the incident's identity, from the service and the minute of its opening."""
    if opened.tzinfo is None:
        raise ValueError(f"opened must have a time zone (UTC), got {opened.isoformat()}")
    return f"TH-{opened:%Y%m%d-%H%M}"
