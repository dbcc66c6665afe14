"""The audit's wears worked out by many workers: the same ledger, whoever is done first."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import warnings
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from distributed import LocalCluster

import analysis.pieces.pieces
from analysis.pieces.spread import spread_over
from analysis.profile import Profile
from analysis.simulation.scenario import build_late_turn_back
from dashboard.trends.wear_ledger import WearLedger
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.contract.frames import frames_from_heard
from sample_logs.drills import build_radio_troubles

OPENED = datetime(2031, 5, 4, 19, 12, tzinfo=UTC)
NOW = OPENED + timedelta(days=60)


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    folder = tmp_path / "archive"
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


def test_a_worker_killed_in_the_middle_changes_nothing(
    archive: Path, monkeypatch: pytest.MonkeyPatch, wait_until: Callable[..., Any]
) -> None:
    """Killed when the first period has come back: what it was at is worked out by the other."""
    monkeypatch.setattr(analysis.pieces.pieces, "BATCH_ROWS", 1)
    here = WearLedger(Archive(archive), Profile.default())
    assert here.update(NOW)
    shutil.rmtree(archive / "derived")
    killed: list[tuple[int, int, int]] = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)  # sockets of the cluster's own closing
        with LocalCluster(
            n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address="127.0.0.1:0"
        ) as cluster:
            doomed = next(iter(cluster.workers.values()))

            def kill(done: int, total: int) -> None:
                if not killed:
                    killed.append((doomed.pid, done, total))
                    os.kill(doomed.pid, signal.SIGKILL)

            with spread_over(str(cluster.scheduler_address).replace("tcp://", "dask://")) as run:
                there = WearLedger(Archive(archive), Profile.default())
                assert there.update(NOW, kill, run)
            wait_until(lambda: doomed.pid != killed[0][0], what="the nanny's new worker")
    assert killed[0][1] < killed[0][2], "the kill came too late to be in the middle"
    assert all(there.tables()[name].equals(table) for name, table in here.tables().items())


def test_the_verb_with_a_cluster_of_its_own(archive: Path, tmp_path: Path) -> None:
    written = []
    for name, more in (("here", []), ("there", ["--engine", "local:2"])):
        shutil.rmtree(archive / "derived", ignore_errors=True)
        command = [sys.executable, "-m", "dashboard.underair", "audit", "--archive", str(archive)]
        done = subprocess.run(
            [*command, "--out", str(tmp_path / name), *more],
            capture_output=True,
            text=True,
            check=False,
            timeout=180,
        )
        assert done.returncode == 0, done.stderr
        written.append({path.name: path.read_bytes() for path in (tmp_path / name).glob("*.csv")})
    assert written[0]
    assert written[0] == written[1]
