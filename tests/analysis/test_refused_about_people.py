"""What was refused was received: nobody calls it not heard, and what concerns a person is a finding."""

from __future__ import annotations

import json
from typing import Any

import polars as pl
import pytest

from analysis.incident import analyse
from analysis.live.board import LiveBoard
from analysis.profile import Profile
from ingest.contract.frames import FrameBuilder
from ingest.contract.times import micros
from ingest.mapping.mapper import Mapper
from ingest.mapping.rules import read_mapping


def inside(log: Any) -> tuple[Any, Any]:
    desk, one = log.desk(), log.talker("S-1")
    desk.say(0, "incident", incident_id="I-1", action="open")
    desk.say(1, "tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1", team="Alder")
    return desk, one


def told(log: Any, incident_id: str | None = None) -> dict[str, dict[str, Any]]:
    rows = analyse(log.frames(), Profile.default(), incident_id)["findings"].to_dicts()
    return {row["code"]: row for row in rows}


def test_a_set_whose_every_message_was_refused_is_not_called_never_heard(log: Any) -> None:
    desk, one = inside(log)
    for second in range(10, 200):
        one.say(second, "pressure", pressure_bar="much")
    desk.say(200, "tally", incident_id="I-1", action="out", set_id="S-1", wearer_id="W-1")
    found = told(log)
    assert "set_never_heard" not in found
    assert found["set_only_refused"]["severity"] == "caution"
    assert "190 received" in found["set_only_refused"]["statement"]


def test_a_refused_alarm_is_a_finding_with_set_time_and_reason(log: Any) -> None:
    _, one = inside(log)
    one.set_up(0)
    one.breathe(20, 300, closes=False, only_pressure=True)
    one.say(100.5, "alarm", alarm="distress", state="raised", detail="x" * 201)
    for incident_id in (None, "I-1"):
        row = told(log, incident_id)["alarm_refused"]
        assert (row["severity"], row["set_id"]) == ("serious", "S-1")
        assert "10:01:40 UTC" in row["statement"]
        assert "alarm 'distress'" in row["statement"]
        assert "200" in row["statement"]  # the reason: how long a detail may be


@pytest.mark.parametrize("broken", [{"detail": "x" * 201}, {"time": "0001-01-01T00:00:00Z"}])
def test_a_refused_distress_is_on_the_board_until_a_person_resolves_it(
    log: Any, see: Any, broken: dict[str, str]
) -> None:
    desk, one = inside(log)
    one.set_up(0)
    one.breathe(20, 300, closes=False, only_pressure=True)
    one.say(100.5, "alarm", alarm="distress", state="raised", **broken)
    desk.say(140, "resolved", incident_id="I-1", set_id="S-1", alarm="distress", text="spoken to")
    (line,) = see(110).alarms
    assert (line.alarm, line.set_id, line.wearer_id) == ("distress", "S-1", "W-1")
    assert "message refused" in (line.detail or "")
    assert (line.derived, line.inferred) == (False, False), "the set reported it"
    assert (line.acknowledged_at, line.ended_at, line.seen_at, line.unknown_since_at) == (None,) * 4
    (row,) = see(110).rows
    assert (row.attention, row.reasons[0].code) == ("distress", "distress")
    assert not see(150).alarms
    assert see(150).rows[0].attention == "under_air"


MAPPED = """
name = "maker-b"
version = 1
service = "trial"
[[source]]
topic = "telemetry/{unit}"
set_id = { level = "unit" }
[[source.message]]
kind = "pressure"
[source.message.fields]
pressure_bar = { pointer = "/bar" }
[[source.flag]]
alarm = "distress"
pointer = "/flags"
true = [4]
false = [0]
[source.time]
form = "received"
"""


