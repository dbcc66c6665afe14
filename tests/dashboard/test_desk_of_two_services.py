"""A desk that hears two services: whose people a message is about follows from incident, row and line."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest

from dashboard.live.feed import Feed
from ingest.contract.captures import Heard
from ingest.contract.errors import BrokerProblem
from tests.dashboard.held_archive import HeldArchive
from tests.dashboard.test_live_page import Line, client, line, picture, post

__all__ = ["client", "line"]

INSIDE = (
    ("eastshire", "FIRE", "W-1", "S-1", "A"),
    ("westmoor", "MILL", "W-1", "S-1", "A"),
    ("eastshire", "JOINT", "W-2", "S-2", "A"),
    ("westmoor", "JOINT", "W-3", "S-3", "B"),
)


@pytest.fixture
def two(client: Any, archive: HeldArchive, wait_until: Callable[..., Any]) -> Any:
    now = datetime.now(UTC)
    said = []
    for seq, (service, incident_id, wearer_id, set_id, team) in enumerate(INSIDE):
        about = {"kind": "tally", "desk_id": "D-1", "boot": 1, "seq": seq, "time": now.isoformat()}
        about |= {
            "incident_id": incident_id,
            "action": "in",
            "wearer_id": wearer_id,
            "set_id": set_id,
            "team": team,
        }
        said.append(Heard(now, f"underair/v1/{service}/desk/D-1/tally", json.dumps(about).encode(), False))
    archive.new = said
    wait_until(lambda: len(picture(client).get("rows", ())) == len(INSIDE), what="the rows of both")
    return client


EVERYBODY = {"order": "evacuate", "state": "given"}
CALLED = {"roll_id": "R-1", "state": "called"}
NEW = {"action": "in", "wearer_id": "W-9", "set_id": "S-9"}


@pytest.mark.parametrize(
    ("kind", "fields", "to"),
    [
        ("order", EVERYBODY | {"incident_id": "FIRE"}, ["eastshire"]),
        ("order", EVERYBODY | {"incident_id": "FIRE", "chosen_service": "westmoor"}, ["eastshire"]),
        ("order", EVERYBODY | {"incident_id": "FIRE", "chosen_service": "eastshir"}, ["eastshire"]),
        ("order", EVERYBODY | {"incident_id": "JOINT"}, ["eastshire", "westmoor"]),
        ("order", EVERYBODY | {"incident_id": "JOINT", "team": "B"}, ["westmoor"]),
        ("order", EVERYBODY | {"incident_id": "JOINT", "team": "Z"}, ["eastshire", "westmoor"]),
        ("order", EVERYBODY | {"incident_id": "JOINT", "service": "westmoor"}, ["westmoor"]),
        ("order", EVERYBODY | {"incident_id": "NEW", "chosen_service": "westmoor"}, ["westmoor"]),
        ("order", EVERYBODY | {"incident_id": "NEW"}, []),
        (
            "roll_call",
            {"incident_id": "JOINT", "roll_id": "R-1", "state": "called"},
            ["eastshire", "westmoor"],
        ),
        ("tally", NEW | {"incident_id": "FIRE"}, ["eastshire"]),
        ("tally", NEW | {"incident_id": "FIRE", "chosen_service": "westmoor"}, ["westmoor"]),
        ("tally", NEW | {"incident_id": "JOINT"}, []),
        ("tally", NEW | {"incident_id": "JOINT", "chosen_service": "eastshir"}, []),
        ("seen", {"set_id": "S-1", "alarm": "distress", "service": "westmoor"}, ["westmoor"]),
        ("seen", {"set_id": "S-1", "alarm": "distress"}, []),
    ],
)
def test_it_goes_to_those_whom_it_is_about(
    two: Any, feed: Feed, line: Line, kind: str, fields: dict[str, Any], to: list[str]
) -> None:
    answer = post(two, feed, kind, fields)
    assert [topic.split("/")[2] for topic, _ in line.sent] == to
    assert answer.status_code == (200 if to else 409)
    if to:
        assert len(answer.json["sent"].split(" ")) == len(to)
    else:
        assert "eastshire, westmoor" in answer.json["problem"]


def test_what_reached_one_service_only_is_not_called_not_sent(two: Any, feed: Feed, line: Line) -> None:
    published = line.publish

    def once(*given: Any, **more: Any) -> None:
        if line.sent:
            raise BrokerProblem("it went away")
        published(*given, **more)

    line.publish = once  # type: ignore[method-assign]
    answer = post(two, feed, "order", EVERYBODY | {"incident_id": "JOINT"})
    assert answer.status_code == 502
    assert "Sent to eastshire, but not to westmoor" in answer.json["problem"]
    assert "it went away" in answer.json["problem"]


def test_lines_of_two_services_name_theirs(
    two: Any, archive: HeldArchive, wait_until: Callable[..., Any]
) -> None:
    now = datetime.now(UTC)
    about = {"kind": "roll_call", "desk_id": "D-1", "boot": 1, "seq": 90, "time": now.isoformat()}
    about |= {"incident_id": "JOINT"}
    standing = [{"incident_id": "JOINT", "order": "evacuate", "since": now.isoformat()}]
    order = about | {"kind": "order", "seq": 91, "standing": standing} | EVERYBODY
    about |= CALLED
    archive.new = [
        Heard(now, f"underair/v1/westmoor/desk/D-1/{one['kind']}", json.dumps(one).encode(), False)
        for one in (about, order)
    ]
    wait_until(lambda: picture(two)["rolls"] and picture(two)["orders"], what="both lines")
    for lines in ("rolls", "orders"):
        assert [one["service"] for one in picture(two)[lines]] == ["westmoor"]
        assert " · westmoor · " in picture(two)[lines][0]["text"]
