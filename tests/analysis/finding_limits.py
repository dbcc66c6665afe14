"""Scenes just below and just at the limits of the findings' rules: `test_findings_word_for_word.py`."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from ingest.contract.captures import Heard
from tests.analysis.conftest import WrittenLog
from tests.analysis.finding_heat_and_motion import (
    Scene,
    at_rest,
    dose,
    dose_with_a_silence,
    heat_alarm_as_it_gets_warmer,
    hot_after_a_limit,
    hot_for_good,
    leak_while_still,
    no_motion_often,
    no_motion_without_motion,
    still_for,
)
from tests.analysis.finding_scenes import (
    WHO,
    alarm,
    battery_at_start,
    changed,
    low_air_reported,
    stuck_for,
    tallied,
    worn,
)
from tests.analysis.test_findings import escaping, ordinary


def free_flows(*parts: tuple[int, int], l_min: float = 500.0) -> Scene:
    """Air escapes: (from, seconds)."""

    def scene(log: WrittenLog) -> None:
        talker = worn(log, seconds=300, bar_s=0.03)
        for from_s, seconds in parts:
            escaping(talker, from_s, seconds, l_min)

    return scene


def leaps(bar: float, count: int = 1) -> Scene:
    """Single readings so far below the line, 50 s apart."""

    def scene(log: WrittenLog) -> None:
        talker = ordinary(log)
        at = {700 + 50 * number for number in range(count)}
        talker.said = [
            (true_s, kind, lost, retained, fields | {"pressure_bar": fields["pressure_bar"] - bar})
            if kind == "pressure" and true_s in at
            else (true_s, kind, lost, retained, fields)
            for true_s, kind, lost, retained, fields in talker.said
        ]

    return scene


def ended_after(seconds: int) -> Scene:
    """120 bar, 0.1 bar/s: the warning is read after 645 s."""
    return lambda log: worn(log, start_bar=120.0, bar_s=0.1, seconds=seconds) and None


def next_cylinder(apart_s: float, rise_bar: float, *wearers: str) -> Scene:
    """Two wears of a set; each is tallied by one of the wearers, if there are any."""

    def scene(log: WrittenLog) -> None:
        talker = log.talker("S-1")
        talker.set_up(0)
        last_s = talker.breathe(60, 200, start_bar=120.0, bar_s=0.09825)  # ends with 101 bar, then 100
        talker.breathe(last_s + apart_s, 200, start_bar=99.55 + rise_bar)  # its second reading is 1 bar less
        desk = log.desk()
        for wearer, from_s in zip(wearers, (70.0, last_s + apart_s + 10.0), strict=False):
            if wearer:
                who = WHO | {"wearer_id": wearer}
                desk.say(from_s, "tally", action="in", **who)
                desk.say(from_s + 180.0, "tally", action="out", **who)

    return scene


def low_air_after_silence(from_s: float, until_s: float, at_s: float, **options: Any) -> Scene:
    """The set raises its own warning; around it messages were lost."""
    return lambda log: alarm(worn(log, silent=(from_s, until_s), **options), "low_air", (at_s, "raised"))


def raised_often(log: WrittenLog) -> None:
    talker = worn(log, seconds=300)
    for number in range(12):
        alarm(talker, "distress", (100 + 3 * number, "raised"))


def stepped(seconds: float) -> Scene:
    def scene(log: WrittenLog) -> None:
        worn(log).clock = lambda true_s: true_s + (seconds if true_s > 500 else 0.0)

    return scene


def closed_readings(*bars: float, ahead_s: int = 0) -> Scene:
    """The valve is read closed before the wear, the last time so many seconds before it."""

    def scene(log: WrittenLog) -> None:
        talker = log.talker("S-1")
        talker.set_up(-1)
        first_s = 60 - ahead_s - len(bars)
        for number, bar in enumerate(bars):
            talker.say(first_s + number, "pressure", pressure_bar=bar)
        for number in range(ahead_s):
            talker.say(60 - ahead_s + number, "pressure", pressure_bar=40.0 + 3.0 * (number % 2))
        talker.breathe(60, 200, opens=False)

    return scene


def goes_on(apart_s: float, drop_bar: float, between_bar: float = 0.0) -> Scene:
    def scene(log: WrittenLog) -> None:
        talker = log.talker("S-1")
        talker.set_up(-1)
        last_s = talker.breathe(60, 1510, start_bar=280.0, bar_s=0.1, closes=False)
        talker.say(last_s + 5, "pressure", pressure_bar=between_bar)
        talker.breathe(last_s + apart_s, 300, start_bar=129.0 - drop_bar, bar_s=0.1, opens=False)

    return scene


def thinned(heard: int, of: int) -> Scene:
    """Of a set that says a pressure a second for 200 s, so many of so many are heard, no pause of 60 s."""

    def scene(log: WrittenLog) -> None:
        talker = log.talker("S-1")
        talker.set_up(50)
        for number in range(200):
            lost = 0 < number < 199 and (number * heard) % of >= heard
            talker.say(60 + number, "pressure", pressure_bar=float(280 - number // 10), lost=lost)

    return scene


def lost_of(lost: int, of: int) -> Scene:
    """A pressure a second and nothing else; so many of so many are lost, the last one is heard."""

    def scene(log: WrittenLog) -> None:
        talker = log.talker("S-1")
        talker.set_up(50)
        some = [*range(1, of - 1, 2), *range(2, of - 1, 2)][:lost]
        for number in range(of):
            talker.say(60 + number, "pressure", pressure_bar=280.0 - number // 10, lost=number in some)

    return scene


def many_leaps(count: int) -> Scene:
    """Of 50 readings so many leap."""

    def scene(log: WrittenLog) -> None:
        talker = worn(log, seconds=50, opens=False, closes=False)
        at_s = range(62, 62 + 4 * count, 4)
        changed(
            talker,
            "pressure",
            lambda at, fields: {"pressure_bar": fields["pressure_bar"] - 40.0} if at in at_s else {},
        )

    return scene


def overlapping(seconds: int) -> Scene:
    """Boot 2 begins so many seconds before the last reading of boot 1: another set with the same ID."""

    def scene(log: WrittenLog) -> None:
        first, second = log.talker("S-1"), log.talker("S-1", 2)
        first.set_up(50)
        last_s = first.breathe(60, 300, start_bar=280.0, closes=False)
        second.set_up(last_s - seconds - 5)
        second.breathe(last_s - seconds, 100, start_bar=290.0, opens=False, closes=False)

    return scene


def never_out(after_s: float) -> Scene:
    """Tallied in, under air until 360 s; the record goes on for so long after it."""

    def scene(log: WrittenLog) -> None:
        talker = worn(log, seconds=300)
        log.desk().say(70, "tally", action="in", **WHO)
        talker.say(359 + after_s, "power", state="off", battery_fraction=0.9)

    return scene


def refused_alarms(log: WrittenLog) -> None:
    talker = worn(log, seconds=300)
    for at_s in (200.5, 230.5):
        talker.say(at_s, "alarm", alarm="d" * 61, state="raised", detail="x" * 201)


def refused_start(retained: bool) -> Scene:
    def scene(log: WrittenLog) -> None:
        worn(log, seconds=300)
        log.talker("S-7").say(100, "power", state="refused", battery_fraction=0.05, retained=retained)

    return scene


def lost_before(seconds: int) -> Scene:
    """The warning is read at 706 s and never raised; one second's messages were lost so long before."""
    return lambda log: worn(log, start_bar=120.0, bar_s=0.1, silent=(706 - seconds, 707 - seconds)) and None


