"""The house keeps its rules: what stands at the top, who imports whom, how long a module is."""

from __future__ import annotations

import ast
import functools
import graphlib
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGES = ("ingest", "analysis", "dashboard")
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "ingest",
    "analysis",
    "dashboard",
    "tests",
    "sample_logs",
    "LICENSE",
}
MAY_IMPORT = {
    "ingest": {"ingest"},
    "analysis": {"ingest", "analysis"},
    "dashboard": {"ingest", "analysis", "dashboard"},
}
# A library that only one place may know, so that it can be replaced there.
ONLY_IN = {
    "paho": (
        "ingest/broker/mqtt.py",
        "ingest/listener.py",
        "ingest/broker/paho_batches.py",
        "ingest/broker/broker_check.py",
    ),
    "amqtt": ("ingest/broker/embedded_broker_process.py",),
    "dash": ("dashboard/",),
    "plotly": ("dashboard/",),
    "flask": ("dashboard/",),
    "waitress": ("dashboard/",),
    "prometheus_client": ("ingest/operations.py", "dashboard/serving.py"),
    "obstore": ("ingest/archive/store.py",),
    "dask": ("analysis/pieces/spread.py",),
    "distributed": ("analysis/pieces/spread.py",),
}


def tracked() -> list[str]:
    listing = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True)
    return listing.stdout.split()


@functools.cache
def modules() -> list[Path]:
    return sorted(path for package in PACKAGES for path in (ROOT / package).rglob("*.py"))


@functools.cache
def parsed(path: Path) -> ast.Module:
    return ast.parse(path.read_text())


@functools.cache
def imports_of(path: Path) -> set[str]:
    """Every dotted name that a module imports, at its top or inside its functions."""
    found: set[str] = set()
    for node in ast.walk(parsed(path)):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: write imports in full, not relative"
            found.add(node.module or "")
    return found


def test_the_top_level_holds_nothing_else() -> None:
    names = {name.split("/")[0] for name in tracked()}
    assert {name for name in names if not name.startswith(".")} == TOP_LEVEL


@pytest.mark.parametrize("package", PACKAGES)
def test_imports_go_one_way(package: str) -> None:
    wrong = [
        f"{path.relative_to(ROOT)} imports {name}"
        for path in modules()
        if path.relative_to(ROOT).parts[0] == package
        for name in imports_of(path)
        if name.split(".")[0] in PACKAGES and name.split(".")[0] not in MAY_IMPORT[package]
    ]
    assert wrong == []


def test_rooms_lean_on_each_other_one_way() -> None:
    """A room is a folder of a package, or a module beside the folders; no circle, also not through others."""

    def room(name: str) -> str:
        return ".".join(name.split(".")[:2])

    names = {".".join(path.relative_to(ROOT).with_suffix("").parts): path for path in modules()}
    leans: dict[str, set[str]] = {}
    for name, path in names.items():
        on = {room(each) for each in imports_of(path) if each.split(".")[0] in PACKAGES}
        leans.setdefault(room(name), set()).update(on - {room(name)})
    assert len(leans) > len(PACKAGES)
    graphlib.TopologicalSorter(leans).prepare()  # raises CycleError and names the circle


def test_each_outside_library_stays_in_its_room() -> None:
    wrong = [
        f"{path.relative_to(ROOT)} imports {name}"
        for path in modules()
        for name in imports_of(path)
        for library, rooms in ONLY_IN.items()
        if name.split(".")[0] == library and not str(path.relative_to(ROOT)).startswith(rooms)
    ]
    assert wrong == []


def test_modules_stay_short_and_named_for_a_subject() -> None:
    long = {str(p.relative_to(ROOT)): n for p in modules() if (n := len(p.read_text().splitlines())) > 500}
    assert long == {}
    assert not {"utils.py", "helpers.py", "misc.py"} & {path.name for path in modules()}


def test_only_the_store_knows_its_own_paths() -> None:
    """Whoever needs what a folder and a store do differently asks `place_of(path)` to do it."""
    asking = {str(path.relative_to(ROOT)) for path in modules() if "StorePath" in path.read_text()}
    assert asking == {"ingest/archive/store.py"}


def test_a_class_name_means_one_thing() -> None:
    places: dict[str, list[str]] = {}
    for path in modules():
        for node in parsed(path).body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                places.setdefault(node.name, []).append(str(path.relative_to(ROOT)))
    assert {name: where for name, where in places.items() if len(where) > 1} == {}


def test_tests_have_no_package_markers() -> None:
    assert [name for name in tracked() if name.startswith("tests/") and name.endswith("__init__.py")] == []


@pytest.mark.parametrize("tool", ["ruff check .", "ruff format --check .", "mypy"])
def test_the_tools_find_nothing(tool: str) -> None:
    run = subprocess.run([sys.executable, "-m", *tool.split()], cwd=ROOT, capture_output=True, text=True)
    assert run.returncode == 0, run.stdout + run.stderr
