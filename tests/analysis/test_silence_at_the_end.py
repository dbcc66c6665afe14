"""No figure gets better when messages are missing: silence counts until the set or a person ends it."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from analysis.incident import analyse
from analysis.profile import Profile
from analysis.trends.ledger import ledger_of

PROFILE = Profile.default()


def inside(log: Any, *, closes: bool = True, bar_s: float = 0.085, **more: Any) -> tuple[Any, Any, float]:
    """W-1 goes in with S-1 for 2,800 s and is tallied out a minute later."""
    desk, one = log.desk(), log.talker("S-1")
    desk.say(0, "incident", incident_id="I-1", action="open")
    one.set_up(0)
    desk.say(10, "tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1", team="Alder")
    last_s = one.breathe(20, 2800, bar_s=bar_s, closes=closes, **more)
    desk.say(last_s + 60, "tally", incident_id="I-1", action="out", set_id="S-1", wearer_id="W-1")
    return desk, one, last_s


def lose(one: Any, from_s: float) -> None:
    one.said = [each if each[0] < from_s else (*each[:2], True, *each[3:]) for each in one.said]


def entry_of(log: Any) -> dict[str, Any]:
    (row,) = analyse(log.frames(), PROFILE)["entries"].to_dicts()
    return dict(row)


@pytest.mark.parametrize("from_s", [1560, 2000, 2815, 2822])
def test_a_late_turn_gets_no_shorter_when_the_end_is_not_heard(log: Any, from_s: float) -> None:
    """Due at 10:24:22, the valve closed at 10:47:00."""
    _, one, _ = inside(log)
    full = entry_of(log)["turn_back_late_s"]
    assert full == pytest.approx(1357, abs=3)
    lose(one, from_s)
    assert entry_of(log)["turn_back_late_s"] >= full


def test_silence_counts_until_somebody_says_that_the_wearer_is_out(log: Any) -> None:
    _, one, last_s = inside(log)
    assert entry_of(log)["unheard_s"] == 0.0
    lose(one, 620)
    results = analyse(log.frames(), PROFILE)
    silence_s = last_s + 60 - 619
    assert results["entries"]["unheard_s"].to_list() == pytest.approx([silence_s], abs=1)
    assert results["gaps"]["seconds"].to_list() == pytest.approx([silence_s], abs=1)
    (told,) = [row for row in results["findings"].to_dicts() if row["code"] == "silence_under_air"]
    assert told["severity"] == "serious"
    assert "(tallied out)" in told["statement"]
    assert [one.split("/")[0] for one in told["evidence"]] == ["S-1", "D-1"]  # the last reading, the word
    (line,) = ledger_of(results, log.frames())["wears"].to_dicts()
    assert line["silent_min"] == pytest.approx(silence_s / 60.0, abs=0.1)


def test_who_was_never_heard_is_unheard_from_the_tally_on(log: Any) -> None:
    _, one, last_s = inside(log)
    lose(one, 0)
    assert entry_of(log)["unheard_s"] == pytest.approx(last_s + 50, abs=1)


def test_who_is_still_in_is_unheard_as_long_as_anything_is_known_of_the_incident(log: Any) -> None:
    desk, one = log.desk(), log.talker("S-1")
    one.set_up(0)
    one.breathe(20, 600, closes=False)
    desk.say(10, "tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1")
    desk.say(1600, "gauge", incident_id="I-1", set_id="S-1", pressure_bar=100.0)
    row = entry_of(log)
    assert row["unheard_s"] == pytest.approx(981, abs=1)
    assert row["ended_how"] == "open"


@pytest.mark.parametrize("minutes", [20, 90])
def test_a_restart_after_a_long_outage_is_one_silence_in_entry_wear_and_trends(
    log: Any, minutes: int
) -> None:
    desk, one = log.desk(), log.talker("S-1")
    one.set_up(0)
    one.breathe(20, 300, bar_s=0.05, closes=False)
    desk.say(10, "tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1")
    again, back_s = log.talker("S-1", 2), 320 + 60 * minutes
    again.set_up(back_s - 1)
    again.breathe(back_s, 300, start_bar=268.0, bar_s=0.05, opens=False)
    results = analyse(log.frames(), PROFILE)
    silence_s = back_s - 319
    codes = results["findings"]["code"].to_list()
    assert codes.count("silence_under_air") == codes.count("set_restarted") == 1
    assert "started_below_ready" not in codes
    assert results["entries"]["unheard_s"].to_list() == pytest.approx([silence_s], abs=1)
    assert results["wears"]["gap_s"].to_list() == pytest.approx([silence_s, 0.0], abs=1)


def events_of(log: Any) -> list[tuple[int, int, int | None]]:
    """Return no-motion alarms, distress alarms and exits below the warning of each line of the ledger."""
    messages = log.frames()
    wears = ledger_of(analyse(messages, PROFILE), messages)["wears"].sort("started")
    return list(wears.select("no_motion_alarms", "distress_alarms", "low_air_exits").iter_rows())


def test_an_alarm_raised_in_a_wears_silence_belongs_to_it(log: Any) -> None:
    """The gravest alarms come after a set's last reading: no wear held their moment, and none was counted."""
    _, one, last_s = inside(log)
    lose(one, 1500)
    one.say(1700, "alarm", alarm="distress", state="raised")
    one.say(1710, "alarm", alarm="no_motion", state="raised")
    assert last_s + 60 == 2879
    one.say(2900, "alarm", alarm="distress", state="raised")  # after the word out
    ((still, distress, _),) = events_of(log)
    assert (still, distress) == (1, 1)


