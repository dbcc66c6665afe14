"""Small scenes that lead to findings, or just do not: what `test_findings_word_for_word.py` analyses."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from typing import Any

from ingest.contract.captures import Heard
from tests.analysis.conftest import WrittenLog
from tests.analysis.test_findings import ordinary

STUCK_S = (95, 96, 97, 98)  # where it begins to count, to the second
WHO = {"incident_id": "I-1", "set_id": "S-1", "wearer_id": "W-1", "team": "Larch"}


def worn(log: WrittenLog, **options: Any) -> Any:
    """A set under air from 60 s on, not tallied, always moving."""
    talker = log.talker("S-1")
    talker.set_up(-1)
    talker.breathe(60, options.pop("seconds", 900), **options)
    return talker


def begun_after_losing(messages: int) -> Callable[[WrittenLog], None]:
    """A wear with 150 bar at its first reading, before which so many messages were lost."""

    def scene(log: WrittenLog) -> None:
        worn(log, start_bar=150.0, opens=False).first_seq = messages

    return scene


def alarm(talker: Any, name: str, *said: tuple[float, str]) -> None:
    for true_s, state in said:
        talker.say(true_s, "alarm", alarm=name, state=state)


def changed(talker: Any, kind: str, change: Callable[[float, dict[str, Any]], dict[str, Any]]) -> None:
    """Change the fields of one kind of message."""
    talker.said = [
        (at, each, lost, retained, fields | change(at, fields) if each == kind else fields)
        for at, each, lost, retained, fields in talker.said
    ]


def silence(seconds: float) -> Callable[[WrittenLog], None]:
    return lambda log: ordinary(log, silent=(600.0, 600.0 + seconds)) and None


def low_air_reported(at_s: float, **options: Any) -> Callable[[WrittenLog], None]:
    return lambda log: alarm(worn(log, **options), "low_air", (at_s, "raised"))


def all_refused(log: WrittenLog) -> None:
    talker, desk = log.talker("S-1"), log.desk()
    for second in range(60, 300):
        talker.say(second, "pressure", pressure_bar="much")
    desk.say(50, "tally", action="in", **WHO)
    desk.say(310, "tally", action="out", **WHO)


def alarm_kept_by_the_broker(log: WrittenLog) -> None:
    worn(log).say(300.5, "alarm", retained=True, alarm="distress", state="raised")


def alarm_of_long_detail(log: WrittenLog) -> None:
    worn(log).say(300.5, "alarm", alarm="distress", state="raised", detail="x" * 201)


def tally_of_bad_team(log: WrittenLog) -> None:
    worn(log)
    log.desk().say(50, "tally", action="in", **(WHO | {"team": "Red Team"}))


def warned_late(log: WrittenLog) -> None:
    alarm(worn(log, start_bar=120.0), "low_air", (920, "raised"), (930, "cleared"))


def never_moves(name: str, at_s: float) -> Callable[[WrittenLog], None]:
    return lambda log: alarm(worn(log), name, (at_s, "raised"), (at_s + 5, "cleared"))


def answered(after_s: float, state: str) -> Callable[[WrittenLog], None]:
    return lambda log: alarm(worn(log), "distress", (300, "raised"), (300 + after_s, state))


def heard_late_and_answered_late(log: WrittenLog) -> None:
    talker = worn(log)
    talker.delay = lambda at: 20.0 if 299 < at < 302 else 0.05
    alarm(talker, "no_motion", (300, "raised"), (400, "acknowledged"))


def heard_after(late_s: float) -> Callable[[WrittenLog], None]:
    def scene(log: WrittenLog) -> None:
        talker = worn(log)
        talker.delay = lambda at: late_s if 299.5 < at < 300.5 else 0.0
        alarm(talker, "distress", (300.3, "raised"), (400, "acknowledged"))

    return scene


def flooded(log: WrittenLog) -> None:
    talker = worn(log)
    for number in range(12):
        alarm(talker, "fault", (300 + 7 * number, "raised"), (303 + 7 * number, "cleared"))


def raise_lost(log: WrittenLog) -> None:
    talker = worn(log)
    talker.say(300, "alarm", alarm="distress", state="raised", lost=True)
    alarm(talker, "distress", (320, "acknowledged"))


def clear_lost(log: WrittenLog) -> None:
    talker = worn(log)
    alarm(talker, "distress", (300, "raised"), (305, "acknowledged"), (360, "raised"), (370, "acknowledged"))
    talker.say(330, "alarm", alarm="distress", state="cleared", lost=True)


def lost_near(log: WrittenLog) -> None:
    worn(log, start_bar=120.0, silent=(770.0, 772.0))


def still_without_alarm(log: WrittenLog) -> None:
    worn(log, motion=lambda t: 0.05 if 400 < t <= 455 else 1.2)


def hot_without_alarm(log: WrittenLog) -> None:
    worn(log, temperature=lambda t: 160.0 if 500 <= t < 560 else 30.0)


def heat_alarm_in_the_cold(log: WrittenLog) -> None:
    alarm(worn(log), "heat", (500.0, "raised"), (520.0, "cleared"))


def battery_at_start(**fields: Any) -> Callable[[WrittenLog], None]:
    def scene(log: WrittenLog) -> None:
        ordinary(log).say(-20, "power", state="on", **fields)

    return scene


def restarted(log: WrittenLog) -> None:
    first = log.talker("S-1", 1)
    first.set_up(0)
    first.breathe(60, 300, start_bar=290.37, closes=False)  # 264 bar, then 263
    second = log.talker("S-1", 2)
    second.set_up(370)
    second.breathe(375, 300, start_bar=259.55, opens=False)  # 260 bar, then 259


def second_cylinder(from_s: float, start_bar: float = 295.0) -> Callable[[WrittenLog], None]:
    def scene(log: WrittenLog) -> None:
        talker = log.talker("S-1")
        talker.set_up(0)
        talker.breathe(60, 300, start_bar=120.0)
        talker.breathe(from_s, 300, start_bar=start_bar)
        log.desk().say(50, "tally", action="in", **WHO)

    return scene


def dropped_out(bar: float) -> Callable[[WrittenLog], None]:
    def scene(log: WrittenLog) -> None:
        talker = log.talker("S-1")
        talker.set_up(-1)
        talker.breathe(60, 1510, start_bar=280.0, bar_s=0.1, closes=False)
        talker.say(1597, "pressure", pressure_bar=bar)
        talker.breathe(1624, 300, start_bar=126.0, bar_s=0.1, opens=False)

    return scene


def offset(bar: float) -> Callable[[WrittenLog], None]:
    def scene(log: WrittenLog) -> None:
        talker = log.talker("S-1")
        talker.set_up(-1)
        for second in range(10):
            talker.say(40 + second, "pressure", pressure_bar=max(bar, 0.0))
        last = talker.breathe(60, 2700, start_bar=300.0 + bar, bar_s=0.1, opens=False, closes=False)
        alarm(talker, "low_air", (60 + 245 / 0.1, "raised"))
        for second in range(10):
            talker.say(last + 1 + second, "pressure", pressure_bar=max(bar, 0.0))

    return scene


def offset_without(closed: str, warning: bool) -> Callable[[WrittenLog], None]:
    """The full cylinder reads 312 bar; the valve is read closed `after` the wear, or at neither end."""

    def scene(log: WrittenLog) -> None:
        talker = log.talker("S-1")
        talker.set_up(-1)
        last = talker.breathe(60, 2700, start_bar=312.0, bar_s=0.1, opens=False, closes=False)
        if warning:
            alarm(talker, "low_air", (2510, "raised"))
        for second in range(5 if closed == "after" else 0):
            talker.say(last + 1 + second, "pressure", pressure_bar=12.0)

    return scene


def boot_again(log: WrittenLog) -> None:
    for from_s in (0.0, 86400.0):
        talker, desk = log.talker("S-1"), log.talker("D-1", role="desk")
        talker.say(from_s, "power", state="on", battery_fraction=0.9)
        talker.set_up(from_s + 1)
        talker.breathe(from_s + 60, 300)
        talker.say(from_s + 380, "power", state="off", battery_fraction=0.8)
        desk.say(from_s + 50, "tally", action="in", **WHO)
        desk.say(from_s + 370, "tally", action="out", **WHO)
        desk.say(from_s + 390, "note", incident_id="I-1", text="rest")


def stuck_for(seconds: int, from_s: int = 660) -> Callable[[WrittenLog], None]:
    """The gauge stays for so long; then it falls at once to where it would have been."""

    def scene(log: WrittenLog) -> None:
        talker = ordinary(log)
        level = next(
            f["pressure_bar"] for at, kind, _, _, f in talker.said if (at, kind) == (from_s, "pressure")
        )
        talker.said = [
            (at, kind, lost, retained, fields | {"pressure_bar": level})
            if kind == "pressure" and from_s <= at < from_s + seconds
            else (at, kind, lost, retained, fields)
            for at, kind, lost, retained, fields in talker.said
        ]

    return scene


def short_rest(log: WrittenLog) -> None:
    desk = log.desk()
    for number, start_s in enumerate((60, 840, 1680), 1):
        talker = log.talker(f"S-{number}")
        talker.set_up(start_s - 40)
        talker.breathe(start_s, 600)
        who = WHO | {"set_id": f"S-{number}"}
        desk.say(start_s + 5, "tally", action="in", **who)
        desk.say(start_s + 605, "tally", action="out", **who)


def tallied(*said: tuple[float, str, str, str]) -> Callable[[WrittenLog], None]:
    """One set under air from 100 to 700 s; the desk says (true seconds, action, wearer, set)."""

    def scene(log: WrittenLog) -> None:
        talker = log.talker("S-1")
        talker.set_up(0)
        talker.breathe(100, 600)
        talker.say(5000, "power", state="off", battery_fraction=0.9)
        desk = log.desk()
        for true_s, action, wearer, set_id in said:
            if action == "close":
                desk.say(true_s, "incident", incident_id="I-1", action="close")
            else:
                desk.say(true_s, "tally", action=action, **(WHO | {"wearer_id": wearer, "set_id": set_id}))

    return scene


def corrected(log: WrittenLog) -> None:
    for set_id in ("S-5", "S-6"):
        talker = log.talker(set_id)
        talker.set_up(-1)
        talker.breathe(60, 900)
    desk = log.desk()
    desk.say(50, "tally", action="in", **(WHO | {"set_id": "S-6"}))
    right = {"set_id": "S-5", "corrects": {"desk_id": "D-1", "boot": 1, "seq": 0}}
    desk.say(412, "tally", action="in", **(WHO | right))
    desk.say(1000, "tally", action="out", **(WHO | {"set_id": "S-5"}))


def end_silent_from(from_s: float) -> Callable[[WrittenLog], None]:
    """The last reading is the first one of its bar."""

    def scene(log: WrittenLog) -> None:
        worn(log, silent=(from_s, 960.0), closes=False).say(960, "pressure", pressure_bar=0.0)

    return scene


def witnesses_apart(bar: float) -> Callable[[WrittenLog], None]:
    """The valve closed reads 12 bar; the full cylinder so much more."""

    def scene(log: WrittenLog) -> None:
        talker = log.talker("S-1")
        talker.set_up(-1)
        for second in range(5):
            talker.say(40 + second, "pressure", pressure_bar=12.0)
        talker.breathe(60, 900, start_bar=312.0 + bar, opens=False)

    return scene


def end_silent(switched_off: bool) -> Callable[[WrittenLog], None]:
    def scene(log: WrittenLog) -> None:
        talker = worn(log, start_bar=300.37, silent=(760.0, 960.0), closes=False)  # 238 bar, then 237
        if switched_off:
            talker.say(960, "power", state="off")
        else:
            talker.say(960, "pressure", pressure_bar=0.0)

    return scene


def ends_under_air(log: WrittenLog) -> None:
    worn(log, start_bar=300.37, closes=False)  # 220 bar, then 219


def set_up_as(**fields: Any) -> Callable[[WrittenLog], None]:
    def scene(log: WrittenLog) -> None:
        talker = log.talker("S-1")
        talker.set_up(0, **fields)
        talker.breathe(60, 300)

    return scene


def tallied_in_two_incidents(log: WrittenLog) -> None:
    tallied((50, "in", "W-1", "S-1"))(log)
    of = {"set_id": "S-1", "wearer_id": "W-1"}
    log.talkers[-1].say(600, "tally", action="in", incident_id="I-2", **of)
    log.talkers[-1].say(800, "tally", action="out", incident_id="I-2", **of)


def gauges_contradict(log: WrittenLog) -> None:
    tallied((50, "in", "W-1", "S-1"))(log)
    log.talkers[0].said = [one for one in log.talkers[0].said if one[0] < 500]
    for at_s, bar in ((300, 40.0), (600, 290.0)):
        log.talkers[-1].say(at_s, "gauge", incident_id="I-1", set_id="S-1", pressure_bar=bar)


def setup_changes(log: WrittenLog) -> None:
    set_up_as(low_air_bar=55.0)(log)
    log.talkers[-1].set_up(200, low_air_bar=100.0)


def without_setup(log: WrittenLog) -> None:
    log.talker("S-1").breathe(60, 300)


def choices(chosen: int) -> Callable[[WrittenLog], None]:
    small = {"count": 1, "water_volume_l": 6.0, "rated_bar": 300.0}
    twin = {"count": 2, "water_volume_l": 6.8, "rated_bar": 300.0}
    same = {"count": 1, "water_volume_l": 6.8, "rated_bar": 300.0}
    return set_up_as(choices=[small, twin, same], chosen=chosen)


def refused_in_a_gap(log: WrittenLog) -> None:
    ordinary(log, silent=(600.0, 700.0))
    for at_s in (620, 630):
        body = {"kind": "pressure", "set_id": "S-1", "boot": 1, "seq": 1693 + 3 * (at_s - 600)}
        body |= {"time": log.at(at_s).isoformat(), "pressure_bar": -7000.0}
        topic = "underair/v1/trial/set/S-1/pressure"
        log.extra.append(Heard(log.at(at_s + 0.05), topic, json.dumps(body).encode(), False))


def conflicts(*bars: int) -> Callable[[WrittenLog], None]:
    def scene(log: WrittenLog) -> None:
        talker = ordinary(log)
        for bar in bars:
            said = f'"pressure_bar": {bar}.0'.encode()
            one = next(heard for _, heard in talker.heard() if said in heard.payload)
            payload = one.payload.replace(said, said.replace(b"2", b"1", 1))
            log.extra.append(Heard(one.received, one.topic, payload, False))

    return scene


def clocks_off(*seconds: float) -> Callable[[WrittenLog], None]:
    def scene(log: WrittenLog) -> None:
        for number, off_s in enumerate(seconds, 1):
            talker = log.talker(f"S-{number}", clock=lambda true_s, off_s=off_s: true_s + off_s)
            talker.set_up(0)
            talker.breathe(60, 300)

    return scene


def stepped(seconds: float) -> Callable[[WrittenLog], None]:
    def scene(log: WrittenLog) -> None:
        ordinary(log).clock = lambda true_s: true_s + (seconds if true_s > 900 else 0.0)

    return scene


def left_at(out_s: float, start_bar: float = 300.0, bar_s: float = 0.15) -> Callable[[WrittenLog], None]:
    def scene(log: WrittenLog) -> None:
        ordinary(log, start_bar=start_bar, bar_s=bar_s)
        desk = log.talkers[-1]
        desk.said = [(out_s if one[4].get("action") == "out" else one[0], *one[1:]) for one in desk.said]

    return scene


def turned(at_s: float) -> Callable[[WrittenLog], None]:
    def scene(log: WrittenLog) -> None:
        ordinary(log, bar_s=0.12)
        text = {"incident_id": "I-1", "set_id": "S-1", "text": "turning back"}
        log.talkers[-1].say(at_s, "note", **text)

    return scene


def team(log: WrittenLog) -> None:
    """Three of one team: the first is due early, the second turns far too late, the third comes after it."""
    desk = log.desk()
    for number, (from_s, seconds, bar_s) in enumerate(
        ((60, 900, 0.25), (60, 2400, 0.12), (700, 2400, 0.115)), 1
    ):
        talker = log.talker(f"S-{number}")
        talker.set_up(0)
        talker.breathe(from_s, seconds, bar_s=bar_s)
        desk.say(
            from_s, "tally", action="in", **(WHO | {"set_id": f"S-{number}", "wearer_id": f"W-{number}"})
        )


def heat_sensor(temperature: Callable[[float], float]) -> Callable[[WrittenLog], None]:
    def scene(log: WrittenLog) -> None:
        worn(log, temperature=temperature)

    return scene


def heat_alarm_near_a_rise(at_s: float) -> Callable[[WrittenLog], None]:
    """The surroundings rise from 478 to 523 s; an alarm half a minute before or a minute after is theirs."""

    def scene(log: WrittenLog) -> None:
        talker = worn(log, temperature=lambda t: 40.0 + 70.0 * (1.0 - math.exp(-max(t - 500.0, 0.0) / 60.0)))
        alarm(talker, "heat", (at_s, "raised"), (at_s + 5, "cleared"))

    return scene


def turn_noted(late_s: float, bar_s: float) -> Callable[[WrittenLog], None]:
    """Turn-back is due at 1081 s (0.12 bar/s); the desk notes it so much later."""

    def scene(log: WrittenLog) -> None:
        ordinary(log, bar_s=bar_s)
        text = {"incident_id": "I-1", "set_id": "S-1", "text": "turning back"}
        log.talkers[-1].say(1081 + late_s, "note", **text)

    return scene


def receipts_jump(log: WrittenLog) -> None:
    """The listener's clock is set forward by two days while three sets are heard."""
    for number in range(3):
        talker = log.talker(f"S-{number}", delay=lambda at_s: 0.05 + (172_800.0 if at_s > 500 else 0.0))
        talker.set_up(0)
        talker.breathe(60, 900)
