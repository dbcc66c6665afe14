"""The MQTT client: broker URLs, credentials, connecting with sentences instead of codes, publishing."""

import contextlib
import os
import secrets
import socket
import ssl
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Self
from urllib.parse import urlsplit

from paho.mqtt.client import Client, MQTTMessageInfo
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from ingest.broker.paho_batches import BatchingClient
from ingest.broker.paho_batches import is_possible as batches_are_possible
from ingest.contract.errors import BrokerProblem

USERNAME_VARIABLE = "UNDERAIR_MQTT_USERNAME"
PASSWORD_VARIABLE = "UNDERAIR_MQTT_PASSWORD"  # noqa: S105  # its name, not its value
CONNECT_TIMEOUT_S = 10.0
KEEPALIVE_S = 30
KEPT_COMES_WITHIN_S = 2.0  # after a connection: retained messages come at once
_EXAMPLE = "write it like mqtt://127.0.0.1:1883"


@dataclass(frozen=True)
class BrokerAddress:
    """Where a broker listens."""

    host: str
    port: int
    tls: bool

    @property
    def url(self) -> str:
        """The address as a URL."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'mqtts' if self.tls else 'mqtt'}://{host}:{self.port}"


def parse_broker_url(url: str) -> BrokerAddress:
    """Take a broker URL apart: ``mqtt://HOST[:PORT]`` or ``mqtts://HOST[:PORT]``.

    Raises `BrokerProblem` with what is wrong and how to write it. Names and passwords do not belong in a URL:
    it would appear in logs and in the list of processes.
    """
    shown = url.rpartition("@")[2]  # before it there may be a password
    if "://" not in url:
        raise BrokerProblem(f"broker {shown!r} has no scheme; {_EXAMPLE}")
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError as error:
        why = "the port must be a number from 1 to 65535" if "Port" in str(error) else error
        raise BrokerProblem(f"broker {shown!r} cannot be read: {why}; {_EXAMPLE}") from None
    if parts.username is not None or parts.password is not None:
        raise BrokerProblem(
            f"no user or password in a broker's URL: set {USERNAME_VARIABLE} and {PASSWORD_VARIABLE} instead"
        )
    if parts.scheme not in ("mqtt", "mqtts"):
        raise BrokerProblem(f"broker {url!r}: the scheme must be mqtt or mqtts; {_EXAMPLE}")
    if not parts.hostname:
        raise BrokerProblem(f"broker {url!r} names no host; {_EXAMPLE}")
    if parts.path not in ("", "/") or parts.query or parts.fragment:
        raise BrokerProblem(f"broker {url!r}: nothing may follow the port; {_EXAMPLE}")
    if port == 0:
        raise BrokerProblem(f"broker {url!r}: the port must be 1..65535; {_EXAMPLE}")
    tls = parts.scheme == "mqtts"
    return BrokerAddress(parts.hostname, port or (8883 if tls else 1883), tls)


def credentials(environment: Mapping[str, str] | None = None) -> tuple[str | None, str | None]:
    """Return user and password from the environment, None for what is not set."""
    environment = os.environ if environment is None else environment
    return environment.get(USERNAME_VARIABLE), environment.get(PASSWORD_VARIABLE)


@dataclass(frozen=True)
class Login:
    """Who we are to a broker, and by whose word we take it for the broker."""

    username: str | None = None  # without a user those of the environment
    password: str | None = None  # without a user those of the environment
    # For ``mqtts``: certificate of the authority that signed the broker's; by default those that the system
    # trusts.
    ca_file: str | None = None
    certificate_file: str | None = None  # for ``mqtts``: our own, in PEM
    key_file: str | None = None  # for ``mqtts``: our own, in PEM

    def tls(self, address: BrokerAddress) -> ssl.SSLContext | None:
        """Return what checks the broker's certificate and shows ours; None for a broker without TLS."""
        if not address.tls:
            return None
        try:
            context = ssl.create_default_context(cafile=self.ca_file)
        except OSError as error:
            raise BrokerProblem(f"the CA file {self.ca_file} cannot be read: {_why(error)}") from error
        if self.certificate_file:
            try:
                context.load_cert_chain(self.certificate_file, self.key_file)
            except OSError as error:
                key = f" with the key {self.key_file}" if self.key_file else ""
                raise BrokerProblem(
                    f"our certificate {self.certificate_file}{key} cannot be read: {_why(error)}"
                ) from error
        return context


