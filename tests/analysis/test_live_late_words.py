"""What reaches the live board late, twice or in another order than it was said, and a set whose row fails."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

import analysis.live.service_board as board_module
from analysis.incident import analyse
from analysis.live.board import LiveBoard
from analysis.live.desk_record import NOTES_KEPT
from analysis.profile import Profile

See = Callable[[float], Any]


def test_an_alarm_that_is_over_goes_when_the_desk_has_seen_it(log: Any, see: See) -> None:
    one = log.talker("S-1")
    desk = log.talker("D-1", role="desk", delay=lambda true_s: 4.0 if true_s == 8 else 0.05)
    desk.say(5, "note", incident_id="I-1", text="here")
    # Of an earlier alarm, and heard after this one was raised.
    desk.say(8, "seen", set_id="S-1", alarm="distress")
    one.say(10, "alarm", alarm="distress", state="raised")
    one.say(20, "alarm", alarm="distress", state="cleared")
    desk.say(30, "seen", set_id="S-1", alarm="distress")
    (line,) = see(15).alarms
    assert (line.seen_at, line.ended_at) == (None, None)
    (line,) = see(25).alarms
    assert line.ended_at is not None
    assert see(31).alarms == ()


def test_an_older_tally_that_comes_late_changes_nothing(log: Any, see: See) -> None:
    desk = log.talker("D-1", role="desk", delay=lambda true_s: 30.0 if true_s == 10 else 0.05)
    who = {"incident_id": "I-1", "set_id": "S-1", "action": "in", "team": "A"}
    desk.say(5, "note", incident_id="I-1", text="here")
    desk.say(10, "tally", wearer_id="W-1", **who)
    desk.say(20, "tally", wearer_id="W-2", **who)
    assert [row.wearer_id for row in see(25).rows] == ["W-2"]
    # Nobody said that W-1 is out: the set is given to W-2, and W-1 stays on the page.
    rows = {row.key: row.wearer_id for row in see(50).rows}
    assert rows == {"trial/S-1": "W-2", "trial/S-1/W-1": "W-1"}


def test_a_cylinder_changed_while_nothing_was_heard_begins_another_wear(log: Any, see: See) -> None:
    one = log.talker("S-1")
    one.set_up(0)
    for second in range(1, 60):
        one.say(second, "pressure", pressure_bar=150)
    for second in range(120, 200):
        one.say(second, "pressure", pressure_bar=290)
    (before,), (after,) = see(59).rows, see(199).rows
    assert before.started_at == pytest.approx(log.at(1).timestamp(), abs=5)
    assert after.started_at == pytest.approx(log.at(120).timestamp(), abs=5)


def test_what_the_broker_kept_of_a_desk_is_no_news(log: Any, see: See) -> None:
    desk = log.desk()
    desk.say(5, "note", incident_id="I-1", text="of yesterday", retained=True)
    desk.say(6, "note", incident_id="I-1", text="of now")
    assert [note.text for note in see(10).notes] == ["of now"]


def test_only_the_latest_notes_are_kept(log: Any, see: See) -> None:
    desk = log.desk()
    for number in range(NOTES_KEPT + 5):
        desk.say(number, "note", incident_id="I-1", text=f"note {number}")
    texts = {note.text for note in see(NOTES_KEPT + 10).notes}
    assert f"note {NOTES_KEPT + 4}" in texts
    assert "note 4" not in texts


def test_a_set_whose_row_fails_hides_no_other(
    log: Any, see: See, board: LiveBoard, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is shown once more without its air, and left out when that fails too."""
    for name in ("S-1", "S-2"):
        talker = log.talker(name)
        for second in range(1, 30):
            talker.say(second, "pressure", pressure_bar=280)
    row_of = board_module.row_of

    def failing(inside: Any, *others: Any, **more: Any) -> Any:
        if inside.live_set.set_id == "S-1":
            raise ZeroDivisionError("out of the blue")
        return row_of(inside, *others, **more)

    monkeypatch.setattr(board_module, "row_of", failing)
    assert [row.set_id for row in see(30).rows] == ["S-2"]
    assert {name for name, _ in board.faults} == {"trial/S-1"}


def test_a_set_that_loses_most_messages_is_silent_as_soon_as_before(log: Any, see: Any) -> None:
    """Its number was live for two minutes: the limit followed what arrived."""
    one = log.talker("S-1")
    one.set_up(0)
    one.breathe(20, 1800, bar_s=0.05, closes=False)
    one.said = [
        (at_s, kind, lost or (at_s > 300 and round(at_s) % 40 != 0), kept, said)
        for at_s, kind, lost, kept, said in one.said
    ]
    for at_s in (350, 1230, 1790):
        (row,) = see(at_s).rows
        assert row.silent_since_at is not None
        assert row.low_air is None
    results = analyse(log.frames(), Profile.default())
    (entry,) = results["entries"].to_dicts()
    assert entry["unheard_s"] == pytest.approx(1500, abs=60)  # what the board called silent


def test_no_set_is_quiet_for_over_a_minute_without_being_silent(log: Any, see: Any) -> None:
    one = log.talker("S-1")
    one.set_up(0)
    for number in range(20):
        one.say(10 + 50 * number, "pressure", pressure_bar=280.0 - number)
    assert see(1010).rows[0].silent_since_at is None
    assert see(1030).rows[0].silent_since_at is not None


@pytest.mark.parametrize("powered_s", [None, -10.0], ids=["time only", "with uptime"])
def test_a_lasting_delay_is_age(log: Any, see: See, powered_s: float | None) -> None:
    """From 300 s on everything comes 240 s late: each reading stays 240 s old, at every look."""
    one = log.talker("S-1", delay=lambda true_s: 240.05 if true_s > 300 else 0.05, powered_s=powered_s)
    one.set_up(0)
    for second in range(5, 1000, 2):
        one.say(second, "pressure", pressure_bar=300 - second // 10)
    for looked_s in range(560, 1220, 60):
        (row,) = see(looked_s).rows
        assert row.silent_since_at is not None
        assert row.pressure_at is not None
        assert log.at(looked_s).timestamp() - row.pressure_at == pytest.approx(240, abs=3)