def test_a_distress_of_a_mapped_set_whose_value_is_not_listed_is_told_as_loudly(log: Any) -> None:
    """The row said "Turn back soon", no alarm was active, and report and findings had no word of it."""
    desk, _ = inside(log)
    desk.say(200, "tally", incident_id="I-1", action="out", set_id="S-1", wearer_id="W-1")
    builder = FrameBuilder(Mapper([read_mapping(MAPPED.encode(), "b.toml")]))
    for _, one in log.heard():
        builder.add(micros(one.received), one.topic, one.payload)
    for second in range(2, 180, 2):
        flags = 12 if second >= 100 else 0
        told_of = json.dumps({"bar": 300 - second / 10, "flags": flags}).encode()
        builder.add(micros(log.at(second)), "telemetry/S-1", told_of)
    messages = builder.frames()
    board = LiveBoard(Profile.default())
    board.take({kind: frame.filter(pl.col("received") < log.at(190)) for kind, frame in messages.items()})
    shown = board.snapshot(log.at(178))
    (line,) = shown.alarms
    assert (line.alarm, line.set_id, line.wearer_id, line.raised_at) == (
        "distress",
        "S-1",
        "W-1",
        log.at(100).timestamp(),
    )
    assert "got '12'" in (line.detail or "")
    assert (shown.rows[0].attention, shown.rows[0].reasons[0].code) == ("distress", "distress")
    results = analyse(messages, Profile.default(), "I-1")
    (row,) = results["refused"].to_dicts()
    assert (row["set_id"], row["kind"], row["messages"]) == ("S-1", "alarm", 1)
    (finding,) = results["findings"].filter(code="alarm_refused").to_dicts()
    assert (finding["severity"], finding["set_id"]) == ("serious", "S-1")
    for word in ("alarm 'distress'", "flag '12'", "10:01:40 UTC"):
        assert word in finding["statement"]


def test_the_many_refused_alarms_of_one_set_push_out_no_others(log: Any, see: Any) -> None:
    """A thousand were kept in all: a gateway that wrote a wrong word each second silenced a distress."""
    _, one = inside(log)
    one.set_up(0)
    one.breathe(20, 300, closes=False, only_pressure=True)
    one.say(100.5, "alarm", alarm="distress", state="raised", detail="x" * 201)
    other = log.talker("S-2")
    for number in range(1_050):
        other.say(101 + number / 20, "alarm", alarm="fault", state="raised", detail="x" * 201)
    told_of = {(line.set_id, line.alarm): line.raised_at for line in see(160).alarms}
    assert told_of["S-1", "distress"] == pytest.approx(log.at(100.5).timestamp(), abs=0.2)
    assert told_of["S-2", "fault"] == pytest.approx(log.at(101).timestamp(), abs=0.2)


def test_a_refused_distress_of_a_set_that_nobody_tallied_in_is_its_rows(log: Any, see: Any) -> None:
    one = log.talker("S-1")
    one.set_up(0)
    one.breathe(20, 300, closes=False, only_pressure=True)
    one.say(100.5, "alarm", alarm="distress", state="raised", detail="x" * 201)
    shown = see(110)
    assert (shown.rows[0].attention, shown.alarms[0].row_key) == ("distress", shown.rows[0].key)


def test_the_board_says_of_a_set_never_heard_that_its_messages_are_refused(log: Any, see: Any) -> None:
    _, one = inside(log)
    for second in range(10, 200):
        one.say(second, "pressure", pressure_bar="much")
    (row,) = see(180).rows
    assert row.lost is not None
    assert "messages_refused" in [reason.code for reason in row.reasons]


def test_a_refused_tally_names_who_was_meant(log: Any) -> None:
    desk, one = inside(log)
    one.set_up(0)
    one.breathe(20, 300, closes=False, only_pressure=True)
    desk.say(30, "tally", incident_id="I-1", action="in", set_id="S-7", wearer_id="W-7", team="Red Team!")
    statement = told(log)["desk_word_refused"]["statement"]
    for word in ("W-7", "S-7", "10:00:30 UTC", "desk D-1", "tally"):
        assert word in statement
