"""Whoever was inside without a tally, or in distress, is in the incident's report and case."""

from __future__ import annotations

import gzip
from pathlib import Path
from typing import Any

import pytest

from analysis.profile import Profile
from dashboard.evidence.case import write_case
from dashboard.evidence.case_check import verify_case
from dashboard.results_store import ResultsStore
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from tests.analysis.conftest import WrittenLog

PROFILE = Profile.default()


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """W-1 comes out, somebody goes in again with his set; S-5 only gives distress; S-8 is at home."""
    log = WrittenLog()
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    for number, incident_id in ((1, "I-1"), (2, "I-2")):
        one = log.talker(f"S-{number}")
        one.set_up(0)
        one.breathe(20, 300)
        of: dict[str, Any] = {"incident_id": incident_id, "set_id": one.name, "wearer_id": f"W-{number}"}
        desk.say(10, "tally", action="in", **of)
        desk.say(325, "tally", action="out", **of)
    log.talkers[1].breathe(600, 200, start_bar=270.0, closes=False)
    log.talkers[1].say(700, "alarm", alarm="distress", state="raised")
    log.talker("S-4").breathe(400, 200)
    log.talker("S-5").say(500, "alarm", alarm="distress", state="raised")
    log.talker("S-6").breathe(9000, 200)  # after the incident
    for at_s in range(0, 900, 30):
        log.talker("S-8", 100 + at_s).say(at_s, "pressure", pressure_bar=0.0)
    desk.say(1000, "incident", incident_id="I-1", action="close")
    folder = tmp_path_factory.mktemp("nobody") / "archive"
    folder.mkdir()
    seal_messages(folder, log.frames(), "log")
    return folder


def test_sets_of_nobody_belong_to_the_incident_in_whose_time_they_were_heard(archive: Path) -> None:
    store = ResultsStore(Archive(archive), PROFILE)
    record = store.incident("I-1")
    wears = record.results["wears"].select("set_id", "wearer_id").sort("set_id", "wearer_id").rows()
    assert wears == [("S-1", None), ("S-1", "W-1"), ("S-4", None)]
    distress = record.results["alarms"].filter(alarm="distress")
    assert distress.select("set_id", "wear_id").sort("set_id").rows() == [("S-1", "S-1/1/2"), ("S-5", None)]
    no_tally = record.results["findings"].filter(code="no_tally")
    assert sorted(no_tally["set_id"]) == ["S-1", "S-4"]
    (line,) = store.incidents().filter(key="I-1").to_dicts()
    assert (line["wears"], line["alarms"]) == (3, 2)
    assert set(store.incident("I-2").results["wears"]["set_id"]) == {"S-2"}


def test_report_and_case_have_them_and_can_be_computed_again(archive: Path, tmp_path: Path) -> None:
    write_case(archive, PROFILE, "I-1", tmp_path / "case")
    assert verify_case(tmp_path / "case", again=True).faults == ()
    report = (tmp_path / "case" / "data" / "report.html").read_text(encoding="utf-8")
    assert "Nobody tallied in 2 of these wears: set S-1, S-4." in report
    with gzip.open(tmp_path / "case" / "data" / "messages.ndjson.gz", "rt", encoding="utf-8") as lines:
        said = lines.read()
    assert {name for name in ("S-1", "S-4", "S-5", "S-6", "S-8") if f"/set/{name}/" in said} == {
        "S-1",
        "S-4",
        "S-5",
    }
