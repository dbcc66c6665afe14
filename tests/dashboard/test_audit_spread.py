"""The audit's wears worked out by many workers: the same ledger, whoever is done first."""

from __future__ import annotations

import shutil
import warnings
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

import analysis.pieces.pieces
from analysis.profile import Profile
from dashboard.trends.wear_ledger import WearLedger
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.contract.frames import frames_from_heard
from sample_logs.drills import build_radio_troubles
from sample_logs.simulation.scenario import build_late_turn_back
from tests.verbs import underair

OPENED = datetime(2031, 5, 4, 19, 12, tzinfo=UTC)
NOW = OPENED + timedelta(days=60)


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("spread") / "archive"
    folder.mkdir()
    for day in range(4):
        build = build_radio_troubles if day % 2 else build_late_turn_back
        seal_messages(folder, frames_from_heard(build(day, OPENED + timedelta(days=day)).heard), f"day-{day}")
    return folder


def from_the_last(function: Callable[[Any], Any], tasks: Sequence[Any]) -> Iterator[Any]:
    """Be a cluster whose last worker is always done first."""
    for task in reversed(tasks):
        yield function(task)


def test_whoever_is_done_first(archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(analysis.pieces.pieces, "BATCH_ROWS", 1)
    tables, told = [], []
    for run in (None, from_the_last):
        shutil.rmtree(archive / "derived", ignore_errors=True)
        ledger = WearLedger(Archive(archive), Profile.default())
        steps: list[tuple[int, int]] = []
        assert ledger.update(NOW, lambda *now, steps=steps: steps.append(now), run)
        tables.append(ledger.tables())
        told.append(steps)
    assert tables[0]["wears"].height > 4
    assert all(tables[1][name].equals(table) for name, table in tables[0].items())
    assert told[0] == told[1]
    assert len(told[0]) == 4
    assert told[0][-1][0] == told[0][-1][1]


def test_the_verb_with_a_cluster_of_its_own(archive: Path, tmp_path: Path) -> None:
    """Several workers, also killed ones: `tests/analysis/test_spread.py`, for the same engine."""
    written = []
    for name, more in (("here", []), ("there", ["--engine", "local:1"])):
        shutil.rmtree(archive / "derived", ignore_errors=True)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)  # sockets of the cluster's own closing
            done = underair("audit", "--archive", archive, "--out", tmp_path / name, *more)
        assert done.returncode == 0, done.stderr
        written.append({path.name: path.read_bytes() for path in (tmp_path / name).glob("*.csv")})
    assert written[0]
    assert written[0] == written[1]
