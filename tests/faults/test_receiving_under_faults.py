"""Full disk, broker restarts, network cuts, repeated kills: nothing that was acknowledged is lost."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import random
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec
import pytest

from ingest.archive.reading import Archive
from ingest.broker.mqtt import Publisher, new_client
from ingest.listener import Listener
from ingest.settings import SealSettings, Settings
from ingest.status import Status, read_statuses, status_topic
from tests.faults.fault_samples import ALL_FAULTS

WaitUntil = Callable[..., Any]
pytestmark = pytest.mark.broker
TOPIC = "underair/v1/demo/set/S-1/motion"


def _payload(seq: int) -> bytes:
    return (
        b'{"kind":"motion","set_id":"S-1","boot":1,"seq":%d,"time":"2031-05-04T10:21:07Z","motion_m_s2":1}'
        % seq
    )


def _seqs(archive: Path) -> list[int]:
    return sorted(Archive(archive).messages()["motion"]["seq"])


class TinyFileSystem:
    """A real file system of a few megabytes (a tmpfs): filled by a file, emptied by deleting it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def fill(self) -> None:
        with contextlib.suppress(OSError), (self.folder / "filler").open("wb", buffering=0) as file:
            while True:
                file.write(b"x" * 4096)

    def empty(self) -> None:
        (self.folder / "filler").unlink()


