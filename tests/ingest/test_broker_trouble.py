"""Brokers that answer wrongly, late or not at all: what is said, and that nobody waits for ever."""

from __future__ import annotations

import contextlib
import socket
import ssl
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import trustme
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from ingest.broker import broker_check, mqtt
from ingest.broker.mqtt import Publisher, connection_sentence, parse_broker_url, refusal_sentence
from ingest.contract.errors import BrokerProblem
from ingest.listener import Listener

pytestmark = pytest.mark.usefixtures("seals_here")

CONNECT, PUBLISH, SUBSCRIBE, PING = 1, 3, 8, 12
WELCOME = b"\x20\x02\x00\x00"


class Broker:
    """Speaks MQTT 3.1.1 as far as it is told to: what it does not answer, it takes and says nothing."""

    def __init__(self, answers: dict[int, Callable[[bytes], bytes]]) -> None:
        self._answers = answers
        self._listening = socket.create_server(("127.0.0.1", 0))
        self._open: list[socket.socket] = []
        self.url = f"mqtt://127.0.0.1:{self._listening.getsockname()[1]}"
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                line, _ = self._listening.accept()
                self._open.append(line)
                threading.Thread(target=self._serve, args=(line,), daemon=True).start()

    def _serve(self, line: socket.socket) -> None:
        with contextlib.suppress(OSError, IndexError), line, line.makefile("rb") as stream:
            while True:
                kind = stream.read(1)[0] >> 4
                length = shift = 0
                while True:
                    byte = stream.read(1)[0]
                    length |= (byte & 127) << shift
                    shift += 7
                    if byte < 128:
                        break
                body = stream.read(length)
                if kind in self._answers:
                    line.sendall(self._answers[kind](body))

    def close(self) -> None:
        # Shut down first: an `accept` that waits goes on waiting when its socket is only closed.
        for one in (self._listening, *self._open):
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()


@contextlib.contextmanager
def broker_that_answers(answers: dict[int, Callable[[bytes], bytes]]) -> Iterator[str]:
    broker = Broker(answers)
    try:
        yield broker.url
    finally:
        broker.close()


def no_subscription(body: bytes) -> bytes:
    return b"\x90\x03" + body[:2] + b"\x80"


def acknowledged(body: bytes) -> bytes:
    topic_bytes = int.from_bytes(body[:2], "big")
    return b"\x40\x02" + body[2 + topic_bytes : 4 + topic_bytes]


def test_what_takes_the_connection_and_says_nothing_is_no_broker(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mqtt, "CONNECT_TIMEOUT_S", 0.2)
    with (
        broker_that_answers({}) as url,
        pytest.raises(BrokerProblem, match=f"^{url} accepts connections but does not speak MQTT$"),
    ):
        Publisher(url)


def test_a_broker_that_acknowledges_nothing_is_said_and_nobody_waits_for_ever() -> None:
    with broker_that_answers({CONNECT: lambda _: WELCOME}) as url:
        publisher = Publisher(url, window=2)
        for _ in range(2):
            publisher.publish("underair/v1/demo/set/S-1/motion", b"{}")
        with pytest.raises(BrokerProblem, match=f"^{url} has acknowledged nothing for 0 s$"):
            publisher.publish("underair/v1/demo/set/S-1/motion", b"{}", timeout_s=0.05)
        with pytest.raises(BrokerProblem, match=f"^{url} has left 2 messages unacknowledged for 0 s$"):
            publisher.flush(0.05)
        with pytest.raises(BrokerProblem, match="has left 2 messages unacknowledged"):
            publisher.close(0.05)


def test_a_subscription_that_is_refused_ends_the_listener_with_a_sentence(tmp_path: Path) -> None:
    """It would run for ever and hear nothing."""
    said: list[str] = []
    with broker_that_answers({CONNECT: lambda _: WELCOME, SUBSCRIBE: no_subscription}) as url:
        listener = Listener(url, tmp_path, say=said.append)
        with pytest.raises(BrokerProblem, match=f"^{url} does not let us subscribe to underair/v1/#$"):
            listener.run(threading.Event())
    assert not listener.subscribed.is_set()


def test_check_broker_says_that_it_may_not_subscribe() -> None:
    answers = {CONNECT: lambda _: WELCOME, SUBSCRIBE: no_subscription, PUBLISH: acknowledged}
    with (
        broker_that_answers(answers) as url,
        pytest.raises(
            BrokerProblem,
            match=r"does not let us subscribe to underair/check/.*; the user needs",
        ),
    ):
        broker_check.check_broker(url)


