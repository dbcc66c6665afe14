"""Nothing that concerns a person disappears by itself from the live board: tallied in or not."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from analysis.incident import analyse
from analysis.live.rows import Row, Snapshot
from analysis.profile import Profile
from dashboard.live.display import Display
from dashboard.live.view import System, page


def untallied(log: Any, *, bar_s: float = 0.1) -> Any:
    """A set under air from 20 s to 420 s that nobody tallied in; an incident is open."""
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    one = log.talker("S-9")
    one.set_up(0)
    one.breathe(20, 400, bar_s=bar_s, closes=False)
    return one


def tally(desk: Any, at_s: float, action: str, wearer: str, set_id: str, team: str = "Larch") -> None:
    desk.say(at_s, "tally", incident_id="I-1", action=action, wearer_id=wearer, set_id=set_id, team=team)


def only(snapshot: Snapshot) -> Row:
    (row,) = snapshot.rows
    return row


def codes(row: Row) -> list[str]:
    return [reason.code for reason in row.reasons]


def ends(log: Any, how: str) -> None:
    one = untallied(log, bar_s=0.74 if how == "empty" else 0.1)
    if how == "empty":
        one.say(350, "alarm", alarm="low_air", state="raised")
        for second in range(420, 500):
            one.say(second, "pressure", pressure_bar=0.0)
    elif how == "off":
        one.say(425, "power", state="off")
    elif how == "restarted":
        log.talker("S-9", boot=2).say(425, "power", state="on")


@pytest.mark.parametrize("how", ["empty", "off", "restarted", "silent"])
def test_whoever_was_not_tallied_in_and_lost_air_stays_until_a_persons_word(
    log: Any, see: Any, how: str
) -> None:
    ends(log, how)
    log.talkers[0].say(5000, "resolved", incident_id="I-1", set_id="S-9", text="spoken to outside")
    for at_s in (450, 2000, 4900):
        row = only(see(at_s))
        assert "no_tally" in codes(row)
        if how != "silent" or at_s > 3000:
            assert (row.attention, row.lost.code if row.lost else None) == ("not_accounted", how)
            assert (row.started_at is None, row.silent_since_at is None) == (how != "silent", how != "silent")
    if how == "empty":
        assert [(one.set_id, one.alarm) for one in see(4901).alarms] == [("S-9", "low_air")]
    shown = see(5010)
    assert shown.rows == ()
    assert [(one.set_id, one.ended_how) for one in shown.came_out] == [("S-9", "resolved")]


def test_a_tally_out_of_the_set_is_a_word_about_whoever_was_not_tallied_in(log: Any, see: Any) -> None:
    ends(log, "off")
    tally(log.talkers[0], 900, "out", "W-9", "S-9")
    assert only(see(890)).attention == "not_accounted"
    assert see(910).rows == ()


def test_whoever_was_not_tallied_in_and_closes_in_order_is_told_to_have_come_out(log: Any, see: Any) -> None:
    untallied(log)
    for second in range(420, 440):
        log.talkers[-1].say(second, "pressure", pressure_bar=0.0)
    shown = see(435)
    assert shown.rows == ()
    (out,) = shown.came_out
    assert (out.set_id, out.wearer_id, out.ended_how) == ("S-9", None, "valve_closed")
    assert out.pressure_bar == 260.0


def test_the_head_of_the_page_counts_whoever_was_not_tallied_in_and_lost_air(log: Any, see: Any) -> None:
    ends(log, "off")
    shown = page(see(450), System((), None, None, ""), Display())
    assert "1 in" in shown["summary"][""]
    assert "1 not accounted for" in shown["summary"][""]


def row_of(snapshot: Snapshot, wearer_id: str) -> Row:
    (row,) = [row for row in snapshot.rows if row.wearer_id == wearer_id]
    return row


def two_wearers_in_turn(log: Any, *, first_out: bool) -> tuple[Any, Any]:
    """W-1 wears S-1 until 320 s; W-2 takes it at 1000 s."""
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    one = log.talker("S-1")
    one.set_up(0)
    tally(desk, 10, "in", "W-1", "S-1")
    one.breathe(20, 300)
    one.say(326, "power", state="off")
    if first_out:
        tally(desk, 330, "out", "W-1", "S-1")
    again = log.talker("S-1", boot=2)
    again.set_up(995)
    tally(desk, 1000, "in", "W-2", "S-1", team="Oak")
    again.breathe(1010, 300, start_bar=292, closes=False)
    return one, again


def test_a_distress_belongs_to_whoever_wore_the_set_when_it_was_raised(log: Any, see: Any) -> None:
    one, again = two_wearers_in_turn(log, first_out=True)
    one.say(100, "alarm", alarm="distress", state="raised")
    again.say(1250, "alarm", alarm="distress", state="raised")
    shown = see(1200)
    assert [(line.wearer_id, line.team, line.alarm) for line in shown.alarms] == [
        ("W-1", "Larch", "distress")
    ]
    assert row_of(shown, "W-1").attention == "distress"
    assert shown.alarms[0].row_key == row_of(shown, "W-1").key
    assert "distress" not in codes(row_of(shown, "W-2"))
    assert {line.wearer_id for line in see(1260).alarms} == {"W-1", "W-2"}


def test_the_pressure_of_whoever_took_the_set_next_is_not_his(log: Any, see: Any) -> None:
    two_wearers_in_turn(log, first_out=False)
    before = row_of(see(900), "W-1").pressure_bar
    assert before == 0.0  # the set said so, and nobody else had it
    shown = see(1098)
    row = row_of(shown, "W-1")
    assert row.lost is not None
    assert (row.lost.code, row.lost.who) == ("off", None)
    assert row.pressure_bar == 273.0
    assert row.pressure_at == pytest.approx(log.at(319).timestamp(), abs=1.5)
    assert {team.team: team.lowest_bar for team in shown.teams}["Larch"] == 273.0
    assert row_of(shown, "W-2").pressure_bar == 284.0


def test_a_set_that_another_wearer_took_over_in_mid_wear_is_not_called_closed(log: Any, see: Any) -> None:
    desk = log.desk()
    one = log.talker("S-1")
    one.set_up(0)
    one.breathe(20, 1500, bar_s=0.16, closes=False)
    tally(desk, 10, "in", "W-1", "S-1")
    tally(desk, 15, "in", "W-2", "S-1")
    tally(desk, 1000, "out", "W-2", "S-1")
    shown = see(500)
    first, second = row_of(shown, "W-1"), row_of(shown, "W-2")
    assert (first.attention, first.lost.code if first.lost else None) == ("not_accounted", "set_given")
    assert first.lost is not None
    assert first.lost.who == "W-2"
    assert second.pressure_bar == 223.0
    after = row_of(see(1450), "W-1")
    assert after.lost is None
    assert after.started_at is not None
    assert after.pressure_bar == 71.0
    assert "turn_back" in codes(after)


def test_who_is_handed_a_set_that_breathes_has_its_air_at_once(log: Any, see: Any) -> None:
    desk = log.desk()
    one = log.talker("S-1")
    one.set_up(0)
    one.breathe(20, 1500, closes=False)
    tally(desk, 10, "in", "W-1", "S-1")
    tally(desk, 600, "out", "W-1", "S-1")
    tally(desk, 601, "in", "W-2", "S-1")
    one.say(610, "alarm", alarm="heat", state="raised")
    one.say(620, "alarm", alarm="distress", state="raised")
    shown = see(630)
    assert only(shown).attention == "distress"
    assert {(line.wearer_id, line.row_key) for line in shown.alarms} == {("W-2", only(shown).key)}
    for at_s in (635, 1100, 1300):
        row = only(see(at_s))
        assert (row.wearer_id, row.lost) == ("W-2", None)
        assert row.pressure_at == pytest.approx(log.at(at_s).timestamp(), abs=1.5)
        assert row.turn_back_bar == 177.5


def test_whose_turn_back_was_reached_and_is_silent_stands_above_who_may_have_passed_it(
    log: Any, see: Any
) -> None:
    desk = log.desk()
    for number, bar_s in ((1, 0.2), (2, 0.18)):
        one = log.talker(f"S-{number}")
        one.set_up(0)
        one.breathe(20, 640, bar_s=bar_s, closes=False)
        tally(desk, number, "in", f"W-{number}", one.name, team=f"T{number}")
    rows = see(760).rows
    assert [(row.wearer_id, row.attention) for row in rows] == [
        ("W-1", "silent_past"),
        ("W-2", "silent_past"),
    ]


def test_an_entry_that_was_settled_says_so_with_the_pressure_at_that_moment(log: Any, see: Any) -> None:
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    one = log.talker("S-1")
    one.set_up(0)
    tally(desk, 1, "in", "W-1", "S-1")
    one.breathe(20, 900, closes=False)
    desk.say(300, "resolved", incident_id="I-1", set_id="S-1", text="came out by the other door")
    shown = see(510)
    (out,) = shown.came_out
    assert (out.ended_how, out.pressure_bar) == ("resolved", 275.0)
    assert out.under_air_s == pytest.approx(280, abs=1)
    assert "settled_breathing" in codes(only(shown))
    assert "tallied_out" not in codes(only(shown))


@pytest.mark.parametrize("word", ["out", "resolved"])
def test_a_word_ends_no_row_of_a_set_without_a_tally_that_breathes_on(log: Any, see: Any, word: str) -> None:
    """A slip with the set's ID hid whoever breathed from it, as soon as the set fell silent."""
    desk, one = log.desk(), log.talker("S-1")
    desk.say(0, "incident", incident_id="I-1", action="open")
    one.set_up(0)
    one.breathe(20, 600, closes=False)
    if word == "out":
        tally(desk, 300, "out", "W-9", "S-1")
    else:
        desk.say(300, "resolved", incident_id="I-1", set_id="S-1", text="is out")
    code = {"out": "tallied_out", "resolved": "settled_breathing"}[word]
    for at_s in (400, 800):
        shown = see(at_s)
        assert {code, "no_tally"} <= {*codes(only(shown))}, at_s
        assert shown.came_out == (), at_s
    assert only(shown).attention in ("silent", "silent_past", "not_accounted")


