"""A desk whose clock is slow: its notes are where they were written, on page and in report."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from analysis.profile import Profile
from dashboard.results_store import record_of
from dashboard.review.desk_tables import desk_notes
from ingest.contract.captures import Heard, read_capture
from ingest.contract.frames import frames_from_heard

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "late_turn_back.ndjson.gz"
INCIDENT = "TH-20310504-1912"
SLOW = timedelta(seconds=75)


def moved(text: str) -> str:
    return (datetime.fromisoformat(text) - SLOW).astimezone(UTC).isoformat().replace("+00:00", "Z")


def slow(heard: Heard) -> Heard:
    if "/desk/" not in heard.topic:
        return heard
    told = json.loads(heard.payload)
    for name in ("time", "at"):
        if told.get(name):
            told[name] = moved(told[name])
    return heard._replace(payload=json.dumps(told).encode())


@pytest.mark.parametrize("clock", ["right", "slow"])
def test_notes_of_a_slow_desk_are_put_right(clock: str) -> None:
    """`at` of its notes stayed on the desk's own clock: 75 s too early beside everything else."""
    heard = list(read_capture(SAMPLE))
    service = heard[0].topic.split("/")[1]
    last = next(one for one in reversed(heard) if "/desk/" in one.topic)
    told = json.loads(last.payload)
    about = heard[0].received + timedelta(minutes=9)
    note = {name: told[name] for name in ("desk_id", "boot", "time")}
    note |= {"kind": "note", "seq": told["seq"] + 1, "incident_id": INCIDENT, "text": "stairs gave way"}
    note["at"] = about.isoformat().replace("+00:00", "Z")
    topic = last.topic.rpartition("/")[0] + "/note"
    assert service in topic
    heard.append(Heard(last.received, topic, json.dumps(note).encode(), False))
    said = [slow(one) for one in heard] if clock == "slow" else heard
    record = record_of(frames_from_heard(said), Profile.default(), INCIDENT, None)
    (found,) = [one for one in desk_notes(record.messages["note"], INCIDENT) if one.text == "stairs gave way"]
    assert abs(found.at - about) < timedelta(seconds=1.5)
