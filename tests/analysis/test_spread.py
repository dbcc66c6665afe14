"""The pieces spread over the workers of a cluster: the bytes of one process, even when a worker is killed."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import signal
import subprocess
import sys
import threading
import time
import warnings
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import msgspec
import polars as pl
import pytest

import analysis.pieces.pieces
from analysis.pieces.archive_pieces import pieces_of
from analysis.pieces.pieces import Pieces
from analysis.pieces.piecewise import Written, analyse_archive, join, work
from analysis.pieces.spread import BadEngine, _at_worker, made_with, spread_over
from analysis.profile import Profile
from analysis.tables import TABLES
from ingest.archive.sealing import seal_messages
from ingest.archive.sound import trouble_of
from ingest.contract.errors import ArchiveProblem, UnderairError
from ingest.contract.frames import frames_from_heard
from ingest.stopping import EXIT_CODE, STOPPED
from sample_logs.drills import build_radio_troubles
from sample_logs.simulation.scenario import build_late_turn_back
from tests.verbs import underair

PROFILE = Profile.default()
OPENED = datetime(2031, 5, 4, 19, 12, tzinfo=UTC)
ABOUT = {"profile": "default"}
DAYS = 4


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
    from distributed import LocalCluster

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


def test_same_bytes_as_in_one_process_by_a_doctrine_of_ones_own(
    archive: Path, here: tuple[Path, Written], cluster: Any, tmp_path: Path
) -> None:
    """The bytes of one process; nested values and what is no default: none may be a worker's own."""
    own = msgspec.structs.replace(
        PROFILE,
        name="own",
        turn_back=msgspec.structs.replace(
            PROFILE.turn_back,
            policy="fixed_margin",
            fixed_margin=msgspec.structs.replace(PROFILE.turn_back.fixed_margin, planning_l_min=63.0),
        ),
        link=msgspec.structs.replace(PROFILE.link, silence_caution_s=5.0),
    )
    alone, many = tmp_path / "alone", tmp_path / "many"
    written = analyse_archive(archive, own, alone, "parquet", ABOUT)
    told: list[tuple[int, int, str]] = []
    with spread_over(engine_of(cluster)) as run:
        again = analyse_archive(archive, own, many, "parquet", ABOUT, run, lambda *now: told.append(now))
    assert again == written
    assert written.rows["wears"] >= 2 * DAYS
    assert_same_files(many, (alone, written))
    messages, tables = ([one for one in told if one[2] == what] for what in ("messages", "tables"))
    assert told == [*messages, *tables]
    assert len(messages) > DAYS
    assert len(tables) == len(TABLES)
    for stage in (messages, tables):
        assert stage == sorted(stage)
        assert stage[-1][0] == stage[-1][1]
    for name in ("wears", "turn_back", "findings"):
        assert (many / f"{name}.parquet").read_bytes() != (here[0] / f"{name}.parquet").read_bytes(), name


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
        wait_until(lambda: len(list(tmp_path.glob(".making-*/*/wears.parquet"))) >= 1, what="the first piece")
        killed.append(len(list(tmp_path.glob(".making-*/*"))) < DAYS)
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


def test_part_that_was_altered_is_left_out_by_workers_as_by_one_process(
    archive: Path, cluster: Any, tmp_path: Path
) -> None:
    own = tmp_path / "archive"
    shutil.copytree(archive, own)
    pieces_of(own)
    part = next((own / "motion").rglob("*.parquet"))
    whole, stat = part.read_bytes(), part.stat()
    part.write_bytes(whole[:200] + bytes(200) + whole[400:])
    os.utime(part, ns=(stat.st_atime_ns, stat.st_mtime_ns))  # the index sees no change: only the workers do
    with spread_over(engine_of(cluster)) as run:
        analyse_archive(own, PROFILE, tmp_path / "out", "parquet", {}, run)
    analyse_archive(own, PROFILE, tmp_path / "here", "parquet", {})
    for path in (tmp_path / "here").iterdir():
        assert (tmp_path / "out" / path.name).read_bytes() == path.read_bytes(), path.name
    assert [fault.where for fault in trouble_of(own)] == [part.relative_to(own).as_posix()]


