"""Ctrl-C at any moment ends a verb with a sentence and 130: while it is imported, at work, and at its end."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest

from ingest.stopping import EXIT_CODE, STOPPED

ROOT = Path(__file__).parents[1]
LOG = ROOT / "sample_logs" / "late_turn_back.ndjson.gz"
# Each sends the signal to its own process at an exact moment, so that no test depends on speed.
KILL = "import os, signal, sys\ninterrupt = lambda: os.kill(os.getpid(), signal.SIGINT)\n"
ON_IMPORT = """
class Interrupting:
    def find_spec(self, name, path=None, target=None):
        if name == {name!r}:
            interrupt()
sys.meta_path.insert(0, Interrupting())
"""
AT_THE_END = "import threading\nthreading._register_atexit(interrupt)\n"
RUN = "from dashboard.start import main\nsys.argv[0] = 'underair'\nmain()\n"


def run_and_interrupt(moment: str, *arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", KILL + moment + RUN, *map(str, arguments)],
        capture_output=True,
        text=True,
        cwd=ROOT,
        timeout=300,
        check=False,
        # A shell without job control lets what it starts with & ignore SIGINT, and so these tests.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    )


@pytest.mark.parametrize(
    "moment",
    [
        pytest.param(ON_IMPORT.format(name="dashboard.underair"), id="the command's own import"),
        pytest.param(ON_IMPORT.format(name="click"), id="a library of the command"),
        pytest.param(ON_IMPORT.format(name="ingest.commands"), id="the verb's import"),
        pytest.param(ON_IMPORT.format(name="ingest.importing"), id="the verb at work"),
        pytest.param(ON_IMPORT.format(name="polars"), id="a library of the verb"),
        pytest.param(AT_THE_END, id="the end of the process"),
    ],
)
def test_it_says_that_it_was_stopped_and_shows_no_trace(moment: str, tmp_path: Path) -> None:
    done = run_and_interrupt(moment, "import", LOG, "--archive", tmp_path / "archive")
    assert (done.returncode, done.stderr.strip()) == (EXIT_CODE, STOPPED)


def test_the_list_of_verbs_can_be_stopped_too() -> None:
    done = run_and_interrupt(ON_IMPORT.format(name="dashboard.trends.commands"), "--help")
    assert (done.returncode, done.stderr.strip()) == (EXIT_CODE, STOPPED)


def test_who_is_started_without_ctrl_c_goes_on(tmp_path: Path) -> None:
    """As a shell starts what is run with &: SIGINT is ignored there."""
    ignoring = "signal.signal(signal.SIGINT, signal.SIG_IGN)\n" + ON_IMPORT.format(name="ingest.commands")
    done = run_and_interrupt(ignoring, "import", LOG, "--archive", tmp_path / "archive")
    assert done.returncode == 0
    assert "received" in done.stdout


def test_in_a_container_a_sigterm_ends_a_verb_that_does_not_handle_it(tmp_path: Path) -> None:
    """The first process of a container ignores a signal that it does not handle: `stop` waits in vain."""
    first = "os.getpid = lambda first=[1]: first.pop() if first else os.getppid()\n"
    terminating = "pid = os.getpid()\ninterrupt = lambda: os.kill(pid, signal.SIGTERM)\n"
    moment = terminating + first + ON_IMPORT.format(name="ingest.importing")
    done = run_and_interrupt(moment, "import", LOG, "--archive", tmp_path / "archive")
    assert done.returncode == 128 + signal.SIGTERM


def test_the_package_runs_as_a_module() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "dashboard", "--version"],
        capture_output=True,
        text=True,
        cwd=ROOT,
        timeout=300,
        check=False,
    )
    assert done.stdout.startswith("underair, version ")
