"""The verbs `listen`, `import` and `replay` as a person calls them, with their code, stdout and stderr."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from ingest.archive.reading import Archive
from ingest.broker.mqtt import Publisher
from ingest.contract.captures import Heard, write_capture
from ingest.mapping.rules import EXAMPLES
from tests.verbs import underair

Pressure = Callable[..., Heard]
WaitUntil = Callable[..., Any]
COMMAND = [sys.executable, "-W", "error", "-m", "dashboard.underair"]


@contextmanager
def _listening(*arguments: object) -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen(
        [*COMMAND, "listen", *map(str, arguments)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    try:
        assert process.stderr is not None
        line = process.stderr.readline()
        assert "receiving from" in line, line + process.stderr.read()
        yield process
    finally:
        process.kill()
        process.wait()
        # Not to their end: a killed listener's sealing process holds them too, and the next comes meanwhile.
        for pipe in (process.stdout, process.stderr):
            if pipe is not None:
                pipe.close()


def test_import_counts_what_came_and_a_second_time_keeps_nothing(tmp_path: Path, pressure: Pressure) -> None:
    log, archive = tmp_path / "log.ndjson.zst", tmp_path / "archive"
    write_capture(log, [*(pressure(seq) for seq in range(100)), pressure(7)])
    first = underair("import", log, "--archive", archive, "--json")
    assert first.returncode == 0, first.stderr
    assert json.loads(first.stdout) == {"received": 101, "kept": 100, "duplicates": 1, "refused": 0}
    assert first.stderr == ""
    again = underair("import", log, "--archive", archive, "--json")
    assert json.loads(again.stdout) == {"received": 101, "kept": 0, "duplicates": 101, "refused": 0}
    assert Archive(archive).scan("pressure").collect().height == 100


def test_import_of_bad_messages_and_bad_lines_ends_with_3_and_keeps_them(
    tmp_path: Path, pressure: Pressure
) -> None:
    log, archive = tmp_path / "log.ndjson", tmp_path / "archive"
    write_capture(
        log,
        [
            pressure(1),
            pressure(2, pressure_bar=4200.0),
            Heard(pressure(3).received, pressure(3).topic, b"\xff\xfe"),
            Heard(pressure(4).received, pressure(4).topic, b"{" + b" " * 5000 + b"}"),
            pressure(5)._replace(topic="underair/v1/demo/set/S-015/pressure"),
        ],
    )
    with log.open("ab") as file:
        file.write(b"not a line of a capture\n")
    for expected in ((1, 0), (0, 1)):
        done = underair("import", log, "--archive", archive)
        assert done.returncode == 3
        assert done.stdout == f"received 6: kept {expected[0]}, duplicates {expected[1]}, refused 5\n"
        assert "is it in kPa or psi?" in done.stderr
    refused = Archive(archive).messages()["refused"].sort("received", "path", nulls_last=True)
    assert refused.height == 5
    reasons = "\n".join(refused["reason"])
    for part in (
        "is it in kPa",
        "not UTF-8",
        "at most 4096",
        "agree with the topic's 'S-015'",
        "not a capture line",
    ):
        assert part in reasons
    assert set(refused["path"]) == {"$.pressure_bar", None, "$.set_id", "line 6"}


def test_an_empty_capture_is_named(tmp_path: Path) -> None:
    empty = tmp_path / "empty.ndjson"
    empty.touch()
    done = underair("import", empty, "--archive", tmp_path / "archive")
    assert (done.returncode, done.stderr) == (0, f"underair: {empty} holds no message\n")


def test_several_logs_are_imported_in_one_call(tmp_path: Path, pressure: Pressure) -> None:
    for number in range(2):
        write_capture(tmp_path / f"{number}.ndjson", [pressure(seq + 5 * number) for seq in range(10)])
    done = underair(
        "import", tmp_path / "0.ndjson", tmp_path / "1.ndjson", "--archive", tmp_path / "a", "--json"
    )
    assert json.loads(done.stdout) == {"received": 20, "kept": 15, "duplicates": 5, "refused": 0}


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["import", "--archive", "x"], 2, "Missing argument 'LOG...'"),
        (["import", "nowhere.ndjson", "--archive", "x"], 2, "does not exist"),
        (["listen", "--archive", "x"], 2, "Missing option '--broker'"),
        (
            ["listen", "--broker", "localhost", "--archive", "{}"],
            1,
            "underair: broker 'localhost' has no scheme",
        ),
        (["replay", "{}/log.ndjson", "--broker", "mqtt://u:p@h"], 1, "no user or password in a broker's URL"),
        (["replay", "{}/log.ndjson", "--broker", "mqtt://h", "--speed", "0"], 2, "--speed"),
        (["import", "{}/log.txt", "--archive", "{}"], 1, "a capture's name ends in .ndjson"),
    ],
)
def test_wrong_call_says_what_is_wrong(tmp_path: Path, arguments: list[str], code: int, said: str) -> None:
    (tmp_path / "log.ndjson").touch()
    (tmp_path / "log.txt").touch()
    done = underair(*(argument.format(tmp_path) for argument in arguments))
    assert done.returncode == code
    assert said in done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""


@pytest.mark.broker
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_listen_seals_everything_when_it_is_stopped(
    mosquitto: Any, tmp_path: Path, pressure: Pressure, number: signal.Signals
) -> None:
    with _listening("--broker", mosquitto.url, "--archive", tmp_path) as process:
        with Publisher(mosquitto.url) as publisher:
            for seq in range(1000):
                publisher.publish(pressure(seq).topic, pressure(seq).payload)
        archive = Archive(tmp_path)
        _until(lambda: archive.messages()["pressure"].height == 1000)
        process.send_signal(number)
        output, errors = process.communicate(timeout=60)
    assert process.returncode == 0, errors
    assert output == "received 1,000: kept 1,000, duplicates 0, refused 0\n"
    assert archive.scan("pressure").collect()["seq"].to_list() == list(range(1000))
    assert list(tmp_path.rglob("*.journal")) == []


def _until(condition: Callable[[], bool]) -> None:
    from time import monotonic, sleep

    deadline = monotonic() + 60
    while not condition():
        assert monotonic() < deadline
        sleep(0.02)


@pytest.mark.broker
def test_listen_killed_loses_nothing(mosquitto: Any, tmp_path: Path, pressure: Pressure) -> None:
    archive = Archive(tmp_path)
    sent = 0
    with Publisher(mosquitto.url) as publisher:
        for _ in range(3):
            with _listening("--broker", mosquitto.url, "--archive", tmp_path) as process:
                for _ in range(700):
                    publisher.publish(pressure(sent).topic, pressure(sent).payload)
                    sent += 1
                process.kill()
    with _listening("--broker", mosquitto.url, "--archive", tmp_path) as process:
        _until(lambda: archive.messages()["pressure"].height == sent)
        process.terminate()
        process.communicate(timeout=60)
    assert sorted(archive.scan("pressure").collect()["seq"]) == list(range(sent))


@pytest.mark.broker
def test_listen_takes_settings_and_credentials(
    mosquitto: Any, tmp_path: Path, pressure: Pressure, wait_until: WaitUntil
) -> None:
    settings = tmp_path / "settings.toml"
    settings.write_text('name = "van-2"\n[seal]\nrows = 10\n[broker]\nprotocol = "5"\n')
    archive = tmp_path / "archive"
    with (
        _listening("--broker", mosquitto.url, "--archive", archive, "--config", settings),
        Publisher(mosquitto.url) as publisher,
    ):
        for seq in range(10):
            publisher.publish(pressure(seq).topic, pressure(seq).payload)
        parts = wait_until(lambda: list(archive.rglob("*.parquet")), what="a part")
    assert parts[0].name.startswith("van-2-")
    settings.write_text("[seal]\nrow = 10\n")
    done = underair("listen", "--broker", mosquitto.url, "--archive", archive, "--config", settings)
    assert done.returncode == 1
    assert "unknown key 'row' (at $.seal.row); settings.example.toml documents every option" in done.stderr


@pytest.mark.broker
def test_replay_publishes_a_capture_verbatim_and_in_its_rhythm(
    mosquitto: Any, tmp_path: Path, pressure: Pressure, wait_until: WaitUntil
) -> None:
    log = tmp_path / "log.ndjson.gz"
    heard = [pressure(10 * seq) for seq in range(5)]
    setup = Heard(
        pressure(40).received, "underair/v1/demo/set/S-014/setup", b'{"kind":"setup","set_id":"S-014"}'
    )
    noise = Heard(pressure(40).received, "underair/v1/demo/set/S-014/pressure", b"\xff")
    wild = Heard(pressure(40).received, "underair/v1/#", b"{}")
    write_capture(log, [*heard, setup, noise, wild])
    archive = Archive(tmp_path / "archive")
    with _listening("--broker", mosquitto.url, "--archive", archive.folder):
        done = underair("replay", log, "--broker", mosquitto.url, "--speed", 20)
        assert done.returncode == 3
        assert done.stdout == "published 7\n"
        assert "left out 1 message" in done.stderr
        messages = wait_until(
            lambda: (got := archive.messages())["refused"].height == 2 and got, what="all messages"
        )
    assert [payload.encode() for payload in messages["pressure"]["payload"]] == [
        each.payload for each in heard
    ]
    took = messages["pressure"]["received"].max() - messages["pressure"]["received"].min()
    assert timedelta(seconds=0.5) < took < timedelta(seconds=30), "40 s at 20 times the speed are 2 s"


@pytest.mark.broker
def test_replay_publishes_what_a_mapping_makes(mosquitto: Any, tmp_path: Path, wait_until: WaitUntil) -> None:
    log, began = tmp_path / "log.ndjson", datetime(2031, 5, 4, 19, tzinfo=UTC)
    objects = [{"n": n, "ts": int(began.timestamp() * 1000) + n, "psi": 4000 - n} for n in range(4)]
    objects[2]["psi"] = "?"
    heard = [Heard(began, "bench7/telemetry/K12", json.dumps(each).encode()) for each in objects]
    write_capture(log, heard)
    archive = Archive(tmp_path / "archive")
    with _listening("--broker", mosquitto.url, "--archive", archive.folder):
        done = underair("replay", log, "--broker", mosquitto.url, "--mapping", EXAMPLES / "flat_object.toml")
        assert done.returncode == 3
        assert done.stdout == "published 4\n"
        assert "1 value could not be mapped; the first: bench7/telemetry/K12: pressure_bar" in done.stderr
        messages = wait_until(lambda: (got := archive.messages())["pressure"].height == 3 and got, what="all")
    assert messages["setup"].height == 1
    assert messages["originals"].is_empty()