def one_by_one(function: Callable[[Any], Any], tasks: Sequence[Any]) -> Iterator[Any]:
    """Be a cluster of one worker in this process."""
    for task in tasks:
        yield function(task)


def test_broken_off_while_tables_are_put_together_changes_no_table(archive: Path, tmp_path: Path) -> None:
    """Ctrl-C then: the tables of the run before stay as they were, all of them."""
    analyse_archive(archive, PROFILE, tmp_path, "parquet", {"run": "before"})
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}

    def broken_off(function: Callable[[Any], Any], tasks: Sequence[Any]) -> Iterator[Any]:
        for number, task in enumerate(tasks):
            if function is join and number == 3:
                raise KeyboardInterrupt
            yield function(task)

    with pytest.raises(KeyboardInterrupt):
        analyse_archive(archive, PROFILE, tmp_path, "parquet", {"run": "after"}, broken_off)
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_a_worker_that_is_late_for_a_run_leaves_nothing(archive: Path, tmp_path: Path) -> None:
    late: list[tuple[Callable[[Any], Any], Any]] = []

    def remembering(function: Callable[[Any], Any], tasks: Sequence[Any]) -> Iterator[Any]:
        late.append((function, tasks[0]))
        return one_by_one(function, tasks)

    analyse_archive(archive, PROFILE, tmp_path, "parquet", {}, remembering)
    after = sorted(path.name for path in tmp_path.iterdir())
    assert [function for function, _ in late] == [work, join]
    for function, task in late:
        with pytest.raises(UnderairError, match="cannot be seen from here"):
            function(task)
    assert sorted(path.name for path in tmp_path.iterdir()) == after


def test_what_another_worker_wrote_and_this_one_cannot_see_is_said(archive: Path, tmp_path: Path) -> None:
    """A folder of results that is each machine's own: never tables with the rows of some of them."""

    def of_another_machine(function: Callable[[Any], Any], tasks: Sequence[Any]) -> Iterator[Any]:
        if function is join:
            next(tmp_path.glob(".making-*/*/wears.parquet")).unlink()
        return one_by_one(function, tasks)

    with pytest.raises(UnderairError, match=r"wears\.parquet cannot be seen from here: the folder of the"):
        analyse_archive(archive, PROFILE, tmp_path, "parquet", {}, of_another_machine)
    assert not list(tmp_path.iterdir())


def test_tables_of_two_runs_are_not_mixed_in_one_folder(archive: Path, tmp_path: Path) -> None:
    """Many workers wrote Parquet beside the CSV files of another run; one process refused."""
    (tmp_path / "wears.csv").touch()
    for run in (None, one_by_one):
        with pytest.raises(UnderairError, match=r"already has tables as csv.*--format csv to replace them"):
            analyse_archive(archive, PROFILE, tmp_path, "parquet", {}, run)
        assert [path.name for path in tmp_path.iterdir()] == ["wears.csv"]


def test_an_archive_that_a_worker_does_not_see_gives_no_empty_tables(archive: Path, tmp_path: Path) -> None:
    """The folder is there and nothing is mounted on it: said, instead of nought wears."""
    own, out = tmp_path / "archive", tmp_path / "out"
    shutil.copytree(archive, own)

    def elsewhere(function: Callable[[Any], Any], tasks: Sequence[Any]) -> Iterator[Any]:
        own.rename(tmp_path / "not mounted")
        own.mkdir()
        return one_by_one(function, tasks)

    with pytest.raises(ArchiveProblem, match=r"none of the [0-9,]+ messages of 2031-05-.* can be seen in .*"):
        analyse_archive(own, PROFILE, out, "parquet", {}, elsewhere)
    assert not out.exists()


