"""Findings on wears that show nothing: `python -m tests.benchmarks.false_findings [wears] [seed]`.

Ordinary wears: seven kinds of work, several cylinders, gauges with their errors, 1 and 0.1 bar steps,
readings every 1 or 5 s, ordinary loss and delay of the radio, clocks a little off, alarms raised by the set
itself and answered at once, out before the warning, surroundings up to 50 °C. Every finding on them is false,
or at least not what anybody planted; they are counted by rule, per 100 wears. The same wears with one planted
fault say how many of them are found (regression values: free-flow and stuck sensor 60 of 60 each).
"""

from __future__ import annotations

import sys
from datetime import UTC, datetime

import numpy as np

from analysis.air.gas import Cylinder
from analysis.incident import analyse
from analysis.profile import Profile
from ingest.contract.captures import Heard
from ingest.contract.frames import Messages, frames_from_heard
from sample_logs.simulation.radio import RadioPath, SetClock, Speaker, as_heard, carry
from sample_logs.simulation.set_alarms import SetAlarms, SimulatedThresholds
from sample_logs.simulation.set_life import seconds_still
from sample_logs.simulation.tasks import KINDS_OF_WORK, follow
from sample_logs.simulation.wear import simulate_wear

OPENED = datetime(2031, 5, 4, 9, 0, tzinfo=UTC)
CYLINDERS = (Cylinder(1, 6.0), Cylinder(1, 6.8), Cylinder(1, 6.8), Cylinder(1, 9.0), Cylinder(2, 6.8))
ANSWERED_AFTER_S = 8.0
FAULT_FROM_S, FREE_FLOW_S, STUCK_S = 300.0, 60.0, 300.0
PLANTED = {"free_flow": "free_flow", "stuck": "readings_stuck"}


def ordinary_wears(count: int, seed: int, fault: str = "") -> Messages:
    """Return what was heard of `count` ordinary wears, or with one fault, each of its own set and tallied."""
    desk = Speaker("trial", "desk", "D-01", 1, -100.0, SetClock(says_uptime=False), RadioPath(loss=0.0))
    desk.say(-60.0, "incident", {"incident_id": "I-1", "action": "open"})
    heard: list[Heard] = []
    last_s = 0.0
    for number in range(count):
        rng = np.random.default_rng((seed, number))
        speaker, started_s, ended_s = _ordinary(number, rng, fault)
        heard += as_heard(carry(speaker, OPENED, rng), OPENED)
        who = {
            "incident_id": "I-1",
            "set_id": speaker.name,
            "wearer_id": f"W-{number}",
            "team": f"T-{number // 2}",
        }
        desk.say(started_s + float(rng.uniform(5, 60)), "tally", {"action": "in", **who})
        desk.say(ended_s - float(rng.uniform(0, 30)), "tally", {"action": "out", **who})
        last_s = max(last_s, ended_s)
    desk.say(last_s + 300.0, "incident", {"incident_id": "I-1", "action": "close"})
    heard += as_heard(carry(desk, OPENED, np.random.default_rng(seed)), OPENED)
    return frames_from_heard(heard)


