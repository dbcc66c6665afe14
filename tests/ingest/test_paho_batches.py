"""Taking publications apart in batches gives what paho gives, however the network cuts the stream."""

from __future__ import annotations

import itertools
import socket
import struct
import time
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MessageType, MQTTErrorCode, MQTTProtocolVersion

from ingest.broker import paho_batches
from ingest.broker.mqtt import new_client
from ingest.broker.paho_batches import LONG_PACKET_BYTES, BatchingClient
from ingest.contract.kinds import KEPT_OF_A_LONG_PAYLOAD_BYTES
from ingest.contract.received import Delivery, Record

Sent = tuple[bytes, bytes, int, int, bool]  # topic, payload, packet id, QoS, retained


def _length(size: int) -> bytes:
    coded = bytearray()
    while True:
        size, digit = divmod(size, 128)
        coded.append(digit | (0x80 if size else 0))
        if not size:
            return bytes(coded)


def _packet(sent: Sent, mqtt5: bool, properties: bytes = b"") -> bytes:
    topic, payload, mid, quality, retained = sent
    body = struct.pack("!H", len(topic)) + topic
    body += struct.pack("!H", mid) if quality else b""
    body += _length(len(properties)) + properties if mqtt5 else b""
    body += payload
    return bytes([0x30 | quality << 1 | retained]) + _length(len(body)) + body


_sent = st.tuples(
    st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0+#"), min_size=1, max_size=20).map(
        str.encode
    ),
    st.binary(max_size=300),
    st.integers(1, 65535),
    st.sampled_from([0, 1]),
    st.booleans(),
)


def _client(kind: type[Client], mqtt5: bool) -> Any:
    protocol = MQTTProtocolVersion.MQTTv5 if mqtt5 else MQTTProtocolVersion.MQTTv311
    return kind(CallbackAPIVersion.VERSION2, "c", manual_ack=True, protocol=protocol)


def _by_batches(stream: bytes, cuts: list[int], mqtt5: bool) -> list[tuple[str, bytes, int, int, bool]]:
    client = _client(BatchingClient, mqtt5)
    got: list[Delivery] = []
    client.take = lambda batch, _: got.extend(batch)
    positions = sorted({0, len(stream), *(cut % (len(stream) + 1) for cut in cuts)})
    for start, end in itertools.pairwise(positions):
        rest = client._unparsed
        assert client._take_apart(rest + stream[start:end]) == MQTTErrorCode.MQTT_ERR_SUCCESS
    assert client._unparsed == b""
    return [
        (each.record.topic, each.record.payload, each.mid, each.qos, each.record.retained) for each in got
    ]


def _by_paho(stream: bytes, mqtt5: bool) -> list[tuple[str, bytes, int, int, bool]]:
    client = _client(Client, mqtt5)
    got: list[MQTTMessage] = []
    client.on_message = lambda _client, _data, message: got.append(message)
    ours, theirs = socket.socketpair()
    with ours, theirs:
        theirs.sendall(stream)
        theirs.shutdown(socket.SHUT_WR)
        ours.setblocking(False)
        client._sock = ours
        while client._packet_read() == MQTTErrorCode.MQTT_ERR_SUCCESS:
            pass
        client._sock = None
    return [(each.topic, bytes(each.payload), each.mid, each.qos, each.retain) for each in got]


@given(sent=st.lists(_sent, max_size=6), cuts=st.lists(st.integers(0, 5000), max_size=6), mqtt5=st.booleans())
def test_batches_are_what_paho_gives_however_the_stream_is_cut(
    sent: list[Sent], cuts: list[int], mqtt5: bool
) -> None:
    stream = b"".join(_packet(each, mqtt5) for each in sent)
    got = _by_batches(stream, cuts, mqtt5)
    assert got == _by_paho(stream, mqtt5)
    assert [(topic.encode(), payload) for topic, payload, *_ in got] == [each[:2] for each in sent]


