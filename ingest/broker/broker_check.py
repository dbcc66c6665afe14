"""Test a broker: what it keeps for a listener that is away, and what would be lost.

Everything is done under ``underair/check/{token}/`` with messages of our own, and cleared away afterwards.
What a crash of the broker itself can lose cannot be tried from outside: see the example configuration.
"""

import contextlib
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

from paho.mqtt.client import Client, MQTTMessage

from ingest.broker.mqtt import (
    BrokerAddress,
    Connection,
    Login,
    Publisher,
    end_session,
    session,
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


class _Listening(Connection):
    """A listener of our own; with a topic it subscribes, without one it takes up the session that it has."""

    def __init__(
        self,
        client_id: str,
        topic: str = "",
        *,
        address: BrokerAddress,
        login: Login,
        mqtt5: bool,
        acknowledging: bool = True,
    ) -> None:
        super().__init__(address, client_id, login, persistent=True, mqtt5=mqtt5, manual_ack=True)
        self._client.on_subscribe = self._on_subscribe
        self._client.on_message = self._on_message
        self._acknowledging = acknowledging
        self.payloads: list[bytes] = []
        self.retained: list[bool] = []
        self.session_present = False
        self._last_at = 0.0
        self._subscribed = threading.Event()
        self.connect(_TIMEOUT_S, **session(_SESSION_S, mqtt5=mqtt5))
        if topic:
            self._client.subscribe(topic, qos=1)
            if not self._subscribed.wait(_TIMEOUT_S) or self._refusal:
                self.hang_up()
                raise BrokerProblem(
                    f"{address.url} does not let us subscribe to {topic}; "
                    "the user needs to read and write underair/check/#"
                )

    def wait_for(self, count: int) -> None:
        """Wait for so many messages, or until none has come for a while."""
        self._last_at = time.monotonic()
        while len(self.payloads) < count and time.monotonic() - self._last_at < _QUIET_S:
            time.sleep(0.02)

    def _on_connect(self, client: Client, userdata: Any, flags: Any, reason: Any, properties: Any) -> None:
        self.session_present = bool(flags.session_present)
        super()._on_connect(client, userdata, flags, reason, properties)

    def _on_subscribe(self, client: Client, userdata: Any, mid: int, reasons: Any, properties: Any) -> None:
        if any(reason.is_failure for reason in reasons):
            self._refusal = "not allowed to subscribe"
        self._subscribed.set()

    def _on_message(self, client: Client, userdata: Any, message: MQTTMessage) -> None:
        self._last_at = time.monotonic()
        self.payloads.append(bytes(message.payload))
        self.retained.append(message.retain)
        if self._acknowledging:
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

    - `messages`: how many to have it keep for a listener that is away.
    - `login`: by default the environment's user and password.
    - `mqtt5`: speak the version that the listener will speak: 5 instead of 3.1.1.

    Raises `BrokerProblem` when it cannot be reached or does not let us try.
    """
    login = login or Login()
    with Publisher(url, login=login) as publisher:
        trials = _Trials(publisher, login, mqtt5, tell)
        trials.run(messages)
    return trials.findings


class _Trials:
    def __init__(
        self, publisher: Publisher, login: Login, mqtt5: bool, tell: Callable[[Trial], object]
    ) -> None:
        self._listening_as = partial(_Listening, address=publisher.address, login=login, mqtt5=mqtt5)
        self._login = login
        self._publisher = publisher
        self._tell = tell
        token = secrets.token_hex(4)
        self._root = f"underair/check/{token}"
        self._name = f"underair-check-{token}"
        self.findings: list[Trial] = []

    def run(self, messages: int) -> None:
        listening = self._listening_as(self._name, f"{self._root}/live")
        self._publisher.publish(f"{self._root}/live", b"0")
        listening.wait_for(1)
        passed = listening.payloads == [b"0"]
        self._found(
            "delivery",
            passed,
            "a message came through",
            "a message that the broker acknowledged did not come through; "
            "may this user read and write underair/check/#, with several connections at a time?",
        )
        if passed:
            self._try_retained()
            self._try_redelivery()
        listening.hang_up()
        if passed:
            self._try_absence(messages)
        self._forget(self._name)

    def _forget(self, name: str) -> None:
        with contextlib.suppress(BrokerProblem):  # what the check found counts without it
            end_session(self._publisher.address, self._login, name, _TIMEOUT_S, mqtt5=False)

    def _found(self, name: str, well: bool, when_well: str, else_: str) -> None:
        self.findings.append(Trial(name, well, when_well if well else else_))
        self._tell(self.findings[-1])

    def _try_retained(self) -> None:
        topic = f"{self._root}/retained"
        self._publisher.publish(topic, b"kept", retain=True)
        self._publisher.flush()

        def gets(name: str, subscription: str) -> bool:
            newcomer = self._listening_as(name, subscription)
            newcomer.wait_for(1)
            newcomer.hang_up()
            return newcomer.payloads == [b"kept"] and newcomer.retained == [True]

        name = f"underair-check-{secrets.token_hex(4)}"
        well = gets(name, topic)
        self._found(
            "retained",
            well,
            "a retained message is kept for newcomers",
            "retained messages are not kept: after a restart a listener knows no set's setup",
        )
        if well:
            self._found(
                "retained, by wildcard",
                gets(f"{name}-w", f"{self._root}/#"),
                "a wildcard subscription gets retained messages",
                "a wildcard subscription gets no retained messages: the listener asks for each set's setup "
                "by its own topic when it first hears the set; other programs that use wildcards miss setups",
            )
        self._publisher.publish(topic, b"", retain=True)
        self._publisher.flush()

    def _try_redelivery(self) -> None:
        name, topic = f"{self._name}-r", f"{self._root}/unacknowledged"
        silent = self._listening_as(name, topic, acknowledging=False)
        self._publisher.publish(topic, b"again")
        self._publisher.flush()
        silent.wait_for(1)
        silent.hang_up()
        back = self._listening_as(name)
        back.wait_for(1)
        self._found(
            "redelivery",
            back.payloads == [b"again"],
            "a message that was not acknowledged comes again",
            "a message that was not acknowledged does not come again: what a killed listener held is lost",
        )
        back.hang_up()
        self._forget(name)

    def _try_absence(self, messages: int) -> None:
        sent = [b"%d" % number for number in range(messages)]
        for payload in sent:
            self._publisher.publish(f"{self._root}/live", payload)
        self._publisher.flush()
        # A new client under the old name: paho leaves sockets open when one client is started twice.
        listening = self._listening_as(self._name)
        listening.wait_for(messages)
        self._found(
            "session",
            listening.session_present,
            "the session of a listener that is away is kept",
            "the session is not kept: all that is sent while a listener is away is lost",
        )
        lost = messages - len({*listening.payloads} & {*sent})
        self._found(
            "queue",
            not lost,
            f"all {messages:,} messages sent meanwhile were kept",
            f"of {messages:,} messages sent meanwhile {lost:,} were lost, "
            "though each was acknowledged; with mosquitto raise max_queued_messages",
        )
        listening.hang_up()
