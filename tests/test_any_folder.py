"""underair runs its own code whatever folder it is called from."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from ingest.stopping import command_of

UNDERAIR = Path(sys.executable).with_name("underair")
HOSTILE = 'raise SystemExit("foreign code ran")\n'


@pytest.fixture
def hostile(tmp_path: Path) -> Path:
    """Return a folder that holds modules named like ours and like our libraries."""
    folder = tmp_path / "hostile"
    for package in ("ingest", "analysis", "dashboard"):
        (folder / package).mkdir(parents=True)
        (folder / package / "__init__.py").write_text(HOSTILE)
    for module in ("msgspec", "polars", "click", "json", "multiprocessing"):
        (folder / f"{module}.py").write_text(HOSTILE)
    return folder


@pytest.mark.parametrize(
    "module",
    [
        "ingest.archive.sealing_process",
        "ingest.archive.finished_days",
        "ingest.broker.embedded_broker_process",
    ],
)
def test_a_child_process_takes_no_module_from_the_current_folder(module: str, hostile: Path) -> None:
    archive = hostile.parent / "archive"
    (archive / "journal" / "listener").mkdir(parents=True)
    child = subprocess.run(  # stdin is empty: each ends with it
        command_of(module, str(archive), str(archive / "journal" / "listener")),
        cwd=hostile,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert "foreign code ran" not in child.stderr + child.stdout


def test_the_command_imports_from_a_hostile_folder_as_a_user_without_a_home(hostile: Path) -> None:
    log = Path(__file__).parents[1] / "sample_logs" / "late_turn_back.ndjson.gz"
    environment = {
        name: value for name, value in os.environ.items() if name not in ("HOME", "XDG_CACHE_HOME")
    }
    ran = subprocess.run(
        [UNDERAIR, "import", str(log), "--archive", "archive"],
        cwd=hostile,
        env={**environment, "HOME": "/nonexistent"},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
    assert "received" in ran.stdout
