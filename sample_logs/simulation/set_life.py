"""One simulated set from power-up to power-off: what it reads, what it says, and the truth behind it."""

from __future__ import annotations

from dataclasses import asdict, dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.air.gas import Cylinder
from sample_logs.simulation.radio import SimulatedWord, Speaker
from sample_logs.simulation.script import SetScript, WearScript
from sample_logs.simulation.set_alarms import AlarmEvent, AlarmTruth, SetAlarms
from sample_logs.simulation.tasks import follow, wander
from sample_logs.simulation.wear import HEAT_SENSOR_LAG_S, Hardware, SimulatedWear, simulate_wear

Floats = NDArray[np.float64]

TEMPERATURE_EVERY_S = 5
POWER_EVERY_S = 60
MINUTES_FROM_LAST_S = 60  # the set's own forecast looks at its last minute, as a plain set would
VALVE_OPENS_THROUGH = (0.34, 0.86)  # of the pressure, in the seconds before it is fully up
VALVE_CLOSES_THROUGH = (0.45, 0.08)
BATTERY_FALLS_PER_HOUR = 0.06
# Our own rules, chosen to look like work: breathing follows effort in half a minute, and wanders.
EFFORT_FOLLOWS_S = 25.0
WANDER_S = 90.0
WANDER_SPREAD = 0.22
MOVES_ABOVE_M_S2 = 0.25


@dataclass(frozen=True, slots=True)
class LivedWear:
    """A wear as it went; the truth's time 0 is `started_s` (true seconds from the opening)."""

    script: WearScript
    number: int
    started_s: float
    ended_s: float
    truth: SimulatedWear
    alarms: tuple[AlarmTruth, ...]


@dataclass(slots=True)
class _Readings:
    """What the set's sensors show on a 1 s grid from power-up."""

    pressure_bar: Floats
    gas_temperature_c: Floats
    motion_m_s2: Floats
    still_s: Floats
    temperature_c: Floats
    under_air: NDArray[np.bool_]


def live(
    script: SetScript, service: str, boot: int, rng: np.random.Generator
) -> tuple[Speaker, list[LivedWear]]:
    """Let one set live through its script.

    Returns:

    - Speaker: the set with all that it says.
    - list of LivedWear: the truth of each wear, in order.
    """
    phase_s = float(rng.uniform(0.02, 0.55))
    on_s = script.on_s + phase_s
    speaker = Speaker(service, "set", script.set_id, boot, on_s - 1.0, script.clock, script.path)
    seconds = int(script.off_s - script.on_s) + 1
    readings = _at_rest(seconds, rng)
    hardware = maintained_hardware(rng)
    wears: list[LivedWear] = []
    events: list[AlarmEvent] = []
    for number, wear in enumerate(script.wears, start=1):
        first = round(wear.opens_s - script.on_s)
        lived, alarm_events = _wear(script, wear, number, on_s + first, readings, first, hardware, rng)
        wears.append(lived)
        events.extend(alarm_events)
    _say_status(speaker, script, on_s, seconds)
    _say_readings(speaker, script, on_s, readings)
    for event in events:
        fields = {"alarm": event.alarm, "state": event.state}
        if event.detail is not None:
            fields["detail"] = event.detail
        speaker.say(event.true_s + 0.33, "alarm", fields, certain=True)
    return speaker, wears


def maintained_hardware(rng: np.random.Generator) -> Hardware:
    """Return the hidden properties of a well-kept set.

    Smaller spreads than `wear.draw_hardware`: a sample incident shows what a service sees on a good day; the
    worse gauges are for the accuracy tests over many wears. The spreads are assumptions, not sourced.
    """
    return Hardware(
        gauge_gain=float(rng.normal(1.0, 0.002)),
        gauge_offset_bar=float(rng.normal(0.0, 0.4)),
        gauge_late_s=float(rng.uniform(0.0, 2.0)),
        volume_factor=float(rng.normal(1.0, 0.002)),
        growth=float(rng.normal(0.0075, 0.001)),
        gas_to_wall_w_k=float(rng.lognormal(np.log(22.0), 0.1)),
        wall_to_surroundings_w_k=float(rng.lognormal(np.log(3.0), 0.1)),
        wall_j_k=float(rng.lognormal(np.log(3600.0), 0.1)),
    )