def test_check_broker_says_when_the_second_connection_is_not_answered(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(broker_check, "_TIMEOUT_S", 0.2)
    welcomes = [WELCOME]
    answers = {CONNECT: lambda _: welcomes.pop() if welcomes else b"", PUBLISH: acknowledged}
    with (
        broker_that_answers(answers) as url,
        pytest.raises(BrokerProblem, match="accepts connections but does not speak MQTT"),
    ):
        broker_check.check_broker(url)


def test_check_broker_says_what_it_found_where_it_cannot_clear_away_in_the_end() -> None:
    """A broker that lets nobody have two connections is the one that it must report."""
    welcomes = [WELCOME, WELCOME]
    answers = {
        CONNECT: lambda _: welcomes.pop() if welcomes else b"\x20\x02\x00\x05",
        SUBSCRIBE: lambda body: b"\x90\x03" + body[:2] + b"\x01",
        PUBLISH: acknowledged,
    }
    with broker_that_answers(answers) as url:
        (found,) = broker_check.check_broker(url)
    assert (found.name, found.well) == ("delivery", False)


@pytest.mark.parametrize(
    ("url", "error", "said"),
    [
        ("mqtt://h", TimeoutError("timed out"), "mqtt://h:1883 does not answer; is a firewall between us?"),
        ("mqtt://h", OSError("no route"), "mqtt://h:1883 cannot be reached: no route"),
        ("mqtts://h", OSError("no route"), "mqtts://h:8883 cannot be reached: no route"),
        ("mqtt://h", ConnectionResetError("reset"), "mqtt://h:1883 cannot be reached: reset"),
        (
            "mqtts://h",
            ConnectionResetError(104, "reset"),
            "no TLS with mqtts://h:8883 (connection reset); is it a port without TLS (mqtt://)?",
        ),
    ],
)
def test_no_connection_is_said_with_what_to_look_at(url: str, error: Exception, said: str) -> None:
    assert connection_sentence(parse_broker_url(url), error) == said


def refusal(shown: trustme.LeafCert, asked_for: str, trusted: trustme.CA) -> ssl.SSLCertVerificationError:
    """Shake hands in memory; return why a client that asked for a name refuses the certificate."""
    server, client = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER), ssl.create_default_context()
    shown.configure_cert(server)
    trusted.configure_trust(client)
    there, back = ssl.MemoryBIO(), ssl.MemoryBIO()
    ours = client.wrap_bio(back, there, server_hostname=asked_for)
    theirs = server.wrap_bio(there, back, server_side=True)
    for side in (ours, theirs):
        with contextlib.suppress(ssl.SSLWantReadError):
            side.do_handshake()
    with pytest.raises(ssl.SSLCertVerificationError) as refused:
        ours.do_handshake()
    return refused.value


@pytest.mark.parametrize(
    ("names", "days", "known", "advice"),
    [
        (("h",), 1, False, "name the file of the authority that signed it as ca_file"),
        (("h",), -1, True, "have it renewed on the broker; is the clock of this machine right?"),
        (("other",), 1, True, "name the broker in --broker as the certificate does"),
    ],
    ids=["unknown authority", "expired", "another name"],
)
def test_a_refused_certificate_is_said_with_what_helps(
    names: tuple[str, ...], days: int, known: bool, advice: str
) -> None:
    """Of an expired certificate it said to name ca_file, which was named."""
    authority, now = trustme.CA(), datetime.now(UTC)
    shown = authority.issue_cert(
        *names, not_before=now - timedelta(days=2), not_after=now + timedelta(days=days)
    )
    error = refusal(shown, "h", authority if known else trustme.CA())
    said = connection_sentence(parse_broker_url("mqtts://h"), error)
    assert said.startswith(
        f"the broker at mqtts://h:8883 shows a certificate that is not trusted ({error.verify_message}"
    )
    assert advice in said
    assert ("ca_file" in said) == (not known)


def test_a_broker_that_wants_our_certificate_says_which_settings() -> None:
    error: Any = ssl.SSLError(1, "alert")
    error.reason = "TLSV13_ALERT_CERTIFICATE_REQUIRED"
    said = connection_sentence(parse_broker_url("mqtts://h"), error)
    assert "wants a certificate of ours; name certificate_file and key_file in the settings" in said


def test_any_other_refusal_is_told_in_the_brokers_words() -> None:
    reason = ReasonCode(PacketTypes.CONNACK, "Server unavailable")
    said = refusal_sentence(parse_broker_url("mqtt://h"), reason)
    assert said == "mqtt://h:1883 refuses us: Server unavailable"


def test_a_broker_that_refuses_us_has_not_ended_a_session() -> None:
    """Its messages would go on waiting for a listener that is said to be retired."""
    refused = {CONNECT: lambda _: b"\x20\x02\x00\x05"}
    with (
        broker_that_answers(refused) as url,
        pytest.raises(BrokerProblem, match="refuses us: not authorized"),
    ):
        mqtt.end_session(parse_broker_url(url), mqtt.Login(), "listener-1", 5.0, mqtt5=False)
