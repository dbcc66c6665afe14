"""Thirteen cases in which 0.3.0 reassured the desk or contradicted itself while somebody was in danger.

Each test has the number of its case. Only names that 0.3.0 had, too, are imported: on that version each fails
by its assertion.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from analysis.incident import analyse
from analysis.live.board import LiveBoard
from analysis.live.rows import Snapshot
from analysis.profile import Profile
from dashboard.live.desk import Desk
from dashboard.trends.wear_ledger import WearLedger
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.contract.captures import Heard
from ingest.contract.errors import BrokerProblem
from tests.analysis.conftest import Talker, WrittenLog

PROFILE = Profile.default()
BAR_S = 0.1


@pytest.fixture
def log() -> WrittenLog:
    return WrittenLog()


@pytest.fixture
def see(log: WrittenLog) -> Callable[[float], Snapshot]:
    """Show the live board at a true time of the log."""
    return log.seen_on(LiveBoard(PROFILE))


def tallied(desk: Talker, at_s: float, action: str, wearer: str, set_id: str, **more: Any) -> None:
    who = {"incident_id": "I-1", "wearer_id": wearer, "set_id": set_id, "team": "Larch"} | more
    desk.say(at_s, "tally", action=action, **who)


def two_inside(log: WrittenLog, bar_s: tuple[float, float], seconds: int) -> tuple[Talker, Talker]:
    """Two wearers of one team, each with its own use of air, whose sets then fall silent."""
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    sets = (log.talker("S-1"), log.talker("S-2"))
    for number, (one, fall) in enumerate(zip(sets, bar_s, strict=True), 1):
        one.set_up(0)
        tallied(desk, number, "in", f"W-{number}", one.name)
        one.breathe(20, seconds, bar_s=fall, closes=False)
    return sets


def results_of(log: WrittenLog) -> dict[str, Any]:
    return dict(analyse(log.frames(), PROFILE))


def codes_of(log: WrittenLog) -> list[str]:
    return results_of(log)["findings"]["code"].to_list()


def test_case_1_whose_cylinder_ran_empty_inside_stays_in_the_first_row(
    log: WrittenLog, see: Callable[[float], Snapshot]
) -> None:
    """He became "Off air", grey, in the last row; his alarm was gone; his team read "lowest 210 bar"."""
    low, _ = two_inside(log, (0.74, 0.1), 400)
    low.say(360, "alarm", alarm="low_air", state="raised")
    for second in range(420, 480):
        low.say(second, "pressure", pressure_bar=0.0)
    shown = see(475)
    assert shown.rows[0].wearer_id == "W-1"
    assert shown.rows[0].attention == "not_accounted"
    assert [line.set_id for line in shown.alarms if line.alarm == "low_air"] == ["S-1"]
    assert shown.teams[0].lowest_bar is not None
    assert shown.teams[0].lowest_bar < 10.0


@pytest.mark.parametrize("how", ["switched off", "restarted"])
def test_case_2_a_distress_goes_on_when_the_set_is_switched_off_or_restarted(
    how: str, log: WrittenLog, see: Callable[[float], Snapshot]
) -> None:
    """A distress that nobody had seen was struck out, and its sound stopped."""
    one, _ = two_inside(log, (0.1, 0.1), 400)
    one.say(300, "alarm", alarm="distress", state="raised")
    if how == "switched off":
        one.say(421, "power", state="off")
    else:
        log.talker("S-1", boot=2).say(421, "power", state="on")
    shown = see(430)
    assert (shown.rows[0].wearer_id, shown.rows[0].attention) == ("W-1", "distress")
    (line,) = [line for line in shown.alarms if line.alarm == "distress"]
    assert (line.ended_at, line.seen_at) == (None, None)


def team_turns_back_by(shown: Snapshot) -> float:
    """The earliest moment by which the page lets a team turn back."""
    (team,) = shown.teams
    known = [team.turn_back_reached_at, getattr(team, "turn_back_by_at", None)]
    if team.turn_back is not None:
        known.append(shown.at + 60.0 * team.turn_back.low)
    return min(at for at in known if at is not None)


def test_case_3_a_silent_member_makes_no_team_turn_back_later(
    log: WrittenLog, see: Callable[[float], Snapshot]
) -> None:
    """A team read "turn back in 2 min"; its lowest member's radio failed, and it read "13 min"."""
    _, other = two_inside(log, (0.24, 0.05), 300)
    by_at = team_turns_back_by(see(319))
    for second in range(320, 400):
        other.say(second, "pressure", pressure_bar=285.0)
    assert team_turns_back_by(see(390)) <= by_at + 1.0