def test_a_publication_has_the_moment_of_this_machines_clock() -> None:
    client = _client(BatchingClient, False)
    got: list[Record] = []
    client.take = lambda batch, _: got.extend(each.record for each in batch)
    before_us = time.time_ns() // 1000
    client._take_apart(_packet((b"t", b"{}", 7, 1, False), False))
    assert before_us <= got[0].received_us <= time.time_ns() // 1000


def test_properties_of_version_5_are_stepped_over() -> None:
    content_type = b"\x03" + struct.pack("!H", 16) + b"application/json"
    user = b"\x26" + struct.pack("!H", 100) + b"k" * 100 + struct.pack("!H", 100) + b"v" * 100
    stream = _packet((b"t", b"{}", 7, 1, False), True, content_type + user)
    assert _by_batches(stream, [], True) == [("t", b"{}", 7, 1, False)] == _by_paho(stream, True)


def test_topic_that_is_no_text_is_kept_to_be_refused() -> None:
    ((topic, payload, *_),) = _by_batches(_packet((b"\xff", b"{}", 7, 1, False), False), [], False)
    assert topic.startswith("unreadable topic")
    assert payload == b"{}"


@pytest.mark.parametrize(
    "stream",
    [
        b"\x32\xff\xff\xff\xff\x01",  # a length of five bytes
        b"\x32\x03\x00\x09t",  # a topic longer than its packet
        b"\x32\x03\x00\x01t",  # QoS 1 without a packet id
    ],
)
def test_malformed_packet_ends_the_connection(stream: bytes) -> None:
    client = _client(BatchingClient, False)
    client.take = lambda batch, size: None
    assert client._take_apart(stream) == MQTTErrorCode.MQTT_ERR_PROTOCOL


@given(stream=st.binary(max_size=200), mqtt5=st.booleans())
def test_any_bytes_end_the_connection_at_worst(stream: bytes, mqtt5: bool) -> None:
    client = _client(BatchingClient, mqtt5)
    client.take = lambda batch, size: None
    client._handle_as_paho = lambda command, body: MQTTErrorCode.MQTT_ERR_SUCCESS
    assert client._take_apart(stream) in (MQTTErrorCode.MQTT_ERR_SUCCESS, MQTTErrorCode.MQTT_ERR_PROTOCOL)


def test_acknowledgements_leave_together_in_order() -> None:
    client = _client(BatchingClient, False)
    queued: list[Any] = []
    client._packet_queue = lambda *arguments: queued.append(arguments)
    client.acknowledge([1, 258])
    assert queued == [(MessageType.PUBACK, b"\x40\x02\x00\x01\x40\x02\x01\x02", 258, 1)]