def test_a_word_about_a_set_without_a_tally_as_it_falls_silent_accounts_for_it(log: Any, see: Any) -> None:
    desk, one = log.desk(), log.talker("S-1")
    desk.say(0, "incident", incident_id="I-1", action="open")
    one.set_up(0)
    one.breathe(20, 600, closes=False)
    tally(desk, 615, "out", "W-9", "S-1")
    shown = see(700)
    assert shown.rows == ()
    assert [one.ended_how for one in shown.came_out] == ["tallied_out"]


@pytest.mark.parametrize("word", ["out", "resolved"])
def test_whoever_breathed_on_after_the_word_out_and_fell_silent_is_looked_for(
    log: Any, see: Any, word: str
) -> None:
    desk, one = log.desk(), log.talker("S-1")
    desk.say(0, "incident", incident_id="I-1", action="open")
    one.set_up(0)
    tally(desk, 1, "in", "W-1", "S-1")
    one.breathe(20, 600, closes=False, bar_s=0.1)
    tally(desk, 500, "out", "W-1", "S-1")
    if word == "out":
        tally(desk, 9000, "out", "W-1", "S-1")
    else:
        desk.say(9000, "resolved", incident_id="I-1", set_id="S-1", text="spoken to outside")
    assert (only(see(700)).attention, only(see(700)).lost) == ("silent", None)
    for at_s in (5000, 8990):  # the air may be used up
        row = only(see(at_s))
        assert (row.attention, row.lost.code if row.lost else None) == ("not_accounted", "silent")
        assert "tallied_out" in codes(row)
    assert see(9010).rows == ()