def stuck_and(still_s: Callable[[int], float]) -> Scene:
    """The gauge stays from 499 to 654 s, with 154 motion readings; the set says how long nobody moved."""

    def scene(log: WrittenLog) -> None:
        at_rest(151)(log)
        talker = log.talkers[-1]
        talker.said = [one for one in talker.said if (one[1], int(one[0])) != ("motion", 600)]
        changed(talker, "motion", lambda at, _: {"still_s": still_s(int(at)) if 500 < at < 651 else 0.0})

    return scene


def said_to_be_out(at_s: float, end_bar: float = 30.0) -> Scene:
    """Below the warning from the start; the record ends under air at 460 s."""

    def scene(log: WrittenLog) -> None:
        worn(log, start_bar=end_bar + 19.95, bar_s=0.05, seconds=400, closes=False)
        desk = log.desk()
        desk.say(50, "tally", action="in", **WHO)
        desk.say(at_s, "tally", action="out", **WHO)

    return scene


def refused_before_the_last(log: WrittenLog) -> None:
    """One reading before the last one was refused: it is no message of the silence that followed."""
    said_to_be_out(600)(log)
    changed(log.talkers[0], "pressure", lambda at, _: {"pressure_bar": -1.0} if at == 458 else {})


def slow_and_stuck(readings: int) -> Scene:
    """A reading every 10 s; so many alike."""

    def scene(log: WrittenLog) -> None:
        talker = worn(log, seconds=700)
        talker.said = [one for one in talker.said if one[1] != "pressure" or one[0] % 10 == 0]
        until_s = 300 + 10 * readings
        changed(talker, "pressure", lambda at, _: {"pressure_bar": 278.0} if 300 <= at < until_s else {})

    return scene


