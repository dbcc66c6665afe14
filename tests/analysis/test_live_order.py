"""The order of the live board's alarms, and who counts as out: what a desk looks at first."""

from __future__ import annotations

from typing import Any

from analysis.live.board import DESK_KEPT


def worn(log: Any, *names: str) -> list[Any]:
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    sets = []
    for number, name in enumerate(names, 1):
        one = log.talker(name)
        one.set_up(0)
        one.breathe(20, 200, closes=False)
        desk.say(number, "tally", incident_id="I-1", action="in", set_id=name, wearer_id=f"W-{number}")
        sets.append(one)
    return sets


def test_what_nobody_has_seen_then_the_gravest_then_what_is_still_on_then_the_oldest(
    log: Any, see: Any
) -> None:
    one, two, three, four, five = worn(log, "S-1", "S-2", "S-3", "S-4", "S-5")
    one.say(100, "alarm", alarm="distress", state="raised")
    one.say(105, "alarm", alarm="distress", state="cleared")
    two.say(120, "alarm", alarm="distress", state="raised")
    three.say(110, "alarm", alarm="distress", state="raised")
    four.say(90, "alarm", alarm="fault", state="raised")
    five.say(80, "alarm", alarm="distress", state="raised")
    log.talkers[0].say(95, "seen", set_id="S-5", alarm="distress")
    shown = [(line.set_id, line.alarm) for line in see(150).alarms]
    assert shown == [
        ("S-3", "distress"),
        ("S-2", "distress"),
        ("S-1", "distress"),
        ("S-4", "fault"),
        ("S-5", "distress"),
    ]


def test_a_leap_down_shows_at_once_and_one_up_never(log: Any, see: Any) -> None:
    """A far reading may be taken back by the next; until then the worse one is shown (our own rule)."""
    (one,) = worn(log, "S-1")
    for at_s, bar, shown_bar in ((220, 100.0, 100.0), (225, 281.0, 281.0), (230, 320.0, 281.0)):
        one.say(at_s, "pressure", pressure_bar=bar)
        (row,) = see(at_s + 0.5).rows
        assert row.pressure_bar == shown_bar


def test_what_came_through_in_one_moment_is_in_the_order_of_its_numbers(log: Any, see: Any) -> None:
    """Mended: it was in the order of the kinds, so that of many the latest could be let go."""
    desk = log.talker("D-1", role="desk", delay=lambda true_s: 300.0 - true_s)
    desk.say(0, "incident", incident_id="I-1", action="open")
    for number in range(1, DESK_KEPT + 50):
        desk.say(number, "note" if number % 2 else "seen", **_SAID["note" if number % 2 else "seen"])
    assert see(300).desk_heard == tuple(f"D-1/1/{number}" for number in range(50, DESK_KEPT + 50))


_SAID = {"note": {"incident_id": "I-1", "text": "Water on."}, "seen": {"set_id": "S-1", "alarm": "heat"}}
