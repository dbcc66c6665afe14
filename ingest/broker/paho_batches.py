"""Receiving in batches: paho's client with its read loop and its acknowledgements replaced.

paho reads a packet in three or four system calls and sends each acknowledgement on its own. Here the socket
is read in large pieces, publications are taken apart in place, and the acknowledgements of a batch leave
together. Everything else (connecting, keep-alive, subscriptions, reconnecting) stays paho's.

This touches private names of paho 2.2, and nothing else does: with any other version `batching_client` gives
paho's own client, and a test holds that both behave the same.
"""

import time
from collections.abc import Callable, Sequence
from typing import Any

import paho.mqtt
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MessageType, MQTTErrorCode, MQTTProtocolVersion

from ingest.contract.kinds import KEPT_OF_A_LONG_PAYLOAD_BYTES
from ingest.contract.received import Delivery, Record

READ_BYTES = 262_144
LONG_PACKET_BYTES = (
    262_144  # of a longer one the start is read, with all of its topic, and the rest passed over
)
TRIED_WITH = "2.2."
_PRIVATE_NAMES = (
    "_sock_recv",
    "_loop_rc_handle",
    "_packet_handle",
    "_packet_queue",
    "_msgtime_mutex",
    "_last_bytes_received",
    "_in_packet",
    "_sock",
    "_protocol",
)
_PUBLISH = 0x30
_TWO_OF_QUALITY = 0x04


def is_possible() -> bool:
    """Return whether this paho is the one whose private names are used here."""
    if not paho.mqtt.__version__.startswith(TRIED_WITH):
        return False
    client = Client(CallbackAPIVersion.VERSION2)
    return all(hasattr(client, name) for name in _PRIVATE_NAMES)


class BatchingClient(Client):
    """paho's client that receives in batches.

    Set `take` to what takes each batch of publications, in the network thread, with the bytes of the network
    that hold it; `clock_us` to the time that stamps what is received, microseconds since 1970; and
    `generation` to the number of the connection.
    """

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self.take: Callable[[list[Delivery], int], object] = lambda *_: None
        self.generation = 0
        self.clock_us: Callable[[], int] = lambda: time.time_ns() // 1000
        self._unparsed = b""
        self._long: Delivery | None = None  # a long one whose rest is on its way, and how much of it
        self._to_pass_over = 0

    def acknowledge(self, mids: Sequence[int]) -> None:
        """Acknowledge publications of QoS 1, all in one write."""
        packets = b"".join(b"\x40\x02" + mid.to_bytes(2, "big") for mid in mids)
        self._packet_queue(MessageType.PUBACK, packets, mids[-1], 1)

    def reconnect(self) -> MQTTErrorCode:
        """Reconnect; what was half received belongs to the connection that is gone."""
        self._unparsed = b""
        self._long, self._to_pass_over = None, 0
        return super().reconnect()

    def loop_read(self, max_packets: int = 1) -> MQTTErrorCode:
        """Read what is there and take it apart."""
        if self._sock is None:
            return MQTTErrorCode.MQTT_ERR_NO_CONN
        try:
            data = self._sock_recv(READ_BYTES)
        except BlockingIOError:
            return MQTTErrorCode.MQTT_ERR_SUCCESS
        except OSError:
            return self._loop_rc_handle(MQTTErrorCode.MQTT_ERR_CONN_LOST)
        if not data:
            return self._loop_rc_handle(MQTTErrorCode.MQTT_ERR_CONN_LOST)
        with self._msgtime_mutex:
            self._last_bytes_received = time.monotonic()
        rc = self._take_apart(self._unparsed + data if self._unparsed else data)
        return self._loop_rc_handle(rc) if rc > 0 else rc

    def _take_apart(self, data: bytes) -> MQTTErrorCode:
        received_us = self.clock_us()
        batch: list[Delivery] = []
        at, begun, size = 0, 0, len(data)
        if self._long is not None:
            at = begun = min(size, self._to_pass_over)
            self._to_pass_over -= at
            if self._to_pass_over:
                return MQTTErrorCode.MQTT_ERR_SUCCESS
            batch.append(self._long)
            begun -= len(self._long.record.payload) + len(self._long.record.topic)
            self._long = None
        try:
            while (extent := _extent(data, at)) is not None:  # else the rest is on its way
                start, end = extent
                command = data[at]
                if end > size:
                    if size - start >= LONG_PACKET_BYTES:
                        if command & 0xF0 != _PUBLISH or command & _TWO_OF_QUALITY:
                            raise ValueError("a long packet that is no publication")
                        self._long = self._publication(data, command, start, end, received_us)
                        self._to_pass_over = end - size
                        at = size
                    break
                if command & 0xF0 == _PUBLISH and not command & _TWO_OF_QUALITY:
                    batch.append(self._publication(data, command, start, end, received_us))
                else:
                    self._hand_on(batch, at - begun)
                    batch, begun = [], end
                    rc = self._handle_as_paho(command, data[start:end])
                    if rc > 0 or self._sock is None:
                        return rc
                at = end
        except (IndexError, ValueError):
            self._hand_on(batch, at - begun)
            return MQTTErrorCode.MQTT_ERR_PROTOCOL
        self._unparsed = data[at:]
        self._hand_on(batch, at - begun)
        return MQTTErrorCode.MQTT_ERR_SUCCESS

    def _hand_on(self, batch: list[Delivery], size: int) -> None:
        if batch:
            self.take(batch, size)

    def _publication(self, data: bytes, command: int, start: int, end: int, received_us: int) -> Delivery:
        body = start + 2 + (data[start] << 8 | data[start + 1])
        name = data[start + 2 : body]
        try:
            topic = name.decode()
        except UnicodeDecodeError as error:
            topic = f"unreadable topic ({error})"  # kept, and refused later, as without batches
        mid = 0
        if command & 0x06:
            mid = data[body] << 8 | data[body + 1]
            body += 2
        if self._protocol == MQTTProtocolVersion.MQTTv5:
            properties = _extent(data, body - 1)  # their length is coded as a packet's
            body = end + 1 if properties is None else properties[1]
        if body > end:
            raise ValueError("a publication longer than its packet")
        retained, qos = bool(command & 1), command >> 1 & 3
        if end - body <= KEPT_OF_A_LONG_PAYLOAD_BYTES:
            record = Record(received_us, topic, data[body:end], retained)
        else:
            kept = data[body : body + KEPT_OF_A_LONG_PAYLOAD_BYTES]
            record = Record(received_us, topic, kept, retained, end - body)
        return Delivery(record, mid, qos, self.generation)

    def _handle_as_paho(self, command: int, body: bytes) -> MQTTErrorCode:
        # What paho reads of a whole packet; the rest is for reading one, which `loop_read` does here.
        whole: Any = {"command": command, "remaining_length": len(body), "packet": bytearray(body)}
        self._in_packet = whole
        return self._packet_handle()


def _extent(data: bytes, at: int) -> tuple[int, int] | None:
    """Return where the body of the packet at `at` begins and ends, None when its length is not yet there."""
    length = shift = 0
    position = at + 1
    while True:
        if position >= len(data):
            return None
        byte = data[position]
        position += 1
        length |= (byte & 127) << shift
        if byte < 128:
            return position, position + length
        shift += 7
        if shift > 21:
            raise ValueError("a length of more than four bytes")
