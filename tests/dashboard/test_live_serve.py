"""`underair serve` as it is called: where it listens, what it refuses, how it ends."""

from __future__ import annotations

import contextlib
import gc
import gzip
import json
import signal
import socket
import subprocess
import sys
import tempfile
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from dashboard.serving import Served
from dashboard.underair import main

UNDERAIR = [sys.executable, "-m", "dashboard.underair"]


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str]) -> Callable[..., subprocess.CompletedProcess[str]]:
    def run(*arguments: str) -> subprocess.CompletedProcess[str]:
        with pytest.raises(SystemExit) as ended:
            main(list(arguments))
        said = capsys.readouterr()
        return subprocess.CompletedProcess(arguments, int(ended.value.code or 0), said.out, said.err)

    return run


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.7", "::", "example.org"])
def test_it_serves_only_this_machine(call: Callable[..., Any], tmp_path: Path, host: str) -> None:
    run = call("serve", "--archive", str(tmp_path), "--host", host)
    assert run.returncode == 1
    assert "sign-in" in run.stderr
    assert host in run.stderr
    assert run.stdout == ""


@pytest.mark.parametrize(
    "arguments",
    [
        ["serve"],
        ["serve", "--archive", "/there/is/no/such/folder"],
        ["serve", "--archive", ".", "--port", "70000"],
        ["serve", "--archive", ".", "--share"],
    ],
)
def test_a_wrong_call_ends_with_2(call: Callable[..., Any], arguments: list[str]) -> None:
    assert call(*arguments).returncode == 2


def test_a_wrong_profile_ends_with_its_sentence(call: Callable[..., Any], tmp_path: Path) -> None:
    profile = tmp_path / "ours.toml"
    profile.write_text('name = "ours"\ntitle = "t"\ndecides = "d"\n[air]\nready_fraction = 3.0\n')
    run = call("serve", "--archive", str(tmp_path), "--profile", str(profile))
    assert run.returncode == 1
    assert "$.air.ready_fraction" in run.stderr


def test_a_desk_name_that_fits_no_topic_is_refused(call: Callable[..., Any], tmp_path: Path) -> None:
    run = call("serve", "--archive", str(tmp_path), "--broker", "mqtt://127.0.0.1:1", "--desk", "unit/1")
    assert run.returncode == 1
    assert "'unit/1'" in run.stderr


def test_a_service_that_fits_no_topic_is_refused(call: Callable[..., Any], tmp_path: Path) -> None:
    run = call("serve", "--archive", str(tmp_path), "--broker", "mqtt://127.0.0.1:1", "--service", "a/b")
    assert run.returncode == 1
    assert "'a/b'" in run.stderr


@pytest.mark.broker
def test_a_desk_speaks_for_the_service_it_was_told_before_anything_is_heard(
    tmp_path: Path, mosquitto: Any, wait_until: Callable[..., Any]
) -> None:
    def sent(service: str | None) -> tuple[int, list[str]]:
        served = Served(tmp_path, mosquitto.url, service=service)
        served.start()
        try:
            wait_until(lambda: "services" in picture(served), what="a picture")
            shown = picture(served)
            headers = {"X-Underair-Token": shown["token"], "Content-Type": "application/json"}
            body = json.dumps({"incident_id": "I-1", "action": "open", "name": "Quay 4"}).encode()
            asked = urllib.request.Request(f"{served.url}/live/desk/incident", body, headers)
            asked.add_header("Origin", served.url)
            with urllib.request.urlopen(asked, timeout=60) as response:
                return int(response.status), shown["services"]
        except urllib.error.HTTPError as refusal:
            with refusal:
                return refusal.code, shown["services"]
        finally:
            served.close()

    assert sent("harbour") == (200, ["harbour"])
    assert sent(None) == (409, [])  # it is not clear which


def picture(served: Served) -> dict[str, Any]:
    with urllib.request.urlopen(f"{served.url}/live.json", timeout=60) as response:
        answer: dict[str, Any] = json.loads(gzip.decompress(response.read()))
    return answer


def test_it_serves_the_three_pages_until_told_to_stop(
    tmp_path: Path, free_port: Callable[[], int], wait_until: Callable[..., Any]
) -> None:
    """Ended by SIGTERM: `test_access_serving.py`."""
    port = free_port()
    arguments = ["serve", "--archive", str(tmp_path), "--broker", "mqtt://127.0.0.1:1", "--port", str(port)]
    with subprocess.Popen([*UNDERAIR, *arguments], stderr=subprocess.PIPE, text=True) as run:
        try:
            assert run.stderr is not None
            said = run.stderr.readline()  # a broker that is away does not keep the pages from being read
            assert "nothing can be sent" in said
            assert f"http://127.0.0.1:{port}/" in run.stderr.readline()
            assert f"{tmp_path} is not an archive yet" in run.stderr.readline()

            def answers() -> bool:
                with urllib.request.urlopen(f"http://127.0.0.1:{port}/health", timeout=60) as response:
                    return bool(response.status == 200)

            wait_until(answers, what="the pages")
            for path in ("/live", "/review", "/trends", "/live.json"):
                with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=60) as response:
                    assert response.status == 200
            run.send_signal(signal.SIGINT)
            assert run.wait(60) == 0
        finally:
            if run.poll() is None:
                run.kill()


def test_an_answer_that_nobody_takes_leaves_no_file_open_at_the_end(
    tmp_path: Path, wait_until: Callable[..., Any]
) -> None:
    """A large answer waits in a file; dropped unclosed it is a warning, which fails a test."""

    def waiting() -> list[str]:
        found = []
        for one in Path("/proc/self/fd").iterdir():
            with contextlib.suppress(FileNotFoundError):  # closed meanwhile
                found.append(str(one.readlink()))
        return [name for name in found if name.startswith(tempfile.gettempdir()) and "(deleted)" in name]

    before = waiting()
    served = Served(tmp_path)
    served.start()
    served._server.application = lambda env, start: (start("200 OK", []), [b"x" * 2**20] * 12)[1]
    with socket.create_connection(("127.0.0.1", served._server.effective_port)) as line:
        line.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        wait_until(lambda: len(waiting()) > len(before), what="the answer to wait in a file")
        served.close()
        gc.collect()
    assert waiting() == before
