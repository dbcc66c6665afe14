"""What really happened in a simulated incident: tests compare the analysis with it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from analysis.air.gas import Cylinder
from sample_logs.simulation.set_alarms import AlarmTruth
from sample_logs.simulation.set_life import LivedWear
from sample_logs.simulation.staging import PlayedSet, SimulatedIncident

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


def truth_of(incident: SimulatedIncident) -> IncidentTruth:
    """Return all that was planted in an incident."""
    closes_s, at = incident.script.closes_s, incident.at

    def identities(seqs_of: Callable[[PlayedSet], Iterable[int]]) -> tuple[str, ...]:
        return tuple(f"{one.script.set_id}/{one.boot}/{seq}" for one in incident.sets for seq in seqs_of(one))

    return IncidentTruth(
        incident_id=incident.incident_id,
        opened=incident.opened,
        closed=at(closes_s) if closes_s is not None else incident.heard[-1].received,
        wears=tuple(_true_wear(incident, one, wear) for one in incident.sets for wear in one.wears),
        clocks=tuple(
            TrueClock(
                one.script.set_id,
                one.boot,
                one.script.clock.offset_s,
                one.script.clock.drift_ppm,
                tuple((at(step_s), jump_s) for step_s, jump_s in one.script.clock.steps),
            )
            for one in incident.sets
        ),
        gaps=tuple(
            TrueGap(one.set_id, at(silence.started_s), at(silence.ended_s), silence.kept)
            for one in incident.script.sets
            for silence in one.path.silences
        ),
        refused_starts=tuple(one.set_id for one in incident.script.refused_starts),
        duplicates=identities(lambda one: [*(seq for seq, _ in one.carried.repeats), *one.sent_twice]),
        conflicts=identities(lambda one: one.conflicting),
        lost=identities(lambda one: one.carried.lost.tolist()),
    )


def _true_wear(incident: SimulatedIncident, played: PlayedSet, lived: LivedWear) -> TrueWear:
    script, wear, at = played.script, lived.script, incident.at
    low = np.flatnonzero(lived.truth.pressure_bar <= script.thresholds.low_air_bar)
    return TrueWear(
        set_id=script.set_id,
        boot=played.boot,
        number=lived.number,
        wearer_id=wear.wearer_id,
        team=wear.team,
        cylinder=wear.cylinder,
        low_air_bar=script.thresholds.low_air_bar,
        started=at(lived.started_s),
        ended=at(lived.ended_s),
        free_air_left_l=lived.truth.free_air_left_l,
        rate_l_min=lived.truth.rate_l_min,
        pressure_bar=lived.truth.pressure_bar,
        gas_temperature_c=lived.truth.gas_temperature_c,
        surroundings_c=lived.truth.surroundings_c,
        turned_back=None if wear.turns_back_s is None else at(wear.turns_back_s),
        low_air_at=at(lived.started_s + int(low[0])) if low.size else None,
        alarms=tuple(_true_alarm(incident, script.set_id, alarm) for alarm in lived.alarms),
    )


def _true_alarm(incident: SimulatedIncident, set_id: str, alarm: AlarmTruth) -> TrueAlarm:
    seen = [
        entry.at_s
        for entry in incident.script.desk
        if entry.kind == "seen"
        and (entry.fields["set_id"], entry.fields["alarm"]) == (set_id, alarm.alarm)
        and alarm.raised_s <= entry.at_s
        and (alarm.cleared_s is None or entry.at_s <= alarm.cleared_s)
    ]
    return TrueAlarm(
        alarm.alarm,
        incident.at(alarm.raised_s),
        None if alarm.acknowledged_s is None else incident.at(alarm.acknowledged_s),
        None if alarm.cleared_s is None else incident.at(alarm.cleared_s),
        incident.at(seen[0]) if seen else None,
        alarm.detail,
    )
