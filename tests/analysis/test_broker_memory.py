"""What only the broker's memory has: the page says that it is there, and it opens nothing by itself."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl
import pytest

from analysis.incident import analyse
from analysis.live.hearing import BrokerMemory
from analysis.profile import Profile
from dashboard.live.display import Display
from dashboard.live.view import System, page
from ingest.contract.columns import FRAME_SCHEMAS
from ingest.contract.frames import no_messages


def said_at(see: Any, at_s: float) -> list[str]:
    """Return what the system line says is not counted."""
    shown = page(see(at_s), System((), None, None, ""), Display())
    return [one["text"] for one in shown["system"] if one["bad"] and "kept by the broker" in one["text"]]


@pytest.fixture
def kept(log: Any) -> Any:
    """A gateway that retains everything: its set raised distress before anybody listened."""
    one = log.talker("S-1")
    one.set_up(0)
    one.say(5, "alarm", retained=True, alarm="distress", state="raised")
    return one


def test_a_distress_that_the_broker_kept_is_named_and_opens_nothing(log: Any, see: Any, kept: Any) -> None:
    desk = log.desk()
    who = {"incident_id": "I-1", "set_id": "S-2", "wearer_id": "W-2", "team": "Elm"}
    desk.say(6, "tally", retained=True, action="in", **who)
    kept.breathe(20, 60, closes=False)
    snapshot = see(60)
    assert snapshot.alarms == ()
    (said,) = said_at(see, 61)
    at = log.at(5).strftime("%H:%M:%S"), log.at(6).strftime("%H:%M:%S")
    assert said == (
        f"Not heard live, kept by the broker: W-2 tallied in at {at[1]}, Distress of S-1 at {at[0]}. "
        "Ask by voice"
    )


def test_the_finding_names_set_moment_and_message(log: Any, kept: Any) -> None:
    kept.breathe(20, 60)
    results = analyse(log.frames(), Profile.default())
    assert results["alarms"].is_empty()
    (found,) = results["findings"].filter(code="alarm_kept_by_broker").to_dicts()
    assert found["severity"] == "serious"
    assert found["set_id"] == "S-1"
    assert f"The set dates it {log.at(5):%H:%M:%S} UTC" in found["statement"]
    assert found["evidence"] == ["S-1/1/1"]


@pytest.mark.parametrize(
    ("kind", "fields"),
    [
        ("alarm", {"alarm": "distress", "state": "cleared"}),
        ("alarm", {"alarm": "distress", "state": "raised"}),
        ("resolved", {"incident_id": "I-1", "set_id": "S-1", "text": "found well"}),
        ("resolved", {"incident_id": "I-1", "set_id": "S-1", "alarm": "distress", "text": "found well"}),
    ],
)
def test_it_is_said_until_something_newer_is_heard(
    log: Any, see: Any, kept: Any, kind: str, fields: dict[str, str]
) -> None:
    by = log.desk() if kind == "resolved" else kept
    by.say(30, kind, **fields)
    assert said_at(see, 29)
    assert not said_at(see, 32)


@pytest.mark.parametrize(
    ("kind", "fields"),
    [
        ("alarm", {"alarm": "heat", "state": "raised"}),
        ("resolved", {"incident_id": "I-1", "set_id": "S-1", "alarm": "heat", "text": "cool again"}),
        ("resolved", {"incident_id": "I-1", "set_id": "S-9", "text": "found well"}),
    ],
)
def test_a_word_about_something_else_does_not_end_it(
    log: Any, see: Any, kept: Any, kind: str, fields: dict[str, str]
) -> None:
    (log.desk() if kind == "resolved" else kept).say(30, kind, **fields)
    assert said_at(see, 32)


def test_a_copy_of_what_was_heard_and_what_is_half_a_day_old_are_not_said(
    log: Any, see: Any, kept: Any
) -> None:
    one = log.talker("S-2")
    one.say(10, "alarm", alarm="distress", state="raised")
    again = log.heard()[-1][1]
    log.extra.append(again._replace(received=log.at(40), retained=True))
    (said,) = said_at(see, 60)
    assert "S-2" not in said
    assert not said_at(see, 13 * 3600)


def test_a_source_without_numbers_shows_no_copy_by_them() -> None:
    """Its live heat alarm and the distress that the broker kept both have no number: not the same message."""
    at = datetime(2031, 5, 4, 20, 0, tzinfo=UTC)
    alarms = [
        {"service": "x", "set_id": "S-1", "alarm": alarm, "state": "raised", "time": at,
         "received": at + later, "retained": retained}
        for alarm, later, retained in (("heat", timedelta(), False), ("distress", timedelta(seconds=9), True))
    ]  # fmt: skip
    memory = BrokerMemory()
    memory.take(no_messages() | {"alarm": pl.DataFrame(alarms, schema=FRAME_SCHEMAS["alarm"])})
    assert [(one.who, one.alarm) for one in memory.at(at.timestamp() + 60.0)] == [("S-1", "distress")]
