"""Findings: every rule fires on the log that shows it, stays silent on an ordinary one, and proves itself."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from analysis.incident import Scope, analyse
from analysis.profile import Profile
from ingest.contract.captures import Heard
from ingest.contract.frames import Messages
from ingest.contract.kinds import DESK_KINDS
from tests.analysis.conftest import WrittenLog

PROFILE = Profile.default()


def ordinary(log: Any, **options: Any) -> Any:
    """A wear that shows nothing: 300 to 138 bar in 30 minutes, tallied in and out, set switched off."""
    talker = log.talker("S-1")
    talker.say(-30, "power", state="on", battery_fraction=0.8, lasts_another_wear=True)
    talker.set_up(-29)
    talker.breathe(60, 1800, **options)
    talker.say(1900, "power", state="off", battery_fraction=0.7)
    desk = log.desk()
    desk.say(-60, "incident", incident_id="I-1", action="open")
    who = {"incident_id": "I-1", "set_id": "S-1", "wearer_id": "W-1", "team": "Larch"}
    desk.say(70, "tally", action="in", **who)
    desk.say(1855, "tally", action="out", **who)
    desk.say(2400, "incident", incident_id="I-1", action="close")
    return talker


def find(log: Any) -> pl.DataFrame:
    return analyse(log.frames(), PROFILE)["findings"]


def test_an_ordinary_wear_has_no_finding(log: Any) -> None:
    ordinary(log)
    assert find(log).to_dicts() == []


def battery_low(log: Any) -> None:
    ordinary(log).say(-20, "power", state="on", battery_fraction=0.11, lasts_another_wear=False)


def battery_refused(log: Any) -> None:
    ordinary(log)
    log.talker("S-7").say(100, "power", state="refused", battery_fraction=0.05)


def below_warning(log: Any) -> None:
    ordinary(log, start_bar=300.0, bar_s=0.15)


def conflicting(log: Any) -> None:
    talker = ordinary(log)
    other = next(one for _, one in talker.heard() if b'"pressure_bar": 250' in one.payload)
    payload = other.payload.replace(b'"pressure_bar": 250', b'"pressure_bar": 240')
    log.extra.append(type(other)(other.received + timedelta(seconds=1), other.topic, payload, False))


def stuck(log: Any) -> None:
    talker = ordinary(log)
    talker.said = [
        (true_s, kind, lost, retained, fields | {"pressure_bar": 246.0})
        if kind == "pressure" and 660 < true_s < 960
        else (true_s, kind, lost, retained, fields)
        for true_s, kind, lost, retained, fields in talker.said
    ]


def gained(log: Any) -> None:
    """A gauge that rises by 30 bar while its wearer breathes: 170 L less than nothing were used."""
    desk, one = log.desk(), log.talker("S-1")
    desk.say(0, "incident", incident_id="I-1", action="open")
    one.set_up(0)
    desk.say(10, "tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1")
    one.breathe(60, 600, start_bar=280.0, bar_s=-0.05)
    desk.say(680, "tally", incident_id="I-1", action="out", set_id="S-1", wearer_id="W-1")


def too_high(log: Any) -> None:
    talker = ordinary(log)
    for at_s, bar in ((1870, 480.0), (1871, 480.0), (1872, 470.0), (1873, 200.0), (1880, 0.0)):
        talker.say(at_s, "pressure", pressure_bar=bar)


def leap(log: Any) -> None:
    talker = ordinary(log)
    talker.said = [
        (true_s, kind, lost, retained, fields | {"pressure_bar": 12.0})
        if kind == "pressure" and true_s == 700
        else (true_s, kind, lost, retained, fields)
        for true_s, kind, lost, retained, fields in talker.said
    ]


def escaping(talker: Any, from_s: int, seconds: int, rate_l_min: float) -> None:
    """Let so many nominal litres a minute escape beside what is breathed."""
    bar_s = rate_l_min / 60.0 / 6.8
    gone = {60 + n: int(min(max(60 + n - from_s, 0), seconds) * bar_s) for n in range(1800)}
    talker.said = [
        (true_s, kind, lost, retained, fields | {"pressure_bar": fields["pressure_bar"] - gone[true_s]})
        if kind == "pressure" and true_s in gone
        else (true_s, kind, lost, retained, fields)
        for true_s, kind, lost, retained, fields in talker.said
    ]


def free_flow(log: Any) -> None:
    escaping(ordinary(log), 700, 60, 300.0)


def leak(log: Any) -> None:
    escaping(ordinary(log, motion=lambda t: 0.0 if 300 < t < 500 else 1.0), 310, 180, 140.0)


def clock_stood(log: Any) -> None:
    ordinary(log).clock = lambda true_s: min(true_s, 20.0)


def stepped(log: Any) -> None:
    ordinary(log).clock = lambda true_s: true_s + (3600.0 if true_s > 900 else 0.0)


def wrong_clock(log: Any) -> None:
    ordinary(log).clock = lambda true_s: true_s + 90.0


def heat_dose(log: Any) -> None:
    ordinary(log, temperature=lambda t: 20.0 if t < 300 else min(20.0 + (t - 300) * 0.5, 125.0))


def rapid_heat(log: Any) -> None:
    ordinary(log, temperature=lambda t: 40.0 if t < 900 else 40.0 + 160.0 * (1 - np.exp(-(t - 900) / 60.0)))


def fast_sensor(log: Any) -> None:
    ordinary(log, temperature=lambda t: 160.0 if 900 <= t < 1200 else 25.0)


def broken_heat_sensor(log: Any) -> None:
    ordinary(log, temperature=lambda t: 25.0 if t < 900 else -60.0)


def unanswered(log: Any) -> None:
    talker = ordinary(log)
    talker.say(700, "alarm", alarm="distress", state="raised")
    talker.say(780, "alarm", alarm="distress", state="cleared")


def silence(log: Any) -> None:
    ordinary(log, silent=(600.0, 700.0))


def never_out(log: Any) -> None:
    ordinary(log)
    desk = log.talkers[-1]
    desk.said = [one for one in desk.said if one[4].get("action") != "out"]


def ordered_out(log: Any) -> None:
    ordinary(log)
    desk = log.talkers[-1]
    desk.say(600, "order", incident_id="I-1", order="evacuate", state="given")
    desk.say(700, "order", incident_id="I-1", order="evacuate", state="lifted")


def ordered_elsewhere(log: Any) -> None:
    """An order of a service of which nobody is there."""
    ordered_out(log)
    desk = log.talkers[-1]
    orders = [one for one in desk.said if one[1] == "order"]
    desk.said = [one for one in desk.said if one[1] != "order"]
    elsewhere = replace(desk, name="D-2", said=orders)
    log.extra += [one._replace(topic=one.topic.replace("trial", "trail")) for _, one in elsewhere.heard()]


def slow_to_leave(log: Any) -> None:
    ordinary(log)
    log.talkers[-1].say(600, "order", incident_id="I-1", order="evacuate", state="given")


def noted_and_stayed(log: Any) -> None:
    ordinary(log)
    log.talkers[-1].say(600, "note", incident_id="I-1", text="turning back", set_id="S-1")


def out_by_mistake(log: Any) -> None:
    ordinary(log)
    log.talkers[-1].say(1500, "tally", incident_id="I-1", action="out", wearer_id="W-1", set_id="S-1")


def emptied_inside(log: Any) -> None:
    """0.16 bar/s for 30 min from 290 bar leave 2 bar; out by word 3 min 50 s after the last breath."""
    ordinary(log, start_bar=290.0, bar_s=0.16)
    log.talkers[-1].said[-2] = (2090, *log.talkers[-1].said[-2][1:])


def out_late(log: Any) -> None:
    ordinary(log)
    log.talkers[-1].said[-2] = (2200, *log.talkers[-1].said[-2][1:])


def missed(log: Any) -> None:
    ordinary(log)
    desk = log.talkers[-1]
    desk.say(600, "roll_call", incident_id="I-1", roll_id="R-1", state="called")
    desk.say(610, "roll_call", incident_id="I-1", roll_id="R-1", state="missing", wearer_id="W-1")
    desk.say(720, "roll_call", incident_id="I-1", roll_id="R-1", state="answered", wearer_id="W-1")


def swung(log: Any) -> None:
    talker = ordinary(log)
    talker.said = [
        (
            at,
            kind,
            lost,
            retained,
            f | {"pressure_bar": f["pressure_bar"] - (0.0, 60.0, 120.0, 40.0)[int(at) % 4]},
        )
        if kind == "pressure" and 600 <= at < 640
        else (at, kind, lost, retained, f)
        for at, kind, lost, retained, f in talker.said
    ]


def desk_name_shared(log: Any) -> None:
    ordinary(log)
    other = log.talker("D-1", 2, role="desk")
    for at in (600, 605):
        other.say(at, "standby", incident_id="I-1", team="Elm", state="ready")


PLANTED: dict[str, tuple[Callable[[Any], None], str]] = {
    "battery_low_at_start": (battery_low, "11\u00a0% charge"),
    "pressure_not_believed": (too_high, "that do not count: more than its cylinder can hold (up to 480 bar)"),
    "battery_refused": (battery_refused, "refused to start with 5\u00a0% charge"),
    "left_below_warning": (below_warning, "below the warning at 55 bar"),
    "under_air_below_warning": (below_warning, "under air below the warning at 55 bar"),
    "turned_back_late": (below_warning, "By half of the usable air, turn-back was due at"),
    "conflicting_records": (conflicting, "Two different messages have the identity S-1/1/"),
    "order_not_acknowledged": (ordered_out, "to evacuate of 10:10:00 UTC (everybody): W-1 did not"),
    "order_reached_nobody": (
        ordered_elsewhere,
        "(everybody) was sent to service trail, of which nobody was in",
    ),
    "order_followed_late": (slow_to_leave, "W-1 did not acknowledge the order to evacuate of 10:10:00 UTC"),
    "under_air_after_out": (
        out_by_mistake,
        "W-1 was tallied out at 10:25:00 UTC, and air of set S-1 was used until",
    ),
    "cylinder_empty_inside": (
        emptied_inside,
        "By the tally W-1 was in, and the cylinder of set S-1 was empty",
    ),
    "valve_shut_before_out": (out_late, "tallied out at 10:36:40 UTC, 5 min 40 s later"),
    "long_way_back": (noted_and_stayed, "The desk noted the turn at 10:10:00 UTC; W-1 left at"),
    "desk_name_shared": (
        desk_name_shared,
        "boot numbers 1 and 2, both heard from 10:10:00 UTC to 10:10:05 UTC",
    ),
    "missing_at_roll_call": (missed, "A desk said at 10:10:10 UTC that W-1 was missing"),
    "readings_stuck": (stuck, "stayed at 246 bar"),
    "readings_set_aside": (leap, "1 pressure reading (12 bar) jumped and returned at once"),
    "gauge_swung": (swung, "the reading fell 10 times by up to 121 bar (to 128 bar)"),
    "air_gained": (gained, "more at the end (310 bar) than at the start (280 bar)"),
    "free_flow": (free_flow, "more than 180 L/min"),
    "falling_without_motion": (leak, "No motion for"),
    "clock_stepped": (stepped, "jumped by +1 h"),
    "clock_stood": (clock_stood, "stopped at 10:00:20"),
    "clock_wrong": (wrong_clock, "1 min 30 s fast"),
    "heat_dose": (heat_dose, "not of what a person in fire kit felt"),
    "rapid_heat": (rapid_heat, "lag removed"),
    "heat_lag_disproved": (fast_sensor, "went from 160 to 25 °C in 1 s at"),
    "heat_sensor_doubtful": (broken_heat_sensor, "cannot be the surroundings of a person"),
    "alarm_unanswered": (unanswered, "it was cleared at 10:13:00 UTC"),
    "silence_under_air": (silence, "Not heard for 1 min 41 s under air"),
    "not_tallied_out": (never_out, "W-1 was tallied in with set S-1"),
}


@functools.cache
def planted(code: str) -> tuple[Messages, pl.DataFrame]:
    """The messages of a planted fault, and all findings of theirs."""
    log = WrittenLog()
    PLANTED[code][0](log)
    messages = log.frames()
    return messages, analyse(messages, PROFILE)["findings"]


@pytest.mark.parametrize("code", PLANTED)
def test_planted_fault_is_found_with_its_proof(code: str) -> None:
    said = PLANTED[code][1]
    messages, findings = planted(code)
    assert set(findings["severity"]) <= {"note", "caution", "serious"}
    found = findings.filter(pl.col("code") == code).to_dicts()
    assert len(found) == 1
    assert said in found[0]["statement"]
    assert found[0]["statement"].endswith(".")
    identities = set()
    for frame in messages.values():
        names = frame.columns
        if "seq" in names:
            speaker = "set_id" if "desk_id" not in names else "desk_id"
            identities |= {f"{a}/{b}/{c}" for a, b, c in frame.select(speaker, "boot", "seq").iter_rows()}
    assert found[0]["evidence"]
    assert set(found[0]["evidence"]) <= identities


@pytest.mark.parametrize("code", PLANTED)
def test_planted_fault_brings_no_unrelated_finding(code: str) -> None:
    together = {
        "left_below_warning": {"under_air_below_warning", "turned_back_late", "alarm_not_raised"},
        "battery_low_at_start": {"alarm_not_raised"},
        "falling_without_motion": {"alarm_not_raised", "turned_back_late"},  # both breathe much faster
        "free_flow": {"turned_back_late"},
        "rapid_heat": {"alarm_not_raised", "heat_dose"},
        "heat_lag_disproved": {"alarm_not_raised", "heat_dose", "rapid_heat"},
        "clock_stepped": {"clock_wrong"},
    }
    together["under_air_below_warning"] = together["turned_back_late"] = {
        "left_below_warning",
        *together["left_below_warning"],
    }
    together["cylinder_empty_inside"] = together["under_air_below_warning"] | {"under_air_below_warning"}
    assert set(planted(code)[1]["code"]) <= {code, *together.get(code, set())}


@pytest.mark.parametrize(("moving", "found"), [(True, 1), (False, 0)], ids=["moving", "at rest"])
def test_a_gauge_that_stands_is_stuck_only_with_a_second_witness(moving: bool, found: int, log: Any) -> None:
    """Three minutes without a step, then on from the same pressure: somebody at rest can do that."""
    talker = ordinary(log, motion=lambda t: 1.0 if moving or not 600 < t < 780 else 0.0)
    shown = {
        true_s: fields["pressure_bar"] for true_s, kind, _, _, fields in talker.said if kind == "pressure"
    }
    level = shown[600]
    talker.said = [
        (
            true_s,
            kind,
            lost,
            retained,
            fields | {"pressure_bar": level if true_s < 780 else shown[true_s] + level - shown[780]},
        )
        if kind == "pressure" and true_s >= 600
        else (true_s, kind, lost, retained, fields)
        for true_s, kind, lost, retained, fields in talker.said
    ]
    stuck_ones = find(log).filter(pl.col("code") == "readings_stuck")["statement"].to_list()
    assert len(stuck_ones) == found
    assert all("the wearer was moving" in text for text in stuck_ones)


@pytest.mark.parametrize(("seconds", "found"), [(70, 0), (130, 1)])
def test_a_gauge_of_an_unknown_cylinder_is_judged_as_one_ordinary_cylinder(
    seconds: int, found: int, log: Any
) -> None:
    """Three steps of one 6.8 L cylinder take about 85 s at 0.4 of the rate before; of a twin set 170 s."""
    talker = ordinary(log)
    level = next(f["pressure_bar"] for at, kind, _, _, f in talker.said if (at, kind) == (660, "pressure"))
    talker.said = [
        (at, kind, lost, retained, f | {"pressure_bar": level})
        if kind == "pressure" and 660 <= at < 660 + seconds
        else (at, kind, lost, retained, f)
        for at, kind, lost, retained, f in talker.said
        if kind != "setup"
    ]
    codes = find(log)["code"].to_list()
    assert "cylinder_unknown" in codes
    assert codes.count("readings_stuck") == found


def test_a_silence_says_that_the_gateway_said_so(log: Any) -> None:
    ordinary(log, silent=(600.0, 700.0))
    said = b'{"kind":"link","set_id":"S-1","state":"down"}'
    for at_s in (640, 660):
        log.extra.append(Heard(log.at(at_s), "underair/v1/trial/set/S-1/link", said))
    (silent,) = find(log).filter(pl.col("code") == "silence_under_air")["statement"]
    assert "The gateway said at 10:10:40 UTC that the link was down." in silent


def test_nobody_breathes_less_than_nothing(log: Any) -> None:
    """Noise gave -146 L at -56 L/min, and entries, trends and register summed it."""
    gained(log)
    results = analyse(log.frames(), PROFILE)
    amounts = ("free_air_l", "free_air_sd_l", "mean_l_min", "peak_l_min")
    assert results["wears"].select(amounts).row(0) == (None,) * 4
    assert results["entries"]["free_air_l"].to_list() == [None]
    assert results["air"].select("rate_l_min", "low_air_min").null_count().row(0) == (600, 600)


def test_a_gauge_that_leaps_in_every_other_reading_is_a_caution(log: Any) -> None:
    """Two transmitters under one ID: half of the readings were left out, and a note said so."""
    one = ordinary(log)
    one.said = [
        (*each[:4], {"pressure_bar": each[4]["pressure_bar"] / 2})
        if each[1] == "pressure" and int(each[0]) % 2 and 100 < each[0] < 1500
        else each
        for each in one.said
    ]
    found = analyse(log.frames(), PROFILE)["findings"].filter(code="readings_set_aside")
    assert found["severity"].to_list() == ["caution"]
    assert "do two sets use this ID?" in found["statement"][0]


@pytest.mark.parametrize("code", PLANTED)
def test_planted_fault_is_found_in_pieces_too(code: str) -> None:
    """One piece answers for the incident, another for the desk's record, as `analysis.pieces` cuts them."""
    messages, direct = planted(code)
    until_us = max(frame["received"].to_physical().max() or 0 for frame in messages.values())
    of_desks = {kind: frame if kind in DESK_KINDS else frame.clear() for kind, frame in messages.items()}
    found = [
        *analyse(messages, PROFILE, scope=Scope(frozenset({"I-1"}), False, until_us, True))["findings"][
            "finding_id"
        ],
        *analyse(of_desks, PROFILE, scope=Scope(frozenset(), True, until_us, True))["findings"]["finding_id"],
    ]
    assert sorted(found) == sorted(direct["finding_id"])


