"""What is handed out by the verb and by the page: whole or not at all, noted, and not twice of one time."""

from __future__ import annotations

import errno
import io
import json
import re
import zipfile
from datetime import UTC, datetime
from html import unescape
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from click.testing import CliRunner

from analysis.profile import Profile
from analysis.trends.audit import COUNTS
from dashboard.app import create_app
from dashboard.context import Context
from dashboard.demo.past_ledger import bring_in_three_years
from dashboard.pages import trends as trends_page
from dashboard.trends.summary_words import INSIDE_ONLY
from dashboard.underair import root
from ingest.archive.reading import Archive

PROFILE = Profile.default()
SMALLEST = PROFILE.withholding.smallest_count
NOW = datetime(2032, 3, 1, tzinfo=UTC)


def run(*arguments: str) -> Any:
    return CliRunner().invoke(root, ["audit", *arguments])


def test_the_verb_writes_tables_and_summary(tmp_path: Path) -> None:
    archive, out = tmp_path / "archive", tmp_path / "out"
    archive.mkdir()
    bring_in_three_years(archive, NOW)
    result = run("--archive", str(archive), "--out", str(out), "--to", "2030-06-30", "--json")
    assert result.exit_code == 0, result.output
    said = json.loads(result.stdout)
    assert said["wears"] == pl.read_parquet(out / "by_part.parquet")["wears"].max()
    assert {path.name for path in out.iterdir()} >= {
        "summary.html",
        "README.txt",
        "by_month.csv",
        "sets.parquet",
    }
    assert pl.read_csv(out / "by_month.csv")["month"].max() == "2030-06"
    assert "Under air: summary of 2030-06" in (out / "summary.html").read_text()
    assert "“<16”: a count from 1 to 15." in (out / "README.txt").read_text()
    parts = pl.read_csv(out / "by_part.csv", infer_schema=False)
    assert {"<16", "withheld"} <= set(parts["low_air_exits"])
    assert not [name for name in parts.columns if name.endswith("_mark")]
    numbers = pl.read_parquet(out / "by_part.parquet")
    assert numbers["low_air_exits"].dtype == pl.Int64
    marked = numbers.filter(pl.col("low_air_exits").is_null())["low_air_exits_mark"]
    assert set(marked) == {"<16", "withheld"}