def distress_below_the_warning(log: WrittenLog) -> None:
    alarm(worn(log, start_bar=70.0, seconds=400), "distress", (300, "raised"), (310, "acknowledged"))


def distress_of_a_set_with_an_offset(log: WrittenLog) -> None:
    closed_readings(12.0, 12.0, 12.0)(log)
    alarm(log.talkers[-1], "distress", (100, "raised"), (110, "acknowledged"))


def conflict_before_the_wear(log: WrittenLog) -> None:
    talker = worn(log, seconds=300)
    talker.say(20, "power", state="on", battery_fraction=0.9)
    one = next(heard for _, heard in talker.heard() if b'"power"' in heard.payload)
    log.extra.append(Heard(one.received, one.topic, one.payload.replace(b"0.9", b"0.8"), False))


def never_out_after_two_wears(log: WrittenLog) -> None:
    talker = worn(log, seconds=300)
    talker.breathe(500, 300)
    desk = log.desk()
    desk.say(70, "tally", action="in", **WHO)
    desk.say(900, "incident", incident_id="I-1", action="close")


def refused_but(heard: int) -> Scene:
    """In a silence of 99 s every message was received and refused, but for so many that were lost."""

    def scene(log: WrittenLog) -> None:
        talker = worn(log, seconds=300)
        inside = [one for one in talker.said if 150 <= one[0] < 249]
        talker.said = [one for one in talker.said if one not in inside]
        for number, (at, kind, _, retained, fields) in enumerate(inside):
            refused_fields = fields | {"motion_m_s2": -1.0, "temperature_c": 1e9, "pressure_bar": -1.0}
            own = {name: value for name, value in refused_fields.items() if name in fields}
            talker.said.append((at, kind, number < heard, retained, own))

    return scene


def warned_at_the_first_reading(log: WrittenLog) -> None:
    """45 bar, which is too late."""
    alarm(worn(log, start_bar=45.0, seconds=200), "low_air", (60.5, "raised"), (70, "cleared"))


def warning_inferred_without_data(log: WrittenLog) -> None:
    """The message that raised it was lost; what is inferred is not held against the readings."""
    talker = worn(log, seconds=300)
    talker.say(150, "alarm", alarm="low_air", state="raised", lost=True)
    alarm(talker, "low_air", (170, "acknowledged"))


def flooded_late(log: WrittenLog) -> None:
    """An alarm, and more than ten minutes later a flood, which is not of that alarm."""
    talker = worn(log, seconds=1200)
    alarm(talker, "fault", (70, "raised"), (75, "cleared"))
    for number in range(12):
        alarm(talker, "fault", (900 + 7 * number, "raised"), (903 + 7 * number, "cleared"))


def one_lost_before_the_warning(log: WrittenLog) -> None:
    talker = worn(log, **EARLY)
    talker.said = [
        (at, kind, lost or (at, kind) == (700, "pressure"), retained, fields)
        for at, kind, lost, retained, fields in talker.said
    ]


def slowly_until(below_s: int) -> Scene:
    """120 bar, 0.05 bar/s: the warning is read after 1291 s."""
    return lambda log: worn(log, start_bar=120.0, bar_s=0.05, seconds=1292 + below_s) and None


EARLY: dict[str, Any] = {"start_bar": 120.0, "bar_s": 0.1}


