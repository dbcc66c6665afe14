"""A source that does not number its messages: what was lost is unknown, and nothing says that nothing was."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from click.testing import CliRunner

from analysis.incident import analyse
from analysis.profile import Profile
from dashboard.evidence.report import summary_of
from dashboard.review import words
from dashboard.review.clock import Window
from dashboard.review.setting import Setting
from dashboard.review.tables import silence_table
from dashboard.underair import root
from ingest.contract.captures import Heard, write_capture
from ingest.contract.frames import frames_from_heard
from ingest.mapping.mapper import Mapper
from ingest.mapping.rules import EXAMPLES, load_mapping

BEGAN = datetime(2031, 5, 4, 19, 0, tzinfo=UTC)
SILENT = range(120, 200)


def uncounted(second: int) -> Heard:
    moment = BEGAN + timedelta(seconds=second)
    told = {"observedAt": moment.isoformat(), "cylinderPressure": 4200 - 2 * second}
    return Heard(moment, "responders/R-7/scba", json.dumps(told).encode())


def counted(second: int) -> Heard:
    moment = BEGAN + timedelta(seconds=second)
    told = {"n": second, "up": second, "ts": int(moment.timestamp() * 1000), "psi": 4200 - 2 * second}
    return Heard(moment, "bench7/telemetry/K12", json.dumps(told).encode())


def results_of(source: Any) -> dict[str, pl.DataFrame]:
    mapper = Mapper([load_mapping(path) for path in sorted(EXAMPLES.glob("*.toml"))])
    made = [
        message
        for second in range(400)
        if second not in SILENT
        for message in mapper.take(source(second)).messages
    ]
    return analyse(frames_from_heard(made), Profile.default())


def test_losses_of_a_source_without_a_counter_are_unknown_in_tables_and_findings() -> None:
    results = results_of(uncounted)
    assert results["wears"]["lost_messages"].to_list() == [None]
    assert results["gaps"]["lost_messages"].to_list() == [None]
    findings = {row["code"]: row["statement"] for row in results["findings"].iter_rows(named=True)}
    said = "unknown, because the source does not number its messages"
    assert f"lost: {said}" in findings["silence_under_air"]
    assert findings["losses_unknown"] == f"How many messages of set R-7 were lost is {said}."


def test_losses_of_a_source_with_a_counter_are_counted() -> None:
    results = results_of(counted)
    assert results["gaps"]["lost_messages"].to_list() == [len(SILENT)]
    assert "losses_unknown" not in results["findings"]["code"].to_list()


@pytest.mark.parametrize(("source", "shown"), [(uncounted, words.UNCOUNTED), (counted, "80")])
def test_the_page_and_the_report_do_not_call_unknown_losses_none(source: Any, shown: str) -> None:
    results = results_of(source)
    cell = silence_table(results, Setting({}, Window(0.0, 1e15))).rows[0][5]
    assert (cell if isinstance(cell, str) else cell["t"]) == shown
    assert (
        "together; the messages lost in 1 of them are unknown."
        if source is uncounted
        else "together; 80 messages lost there."
    ) in summary_of(results, Setting({}, Window(0.0, 1e15)), [])


def test_losses_are_unknown_too_when_an_archive_is_analysed_piece_by_piece(tmp_path: Path) -> None:
    """Pieces are read without payloads, unless a mapping made messages of the archive."""
    heard = [uncounted(second) for second in range(400) if second not in SILENT]
    write_capture(tmp_path / "a.ndjson", heard)
    archive, out = str(tmp_path / "archive"), tmp_path / "out"
    mapping = str(EXAMPLES / "nist_scba.toml")
    for command in (
        ["import", str(tmp_path / "a.ndjson"), "--archive", archive, "--mapping", mapping],
        ["analyse", "--archive", archive, "--out", str(out)],
    ):
        done = CliRunner().invoke(root, command)
        assert done.exit_code == 0, done.output
    assert pl.read_parquet(out / "wears.parquet")["lost_messages"].to_list() == [None]
    assert pl.read_parquet(out / "gaps.parquet")["lost_messages"].to_list() == [None]