def test_a_worker_of_other_versions_is_refused() -> None:
    """Other versions may give other figures: the tables would no longer be those of one process."""
    mine = made_with()
    assert _at_worker(abs, -1, mine)[0] == 1
    other = {**mine, "polars": "0.1", "underair": "0.0.1 (code 0)"}
    with pytest.raises(UnderairError) as said:
        _at_worker(abs, -1, other)
    assert f"worker underair {mine['underair']}, polars {mine['polars']}; command" in str(said.value)
    assert "underair 0.0.1 (code 0), polars 0.1. Install the same ones" in str(said.value)
    assert "numpy" not in str(said.value)


def test_an_error_tells_the_piece_in_which_it_arose(
    archive: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def broken(*_: Any, **__: Any) -> Any:
        raise ZeroDivisionError

    monkeypatch.setattr("analysis.pieces.piecewise.analyse", broken)

    def at_worker(function: Callable[[Any], Any], tasks: Sequence[Any]) -> Iterator[Any]:
        for task in tasks:
            yield _at_worker(function, task, made_with())[0]

    for run in (None, at_worker):
        with pytest.raises(ZeroDivisionError) as raised:
            analyse_archive(archive, PROFILE, tmp_path, "parquet", {}, run)
        piece, *where = raised.value.__notes__
        assert re.search(
            r"in piece \d+ \(incident [\w-]+; sets S-.*; 2031-05-.* UTC, [0-9,]+ messages\)", piece
        )
        assert bool(where) == (run is not None)
        assert all(note.startswith("at the worker on ") for note in where)


def test_a_scheduler_without_workers_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    from distributed import LocalCluster

    monkeypatch.setattr("analysis.pieces.spread.ANSWER_WITHIN_S", 0.5)
    with (
        LocalCluster(n_workers=0, host="127.0.0.1", dashboard_address="127.0.0.1:0") as none,
        pytest.raises(BadEngine, match=r"has no workers; start some with `dask worker 127\.0\.0\.1:"),
        spread_over(engine_of(none)),
    ):
        pass


def waiting(task: tuple[int, Path]) -> int:
    """Do the first task; be at all others until the file is there."""
    number, file = task
    while number and not file.exists():
        time.sleep(0.01)
    return number


def test_a_scheduler_that_goes_away_is_said(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, free_port: Callable[[], int]
) -> None:
    """Killed between two tasks: a sentence, where there was a TypeError."""
    monkeypatch.setattr("analysis.pieces.spread.ANSWER_WITHIN_S", 20.0)
    port, command = free_port(), [sys.executable, "-m", "distributed.cli.dask_"]
    quiet: dict[str, Any] = {"stderr": subprocess.DEVNULL, "cwd": Path(analysis.__file__).parents[1]}
    of_scheduler = ["--host", "127.0.0.1", "--port", str(port), "--dashboard-address", "127.0.0.1:0"]
    of_worker = [f"127.0.0.1:{port}", "--host", "127.0.0.1", "--no-nanny", "--no-dashboard"]
    scheduler = subprocess.Popen([*command[:2], f"{command[2]}scheduler", *of_scheduler], **quiet)
    worker = subprocess.Popen(
        [*command[:2], f"{command[2]}worker", *of_worker, "--local-directory", str(tmp_path)], **quiet
    )
    done = []

    def see() -> None:
        with spread_over(f"dask://127.0.0.1:{port}") as run:
            for number in run(waiting, [(number, tmp_path / "go on") for number in range(3)]):
                done.append(number)
                scheduler.kill()

    try:
        with pytest.raises(UnderairError, match=r"the Dask scheduler of the engine dask://.* went away"):
            see()
        assert done == [0]
    finally:
        (tmp_path / "go on").touch()
        for process in (scheduler, worker):
            process.kill()
            process.wait()


def processes_of(group: int) -> list[str]:
    """Return the processes of a group that have not ended (one that nobody waits for stays as a Z)."""
    found = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):  # ended in this very moment
            state, _, of_group = path.read_text().rpartition(")")[2].split()[:3]
            if int(of_group) == group and state != "Z":
                found.append(path.parent.name)
    return found


