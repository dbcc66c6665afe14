"""Two sets that use one ID: both have a row, the tally counts for the first one, and a finding names both."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from analysis.incident import analyse
from analysis.profile import Profile
from analysis.records import PowerUp
from analysis.same_id import apart
from dashboard.live.display import STANDARD
from dashboard.live.row_view import row_view
from tests.analysis.test_parity import assert_same, told_by_board, told_by_review

PROFILE = Profile.default()


def two_sets(log: Any, *, seconds: int = 900, second_boot: int = 2) -> Any:
    """Boot 1 runs empty and is in distress; boot 2, switched on 80 s later, is another, fuller set."""
    desk = log.desk()
    desk.say(1, "incident", incident_id="I-1", action="open")
    desk.say(2, "tally", incident_id="I-1", action="in", wearer_id="W-1", set_id="S-1", team="Larch")
    first, second = log.talker("S-1"), log.talker("S-1", second_boot)
    first.set_up(4)
    second.set_up(85 if second_boot == 1 else 5)
    first.breathe(20, seconds, bar_s=0.3, closes=False)
    first.say(400, "alarm", alarm="distress", state="raised")
    second.breathe(100, seconds - 80, start_bar=290.0, closes=False)
    return desk


def test_both_sets_have_a_row_the_worse_one_first(log: Any, see: Any) -> None:
    two_sets(log)
    shown = see(900)
    assert [(row.set_id, row.wearer_id) for row in shown.rows] == [("S-1", "W-1"), ("S-1.boot2", None)]
    first, second = shown.rows
    assert (first.attention, first.pressure_bar, first.entry_bar) == ("distress", 36.0, 300.0)
    assert (second.pressure_bar, second.entry_bar) == (218.0, 290.0)
    assert {(line.set_id, line.alarm) for line in shown.alarms} == {("S-1", "distress"), ("S-1", "low_air")}
    whys = [row_view(row, shown.at, STANDARD)["why"] for row in shown.rows]
    assert "set S-1.boot2 uses the same ID: who wears which?" in whys[0]
    assert "set S-1 uses the same ID: who wears which?" in whys[1]


def test_a_desk_can_tally_the_second_set_in_under_its_own_name(log: Any, see: Any) -> None:
    desk = two_sets(log)
    desk.say(300, "tally", incident_id="I-1", action="in", wearer_id="W-2", set_id="S-1.boot2", team="Larch")
    rows = {row.wearer_id: row for row in see(310).rows}
    assert rows.keys() == {"W-1", "W-2"}
    assert rows["W-2"].entry_bar == 290.0


def test_a_second_set_that_restarts_keeps_its_name(log: Any, see: Any) -> None:
    two_sets(log, seconds=300)
    again = log.talker("S-1", 3)
    again.set_up(330)
    again.breathe(340, 300, start_bar=265.0, opens=False, closes=False)
    log.talkers[1].breathe(320, 400, start_bar=210.0, bar_s=0.3, opens=False, closes=False)
    rows = {row.set_id: row for row in see(600).rows}
    assert rows.keys() == {"S-1", "S-1.boot2"}
    assert rows["S-1.boot2"].pressure_bar == pytest.approx(241.0, abs=2.0)


def test_live_and_afterwards_say_the_same_and_a_finding_names_both(log: Any, see: Any, board: Any) -> None:
    two_sets(log)
    for at_s in (95, 130, 500, 1000):
        see(at_s)
    assert_same(told_by_board(board), told_by_review([heard for _, heard in log.heard()]))
    results = analyse(log.frames(), PROFILE)
    (told,) = results["findings"].filter(code="two_sets_one_id").to_dicts()
    assert "Two sets used the ID S-1 at the same time" in told["statement"]
    assert told["set_id"] == "S-1.boot2"
    assert all(one.startswith("S-1/2/") for one in told["evidence"])  # as the messages have it
    assert not {"cylinder_changed", "set_restarted"} & set(results["findings"]["code"])


def test_a_set_that_restarts_is_one_set(log: Any, see: Any) -> None:
    first, second = log.talker("S-1"), log.talker("S-1", 2)
    first.set_up(4)
    last_s = first.breathe(20, 300, closes=False)
    second.set_up(last_s + 5)
    second.breathe(last_s + 10, 300, start_bar=270.0, opens=False, closes=False)
    assert [row.set_id for row in see(last_s + 200).rows] == ["S-1"]
    assert "two_sets_one_id" not in analyse(log.frames(), PROFILE)["findings"]["code"].to_list()


def test_readings_of_before_a_restart_that_come_late_are_of_the_same_set(log: Any, see: Any) -> None:
    """The set stored them, and sends two for each one of now."""
    first = log.talker("S-1", delay=lambda at: 330.0 - at / 2 if at >= 200 else 0.05)
    second = log.talker("S-1", 2)
    first.set_up(4)
    last_s = first.breathe(20, 290, closes=False)
    second.set_up(last_s + 5)
    second.breathe(last_s + 10, 300, start_bar=270.0, opens=False, closes=False)
    assert [row.set_id for row in see(last_s + 250).rows] == ["S-1"]


@pytest.mark.parametrize("every_s", [20, 45])
def test_two_sets_with_one_id_and_one_boot_number_are_two_sets(
    log: Any, see: Any, board: Any, every_s: int
) -> None:
    """Mended: all that the second one said was dropped, since each number had been heard before."""
    two_sets(log, second_boot=1)
    for at_s in range(90, 900, every_s):
        see(at_s)
    shown = see(900)
    assert [row.set_id for row in shown.rows] == ["S-1", "S-1.boot1"]
    first, second = shown.rows
    assert (first.attention, first.pressure_bar, first.entry_bar) == ("distress", 36.0, 300.0)
    assert (second.pressure_bar, second.entry_bar) == (218.0, 290.0)
    see(1000)
    assert_same(told_by_board(board), told_by_review([heard for _, heard in log.heard()]))
    results = analyse(log.frames(), PROFILE)
    assert results["findings"].filter(code="two_sets_one_id").height == 1
    assert sorted(results["wears"]["set_id"]) == ["S-1", "S-1.boot1"]


def test_a_set_that_restarts_at_once_with_its_old_number_is_heard(log: Any, see: Any) -> None:
    """Mended: it restarted within three seconds, and nothing was shown until it came to new numbers."""
    first, second = log.talker("S-1"), log.talker("S-1")
    first.set_up(4)
    last_s = first.breathe(20, 300, closes=False)
    second.set_up(last_s + 1)
    second.breathe(last_s + 2, 300, start_bar=270.0, opens=False, closes=False)
    (row,) = see(last_s + 60).rows
    assert row.set_id == "S-1"
    assert row.pressure_at == pytest.approx(log.at(last_s + 60).timestamp(), abs=2.0)
    wears = analyse(log.frames(), PROFILE)["wears"]
    assert wears["ended"].max().timestamp() == pytest.approx(log.at(last_s + 301).timestamp(), abs=2.0)


def test_a_set_that_counts_each_kind_by_itself_is_one_set(log: Any) -> None:
    sets = [log.talker("S-1") for _ in range(2)]
    for second in range(600):
        sets[0].say(second + 0.1, "pressure", pressure_bar=300.0 - second * 0.1)
        if second % 7 == 0:
            sets[1].say(second + 0.2, "temperature", temperature_c=20.0)
    results = analyse(log.frames(), PROFILE)
    assert "two_sets_one_id" not in results["findings"]["code"].to_list()
    assert results["wears"]["set_id"].to_list() == ["S-1"]


def power_up(boot: int, *seconds: float, received: tuple[float, ...] = (), **more: Any) -> PowerUp:
    """A power-up with readings at these moments; those before 0 s are retained."""
    at_us = np.array([round(each * 1e6) for each in seconds], np.int64)
    received_us = np.array([round(each * 1e6) for each in received], np.int64) if received else at_us
    channel: Any = SimpleNamespace(at_us=at_us, received_us=received_us, retained=at_us < 0)
    return PowerUp(**{"role": "set", "name": "S-1", "boot": boot, "channels": {"pressure": channel}} | more)


def names(*records: PowerUp) -> list[str]:
    return [one.name for one in apart(records)]


ONE, TWO = ["S-1", "S-1"], ["S-1", "S-1.boot2"]


def test_readings_of_half_a_minute_and_three_of_each_make_two_sets() -> None:
    first = power_up(1, 0, 50, 100, 150)
    assert names(first, power_up(2, 100, 110, 130, 200)) == ONE  # two of the first one are in those 50 s
    first = power_up(1, *range(0, 150, 10))
    assert names(first, power_up(2, 100, 110, 130)) == TWO
    assert names(first, power_up(2, 100, 110, 129.9)) == ONE
    assert names(first, power_up(2, 100, 130)) == ONE
    assert names(first, power_up(2, 110, 120, 140, 141, 300)) == TWO
    assert names(first, power_up(2, 110.1, 120, 140, 141, 300)) == ONE  # its last reading is at 140 s


def test_what_was_retained_or_heard_at_another_time_makes_no_second_set() -> None:
    first = power_up(1, *range(0, 150, 10))
    assert names(first, power_up(2, -1, 20, 40, 60)) == TWO
    assert names(first, power_up(2, -1, -2, -3, 150, 160)) == ONE
    assert names(first, power_up(2, -1, -2, -3)) == ONE
    stored = power_up(2, 20, 40, 60, received=(220, 240, 260))
    assert names(first, stored) == ONE
    assert names(first, power_up(2, 20, 40, 60, channels={})) == ONE
    assert names(first, power_up(2, 20, 40, 60, role="desk")) == ONE


def test_a_third_set_and_the_restarts_of_each_have_the_name_of_their_first_power_up() -> None:
    first, second, third = (power_up(boot, *range(0, 100, 5)) for boot in (1, 2, 3))
    again = power_up(4, *range(80, 180, 5))  # overlaps the others for 15 s
    beside = power_up(5, *range(90, 150, 5))  # overlaps only the one before
    found = apart([first, second, third, again, beside])
    assert [one.name for one in found] == ["S-1", "S-1.boot2", "S-1.boot3", "S-1", "S-1.boot2"]
    assert [one.said_as for one in found] == ["", "S-1", "S-1", "", "S-1"]
