"""Random incidents: restarts, silences, late delivery, drop-outs, wrong tallies, two incidents at once."""

from __future__ import annotations

import numpy as np

from ingest.contract.captures import Heard
from tests.analysis.conftest import Talker, WrittenLog

LASTS_S = 1500


def random_incident(seed: int, *, leaks: bool = False) -> list[Heard]:
    """Return what a listener heard of three to five wearers in one or two incidents, in order of receipt.

    `leaks`: every other wearer loses air at some moment, for a while or until nothing is left.
    """
    leaking = np.random.default_rng(seed + 10_000)
    chance = np.random.default_rng(seed)
    log = WrittenLog()
    desks = [log.desk("D-1"), log.desk("D-2")]
    incidents = ["I-1", "I-2"] if chance.random() < 0.5 else ["I-1"]
    for incident_id in incidents:
        desks[0].say(1, "incident", incident_id=incident_id, action="open")
    count = int(chance.integers(3, 6))
    for number in range(count):
        leak = (0.0, 0.0, 0.0)
        if leaks and leaking.random() < 0.5:
            leak = (
                float(leaking.uniform(150, LASTS_S - 200)),
                float(leaking.uniform(0.7, 3.0)),
                float(leaking.choice([25.0, 60.0, LASTS_S])),
            )
        _wearer(log, desks, str(chance.choice(incidents)), number, chance, leak)
    if chance.random() < 0.3:
        desks[0].say(LASTS_S - 5, "incident", incident_id="I-1", action="close")
    return [heard for _, heard in log.heard()]


def _wearer(
    log: WrittenLog,
    desks: list[Talker],
    incident_id: str,
    number: int,
    chance: np.random.Generator,
    leak: tuple[float, float, float],
) -> None:
    desk = desks[int(chance.integers(2))]
    who = {
        "incident_id": incident_id,
        "wearer_id": f"W-{number}",
        "set_id": f"S-{number}",
        "team": f"T-{number // 2}",
    }
    in_s = float(chance.uniform(10, 120))
    if chance.random() < 0.2 and number:  # on somebody else's set first
        wrong_s, wrong_seq = in_s - 5, None
        desk.say(wrong_s, "tally", action="in", **(who | {"set_id": f"S-{number - 1}"}))
        del wrong_seq
    if chance.random() < 0.9:
        desk.say(in_s, "tally", action="in", **who)
    start_bar = float(chance.integers(240, 305))
    bar_s = float(chance.uniform(0.05, 0.25))
    stored = (float(chance.uniform(200, 900)), float(chance.uniform(20, 90)))
    late = chance.random() < 0.4

    def delay(true_s: float) -> float:
        if late and stored[0] <= true_s < sum(stored):
            return sum(stored) - true_s + 0.2
        return 0.04 + 0.01 * (round(true_s * 7) % 5)

    off_s = float(chance.choice([0.0, 0.0, 90.0, -3600.0]))
    at_s, bar, boot = in_s + float(chance.uniform(5, 60)), start_bar, 1
    silent = (float(chance.uniform(300, 1200)), float(chance.uniform(30, 200)))
    while at_s < LASTS_S - 60:
        talker = log.talker(f"S-{number}", boot, clock=lambda true_s: true_s + off_s, delay=delay)
        talker.set_up(at_s - 4)
        until_s = min(at_s + float(chance.uniform(200, 900)), LASTS_S)
        bar = _breathe(talker, at_s, until_s, bar, bar_s, silent, leak, opens=boot == 1, chance=chance)
        if bar < 8:
            break
        how = chance.random()
        if how < 0.4:  # restarted inside
            at_s, boot = until_s + float(chance.uniform(5, 40)), boot + 1
        elif how < 0.6:  # another cylinder
            for ahead, rest in enumerate((0.4 * bar, 0.0, 0.0)):
                talker.say(until_s + ahead, "pressure", pressure_bar=float(int(rest)))
            at_s, bar, boot = until_s + 90, float(chance.integers(240, 305)), boot + 1
        else:
            for ahead, rest in enumerate((0.4 * bar, 0.0, 0.0)):
                talker.say(until_s + ahead, "pressure", pressure_bar=float(int(rest)))
            talker.say(until_s + 4, "power", state="off")
            break
    if chance.random() < 0.6:
        desk.say(min(at_s + 1000, LASTS_S), "tally", action="out", **who)


def _breathe(
    talker: Talker,
    from_s: float,
    until_s: float,
    bar: float,
    bar_s: float,
    silent: tuple[float, float],
    leak: tuple[float, float, float],
    *,
    opens: bool,
    chance: np.random.Generator,
) -> float:
    def left_bar(at_s: float) -> float:
        began_s, leak_bar_s, lasts_s = leak
        leaking_s = min(max(at_s - max(began_s, from_s), 0.0), max(began_s + lasts_s - from_s, 0.0), lasts_s)
        return bar - bar_s * (at_s - from_s) - leak_bar_s * leaking_s

    if opens:
        for back, part in ((3, 0.0), (2, 0.3), (1, 0.9)):
            talker.say(from_s - back, "pressure", pressure_bar=float(int(part * bar)))
    alarm_s = float(chance.uniform(from_s, until_s)) if chance.random() < 0.3 else None
    drop_s = float(chance.uniform(from_s, until_s)) if chance.random() < 0.2 else None
    for second in np.arange(from_s, until_s, 2.0).tolist():
        lost = silent[0] <= second < sum(silent) or chance.random() < 0.01
        reading = left_bar(second)
        if reading < 0:
            return 0.0
        if drop_s is not None and 0 <= second - drop_s < 6:
            reading = min(reading, 21.0)
        talker.say(second, "pressure", pressure_bar=float(int(reading + 0.5)), lost=lost)
        if round(second / 2) % 3 == 0:
            talker.say(second + 0.3, "motion", motion_m_s2=1.0, still_s=0.0, lost=lost)
    if alarm_s is not None:
        talker.say(alarm_s, "alarm", alarm="distress", state="raised")
        if chance.random() < 0.4:
            talker.say(alarm_s + 30, "alarm", alarm="distress", state="cleared")
    return max(left_bar(until_s), 0.0)