def test_an_audit_that_fails_is_no_release(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It was noted before its files were written: the next, of another period, was refused for nothing."""
    bring_in_three_years(tmp_path, NOW)
    out = tmp_path / "out"
    out.mkdir()
    (out / "by_month.csv").write_text("of last month")

    def full_disk(*_: Any, **__: Any) -> str:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("dashboard.trends.summary.summary_html", full_disk)
    failed = run("--archive", str(tmp_path), "--out", str(out), "--to", "2030-06-30")
    assert failed.exit_code == 1
    assert f"cannot write into {out}: the disk is full: make room and call again" in str(failed.exception)
    assert not (tmp_path / "releases.ndjson").read_text()
    # Nothing was handed out either, and what lay there is whole.
    assert {path.name: path.read_text() for path in out.iterdir()} == {"by_month.csv": "of last month"}
    new = tmp_path / "deep" / "new"
    assert run("--archive", str(tmp_path), "--out", str(new), "--to", "2030-06-30").exit_code == 1
    assert not new.exists()
    monkeypatch.undo()
    assert run("--archive", str(tmp_path), "--out", str(out), "--to", "2030-12-31").exit_code == 0
    assert len((tmp_path / "releases.ndjson").read_text().splitlines()) == 1
    assert (out / "by_month.csv").read_text() != "of last month"
    assert not [path.name for path in out.iterdir() if path.name.startswith(".")]


def test_the_verb_refuses_what_makes_no_sense(tmp_path: Path) -> None:
    there, out = str(tmp_path), str(tmp_path / "out")
    wrong = run("--archive", there, "--out", out, "--from", "2031-02-01", "--to", "2031-01-01")
    assert wrong.exit_code == 2
    assert "2031-01-01 lies before --from 2031-02-01" in wrong.stderr
    missing = run("--archive", str(tmp_path / "none"), "--out", out)
    assert missing.exit_code == 1
    assert "there is no archive at" in str(missing.exception)


def test_an_archive_without_wears_says_how_they_come(tmp_path: Path) -> None:
    archive, out = tmp_path / "archive", tmp_path / "out"
    archive.mkdir()
    result = run("--archive", str(archive), "--out", str(out))
    assert result.exit_code == 1
    assert "there are no wears in the archive" in str(result.exception)
    assert "underair import LOG" in str(result.exception)
    assert not out.exists()


def test_a_period_without_wears_names_the_days_that_have_some(tmp_path: Path) -> None:
    bring_in_three_years(tmp_path, NOW)
    result = run("--archive", str(tmp_path), "--out", str(tmp_path / "out"), "--from", "2040-01-01")
    assert result.exit_code == 1
    assert "no wears in this period" in str(result.exception)
    assert "lie from 2029-03-" in str(result.exception)


def test_two_periods_that_overlap_would_tell_a_withheld_count_and_are_refused(tmp_path: Path) -> None:
    """The attacker takes one release from the other: what is left is a month by station, all of it small."""
    bring_in_three_years(tmp_path, NOW)

    def release(name: str, last: str, *more: str) -> Any:
        period = ("--from", "2030-01-01", "--to", last)
        return run("--archive", str(tmp_path), "--out", str(tmp_path / name), *period, *more)

    assert release("one", "2030-11-30").exit_code == 0
    refused = release("two", "2030-12-31")
    assert refused.exit_code == 1
    assert "tables of 2030-01-01 to 2030-11-30 were handed out on" in str(refused.exception)
    assert not (tmp_path / "two").exists()
    assert release("again", "2030-11-30").exit_code == 0  # the very same figures tell nothing new

    # That it is not refused in vain: made all the same, the difference gives small counts away.
    assert release("two", "2030-12-31", "--overlapping").exit_code == 0
    one, two = (pl.read_parquet(tmp_path / name / "by_part.parquet") for name in ("one", "two"))
    both = one.join(two, on=["part", "name", "year"], suffix="_two")
    told = [
        late - early
        for measure in COUNTS
        for early, late in both.select(measure, f"{measure}_two").drop_nulls().iter_rows()
    ]
    assert any(0 < count < SMALLEST for count in told)
    noted = [json.loads(line) for line in (tmp_path / "releases.ndjson").read_text().splitlines()]
    assert [line["overlapping"] for line in noted] == [False, True]

    # A period of its own is handed out as before.
    after = run("--archive", str(tmp_path), "--out", str(tmp_path / "three"), "--from", "2031-01-01")
    assert after.exit_code == 0, after.exception


def test_the_page_refuses_an_export_that_overlaps_another(tmp_path: Path) -> None:
    bring_in_three_years(tmp_path, NOW)
    first = run("--archive", str(tmp_path), "--out", str(tmp_path / "out"), "--to", "2030-06-30")
    assert first.exit_code == 0, first.exception
    context = Context(archive=Archive(tmp_path), profile=PROFILE)
    client = create_app(context, pages={"/trends": trends_page}).server.test_client()
    refused = client.get("/trends/export.zip")
    assert refused.status_code == 409
    assert "can tell a withheld count" in refused.text
    # The summary counts by month, task and rest as the tables do: it is one of them.
    sheet = client.get("/trends/summary.html?month=2031-03")
    assert sheet.status_code == 409
    again = re.search(r'href="(/trends/summary[^"]+)"', sheet.text)
    assert again is not None
    made = client.get(unescape(again[1]))
    assert made.status_code == 200
    assert "Under air: summary of 2031-03" in made.text
    assert INSIDE_ONLY in made.text
    # Cut from the same figures, and as little to be given away.
    year = client.get("/trends/export.zip?year=2031")
    assert year.status_code == 200
    with zipfile.ZipFile(io.BytesIO(year.data)) as archive:
        assert INSIDE_ONLY in archive.read("README.txt").decode()


def test_a_summary_is_noted_as_handed_out(tmp_path: Path) -> None:
    bring_in_three_years(tmp_path, NOW)
    context = Context(archive=Archive(tmp_path), profile=PROFILE)
    client = create_app(context, pages={"/trends": trends_page}).server.test_client()
    sheet = client.get("/trends/summary.html")
    assert sheet.status_code == 200
    assert INSIDE_ONLY not in sheet.text
    assert "“&lt;16”: a count from 1 to 15." in sheet.text
    noted = (tmp_path / "releases.ndjson").read_text().splitlines()
    assert len(noted) == 1
    assert client.get("/trends/export.zip").status_code == 200  # the same figures
    assert (tmp_path / "releases.ndjson").read_text().splitlines() == noted
    refused = run("--archive", str(tmp_path), "--out", str(tmp_path / "out"), "--to", "2030-06-30")
    assert refused.exit_code == 1
    assert "overlap" in str(refused.exception)
