"""The order of system calls: written, synced, only then acknowledged; sealed, synced, only then deleted."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from ingest.broker.mqtt import Publisher
from tests.conftest import missing

WaitUntil = Callable[..., Any]
pytestmark = pytest.mark.broker
TOPIC = "underair/v1/demo/set/S-1/motion"
TRACED = "openat,write,sendto,fdatasync,fsync,rename,renameat,renameat2,unlink,unlinkat"
_CALL = re.compile(r"^(?P<pid>\d+) +(?P<name>\w+)\((?P<rest>.*)$")
PUBACK = r'"@\2'


class Call(NamedTuple):
    name: str
    rest: str


def _calls(trace: Path) -> list[Call]:
    """Calls in the order in which they ended."""
    found, begun = [], {}
    for line in trace.read_text(errors="replace").splitlines():
        resumed = re.match(r"^(\d+) +<\.\.\. (\w+) resumed>(.*)$", line)
        if resumed:
            found.append(Call(resumed[2], begun.pop(resumed[1], "") + resumed[3]))
            continue
        call = _CALL.match(line)
        if call is None:
            continue
        if call["rest"].endswith("<unfinished ...>"):
            begun[call["pid"]] = call["rest"].removesuffix("<unfinished ...>")
        else:
            found.append(Call(call["name"], call["rest"]))
    return found


def _at(calls: list[Call], name: str, *parts: str, behind: int = -1) -> int:
    for number, call in enumerate(calls):
        if number > behind and call.name.startswith(name) and all(part in call.rest for part in parts):
            return number
    raise AssertionError(f"no {name} of {parts} behind call {behind}")


def _payload(seq: int) -> bytes:
    return (
        b'{"kind":"motion","set_id":"S-1","boot":1,"seq":%d,"time":"2031-05-04T10:21:07Z","motion_m_s2":1}'
        % seq
    )


def test_acknowledged_behind_its_sync_and_deleted_behind_its_parts(
    mosquitto: Any, tmp_path: Path, wait_until: WaitUntil
) -> None:
    if shutil.which("strace") is None:
        missing("strace", "apt-get install strace")
    trace, log, archive = tmp_path / "trace", tmp_path / "log", tmp_path / "archive"
    listening = [sys.executable, "-m", "dashboard.underair", "listen", "--broker", mosquitto.url]
    strace = ["strace", "-f", "-y", "-s", "200", "-e", f"trace={TRACED}", "-o", str(trace)]
    with (
        log.open("wb") as errors,
        subprocess.Popen(
            [*strace, *listening, "--archive", str(archive)], stderr=errors, start_new_session=True
        ) as traced,
    ):
        wait_until(lambda: b"receiving from" in log.read_bytes(), what="the listener")
        listener = int(Path(f"/proc/{traced.pid}/task/{traced.pid}/children").read_text().split()[0])
        with Publisher(mosquitto.url) as publisher:
            for seq in range(8):
                publisher.publish(TOPIC, _payload(seq))
                # One by one: each in a batch of its own.
                wait_until(lambda seq=seq: trace.read_text(errors="replace").count(PUBACK) > seq)
        os.kill(listener, signal.SIGTERM)
        assert traced.wait(120) == 0, log.read_text()
    calls = _calls(trace)

    # Received: each acknowledgement is behind a sync, and that behind the write of all that it acknowledges.
    written = synced = acknowledged = 0
    for call in calls:
        if call.name == "write" and ".journal>" in call.rest:
            written += 1
        elif call.name == "fdatasync" and ".journal>" in call.rest:
            assert call.rest.endswith("= 0")
            synced = written
        elif PUBACK in call.rest and call.rest.partition(",")[0].count("<socket:"):
            acknowledged += 1
            assert synced == written, "acknowledged before the sync"
            assert acknowledged <= written
    assert acknowledged == 8
    created = _at(calls, "openat", ".journal", "O_CREAT")
    name_synced = _at(calls, "fsync", "/journal/listener>", behind=created)
    assert created < name_synced < _at(calls, "fdatasync", ".journal>")

    # Sealed: the part is synced, has its line in the manifest, gets its name, and the name is synced; then
    # the segment goes.
    part_synced = _at(calls, "fsync", "/motion/date=", ".parquet.tmp")
    in_manifest = _at(calls, "fsync", "/manifest/listener.ndjson", behind=part_synced)
    renamed = _at(calls, "rename", "/motion/date=", behind=in_manifest)
    name_synced = _at(calls, "fsync", "/motion/date=", behind=renamed)
    deleted = _at(calls, "unlink", ".journal", behind=name_synced)
    assert _at(calls, "unlink", ".journal") == deleted