@pytest.mark.parametrize("how", ["empty", "off", "restarted"])
@pytest.mark.parametrize("cries", [False, True])
def test_whoever_breathed_on_after_the_word_out_and_lost_air_is_looked_for(
    log: Any, see: Any, how: str, cries: bool
) -> None:
    """Tallied out by mistake: the row went at the moment when the air ended."""
    desk, one = log.desk(), log.talker("S-1")
    desk.say(0, "incident", incident_id="I-1", action="open")
    one.set_up(0)
    tally(desk, 1, "in", "W-1", "S-1")
    one.breathe(20, 600, closes=False, bar_s=0.5 if how == "empty" else 0.1)
    tally(desk, 300, "out", "W-1", "S-1")
    if cries:
        one.say(610, "alarm", alarm="distress", state="raised")
    if how == "empty":
        for second in range(620, 700):
            one.say(second, "pressure", pressure_bar=0.0)
    elif how == "off":
        one.say(621, "power", state="off")
    else:
        log.talker("S-1", boot=2).say(621, "power", state="on")
    tally(desk, 9000, "out", "W-1", "S-1")
    for at_s in (640, 5000, 8990):
        shown = see(at_s)
        row = only(shown)
        assert row.attention == ("distress" if cries else "not_accounted")
        assert row.lost is not None
        assert row.lost.code == how
        assert "said_out" in codes(row)
        counts = page(shown, System((), None, None, ""), Display())["summary"][""]
        assert counts[0] == "1 in"
        assert "1 not accounted for" in counts
        assert [one.breathes_on for one in shown.came_out] == [True]
    if not cries:
        assert see(9010).rows == ()


