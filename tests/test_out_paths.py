"""Results go to this machine or to standard output (-); a store is refused, no folder `s3:` appears."""

from __future__ import annotations

import io
from pathlib import Path

import polars as pl
import pytest
from click.testing import CliRunner

from analysis.tables import TABLES
from dashboard.underair import root
from ingest.importing import import_capture

INCIDENT = "TH-20310504-1912"
LOG = Path(__file__).parents[1] / "sample_logs" / "late_turn_back.ndjson.gz"


@pytest.mark.parametrize(
    "verb",
    [
        ["analyse", str(LOG)],
        ["report", str(LOG), "--incident", "x"],
        ["case", "--archive", "a", "--incident", "x", "--why", "y"],
        ["audit", "--archive", "a"],
        ["wearer", "W-1", "--archive", "a"],
        ["learn", "--archive", "a"],
    ],
    ids=lambda verb: verb[0],
)
def test_an_out_on_a_store_is_refused(
    verb: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """0.3.0 wrote a local folder `s3:` and said done."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a").mkdir()
    run = CliRunner().invoke(root, [*verb, "--out", "s3://bucket/out"])
    assert run.exit_code == 2
    assert "results are written on this machine" in " ".join(run.output.split())
    assert {path.name for path in tmp_path.iterdir()} == {"a"}


@pytest.mark.parametrize(
    "verb",
    [
        ["case", "--archive", "a", "--incident", "x", "--why", "y"],
        ["audit", "--archive", "a"],
        ["wearer", "W-1", "--archive", "a"],
    ],
    ids=lambda verb: verb[0],
)
def test_a_verb_that_writes_a_folder_refuses_standard_output(
    verb: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """They made a folder named `-`."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a").mkdir()
    run = CliRunner().invoke(root, [*verb, "--out", "-"])
    assert run.exit_code == 2
    assert "name a folder" in " ".join(run.output.split())
    assert {path.name for path in tmp_path.iterdir()} == {"a"}


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    import_capture(LOG, folder := tmp_path_factory.mktemp("archive"))
    return folder


def test_a_dash_prints_a_report_or_a_register_and_nothing_else(archive: Path, tmp_path: Path) -> None:
    about = ["report", "--archive", str(archive), "--incident", INCIDENT]
    printed = CliRunner().invoke(root, [*about, "--out", "-"])
    assert (printed.exit_code, printed.stderr) == (0, "")
    assert printed.stdout.startswith("<!DOCTYPE html>")
    assert printed.stdout.rstrip().endswith("</html>")
    register = CliRunner().invoke(root, ["register", "--archive", str(archive), "--out", "-"])
    assert "wearer_id" in pl.read_csv(io.StringIO(register.stdout)).columns
    assert not list(Path().glob("-"))


@pytest.mark.parametrize("more", [[], ["--incident", INCIDENT]], ids=["all", "one incident"])
def test_a_dash_prints_one_table(archive: Path, more: list[str]) -> None:
    asked = ["analyse", "--archive", str(archive), "--out", "-", *more]
    table = CliRunner().invoke(root, [*asked, "--table", "wears", "--format", "csv"])
    assert table.exit_code == 0
    assert pl.read_csv(io.StringIO(table.stdout)).columns == list(TABLES["wears"])
    parquet = CliRunner().invoke(root, [*asked, "--table", "wears"])
    assert pl.read_parquet(io.BytesIO(parquet.stdout_bytes)).schema == TABLES["wears"]
    missing = CliRunner().invoke(root, asked)
    assert missing.exit_code == 2
    assert "name it with --table: wears" in " ".join(missing.output.split())


def test_a_dash_and_json_do_not_share_standard_output(archive: Path) -> None:
    asked = ["report", "--archive", str(archive), "--incident", INCIDENT, "--out", "-", "--json"]
    refused = CliRunner().invoke(root, asked)
    assert refused.exit_code == 2
    assert "give one of the two" in refused.output


def test_notes_come_from_standard_input(archive: Path) -> None:
    asked = ["notes", "-", "--archive", str(archive), "--incident", INCIDENT]
    done = CliRunner().invoke(
        root, asked, input="time,source,text,certainty\n2031-05-04 19:27:30,radio,Hose,recorded\n"
    )
    assert (done.exit_code, done.output) == (0, "-: 1 note, 1 of them new\n")
    wrong = CliRunner().invoke(root, asked, input="when,who\n")
    assert str(wrong.exception).startswith(
        "standard input: the first line must be time,source,text,certainty"
    )


def test_units_lie_beside_tables_as_csv(archive: Path, tmp_path: Path) -> None:
    """Codes of the Unified Code for Units of Measure, version 2.2: `tests/ingest/test_units_in_ucum.py`."""
    asked = ["analyse", "--archive", str(archive), "--out", str(tmp_path), "--format", "csv"]
    assert CliRunner().invoke(root, asked).exit_code == 0
    columns = pl.read_csv(tmp_path / "columns.csv")
    for name, table in TABLES.items():
        assert pl.read_csv(tmp_path / f"{name}.csv").columns == list(table)
        assert columns.filter(pl.col("table") == name)["column"].to_list() == list(table)
    start = columns.filter((pl.col("table") == "wears") & (pl.col("column") == "peak_temperature_c"))
    assert start.select("unit", "ucum").rows() == [("°C", "Cel")]
