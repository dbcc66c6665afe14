"""The pieces spread over the workers of a cluster: the bytes of one process, even when a worker is killed."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import threading
import warnings
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from distributed import LocalCluster

import analysis.pieces.pieces
from analysis.pieces.archive_pieces import pieces_of
from analysis.pieces.piecewise import Written, analyse_archive
from analysis.pieces.spread import BadEngine, spread_over
from analysis.profile import Profile
from analysis.simulation.troubles import build_late_turn_back, build_radio_troubles
from analysis.tables import TABLES
from ingest.archive.archive import seal_messages
from ingest.contract.errors import ArchiveProblem
from ingest.contract.frames import frames_from_heard

PROFILE = Profile.default()
OPENED = datetime(2031, 5, 4, 19, 12, tzinfo=UTC)
ABOUT = {"profile": "default"}
DAYS = 8


@pytest.fixture(autouse=True)
def _one_piece_a_task(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(analysis.pieces.pieces, "BATCH_PIECES", 1)


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("spread") / "archive"
    folder.mkdir()
    for day in range(DAYS):
        build = build_radio_troubles if day % 2 else build_late_turn_back
        seal_messages(folder, frames_from_heard(build(day, OPENED + timedelta(days=day)).heard), f"day-{day}")
    return folder


@pytest.fixture(scope="module")
def here(archive: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Written]:
    out = tmp_path_factory.mktemp("here")
    patch = pytest.MonkeyPatch()
    patch.setattr(analysis.pieces.pieces, "BATCH_PIECES", 1)
    written = analyse_archive(archive, PROFILE, out, "parquet", ABOUT)
    patch.undo()
    return out, written


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    """Two workers, each a process of its own with its nanny, as on two machines."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)  # sockets of the cluster's own closing
        with LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            host="127.0.0.1",
            dashboard_address="127.0.0.1:0",
            env={"POLARS_MAX_THREADS": "1"},
        ) as two:
            yield two


def engine_of(cluster: Any) -> str:
    return str(cluster.scheduler_address).replace("tcp://", "dask://")


def assert_same_files(out: Path, here: tuple[Path, Written]) -> None:
    assert sorted(path.name for path in out.iterdir()) == sorted(f"{name}.parquet" for name in TABLES)
    for name in TABLES:
        assert (out / f"{name}.parquet").read_bytes() == (here[0] / f"{name}.parquet").read_bytes(), name


def test_same_bytes_as_in_one_process(
    archive: Path, here: tuple[Path, Written], cluster: Any, tmp_path: Path
) -> None:
    told: list[tuple[int, int]] = []
    with spread_over(engine_of(cluster)) as run:
        written = analyse_archive(
            archive, PROFILE, tmp_path, "parquet", ABOUT, run, lambda *now: told.append(now)
        )
    assert written == here[1]
    assert written.rows["wears"] >= 2 * DAYS
    assert_same_files(tmp_path, here)
    assert len(told) > DAYS
    assert told[-1][0] == told[-1][1]
    assert told == sorted(told)


def test_a_worker_killed_in_the_middle_changes_nothing(
    archive: Path,
    here: tuple[Path, Written],
    cluster: Any,
    tmp_path: Path,
    wait_until: Callable[..., Any],
) -> None:
    """Killed as soon as the first pieces are written: its task, and what only it had, are done again."""
    doomed = next(iter(cluster.workers.values())).pid
    killed: list[bool] = []

    def kill() -> None:
        wait_until(lambda: len(list(tmp_path.glob(".pieces-*/*/wears.parquet"))) >= 1, what="the first piece")
        killed.append(len(list(tmp_path.glob(".pieces-*/*"))) < DAYS)
        os.kill(doomed, signal.SIGKILL)

    killer = threading.Thread(target=kill)
    killer.start()
    with spread_over(engine_of(cluster)) as run:
        written = analyse_archive(archive, PROFILE, tmp_path, "parquet", ABOUT, run)
    killer.join()
    assert killed == [True], "the kill came too late to be in the middle"
    wait_until(lambda: next(iter(cluster.workers.values())).pid != doomed, what="the nanny's new worker")
    assert written == here[1]
    assert_same_files(tmp_path, here)