def _at_rest(seconds: int, rng: np.random.Generator) -> _Readings:
    motion = np.abs(rng.normal(0.6, 0.35, seconds))
    return _Readings(
        pressure_bar=np.zeros(seconds),
        gas_temperature_c=np.full(seconds, 17.0),
        motion_m_s2=motion,
        still_s=seconds_still(motion),
        temperature_c=17.0 + np.round(rng.normal(0.0, 0.2, seconds), 1),
        under_air=np.zeros(seconds, dtype=bool),
    )


def _wear(
    script: SetScript,
    wear: WearScript,
    number: int,
    started_s: float,
    readings: _Readings,
    first: int,
    hardware: Hardware,
    rng: np.random.Generator,
) -> tuple[LivedWear, list[AlarmEvent]]:
    work = scripted_work(wear, rng)
    truth = simulate_wear(
        rng,
        rate_l_min=work.rate_l_min + work.escaping_l_min,
        cylinder=wear.cylinder,
        start_bar=wear.start_bar,
        start_temperature_c=wear.start_temperature_c,
        surroundings_c=work.surroundings_c,
        hardware=hardware,
    )
    count = truth.time_s.size
    reading_bar = truth.reading_bar
    sensor_c = truth.sensor_temperature_c

    last = first + count
    readings.pressure_bar[first:last] = reading_bar
    for back, share in enumerate(reversed(VALVE_OPENS_THROUGH), start=1):
        readings.pressure_bar[first - back] = np.floor(share * reading_bar[0])
    if not script.cut_off:
        for ahead, share in enumerate(VALVE_CLOSES_THROUGH):
            readings.pressure_bar[last + ahead] = np.floor(share * reading_bar[-1])
    readings.gas_temperature_c[first:last] = truth.reading_gas_temperature_c
    readings.motion_m_s2[first:last] = work.motion_m_s2[:count]
    readings.still_s[first:last] = work.still_s[:count]
    readings.temperature_c[first:last] = sensor_c
    readings.under_air[first:last] = True
    # Back outside the sensor cools as slowly as it warmed.
    excess_c = sensor_c[-1] - readings.temperature_c[last:]
    cooling = np.exp(-np.arange(1.0, excess_c.size + 1.0) / HEAT_SENSOR_LAG_S)
    readings.temperature_c[last:] += excess_c * cooling

    alarms = SetAlarms(script.thresholds, wear.no_motion_acknowledged_after_s, wear.distress)
    events: list[AlarmEvent] = []
    columns = zip(reading_bar.tolist(), work.still_s[:count].tolist(), sensor_c.tolist(), strict=True)
    for second, (bar, still_s, temperature_c) in enumerate(columns):
        events.extend(alarms.step(started_s + second, bar, still_s, temperature_c))
    if not script.cut_off:
        events.extend(alarms.close(started_s + count + 1))
    lived = LivedWear(
        wear,
        number,
        started_s,
        started_s + count - 1,
        truth,
        tuple(alarms.history),
    )
    return lived, events


def _say_status(speaker: Speaker, script: SetScript, on_s: float, seconds: int) -> None:
    def power(at_s: float, state: str) -> None:
        charge = script.battery_fraction - BATTERY_FALLS_PER_HOUR * (at_s - on_s) / 3600.0
        fields = {
            "state": state,
            "battery_fraction": round(charge, 3),
            "battery_type": script.battery_type,
            "lasts_another_wear": charge > 0.25,
        }
        speaker.say(at_s, "power", fields, certain=True)

    power(on_s - 0.9, "on")
    worn = script.wears[0].cylinder if script.wears else Cylinder()
    setup: dict[str, object] = {"cylinders": asdict(worn)}
    if script.choices:
        setup["choices"] = [asdict(choice) for choice in script.choices]
        setup["chosen"] = script.choices.index(worn)
    setup |= asdict(script.thresholds)
    speaker.say(on_s - 0.8, "setup", setup, retained=True, certain=True)
    speaker.say(on_s - 0.7, "link", {"state": "up", "rssi_dbm": -61}, retained=True, certain=True)
    for second in range(POWER_EVERY_S, seconds - 1, POWER_EVERY_S):
        power(on_s + second + 0.21, "on")
    if not script.cut_off:
        power(on_s + seconds + 0.1, "off")