@pytest.mark.parametrize("word", ["out", "resolved"])
def test_a_word_about_another_accounts_for_nobody_who_breathed_on(log: Any, see: Any, word: str) -> None:
    desk, one = log.desk(), log.talker("S-1")
    desk.say(0, "incident", incident_id="I-1", action="open")
    one.set_up(0)
    tally(desk, 1, "in", "W-1", "S-1")
    one.breathe(20, 600, closes=False)
    tally(desk, 500, "out", "W-1", "S-1")
    if word == "out":
        tally(desk, 5000, "out", "W-9", "S-1")
    else:
        desk.say(5000, "resolved", incident_id="I-1", set_id="S-1", wearer_id="W-9", text="is out")
    row = only(see(8000))
    assert (row.wearer_id, row.attention) == ("W-1", "not_accounted")


def test_the_word_out_as_a_set_falls_silent_accounts_for_its_wearer(log: Any, see: Any) -> None:
    desk, one = log.desk(), log.talker("S-1")
    desk.say(0, "incident", incident_id="I-1", action="open")
    one.set_up(0)
    tally(desk, 1, "in", "W-1", "S-1")
    one.breathe(20, 600, closes=False)
    tally(desk, 650, "out", "W-1", "S-1")
    shown = see(720)
    assert shown.rows == ()
    assert [one.ended_how for one in shown.came_out] == ["tallied_out"]


def test_a_row_kept_for_an_alarm_says_that_its_wearer_is_out(log: Any, see: Any) -> None:
    """The set lay outside: a team was sent in for somebody who was "inside for 34 min"."""
    desk, one = log.desk(), log.talker("S-1")
    desk.say(0, "incident", incident_id="I-1", action="open")
    one.set_up(0)
    tally(desk, 1, "in", "W-1", "S-1")
    one.breathe(20, 600)
    tally(desk, 640, "out", "W-1", "S-1")
    one.say(700, "alarm", alarm="no_motion", state="raised")
    shown = see(760)
    assert {"no_motion", "said_out"} <= {*codes(only(shown))}
    assert [one.breathes_on for one in shown.came_out] == [False]
    (row,) = page(shown, System((), None, None, ""), Display())["rows"]
    assert row["inside"] == "–"
    assert "tallied out 1:59 ago" in row["why"]


def test_a_button_tried_before_the_tally_makes_no_second_person(log: Any, see: Any) -> None:
    desk, one, other = log.desk(), log.talker("S-1"), log.talker("S-2")
    desk.say(0, "incident", incident_id="I-1", action="open")
    for talker in (one, other):
        talker.set_up(0)
        for second in range(5, 95, 5):
            talker.say(second, "pressure", pressure_bar=0.0)
    one.say(40, "alarm", alarm="distress", state="raised")
    one.say(45, "alarm", alarm="distress", state="cleared")
    tally(desk, 90, "in", "W-1", "S-1")
    one.breathe(100, 600)
    shown = see(400)
    row = only(shown)
    assert (row.wearer_id, row.attention) == ("W-1", "distress")
    assert "distress_ended" in codes(row)  # until somebody has seen it
    (alarm,) = (
        analyse(log.frames(), Profile.default())["alarms"].filter(pl.col("alarm") == "distress").to_dicts()
    )
    assert alarm["wearer_id"] == "W-1"


@pytest.mark.parametrize("apart_s", [700, 1300])
def test_an_alarm_long_before_the_next_tally_is_not_the_next_wearers(
    log: Any, see: Any, apart_s: float
) -> None:
    desk, one = log.desk(), log.talker("S-1")
    desk.say(0, "incident", incident_id="I-1", action="open")
    one.set_up(0)
    tally(desk, 1, "in", "W-1", "S-1")
    one.breathe(20, 300)
    tally(desk, 330, "out", "W-1", "S-1")
    one.say(400, "alarm", alarm="distress", state="raised")
    tally(desk, 300 + apart_s, "in", "W-2", "S-1")
    one.breathe(310 + apart_s, 100, closes=False)
    distressed = {row.wearer_id for row in see(350 + apart_s).rows if row.attention == "distress"}
    assert distressed == {"W-2" if apart_s == 700 else "W-1"}


