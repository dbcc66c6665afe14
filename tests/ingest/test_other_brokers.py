"""Brokers besides mosquitto: ejabberd, and RabbitMQ, which withholds retained messages from wildcards."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from ingest.archive.reading import Archive
from ingest.broker.broker_check import check_broker
from ingest.broker.mqtt import Login, Publisher
from ingest.broker.setups_asked import MOST_REMEMBERED, SetupsAsked
from ingest.contract.captures import Heard
from ingest.listener import Listener
from ingest.settings import BrokerSettings, Settings
from tests.conftest import free_port, missing

pytestmark = pytest.mark.usefixtures("seals_here")

SET = "underair/v1/demo/set/S-014"
SETUP = (
    b'{"kind":"setup","set_id":"S-014","boot":17,"seq":9000,"time":"2031-05-04T10:00:00Z","cylinders":'
    b'{"count":1,"water_volume_l":6.8,"rated_bar":300}}'
)
GUEST = Login("guest", "guest")
PROGRAM = Path("/usr/lib/rabbitmq/bin/rabbitmq-server")
EJABBERD = next(iter(Path("/usr/lib").glob("*/ejabberd-*/ebin/ejabberd.app")), Path("/nowhere/ejabberd.app"))


@pytest.fixture(scope="module")
def rabbitmq(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A RabbitMQ broker with its MQTT plugin, on free loopback ports."""
    if not PROGRAM.exists():
        missing("RabbitMQ", "apt-get install rabbitmq-server")
    folder = tmp_path_factory.mktemp("rabbitmq")
    mqtt, names, between = free_port(), free_port(), free_port()
    (folder / "rabbit.conf").write_text(
        f"listeners.tcp = none\nmqtt.listeners.tcp.1 = 127.0.0.1:{mqtt}\nmqtt.subscription_ttl = 86400000\n"
        "mqtt.default_user = guest\nmqtt.default_pass = guest\n"
    )
    (folder / "plugins").write_text("[rabbitmq_mqtt].")
    environment = {
        **os.environ,
        "HOME": str(folder),
        "RABBITMQ_NODENAME": f"underair{os.getpid()}@localhost",
        "RABBITMQ_MNESIA_BASE": str(folder / "db"),
        "RABBITMQ_LOG_BASE": str(folder / "log"),
        "RABBITMQ_CONFIG_FILE": str(folder / "rabbit.conf"),
        "RABBITMQ_ENABLED_PLUGINS_FILE": str(folder / "plugins"),
        "RABBITMQ_DIST_PORT": str(between),
        "RABBITMQ_SERVER_ADDITIONAL_ERL_ARGS": "-kernel inet_dist_use_interface {127,0,0,1}",
        "ERL_EPMD_PORT": str(names),
        "ERL_EPMD_ADDRESS": "127.0.0.1",
    }
    with (folder / "out").open("wb") as out:
        broker = subprocess.Popen([PROGRAM], env=environment, stdout=out, stderr=out, start_new_session=True)
    try:
        _wait_for(mqtt, broker, folder / "out")
        yield f"mqtt://127.0.0.1:{mqtt}"
    finally:
        broker.terminate()
        broker.wait(120)
        epmd = shutil.which("epmd")
        assert epmd is not None
        subprocess.run([epmd, "-kill"], env=environment, capture_output=True, check=False)