def test_who_closes_the_valve_and_is_still_tallied_in_has_the_alarm(log: Any) -> None:
    """With the cylinder empty and the valve closed, a distress belonged to nobody."""
    _, one, last_s = inside(log)
    one.say(last_s + 40, "alarm", alarm="distress", state="raised")
    one.say(last_s + 100, "alarm", alarm="no_motion", state="raised")  # out, and the set laid down
    assert [(still, distress) for still, distress, _ in events_of(log)] == [(0, 1)]
    alarms = analyse(log.frames(), PROFILE)["alarms"].filter(pl.col("source") != "derived")
    assert alarms["entry_id"].to_list() == ["I-1/W-1/1", None]
    assert alarms["wearer_id"].to_list() == ["W-1", None]
    rates = analyse(log.frames(), PROFILE)["alarm_rates"]
    assert rates["alarms"].to_list() == [1]


def test_a_set_that_nobody_tallied_and_whose_valve_closed_sounds_for_nobody(log: Any) -> None:
    one = log.talker("S-1")
    one.set_up(0)
    last_s = one.breathe(20, 300)
    one.say(last_s + 40, "alarm", alarm="no_motion", state="raised")
    assert [still for still, _, _ in events_of(log)] == [0]


def test_an_alarm_before_the_first_reading_is_the_wearers_too(log: Any) -> None:
    _, one, _ = inside(log)
    one.say(12, "alarm", alarm="distress", state="raised")
    assert [distress for _, distress, _ in events_of(log)] == [1]


def test_an_alarm_in_the_silence_of_a_set_that_nobody_tallied_is_counted(log: Any) -> None:
    one = log.talker("S-1")
    one.set_up(0)
    one.breathe(20, 300, closes=False)
    one.say(500, "alarm", alarm="distress", state="raised")
    ((still, distress, _),) = events_of(log)
    assert (still, distress) == (0, 1)


def test_who_left_unheard_above_the_warning_is_unknown_and_below_it_by_voice_is_known(log: Any) -> None:
    """Silence above the warning had counted as no exit below it: a failing radio looked safe."""
    desk, one, _ = inside(log)
    lose(one, 1500)
    assert [exits for _, _, exits in events_of(log)] == [None]
    desk.say(2500, "gauge", incident_id="I-1", set_id="S-1", pressure_bar=40.0)
    assert [exits for _, _, exits in events_of(log)] == [1]


def test_a_silence_that_the_set_itself_ended_leaves_the_exit_known(log: Any) -> None:
    _, one, _ = inside(log)
    one.said = [each if not 1500 <= each[0] < 1900 else (*each[:2], True, *each[3:]) for each in one.said]
    assert [exits for _, _, exits in events_of(log)] == [0]
