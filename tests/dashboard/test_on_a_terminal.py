"""Verbs on a terminal, where they draw how far they are and ask for a password unseen."""

from __future__ import annotations

import contextlib
import os
import pty
import re
import subprocess
import sys
from pathlib import Path

import pytest

from dashboard.access.accounts import AccountFile
from ingest.importing import import_capture

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "late_turn_back.ndjson.gz"
PASSWORD = "nine green kettles sing"
DRAWN = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")


def on_a_terminal(*arguments: object, typed: str = "", asked: str = "(?!)") -> tuple[int, str, str]:
    """Run a verb whose standard input and error are a terminal; type a line each time that it asks.

    Returns its exit code, what it printed, and what the terminal showed, control sequences included.
    """
    ours, its = pty.openpty()
    command = [sys.executable, "-W", "error", "-m", "dashboard.underair", *map(str, arguments)]
    environment = {**os.environ, "TERM": "xterm", "COLUMNS": "120"}
    heard = b""
    with subprocess.Popen(
        command, stdin=its, stderr=its, stdout=subprocess.PIPE, text=True, env=environment
    ) as run:
        os.close(its)
        typed_yet = 0
        with contextlib.suppress(OSError):  # the terminal's end is read as an error
            while data := os.read(ours, 4096):
                heard += data
                while len(re.findall(asked.encode(), heard)) > typed_yet:
                    os.write(ours, f"{typed}\n".encode())
                    typed_yet += 1
        os.close(ours)
        assert run.stdout is not None
        printed = run.stdout.read()
    return run.returncode, printed, heard.decode()


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    import_capture(SAMPLE, tmp_path / "archive")
    return tmp_path / "archive"


@pytest.mark.parametrize("verb", ["import", "analyse", "audit"])
def test_a_verb_draws_how_far_it_is_and_prints_its_result(archive: Path, tmp_path: Path, verb: str) -> None:
    more, drawn = {
        "import": ([SAMPLE, "--archive", tmp_path / "new"], "importing late_turn_back.ndjson.gz"),
        "analyse": (["--archive", archive, "--out", tmp_path / "out"], "messages"),
        "audit": (["--archive", archive, "--out", tmp_path / "out"], "new wears"),
    }[verb]
    code, printed, shown = on_a_terminal(verb, *more)
    assert code == 0, shown
    assert printed
    assert "\x1b" not in printed
    assert drawn in DRAWN.sub("", shown)
    assert "Traceback" not in shown
    hidden_at, given_back_at = shown.rfind("\x1b[?25l"), shown.rfind("\x1b[?25h")
    assert given_back_at >= hidden_at, "a bar gives the cursor back"
    assert given_back_at > -1 or shown.endswith("\r\x1b[K"), "what only counts clears its line"


def test_a_password_is_asked_for_twice_and_never_shown(tmp_path: Path) -> None:
    path = tmp_path / "accounts.json"
    arguments = ("account", "add", "desk-1", "--role", "desk", "--accounts", path)
    code, printed, shown = on_a_terminal(
        *arguments, typed=PASSWORD, asked="Password: |Repeat for confirmation: "
    )
    assert code == 0, shown
    assert "Password: " in shown
    assert "Repeat for confirmation: " in shown
    assert PASSWORD not in shown + printed
    assert AccountFile(path).verify("desk-1", PASSWORD)