def test_a_silent_wearer_whose_set_another_one_took_is_not_said_to_have_restarted_it(
    log: Any, see: Any
) -> None:
    desk = log.desk()
    one = log.talker("S-1")
    one.set_up(0)
    tally(desk, 10, "in", "W-1", "S-1")
    one.breathe(20, 300, closes=False)
    again = log.talker("S-1", boot=2)
    again.set_up(995)
    tally(desk, 1000, "in", "W-2", "S-1", team="Oak")
    again.breathe(1010, 300, closes=False)
    row = row_of(see(1100), "W-1")
    assert row.lost is not None
    assert (row.lost.code, row.lost.who, row.pressure_bar) == ("set_given", "W-2", 273.0)


def test_whose_incident_was_closed_is_not_said_to_be_tallied_out(log: Any, see: Any) -> None:
    desk = log.desk()
    one = log.talker("S-1")
    one.set_up(0)
    tally(desk, 1, "in", "W-1", "S-1")
    one.breathe(20, 900, closes=False)
    one.say(400, "alarm", alarm="distress", state="raised")
    desk.say(300, "incident", incident_id="I-1", action="close")
    row = only(see(13 * 3600))
    assert "incident_closed" in codes(row)
    assert "tallied_out" not in codes(row)


@pytest.mark.parametrize("how", ["empty", "off", "restarted", "silent"])
def test_whoever_was_not_tallied_in_and_leaves_after_12_hours_leaves_a_line(
    log: Any, see: Any, how: str
) -> None:
    ends(log, how)
    log.talkers[0].say(600, "incident", incident_id="I-1", action="close")
    assert only(see(11 * 3600)).lost is not None  # closing the incident accounts for nobody
    shown = see(12.5 * 3600)
    assert shown.rows == ()
    (out,) = shown.came_out
    assert (out.set_id, out.ended_how) == ("S-9", "forgotten")
    (line,) = page(shown, System((), None, None, ""), Display())["out"]
    assert "not tallied in, nobody said out, last heard 4 May 10:0" in line["text"]


@pytest.mark.parametrize("close_s", [600.0, 25 * 3600.0])
def test_who_was_in_when_the_incident_was_closed_leaves_a_line_after_12_hours(
    log: Any, see: Any, close_s: float
) -> None:
    """Counted from the tally in, a close after 24 h took a person off rows and list in the same second."""
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    one = log.talker("S-1")
    one.set_up(0)
    tally(desk, 1, "in", "W-1", "S-1")
    one.breathe(20, 300)
    tally(desk, close_s / 2, "in", "W-2", "S-2")
    tally(desk, close_s / 2 + 60, "out", "W-2", "S-2")
    desk.say(close_s, "incident", incident_id="I-1", action="close")
    before, after = see(close_s + 11.9 * 3600), see(close_s + 12.1 * 3600)
    assert only(before).lost is not None
    assert before.came_out == ()
    assert after.rows == ()
    (out,) = after.came_out
    assert (out.wearer_id, out.ended_how, out.ended_by) == ("W-1", "incident_closed", None)
    (line,) = page(after, System((), None, None, ""), Display())["out"]
    assert "nobody said out, closed with the incident" in line["text"]


@pytest.mark.parametrize("how", ["off", "restarted", "silent"])
def test_a_set_put_down_with_its_valve_open_needs_nobody_when_it_ends(log: Any, see: Any, how: str) -> None:
    desk, one = log.desk(), log.talker("S-1")
    desk.say(0, "incident", incident_id="I-1", action="open")
    one.set_up(0)
    tally(desk, 1, "in", "W-1", "S-1")
    one.breathe(20, 600, closes=False)
    tally(desk, 610, "out", "W-1", "S-1")
    for second in range(620, 1200):
        one.say(second, "pressure", pressure_bar=246.0 + min((second - 620) // 60, 4))  # its gas warms
        one.say(second + 0.1, "motion", motion_m_s2=1.0, still_s=0.0)
    if how == "off":
        one.say(1200, "power", state="off")
    elif how == "restarted":
        log.talker("S-1", boot=2).say(1200, "power", state="on")
    shown = see(1300)
    assert shown.rows == ()
    assert [(each.ended_how, each.breathes_on) for each in shown.came_out] == [("tallied_out", False)]
