"""Extras by need: receiving works without the rest, and a verb that needs more says what to install."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from dashboard.underair import EXTRAS
from ingest.importing import import_capture

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
LOG = ROOT / "sample_logs" / "late_turn_back.ndjson.gz"
# What a name of the index is imported as, where the two differ.
IMPORTED = {"argon2-cffi": "argon2", "dask": "distributed"}
WITHOUT = """
import sys

class Without:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in {modules!r}:
            raise ModuleNotFoundError(f"No module named {{name!r}}", name=name)

sys.meta_path.insert(0, Without())
from dashboard.underair import main
main(sys.argv[1:])
"""


def without(extras: set[str], *arguments: object) -> subprocess.CompletedProcess[str]:
    """Run the command as it runs where these extras are not installed."""
    code = WITHOUT.format(modules={module for module, extra in EXTRAS.items() if extra in extras})
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)],
        capture_output=True,
        text=True,
        cwd=ROOT,
        timeout=300,
        check=False,
    )


def test_the_command_knows_the_extra_of_each_library() -> None:
    extras = PROJECT["optional-dependencies"]
    for extra in set(extras) - {"test"}:
        for line in extras[extra]:
            name = Requirement(line).name
            if name != "underair":
                assert EXTRAS[IMPORTED.get(name, name)] == extra


def test_receiving_importing_checking_and_keeping_need_no_extra(tmp_path: Path) -> None:
    everything = set(EXTRAS.values())
    archive = tmp_path / "archive"
    for arguments in (
        ("--help",),
        ("listen", "--help"),
        ("import", LOG, "--archive", archive),
        ("check", LOG),
        ("tidy", "--archive", archive),
        ("leave", "--help"),
        ("check-broker", "--help"),
    ):
        done = without(everything, *arguments)
        assert done.returncode == 0, (arguments, done.stderr)


@pytest.mark.parametrize(
    ("extra", "arguments"),
    [
        ("analysis", ("analyse", "--archive", "{}", "--out", "{}/out")),
        ("pages", ("serve", "--archive", "{}")),
        ("demo", ("demo", "--no-browser")),
    ],
)
def test_a_verb_that_needs_more_says_what_to_install(
    extra: str, arguments: tuple[object, ...], tmp_path: Path
) -> None:
    import_capture(LOG, tmp_path)
    done = without({extra}, *(str(each).format(tmp_path) for each in arguments))
    assert done.returncode == 1
    assert f"this verb needs more: pip install 'underair[{extra}]'" in done.stderr
    assert "Traceback" not in done.stderr


def test_the_constraints_fit_the_bounds() -> None:
    lines = (ROOT / "ingest" / "constraints.txt").read_text().splitlines()
    pins = {
        canonicalize_name(one.name): next(iter(one.specifier)).version
        for line in lines
        if line and not line.startswith("#")
        for one in [Requirement(line)]
    }
    extras = PROJECT["optional-dependencies"]
    wanted = [*PROJECT["dependencies"], *(line for name in set(extras) - {"test"} for line in extras[name])]
    for line in wanted:
        one = Requirement(line)
        if one.name != "underair":
            assert one.specifier.contains(pins[canonicalize_name(one.name)]), line
