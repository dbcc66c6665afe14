"""What an archive holds is told by its IDs."""

from __future__ import annotations

import json
from pathlib import Path

from click.testing import CliRunner

from dashboard.underair import root
from ingest.contract.captures import read_capture, write_capture
from ingest.contract.errors import ArchiveProblem

SAMPLES = Path(__file__).parents[2] / "sample_logs"


def run(*arguments: str | Path) -> str:
    done = CliRunner().invoke(root, [str(each) for each in arguments])
    assert done.exit_code == 0, done.output
    return done.output


def test_incidents_are_listed_for_people_and_for_machines(tmp_path: Path) -> None:
    run("import", SAMPLES / "late_turn_back.ndjson.gz", "--archive", tmp_path)
    (row,) = json.loads(run("incidents", "--archive", tmp_path, "--json"))
    # sample_logs/README.md: the one wearer is W-02 on set S-012 in the incident of 2031-05-04 19:12.
    assert row["incident_id"] == "TH-20310504-1912"
    assert row["sets"] == ["S-012"]
    assert row["first"] < row["last"]
    assert run("incidents", "--archive", tmp_path).startswith("TH-20310504-1912  2031-05-04 ")


def test_a_folder_that_is_no_archive_is_named(tmp_path: Path) -> None:
    said = CliRunner().invoke(root, ["incidents", "--archive", str(tmp_path)])
    assert isinstance(said.exception, ArchiveProblem)
    assert f"{tmp_path} is not an archive" in str(said.exception)


def test_an_archive_without_a_desk_says_so(tmp_path: Path) -> None:
    log = tmp_path / "sets_only.ndjson"
    heard = read_capture(SAMPLES / "late_turn_back.ndjson.gz")
    assert write_capture(log, (one for one in heard if "/set/" in one.topic)) > 1000
    run("import", log, "--archive", tmp_path / "archive")
    assert "no desk named an incident in this archive" in run("incidents", "--archive", tmp_path / "archive")
