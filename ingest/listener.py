"""The listener: writes messages to the journal, and acknowledges them when they are safe on disk."""

import fcntl
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any

from paho.mqtt.client import Client, ConnectFlags, MQTTMessage
from paho.mqtt.reasoncodes import ReasonCode

from ingest.archive.durable import make_folder
from ingest.archive.finished_days import FinishedDays
from ingest.archive.folder import Counts, create_archive
from ingest.archive.mappings import filters_of
from ingest.archive.store import ArchivePath, work_folder
from ingest.archive.writing import Health, Writing
from ingest.broker.mqtt import (
    Login,
    closed_sentence,
    connection_sentence,
    new_client,
    parse_broker_url,
    refusal_sentence,
    session,
)
from ingest.broker.paho_batches import BatchingClient
from ingest.broker.setups_asked import SetupsAsked
from ingest.contract.errors import ArchiveProblem, BrokerProblem
from ingest.contract.kinds import KEPT_OF_A_LONG_PAYLOAD_BYTES
from ingest.contract.received import Delivery, Record
from ingest.contract.topics import EVERY_TOPIC
from ingest.logs import News, log_sentence
from ingest.rates import LONGEST_TOPIC, Rates
from ingest.receipt_clock import ReceiptClock
from ingest.session_id import SESSION_FILE, session_id
from ingest.settings import Settings, login_of
from ingest.status import (
    FULL_DISK_BYTES,
    LOW_DISK_BYTES,
    Status,
    StatusTeller,
    disk_trouble,
    encode_status,
    free_bytes,
    status_topic,
)
from ingest.stopping import Started

LONGEST_BACKOFF_S = 10
LOCK_WAIT_S = 2.0  # a child that a killed listener was just starting may hold the lock for a moment
_TAKEN_OVER_CODE = 0x8E  # MQTT 5, 3.14.2.1: "Session taken over"; in version 3.1.1 the connection only ends
_SESSION_LOST = (
    "the broker did not keep our session: what was sent while we were away may be lost. Somebody connected "
    "under our client ID and began a new session, or the session expired, or the broker lost its data. The "
    "broker's log names who connected; our client ID is in the file {file}"
)
_TAKEN_OVER = (
    "another client connected under our client ID and took over our session: what waited for us may be lost. "
    "Find it in the broker's log, shut it out, and bind client IDs to users as the example configuration "
    "does; our client ID is in the file {file}"
)
_QUALITY_0 = "some messages came at QoS 0: those lost on the way are not sent again"


