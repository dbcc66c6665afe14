"""The table `answers`: who was in at each order and roll call, and how each answered."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest

from analysis.incident import analyse
from analysis.profile import Profile
from analysis.wears.calls import ACKNOWLEDGED_BY_VOICE
from dashboard.live.display import STANDARD
from dashboard.live.side_view import order_views
from tests.analysis.conftest import Talker, WrittenLog


@pytest.fixture
def desk(log: Any) -> Any:
    """Four of two teams, one of them out before anything is called; and one set of nobody."""
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    for number, team in enumerate(("Alder", "Alder", "Birch", "Birch"), 1):
        one = log.talker(f"S-{number}")
        one.set_up(number)
        one.breathe(10 + number, 180 if number == 4 else 900)
        said = {"incident_id": "I-1", "set_id": one.name, "wearer_id": f"W-{number}", "team": team}
        desk.say(number, "tally", action="in", **said)
        if number == 4:
            desk.say(200, "tally", action="out", **said)
    nobody = log.talker("S-9")
    nobody.set_up(5)
    nobody.breathe(15, 900)
    return desk


def order(desk: Any, at_s: float, state: str = "given", **more: Any) -> None:
    desk.say(at_s, "order", incident_id="I-1", order="evacuate", state=state, **more)


def rows(log: Any, incident_id: str | None = None) -> dict[str, dict[str, Any]]:
    table = analyse(log.frames(), Profile.default(), incident_id)["answers"]
    return {row["wearer_id"] or row["set_id"]: row for row in table.iter_rows(named=True)}


def since(log: Any, moment: datetime | None) -> float | None:
    return None if moment is None else round((moment - log.at(0)) / timedelta(seconds=1))


@pytest.mark.parametrize("incident_id", [None, "I-1"])
def test_everybody_who_was_in_then_has_a_row_with_what_is_known(
    log: Any, desk: Any, incident_id: str | None
) -> None:
    order(desk, 300)
    order(desk, 310)  # said again: the same order
    first = log.talkers[1]
    first.say(302, "alarm", alarm="evacuate", state="raised")
    first.say(320, "alarm", alarm="evacuate", state="acknowledged")
    desk.say(340, "note", incident_id="I-1", set_id="S-2", text=ACKNOWLEDGED_BY_VOICE["evacuate"])
    desk.say(500, "tally", incident_id="I-1", action="out", set_id="S-3", wearer_id="W-3")
    order(desk, 600, "lifted")
    found = rows(log, incident_id)
    assert sorted(found) == ["S-9", "W-1", "W-2", "W-3"]
    assert {since(log, row["called"]) for row in found.values()} == {300}
    assert {since(log, row["ended"]) for row in found.values()} == {600}
    assert [since(log, found[name]["answered"]) for name in ("W-1", "W-2", "W-3")] == [320, 340, None]
    assert since(log, found["W-3"]["out"]) == 500
    assert (found["W-1"]["team"], found["S-9"]["wearer_id"]) == ("Alder", None)
    (told,) = _told(log, "order_not_acknowledged")
    assert "set S-9 did not acknowledge it" in told
    assert "lifted at 10:10:00" in told


def test_whoever_goes_in_while_an_order_is_in_force_must_follow_it_too(log: Any, desk: Any) -> None:
    order(desk, 300)
    desk.say(305, "roll_call", incident_id="I-1", roll_id="R-1", state="called")
    for number, at_s in ((5, 400), (6, 700), (7, 850)):
        log.talker(f"S-{number}").set_up(number)
        log.talkers[-1].breathe(at_s + 10, 100)
        desk.say(at_s, "tally", action="in", incident_id="I-1", set_id=f"S-{number}", wearer_id=f"W-{number}")
    order(desk, 600, "lifted")
    order(desk, 650)  # another, in force until its incident is closed
    desk.say(800, "incident", incident_id="I-1", action="close")
    table = analyse(log.frames(), Profile.default())["answers"]
    of_kind = {
        (row["call"], since(log, row["called"]), row["wearer_id"]) for row in table.iter_rows(named=True)
    }
    assert ("evacuate", 300, "W-5") in of_kind
    assert ("evacuate", 650, "W-5") in of_kind
    assert ("evacuate", 650, "W-6") in of_kind
    late = [one for one in of_kind if one[2] in ("W-5", "W-6", "W-7")]
    assert len(late) == 3  # none of them was in at the roll call, and nobody goes in after the close
    first, second = _told(log, "order_not_acknowledged")
    assert "W-5 (in at 10:06:40 UTC)" in first
    assert "W-6 (in at 10:11:40 UTC)" in second


def test_the_set_that_acknowledged_is_named_though_the_desk_knew_of_it_only_later(
    log: Any, desk: Any
) -> None:
    """It named the set of the tally, which had been off for minutes."""
    order(desk, 300)
    other = log.talker("S-5")
    other.set_up(240)
    other.breathe(250, 600)
    other.say(310, "alarm", alarm="evacuate", state="acknowledged")
    desk.say(400, "tally", incident_id="I-1", action="in", set_id="S-5", wearer_id="W-1", team="Alder")
    row = rows(log)["W-1"]
    assert (row["set_id"], since(log, row["answered"])) == ("S-5", 310)
    assert rows(log)["W-2"]["set_id"] == "S-2"


def test_an_order_to_a_team_is_about_that_team_only(log: Any, desk: Any) -> None:
    order(desk, 300, team="Birch")
    assert list(rows(log)) == ["W-3"]
    assert "(team Birch): W-3 did not acknowledge it" in _told(log, "order_not_acknowledged")[0]


def of_service(log: Any, service: str, at_s: float, state: str = "given") -> None:
    """A desk of another service gives everybody at the incident an order, by a slip or not."""
    about = {"incident_id": "I-1", "order": "evacuate", "state": state}
    other = WrittenLog([Talker("D-2", role="desk", said=[(at_s, "order", False, False, about)])])
    heard = [one for _, one in other.heard()]
    log.extra += [one._replace(topic=one.topic.replace("trial", service)) for one in heard]


def test_an_order_to_a_service_of_which_nobody_is_in_reached_nobody(log: Any, desk: Any, see: Any) -> None:
    """The record accused everybody; the board said "0 of 0"."""
    of_service(log, "trail", 300)
    assert rows(log) == {}
    assert _told(log, "order_not_acknowledged") == []
    (told,) = _told(log, "order_reached_nobody")
    assert (
        "10:05:00 UTC (everybody) was sent to service trail, of which nobody was in at incident I-1" in told
    )
    assert "W-1, W-2, W-3 and set S-9 were in" in told
    (line,) = see(310).orders
    assert line.meant == 0
    assert "It reaches nobody" in order_views(see(310), STANDARD, "D-1")[0]["who"]
    order(desk, 320)
    assert sorted(rows(log)) == ["S-9", "W-1", "W-2", "W-3"]
    assert len(_told(log, "order_reached_nobody")) == 1


def test_a_roll_call_knows_who_was_missing_and_until_when(log: Any, desk: Any) -> None:
    def roll(at_s: float, state: str, **more: Any) -> None:
        desk.say(at_s, "roll_call", incident_id="I-1", roll_id="R-1", state=state, **more)

    roll(300, "called")
    roll(310, "answered", team="Alder")
    roll(320, "missing", wearer_id="W-2")
    roll(330, "missing", wearer_id="W-3")
    roll(400, "answered", wearer_id="W-2")
    found = rows(log)
    assert sorted(found) == ["S-9", "W-1", "W-2", "W-3"]
    assert [since(log, found[name]["answered"]) for name in ("W-1", "W-2", "W-3")] == [310, 400, None]
    assert [since(log, found[name]["missing"]) for name in ("W-1", "W-2", "W-3")] == [None, 320, 330]
    second, third = _told(log, "missing_at_roll_call")
    assert "W-2 was missing" in second
    assert "answered for at 10:06:40" in second
    assert "nobody answered for this wearer afterwards" in third


def test_whoever_is_missed_without_a_tally_is_told_too(log: Any, desk: Any) -> None:
    for at_s, state in ((300, "called"), (310, "missing"), (400, "answered")):
        who = {"wearer_id": "W-9"} if state != "called" else {}
        desk.say(at_s, "roll_call", incident_id="I-1", roll_id="R-1", state=state, **who)
    row = rows(log)["W-9"]
    assert (row["set_id"], since(log, row["missing"]), since(log, row["answered"])) == (None, 310, 400)
    (told,) = _told(log, "missing_at_roll_call")
    assert "W-9 was missing" in told


def _told(log: Any, code: str) -> list[str]:
    findings = analyse(log.frames(), Profile.default())["findings"]
    return [row["statement"] for row in findings.iter_rows(named=True) if row["code"] == code]
