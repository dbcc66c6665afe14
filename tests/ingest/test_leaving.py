"""A listener that is retired for good receives what waits for it, and takes nothing more of its group."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from dashboard.underair import root
from ingest.archive.reading import Archive
from ingest.broker.mqtt import Publisher
from ingest.contract.captures import Heard
from ingest.contract.errors import ArchiveProblem, BrokerProblem
from ingest.leaving import idle_listeners, leave
from ingest.listener import Listener
from ingest.settings import BrokerSettings, Settings
from ingest.status import Status, encode_status, status_topic
from tests.conftest import free_port

pytestmark = pytest.mark.usefixtures("seals_here")

Pressure = Callable[..., Heard]
WaitUntil = Callable[..., Any]


def shared(name: str) -> Settings:
    return Settings(name=name, broker=BrokerSettings(protocol="5", shared_group="air"))


def started(url: str, archive: Path, settings: Settings) -> Listener:
    listener = Listener(url, archive, settings, say=lambda _: None)
    listener.start()
    assert listener.subscribed.wait(60)
    return listener


@pytest.fixture
def publish(mosquitto: Any, pressure: Pressure) -> Iterator[Callable[[range], None]]:
    with Publisher(mosquitto.url) as publisher:

        def send(seqs: range) -> None:
            for seq in seqs:
                publisher.publish(pressure(seq).topic, pressure(seq).payload)
            publisher.flush()

        yield send


@pytest.mark.broker
def test_what_waits_is_received_and_the_group_gets_all_that_comes_later(
    mosquitto: Any, tmp_path: Path, publish: Callable[[range], None], wait_until: WaitUntil
) -> None:
    """0.3.0: of 1,000 messages 500 were lost to a group when one of its two listeners did not come back."""
    one, two = (started(mosquitto.url, tmp_path, shared(name)) for name in ("one", "two"))
    two.stop()
    publish(range(200))
    counts = leave(mosquitto.url, tmp_path, shared("two"), str, threading.Event(), quiet_s=1.0)
    assert 0 < counts.kept < 200
    publish(range(200, 400))
    wait_until(lambda: one.health.journalled == 400 - counts.kept, what="all that is left")
    one.stop()
    assert Archive(tmp_path).messages()["pressure"]["seq"].sort().to_list() == list(range(400))
    assert not (tmp_path / "journal" / "two" / "session-id").exists()


@pytest.mark.broker
@pytest.mark.parametrize("protocol", ["3.1.1", "5"])
def test_the_session_is_gone_and_the_status_too(
    protocol: Any,
    mosquitto: Any,
    tmp_path: Path,
    publish: Callable[[range], None],
    wait_until: WaitUntil,
) -> None:
    settings = Settings(broker=BrokerSettings(protocol=protocol))
    (tmp_path / "settings.toml").write_text(f'[broker]\nprotocol = "{protocol}"\n')
    archive = tmp_path / "archive"
    started(mosquitto.url, archive, settings).stop()
    publish(range(5))
    command = ["leave", "--broker", mosquitto.url, "--archive", str(archive)]
    command += ["--config", str(tmp_path / "settings.toml")]
    done = CliRunner().invoke(root, [*command, "--json"])
    assert (done.exit_code, json.loads(done.stdout)["kept"]) == (0, 5), done.output
    publish(range(5, 9))
    again = started(mosquitto.url, archive, settings)
    publish(range(9, 10))
    wait_until(lambda: again.health.journalled == 1, what="the one that came afterwards")
    again.stop()
    assert Archive(archive).messages()["pressure"]["seq"].to_list() == [0, 1, 2, 3, 4, 9]
    once_more = CliRunner().invoke(root, ["leave", "--broker", mosquitto.url, "--archive", str(tmp_path)])
    assert "has no listener named 'listener' on this machine" in str(once_more.exception)


def test_nothing_is_given_up_when_the_broker_is_away_or_the_listener_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ingest.leaving.ANSWERS_WITHIN_S", 1.0)
    url = f"mqtt://127.0.0.1:{free_port()}"
    running = Listener(url, tmp_path, Settings(), say=lambda _: None)
    with pytest.raises(ArchiveProblem, match="another listener named 'listener'"):
        leave(url, tmp_path, Settings(), str, threading.Event())
    running.start()
    running.stop()
    before = (tmp_path / "journal" / "listener" / "session-id").read_text()
    with pytest.raises(BrokerProblem, match="does not answer: listener keeps its session; nothing was lost"):
        leave(url, tmp_path, Settings(), str, threading.Event())
    assert (tmp_path / "journal" / "listener" / "session-id").read_text() == before


def test_an_idle_session_is_warned_of(tmp_path: Path) -> None:
    now = datetime(2031, 5, 4, 12, tzinfo=UTC)
    for name, ago in (("one", timedelta(0)), ("two", timedelta(hours=3))):
        folder = tmp_path / "journal" / name
        folder.mkdir(parents=True)
        status = Status(listener=name, state="up", at=now - ago)
        (folder / "status.json").write_bytes(encode_status(status))
    (warning,) = idle_listeners(tmp_path, "one", now)
    assert warning.startswith("listener two last ran at 2031-05-04 09:00 UTC and still has its session")
    assert idle_listeners(tmp_path, "two", now) == []
    assert status_topic("two") == "underair/status/two"
