"""What really happened in a simulated incident: tests compare the analysis with it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from analysis.air.gas import Cylinder

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TrueAlarm:
    """One alarm: when it was raised, acknowledged and cleared at the set, and seen by the desk (UTC)."""

    alarm: str
    raised: datetime
    acknowledged: datetime | None
    cleared: datetime | None
    seen: datetime | None
    detail: str | None


@dataclass(frozen=True, slots=True)
class TrueWear:
    """One wear as it was; arrays on a 1 s grid from `started`.

    ``started`` and ``ended`` are the true moments of the first reading at full pressure and of the last
    before the valve was closed.
    """

    set_id: str
    boot: int
    number: int
    wearer_id: str
    team: str
    cylinder: Cylinder
    low_air_bar: float
    started: datetime
    ended: datetime
    free_air_left_l: Floats
    rate_l_min: Floats
    pressure_bar: Floats
    gas_temperature_c: Floats
    surroundings_c: Floats
    turned_back: datetime | None
    low_air_at: datetime | None
    alarms: tuple[TrueAlarm, ...]

    @property
    def wear_id(self) -> str:
        """The identity that the results use: set/boot/number."""
        return f"{self.set_id}/{self.boot}/{self.number}"

    @property
    def free_air_l(self) -> float:
        """Free air used, litres at 1.01325 bar and 20 °C."""
        return float(self.free_air_left_l[0] - self.free_air_left_l[-1])

    @property
    def start_bar(self) -> float:
        """True pressure at the start, bar gauge."""
        return float(self.pressure_bar[0])

    @property
    def end_bar(self) -> float:
        """True pressure at the end, bar gauge."""
        return float(self.pressure_bar[-1])


@dataclass(frozen=True, slots=True)
class TrueGap:
    """A planned silence between two moments; `kept`: what was said then arrived afterwards."""

    set_id: str
    started: datetime
    ended: datetime
    kept: bool


@dataclass(frozen=True, slots=True)
class TrueClock:
    """How a set's clock ran: set minus listener at power-up (s), drift (ppm), steps as (moment, seconds)."""

    set_id: str
    boot: int
    offset_s: float
    drift_ppm: float
    steps: tuple[tuple[datetime, float], ...]


@dataclass(frozen=True, slots=True)
class IncidentTruth:
    """All that was planted."""

    incident_id: str
    opened: datetime
    closed: datetime
    wears: tuple[TrueWear, ...]
    clocks: tuple[TrueClock, ...]
    gaps: tuple[TrueGap, ...]
    refused_starts: tuple[str, ...]
    duplicates: tuple[str, ...]
    conflicts: tuple[str, ...]
    lost: tuple[str, ...]

    def wear(self, set_id: str, number: int = 1) -> TrueWear:
        """Return the wear of a set by its number."""
        return next(wear for wear in self.wears if (wear.set_id, wear.number) == (set_id, number))
