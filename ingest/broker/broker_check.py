"""Trying a broker out: what it keeps for a listener that is away, and what would be lost.

Everything is done under ``underair/check/{token}/`` with messages of our own, and cleared away afterwards.
What a crash of the broker itself can lose cannot be tried from outside: see the example configuration.
"""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

from paho.mqtt.client import MQTT_CLEAN_START_FIRST_ONLY, Client, MQTTMessage

from ingest.broker.mqtt import (
    KEEPALIVE_S,
    BrokerAddress,
    Login,
    Publisher,
    connection_sentence,
    new_client,
    parse_broker_url,
    refusal_sentence,
    session_properties,
)
from ingest.contract.errors import BrokerProblem

_TIMEOUT_S = 10.0
_QUIET_S = 1.5
_SESSION_S = 600  # MQTT 5 asks how long a session is kept; ours are forgotten at the end


@dataclass(frozen=True)
class Trial:
    """What one trial showed."""

    name: str
    well: bool
    statement: str  # what happened, and what would be lost or has to be changed when it is not well


class _Listening:
    """A client that receives at QoS 1 and acknowledges, or does not."""

    def __init__(
        self, address: BrokerAddress, client_id: str, login: Login, *, mqtt5: bool, acknowledging: bool = True
    ) -> None:
        self._address = address
        self._mqtt5 = mqtt5
        self.client = new_client(
            client_id, login, persistent=True, mqtt5=mqtt5, manual_ack=True, tls=login.tls(address)
        )
        self.client.on_connect = self._on_connect
        self.client.on_subscribe = self._on_subscribe
        self.client.on_message = self._on_message
        self.acknowledging = acknowledging
        self.payloads: list[bytes] = []
        self.retained: list[bool] = []
        self.session_present = False
        self.refusal = ""
        self.last_at = time.monotonic()
        self._answered = threading.Event()
        self._subscribed = threading.Event()

    def connect(self) -> None:
        self._answered.clear()
        try:
            self.client.connect(
                self._address.host,
                self._address.port,
                KEEPALIVE_S,
                clean_start=False if self._mqtt5 else MQTT_CLEAN_START_FIRST_ONLY,
                properties=session_properties(_SESSION_S) if self._mqtt5 else None,
            )
        except OSError as error:
            raise BrokerProblem(connection_sentence(self._address, error)) from error
        self.client.loop_start()
        if not self._answered.wait(_TIMEOUT_S):
            raise BrokerProblem(f"{self._address.url} accepts connections but does not speak MQTT")
        if self.refusal:
            raise BrokerProblem(self.refusal)

    def subscribe(self, topic: str) -> None:
        self._subscribed.clear()
        self.client.subscribe(topic, qos=1)
        if not self._subscribed.wait(_TIMEOUT_S) or self.refusal:
            raise BrokerProblem(
                f"{self._address.url} does not let us subscribe to {topic}; "
                "the user needs to read and write underair/check/#"
            )

    def wait_for(self, count: int) -> None:
        """Wait for so many messages, or until none has come for a while."""
        self.last_at = time.monotonic()
        while len(self.payloads) < count and time.monotonic() - self.last_at < _QUIET_S:
            time.sleep(0.02)

    def leave(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def _on_connect(self, client: Client, userdata: Any, flags: Any, reason: Any, properties: Any) -> None:
        self.session_present = bool(flags.session_present)
        self.refusal = refusal_sentence(self._address, reason) if reason.is_failure else ""
        self._answered.set()

    def _on_subscribe(self, client: Client, userdata: Any, mid: int, reasons: Any, properties: Any) -> None:
        if any(reason.is_failure for reason in reasons):
            self.refusal = "not allowed to subscribe"
        self._subscribed.set()

    def _on_message(self, client: Client, userdata: Any, message: MQTTMessage) -> None:
        self.last_at = time.monotonic()
        self.payloads.append(bytes(message.payload))
        self.retained.append(message.retain)
        if self.acknowledging:
            client.ack(message.mid, message.qos)


def check_broker(
    url: str,
    *,
    messages: int = 5000,
    login: Login | None = None,
    mqtt5: bool = False,
    tell: Callable[[Trial], object] = id,
) -> list[Trial]:
    """Try a live broker.

    Parameters
    ----------
    messages : int
        How many to have it keep for a listener that is away.
    login : Login, optional
        By default the environment's user and password.
    mqtt5 : bool
        Speak the version that the listener will speak: 5 instead of 3.1.1.
    tell : callable
        Told each finding as soon as it is there.

    Returns
    -------
    list of Trial

    Raises
    ------
    BrokerProblem
        When it cannot be reached or does not let us try.
    """
    address = parse_broker_url(url)
    login = login or Login()
    listening_as = partial(_Listening, address, login=login, mqtt5=mqtt5)
    token = secrets.token_hex(4)
    root = f"underair/check/{token}"
    findings: list[Trial] = []

    def found(name: str, well: bool, statement: str) -> None:
        findings.append(Trial(name, well, statement))
        tell(findings[-1])

    with Publisher(url, login=login) as publisher:
        name = f"underair-check-{token}"
        listening = listening_as(name)
        listening.connect()
        listening.subscribe(f"{root}/live")
        publisher.publish(f"{root}/live", b"0")
        listening.wait_for(1)
        passed = listening.payloads == [b"0"]
        found("delivery", passed, "a message came through" if passed else _NOT_THROUGH)
        if passed:
            _try_retained(listening_as, publisher, root, found)
            _try_redelivery(listening_as, publisher, root, token, found)
            _forget(address, login, f"underair-check-{token}-r")
        listening.leave()
        if passed:
            _try_absence(listening_as, publisher, root, name, messages, found)
        _forget(address, login, name)
    return findings


_NOT_THROUGH = (
    "a message that the broker acknowledged did not come through; "
    "may this user read and write underair/check/#, with several connections at a time?"
)


def _try_retained(
    listening_as: Callable[..., _Listening],
    publisher: Publisher,
    root: str,
    found: Callable[[str, bool, str], None],
) -> None:
    publisher.publish(f"{root}/retained", b"kept", retain=True)
    publisher.flush()

    def gets(name: str, subscription: str) -> bool:
        newcomer = listening_as(name)
        newcomer.connect()
        newcomer.subscribe(subscription)
        newcomer.wait_for(1)
        newcomer.leave()
        return newcomer.payloads == [b"kept"] and newcomer.retained == [True]

    name = f"underair-check-{secrets.token_hex(4)}"
    well = gets(name, f"{root}/retained")
    found(
        "retained",
        well,
        "a retained message is kept for newcomers"
        if well
        else "retained messages are not kept: after a restart a listener knows no set's setup",
    )
    if well:
        well = gets(f"{name}-w", f"{root}/#")
        found(
            "retained, by wildcard",
            well,
            "a wildcard subscription gets retained messages"
            if well
            else "a wildcard subscription gets no retained messages: the listener asks for each set's setup "
            "by its own topic when it first hears the set; other programs that use wildcards miss setups",
        )
    publisher.publish(f"{root}/retained", b"", retain=True)
    publisher.flush()


def _try_redelivery(
    listening_as: Callable[..., _Listening],
    publisher: Publisher,
    root: str,
    token: str,
    found: Callable[[str, bool, str], None],
) -> None:
    name = f"underair-check-{token}-r"
    silent = listening_as(name, acknowledging=False)
    silent.connect()
    silent.subscribe(f"{root}/unacknowledged")
    publisher.publish(f"{root}/unacknowledged", b"again")
    publisher.flush()
    silent.wait_for(1)
    silent.leave()
    back = listening_as(name)
    back.connect()
    back.wait_for(1)
    well = back.payloads == [b"again"]
    found(
        "redelivery",
        well,
        "a message that was not acknowledged comes again"
        if well
        else "a message that was not acknowledged does not come again: what a killed listener held is lost",
    )
    back.leave()


def _try_absence(
    listening_as: Callable[..., _Listening],
    publisher: Publisher,
    root: str,
    name: str,
    messages: int,
    found: Callable[[str, bool, str], None],
) -> None:
    for number in range(messages):
        publisher.publish(f"{root}/live", b"%d" % number)
    publisher.flush()
    # A new client under the old name: paho leaves sockets open when one client is started twice.
    listening = listening_as(name)
    listening.connect()
    listening.wait_for(messages)
    found(
        "session",
        listening.session_present,
        "the session of a listener that is away is kept"
        if listening.session_present
        else "the session is not kept: all that is sent while a listener is away is lost",
    )
    kept = len({*listening.payloads} & {b"%d" % number for number in range(messages)})
    found(
        "queue",
        kept == messages,
        f"all {messages:,} messages sent meanwhile were kept"
        if kept == messages
        else f"of {messages:,} messages sent meanwhile {messages - kept:,} were lost, "
        "though each was acknowledged; with mosquitto raise max_queued_messages",
    )
    listening.leave()


def _forget(address: BrokerAddress, login: Login, client_id: str) -> None:
    """Have the broker drop a session of ours."""
    client = new_client(client_id, login, tls=login.tls(address))
    answered = threading.Event()
    client.on_connect = lambda *_: answered.set()
    client.connect(address.host, address.port, KEEPALIVE_S)
    client.loop_start()
    answered.wait(_TIMEOUT_S)
    client.disconnect()
    client.loop_stop()
