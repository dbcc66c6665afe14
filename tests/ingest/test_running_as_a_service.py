"""Logs as JSON lines, and the word to the service manager (sd_notify(3))."""

from __future__ import annotations

import json
import logging
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest

from ingest.logs import JsonLines, News
from ingest.service_manager import ServiceManager
from ingest.talk import Telling

UNDERAIR = Path(sys.executable).with_name("underair")


@pytest.fixture
def manager_socket(tmp_path: Path) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind(str(tmp_path / "notify"))
        heard.settimeout(60)
        yield heard


def test_a_log_line_is_one_json_object_with_time_and_level() -> None:
    record = logging.LogRecord("underair", logging.WARNING, "x.py", 1, "line\nbreak “%s”", ("é",), None)
    line = JsonLines().format(record)
    assert "\n" not in line
    told = json.loads(line)
    assert (told["level"], told["logger"], told["message"]) == ("warning", "underair", "line\nbreak “é”")
    assert datetime.fromisoformat(told["time"]).tzinfo is not None


def test_a_failure_is_logged_with_its_trace_on_the_same_line() -> None:
    try:
        raise ValueError("so")
    except ValueError:
        record = logging.LogRecord("a", logging.ERROR, "x.py", 1, "failed", (), sys.exc_info())
    told = json.loads(JsonLines().format(record))
    assert "ValueError: so" in told["error"]


def test_the_manager_is_told_once_that_we_are_ready_and_a_hanging_part_is_not_called_alive(
    manager_socket: socket.socket, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NOTIFY_SOCKET", manager_socket.getsockname())
    monkeypatch.setenv("WATCHDOG_USEC", "1")
    manager = ServiceManager()
    manager.ready()
    manager.ready()
    manager.alive("the journal's thread has ended")
    manager.alive()
    assert [manager_socket.recv(100) for _ in range(2)] == [b"READY=1", b"WATCHDOG=1"]


def test_without_a_manager_nothing_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    ServiceManager().ready()
    monkeypatch.setenv("NOTIFY_SOCKET", "/nonexistent/socket")
    ServiceManager().ready()  # a manager that is gone does not stop us


def test_a_listener_tells_its_manager_and_logs_json_only(
    tmp_path: Path, manager_socket: socket.socket
) -> None:
    command = [UNDERAIR, "listen", "--broker", "mqtt://127.0.0.1:9", "--archive", str(tmp_path / "archive")]
    environment = {**os.environ, "NOTIFY_SOCKET": manager_socket.getsockname(), "WATCHDOG_USEC": "300000"}
    with subprocess.Popen(
        [*command, "--log", "json", "--metrics", "0"],
        env=environment,
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
    ) as listener:
        try:
            assert manager_socket.recv(100) == b"READY=1"
            assert manager_socket.recv(100) == b"WATCHDOG=1"
        finally:
            listener.send_signal(signal.SIGTERM)
        _, errors = listener.communicate(timeout=60)
    assert listener.returncode == 0
    told = [json.loads(line) for line in errors.decode().splitlines()]
    levels = {line["level"] for line in told if "trying again" in line["message"]}
    assert levels == {"warning"}


def test_what_is_not_well_is_a_warning_and_what_is_well_is_not(caplog: pytest.LogCaptureFixture) -> None:
    """All was `info` once, so that `--log-level warning` hid a full disk."""
    caplog.set_level("INFO", "underair")
    telling = Telling(log=True)
    telling.say("the journal cannot be written (no room)")
    telling.say(News("the journal can be written again; nothing was lost"))
    assert [record.levelname for record in caplog.records] == ["WARNING", "INFO"]
