"""What the listener makes of its client's calls, without a broker: readiness, losses, status."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from ingest import listener as listener_module
from ingest.archive.folder import Counts
from ingest.archive.writing import Health
from ingest.contract.kinds import KEPT_OF_A_LONG_PAYLOAD_BYTES
from ingest.contract.received import Delivery, Record
from ingest.listener import Listener
from ingest.rates import LONGEST_TOPIC
from ingest.settings import BrokerSettings, MergeSettings, Settings
from ingest.status import FULL_DISK_BYTES, LOW_DISK_BYTES

TOPIC = "underair/v1/trial/set/S-1/pressure"
FAILS, WORKS = SimpleNamespace(is_failure=True), SimpleNamespace(is_failure=False)


class FakeClient:
    """Keeps what it is asked."""

    def __init__(self) -> None:
        self.subscribed: list[Any] = []
        self.unsubscribed: list[Any] = []
        self.acknowledged: list[Any] = []

    def subscribe(self, topics: Any) -> tuple[int, int]:
        self.subscribed.append(topics)
        return 0, 7

    def unsubscribe(self, topics: Any) -> None:
        self.unsubscribed.append(topics)

    def ack(self, mid: int, qos: int) -> None:
        self.acknowledged.append((mid, qos))


class FakeWriting:
    """Keeps what it is given."""

    def __init__(self) -> None:
        self.health, self.alive = Health(), True
        self.batches: list[tuple[list[Any], int]] = []

    def put(self, batch: list[Any], size: int) -> None:
        self.batches.append((batch, size))

    def take_delay(self) -> float:
        return 12.3456


@pytest.fixture
def said() -> list[str]:
    return []


@pytest.fixture
def made(tmp_path: Path, said: list[str]) -> Iterator[Callable[..., Any]]:
    found: list[Listener] = []

    def make(**options: Any) -> Any:
        made: Any = Listener("mqtt://127.0.0.1:9", tmp_path / "archive", say=said.append, **options)
        found.append(made)
        made._writing, made._client = FakeWriting(), FakeClient()
        return made

    yield make
    for one in found:
        one._lock_file.close()


def connect(listener: Any, *, session: bool = False) -> None:
    listener._on_connect(listener._client, None, SimpleNamespace(session_present=session), WORKS, None)


def test_it_is_ready_once_it_is_subscribed_and_can_keep_what_comes(
    made: Callable[..., Any], said: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    free = [LOW_DISK_BYTES]
    monkeypatch.setattr(listener_module, "free_bytes", lambda _: free[0])
    listener = made()
    assert listener.why_not_ready() == "not connected to mqtt://127.0.0.1:9"
    connect(listener)
    assert listener.why_not_ready() == "connected to mqtt://127.0.0.1:9, not yet subscribed"
    listener._on_subscribe(listener._client, None, 8, [WORKS], None)  # a set's own topics
    assert not listener.subscribed.is_set()
    listener._on_subscribe(listener._client, None, 7, [WORKS], None)
    assert listener.why_not_ready() == ""
    assert said == [f"receiving from mqtt://127.0.0.1:9 into {listener.archive}"]
    free[0] = FULL_DISK_BYTES
    assert listener.why_not_ready() == ""
    free[0] = FULL_DISK_BYTES - 1
    assert listener.why_not_ready() == "the archive's disk is full"
    free[0] = LOW_DISK_BYTES
    listener._writing.health = Health(sealing_trouble="it cannot be sealed")
    assert listener.why_not_ready() == "it cannot be sealed"
    listener._writing.health = Health(trouble="it cannot be written", sealing_trouble="it cannot be sealed")
    assert listener.why_not_ready() == "it cannot be written"
    assert listener.why_not_alive() == ""
    listener._writing.alive = False
    assert "restart the listener" in listener.why_not_alive()


def test_a_refused_subscription_ends_the_first_start_only(made: Callable[..., Any], said: list[str]) -> None:
    listener = made()
    connect(listener)
    listener._on_subscribe(listener._client, None, 7, [FAILS], None)
    assert listener.refusal == "mqtt://127.0.0.1:9 does not let us subscribe to underair/v1/#"
    assert said == [listener.refusal]
    listener.refusal = ""
    listener.subscribed.set()
    listener._on_subscribe(listener._client, None, 7, [FAILS], None)
    assert (listener.refusal, said) == ("", said[:1])  # the same sentence is said once


def test_a_session_that_the_broker_forgot_is_a_possible_loss(
    made: Callable[..., Any], said: list[str]
) -> None:
    listener = made()
    connect(listener)  # the first of all: there was none
    assert listener._status().possible_loss == ""
    connect(listener, session=True)
    assert listener._status().possible_loss == ""
    connect(listener)
    assert "the broker did not keep our session" in listener._status().possible_loss
    assert "journal/listener/" in said[-1]
    assert listener._client.subscribed == [[("underair/v1/#", 1)]] * 3


def test_a_session_taken_over_is_a_possible_loss_and_no_lost_connection(
    made: Callable[..., Any], said: list[str]
) -> None:
    listener = made()
    connect(listener)
    listener._on_disconnect(listener._client, None, None, SimpleNamespace(value=0x8E), None)
    assert not listener._connected
    assert len(said) == 1
    assert "took over our session" in listener._status().possible_loss
    connect(listener, session=True)
    listener._on_disconnect(listener._client, None, None, "Keep alive timeout", None)
    assert said[1:] == ["the connection to mqtt://127.0.0.1:9 was lost (Keep alive timeout); trying again"]
    listener._on_disconnect(listener._client, None, None, "Refused", None)  # it was not connected
    connect(listener, session=True)
    listener._leaving = True
    listener._on_disconnect(listener._client, None, None, "Normal", None)
    assert len(said) == 3
    assert "Refused" in said[2]


def test_who_stops_has_lost_no_connection(made: Callable[..., Any], said: list[str]) -> None:
    listener = made(settings=Settings(merge=MergeSettings(finished_days=False)))
    connect(listener)
    nothing = SimpleNamespace(stop=lambda: None, disconnect=lambda: None, loop_stop=lambda: None)
    listener._teller, listener._status_client = nothing, nothing
    listener._writing = SimpleNamespace(drain=lambda: None, finish=lambda: Counts(1, 1))
    client = listener._client
    client.disconnect = lambda: listener._on_disconnect(client, None, None, "Normal disconnection", None)
    client.loop_stop = lambda: None
    assert listener.stop() == Counts(1, 1)
    assert (listener._connected, said) == (False, [])


def test_a_listener_that_retires_subscribes_to_nothing(made: Callable[..., Any]) -> None:
    listener = made(retiring=True)
    connect(listener)
    listener._on_message(None, None, SimpleNamespace(topic=TOPIC, retain=False, payload=b"{}", mid=1, qos=1))
    assert (listener._client.subscribed, listener._client.unsubscribed) == ([], [["underair/v1/#"]])


def test_only_messages_of_the_present_connection_are_acknowledged(made: Callable[..., Any]) -> None:
    listener = made()
    connect(listener)
    batch = [SimpleNamespace(record=None, mid=mid, qos=qos) for mid, qos in ((1, 1), (2, 0), (3, 1))]
    told = [(one.record, one.mid, one.qos, 1) for one in batch]
    listener._acknowledge(told)
    assert listener._client.acknowledged == [(1, 1), (3, 1)]
    connect(listener, session=True)
    listener._acknowledge(told)
    listener._acknowledge([(None, 4, 1, 2)])
    listener._connected = False
    listener._acknowledge([(None, 5, 1, 2)])
    assert listener._client.acknowledged == [(1, 1), (3, 1), (4, 1)]


def test_messages_of_quality_0_may_be_lost_and_that_is_said(
    made: Callable[..., Any], said: list[str]
) -> None:
    listener = made()
    connect(listener)

    def take(qos: int, retained: bool, topic: str = TOPIC) -> None:
        listener._take([Delivery(Record(5, topic, b"{}", retained), 1, qos, 1)], 2)

    take(1, False)
    take(0, True)  # a retained message has no other quality by right of its publisher
    assert listener._status().possible_loss == ""
    take(0, False)
    take(0, False)
    assert [sentence for sentence in said if "QoS 0" in sentence] == [listener._status().possible_loss]


def test_of_a_long_payload_the_start_and_its_length_are_kept(made: Callable[..., Any]) -> None:
    listener = made()
    for size in (KEPT_OF_A_LONG_PAYLOAD_BYTES, KEPT_OF_A_LONG_PAYLOAD_BYTES + 1):
        message = SimpleNamespace(topic=TOPIC, retain=True, payload=b"x" * size, mid=3, qos=1)
        listener._on_message(None, None, message)
    (first, first_size), (second, second_size) = listener._writing.batches
    assert first_size == second_size == KEPT_OF_A_LONG_PAYLOAD_BYTES + len(TOPIC)
    assert (first[0].record.whole_bytes, second[0].record.whole_bytes) == (0, first_size - len(TOPIC) + 1)
    assert (first[0].mid, first[0].qos, first[0].record.retained) == (3, 1, True)
    now_us = datetime.now(UTC).timestamp() * 1e6
    assert now_us - 60e6 < first[0].record.received_us <= now_us


def test_a_topic_that_cannot_be_read_is_kept_to_be_refused(made: Callable[..., Any]) -> None:
    class Unreadable:
        retain, payload, mid, qos = True, b"{}", 3, 1

        @property
        def topic(self) -> str:
            raise UnicodeDecodeError("utf-8", b"\xff", 0, 1, "invalid start byte")

    listener = made()
    listener._on_message(None, None, Unreadable())
    (((one,), _),) = listener._writing.batches
    assert one.record.topic.startswith("unreadable topic (")
    assert not one.record.retained


def test_topics_beyond_the_contract_are_counted_without_their_text(
    made: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    listener, counted = made(), []
    monkeypatch.setattr(listener._rates, "count", counted.append)
    for length in (LONGEST_TOPIC, LONGEST_TOPIC + 1):
        listener._take([Delivery(Record(5, "x" * length, b"{}", False), 1, 1, 1)], 2)
    assert counted == [["x" * LONGEST_TOPIC], [""]]


def test_the_status_says_how_much_came_and_what_became_of_it(
    made: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    listener, now = made(), [1000.0]
    assert listener._status().received_per_s == 0.0
    monkeypatch.setattr(listener_module, "time", SimpleNamespace(monotonic=lambda: now[0]))
    monkeypatch.setattr(listener_module, "free_bytes", lambda _: LOW_DISK_BYTES)
    listener._told = (1000.0, 0)
    now[0] = 1004.0
    listener._writing.health = Health(journalled=502, queued=3, sealed=Counts(500, 400, 90, 10))
    status = listener._status()
    assert (status.received, status.received_per_s, status.delay_ms, status.queued) == (502, 125.5, 12.35, 3)
    assert (status.kept, status.duplicates, status.refused) == (400, 90, 10)
    assert (status.trouble, status.cannot_keep, status.connected) == ("", "", False)
    now[0] = 1007.0
    listener._writing.health = Health(journalled=503, trouble="full", sealing_trouble="later")
    again = listener._status()
    assert (again.received_per_s, again.trouble, again.cannot_keep) == (0.3, "full", "full")
    listener._writing.health = Health(journalled=504, sealing_trouble="later")
    assert listener._status().received_per_s == 1000.0  # in no time
    assert (listener._status().trouble, listener._status().cannot_keep) == ("later", "")
    monkeypatch.setattr(listener_module, "free_bytes", lambda _: LOW_DISK_BYTES - 1)
    listener._writing.health = Health()
    assert listener._status().trouble == "only 1,000 MB are free on the archive's disk"
    connected, *others = listener._what_matters()
    assert (connected, others) == (False, [False, "", True, False, "", 0])
    moment = datetime(2031, 5, 4, tzinfo=UTC)
    listener._clock = SimpleNamespace(look=lambda: None, now=lambda: moment, set_us=12_345_678)
    assert (listener._status().at, listener._status().clock_set_s) == (moment, 12.3)
    assert listener._what_matters()[-1] == 12


def test_a_shared_group_is_asked_for_by_its_name(made: Callable[..., Any]) -> None:
    listener = made(settings=Settings(broker=BrokerSettings(protocol="5", shared_group="desks")))
    connect(listener)
    assert listener._client.subscribed == [[("$share/desks/underair/v1/#", 1)]]
