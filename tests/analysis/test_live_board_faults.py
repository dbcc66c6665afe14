"""Faults that the live board once had, one test each."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.incident import analyse
from analysis.live.board import LiveBoard
from analysis.live.rows import Row, Snapshot
from analysis.live.set_now import SetNow
from analysis.profile import Profile, parse_profile


def breathe(talker: Any, from_s: int, to_s: int, start_bar: float = 280.0, **first: Any) -> None:
    """Say a pressure a second, falling by 0.11 bar a second."""
    for second in range(from_s, to_s):
        bar = float(round(start_bar - 0.11 * (second - from_s)))
        talker.say(second, "pressure", pressure_bar=bar, **(first if second == from_s else {}))


def only(snapshot: Snapshot) -> Row:
    assert len(snapshot.rows) == 1
    return snapshot.rows[0]


def codes(row: Row) -> list[str]:
    return [reason.code for reason in row.reasons]


IMPOSSIBLE = [("low_air_bar", one) for one in (-5.0, 0.0, 9.9, 150.1, 1e9, 1e308)] + [
    ("no_motion_alarm_s", -1.0),
    ("no_motion_alarm_s", 0.0),
    ("no_motion_prealarm_s", 1e9),
    ("heat_start_c", -273.0),
]


@pytest.mark.parametrize(("name", "value"), IMPOSSIBLE)
def test_a_threshold_that_no_set_can_mean_counts_as_not_sent(
    log: Any, see: Any, name: str, value: float
) -> None:
    """A warning at 0 bar never came: no low air for ever, turn-back at 150 bar, and no word of it."""
    for set_id, more in (("S-1", {name: value}), ("S-2", {})):
        one = log.talker(set_id)
        one.set_up(0, **more)
        breathe(one, 1, 60)
    row, sound = sorted(see(60).rows, key=lambda each: each.set_id)
    assert "odd_threshold" in codes(row)
    assert "odd_threshold" not in codes(sound)
    assert (row.low_air, row.turn_back, row.low_air_bar) == (sound.low_air, sound.turn_back, 55.0)
    found = analyse(log.frames(), Profile.default())["findings"]
    told = found.filter(code="threshold_impossible")
    assert told["set_id"].to_list() == ["S-1"]
    assert f"{name} {value:.6g}, which is impossible" in told["statement"][0]
    assert len(told["statement"][0]) < 300


@pytest.mark.parametrize("water_volume_l", [0.0, 1e-9, 1e300])
def test_a_setup_with_a_cylinder_that_cannot_be_leaves_the_cylinder_unknown(
    log: Any, see: Any, water_volume_l: float
) -> None:
    one = log.talker("S-1")
    one.set_up(0, cylinders={"count": 1, "water_volume_l": water_volume_l, "rated_bar": 300.0})
    breathe(one, 1, 60)
    row = only(see(60))
    assert (row.attention, row.pressure_bar, row.cylinder_known) == ("under_air", 274.0, False)
    assert "no_setup" in codes(row)
    assert row.low_air is not None, "minutes to a pressure need no cylinder"
    assert (row.rate_l_min, row.if_hardest) == (None, None), "litres do"


@pytest.mark.parametrize("water_volume_l", [0.0, 9.0])
def test_a_wear_keeps_the_cylinder_it_began_with_and_says_that_the_set_now_names_another(
    log: Any, see: Any, water_volume_l: float
) -> None:
    one, other = log.talker("S-1"), log.talker("S-2")
    one.set_up(0)
    other.set_up(0)
    breathe(one, 1, 400)
    breathe(other, 1, 400)
    one.set_up(300.5, cylinders={"count": 1, "water_volume_l": water_volume_l, "rated_bar": 300.0})
    told, plain = sorted(see(400).rows, key=lambda row: row.set_id)
    assert told.cylinder_known
    assert codes(told) == [*codes(plain), "other_setup"]
    assert told.low_air is not None
    assert told.low_air == plain.low_air
    # The next wear takes what was said last.
    one.say(401, "pressure", pressure_bar=0.0)
    breathe(one, 410, 500)
    next_wear = next(row for row in see(500).rows if row.set_id == "S-1")
    assert next_wear.cylinder_known == (water_volume_l > 0)
    assert ("no_setup" in codes(next_wear)) == (water_volume_l == 0)
    assert (next_wear.rate_l_min is None) == (water_volume_l == 0)
    assert next_wear.low_air is not None


def test_of_two_setups_in_one_wear_the_higher_warning_and_the_smaller_cylinder_count(
    log: Any, see: Any
) -> None:
    one = log.talker("S-1")
    one.set_up(0)
    breathe(one, 1, 400)
    one.set_up(100.5, low_air_bar=100.0)
    one.set_up(150.5, cylinders={"count": 1, "water_volume_l": 3.0, "rated_bar": 300.0})
    before, after = only(see(90)), only(see(200))
    assert (before.low_air_bar, before.turn_back_bar) == (55.0, (280.0 + 55.0) / 2.0)
    assert (after.low_air_bar, after.turn_back_bar) == (100.0, (280.0 + 100.0) / 2.0)
    assert codes(after).count("other_setup") == 1
    assert after.low_air is not None
    assert before.low_air is not None
    assert after.low_air.median < 0.5 * before.low_air.median
    (wear,) = analyse(log.frames(), Profile.default())["wears"].to_dicts()
    assert (wear["turn_back_bar"], wear["low_air_bar"]) == (190.0, 100.0)


def test_a_first_gas_temperature_that_cannot_be_is_not_believed(log: Any, see: Any) -> None:
    one, other = log.talker("S-1"), log.talker("S-2")
    one.set_up(0)
    other.set_up(0)
    breathe(one, 1, 300, gas_temperature_c=-273.15)
    breathe(other, 1, 300)
    rows = see(300).rows
    rates = [row.rate_l_min for row in rows]
    assert rates[0] is not None
    assert rates[0] > 20.0
    assert rates[0] == pytest.approx(rates[1])


def test_a_setup_after_the_valve_was_opened_starts_the_forecast_of_that_wear(log: Any, see: Any) -> None:
    late, early = log.talker("S-1"), log.talker("S-2")
    early.set_up(0)
    late.set_up(300.5)
    breathe(late, 1, 400)
    breathe(early, 1, 400)
    before = {row.set_id: row for row in see(300).rows}
    assert (before["S-1"].cylinder_known, before["S-1"].rate_l_min) == (False, None)
    assert "no_setup" in codes(before["S-1"])
    after = {row.set_id: row for row in see(400).rows}
    assert after["S-1"].cylinder_known
    assert "no_setup" not in codes(after["S-1"])
    assert after["S-1"].started_at == before["S-1"].started_at
    assert after["S-1"].low_air.median == pytest.approx(after["S-2"].low_air.median, rel=0.1)
    assert after["S-1"].rate_l_min == pytest.approx(after["S-2"].rate_l_min, rel=0.1)


def test_a_late_setup_gives_the_policy_that_counts_litres_its_moment(log: Any) -> None:
    profile = parse_profile(
        'name = "trial"\ntitle = "t"\ndecides = "d"\n[turn_back]\npolicy = "fixed_margin"\n', "trial.toml"
    )
    see = log.seen_on(LiveBoard(profile))
    one = log.talker("S-1")
    one.set_up(100.5, cylinders={"count": 1, "water_volume_l": 4.0, "rated_bar": 300.0})
    breathe(one, 1, 120)
    usual, named = only(see(100)), only(see(120))
    assert usual.start_bar is not None
    assert usual.turn_back is not None  # as for a usual cylinder
    assert usual.turn_back.high == pytest.approx(6.8 * usual.start_bar / 40.0 - 10.0 - 99 / 60, abs=0.1)
    assert named.turn_back is not None
    assert named.turn_back.high == pytest.approx(4.0 * usual.start_bar / 40.0 - 10.0 - 119 / 60, abs=0.1)


def test_a_set_that_says_motion_but_not_how_long_it_was_still_has_its_stillness_counted(
    log: Any, see: Any
) -> None:
    one = log.talker("S-1")
    one.set_up(0)
    breathe(one, 1, 120)
    for second in range(1, 120):
        one.say(second + 0.3, "motion", motion_m_s2=0.1 if 40 <= second < 90 else 1.2)
    assert see(68).alarms == ()  # last motion at 39 s, still from the reading at 40 s
    (line,) = see(72).alarms
    assert (line.alarm, line.derived) == ("no_motion", True)
    assert line.raised_at == pytest.approx(log.at(69.3).timestamp(), abs=1.1)
    (line,) = see(95).alarms  # it is over, and waits until somebody has seen it
    assert line.ended_at == pytest.approx(log.at(90.3).timestamp(), abs=1.1)


def test_stillness_is_counted_at_the_pace_of_a_slow_motion_sensor(log: Any, see: Any) -> None:
    one = log.talker("S-1")
    one.set_up(0)
    breathe(one, 1, 150)
    for second in range(2, 150, 8):
        one.say(second + 0.3, "motion", motion_m_s2=1.2 if second < 50 else 0.1)
    assert see(73).alarms == ()  # last motion at 42 s, so still for 30 s from the reading at 74 s
    (line,) = see(76).alarms
    assert line.alarm == "no_motion"


def test_stillness_is_not_counted_across_a_silence_of_the_motion_sensor(log: Any, see: Any) -> None:
    one = log.talker("S-1")
    one.set_up(0)
    breathe(one, 1, 120)
    for second in (10, 11, 12, 60, 61, 62):
        one.say(second + 0.3, "motion", motion_m_s2=0.1)
    assert see(80).alarms == ()


def test_an_acknowledged_after_its_cleared_raises_no_phantom(log: Any, see: Any) -> None:
    one, desk = log.talker("S-1"), log.desk()
    one.set_up(0)
    breathe(one, 1, 100)
    for second, state in ((10, "raised"), (20, "cleared"), (30, "acknowledged"), (60, "raised")):
        one.say(second, "alarm", alarm="distress", state=state)
    desk.say(15, "seen", set_id="S-1", alarm="distress")
    assert len(see(16).alarms) == 1
    assert see(40).alarms == ()
    (line,) = see(61).alarms  # a new one is
    assert (line.inferred, line.acknowledged_at) == (False, None)


def test_a_straggler_of_an_earlier_power_up_disturbs_neither_wear_nor_alarms_nor_clock(
    log: Any, see: Any
) -> None:
    def late(true_s: float) -> float:
        return 60.0 if true_s == 20.5 else 0.05

    first = log.talker("S-1", boot=7, delay=late)
    second = log.talker("S-1", boot=3, clock=lambda true_s: true_s - 900.0)
    first.set_up(0)
    breathe(first, 1, 25)
    first.say(20.5, "alarm", alarm="evacuate", state="raised")  # received at 80.5 s
    breathe(second, 40, 120, start_bar=270.0)
    second.say(60, "alarm", alarm="distress", state="raised")
    before, after = see(80), see(82)
    assert only(after).started_at == only(before).started_at
    assert only(after).started_at == pytest.approx(log.at(40).timestamp(), abs=1.1)
    # The straggler's alarm was raised and nobody closed it: its state is unknown since the restart.
    assert [line.alarm for line in after.alarms] == ["distress", "evacuate"]
    assert [line.unknown_since_at is not None for line in after.alarms] == [False, True]
    assert after.alarms[0].ended_at is None
    assert only(after).pressure_at == pytest.approx(log.at(81.05).timestamp(), abs=1.1)


def test_a_set_that_goes_back_to_an_earlier_boot_number_is_shown(log: Any, see: Any) -> None:
    """Against the contract, but its wearer is under air: an alarm must not be taken for a straggler."""
    for boot, begins_s in ((1, 0), (2, 100), (1, 200)):
        one = log.talker("S-1", boot=boot)
        one.set_up(begins_s)
        breathe(one, begins_s + 1, begins_s + 80, start_bar=250.0 - begins_s / 10)
    one.say(270, "alarm", alarm="distress", state="raised")
    shown = see(275)
    assert only(shown).pressure_at == pytest.approx(log.at(275).timestamp(), abs=1.1)
    assert only(shown).started_at == pytest.approx(log.at(201).timestamp(), abs=1.1)
    assert [line.alarm for line in shown.alarms] == ["distress"]


def test_an_alarm_under_a_boot_number_that_is_used_again_is_shown(log: Any, see: Any) -> None:
    """`seq` begins anew with the power-up: a smaller number is not always an overtaken message."""
    for begins_s in (0, 200):
        one, desk = log.talker("S-1"), log.desk(f"D-{begins_s}")
        one.set_up(begins_s)
        breathe(one, begins_s + 1, begins_s + 80 - begins_s // 5)
        one.say(begins_s + 20 + (200 - begins_s) // 5, "alarm", alarm="distress", state="raised")
        assert [line.ended_at for line in see(begins_s + 70).alarms] == [None]
        desk.say(begins_s + 72, "seen", set_id="S-1", alarm="distress")
        one.say(begins_s + 75, "alarm", alarm="distress", state="cleared")
        assert see(begins_s + 79).alarms == ()


def test_the_moment_that_a_note_is_about_is_put_right_with_its_desks_clock(log: Any, see: Any) -> None:
    desk = log.talker("D-1", role="desk", clock=lambda true_s: true_s + 600.0)
    about = log.at(20.0 + 600.0).isoformat()  # as the desk's clock showed it then
    desk.say(30, "note", incident_id="I-1", text="ladder up", at=about)
    (note,) = see(31).notes
    assert note.at == pytest.approx(log.at(20).timestamp(), abs=0.1)


def test_one_sets_fault_leaves_the_others_on_the_board(
    log: Any, see: Any, board: LiveBoard, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("S-1", "S-2"):
        one = log.talker(name)
        one.set_up(0)
        breathe(one, 1, 130)
    assert [row.low_air is not None for row in see(100).rows] == [True, True]
    asked = SetNow.ask

    def fails(self: SetNow, power_ups: Any, *others: Any) -> None:
        if self.set_id == "S-2":
            self.power_ups = power_ups
            raise ZeroDivisionError("no litres")
        asked(self, power_ups, *others)

    monkeypatch.setattr(SetNow, "ask", fails)
    rows = {row.set_id: row for row in see(120).rows}
    assert {name for name, _ in board.faults} == {"trial/S-2"}
    assert isinstance(board.faults[0][1], ZeroDivisionError)
    assert rows["S-1"].low_air is not None
    assert (rows["S-2"].low_air, rows["S-2"].pressure_bar) == (None, 267.0)
    monkeypatch.setattr(SetNow, "ask", asked)

    def unknown(*args: Any) -> Any:
        raise FloatingPointError("no outlook")

    board.faults.clear()
    monkeypatch.setattr("analysis.live.inside.look_ahead", unknown)
    rows = {row.set_id: row for row in see(130).rows}
    assert rows["S-1"].pressure_bar == 266.0  # without a forecast rather than not at all
    assert rows["S-1"].low_air is None
    assert {name for name, _ in board.faults} == {"trial/S-1", "trial/S-2"}


def test_a_silent_wearer_counts_as_lost_from_the_early_end_of_their_air(log: Any, see: Any) -> None:
    desk, one = log.desk(), log.talker("S-1")
    desk.say(0, "tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1", team="Alder")
    one.set_up(1)
    one.breathe(20, 600, bar_s=0.2, closes=False)
    (row,) = see(640).rows
    assert row.silent_since_at is not None
    assert row.lost is None
    assert row.low_air_was_expected_at is not None
    first_s, last_s = (at - log.at(0).timestamp() for at in row.low_air_was_expected_at)
    assert 640.0 < first_s < last_s - 10.0
    (before,) = see(first_s - 1.0).rows
    assert before.lost is None
    (after,) = see(first_s + 1.0).rows
    assert after.lost is not None
    assert after.lost.code == "silent"


def test_a_gauge_said_of_a_set_that_is_heard_takes_the_place_of_no_reading(log: Any, see: Any) -> None:
    desk, one = log.desk(), log.talker("S-1")
    desk.say(0, "tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1", team="Alder")
    one.set_up(1)
    one.breathe(20, 300, bar_s=0.2, closes=False)
    desk.say(200, "gauge", incident_id="I-1", set_id="S-1", pressure_bar=255.0)
    for at_s in (201, 300):
        (row,) = see(at_s).rows
        assert (row.by_voice, row.pressure_bar) == (False, pytest.approx(300.0 - 0.2 * (at_s - 20), abs=1.0))


def test_a_lost_setup_moves_neither_its_wearer_down_nor_the_team_s_turn_back_later(
    log: Any, see: Any
) -> None:
    """No forecast, the last row, and the team judged by its other member: 15 min, 1 not known."""
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    for set_id, team, bar_s, names_it in (
        ("S-1", "A", 0.16, False),
        ("S-2", "A", 0.07, True),
        ("S-3", "B", 0.16, True),
    ):
        fields = {"incident_id": "I-1", "action": "in", "wearer_id": set_id.replace("S", "W"), "team": team}
        desk.say(1, "tally", set_id=set_id, **fields)
        one = log.talker(set_id)
        if names_it:
            one.set_up(2)
        one.breathe(20, 900, bar_s=bar_s, closes=False)
    for at_s in (40, 300, 700, 760, 900):  # planned; forecast; a minute before turn-back; after it
        shown = see(at_s)
        rows = {row.set_id: row for row in shown.rows}
        order = [row.set_id for row in shown.rows]
        assert order.index("S-1") < order.index("S-2")
        assert rows["S-1"].attention == rows["S-3"].attention
        assert "no_setup" in codes(rows["S-1"])
        for one, other in (
            (rows["S-1"].low_air, rows["S-3"].low_air),
            (rows["S-1"].turn_back, rows["S-3"].turn_back),
        ):
            assert (one is None) == (other is None)
            if one is not None:
                assert (one.low, one.median, one.high) == pytest.approx((other.low, other.median, other.high))
        assert rows["S-1"].turn_back_reached_at == rows["S-3"].turn_back_reached_at


def test_a_silent_wearer_of_an_unknown_cylinder_is_not_accounted_for_as_soon_as_before(
    log: Any, see: Any
) -> None:
    one = log.talker("S-1")
    one.breathe(20, 300, closes=False)
    never_heard_s = Profile.default().entry.never_heard_s
    assert only(see(320 + never_heard_s + 30)).attention == "not_accounted"