def _say_readings(speaker: Speaker, script: SetScript, on_s: float, readings: _Readings) -> None:
    # Written as text at once: a JSON encoder would take longer than all the rest.
    say = speaker.said.append
    shown = _shown_minutes(script, readings) if script.shows_minutes else None
    rows = zip(
        readings.pressure_bar.tolist(),
        readings.gas_temperature_c.tolist(),
        readings.motion_m_s2.tolist(),
        readings.still_s.tolist(),
        readings.temperature_c.tolist(),
        strict=True,
    )
    for second, (bar, gas_c, motion, still_s, temperature_c) in enumerate(rows):
        at_s = on_s + second
        text = f'"pressure_bar":{bar:g}'
        if script.reports_gas_temperature:
            text += f',"gas_temperature_c":{gas_c:.1f}'
        if shown is not None and shown[second] >= 0:
            text += f',"shown_low_air_min":{shown[second]}'
        say(SimulatedWord(at_s, "pressure", text))
        say(SimulatedWord(at_s + 0.11, "motion", f'"motion_m_s2":{motion:.2f},"still_s":{still_s:g}'))
        if second % TEMPERATURE_EVERY_S == 0:
            say(SimulatedWord(at_s + 0.17, "temperature", f'"temperature_c":{temperature_c:.1f}'))


def _shown_minutes(script: SetScript, readings: _Readings) -> list[int]:
    """Minutes to the low-air warning as a plain set shows them, from its last minute; -1: none."""
    shown: list[int] = []
    bars, under_air = readings.pressure_bar.tolist(), readings.under_air.tolist()
    for second, bar in enumerate(bars):
        before = second - MINUTES_FROM_LAST_S
        if before < 0 or not (under_air[second] and under_air[before]) or bars[before] <= bar:
            shown.append(-1)
        else:
            shown.append(min(int(max(bar - script.thresholds.low_air_bar, 0.0) / (bars[before] - bar)), 99))
    return shown


@dataclass(frozen=True, slots=True)
class ScriptedWork:
    """On a 1 s grid: breathing, escaping air, movement, time since it, air temperature around."""

    rate_l_min: Floats
    escaping_l_min: Floats
    motion_m_s2: Floats
    still_s: Floats
    surroundings_c: Floats


def scripted_work(wear: WearScript, rng: np.random.Generator) -> ScriptedWork:
    """Return the work of one wear; the arrays have one value more than the wear has seconds."""
    seconds = round(wear.seconds) + 1
    asked, around, escaping, warms_in_s = (np.empty(seconds) for _ in range(4))
    still = np.zeros(seconds, dtype=bool)
    at = 0
    for stage in wear.stages:
        until = at + round(stage.minutes * 60.0)
        asked[at : until + 1] = stage.mean_l_min
        around[at : until + 1] = stage.surroundings_c
        escaping[at : until + 1] = stage.free_flow_l_min
        warms_in_s[at : until + 1] = stage.warms_in_s
        still[at:until] = stage.still
        at = until
    effort = follow(asked, EFFORT_FOLLOWS_S)
    # Scaled to mean 1, so that a script runs the same course with every seed.
    variation = np.exp(wander(rng, seconds, WANDER_S, WANDER_SPREAD) - WANDER_SPREAD**2 / 2.0)
    breathed = np.maximum(effort * variation / variation.mean(), 5.0)
    motion = (0.5 + breathed / 40.0) * np.exp(rng.normal(-0.08, 0.4, seconds))
    motion[still] = rng.uniform(0.02, 0.08, int(still.sum()))
    heat = _surroundings(wear.start_temperature_c, around, warms_in_s)
    heat = heat + (wander(rng, seconds, 30.0, 0.02) - 0.02**2 / 2.0) * (heat - heat[0])
    return ScriptedWork(breathed, escaping, np.maximum(motion, 0.02), seconds_still(motion), heat)


def _surroundings(outside_c: float, around_c: Floats, warms_in_s: Floats) -> Floats:
    """Return the air temperature around a wearer who comes from outside, each stage with its own lag."""
    value, out = outside_c, np.empty_like(around_c)
    for index, (wanted_c, lag_s) in enumerate(zip(around_c.tolist(), warms_in_s.tolist(), strict=True)):
        value += (wanted_c - value) * (1.0 - np.exp(-1.0 / lag_s))
        out[index] = value
    return out


def seconds_still(motion_m_s2: Floats) -> Floats:
    """Return the seconds since the last movement above the set's own limit."""
    indices = np.arange(motion_m_s2.size)
    last_moved = np.maximum.accumulate(np.where(motion_m_s2 >= MOVES_ABOVE_M_S2, indices, -1))
    return (indices - np.maximum(last_moved, 0)).astype(np.float64)
