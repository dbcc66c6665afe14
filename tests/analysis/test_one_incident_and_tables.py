"""One incident out of a long archive, and tables that are written bit by bit."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from analysis.incident import analyse
from analysis.pieces.archive_pieces import incident_piece, incidents_in
from analysis.profile import Profile
from analysis.tables import TABLES, Results
from analysis.writing import TableFiles, write_results
from ingest.contract.captures import Heard, write_capture
from ingest.contract.errors import UnderairError
from ingest.contract.frames import frames_from_heard
from ingest.importing import import_capture
from sample_logs.drills import build_radio_troubles
from sample_logs.simulation.scenario import build_late_turn_back
from sample_logs.simulation.staging import SimulatedIncident

PROFILE = Profile.default()
FIRST = datetime(2031, 5, 4, 19, 12, tzinfo=UTC)
SECOND = FIRST + timedelta(days=3)


@pytest.fixture(scope="module")
def incidents() -> list[SimulatedIncident]:
    return [build_late_turn_back(3, FIRST), build_radio_troubles(4, SECOND)]


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory, incidents: list[SimulatedIncident]) -> Path:
    folder = tmp_path_factory.mktemp("periods")
    for number, incident in enumerate(incidents):
        write_capture(folder / f"{number}.ndjson", incident.heard)
        import_capture(folder / f"{number}.ndjson", folder / "archive", lambda *_: None)
    return folder / "archive"


def test_one_incident_reads_only_its_time(archive: Path, incidents: list[SimulatedIncident]) -> None:
    assert incidents_in(archive)["incident_id"].to_list() == [one.incident_id for one in incidents]
    messages, _ = incident_piece(archive, incidents[1].incident_id)
    assert messages["pressure"]["received"].min() > SECOND - timedelta(hours=1)
    found = analyse(messages, PROFILE, incidents[1].incident_id)
    alone = analyse(frames_from_heard(incidents[1].heard), PROFILE, incidents[1].incident_id)
    assert all(found[name].equals(table) for name, table in alone.items())


@pytest.mark.parametrize("form", ["parquet", "csv"])
def test_written_bit_by_bit_or_at_once(tmp_path: Path, incidents: list[SimulatedIncident], form: str) -> None:
    parts = [analyse(frames_from_heard(one.heard), PROFILE) for one in incidents]
    whole: Results = {name: pl.concat([part[name] for part in parts]) for name in TABLES}
    at_once = write_results(whole, tmp_path / "a", form, {})
    with TableFiles(tmp_path / "b", form, {}) as files:
        for part in parts:
            files.add(part)
    for name, path in files.paths.items():
        assert files.rows[name] == whole[name].height
        if form == "csv":
            assert path.read_bytes() == at_once[name].read_bytes()
        else:
            assert pl.read_parquet(path).equals(whole[name])
    assert sum(files.findings.values()) == whole["findings"].height


def test_nothing_is_left_of_a_run_that_failed(tmp_path: Path, incidents: list[SimulatedIncident]) -> None:
    results = analyse(frames_from_heard(incidents[0].heard), PROFILE)
    write_results(results, tmp_path, "csv", {})
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}

    def broken_off() -> None:
        with TableFiles(tmp_path, "csv", {}) as files:
            files.add(results)
            raise UnderairError("broken off")

    with pytest.raises(UnderairError, match="broken off"):
        broken_off()
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_a_note_brought_in_later_stands_where_it_belongs(
    tmp_path: Path, incidents: list[SimulatedIncident]
) -> None:
    """A radio log from a CSV, a month after: it does not stretch the incident, and it tells the objective."""
    late = SECOND + timedelta(days=30)
    note = {"kind": "note", "desk_id": "D-9", "boot": 1, "seq": 0, "time": late.isoformat()}
    note |= {"incident_id": incidents[0].incident_id, "set_id": "S-012", "text": "objective reached"}
    note |= {"at": (FIRST + timedelta(minutes=9)).isoformat(), "certainty": "estimated"}
    heard = [*incidents[0].heard, *incidents[1].heard]
    heard.append(Heard(late, "underair/v1/tarnhollow/desk/D-9/note", json.dumps(note).encode()))
    write_capture(tmp_path / "log.ndjson", heard)
    import_capture(tmp_path / "log.ndjson", tmp_path / "archive", lambda *_: None)
    with_it, _ = incident_piece(tmp_path / "archive", incidents[0].incident_id)
    assert with_it["pressure"]["received"].max() < SECOND
    assert with_it["note"].filter(pl.col("desk_id") == "D-9").height == 1