def test_broken_off_at_the_terminal(archive: Path, tmp_path: Path, wait_until: Callable[..., Any]) -> None:
    """Ctrl-C reaches the command and all its workers: no word of theirs, no process, nothing half done."""
    command = [sys.executable, "-m", "dashboard.underair", "analyse", "--engine", "local:2"]
    running = subprocess.Popen(
        [*command, "--archive", str(archive), "--out", str(tmp_path)],
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        # A shell without job control lets what it starts with & ignore SIGINT, and so these tests.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    wait_until(lambda: list(tmp_path.glob(".making-*")), what="the tasks", timeout_s=120)
    os.killpg(running.pid, signal.SIGINT)
    _, said = running.communicate(timeout=120)
    assert running.returncode == EXIT_CODE
    assert said.strip() == STOPPED
    assert not list(tmp_path.iterdir())
    wait_until(lambda: not processes_of(running.pid), what="the end of its workers")


def test_broken_off_before_the_first_task(
    archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C may come as soon as the folder of the parts is made, while the tasks are still listed."""

    def interrupted(_: Pieces) -> Iterator[Pieces]:
        assert list(tmp_path.glob(".making-*"))
        raise KeyboardInterrupt

    monkeypatch.setattr(Pieces, "batches", interrupted)
    with pytest.raises(KeyboardInterrupt):
        analyse_archive(archive, PROFILE, tmp_path, "parquet", ABOUT, run=map)
    assert not list(tmp_path.iterdir())


def test_csv_put_together_by_tasks(archive: Path, tmp_path: Path) -> None:
    analyse_archive(archive, PROFILE, tmp_path / "here", "csv", ABOUT)
    analyse_archive(archive, PROFILE, tmp_path / "there", "csv", ABOUT, one_by_one)
    for name in TABLES:
        assert (tmp_path / "here" / f"{name}.csv").read_bytes() == (
            tmp_path / "there" / f"{name}.csv"
        ).read_bytes()


def test_the_verb_with_an_engine(
    archive: Path, here: tuple[Path, Written], cluster: Any, tmp_path: Path
) -> None:
    """A cluster of the verb's own: `tests/dashboard/test_audit_spread.py`, for the same engine."""
    options = ("--archive", archive, "--out", tmp_path, "--engine", engine_of(cluster))
    done = underair("analyse", *options)
    assert done.returncode == 0, done.stderr
    for name in TABLES:
        first, second = (pl.read_parquet(one / f"{name}.parquet") for one in (tmp_path, here[0]))
        assert first.equals(second), name


def threads(_: int) -> int:
    return pl.thread_pool_size()


def test_workers_of_a_local_cluster_have_a_limit_of_memory_and_one_thread(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """One thread also when the program had polars before, as this one has."""
    from distributed import LocalCluster

    monkeypatch.setattr("analysis.pieces.spread.MEMORY_A_WORKER", 3 * 2**29)
    limits: list[int] = []

    class Cluster(LocalCluster):  # type: ignore[misc]
        def __init__(self, **named: Any) -> None:
            limits.append(named["memory_limit"])
            super().__init__(**named)

    monkeypatch.setattr("distributed.LocalCluster", Cluster)
    with spread_over("local:1") as run:
        assert list(run(abs, [-1])) == [1]
        assert list(run(threads, range(4))) == [1] * 4
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
    options = ("--archive", archive, "--out", tmp_path, "--incident", "x", "--engine", "local:2")
    done = underair("analyse", *options)
    assert done.returncode == 2
    assert "--incident is one piece" in done.stderr
