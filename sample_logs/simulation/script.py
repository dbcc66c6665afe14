"""What is to happen in an invented incident, as plain data: sets, wears, stages of work, desk entries.

All times are seconds from the moment at which the incident was opened. Nothing here is real: the service,
the place, the sets and the call words are invented, people have numbers only.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from analysis.air.gas import Cylinder
from sample_logs.simulation.radio import RadioPath, SetClock
from sample_logs.simulation.set_alarms import Distress, SimulatedThresholds

SINGLE = Cylinder(1, 6.8, 300.0)
SMALL = Cylinder(1, 6.0, 300.0)
TWIN = Cylinder(2, 6.8, 300.0)


@dataclass(frozen=True, slots=True)
class Stage:
    """A stretch of a wear.

    - `mean_l_min`: mean breathing rate aimed at, L/min of free air.
    - `surroundings_c`: air temperature around the wearer, degrees Celsius.
    - `still`: the wearer does not move at all.
    - `free_flow_l_min`: air that escapes unbreathed (a mask off the face, a valve stuck open), L/min of free
      air.
    - `warms_in_s`: time constant with which the surroundings become those of this stage.
    """

    minutes: float
    mean_l_min: float
    surroundings_c: float = 20.0
    still: bool = False
    free_flow_l_min: float = 0.0
    warms_in_s: float = 60.0


@dataclass(frozen=True, slots=True)
class WearScript:
    """One time under air: from the valve's opening at `opens_s` through its stages."""

    opens_s: float
    wearer_id: str
    team: str
    task: str
    stages: tuple[Stage, ...]
    cylinder: Cylinder = SINGLE
    start_bar: float = 300.0
    start_temperature_c: float = 17.0
    distress: Distress | None = None
    no_motion_acknowledged_after_s: float = 12.0
    turns_back_s: float | None = None
    tallied_in_after_s: float | None = 22.0  # None: nobody tallies this wearer in
    tallied_out_before_s: float | None = 14.0  # None: nobody tallies this wearer out

    @property
    def seconds(self) -> float:
        """How long it lasts."""
        return sum(stage.minutes for stage in self.stages) * 60.0


@dataclass(frozen=True, slots=True)
class SetScript:
    """One set from one power-up to its power-off, with the wears between."""

    set_id: str
    on_s: float
    off_s: float
    wears: tuple[WearScript, ...]
    choices: tuple[Cylinder, ...] = ()
    thresholds: SimulatedThresholds = field(default_factory=SimulatedThresholds)
    clock: SetClock = field(default_factory=SetClock)
    path: RadioPath = field(default_factory=RadioPath)
    boots_at_random: bool = False
    shows_minutes: bool = False
    reports_gas_temperature: bool = False
    battery_fraction: float = 0.9
    battery_type: str = "primary"
    cut_off: bool = False  # power fails at `off_s`: the set says nothing more, the valve stays open
    link_down_s: tuple[float, float] | None = None  # the gateway says down, and up again
    sent_twice_s: float | None = None  # a pressure reading at about this time arrives twice
    conflicting_s: float | None = None  # ... and here again with another pressure under the same identity


@dataclass(frozen=True, slots=True)
class RefusedStart:
    """A set that did not start because its charge was too low."""

    set_id: str
    at_s: float
    battery_fraction: float


@dataclass(frozen=True, slots=True)
class DeskEntry:
    """One thing that the desk publishes: kind and fields (without ``incident_id``, which is filled in)."""

    at_s: float
    kind: str
    fields: dict[str, str]
    about_s: float | None = None  # becomes `at` of a note


@dataclass(frozen=True, slots=True)
class IncidentScript:
    """All of an incident."""

    service: str
    desk_id: str
    name: str
    place: str
    type: str
    sets: tuple[SetScript, ...]
    desk: tuple[DeskEntry, ...]
    refused_starts: tuple[RefusedStart, ...] = ()
    closes_s: float | None = 3000.0
    desk_clock: SetClock = field(default_factory=lambda: SetClock(offset_s=0.21, says_uptime=False))