def test_case_4_a_restart_in_mid_wear_keeps_the_turn_back_pressure(
    log: WrittenLog, see: Callable[[float], Snapshot]
) -> None:
    """It fell from 177 to 151, then to 123 bar: counted from what was left. One wear became three rows."""
    for boot, from_s, seconds, start_bar in (
        (1, 60, 600, 300.0),
        (2, 665, 600, 239.5),
        (3, 1270, 700, 179.0),
    ):
        one = log.talker("S-1", boot)
        one.set_up(from_s - 1)
        one.breathe(from_s, seconds, start_bar=start_bar, bar_s=BAR_S, opens=boot == 1, closes=boot == 3)
    desk = log.desk()
    tallied(desk, 50, "in", "W-1", "S-1")
    tallied(desk, 2000, "out", "W-1", "S-1")
    # 55 + (300 - 55) / 2
    assert [row.turn_back_bar for row in see(1500).rows] == [177.5]
    assert results_of(log)["wears"]["turn_back_bar"].to_list() == [177.5] * 3


def test_case_5_tallied_out_under_another_incident_he_is_in_no_team_of_that_one(
    log: WrittenLog, see: Callable[[float], Snapshot]
) -> None:
    """He appeared in the other incident's team of the same name, and that team "was past turn-back"."""
    desk = log.desk()
    for number, incident in ((1, "I-A"), (2, "I-B")):
        desk.say(0, "incident", incident_id=incident, action="open")
        one = log.talker(f"S-{number}")
        one.set_up(0)
        tallied(desk, 10, "in", f"W-{number}", f"S-{number}", incident_id=incident)
        one.breathe(20, 1000, bar_s=0.05 if number == 1 else 0.2, closes=False)
    tallied(desk, 900, "out", "W-2", "S-2", incident_id="I-A")  # the select box showed I-A
    before, after = see(890), see(910)
    (team,) = [team for team in after.teams if team.incident_id == "I-A"]
    assert team.members == 1
    assert team.turn_back_reached_at is None
    assert [row.tallied_in_at is not None for row in before.rows if row.wearer_id == "W-2"] == [True]
    assert not any(row.tallied_in_at for row in after.rows if row.wearer_id == "W-2")


def test_case_6_a_tally_put_right_later_leaves_everybody_with_a_wear(log: WrittenLog) -> None:
    """W-06 had no wear, no row, nowhere; W-05 had worn two sets for 35 minutes. No finding."""
    for set_id in ("S-5", "S-6"):
        one = log.talker(set_id)
        one.set_up(-1)
        one.breathe(60, 2400, bar_s=0.08)
    desk = log.desk()
    tallied(desk, 50, "in", "W-06", "S-6")
    tallied(desk, 52, "in", "W-05", "S-6")
    tallied(desk, 412, "in", "W-05", "S-5")
    tallied(desk, 2500, "out", "W-05", "S-5")
    tallied(desk, 2502, "out", "W-06", "S-6")
    wears = results_of(log)["wears"]
    assert dict(wears.select("set_id", "wearer_id").iter_rows()) == {"S-5": "W-05", "S-6": "W-06"}
    assert "two_wearers_one_set" in codes_of(log)


def test_case_7_what_was_received_but_refused_is_not_called_lost(log: WrittenLog) -> None:
    """272 readings were refused. The review said "not heard, lost: 272; what happened was not observed"."""
    one = log.talker("S-1")
    one.set_up(-1)
    one.breathe(60, 600, silent=(200.0, 291.0))
    tallied(log.desk(), 50, "in", "W-1", "S-1")
    for at_s, heard in [(at_s, heard) for at_s, heard in _all_of(log) if 200.0 <= at_s < 291.0]:
        told = json.loads(heard.payload)
        refused = {**told, "pressure_bar": 4200.0, "motion_m_s2": -1.0, "temperature_c": 9e9}
        topic = heard.topic
        log.extra.append(Heard(log.at(at_s + 0.05), topic, json.dumps(refused).encode(), False))
    results = results_of(log)
    assert len(log.extra) == 273
    assert results["wears"]["lost_messages"].to_list() == [0]
    assert any("refused: 273" in statement for statement in results["findings"]["statement"])


def _all_of(log: WrittenLog) -> list[tuple[float, Heard]]:
    """What the sets said, lost or not."""
    found = []
    for talker in log.talkers:
        said = talker.said
        talker.said = [(at_s, kind, False, retained, fields) for at_s, kind, _, retained, fields in said]
        found += talker.heard()
        talker.said = said
    return found


