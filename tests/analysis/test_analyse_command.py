"""`underair analyse` as a user calls it: files, formats, JSON, errors and exit codes."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pyarrow.parquet as pq
import pytest

from analysis.tables import COLUMNS, TABLES
from ingest.contract.captures import write_capture
from sample_logs.simulation.scenario import build_late_turn_back
from tests.verbs import underair

OPENED = datetime(2031, 5, 4, 19, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("archive")
    incident = build_late_turn_back(3, OPENED)
    write_capture(folder / "log.ndjson.gz", incident.heard)
    done = underair("import", str(folder / "log.ndjson.gz"), "--archive", str(folder / "archive"))
    assert done.returncode == 0, done.stderr
    return folder / "archive"


@pytest.fixture(scope="module")
def incident_id() -> str:
    return build_late_turn_back(3, OPENED).incident_id


def test_parquet_with_units_and_origin(archive: Path, tmp_path: Path) -> None:
    done = underair("analyse", "--archive", str(archive), "--out", str(tmp_path / "out"), "--json")
    assert done.returncode == 0, done.stderr
    said = json.loads(done.stdout)
    assert said["profile"] == "default"
    for name, schema in TABLES.items():
        path = tmp_path / "out" / f"{name}.parquet"
        assert said["tables"][name]["file"] == str(path)
        table = pl.read_parquet(path)
        assert table.schema == schema
        assert said["tables"][name]["rows"] == table.height
        stored = pq.read_schema(path)
        assert stored.metadata[b"profile"] == b"default"
        units = [stored.field(column).metadata[b"unit"].decode() for column in COLUMNS[name]]
        assert units == [unit for unit, _ in COLUMNS[name].values()]
    assert said["tables"]["wears"]["rows"] > 0
    assert not list((tmp_path / "out").glob("*.part"))


def test_csv_of_one_incident(archive: Path, tmp_path: Path, incident_id: str) -> None:
    out = tmp_path / "out"
    done = underair(
        "analyse", "--archive", str(archive), "--out", str(out), "--incident", incident_id, "--format", "csv"
    )
    assert done.returncode == 0, done.stderr
    assert "Local procedure decides" in done.stdout
    wears = pl.read_csv(out / "wears.csv")
    assert wears.columns == list(TABLES["wears"])
    assert set(wears["incident_id"]) == {incident_id}
    assert all(text.endswith("Z") for text in wears["started"])
    findings = (out / "findings.csv").read_text(encoding="utf-8")
    assert "turned_back_late" in findings


def test_running_it_again_gives_the_same_bytes(archive: Path, tmp_path: Path) -> None:
    for name in ("a", "b"):
        assert underair("analyse", "--archive", str(archive), "--out", str(tmp_path / name)).returncode == 0
    for name in TABLES:
        first, second = (tmp_path / one / f"{name}.parquet" for one in ("a", "b"))
        assert first.read_bytes() == second.read_bytes(), name


def test_shipped_profile_by_name_and_own_by_file(archive: Path, tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text('name = "own"\ntitle = "t"\ndecides = "we do"\n[air]\nready_fraction = 1.0\n', "utf-8")
    for profile, name in (("thirds", "thirds"), (str(own), "own")):
        done = underair(
            "analyse",
            "--archive",
            str(archive),
            "--out",
            str(tmp_path / name),
            "--profile",
            profile,
            "--json",
        )
        assert done.returncode == 0, done.stderr
        assert json.loads(done.stdout)["profile"] == name


@pytest.mark.parametrize(
    ("code", "change", "sentence"),
    [
        (1, {"--incident": "nowhere"}, "no incident nowhere in the archive"),
        (2, {"--archive": "{tmp}/none"}, "there is no folder"),
        (
            1,
            {"--archive": "{tmp}"},
            "is not an archive: it has neither manifest nor journal; name the folder",
        ),
        (1, {"--profile": "{tmp}/none.toml"}, "shipped profiles are default,"),
    ],
)
def test_expected_errors_say_what_to_do(
    archive: Path, tmp_path: Path, incident_id: str, code: int, change: dict[str, str], sentence: str
) -> None:
    options = {"--archive": str(archive), "--out": str(tmp_path / "out")}
    options |= {key: value.format(tmp=tmp_path) for key, value in change.items()}
    done = underair("analyse", *[word for pair in options.items() for word in pair])
    assert done.returncode == code
    assert sentence in done.stderr
    assert "Traceback" not in done.stderr
    if "--incident" in change:
        assert incident_id in done.stderr  # the ones that there are


def test_tables_of_two_runs_are_not_mixed_in_one_folder(archive: Path, tmp_path: Path) -> None:
    call = ("analyse", "--archive", str(archive), "--out", str(tmp_path / "out"))
    assert underair(*call, "--format", "csv").returncode == 0
    mixed = underair(*call)
    assert mixed.returncode == 1
    assert "already has tables as csv" in mixed.stderr
    assert "--format csv to replace them" in mixed.stderr
    assert not list((tmp_path / "out").glob("*.parquet*"))


def test_wrong_calls_end_with_2(archive: Path) -> None:
    assert underair("analyse", "--archive", str(archive)).returncode == 2
    assert underair("analyse", "--archive", str(archive), "--out", "x", "--format", "xls").returncode == 2


def test_out_that_cannot_be_written(archive: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x", encoding="utf-8")
    done = underair("analyse", "--archive", str(archive), "--out", str(tmp_path / "file" / "out"))
    assert done.returncode == 1
    assert "cannot write the tables" in done.stderr