def new_client(
    client_id: str,
    login: Login | None = None,
    *,
    persistent: bool = False,
    mqtt5: bool = False,
    manual_ack: bool = False,
    batching: bool = False,
    tls: ssl.SSLContext | None = None,
) -> Client:
    """Return a paho client, not yet connected.

    - `persistent`: the broker keeps the session while we are away (MQTT 3.1.1: clean session off).
    - `mqtt5`: speak MQTT 5 instead of 3.1.1, which costs about a third more time a message.
    - `manual_ack`: messages are acknowledged by `Client.ack` and not on receipt.
    - `batching`: receive in batches where this paho allows it: then the client is a `BatchingClient`.
    """
    kind = BatchingClient if batching and batches_are_possible() else Client
    client = kind(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        clean_session=None if mqtt5 else not persistent,
        protocol=MQTTProtocolVersion.MQTTv5 if mqtt5 else MQTTProtocolVersion.MQTTv311,
        manual_ack=manual_ack,
    )
    login = login or Login()
    username, password = (login.username, login.password) if login.username else credentials()
    if username is not None:
        client.username_pw_set(username, password)
    if tls is not None:
        client.tls_set_context(tls)
    return client


def session(expiry_s: int, *, mqtt5: bool) -> dict[str, Any]:
    """Return how `Client.connect` takes up a session that outlives its connection by so long; 0 ends it.

    MQTT 3.1.1 has no expiry: there the client says from the start whether its session is kept.
    """
    if not mqtt5:
        return {}
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = expiry_s
    return {"clean_start": not expiry_s, "properties": properties}


def end_session(
    address: BrokerAddress, login: Login, client_id: str, within_s: float, *, mqtt5: bool
) -> None:
    """Have a broker drop a session: a connection under its id with a clean start does it (MQTT 3.1.1 and 5).

    Raises `BrokerProblem` when the broker does not answer, or refuses us.
    """
    connection = Connection(address, client_id, login, mqtt5=mqtt5)
    connection.connect(within_s, **session(0, mqtt5=mqtt5))
    connection.hang_up()


def _why(error: OSError) -> str:
    reason = getattr(error, "reason", None) or error.strerror or str(error)
    if reason == "KEY_VALUES_MISMATCH":
        return "the key is not that of the certificate"
    return str(reason)


_OTHER_NAME = "name the broker in --broker as the certificate does, or have one made for this name"
_CERTIFICATE_ADVICE = {
    9: "it is not valid yet: is the clock of this machine right?",
    10: "have it renewed on the broker; is the clock of this machine right?",
    62: _OTHER_NAME,
    64: _OTHER_NAME,
}
"""By OpenSSL's code (X509_V_ERR_*): not yet valid, expired, another host name, another IP address."""


def connection_sentence(address: BrokerAddress, error: Exception) -> str:
    """Return why a broker cannot be reached, and what to do."""
    if isinstance(error, ssl.SSLCertVerificationError):
        todo = _CERTIFICATE_ADVICE.get(
            error.verify_code,
            "name the file of the authority that signed it as ca_file in the settings (--config)",
        )
        said = f"shows a certificate that is not trusted ({error.verify_message})"
        return f"the broker at {address.url} {said}; {todo}"
    if isinstance(error, ssl.SSLError) and "CERTIFICATE_REQUIRED" in str(error.reason):
        return (
            f"{address.url} wants a certificate of ours; name certificate_file and key_file in the settings "
            "(--config)"
        )
    if isinstance(error, ssl.SSLError) or (address.tls and isinstance(error, ConnectionResetError)):
        why = error.reason if isinstance(error, ssl.SSLError) else "connection reset"
        return f"no TLS with {address.url} ({why}); is it a port without TLS (mqtt://)?"
    if isinstance(error, ConnectionRefusedError):
        return f"nobody listens at {address.url}; is the broker running, and is the port right?"
    if isinstance(error, socket.gaierror):
        return f"the host {address.host!r} of {address.url} is not known"
    if isinstance(error, TimeoutError):
        return f"{address.url} does not answer; is a firewall between us?"
    return f"{address.url} cannot be reached: {error}"