def full_and_warned(over_bar: float) -> Scene:
    """A cylinder of 300 bar reads so much more, the set's warning (55 bar) came so much early."""

    def scene(log: WrittenLog) -> None:
        talker = log.talker("S-1")
        talker.set_up(-1)
        talker.breathe(60, 2700, start_bar=300.0 + over_bar, bar_s=0.1, opens=False, closes=False)
        alarm(talker, "low_air", (60 + 245 / 0.1, "raised"))

    return scene


def coarse_and_stuck(log: WrittenLog) -> None:
    """A gauge of 2 bar steps stays while nobody moves, then falls by one: three would prove it stuck."""
    at_rest(500)(log)
    changed(log.talkers[0], "pressure", lambda _, fields: {"pressure_bar": fields["pressure_bar"] // 2 * 2})


AT_LIMITS: dict[str, Scene] = {
    **{f"air escapes for {seconds} s": free_flows((120, seconds)) for seconds in (17, 18)},
    **{f"air escapes again after {gap} s": free_flows((120, 20), (140 + gap, 20)) for gap in (54, 55)},
    **{f"480 L/min escape for {seconds} s": free_flows((120, seconds), l_min=480.0) for seconds in (18, 19)},
    "air escapes three times": free_flows((120, 20), (190, 20), (260, 20)),
    **{f"still for {until - 200} s and leaking": leak_while_still(200, until) for until in (259, 260)},
    **{
        f"still and leaking for {until - 60} s of a wear": leak_while_still(40, until) for until in (119, 120)
    },
    "still and leaking from before the wear": leak_while_still(55, 130),
    "still and leaking until after the wear": leak_while_still(290, 370),
    **{f"a leap of {bar:g} bar": leaps(bar) for bar in (4.0, 5.0, 6.0)},
    **{f"{count} leaps": leaps(40.0, count) for count in (4, 5, 10)},
    **{f"under air for {seconds - 647} s below the warning": ended_after(seconds) for seconds in (707, 708)},
    **{f"under air for {seconds - 647} s below it": ended_after(seconds) for seconds in (947, 948)},
    **{f"left with {120 - seconds // 10} bar": ended_after(seconds) for seconds in (920, 930)},
    **{f"cylinder changed after {apart:g} s": next_cylinder(apart, 100.0) for apart in (119.9, 120.0)},
    **{f"cylinder changed after {apart:g} s": next_cylinder(apart, 100.0) for apart in (3599.0, 3600.0)},
    **{f"cylinder fuller by {rise:g} bar": next_cylinder(300.0, rise) for rise in (25.0, 26.0)},
    "cylinder changed by the same wearer": next_cylinder(300.0, 100.0, "W-1", "W-1"),
    "fuller cylinder of another wearer": next_cylinder(300.0, 100.0, "W-1", "W-2"),
    "cylinder changed, then not tallied": next_cylinder(300.0, 100.0, "W-1"),
    "cylinder changed, tallied only then": next_cylinder(300.0, 100.0, "", "W-2"),
    **{f"still for {seconds} s without an alarm": still_for(seconds) for seconds in (31, 32)},
    **{f"lost {seconds} s before the warning": lost_before(seconds) for seconds in (29, 30)},
    **{f"lost {seconds} s after the warning": lost_before(-seconds) for seconds in (30, 31)},
    "warning after a silence of 30 s": low_air_after_silence(372, 401, 400.5, seconds=400),
    "warning after a silence of 31 s": low_air_after_silence(371, 401, 400.5, seconds=400),
    "early warning 30 s after a reading": low_air_after_silence(598, 640, 627.0, **EARLY),
    "early warning 30.5 s after a reading": low_air_after_silence(
        597, 640, 626.5, start_bar=120.0, bar_s=0.1
    ),
    **{f"at rest for {seconds} s": at_rest(seconds) for seconds in (190, 200)},
    **{f"stuck, nobody moved for {still:g} s": stuck_and(lambda _, s=still: s) for still in (4.9, 5.0)},
    **{
        f"stuck, moving in {n + 4} of 154": stuck_and(lambda at, n=n: 0.0 if at < 500 + n else 9.0)
        for n in (73, 74)
    },
    **{f"said to be out at {at_s} s": said_to_be_out(at_s) for at_s in (459, 470)},
    "refused before the last reading": refused_before_the_last,
    "said to be out, 28 bar left": said_to_be_out(470, 28.0),
    "said to be out, 27 bar left": said_to_be_out(470, 27.0),
    **{f"{count} slow readings alike": slow_and_stuck(count) for count in (4, 5, 20)},
    **{f"refused in a silence but for {lost}": refused_but(lost) for lost in (0, 1, 2)},
    "a lost warning that was never reached": warning_inferred_without_data,
    "tallied in twice": tallied(
        (90, "in", "W-1", "S-1"), (400, "in", "W-1", "S-1"), (800, "out", "W-1", "S-1")
    ),
    "two sets and never out": tallied(
        (90, "in", "W-1", "S-1"), (150, "in", "W-1", "S-2"), (900, "close", "", "")
    ),
    "never heard beside a wear": tallied(
        (90, "in", "W-1", "S-1"), (95, "in", "W-3", "S-3"),
        (800, "out", "W-1", "S-1"), (810, "out", "W-3", "S-3"),
    ),
    **{
        f"turned late and {below} s below the warning": slowly_until(below) for below in (60, 61)
    },
    "battery at 10 %, no more said": battery_at_start(battery_fraction=0.1),
    "a flood long after an alarm": flooded_late,
    "one message lost before the warning": one_lost_before_the_warning,
    "dose with a silence": dose_with_a_silence,
    "heat alarm as it gets warmer": heat_alarm_as_it_gets_warmer,
    "no motion reported without any motion said": no_motion_without_motion,
    "stuck, then two steps": stuck_for(105),
    "warned late at the first reading": warned_at_the_first_reading,
    "stuck until the end": stuck_for(100, 1760),
    "distress below the warning": distress_below_the_warning,
    "distress of a set with an offset": distress_of_a_set_with_an_offset,
    "a conflict before the wear": conflict_before_the_wear,
    "never tallied out after two wears": never_out_after_two_wears,
    "warning after the first reading": low_air_reported(60.5, seconds=300),
    "an alarm said twelve times": raised_often,
    "hot from one second to the next": hot_for_good,
    "hot after 60 °C": hot_after_a_limit,
    **{f"dose of {top} °C": dose(float(top)) for top in (115, 120)},
    **{f"a clock steps by {seconds:g} s": stepped(seconds) for seconds in (29.0, 30.0, 60.0, -60.0)},
    **{f"closed at {bar:g} bar": closed_readings(bar, bar, bar) for bar in (19.0, 20.0)},
    "closed at 5 bar": closed_readings(5.0, 5.0, 5.0),
    "closed at 4.9 bar": closed_readings(4.9, 4.9, 4.9),
    "closed for two readings": closed_readings(12.0, 12.0),
    "closed within 1 bar": closed_readings(12.0, 13.0, 13.0),
    "closed within 2 bar": closed_readings(12.0, 14.0, 12.0, 14.0),
    **{
        f"closed {ahead + 3} s before": closed_readings(12.0, 12.0, 12.0, ahead_s=ahead) for ahead in (27, 28)
    },
    **{f"dropped out for {apart:g} s": goes_on(apart, 0.0) for apart in (60.0, 61.0)},
    **{f"goes on {drop:g} bar lower": goes_on(30.0, drop, 20.0) for drop in (10.0, 11.0)},
    **{f"{heard} of {of} messages heard": thinned(heard, of) for heard, of in ((1, 3), (3, 5))},
    **{f"{lost} of {of} messages lost": lost_of(lost, of) for lost, of in ((19, 30), (20, 40), (20, 41))},
    **{f"{count} of 50 readings leap": many_leaps(count) for count in (10, 11)},
    **{f"one ID, both heard for {seconds} s": overlapping(seconds) for seconds in (29, 30)},
    **{f"never tallied out, {after} s ago": never_out(after) for after in (1800, 1801)},
    "the same alarm refused twice": refused_alarms,
    **{f"full and warned {bar:g} bar too high": full_and_warned(bar) for bar in (4.0, 5.0)},
    "a coarse gauge stuck": coarse_and_stuck,
    **{f"no motion reported {count} times while moving": no_motion_often(count) for count in (2, 3)},
    "refused to start": refused_start(False),
    "refused to start, retained": refused_start(True),
}  # fmt: skip