@pytest.fixture
def other_paho(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(paho_batches.paho.mqtt, "__version__", "2.3.0")


@pytest.mark.usefixtures("other_paho")
def test_another_paho_gets_its_own_client() -> None:
    assert not paho_batches.is_possible()
    assert type(new_client("c", batching=True)) is Client


def test_this_paho_is_the_one_it_was_written_for() -> None:
    assert paho_batches.is_possible()
    assert type(new_client("c", batching=True)) is BatchingClient


@given(
    size=st.integers(200_000, 600_000),
    before=st.lists(_sent, max_size=2),
    after=st.lists(_sent, max_size=2),
    cuts=st.lists(st.integers(0, 700_000), max_size=6),
    mqtt5=st.booleans(),
)
def test_of_a_long_payload_the_start_is_kept_and_what_follows_is_whole(
    size: int, before: list[Sent], after: list[Sent], cuts: list[int], mqtt5: bool
) -> None:
    payload = b"0123456789" * (size // 10)
    packets = [*before, (b"t", payload, 7, 1, False), *after]
    got = _by_batches(b"".join(_packet(each, mqtt5) for each in packets), cuts, mqtt5)
    kept = (b"t", payload[:KEPT_OF_A_LONG_PAYLOAD_BYTES], 7, 1, False)
    assert [(topic.encode(), *rest) for topic, *rest in got] == [
        (topic, held, mid if quality else 0, quality, retained)
        for topic, held, mid, quality, retained in [*before, kept, *after]
    ]


def test_long_payload_is_handed_on_with_its_length_and_only_when_all_of_it_came() -> None:
    client = _client(BatchingClient, False)
    got: list[Record] = []
    sizes: list[int] = []

    def take(batch: list[Delivery], size: int) -> None:
        got.extend(each.record for each in batch)
        sizes.append(size)

    client.take = take
    packet = _packet((b"t", b"x" * 8_000_000, 7, 1, False), False)
    step = 200_000
    for at in range(0, len(packet), step):
        assert got == []
        client._take_apart(client._unparsed + packet[at : at + step])
        assert len(client._unparsed) <= LONG_PACKET_BYTES + step
    assert [each.whole_bytes for each in got] == [8_000_000]
    assert sizes[0] >= KEPT_OF_A_LONG_PAYLOAD_BYTES


def test_what_was_half_received_is_forgotten_with_its_connection(monkeypatch: pytest.MonkeyPatch) -> None:
    client = _client(BatchingClient, False)
    got: list[Record] = []
    client.take = lambda batch, _: got.extend(each.record for each in batch)
    packet = _packet((b"t", b"x" * 600_000, 7, 1, False), False)
    client._take_apart(packet[:400_000])
    monkeypatch.setattr(Client, "reconnect", lambda self: MQTTErrorCode.MQTT_ERR_SUCCESS)
    client.reconnect()
    client._take_apart(_packet((b"t", b"{}", 8, 1, False), False))
    assert [each.payload for each in got] == [b"{}"]


def test_the_bytes_of_a_batch_are_those_of_its_packets_and_of_no_other() -> None:
    """How much may wait for the disk is bounded by them."""
    client = _client(BatchingClient, False)
    batches: list[tuple[int, int]] = []
    client.take = lambda batch, size: batches.append((len(batch), size))
    client._handle_as_paho = lambda command, body: MQTTErrorCode.MQTT_ERR_SUCCESS
    client._sock = object()
    one, two = (_packet((b"t", b"x" * size, 7, 1, False), False) for size in (10, 300))
    pong = b"\xd0\x00"
    client._take_apart(one + two + pong + two + pong + one[:5])
    client._take_apart(client._unparsed + one[5:])
    assert batches == [(2, len(one) + len(two)), (1, len(two)), (1, len(one))]
    batches.clear()
    long = _packet((b"topic", b"x" * 600_000, 7, 1, False), False)
    client._take_apart(long[:400_000])
    client._take_apart(client._unparsed + long[400_000:] + one)
    assert batches == [(2, KEPT_OF_A_LONG_PAYLOAD_BYTES + len(b"topic") + len(one))]
    client._sock = None


def test_a_long_packet_that_is_no_publication_ends_the_connection() -> None:
    client = _client(BatchingClient, False)
    client.take = lambda batch, size: None
    long = bytes([0x90]) + _length(600_000) + b"x" * 400_000
    assert client._take_apart(long) == MQTTErrorCode.MQTT_ERR_PROTOCOL


def test_a_connection_that_paho_ends_stops_the_batch() -> None:
    client = _client(BatchingClient, False)
    got: list[Record] = []
    client.take = lambda batch, _: got.extend(each.record for each in batch)
    client._sock = object()
    answers = [MQTTErrorCode.MQTT_ERR_SUCCESS, MQTTErrorCode.MQTT_ERR_PROTOCOL]
    client._handle_as_paho = lambda command, body: answers.pop(0)
    one, pong = _packet((b"t", b"{}", 7, 1, False), False), b"\xd0\x00"
    assert client._take_apart(one + pong + one + pong + one) == MQTTErrorCode.MQTT_ERR_PROTOCOL
    assert len(got) == 2
    client._sock = None