def test_case_8_an_alarm_that_arrived_late_names_when_it_was_heard(log: WrittenLog) -> None:
    """The review showed "raised 23:56:40, seen 23:59:10": a slow desk. It could not have known."""
    one = log.talker("S-1", delay=lambda at: 340.0 - at + 0.05 if 200 <= at < 340 else 0.05)
    one.set_up(-1)
    one.breathe(60, 600)
    one.say(220, "alarm", alarm="distress", state="raised")
    log.desk().say(350, "seen", set_id="S-1", alarm="distress")
    findings = results_of(log)["findings"]
    assert "alarm_unanswered" not in findings["code"].to_list()
    told = [row["statement"] for row in findings.to_dicts() if row["code"] == "heard_late"]
    assert any("raised at 10:03:40 UTC, heard at 10:05:40 UTC, seen at 10:05:50 UTC" in one for one in told)


def test_case_9_a_sensor_that_reads_too_high_is_recognised_and_the_sets_own_warning_named(
    log: WrittenLog,
) -> None:
    """A finding said when "the warning" came, by a sensor 12 bar high; the set's own came before."""
    one = log.talker("S-1")
    one.set_up(-1)
    for second in range(10):
        one.say(40 + second, "pressure", pressure_bar=12.0)
    last = one.breathe(60, 2700, start_bar=312.0, bar_s=BAR_S, opens=False, closes=False)
    one.say(60 + (300.0 - 55.0) / BAR_S, "alarm", alarm="low_air", state="raised")
    for second in range(10):
        one.say(last + 1 + second, "pressure", pressure_bar=12.0)
    said = {row["code"]: row["statement"] for row in results_of(log)["findings"].to_dicts()}
    assert "about 12 bar too high" in said.get("pressure_offset", "")
    assert "(reported)" in said["under_air_below_warning"]
    assert "(derived)" in said["under_air_below_warning"]


def test_case_10_a_free_flow_is_losing_air_and_not_turn_back_soon(
    log: WrittenLog, see: Callable[[float], Snapshot]
) -> None:
    """290 L/min was called "Turn back soon" for a minute."""
    leaking, _ = two_inside(log, (0.1, 0.1), 420)
    for second in range(20):
        leaking.say(440 + second, "pressure", pressure_bar=258.0 - round(290.0 / 60.0 / 6.8 * second))
    assert [row.attention for row in see(460).rows if row.wearer_id == "W-1"] == ["losing_air"]


@pytest.mark.broker
def test_case_11_nothing_is_sent_before_the_broker_has_it(mosquitto: Any) -> None:
    """The desk pressed send while the broker was away: "sent", and the form emptied."""
    desk = Desk.at_broker(mosquitto.url, "D-1")
    note = {"incident_id": "I-1", "text": "gate open"}
    desk.send("note", "trial", note)
    mosquitto.kill()
    try:
        with pytest.raises(BrokerProblem):
            desk.send("note", "trial", note)
    finally:
        desk.close()


def test_case_12_a_drop_out_of_the_sensor_keeps_the_cylinder_and_is_told(log: WrittenLog) -> None:
    """129, 21, 128 bar within 54 s: two wears, the air between lost, no finding."""
    one = log.talker("S-1")
    one.set_up(-1)
    one.breathe(60, 1510, start_bar=280.0, bar_s=BAR_S, closes=False)
    one.say(1597, "pressure", pressure_bar=21.0)
    one.breathe(1624, 300, start_bar=126.0, bar_s=BAR_S, opens=False)
    tallied(log.desk(), 50, "in", "W-1", "S-1")
    results = results_of(log)
    assert set(results["wears"]["turn_back_bar"]) == {167.5}
    assert "readings_dropped_out" in results["findings"]["code"].to_list()


def test_case_13_an_outage_of_40_minutes_is_one_wear_with_a_gap_to_the_trends_too(
    log: WrittenLog, tmp_path: Path
) -> None:
    """The review said one wear with a gap of 2,402 s; the trends two with one id, silence 0."""
    one = log.talker("S-1")
    one.set_up(550)
    last_s = one.breathe(600, 3600, bar_s=0.05, silent=(1200.0, 3600.0))
    one.say(last_s + 10, "power", state="off", battery_fraction=0.8)
    desk = log.desk()
    tallied(desk, 590, "in", "W-1", "S-1")
    tallied(desk, last_s + 20, "out", "W-1", "S-1")
    frames = log.frames()
    (tmp_path / "archive").mkdir()
    seal_messages(tmp_path / "archive", frames, "log")
    ledger = WearLedger(Archive(tmp_path / "archive"), PROFILE)
    ledger.update(datetime(2040, 1, 1, tzinfo=UTC))
    told = ledger.tables()["wears"].select("wear_id", "silent_min").rows()
    review = analyse(frames, PROFILE)["wears"].select("wear_id", "gap_s").rows()
    assert told == [(wear_id, pytest.approx(gap_s / 60.0)) for wear_id, gap_s in review]
    assert review == [("S-1/1/1", pytest.approx(2401.0, abs=2.0))]