def test_a_set_that_seldom_reports_and_loses_most_of_its_messages_is_told_without_a_fault(log: Any) -> None:
    """No two readings were near each other: the sentence had no figure for how far apart they were."""
    one = log.talker("S-1")
    for number in range(12):
        one.say(60.0 * number, "pressure", pressure_bar=300.0 - 3.0 * number)
        for part in range(1, 9):
            one.say(60.0 * number + 6.0 * part, "motion", motion_m_s2=1.0, lost=True)
    (told,) = find(log).filter(pl.col("code") == "messages_lost")["statement"]
    assert "not counted. What happened between the readings was not observed." in told


def test_a_wear_that_goes_on_with_a_cylinder_did_not_start_with_too_little(log: Any) -> None:
    one = log.talker("S-1")
    one.set_up(0)
    one.breathe(20, 300, bar_s=0.15)
    one.breathe(355, 300, start_bar=255.0)
    one.breathe(690, 300, start_bar=226.0)
    results = analyse(log.frames(), PROFILE)
    assert len(results["wears"]) == 3
    assert "started_below_ready" not in results["findings"]["code"].to_list()


@pytest.mark.parametrize(
    ("bar_s", "told"), [(0.09, 1), (0.0, 0), (-0.01, 0)], ids=["used", "stands", "warms"]
)
def test_a_set_put_down_with_its_valve_open_is_nobody_under_air_after_the_out(
    log: Any, bar_s: float, told: int
) -> None:
    one, desk = log.talker("S-1"), log.desk()
    one.set_up(1)
    last = one.breathe(20, 600, closes=False)
    for second in range(1, 600):
        one.say(last + second, "pressure", pressure_bar=float(round(246.0 - bar_s * second)))
        one.say(last + second + 0.1, "motion", motion_m_s2=0.0, still_s=float(second))
    who = {"incident_id": "I-1", "wearer_id": "W-1", "set_id": "S-1", "team": "Larch"}
    desk.say(10, "tally", action="in", **who)
    desk.say(last + 5, "tally", action="out", **who)
    found = analyse(log.frames(), PROFILE)["findings"]
    assert (found["code"] == "under_air_after_out").sum() == told