def refusal_sentence(address: BrokerAddress, reason: ReasonCode) -> str:
    """Return why a broker refused the connection, and what to do."""
    name = str(reason)
    if name in ("Not authorized", "Bad user name or password"):
        return (
            f"{address.url} refuses us: {name.lower()}; set {USERNAME_VARIABLE} and {PASSWORD_VARIABLE} "
            "in the environment, or username and password_file in the settings (--config)"
        )
    return f"{address.url} refuses us: {name}"


def closed_sentence(address: BrokerAddress, reason: ReasonCode) -> str:
    """Return why a broker may have closed the connection before it answered."""
    # With TLS 1.3 a broker that wants a certificate of ours closes after the handshake, without a word.
    hint = (
        "; does it want a certificate of ours (certificate_file and key_file in the settings, --config)?"
        if address.tls
        else "; a broker that speaks TLS on this port wants mqtts:// in the URL"
    )
    return f"{address.url} closed the connection before it answered: {reason}{hint}"


class Connection:
    """A connection that is made once, by `connect`."""

    def __init__(self, address: BrokerAddress, client_id: str, login: Login, **how: Any) -> None:
        self.address = address
        self._tls = login.tls(address)
        self._client = new_client(client_id, login, tls=self._tls, **how)
        self._answered = threading.Event()
        self._refusal = ""
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect

    def connect(self, within_s: float, **how: Any) -> None:
        """Connect, `how` being given to `Client.connect`; `BrokerProblem` says why it cannot be done."""
        try:
            if self._tls is not None:
                # Find a fault of TLS before paho does, because paho then leaves its socket open.
                place = (self.address.host, self.address.port)
                with (
                    socket.create_connection(place, CONNECT_TIMEOUT_S) as plain,
                    self._tls.wrap_socket(plain, server_hostname=self.address.host),
                ):
                    pass
            self._client.connect(self.address.host, self.address.port, KEEPALIVE_S, **how)
        except OSError as error:
            raise BrokerProblem(connection_sentence(self.address, error)) from error
        self._client.loop_start()
        if not self._answered.wait(within_s):
            self._refusal = f"{self.address.url} accepts connections but does not speak MQTT"
        if self._refusal:
            self._client.loop_stop()
            raise BrokerProblem(self._refusal)

    def hang_up(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(self, client: Client, userdata: Any, flags: Any, reason: ReasonCode, _: Any) -> None:
        self._refusal = refusal_sentence(self.address, reason) if reason.is_failure else ""
        self._answered.set()

    def _on_disconnect(self, client: Client, userdata: Any, flags: Any, reason: ReasonCode, _: Any) -> None:
        if not self._answered.is_set():
            self._refusal = closed_sentence(self.address, reason)
            self._answered.set()


class Publisher(Connection):
    """Publishes at QoS 1, in order, and does not end before the broker has acknowledged everything.

    - `url`: ``mqtt://HOST:PORT`` or ``mqtts://HOST:PORT``.
    - `login`: by default the environment's user and password.
    - `window`: `publish` waits when so many messages are not yet acknowledged.

    Raises `BrokerProblem` when there is no connection within ten seconds.
    """

    def __init__(
        self, url: str, client_id: str | None = None, login: Login | None = None, *, window: int = 1000
    ) -> None:
        super().__init__(
            parse_broker_url(url), client_id or f"underair-{secrets.token_hex(6)}", login or Login()
        )
        self._client.max_inflight_messages_set(window)
        self._window = window
        self._unacknowledged = 0
        self._count = threading.Condition()
        self._client.on_publish = self._on_publish
        self._client.reconnect_delay_set(1, 10)
        self._client.connect_timeout = CONNECT_TIMEOUT_S
        self.connect(CONNECT_TIMEOUT_S)

    def publish(self, topic: str, payload: bytes, retain: bool = False, timeout_s: float = 60.0) -> None:
        """Publish one message at QoS 1, once the window has room; `BrokerProblem` after `timeout_s`."""
        with self._count:
            if not self._count.wait_for(lambda: self._unacknowledged < self._window, timeout_s):
                raise BrokerProblem(f"{self.address.url} has acknowledged nothing for {timeout_s:.0f} s")
            self._unacknowledged += 1
        try:
            info: MQTTMessageInfo = self._client.publish(topic, payload, qos=1, retain=retain)
            if info.rc not in (MQTTErrorCode.MQTT_ERR_SUCCESS, MQTTErrorCode.MQTT_ERR_NO_CONN):
                raise BrokerProblem(f"publishing to {self.address.url} failed: {info.rc.name}")
        except BaseException:
            self._one_less()  # what was never sent is never acknowledged: closing must not wait for it
            raise

    @property
    def connected(self) -> bool:
        """Whether there is a connection at this moment; a lost one is restored automatically."""
        return self._client.is_connected()

    def flush(self, timeout_s: float = 30.0) -> None:
        """Wait until the broker has acknowledged everything; `BrokerProblem` after `timeout_s`."""
        with self._count:
            if not self._count.wait_for(lambda: self._unacknowledged == 0, timeout_s):
                raise BrokerProblem(
                    f"{self.address.url} has left {self._unacknowledged} messages unacknowledged "
                    f"for {timeout_s:.0f} s"
                )

    def close(self, timeout_s: float = 30.0) -> None:
        """Wait for what is not yet acknowledged, then disconnect."""
        try:
            self.flush(timeout_s)
        finally:
            self.hang_up()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        self.close(30.0 if error is None else 1.0)

    def _on_publish(self, client: Client, userdata: Any, mid: int, reason: ReasonCode, _: Any) -> None:
        self._one_less()

    def _one_less(self) -> None:
        with self._count:
            self._unacknowledged -= 1
            self._count.notify_all()


class Unconfirmed(BrokerProblem):
    """A message that may have reached the broker: no acknowledgement came."""


class ConfirmingPublisher(Publisher):
    """A `Publisher` whose `publish` returns when the broker has the message, and that sends nothing later.

    Do not use it after a failure: a message that waits in it must not be sent later.

    - `own`: a filter of topics of retained messages.
    - `tell`: takes what the broker has kept there, by topic, some time after each connection, in a thread of
      its own. Where it may not be read, nothing was kept.
    """

    def __init__(
        self,
        url: str,
        login: Login | None = None,
        own: str = "",
        tell: Callable[[Mapping[str, bytes]], None] | None = None,
        **how: Any,
    ) -> None:
        self._own, self._tell, self._asking = own, tell, False
        super().__init__(url, login=login, **how)

    def _on_connect(self, client: Client, userdata: Any, flags: Any, reason: ReasonCode, _: Any) -> None:
        super()._on_connect(client, userdata, flags, reason, _)
        if self._tell is None or reason.is_failure:
            return
        kept: dict[str, bytes] = {}
        client.on_message = lambda _, __, message: kept.update({message.topic: bytes(message.payload)})
        client.on_subscribe = lambda *_: setattr(self, "_asking", False)
        if self._own:
            self._asking = True
            client.subscribe(self._own, qos=1)
        telling = threading.Timer(KEPT_COMES_WITHIN_S, self._tell, (kept,))
        telling.daemon = True
        telling.start()

    def _on_disconnect(self, client: Client, userdata: Any, flags: Any, reason: ReasonCode, _: Any) -> None:
        super()._on_disconnect(client, userdata, flags, reason, _)
        if self._asking:  # some brokers hang up on who may not read: to be able to send comes first
            self._own, self._asking = "", False

    def publish(self, topic: str, payload: bytes, retain: bool = False, timeout_s: float = 60.0) -> None:
        """Publish one message at QoS 1 and wait for the broker's acknowledgement (PUBACK).

        Raises `BrokerProblem` when there is no connection: nothing was sent; `Unconfirmed` when no
        acknowledgement came within `timeout_s`.
        """
        if not self.connected:
            raise BrokerProblem(f"no connection to {self.address.url}; nothing was sent")
        info = self._client.publish(topic, payload, qos=1, retain=retain)
        if info.rc == MQTTErrorCode.MQTT_ERR_SUCCESS:
            with contextlib.suppress(RuntimeError, ValueError):  # paho: the queue or the connection is gone
                info.wait_for_publish(timeout_s)
            if info.is_published():
                return
        self.close()
        raise Unconfirmed(
            f"{self.address.url} has not confirmed it; check whether it appears before you send it again"
        )

    def close(self, timeout_s: float = 30.0) -> None:
        """Disconnect at once; what the broker has not acknowledged is not sent again."""
        del timeout_s
        self._client.disconnect()
        # Joins paho's thread, which may be waiting for a connection: nobody needs to wait for that.
        threading.Thread(target=self._client.loop_stop, name="hang-up", daemon=True).start()

    def _on_publish(self, client: Client, userdata: Any, mid: int, reason: ReasonCode, _: Any) -> None:
        pass  # each call waits for its own
