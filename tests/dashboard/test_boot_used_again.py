"""A set that keeps its boot number: no wear is lost; page, report and tables agree; a finding says why."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from analysis.incident import analyse
from analysis.pieces.archive_pieces import pieces_of
from analysis.pieces.piecewise import analyse_batch
from analysis.profile import Profile
from dashboard.evidence.case import incident_of_archive
from dashboard.results_store import ResultsStore
from dashboard.trends.wear_ledger import WearLedger
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.contract.frames import Messages
from tests.analysis.conftest import WrittenLog

PROFILE = Profile.default()
MADE = datetime(2032, 1, 1, tzinfo=UTC)
DAY_S = 86400.0


def worn(log: WrittenLog, from_s: float, incident_id: str, boot: int = 1, minutes: int = 5) -> None:
    """One set, switched on, tallied to an incident, worn and switched off."""
    talker, desk = log.talker("S-1", boot), log.talker("D-1", int(from_s) + 1, role="desk")
    talker.say(from_s, "power", state="on", battery_fraction=0.9)
    talker.set_up(from_s + 1)
    talker.breathe(from_s + 60, 60 * minutes, only_pressure=True)
    talker.say(from_s + 60 * minutes + 80, "power", state="off", battery_fraction=0.8)
    desk.say(from_s + 10, "incident", incident_id=incident_id, action="open")
    about: dict[str, Any] = {"incident_id": incident_id, "set_id": "S-1", "wearer_id": "W-1"}
    desk.say(from_s + 50, "tally", action="in", **about)
    desk.say(from_s + 60 * minutes + 70, "tally", action="out", **about)
    desk.say(from_s + 60 * minutes + 100, "incident", incident_id=incident_id, action="close")


def archive_of(folder: Path, messages: Messages) -> Path:
    folder.mkdir()
    seal_messages(folder, messages, "log")
    return folder


CASES = {
    "the same day": [(0.0, 1), (9 * 3600.0, 1)],
    "over midnight": [(13.95 * 3600, 1), (20.5 * 3600, 1)],
    "with another between": [(0.0, 1), (DAY_S, 2), (2 * DAY_S, 1)],
    "three times": [(0.0, 1), (DAY_S, 1), (4 * DAY_S, 1)],
}


@pytest.mark.parametrize("case", CASES)
def test_page_report_and_tables_agree(case: str, tmp_path: Path) -> None:
    log, names = WrittenLog(), []
    for number, (from_s, boot) in enumerate(CASES[case]):
        names.append(f"I-{number}")
        worn(log, from_s, names[-1], boot, minutes=5 + number)
    archive = archive_of(tmp_path / "archive", log.frames())
    lots = [analyse_batch(archive, batch, PROFILE) for batch in pieces_of(archive).batches()]
    tables = {name: pl.concat([lot[name] for lot in lots]) for name in ("wears", "findings", "air")}
    assert tables["wears"].sort("started")["incident_id"].to_list() == names
    assert tables["wears"]["wear_id"].n_unique() == len(names)
    sizes = tables["air"].group_by("wear_id").len().sort("len")["len"].to_list()
    assert [round(size / 60) for size in sizes] == [5 + number for number in range(len(names))]

    store = ResultsStore(Archive(archive), PROFILE)
    ledger = WearLedger(Archive(archive), PROFILE)
    ledger.update(MADE)
    assert ledger.tables()["wears"].sort("started")["incident_id"].to_list() == names
    for number, name in enumerate(names):
        page, (report, _) = store.incident(name), incident_of_archive(archive, PROFILE, name, MADE)
        for record in (page, report):
            assert record.results["wears"].height == 1
            assert record.results["wears"]["free_air_l"][0] > 0
            said = record.results["findings"].filter(pl.col("code") == "conflicting_records")
            again = number > 0 and CASES[case][number][1] == 1
            assert said.height == again
            if again:
                assert "used the boot number 1 again" in said["statement"][0]
        for table in ("wears", "air", "gaps", "alarms", "turn_back", "findings"):
            assert page.results[table].equals(report.results[table]), (name, table)
        assert page.messages["pressure"]["at"].is_between(page.about["started"], page.about["ended"]).any()


def test_switched_on_again_within_an_incident(tmp_path: Path) -> None:
    """Two cylinders, the set off in between: both wears, each with its own figures."""
    log = WrittenLog()
    worn(log, 0.0, "I-1")
    worn(log, 1500.0, "I-1", minutes=8)
    found = analyse(log.frames(), PROFILE, "I-1")
    assert found["wears"]["wear_id"].to_list() == ["S-1/1/1", "S-1/1/2"]
    minutes = (found["wears"]["ended"] - found["wears"]["started"]).dt.total_minutes().to_list()
    assert minutes == [pytest.approx(5, abs=1), pytest.approx(8, abs=1)]
    assert found["clocks"].height == 2
    assert "used the boot number 1 again" in found["findings"]["statement"].str.join(" ")[0]
    both = log.frames()
    mixed = {kind: frame.sample(fraction=1, shuffle=True, seed=1) for kind, frame in both.items()}
    assert all(analyse(mixed, PROFILE, "I-1")[name].equals(table) for name, table in found.items())


def test_what_is_only_sent_again_is_no_other_power_up(tmp_path: Path) -> None:
    """A gateway that kept everything for seven hours, and writes its JSON in another way."""
    log = WrittenLog()
    worn(log, 0.0, "I-1")
    frames = log.frames()
    late = {
        kind: frame.with_columns(pl.col("received") + pl.duration(hours=7), pl.col("payload") + " ")
        for kind, frame in frames.items()
        if "set_id" in frame.columns and "desk_id" not in frame.columns and kind != "refused"
    }
    both = {kind: pl.concat([frame, late[kind]]) if kind in late else frame for kind, frame in frames.items()}
    found = analyse(both, PROFILE, "I-1")
    assert found["wears"]["wear_id"].to_list() == ["S-1/1/1"]
    assert "the one heard first is used" in found["findings"]["statement"].str.join(" ")[0]
    assert found["wears"].equals(analyse(frames, PROFILE, "I-1")["wears"])