class Listener(Started):
    """Receives everything under ``underair/v1/#``, and what the archive's mappings name, into an archive.

    - `broker`: ``mqtt://HOST:PORT`` or ``mqtts://HOST:PORT``.
    - `login`: by default who the settings say, else the environment.
    - `retiring`: unsubscribe instead of subscribing, and receive only what waits (`ingest.leaving`).

    Raises `BrokerProblem` or `ArchiveProblem` or `BadSettings` when it cannot begin.
    """

    def __init__(
        self,
        broker: str,
        archive: str | ArchivePath,
        settings: Settings | None = None,
        *,
        login: Login | None = None,
        say: Callable[[str], None] = log_sentence,
        retiring: bool = False,
    ) -> None:
        self.settings = settings = settings or Settings()
        self.address = parse_broker_url(broker)
        self.archive = create_archive(archive)
        self._say = say
        self._folder = work_folder(self.archive) / "journal" / settings.name
        make_folder(self._folder)
        self._lock_file = _lock(self._folder, settings.name)
        self._last_said = ""
        self._clock = ReceiptClock(self._folder, settings.name, self._say_once)
        self._known_session, client_id = session_id(self._folder, settings.broker)
        login = login or login_of(settings.broker)
        tls = login.tls(self.address)
        group = settings.broker.shared_group
        filters = [EVERY_TOPIC, *filters_of(self.archive)]
        self._topics = [f"$share/{group}/{each}" if group else each for each in filters]
        self._subscribing: int | None = None  # the packet that asks for these
        self._setups = SetupsAsked()
        self.unsubscribed = unsubscribed = threading.Event()
        self._client = new_client(
            client_id,
            login,
            persistent=True,
            mqtt5=settings.broker.protocol == "5",
            manual_ack=True,
            batching=True,
            tls=tls,
        )
        self._client.on_connect = self._on_connect
        self._client.on_connect_fail = self._on_connect_fail
        self._client.on_disconnect = self._on_disconnect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_unsubscribe = lambda *_: unsubscribed.set()
        self._client.on_message = self._on_message
        if isinstance(self._client, BatchingClient):
            self._client.take = lambda batch, size: self._take(batch, size)
            self._client.clock_us = self._clock.now_us
        self._client.reconnect_delay_set(1, LONGEST_BACKOFF_S)
        self._ack_lock = threading.Lock()
        self._generation = 0
        self._connected = False
        self._leaving = False
        self.refusal = ""
        self.subscribed = threading.Event()
        self._retiring = retiring
        self._writing = Writing(
            self.archive,
            self._folder,
            settings.journal,
            settings.seal,
            self._acknowledge,
            self._say,
            self._clock.now_us,
        )
        self._finished_days = (
            FinishedDays(self.archive, self._say_once) if settings.merge.finished_days else None
        )
        # A connection of its own: the report that receiving is blocked must not wait behind it.
        self._status_client = new_client(f"{client_id}-status", login, tls=tls)
        down = Status(listener=settings.name, state="down", at=self._clock.now())
        self._status_client.will_set(status_topic(settings.name), encode_status(down), qos=1, retain=True)
        self._teller = StatusTeller(self._folder, self._what_matters, self._status, self._publish_status)
        self._rates = Rates(settings.limits.messages_per_s_of_one)
        self._told = (time.monotonic(), 0)
        self._possible_loss = ""

    @property
    def health(self) -> Health:
        """The state of the writing now."""
        return self._writing.health

    @property
    def status(self) -> Status:
        """The last status of the listener."""
        return self._teller.last or self._status()

    def why_not_ready(self) -> str:
        """Return what keeps messages from being received and made safe; empty when nothing does."""
        if not self._connected:
            return f"not connected to {self.address.url}"
        if not self.subscribed.is_set():
            return f"connected to {self.address.url}, not yet subscribed"
        return self._cannot_keep() or self._writing.health.sealing_trouble

    def _cannot_keep(self) -> str:
        free = free_bytes(self._folder)
        return self._writing.health.trouble or (disk_trouble(free) if free < FULL_DISK_BYTES else "")

    def why_not_alive(self) -> str:
        """Return the error that ended the writing; empty while it works or waits."""
        return "" if self._writing.alive else "the journal's thread has ended: restart the listener"

    def start(self) -> None:
        """Seal what an earlier run left, and begin to connect; goes on trying until `stop`."""
        self._writing.start()
        broker = self.settings.broker
        place = self.address.host, self.address.port, broker.keepalive_s
        how = session(broker.session_expiry_s, mqtt5=broker.protocol == "5")
        self._client.connect_async(*place, **how)
        self._client.loop_start()
        self._status_client.connect_async(*place)
        self._status_client.loop_start()
        self._teller.start()
        if self._finished_days is not None:
            self._finished_days.start()

    def stop(self) -> Counts:
        """Stop receiving, acknowledge what is safe, seal everything; return what became of it."""
        self._writing.drain()
        self._leaving = True
        self._client.disconnect()
        self._client.loop_stop()
        if self._finished_days is not None:
            self._finished_days.stop()
        counts = self._writing.finish()
        self._teller.stop()
        self._status_client.disconnect()
        self._status_client.loop_stop()
        self._lock_file.close()
        return counts

    def run(self, stop: threading.Event, look: Callable[[Health], object] = id) -> Counts:
        """Receive until `stop` is set; return what became of what was received.

        `look`: called with the present health a few times a second.

        Raises `BrokerProblem` when the broker refuses us before we were ever subscribed; a broker that is
        away is waited for.
        """
        self.start()
        while not stop.wait(0.1):
            if self.refusal:
                break
            look(self.health)
        counts = self.stop()
        if self.refusal:
            raise BrokerProblem(self.refusal)
        return counts

    def _what_matters(self) -> tuple[object, ...]:
        self._clock.look()
        health = self._writing.health
        return (
            self._status_client.is_connected(),
            self._connected,
            health.trouble or health.sealing_trouble,
            free_bytes(self._folder) < LOW_DISK_BYTES,
            bool(self._cannot_keep()),
            self._possible_loss,
            round(self._clock.set_us / 1e6),
        )

    def _status(self) -> Status:
        health = self._writing.health
        at, received = self._told
        now = time.monotonic()
        self._told = (now, health.journalled)
        free = free_bytes(self._folder)
        too_much = self._rates.too_much(now)
        if too_much:
            self._say_once(too_much)
        return Status(
            listener=self.settings.name,
            state="up",
            at=self._clock.now(),
            clock_set_s=round(self._clock.set_us / 1e6, 1),
            connected=self._connected,
            received=health.journalled,
            received_per_s=round((health.journalled - received) / max(now - at, 1e-3), 1),
            delay_ms=round(self._writing.take_delay(), 2),
            queued=health.queued,
            kept=health.sealed.kept,
            duplicates=health.sealed.duplicates,
            refused=health.sealed.refused,
            last_sealed=health.last_sealed,
            disk_free_bytes=free,
            trouble=health.trouble or health.sealing_trouble or disk_trouble(free) or too_much,
            cannot_keep=self._cannot_keep(),
            possible_loss=self._possible_loss,
        )

    def _publish_status(self, text: bytes) -> None:
        if self._status_client.is_connected():
            self._status_client.publish(status_topic(self.settings.name), text, qos=1, retain=True)

    def _say_once(self, sentence: str) -> None:
        """Log a sentence unless it was the last one logged: a broker that stays away is logged once."""
        if sentence != self._last_said:
            self._last_said = sentence
            self._say(sentence)

    def _acknowledge(self, batch: list[Delivery]) -> None:
        # A message of an earlier connection comes again: its old packet id may be another's by now.
        with self._ack_lock:
            if not self._connected:
                return
            present = self._generation
            mids = [mid for _, mid, qos, generation in batch if qos and generation == present]
            if not mids:
                return
            if isinstance(self._client, BatchingClient):
                self._client.acknowledge(mids)
            else:
                for mid in mids:
                    self._client.ack(mid, 1)

    def _on_connect(
        self, client: Client, userdata: Any, flags: ConnectFlags, reason: ReasonCode, _: Any
    ) -> None:
        if reason.is_failure:
            sentence = refusal_sentence(self.address, reason)
            if not self.subscribed.is_set():
                self.refusal = sentence
            self._say_once(f"{sentence}; trying again")
            return
        with self._ack_lock:
            self._generation += 1
            if isinstance(client, BatchingClient):
                client.generation = self._generation
            self._connected = True
        if self._known_session and not flags.session_present:
            self._tell_loss(_SESSION_LOST)
        self._known_session = True
        if not flags.session_present:
            self._setups.forget()
        if self._retiring:
            client.unsubscribe(self._topics)
            return
        self._subscribing = client.subscribe([(each, 1) for each in self._topics])[1]

    def _tell_loss(self, what: str) -> None:
        sentence = what.format(file=f"journal/{self.settings.name}/{SESSION_FILE}")
        self._possible_loss = sentence
        self._say_once(sentence)

    def _on_subscribe(
        self, client: Client, userdata: Any, mid: int, reasons: list[ReasonCode], _: Any
    ) -> None:
        if mid != self._subscribing:
            return  # one set's own topics: what is not allowed there comes when the set is switched on again
        refused = [topic for topic, reason in zip(self._topics, reasons, strict=False) if reason.is_failure]
        if refused:
            sentence = f"{self.address.url} does not let us subscribe to {refused[0]}"
            if not self.subscribed.is_set():
                self.refusal = sentence
            self._say_once(sentence)
            return
        self._say_once(News(f"receiving from {self.address.url} into {self.archive}"))
        self.subscribed.set()

    def _on_connect_fail(self, client: Client, userdata: Any) -> None:
        error = sys.exc_info()[1]
        if isinstance(error, Exception):
            self._say_once(f"{connection_sentence(self.address, error)}; trying again")

    def _on_disconnect(self, client: Client, userdata: Any, flags: Any, reason: ReasonCode, _: Any) -> None:
        with self._ack_lock:
            was_connected, self._connected = self._connected, False
        if getattr(reason, "value", None) == _TAKEN_OVER_CODE:
            self._tell_loss(_TAKEN_OVER)
            return
        if not was_connected and not self.subscribed.is_set() and not self._leaving and not self.refusal:
            self._say_once(f"{closed_sentence(self.address, reason)}; trying again")
        if was_connected and not self._leaving:
            self._say_once(f"the connection to {self.address.url} was lost ({reason}); trying again")

    def _on_message(self, client: Client, userdata: Any, message: MQTTMessage) -> None:
        received_us = self._clock.now_us()
        try:
            topic, retained = message.topic, message.retain
        except Exception as error:  # noqa: BLE001  # the one place where anything may come in: kept, and refused later
            topic, retained = f"unreadable topic ({error})", False
        kept = bytes(message.payload[:KEPT_OF_A_LONG_PAYLOAD_BYTES])
        whole_bytes = len(message.payload) if len(message.payload) > len(kept) else 0
        record = Record(received_us, topic, kept, retained, whole_bytes)
        size = len(record.topic) + len(record.payload)
        self._take([Delivery(record, message.mid, message.qos, self._generation)], size)

    def _take(self, batch: list[Delivery], size: int) -> None:
        self._clock.heard()
        if not self._possible_loss and any(not each.qos and not each.record.retained for each in batch):
            self._possible_loss = _QUALITY_0
            self._say_once(_QUALITY_0)
        # No contract has a longer topic; it would only fill the memory.
        heard = (each.record.topic for each in batch)
        topics = [topic if len(topic) <= LONGEST_TOPIC else "" for topic in heard]
        self._rates.count(topics)
        if not self._retiring and (asked := self._setups.to_ask(topics)):
            self._client.subscribe([(topic, 1) for topic in asked])
        self._writing.put(batch, size)


def _lock(folder: Path, name: str) -> IO[str]:
    file = (folder / "lock").open("w")
    until_s = time.monotonic() + LOCK_WAIT_S
    while True:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return file
        except OSError:
            if time.monotonic() < until_s:
                time.sleep(0.05)
                continue
        file.close()
        raise ArchiveProblem(
            f"another listener named {name!r} writes into {folder.parent.parent}; "
            "give this one another name in its settings"
        )