def _ordinary(number: int, rng: np.random.Generator, fault: str) -> tuple[Speaker, float, float]:
    outside_c = float(rng.normal(14.0, 8.0))
    around = follow(
        np.repeat([outside_c, float(rng.uniform(outside_c, 50.0)), outside_c], [150, 5000, 400]), 40.0
    )
    cylinder = CYLINDERS[int(rng.integers(len(CYLINDERS)))]
    flow_l_min = float(rng.uniform(200.0, 400.0)) if fault == "free_flow" else 0.0
    wear = simulate_wear(
        rng,
        KINDS_OF_WORK[number % len(KINDS_OF_WORK)],
        float(rng.uniform(10.0, 60.0)),
        extra_l_min=[(FAULT_FROM_S, FAULT_FROM_S + FREE_FLOW_S, flow_l_min)],
        cylinder=cylinder,
        start_bar=float(rng.uniform(284.0, 306.0)),
        start_temperature_c=outside_c,
        surroundings_c=around,
        until_bar=float(rng.uniform(66.0, 120.0)),
        reading_step_bar=float(rng.choice([1.0, 1.0, 0.1])),
        reading_interval_s=float(rng.choice([1.0, 1.0, 5.0])),
    )
    clock = SetClock(float(rng.normal(0.0, 3.0)), float(rng.normal(0.0, 15.0)), says_uptime=bool(number % 2))
    speaker = Speaker("trial", "set", f"S-{number:04d}", 1, 0.0, clock, RadioPath(loss=0.004))
    started_s = 60.0 + float(rng.uniform(0.0, 30.0))
    ended_s = started_s + float(wear.time_s[-1])
    speaker.say(1.0, "power", {"state": "on", "battery_fraction": 0.8, "lasts_another_wear": True})
    thresholds = SimulatedThresholds()
    setup = {
        "cylinders": {"count": cylinder.count, "water_volume_l": cylinder.water_volume_l, "rated_bar": 300.0}
    }
    setup |= {"low_air_bar": 55.0, "no_motion_prealarm_s": 20.0, "no_motion_alarm_s": 30.0}
    speaker.say(2.0, "setup", {**setup, "heat_start_c": thresholds.heat_start_c}, certain=True)
    for second in range(5, int(started_s) - 2):
        speaker.say(float(second), "pressure", {"pressure_bar": 0.0})
    shown_bar = wear.reading_bar
    if fault == "stuck":
        held = (wear.reading_time_s >= FAULT_FROM_S) & (wear.reading_time_s < FAULT_FROM_S + STUCK_S)
        shown_bar = np.where(held, shown_bar[int(np.argmax(held))], shown_bar)
    for at_s, bar in zip(wear.reading_time_s.tolist(), shown_bar.tolist(), strict=True):
        speaker.say(started_s + at_s, "pressure", {"pressure_bar": bar})
    still_s = seconds_still(wear.motion_m_s2)
    alarms = SetAlarms(thresholds, ANSWERED_AFTER_S)
    pressure = np.interp(wear.time_s, wear.reading_time_s, wear.reading_bar)
    for second, (moving, quiet_s, warm_c) in enumerate(
        zip(wear.motion_m_s2.tolist(), still_s.tolist(), wear.sensor_temperature_c.tolist(), strict=True)
    ):
        at_s = started_s + second
        speaker.say(at_s + 0.1, "motion", {"motion_m_s2": round(moving, 3), "still_s": quiet_s})
        if second % 5 == 0:
            speaker.say(at_s + 0.2, "temperature", {"temperature_c": warm_c})
        for event in alarms.step(at_s, float(pressure[second]), quiet_s, warm_c):
            speaker.say(
                event.true_s + 0.3, "alarm", {"alarm": event.alarm, "state": event.state}, certain=True
            )
    for ahead, part in enumerate((0.5, 0.1, 0.0, 0.0)):
        bar = float(round(part * wear.reading_bar[-1]))
        speaker.say(ended_s + 1.0 + ahead, "pressure", {"pressure_bar": bar})
    for event in alarms.close(ended_s + 3.0):
        speaker.say(event.true_s, "alarm", {"alarm": event.alarm, "state": event.state}, certain=True)
    speaker.say(ended_s + 20.0, "power", {"state": "off"})
    return speaker, started_s, ended_s


def count_findings(wears: int, seed: int) -> tuple[int, dict[tuple[str, str], int], list[str]]:
    """Return the wears found, findings by (severity, code), and their statements."""
    results = analyse(ordinary_wears(wears, seed), Profile.default())
    counts: dict[tuple[str, str], int] = {}
    for severity, code in results["findings"].select("severity", "code").iter_rows():
        counts[(severity, code)] = counts.get((severity, code), 0) + 1
    said = [
        f"{wear_id}: {text}"
        for wear_id, text in results["findings"].select("wear_id", "statement").iter_rows()
    ]
    return results["wears"].height, counts, said


def count_found(wears: int, seed: int, fault: str, code: str) -> int:
    """Return in how many of the wears the planted fault is found."""
    findings = analyse(ordinary_wears(wears, seed, fault), Profile.default())["findings"]
    return findings.filter(findings["code"] == code)["wear_id"].n_unique()


def main() -> None:
    """Print the counts."""
    wears = int(sys.argv[1]) if len(sys.argv) > 1 else 210
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 51_040_231
    found, counts, said = count_findings(wears, seed)
    print(f"{wears} ordinary wears simulated, {found} wears found")
    for (severity, code), number in sorted(counts.items(), key=lambda item: -item[1]):
        print(f"  {severity:8} {code:28} {number:4}   {100.0 * number / wears:6.2f} per 100 wears")
    print(f"  all {sum(counts.values())}, {100.0 * sum(counts.values()) / wears:.2f} per 100 wears")
    for sentence in said[:20]:
        print("   ", sentence)
    for fault, code in PLANTED.items():
        print(f"planted {fault}: found in {count_found(60, seed, fault, code)} of 60 wears")


if __name__ == "__main__":
    main()
