"""Two services in one archive, with the same names: neither changes what the other one sees."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest
from msgspec.structs import asdict

from analysis.incident import analyse
from analysis.live.board import LiveBoard
from analysis.live.rows import Snapshot
from analysis.profile import Profile
from ingest.contract.captures import Heard
from ingest.contract.frames import frames_from_heard
from tests.analysis.conftest import WrittenLog

MOMENTS_S = (120, 480, 530, 560, 900)
NORTH = {"incident_id": "A", "wearer_id": "W-1", "set_id": "N-1", "team": "A"}
SOUTH = NORTH | {"set_id": "P-1"}


def incident(service: str, who: dict[str, Any], bar_s: float) -> list[Heard]:
    log = WrittenLog()
    desk = log.desk("D-1")
    desk.say(1, "incident", incident_id="A", action="open")
    desk.say(5, "tally", action="in", **who)
    talker = log.talker(who["set_id"])
    talker.set_up(10)
    talker.breathe(20, 600, bar_s=bar_s, closes=False, only_pressure=True)
    if service == "south":
        desk.say(500, "order", incident_id="A", order="evacuate", state="given")
        desk.say(510, "roll_call", incident_id="A", roll_id="r1", state="called")
        desk.say(520, "standby", incident_id="A", team="A", state="ready")
        desk.say(550, "tally", action="out", **who)
    else:
        desk.say(515, "standby", incident_id="A", team="B", state="ready")
        talker.say(540, "alarm", alarm="distress", state="raised")
        desk.say(700, "tally", action="out", **who)
        talker.say(650, "power", state="off")
    return [one._replace(topic=one.topic.replace("/trial/", f"/{service}/")) for _, one in log.heard()]


def seen(heard: Sequence[Heard]) -> list[Snapshot]:
    board, given, found = LiveBoard(Profile.default()), 0, []
    ordered = sorted(heard, key=lambda one: one.received)
    for moment_s in MOMENTS_S:
        now = WrittenLog.at(moment_s)
        lot = [one for one in ordered[given:] if one.received <= now]
        given += len(lot)
        board.take(frames_from_heard(lot))
        found.append(board.snapshot(now))
    return found


LISTS = ("rows", "teams", "alarms", "orders", "roll_calls", "standby", "notes", "came_out", "contradictions")


def told(shown: Snapshot, name: str) -> list[str]:
    """All lines of a kind, without what only tells two services apart."""
    lines = [asdict(line) for line in getattr(shown, name)]
    for line in lines:
        line.pop("service", None)
        if name != "rows":
            line["key"] = str(line.get("key", "")).removeprefix("north/").removeprefix("south/")
    return sorted(map(repr, lines))


def test_each_service_is_shown_as_if_it_were_alone() -> None:
    """Mended: a wearer past turn-back with the other service's team; orders for "0 of 2"."""
    north, south = incident("north", NORTH, 0.16), incident("south", SOUTH, 0.26)
    together = seen([*north, *south])
    for both, one, other in zip(together, seen(north), seen(south), strict=True):
        for name in LISTS:
            assert told(both, name) == sorted(told(one, name) + told(other, name)), name
    assert any(shown.orders for shown in together)
    assert any(len(shown.teams) == 2 for shown in together)
    assert len(together[-1].came_out) == 2


@pytest.mark.parametrize("name", [name for name in LISTS if name != "rows"])
def test_no_two_lines_of_two_services_have_one_key(name: str) -> None:
    north, south = incident("north", NORTH, 0.16), incident("south", SOUTH, 0.26)
    for shown in seen([*north, *south]):
        lines = getattr(shown, name)
        keys = {getattr(line, "key", None) or (line.service, line.team) for line in lines}
        assert len(keys) == len(lines)


def test_each_services_results_are_as_if_it_were_alone() -> None:
    """Mended: tallied out by the other service's desk while breathing on; a tally dropped as a conflict."""
    north, south = incident("north", NORTH, 0.16), incident("south", SOUTH, 0.26)
    both = [*south, *north]
    for heard in (both, both[::-1]):
        found = analyse(frames_from_heard(heard), Profile.default())
        expected = [analyse(frames_from_heard(one), Profile.default()) for one in (north, south)]
        entries = [one["entries"].to_dicts()[0] for one in expected]
        entries[1] |= {"entry_id": "A/south:W-1/1", "wearer_id": "south:W-1", "team": "south:A"}
        assert found["entries"].to_dicts() == entries
        codes = sorted(code for one in expected for code in one["findings"]["code"])
        assert sorted(found["findings"]["code"]) == codes
        assert found["tallies"].height == sum(one["tallies"].height for one in expected)


def test_a_correction_is_one_of_the_same_services_desk() -> None:
    lots = []
    for service, who in (("north", NORTH), ("south", SOUTH)):
        log = WrittenLog()
        desk = log.desk("D-1")
        desk.say(1, "incident", incident_id="A", action="open")
        desk.say(5, "tally", action="in", **(who | {"wearer_id": "W-9"}))
        desk.say(8, "tally", action="in", corrects={"desk_id": "D-1", "boot": 1, "seq": 1}, **who)
        log.talker(who["set_id"]).breathe(20, 300, only_pressure=True)
        lots += [one._replace(topic=one.topic.replace("/trial/", f"/{service}/")) for _, one in log.heard()]
    entries = analyse(frames_from_heard(lots), Profile.default())["entries"]
    assert entries["wearer_id"].to_list() == ["W-1", "south:W-1"]


def test_names_that_only_one_service_gives_stay() -> None:
    """A joint incident: the desk of one service tallies in both, and each has its own names."""
    north = incident("north", NORTH, 0.16)
    south = incident("south", SOUTH | {"wearer_id": "P-W-1", "team": "P"}, 0.26)
    south = [
        one._replace(topic=one.topic.replace("/D-1/", "/D-2/"), payload=one.payload.replace(b"D-1", b"D-2"))
        for one in south
    ]
    entries = analyse(frames_from_heard([*north, *south]), Profile.default())["entries"]
    assert entries["wearer_id"].to_list() == ["P-W-1", "W-1"]
    assert entries["team"].to_list() == ["P", "A"]