class QuotaStandIn:
    """Where no file system may be mounted: writing fails as on a full disk, with a short write first."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.folder = folder
        self._monkeypatch = monkeypatch
        self._write = os.write

    def fill(self) -> None:
        def full(file: int, data: bytes) -> int:
            if len(data) > 100:
                return self._write(file, data[:50])
            raise OSError(errno.ENOSPC, "No space left on device")

        self._monkeypatch.setattr("ingest.archive.journal.os.write", full)

    def empty(self) -> None:
        self._monkeypatch.setattr("ingest.archive.journal.os.write", self._write)


@pytest.fixture
def small_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[TinyFileSystem | QuotaStandIn]:
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=6m", "tmpfs", str(folder)], capture_output=True, check=False
    )
    if mount.returncode != 0:
        yield QuotaStandIn(folder, monkeypatch)
        return
    yield TinyFileSystem(folder)
    subprocess.run(["umount", "--lazy", str(folder)], check=True)


@pytest.fixture
def statuses(mosquitto: Any) -> Iterator[list[Status]]:
    """What a listener tells on its status topic."""
    told: list[Status] = []
    client = new_client("status-watcher")
    client.on_message = lambda _client, _data, message: told.append(
        msgspec.json.decode(message.payload, type=Status)
    )
    client.on_connect = lambda client, *_: client.subscribe(status_topic("listener"), qos=1)
    client.connect("127.0.0.1", mosquitto.port)
    client.loop_start()
    yield told
    client.disconnect()
    client.loop_stop()


def test_full_disk_is_said_at_once_and_loses_nothing(
    mosquitto: Any,
    small_disk: TinyFileSystem | QuotaStandIn,
    statuses: list[Status],
    wait_until: WaitUntil,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # What matters is told at once, not with the next round.
    monkeypatch.setattr("ingest.status.EVERY_S", 3600.0)
    archive = small_disk.folder
    said: list[str] = []
    listener = Listener(
        mosquitto.url, archive, Settings(seal=SealSettings(rows=300, seconds=60)), say=said.append
    )
    listener.start()
    assert listener.subscribed.wait(60)
    wait_until(lambda: statuses and statuses[-1].connected, what="the first status")
    with Publisher(mosquitto.url) as publisher:
        for seq in range(500):
            publisher.publish(TOPIC, _payload(seq))
        publisher.flush()
        small_disk.fill()
        for seq in range(500, 1500):
            publisher.publish(TOPIC, _payload(seq))
        wait_until(
            lambda: "No space left" in statuses[-1].trouble, what="the status topic to tell of the full disk"
        )
        wait_until(
            lambda: any("No space left" in one.trouble for one in read_statuses(archive)),
            what="the status file to tell it",
        )
        assert any("nothing is acknowledged until it can" in sentence for sentence in said)
    journalled = listener.health.journalled
    assert journalled < 1500
    small_disk.empty()
    wait_until(lambda: listener.health.journalled >= 1500, what="the rest to be received")
    wait_until(lambda: not statuses[-1].trouble.startswith("the journal"), what="the status to be well again")
    counts = listener.stop()
    assert _seqs(archive) == list(range(1500))
    assert counts.received == counts.kept + counts.duplicates + counts.refused
    assert counts.kept == 1500
    assert "the journal can be written again; nothing was lost" in said


def test_status_tells_up_stopped_and_down(
    mosquitto: Any, tmp_path: Path, statuses: list[Status], wait_until: WaitUntil
) -> None:
    with Listener(mosquitto.url, tmp_path) as listener:
        assert listener.subscribed.wait(60)
        with Publisher(mosquitto.url) as publisher:
            for seq in range(10):
                publisher.publish(TOPIC, _payload(seq))
        wait_until(lambda: statuses and statuses[-1].received == 10, what="a status that counts the messages")
        status = read_statuses(tmp_path)[0]
        assert (status.state, status.connected, status.received) == ("up", True, 10)
        assert status.disk_free_bytes > 0
        assert abs((datetime.now(UTC) - status.at).total_seconds()) < 60
    wait_until(lambda: statuses[-1].state == "stopped", what="the last word")
    assert statuses[-1].kept == 10
    assert read_statuses(tmp_path)[0].state == "stopped"
    with _listening(mosquitto.url, tmp_path) as process:
        wait_until(lambda: statuses[-1].state == "up", what="the next run")
        process.kill()
    wait_until(lambda: statuses[-1].state == "down", what="the last will")


def test_messages_at_quality_0_are_said_to_be_possible_loss(
    mosquitto: Any, tmp_path: Path, wait_until: WaitUntil
) -> None:
    with Listener(mosquitto.url, tmp_path) as listener:
        assert listener.subscribed.wait(60)
        client = new_client("quality-0")
        client.connect("127.0.0.1", mosquitto.port)
        client.loop_start()
        client.publish(TOPIC, _payload(1), qos=0).wait_for_publish(5)
        # None is found while one is being written.
        wait_until(
            lambda: any("QoS 0" in one.possible_loss for one in read_statuses(tmp_path)), what="the word"
        )
        client.disconnect()
        client.loop_stop()


class Sender:
    """Publishes by number, at a steady pace and in a thread of its own, until told to stop."""

    def __init__(self, url: str, per_s: float) -> None:
        self._publisher = Publisher(url, client_id="sender")
        self._stop = threading.Event()
        self._pause_s = 1 / per_s
        self.sent = 0
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        while not self._stop.wait(self._pause_s):
            self._publisher.publish(TOPIC, _payload(self.sent))
            self.sent += 1

    def finish(self) -> int:
        """Stop, and wait until the broker has acknowledged everything."""
        self._stop.set()
        self._thread.join()
        self._publisher.close(30)
        return self.sent


def test_broker_stopped_and_started_under_load_loses_nothing(
    mosquitto: Any, tmp_path: Path, wait_until: WaitUntil
) -> None:
    said: list[str] = []
    with Listener(mosquitto.url, tmp_path, say=said.append) as listener:
        assert listener.subscribed.wait(60)
        sender = Sender(mosquitto.url, per_s=300)
        for _ in range(2):
            before = sender.sent
            wait_until(lambda before=before: sender.sent > before + 100, what="load")
            mosquitto.stop()
            before = sender.sent
            wait_until(lambda before=before: sender.sent > before + 100, what="load while the broker is away")
            mosquitto.start()
            before = listener.health.journalled
            wait_until(lambda before=before: listener.health.journalled > before + 50, what="messages again")
        sent = sender.finish()
        wait_until(lambda: len(_seqs(tmp_path)) == sent, what="the last messages")
    assert _seqs(tmp_path) == list(range(sent))
    assert any("was lost" in sentence for sentence in said)
    assert not any("did not keep our session" in sentence for sentence in said)


class CutCable:
    """A relay between listener and broker that can be cut in the middle of everything."""

    def __init__(self, port: int) -> None:
        self._target = port
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]
        self._open: list[socket.socket] = []
        self._threads: list[threading.Thread] = []
        self._accepting = threading.Thread(target=self._accept)
        self._accepting.start()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                here, _ = self._server.accept()
                there = socket.create_connection(("127.0.0.1", self._target))
                self._open += [here, there]
                for one, other in ((here, there), (there, here)):
                    thread = threading.Thread(target=self._relay, args=(one, other))
                    thread.start()
                    self._threads.append(thread)

    @staticmethod
    def _relay(one: socket.socket, other: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := one.recv(4096):
                other.sendall(data)
        for each in (one, other):
            with contextlib.suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)

    def cut(self) -> None:
        for each in self._open:
            with contextlib.suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        self._accepting.join()
        self.cut()
        for thread in self._threads:
            thread.join()
        for each in self._open:
            each.close()


def test_network_cut_again_and_again_loses_nothing_and_keeps_each_once(
    mosquitto: Any, tmp_path: Path, wait_until: WaitUntil
) -> None:
    cable = CutCable(mosquitto.port)
    listener = Listener(f"mqtt://127.0.0.1:{cable.port}", tmp_path, Settings(seal=SealSettings(rows=200)))
    listener.start()
    assert listener.subscribed.wait(60)
    sender = Sender(mosquitto.url, per_s=400)
    for _ in range(4):
        before = listener.health.journalled
        wait_until(lambda before=before: listener.health.journalled > before + 100, what="messages")
        cable.cut()
    sent = sender.finish()
    wait_until(lambda: len(_seqs(tmp_path)) == sent, what="the last messages")
    counts = listener.stop()
    cable.close()
    assert sorted(Archive(tmp_path).scan("motion").collect()["seq"]) == list(range(sent))
    assert counts.received == sent + counts.duplicates
    assert counts.kept == sent


@contextlib.contextmanager
def _listening(url: str, archive: Path, *more: str) -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "dashboard.underair",
            "listen",
            "--broker",
            url,
            "--archive",
            str(archive),
            *more,
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stderr is not None
        while "receiving from" not in (line := process.stderr.readline()):
            assert line, "the listener ended before it received"
        yield process
    finally:
        process.kill()
        process.wait()
        # Not to their end: a sealing process that was left behind holds them too, and the next listener comes
        # while it is still at work.
        for pipe in (process.stdout, process.stderr):
            if pipe is not None:
                pipe.close()


def test_killed_again_and_again_under_load_loses_nothing_and_keeps_each_once(
    mosquitto: Any, tmp_path: Path, wait_until: WaitUntil
) -> None:
    chance, kills = random.Random(20310504), 20 if ALL_FAULTS else 4
    settings = tmp_path / "settings.toml"
    settings.write_text("[seal]\nrows = 60\nseconds = 0.3\n")  # so that kills fall into sealing too
    archive = tmp_path / "archive"
    with _listening(mosquitto.url, archive, "--config", str(settings)) as process:
        process.send_signal(signal.SIGKILL)  # from here on the broker keeps a session for it
    sender = Sender(mosquitto.url, per_s=400)
    for _ in range(kills):
        with _listening(mosquitto.url, archive, "--config", str(settings)) as process:
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(chance.uniform(0.0, 0.8))
            assert process.poll() is None
            process.send_signal(signal.SIGKILL)
    sent = sender.finish()
    with _listening(mosquitto.url, archive, "--config", str(settings)) as process:
        wait_until(lambda: len(set(_seqs(archive))) == sent, what="the last messages")
        process.terminate()
        output, errors = process.communicate(timeout=60)
        assert process.returncode == 0, errors
    rows = sorted(Archive(archive).scan("motion").collect()["seq"])
    assert sorted(set(range(sent)) - set(rows)) == [], "lost"
    assert len(rows) - len(set(rows)) == 0, "kept twice"
    print(json.dumps({"kills": kills, "sent": sent, "lost": 0, "twice": 0}), output)
