"""Incidents that share sets, and one that goes on over a long silence: page, report and tables agree."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from analysis.incident import analyse
from analysis.profile import Profile
from dashboard.evidence.case import incident_of_archive, write_case
from dashboard.evidence.case_check import verify_case
from dashboard.results_store import ResultsStore, UnknownIncident
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.contract.captures import read_capture
from ingest.contract.frames import frames_from_heard
from tests.analysis.conftest import Talker, WrittenLog
from tests.analysis.random_incidents import random_incident

PROFILE = Profile.default()
MADE = datetime(2032, 1, 1, tzinfo=UTC)


def worn(log: WrittenLog, set_id: str, boot: int, from_s: float) -> None:
    talker = log.talker(set_id, boot)
    talker.set_up(from_s - 50)
    talker.breathe(from_s, 300, only_pressure=True)
    talker.say(from_s + 330, "power", state="off", battery_fraction=0.8)


def tallied(desk: Talker, incident_id: str, set_id: str, wearer_id: str, from_s: float) -> None:
    about: dict[str, Any] = {"incident_id": incident_id, "set_id": set_id, "wearer_id": wearer_id}
    desk.say(from_s - 10, "tally", action="in", **about)
    desk.say(from_s + 320, "tally", action="out", **about)


def sealed(folder: Path, log: WrittenLog) -> Path:
    folder.mkdir()
    seal_messages(folder, log.frames(), "log")
    return folder


def test_a_wear_of_another_incident_stays_there(tmp_path: Path) -> None:
    """Two incidents at once that share two sets: the report gave the first a wear of the second."""
    log = WrittenLog()
    desks = {"I-A": log.desk(), "I-B": log.desk("D-2")}
    for incident_id, desk in desks.items():
        desk.say(0, "incident", incident_id=incident_id, action="open")
        desk.say(4000, "incident", incident_id=incident_id, action="close")
    worn(log, "S-1", 1, 600)
    tallied(desks["I-A"], "I-A", "S-1", "W-1", 600)
    worn(log, "S-1", 2, 1600)
    tallied(desks["I-B"], "I-B", "S-1", "W-2", 1600)
    worn(log, "S-2", 1, 2000)
    # Written down at the first, and never out again: the second has the wear.
    desks["I-A"].say(700, "tally", incident_id="I-A", set_id="S-2", wearer_id="W-3", action="in")
    tallied(desks["I-B"], "I-B", "S-2", "W-3", 2000)
    archive = sealed(tmp_path / "archive", log)
    store = ResultsStore(Archive(archive), PROFILE)
    whole = analyse(log.frames(), PROFILE)["wears"]
    assert sorted(whole["incident_id"]) == ["I-A", "I-B", "I-B"]
    for incident_id in desks:
        report, _ = incident_of_archive(archive, PROFILE, incident_id, MADE)
        page = store.incident(incident_id)
        for table in ("wears", "air", "alarm_rates", "turn_back", "gaps"):
            assert page.results[table].equals(report.results[table]), (incident_id, table)
        its = whole.filter(pl.col("incident_id") == incident_id)
        assert report.results["wears"]["wear_id"].to_list() == its["wear_id"].to_list()
        out = tmp_path / incident_id
        write_case(archive, PROFILE, incident_id, out)
        assert not verify_case(out, again=True).faults


@pytest.mark.parametrize("pause_h", [5, 20])
def test_an_incident_with_a_long_pause_is_one_on_the_page(pause_h: int, tmp_path: Path) -> None:
    """Nothing at all was heard for a night: the page had a line for each stretch, and opened the first."""
    log = WrittenLog()
    desk = log.desk()
    starts = [600.0 + number * pause_h * 3600 for number in range(4)]
    desk.say(0, "incident", incident_id="I-1", action="open", name="Peat fire")
    for number, from_s in enumerate(starts):
        worn(log, f"S-{number % 2 + 1}", 10 + number, from_s)
        tallied(desk, "I-1", f"S-{number % 2 + 1}", "W-1", from_s)
    desk.say(starts[-1] + 600, "incident", incident_id="I-1", action="close")
    archive = sealed(tmp_path / "archive", log)
    store = ResultsStore(Archive(archive), PROFILE)
    assert store.incidents().select("key", "wears").rows() == [("I-1", 4)]
    report, _ = incident_of_archive(archive, PROFILE, "I-1", MADE)
    page = store.incident("I-1")
    assert all(page.results[name].equals(table) for name, table in report.results.items())


def test_the_same_name_half_a_year_later_is_another_incident(tmp_path: Path) -> None:
    """Two stretches of an archive with nothing between are not read as one for a name that they share."""
    log = WrittenLog()
    for number, from_s in enumerate((600.0, 180 * 86400.0)):
        desk = log.talker("D-1", 7 + number, role="desk")
        worn(log, "S-1", 10 + number, from_s)
        tallied(desk, "drill", "S-1", "W-1", from_s)
    store = ResultsStore(Archive(sealed(tmp_path / "archive", log)), PROFILE)
    assert store.incidents().select("key", "incident_id", "wears").rows() == [
        ("drill@2031-10-31", "drill", 1),
        ("drill@2031-05-04", "drill", 1),
    ]
    assert store.incident("drill@2031-10-31").results["wears"]["wear_id"].to_list() == ["S-1/11/1"]
    with pytest.raises(UnknownIncident, match=r"given to 2 incidents .*drill@2031-05-04, drill@2031-10-31"):
        store.incident("drill")


COUNTS = ("started", "ended", "wears", "wearers", "alarms", "serious", "cautions")


def assert_lines_are_those_of_the_records(archive: Path) -> dict[str, dict[str, Any]]:
    store = ResultsStore(Archive(archive), PROFILE)
    lines = {row["key"]: row for row in store.incidents().to_dicts()}
    for key, line in lines.items():
        about = store.incident(key).about
        assert {name: line[name] for name in COUNTS} == {name: about[name] for name in COUNTS}, key
    return lines


def test_the_list_counts_what_the_record_of_an_incident_has(tmp_path: Path) -> None:
    """A set refused to start while the fire lasted: the list counted 7 cautions, page and report 8."""
    sample = Path(__file__).parents[2] / "sample_logs" / "cooperage_fire.ndjson.gz"
    archive = tmp_path / "archive"
    archive.mkdir()
    seal_messages(archive, frames_from_heard(list(read_capture(sample))), "log")
    (line,) = assert_lines_are_those_of_the_records(archive).values()
    assert line["cautions"] == 8


@pytest.mark.parametrize("seed", [18, 20, 32])
def test_the_list_counts_what_the_record_of_a_random_incident_has(tmp_path: Path, seed: int) -> None:
    """Ten of 100 differed: a tally of another incident, an `out` of nobody, a distress outside every wear."""
    archive = tmp_path / "archive"
    archive.mkdir()
    seal_messages(archive, frames_from_heard(random_incident(seed)), "log")
    assert_lines_are_those_of_the_records(archive)


def test_a_start_refused_counts_for_the_incident_of_that_time_only(tmp_path: Path) -> None:
    log = WrittenLog()
    for number, (incident_id, from_s) in enumerate((("I-A", 600.0), ("I-B", 90_000.0))):
        worn(log, f"S-{number}", 1, from_s)
        tallied(log.desk(f"D-{number}"), incident_id, f"S-{number}", f"W-{number}", from_s)
    for number, at_s in enumerate((700.0, 750.0, 50_000.0)):  # the third while nothing lasted
        log.talker(f"S-9{number}").say(at_s, "power", state="refused", battery_fraction=0.05)
    lines = assert_lines_are_those_of_the_records(sealed(tmp_path / "archive", log))
    assert {key: line["cautions"] for key, line in lines.items()} == {"I-A": 2, "I-B": 0}


def test_a_distress_counts_for_the_incident_in_which_its_set_was_worn(tmp_path: Path) -> None:
    """Tallied in on the wrong set first: the distress of who wore it was in both reports."""
    log = WrittenLog()
    first, second = log.desk(), log.desk("D-2")
    first.say(560, "tally", action="in", incident_id="I-A", set_id="S-1", wearer_id="W-1")
    first.say(570, "tally", action="in", incident_id="I-A", set_id="S-2", wearer_id="W-1")
    worn(log, "S-2", 1, 600)
    worn(log, "S-1", 1, 600)
    tallied(second, "I-B", "S-1", "W-2", 600)
    log.talkers[-1].say(700, "alarm", alarm="distress", state="raised")
    lines = assert_lines_are_those_of_the_records(sealed(tmp_path / "archive", log))
    assert {key: line["alarms"] for key, line in lines.items()} == {"I-A": 0, "I-B": 1}


def test_a_distress_in_a_wear_that_nobody_tallied_stays_with_the_incident_of_its_set(tmp_path: Path) -> None:
    log = WrittenLog()
    desk = log.desk()
    worn(log, "S-1", 1, 600)
    tallied(desk, "I-A", "S-1", "W-1", 600)
    worn(log, "S-1", 2, 1600)  # went in again, and nobody wrote it down
    log.talkers[-1].say(1700, "alarm", alarm="distress", state="raised")
    desk.say(2200, "incident", incident_id="I-A", action="close")
    record = ResultsStore(Archive(sealed(tmp_path / "archive", log)), PROFILE).incident("I-A")
    assert record.results["alarms"].filter(pl.col("source") == "reported")["alarm"].to_list() == ["distress"]
