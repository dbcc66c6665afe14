"""Nothing that concerns a person disappears by itself from the live board: tallied in or not."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.live.rows import Row, Snapshot
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
