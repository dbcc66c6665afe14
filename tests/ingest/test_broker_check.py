"""`underair check-broker` against good and bad brokers, and listeners that share a subscription."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from ingest.archive.reading import Archive
from ingest.broker.broker_check import check_broker
from ingest.broker.embedded_broker import EmbeddedBroker
from ingest.broker.mqtt import Publisher
from ingest.contract.errors import BrokerProblem
from ingest.keeping_commands import check_broker as check_broker_verb
from ingest.listener import Listener
from ingest.settings import BrokerSettings, Settings
from tests.verbs import underair

WaitUntil = Callable[..., Any]
pytestmark = [pytest.mark.broker, pytest.mark.usefixtures("seals_here")]


def test_broker_that_keeps_everything_is_well(mosquitto: Any) -> None:
    findings = check_broker(mosquitto.url, messages=1500)
    assert [finding.name for finding in findings] == [
        "delivery",
        "retained",
        "retained, by wildcard",
        "redelivery",
        "session",
        "queue",
    ]
    assert all(finding.well for finding in findings), findings
    assert findings[-1].statement == "all 1,500 messages sent meanwhile were kept"
    assert check_broker(mosquitto.url, messages=10)[-1].well, "and again: nothing was left behind"


def test_default_queue_is_found_to_lose_messages(mosquitto: Any) -> None:
    mosquitto.stop()
    mosquitto.start("max_queued_messages 200\nmax_inflight_messages 20\n")
    findings = {finding.name: finding for finding in check_broker(mosquitto.url, messages=500)}
    assert not findings["queue"].well
    assert findings["session"].well
    assert "messages sent meanwhile" in findings["queue"].statement
    assert "raise max_queued_messages" in findings["queue"].statement


def test_built_in_broker_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    with EmbeddedBroker() as broker:
        with monkeypatch.context() as signed_in:
            signed_in.setenv("UNDERAIR_MQTT_USERNAME", broker.username)
            signed_in.setenv("UNDERAIR_MQTT_PASSWORD", broker.password)
            command = ["check-broker", broker.url, "--messages", "50"]
            done, as_json = underair(*command), underair(*command, "--json")
        assert done.returncode == 1, done.stderr
        assert "well: delivery: a message came through" in done.stdout
        assert "LOSS: " in done.stdout
        assert {finding["name"] for finding in json.loads(as_json.stdout)} >= {"delivery", "queue"}
        with pytest.raises(BrokerProblem, match="refuses us"):
            check_broker(broker.url)


def test_user_without_the_right_is_told(mosquitto: Any, tmp_path: Path) -> None:
    (tmp_path / "acl").write_text("topic read underair/v1/#\n")
    mosquitto.stop()
    mosquitto.start(f"acl_file {tmp_path}/acl\n")
    (finding,) = check_broker(mosquitto.url)
    assert not finding.well
    assert "may this user read and write underair/check/#" in finding.statement


def _payload(seq: int) -> bytes:
    return (
        b'{"kind":"motion","set_id":"S-1","boot":1,"seq":%d,"time":"2031-05-04T10:21:07Z","motion_m_s2":1}'
        % seq
    )


def _sharing(url: str, archive: Path, name: str) -> Listener:
    broker = BrokerSettings(protocol="5", shared_group="both")
    return Listener(url, archive, Settings(name=name, broker=broker))


def test_two_listeners_share_the_load_into_one_archive_and_one_may_be_killed(
    mosquitto: Any, tmp_path: Path, wait_until: WaitUntil
) -> None:
    archive = tmp_path / "archive"
    settings = tmp_path / "two.toml"
    settings.write_text('name = "two"\n[broker]\nprotocol = "5"\nshared_group = "both"\n')
    command = [sys.executable, "-m", "dashboard.underair", "listen", "--broker", mosquitto.url]
    command += ["--archive", str(archive), "--config", str(settings)]
    one = _sharing(mosquitto.url, archive, "one")
    one.start()
    assert one.subscribed.wait(60)
    two = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
    assert two.stderr is not None
    assert "receiving" in two.stderr.readline()
    topic = "underair/v1/demo/set/S-1/motion"
    with Publisher(mosquitto.url) as publisher:
        for seq in range(1500):
            publisher.publish(topic, _payload(seq))
            if seq == 700:
                two.kill()
                two.communicate()
        publisher.flush()
        two_again = _sharing(mosquitto.url, archive, "two")
        two_again.start()
        assert two_again.subscribed.wait(60)
    reader = Archive(archive)
    wait_until(lambda: reader.messages()["motion"].height == 1500, what="all messages")
    counts = one.stop() + two_again.stop()
    assert counts.received == counts.kept + counts.duplicates
    assert sorted(reader.messages()["motion"]["seq"]) == list(range(1500))
    names = {path.name.partition("-")[0] for path in archive.rglob("*.parquet")}
    assert names == {"one", "two"}


def test_shared_group_needs_version_5(tmp_path: Path) -> None:
    from ingest.contract.errors import BadSettings
    from ingest.settings import load_settings

    path = tmp_path / "settings.toml"
    path.write_text('[broker]\nshared_group = "both"\n')
    with pytest.raises(BadSettings, match=r'needs broker.protocol = "5"'):
        load_settings(path)


def test_a_broker_that_is_away_is_named() -> None:
    done = CliRunner().invoke(check_broker_verb, ["mqtt://127.0.0.1:1"])
    assert isinstance(done.exception, BrokerProblem)
    assert "127.0.0.1:1" in str(done.exception)


def test_publication_that_failed_is_not_waited_for(mosquitto: Any) -> None:
    with Publisher(mosquitto.url) as publisher:
        with pytest.raises(ValueError, match="wildcard"):
            publisher.publish("underair/v1/+/set/S-1/pressure", b"{}")
        publisher.flush(timeout_s=0.0)  # raises when anything is left
