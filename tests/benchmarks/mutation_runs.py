"""Run chosen tests against a copy of the code: once to see which lines each reaches, then for each mutant.

The libraries are imported once; each run is a fork that imports the copy's packages. The clone never changes.
"""

from __future__ import annotations

import ast
import contextlib
import difflib
import fcntl
import functools
import gc
import hashlib
import io
import json
import math
import os
import resource
import shutil
import signal
import subprocess
import sys
import time
import types
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import IO, Any, NamedTuple

import psutil
import pytest

HERE = Path(__file__).parents[2]
FOLDER = HERE / ".pytest_cache" / "mutations"
CODE = FOLDER / "code"
MAP = FOLDER / "map"
LONGEST_IDLE_S = 90.0  # a change may let a test wait for what never comes; no test waits longer than 60 s
NOT_RUN = ("tests/browser", "tests/benchmarks", "tests/scripts", "tests/test_house", "tests/test_extras")
STARTS_COVERAGE = "import coverage\n\ncoverage.process_startup()\n"
# What a test leaves open is told after the last one, so it says nothing of a mutant.
PYTEST = ["-q", "-p", "no:cacheprovider", "-p", "no:unraisableexception"]
PYTEST += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]


class Test(NamedTuple):
    """A test that passed, and how long it took; `wide_s` is its file's longest set-up."""

    name: str
    took_s: float
    wide_s: float

    @property
    def file(self) -> str:
        return self.name.partition("::")[0]


class Reached(NamedTuple):
    """Which tests run which line, and whose set-up did (its results may be shared by the file's tests)."""

    tests: dict[str, Test]
    lines: dict[tuple[str, int], set[str]]
    by_setup: dict[tuple[str, int], set[str]]


class Outcome(NamedTuple):
    """How one run of tests ended: the first that failed, or why it was stopped."""

    failed: str
    stopped: str
    ran: int
    took_s: float


def tracked(below: str = "") -> list[str]:
    """Give the files that git knows, as paths from the top."""
    command = ["git", "ls-files", "--cached", "--others", "--exclude-standard", *([below] if below else [])]
    found = subprocess.run(command, cwd=HERE, capture_output=True, text=True, check=True).stdout.splitlines()
    return [name for name in found if (HERE / name).is_file()]


def copy_files(names: Iterable[str], source: Path, target: Path) -> None:
    """Copy files with their times, so that compiled code stays valid; leave equal ones alone."""
    for name in names:
        old, new = source / name, target / name
        if not new.exists() or new.read_bytes() != old.read_bytes():
            new.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(old, new)


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()[:16] if path.exists() else ""


def renew_code() -> None:
    """Take the clone's present code as what is mutated, and move the lines of what was measured with it."""
    moved: dict[str, dict[int, list[int]]] = {}
    for path in sorted(CODE.rglob("*.py")):
        name = str(path.relative_to(CODE))
        if (HERE / name).exists() and (HERE / name).read_bytes() != path.read_bytes():
            moved[name] = moved_lines(path, HERE / name)
    for folder in [CODE, *(path for path in FOLDER.glob("lane-*") if path.is_dir())]:
        for package in ("ingest", "analysis", "dashboard"):
            for path in sorted((folder / package).rglob("*.py")):
                if not (HERE / path.relative_to(folder)).exists():
                    path.unlink()
        if folder.exists():
            copy_files(tracked(), HERE, folder)
    for path in MAP.glob("*.json"):
        kept = json.loads(path.read_text())
        for of in ("of", "call", "setup"):
            kept[of] = {module: told for module, told in kept[of].items() if (CODE / module).exists()}
        for module, to in moved.items():
            if module in kept["of"]:
                kept["of"][module] = digest(CODE / module)
            for phase in ("call", "setup"):
                if module in kept[phase]:
                    kept[phase][module] = move(kept[phase][module], to)
        path.write_text(json.dumps(kept))


def moved_lines(before: Path, now: Path) -> dict[int, list[int]]:
    """Give where each line of a file is now; new lines go with those that they replace, or the one before."""
    old, new = (path.read_text(encoding="utf-8").splitlines() for path in (before, now))
    to: dict[int, list[int]] = defaultdict(list)
    for _, first, last, start, end in difflib.SequenceMatcher(None, old, new, autojunk=False).get_opcodes():
        if last - first == end - start:
            for line in range(first, last):
                to[line + 1].append(line - first + start + 1)
        else:
            for line in range(first, last) if last > first else [max(first - 1, 0)]:
                to[line + 1] += range(start + 1, end + 1)
    return to


def move(reached: dict[str, list[int]], to: dict[int, list[int]]) -> dict[str, list[int]]:
    """Give which tests reach each line after its lines moved."""
    found: dict[str, set[int]] = defaultdict(set)
    for line, by in reached.items():
        for each in to.get(int(line), []):
            found[str(each)].update(by)
    return {line: sorted(by) for line, by in found.items()}