def test_what_goes_wrong_at_a_worker_is_said_here(archive: Path, cluster: Any, tmp_path: Path) -> None:
    """As in one process: the sentence that says what to do, and nothing half written."""
    own = tmp_path / "archive"
    shutil.copytree(archive, own)
    pieces_of(own)
    part = next((own / "motion").rglob("*.parquet"))
    whole, stat = part.read_bytes(), part.stat()
    part.write_bytes(whole[:200] + bytes(200) + whole[400:])
    os.utime(part, ns=(stat.st_atime_ns, stat.st_mtime_ns))  # the index sees no change: only the workers do
    with (
        pytest.raises(ArchiveProblem, match=rf"the part motion/.*{part.stem}.*cannot be read"),
        spread_over(engine_of(cluster)) as run,
    ):
        analyse_archive(own, PROFILE, tmp_path / "out", "parquet", {}, run)
    assert not list((tmp_path / "out").glob("*.parquet"))


def test_csv_from_many_workers(archive: Path, cluster: Any, tmp_path: Path) -> None:
    analyse_archive(archive, PROFILE, tmp_path / "here", "csv", ABOUT)
    with spread_over(engine_of(cluster)) as run:
        analyse_archive(archive, PROFILE, tmp_path / "there", "csv", ABOUT, run)
    for name in TABLES:
        assert (tmp_path / "here" / f"{name}.csv").read_bytes() == (
            tmp_path / "there" / f"{name}.csv"
        ).read_bytes()


def underair(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "dashboard.underair", "analyse", *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=180)


def test_the_verb_with_a_cluster_of_its_own(archive: Path, tmp_path: Path) -> None:
    arguments = ["--archive", str(archive), "--out"]
    done = underair(*arguments, str(tmp_path / "a"), "--engine", "local:2")
    assert done.returncode == 0, done.stderr
    assert underair(*arguments, str(tmp_path / "b")).returncode == 0
    for name in TABLES:
        first, second = (pl.read_parquet(tmp_path / one / f"{name}.parquet") for one in ("a", "b"))
        assert first.equals(second), name


def test_workers_of_a_local_cluster_have_a_limit_of_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("analysis.pieces.spread.MEMORY_A_WORKER", 3 * 2**29)
    limits: list[int] = []

    class Cluster(LocalCluster):  # type: ignore[misc]
        def __init__(self, **named: Any) -> None:
            limits.append(named["memory_limit"])
            super().__init__(**named)

    monkeypatch.setattr("distributed.LocalCluster", Cluster)
    with spread_over("local:2") as run:
        assert list(run(abs, [-1])) == [1]
    assert len(limits) == 1
    assert 0 < limits[0] <= 3 * 2**29


@pytest.mark.parametrize(
    ("engine", "sentence"),
    [
        (
            "spark",
            "the engine must be local, local:WORKERS or dask://HOST:PORT, such as local:2 or .*; got spark",
        ),
        ("local:0", "got local:0"),
        ("dask://127.0.0.1", "got dask://127.0.0.1"),
        (
            "dask://127.0.0.1:1",
            "no Dask scheduler answers at dask://127.0.0.1:1 .*start one with `dask",
        ),
    ],
)
def test_engines_that_cannot_be_used_are_named(
    engine: str, sentence: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("analysis.pieces.spread.ANSWER_WITHIN_S", 0.5)
    with pytest.raises(BadEngine, match=sentence), spread_over(engine):
        pass


def test_without_dask_the_extra_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(BadEngine, match=r"pip install 'underair\[cluster\]'"), spread_over("local"):
        pass


def test_one_incident_and_an_engine_is_a_wrong_call(archive: Path, tmp_path: Path) -> None:
    done = underair(
        "--archive", str(archive), "--out", str(tmp_path), "--incident", "x", "--engine", "local:2"
    )
    assert done.returncode == 2
    assert "--incident is one piece" in done.stderr


ONE_THREAD = """
import polars as pl

from analysis.pieces.spread import spread_over


def threads(_):
    return pl.thread_pool_size()


if __name__ == "__main__":
    with spread_over("local:2") as run:
        print(*run(threads, range(4)))
"""


def test_a_worker_computes_with_one_thread_also_when_the_program_had_polars_before(tmp_path: Path) -> None:
    program = tmp_path / "program.py"
    program.write_text(ONE_THREAD)
    root = Path(analysis.__file__).parents[1]
    done = subprocess.run(
        [sys.executable, program],
        env={**os.environ, "PYTHONPATH": str(root)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.split() == ["1"] * 4