@pytest.fixture(scope="module")
def ejabberd(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """An ejabberd server with nothing but its MQTT broker, on a free loopback port."""
    erlang = shutil.which("erl")
    if not EJABBERD.exists() or erlang is None:
        missing("ejabberd", "apt-get install ejabberd")
    folder = tmp_path_factory.mktemp("ejabberd")
    port = free_port()
    (folder / "ejabberd.yml").write_text(
        "hosts: [localhost]\nauth_method: [anonymous]\nanonymous_protocol: login_anon\n"
        f"listen:\n  - {{port: {port}, ip: 127.0.0.1, module: mod_mqtt, backlog: 100}}\n"
        "modules:\n  mod_mqtt: {session_expiry: 1 day, max_queue: 100000}\n"
    )
    environment = {
        **os.environ,
        "HOME": str(folder),
        "ERL_LIBS": str(EJABBERD.parents[2]),
        "EJABBERD_CONFIG_PATH": str(folder / "ejabberd.yml"),
        "EJABBERD_LOG_PATH": str(folder / "ejabberd.log"),
    }
    command = [erlang, "-noinput", "-mnesia", "dir", f'"{folder / "db"}"', "-s", "ejabberd"]
    with (folder / "out").open("wb") as out:
        broker = subprocess.Popen(command, env=environment, stdout=out, stderr=out, cwd=folder)
    try:
        _wait_for(port, broker, folder / "out")
        yield f"mqtt://127.0.0.1:{port}"
    finally:
        broker.terminate()
        broker.wait(60)


def _wait_for(port: int, broker: subprocess.Popen[bytes], out: Path) -> None:
    deadline = time.monotonic() + 180
    while True:
        assert broker.poll() is None, out.read_text()
        assert time.monotonic() < deadline, out.read_text()
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
            return
        except OSError:
            time.sleep(0.2)


@pytest.mark.broker
@pytest.mark.parametrize("mqtt5", [False, True], ids=["3.1.1", "5"])
def test_the_check_finds_nothing_wrong_with_ejabberd_in_either_version(ejabberd: str, mqtt5: bool) -> None:
    found = check_broker(ejabberd, messages=200, login=GUEST, mqtt5=mqtt5)
    assert {each.name: each.well for each in found} == {
        "delivery": True,
        "retained": True,
        "retained, by wildcard": True,
        "redelivery": True,
        "session": True,
        "queue": True,
    }


@pytest.mark.broker
@pytest.mark.parametrize("protocol", ["3.1.1", "5"])
def test_a_listener_at_ejabberd_gets_setups_and_what_came_while_it_was_away(
    ejabberd: str,
    protocol: Any,
    tmp_path: Path,
    pressure: Callable[..., Heard],
    wait_until: Callable[..., Any],
) -> None:
    settings = Settings(broker=BrokerSettings(protocol=protocol))
    with Publisher(ejabberd, login=GUEST) as publisher:
        publisher.publish(f"{SET}/setup", SETUP, retain=True)
        publisher.flush()
        seqs = iter(range(6))
        for wanted in (4, 3):
            listener = Listener(ejabberd, tmp_path, settings, login=GUEST, say=lambda _: None)
            listener.start()
            assert listener.subscribed.wait(60)
            if wanted == 4:
                for seq in (next(seqs), next(seqs), next(seqs)):
                    publisher.publish(f"{SET}/pressure", pressure(seq).payload)
                publisher.flush()
            wait_until(
                lambda one=listener, least=wanted: one.health.journalled >= least, what="setup and readings"
            )
            listener.stop()
            if wanted == 4:
                for seq in seqs:
                    publisher.publish(f"{SET}/pressure", pressure(seq).payload)
                publisher.flush()
        publisher.publish(f"{SET}/setup", b"", retain=True)
    messages = Archive(tmp_path).messages()
    assert messages["setup"].height == 1
    assert sorted(messages["pressure"]["seq"]) == list(range(6))


@pytest.mark.broker
def test_the_check_names_a_broker_that_withholds_retained_messages_from_wildcards(rabbitmq: str) -> None:
    """0.3.0 called this broker well."""
    found = {each.name: each for each in check_broker(rabbitmq, messages=200, login=GUEST)}
    assert found["retained"].well
    assert not found["retained, by wildcard"].well
    assert "miss setups" in found["retained, by wildcard"].statement
    assert found["redelivery"].well
    assert found["queue"].well


@pytest.mark.broker
@pytest.mark.parametrize("broker", ["rabbitmq", "mosquitto, shared subscription"])
def test_a_listener_gets_the_setups_that_a_wildcard_does_not(
    broker: str,
    request: pytest.FixtureRequest,
    tmp_path: Path,
    pressure: Callable[..., Heard],
    wait_until: Callable[..., Any],
) -> None:
    if broker == "rabbitmq":
        url, login, settings = request.getfixturevalue("rabbitmq"), GUEST, Settings()
    else:
        url, login = request.getfixturevalue("mosquitto").url, Login()
        settings = Settings(broker=BrokerSettings(protocol="5", shared_group="air"))
    with Publisher(url, login=login) as publisher:
        publisher.publish(f"{SET}/setup", SETUP, retain=True)
        publisher.flush()
        listener = Listener(url, tmp_path, settings, login=login, say=lambda _: None)
        listener.start()
        assert listener.subscribed.wait(60)
        for seq in range(3):
            publisher.publish(f"{SET}/pressure", pressure(seq).payload)
        publisher.flush()
        wait_until(lambda: listener.health.journalled >= 4, what="three readings and the setup")
        publisher.publish(f"{SET}/setup", b"", retain=True)
    listener.stop()
    messages = Archive(tmp_path).messages()
    assert messages["setup"].height == 1
    assert messages["pressure"].height == 3


def test_each_set_is_asked_once_unless_its_setup_came() -> None:
    asked = SetupsAsked()
    assert asked.to_ask([f"{SET}/pressure", f"{SET}/motion"]) == [f"{SET}/setup", f"{SET}/link"]
    assert asked.to_ask([f"{SET}/temperature", f"{SET}/pressure"]) == []
    other = "underair/v1/demo/set/S-2"
    assert asked.to_ask([f"{other}/setup", f"{other}/pressure"]) == []
    assert (
        asked.to_ask(["underair/v1/demo/desk/d/note", "x", "underair/v1/a/set/b/c/pressure", "a/+/#"]) == []
    )
    asked.forget()
    assert asked.to_ask([f"{SET}/pressure"]) == [f"{SET}/setup", f"{SET}/link"]


def test_a_flood_of_invented_topics_is_forgotten() -> None:
    asked = SetupsAsked()
    for number in range(0, 3 * MOST_REMEMBERED, 10_000):
        asked.to_ask(f"underair/v1/demo/set/S-{number + each}/pressure" for each in range(10_000))
    assert len(asked._heard) <= MOST_REMEMBERED + 10_000