class Lane:
    """A copy of the code in which one process at a time makes mutants, with the present tests."""

    def __init__(self) -> None:
        if not CODE.exists():
            copy_files(tracked(), HERE, CODE)
        self.path, self._lock = self._free_one()
        copy_files(
            (str(path.relative_to(CODE)) for path in CODE.rglob("*") if path.is_file()), CODE, self.path
        )
        copy_files(tracked("tests"), HERE, self.path)
        support = FOLDER / "support"
        support.mkdir(exist_ok=True)
        (support / "sitecustomize.py").write_text(STARTS_COVERAGE)
        os.environ["PYTHONPATH"] = f"{support}:{self.path}"
        os.environ["OPENBLAS_NUM_THREADS"] = "1"
        os.chdir(self.path)
        sys.path[:] = [str(self.path), *(each for each in sys.path if each not in ("", str(HERE)))]
        for name in [name for name in sys.modules if name.split(".")[0] == "tests"]:
            del sys.modules[name]
        load_libraries()

    @staticmethod
    def _free_one() -> tuple[Path, IO[str]]:
        for number in range(8):
            path = FOLDER / f"lane-{number}"
            FOLDER.mkdir(parents=True, exist_ok=True)
            lock = (FOLDER / f"lane-{number}.lock").open("w")
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                lock.close()
                continue
            first = FOLDER / "lane-0"
            if not path.exists() and first.exists():
                shutil.copytree(first, path)  # with its compiled code
            path.mkdir(exist_ok=True)
            return path, lock
        raise OSError("eight runs of mutations go on at once; wait for one of them")

    def fork(self, work: Callable[[], dict[str, Any]], cpu_s: float, wall_s: float) -> dict[str, Any]:
        """Do `work` in a child and give what it returns, or ``{"stopped": why}``."""
        result = self.path.with_suffix(".result")
        result.unlink(missing_ok=True)
        sys.stdout.flush()
        child = os.fork()
        if child == 0:
            in_child(work, result, cpu_s)
        began = moved = looked = time.monotonic()
        worked_s = 0.0
        while True:
            ended, status = os.waitpid(child, os.WNOHANG)
            if ended:
                break
            now = time.monotonic()
            if now > looked + 5.0:
                looked, used_s = now, cpu_of_all(child)
                moved, worked_s = (now, used_s) if used_s > worked_s + 0.1 else (moved, worked_s)
            if now > min(began + wall_s, moved + LONGEST_IDLE_S):
                end_all(child)
                os.waitpid(child, 0)
                return {"stopped": f"not ended after {now - began:.0f} s"}
            time.sleep(0.01)
        if os.WIFSIGNALED(status):
            return {"stopped": f"ended by {signal.Signals(os.WTERMSIG(status)).name}"}
        return (
            dict(json.loads(result.read_text())) if result.exists() else {"stopped": "ended without a result"}
        )


def load_libraries() -> None:
    """Import what takes long and is no part of the project, before the forks."""
    import argon2
    import dash
    import flask
    import hypothesis
    import numba
    import paho.mqtt.client
    import plotly.graph_objects
    import polars
    import pyarrow.parquet
    import scipy.stats

    assert all((argon2, dash, flask, hypothesis, numba, paho, plotly, polars, pyarrow, scipy))


def in_child(work: Callable[[], dict[str, Any]], result: Path, cpu_s: float) -> None:
    """Work, keep the result, end without the parent's clean-up."""
    try:
        resource.setrlimit(resource.RLIMIT_CPU, (int(cpu_s), int(cpu_s) + 5))
        log = os.open(result.with_suffix(".log"), os.O_CREAT | os.O_TRUNC | os.O_WRONLY)
        os.dup2(log, 1)
        os.dup2(log, 2)
        sys.stdout = sys.stderr = io.TextIOWrapper(io.FileIO(1, "w", closefd=False), write_through=True)
        result.write_text(json.dumps(work()))
    except BaseException as error:  # noqa: BLE001  # the parent must hear of it
        result.write_text(json.dumps({"stopped": f"failed: {error!r}"}))
    for process in psutil.Process().children(recursive=True):
        process.kill()
    os._exit(0)


def cpu_of_all(child: int) -> float:
    """Give the seconds of processor of a child and all that it started, as far as they run."""
    used_s = 0.0
    for process in [psutil.Process(child), *psutil.Process(child).children(recursive=True)]:
        with contextlib.suppress(psutil.NoSuchProcess):
            used_s += sum(process.cpu_times()[:4])
    return used_s


def end_all(child: int) -> None:
    """End a child and all that it started."""
    process = psutil.Process(child)
    for each in [*process.children(recursive=True), process]:
        each.kill()


