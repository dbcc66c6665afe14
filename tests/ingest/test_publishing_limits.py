"""Publishing at its limits, without a broker."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
from paho.mqtt.enums import MQTTErrorCode

from ingest.broker.mqtt import ConfirmingPublisher, Connection, Publisher, Unconfirmed
from ingest.contract.errors import BrokerProblem


class Broker:
    """Stands in for paho's client: keeps what is done with it."""

    def __init__(self) -> None:
        self.done: list[Any] = []
        self.rc = MQTTErrorCode.MQTT_ERR_SUCCESS
        self.is_there = self.confirms = True
        self.fails: Exception | None = None

    def publish(self, topic: str, payload: bytes, qos: int, retain: bool) -> Any:
        self.done.append((topic, payload, qos, retain))
        return SimpleNamespace(rc=self.rc, wait_for_publish=self.wait, is_published=lambda: self.confirms)

    def wait(self, seconds: float) -> None:
        self.done.append(seconds)
        if self.fails is not None:
            raise self.fails

    def is_connected(self) -> bool:
        return self.is_there

    def disconnect(self) -> None:
        self.done.append("disconnect")

    def loop_stop(self) -> None:
        self.done.append("stop")


@pytest.fixture
def made(monkeypatch: pytest.MonkeyPatch) -> Callable[[type[Publisher]], tuple[Any, Broker]]:
    monkeypatch.setattr(Connection, "connect", lambda *_: None)

    def make(kind: type[Publisher]) -> tuple[Any, Broker]:
        publisher: Any = kind("mqtt://127.0.0.1:1", window=2)
        publisher._client = Broker()
        return publisher, publisher._client

    return make


def acknowledged(publisher: Any) -> None:
    publisher._on_publish(None, None, 1, None, None)


def test_no_more_is_sent_than_the_window_until_the_broker_acknowledges(made: Any) -> None:
    publisher, broker = made(Publisher)
    publisher.publish("t", b"1")
    publisher.publish("t", b"2", retain=True)
    with pytest.raises(BrokerProblem, match=r"^mqtt://127\.0\.0\.1:1 has acknowledged nothing for 0 s$"):
        publisher.publish("t", b"3", timeout_s=0.0)
    assert broker.done == [("t", b"1", 1, False), ("t", b"2", 1, True)]
    acknowledged(publisher)
    publisher.publish("t", b"3", timeout_s=0.0)
    with pytest.raises(BrokerProblem, match=r"has left 2 messages unacknowledged for 0 s$"):
        publisher.flush(0.0)
    acknowledged(publisher)
    acknowledged(publisher)
    publisher.flush(0.0)


def test_what_could_not_be_sent_is_not_waited_for(made: Any) -> None:
    publisher, broker = made(Publisher)
    broker.rc = MQTTErrorCode.MQTT_ERR_QUEUE_SIZE
    with pytest.raises(BrokerProblem, match="failed: MQTT_ERR_QUEUE_SIZE"):
        publisher.publish("t", b"1")
    publisher.flush(0.0)
    broker.rc = MQTTErrorCode.MQTT_ERR_NO_CONN  # paho keeps it and sends it with the next connection
    publisher.publish("t", b"2")
    with pytest.raises(BrokerProblem, match="has left 1 messages"):
        publisher.close(0.0)
    assert broker.done[-2:] == ["disconnect", "stop"]


@pytest.mark.parametrize(("error", "waited_s"), [(None, 30.0), (ValueError("x"), 1.0)])
def test_leaving_waits_half_a_minute_or_after_an_error_a_second(
    made: Any, monkeypatch: pytest.MonkeyPatch, error: Exception | None, waited_s: float
) -> None:
    publisher, broker = made(Publisher)
    asked: list[float] = []
    monkeypatch.setattr(publisher, "flush", asked.append)
    publisher.__exit__(None if error is None else ValueError, error, None)
    assert (asked, broker.done) == ([waited_s], ["disconnect", "stop"])


def test_a_confirmed_message_is_with_the_broker_and_no_other_is_sent(made: Any) -> None:
    publisher, broker = made(ConfirmingPublisher)
    publisher.publish("t", b"1", timeout_s=7.0)
    publisher.publish("t", b"2", retain=True)
    assert broker.done == [("t", b"1", 1, False), 7.0, ("t", b"2", 1, True), 60.0]
    broker.is_there = False
    with pytest.raises(BrokerProblem, match="nothing was sent"):
        publisher.publish("t", b"3")
    assert len(broker.done) == 4


def test_a_broker_that_hangs_up_on_who_may_not_read_is_not_asked_again(
    made: Any, monkeypatch: pytest.MonkeyPatch, wait_until: Callable[..., Any]
) -> None:
    """Else a desk that may only publish would lose its line each second; it is told that nothing was kept."""
    monkeypatch.setattr("ingest.broker.mqtt.KEPT_COMES_WITHIN_S", 0.0)
    publisher, _ = made(ConfirmingPublisher)
    told: list[dict[str, bytes]] = []
    asked: list[str] = []
    client = SimpleNamespace(subscribe=lambda own, qos: asked.append(own))
    publisher._own, publisher._tell = "own", told.append
    publisher._on_disconnect(client, None, None, None, None)  # before it ever asked
    for reads in (True, False, False):
        publisher._on_connect(client, None, None, SimpleNamespace(is_failure=False), None)
        if reads:
            client.on_subscribe(client)
            client.on_message(client, None, SimpleNamespace(topic="own", payload=b"1"))
        publisher._on_disconnect(client, None, None, None, None)
    wait_until(lambda: len(told) == 3, what="three words on what was kept")
    assert asked == ["own", "own"]
    assert sorted(told, key=len) == [{}, {}, {"own": b"1"}]


@pytest.mark.parametrize(
    ("rc", "confirms", "fails"),
    [
        (MQTTErrorCode.MQTT_ERR_NO_CONN, True, None),
        (MQTTErrorCode.MQTT_ERR_SUCCESS, False, None),
        (MQTTErrorCode.MQTT_ERR_SUCCESS, False, RuntimeError("gone")),
    ],
)
def test_an_unconfirmed_message_is_told_and_the_connection_ends(
    made: Any, rc: MQTTErrorCode, confirms: bool, fails: Exception | None
) -> None:
    publisher, broker = made(ConfirmingPublisher)
    broker.rc, broker.confirms, broker.fails = rc, confirms, fails
    with pytest.raises(Unconfirmed, match="has not confirmed it"):
        publisher.publish("t", b"1")
    assert "disconnect" in broker.done
