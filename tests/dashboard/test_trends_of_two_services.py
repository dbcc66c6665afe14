"""Two services in one archive, each with a wearer of the same name: two people in the trends."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from analysis.profile import Profile
from dashboard.trends.wear_ledger import WearLedger
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.contract.captures import Heard
from ingest.contract.frames import frames_from_heard
from tests.analysis.conftest import OPENED, WrittenLog

DAY_S = 86_400


def wear(service: str, incident: str, set_id: str, wearer: str, day: int) -> list[Heard]:
    log = WrittenLog()
    desk, one = log.talker(f"D-{service}", day, role="desk"), log.talker(set_id, day)
    start_s = day * DAY_S
    who = {"incident_id": incident, "wearer_id": wearer, "set_id": set_id}
    desk.say(start_s, "incident", incident_id=incident, action="open")
    desk.say(start_s + 10, "tally", action="in", task="attack", **who)
    one.set_up(start_s)
    one.breathe(start_s + 20, 300)
    desk.say(start_s + 400, "tally", action="out", **who)
    desk.say(start_s + 500, "incident", incident_id=incident, action="close")
    return [each._replace(topic=each.topic.replace("/trial/", f"/{service}/")) for _, each in log.heard()]


@pytest.mark.parametrize("met", [False, True])
def test_one_name_in_two_services_is_two_people_whether_they_met_or_not(tmp_path: Path, met: bool) -> None:
    """Told apart only inside one incident: those who never met were one line with the sums of both."""
    heard = [
        *wear("north", "N-1", "S-1", "W-1", 1),
        *wear("south", "P-1", "S-2", "W-1", 5 if not met else 1),
        *wear("south", "P-2", "S-2", "W-1", 9),
        *wear("south", "P-3", "S-2", "W-2", 13),
    ]
    if met:  # at one incident, at once
        heard = [one._replace(payload=one.payload.replace(b'"P-1"', b'"N-1"')) for one in heard]
    seal_messages(tmp_path, frames_from_heard(sorted(heard, key=lambda one: one.received)), "log")
    ledger = WearLedger(Archive(tmp_path), Profile.default())
    ledger.update(OPENED + timedelta(days=60))
    lines = ledger.everybody().sort("started", "set_id")
    assert lines["wearer_id"].to_list() == ["W-1", "south:W-1", "south:W-1", "W-2"]
    assert set(lines["task"]) == {"attack"}