class Chosen:
    """A plugin of pytest: runs the chosen tests in the chosen order, and keeps the first that failed.

    It ends after so many seconds of processor, with what the tests start: a busy machine must not choose.
    """

    def __init__(self, names: list[str], cpu_s: float) -> None:
        self.place = {name: index for index, name in enumerate(names)}
        self.until_s = sum(os.times()[:4]) + cpu_s
        self.failed = ""
        self.ran = 0
        self.is_enough = False

    def pytest_sessionstart(self, session: pytest.Session) -> None:
        self.session = session

    def pytest_runtest_logfinish(self) -> None:
        if sum(os.times()[:4]) > self.until_s:
            self.is_enough = True
            self.session.shouldstop = "enough"

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items[:] = sorted(
            (item for item in items if item.nodeid in self.place), key=lambda item: self.place[item.nodeid]
        )

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed and not self.failed:
            self.failed = f"{report.nodeid} (not imported)"

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.ran += report.when == "call"
        if report.failed and not self.failed:
            self.failed = report.nodeid


def load_project(files: Iterable[str], lane: Lane) -> None:
    """Import test files and what they import, so that children need not; no test is run.

    A file that starts threads on import is left to the children: a fork has none of its parent's threads, so
    what they were to do would be waited for without end.
    """

    def collect(file: str) -> dict[str, Any]:
        done = pytest.main([*PYTEST, "-qqq", "--collect-only", file])
        if done != pytest.ExitCode.OK:
            raise RuntimeError(f"{file} cannot be collected: {done!r}")
        return {"threads": psutil.Process().num_threads()}

    for file in files:
        told = lane.fork(functools.partial(collect, file), cpu_s=60, wall_s=600)
        if "stopped" in told:
            raise RuntimeError(f"{told['stopped']}; see {lane.path.with_suffix('.log')}")
        if told["threads"] == 1:
            collect(file)


def take_over(path: Path, line: int) -> bool:
    """Give the loaded functions of a changed file their new code; False where that is not enough.

    It is not for what runs on import: values of modules and classes, decorators, defaults.
    """
    text = path.read_text(encoding="utf-8")
    outermost = [
        node
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and node.body[0].lineno <= line <= (node.end_lineno or 0)
    ]
    if not outermost:
        return False
    first = min(outermost, key=lambda node: node.lineno)
    starts = min([first.lineno, *(each.lineno for each in first.decorator_list)])

    def codes(of: types.CodeType) -> Iterator[types.CodeType]:
        yield of
        for const in of.co_consts:
            if isinstance(const, types.CodeType):
                yield from codes(const)

    whole = compile(text, str(path), "exec", dont_inherit=True)
    new = next(one for one in codes(whole) if (one.co_name, one.co_firstlineno) == (first.name, starts))
    gc.unfreeze()  # the tests freeze what they have imported, and then it is not listed
    found = [
        one
        for one in gc.get_objects()
        if isinstance(one, types.FunctionType)
        and one.__code__.co_filename == str(path)
        and (one.__code__.co_qualname, one.__code__.co_firstlineno) == (new.co_qualname, starts)
    ]
    for one in found:
        one.__code__ = new
    return bool(found)


def run_tests(
    names: list[str],
    lane: Lane,
    expected_s: float,
    changed: tuple[Path, int] | None = None,
    cpu_s: float = math.inf,
) -> Outcome:
    """Run tests in a child, in this order, until one fails or `cpu_s` are used.

    `changed`: file and line of a mutant.
    """

    def work() -> dict[str, Any]:
        os.environ["PYTHONDONTWRITEBYTECODE"] = "1"
        sys.dont_write_bytecode = True
        loaded = {getattr(module, "__file__", None) for module in sys.modules.values()}
        if changed is not None and str(changed[0]) in loaded and not take_over(*changed):
            raise RuntimeError(f"no function of {changed[0]} has line {changed[1]}")
        plugin = Chosen(names, cpu_s)
        files = list(dict.fromkeys(name.partition("::")[0] for name in names))
        base = lane.path.with_suffix(".tmp")
        code = pytest.main([*PYTEST, "-x", f"--basetemp={base}", *files], plugins=[plugin])
        fine = code in (0, 5) or plugin.is_enough
        failed = plugin.failed or ("" if fine else f"pytest ended with {code}")
        return {"failed": failed, "ran": plugin.ran}

    began = time.monotonic()
    told = lane.fork(work, cpu_s=30 + 4 * expected_s, wall_s=120 + 10 * expected_s)
    took_s = time.monotonic() - began
    stopped = told.get("stopped", "")
    if stopped and not stopped.startswith(("not ended", "ended by")):
        raise RuntimeError(f"no verdict, {stopped}; see {lane.path.with_suffix('.log')}")
    return Outcome(told.get("failed", ""), stopped, told.get("ran", 0), took_s)
