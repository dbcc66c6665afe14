"""Which test reaches which line: each test file is watched once, and again when it or a module changed."""

from __future__ import annotations

import json
import os
import shutil
import time
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import coverage
import pytest

from tests.benchmarks.mutation_runs import FOLDER, MAP, PYTEST, Lane, Reached, Test, digest

LONGEST_FILE_S = 240.0  # of processor, while it is seen what one test file reaches; the rest is left out


class Watch:
    """A plugin of pytest: tells coverage which test runs, and keeps how long each took."""

    def __init__(self, measured: coverage.Coverage) -> None:
        self.measured = measured
        self.took: dict[str, dict[str, float]] = defaultdict(dict)
        self.failed: set[str] = set()
        self.until_s = time.process_time() + LONGEST_FILE_S

    @pytest.hookimpl(wrapper=True, tryfirst=True)
    def pytest_runtest_setup(self, item: pytest.Item) -> Iterator[None]:
        self.measured.switch_context(f"{item.nodeid} (setup)")
        return (yield)

    @pytest.hookimpl(wrapper=True, tryfirst=True)
    def pytest_runtest_call(self, item: pytest.Item) -> Iterator[None]:
        self.measured.switch_context(f"{item.nodeid} (call)")
        return (yield)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.took[report.nodeid][report.when] = report.duration
        if not report.passed:
            self.failed.add(report.nodeid)

    @pytest.hookimpl(trylast=True)
    def pytest_runtest_logfinish(self, nodeid: str) -> None:
        if time.process_time() > self.until_s:
            pytest.exit("long enough", returncode=0)


def settings_of(data: Path, modules: list[str], top: Path) -> str:
    """Give coverage's settings; a process that a test starts finds the test's name in its environment."""
    include = "\n    ".join(str(top / module) for module in modules)
    return (
        f"[run]\ndata_file = {data}\nparallel = true\nsigterm = true\npatch = _exit\ndisable_warnings =\n"
        "    no-data-collected\n    module-not-measured\n    module-not-imported\n"
        f"context = ${{PYTEST_CURRENT_TEST-}}\ninclude =\n    {include}\n"
    )


def watch(file: str, modules: list[str], data: Path, top: Path) -> dict[str, Any]:
    """In a child: run a test file and keep which lines each of its tests ran."""
    rc = data.parent / "coveragerc"
    rc.write_text(settings_of(data, modules, top))
    os.environ["COVERAGE_PROCESS_START"] = str(rc)
    measured = coverage.Coverage(config_file=str(rc))
    measured.start()
    plugin = Watch(measured)
    pytest.main([*PYTEST, f"--basetemp={data.parent / 'tmp'}", file], plugins=[plugin])
    measured.stop()
    measured.save()
    return {"took": plugin.took, "failed": sorted(plugin.failed)}


def is_current(file: str, lane: Lane) -> bool:
    """Whether a test file was watched as it is now, and with the modules as they are."""
    kept = MAP / f"{file.replace('/', '-')}.json"
    if not kept.exists():
        return False
    return all(digest(lane.path / name) == then for name, then in json.loads(kept.read_text())["of"].items())


def measure(file: str, modules: list[str], lane: Lane) -> str:
    """Watch a test file; keep the map; say in a line what was found."""
    folder = FOLDER / f"{lane.path.name}-data"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    data = folder / "coverage"
    began = time.monotonic()
    told = lane.fork(lambda: watch(file, modules, data, lane.path), cpu_s=300, wall_s=1500)
    if "stopped" in told:
        return f"{file}: {told['stopped']}"
    names = [name for name, took in told["took"].items() if "call" in took and name not in told["failed"]]
    number = {name: index for index, name in enumerate(names)}
    lines: dict[str, dict[str, dict[int, set[int]]]] = {
        "call": defaultdict(lambda: defaultdict(set)),
        "setup": defaultdict(lambda: defaultdict(set)),
    }
    for part in folder.glob("coverage*"):
        if part.name == "coveragerc":
            continue
        read = coverage.CoverageData(str(part))
        read.read()
        for path in read.measured_files():
            module = str(Path(path).relative_to(lane.path))
            for line, contexts in read.contexts_by_lineno(path).items():
                for context in contexts:
                    name, _, phase = context.removeprefix("|").rpartition(" (")
                    if name in number:
                        lines["setup" if phase.startswith("setup") else "call"][module][line].add(
                            number[name]
                        )
    reached = {
        phase: {module: {line: sorted(by) for line, by in each.items()} for module, each in found.items()}
        for phase, found in lines.items()
    }
    of = {name: digest(lane.path / name) for name in [file, *reached["call"], *reached["setup"]]}
    took = [[name, told["took"][name].get("setup", 0.0), told["took"][name]["call"]] for name in names]
    MAP.mkdir(exist_ok=True)
    (MAP / f"{file.replace('/', '-')}.json").write_text(json.dumps({"tests": took, "of": of, **reached}))
    failed = f", failed: {told['failed']}" if told["failed"] else ""
    return f"{file}: {len(names)} tests, {len(of) - 1} modules, {time.monotonic() - began:.0f} s{failed}"


def read_map() -> Reached:
    """Put together what was seen of all test files."""
    reached = Reached({}, defaultdict(set), defaultdict(set))
    for path in sorted(MAP.glob("*.json")):
        kept = json.loads(path.read_text())
        names = [name for name, _, _ in kept["tests"]]
        wide_s = max((setup for _, setup, _ in kept["tests"]), default=0.0)
        reached.tests.update({name: Test(name, call, wide_s) for name, _, call in kept["tests"]})
        for phase, into in (("call", reached.lines), ("setup", reached.by_setup)):
            for module, lines in kept[phase].items():
                for line, by in lines.items():
                    into[module, int(line)].update(names[index] for index in by)
    return reached
