"""Publishes the desk's messages over MQTT.

`send` returns when the broker has acknowledged; a message that failed is not sent later. A message is done
when it has come back through the listener and the archive; the page recognises it there by its identity
(`desk_id/boot/seq`). If a broker lost the last order, it is sent again.
"""

from __future__ import annotations

import contextlib
import logging
import secrets
import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import msgspec
import polars as pl

from dashboard.live.catching_up import CATCH_UP, UNREADABLE
from ingest.archive.reading import Archive
from ingest.broker.mqtt import ConfirmingPublisher, Login, Publisher, Unconfirmed
from ingest.contract.errors import BadSettings, BrokerProblem, RefusedMessage
from ingest.contract.kinds import (
    DESK_KINDS,
    ID_WORDS,
    KIND_TYPES,
    MOST_STANDING_ORDERS,
    RETAINED_KINDS,
    FromDesk,
)
from ingest.contract.messages import decode
from ingest.contract.topics import Topic, is_id

TRY_EVERY_S = 10.0
HANG_UP_S = 2.0
SENT_WITHIN_S = 5.0  # the browser gives up after eight: what it calls not sent must not go out later

log = logging.getLogger(__name__)

OF_THE_DESK = {*FromDesk.__struct_fields__, "standing"}
# The contract allows further fields: the source, and the note, finding or view that a note is about.
BESIDE_A_NOTE = ("source", "withdraws", "looks_at", "bookmark")


def filled_in(kind: str) -> tuple[str, ...]:
    """Return the fields of a kind that a page may fill in: all but the desk's own."""
    own = tuple(name for name in KIND_TYPES[kind].__struct_fields__ if name not in OF_THE_DESK)
    return (*own, *BESIDE_A_NOTE) if kind == "note" else own


Orders = Mapping[str, Sequence[bytes]]


class _Said(msgspec.Struct):
    boot: int
    seq: int


def orders_heard(archive: Archive, desk_id: str) -> Orders:
    """Return the orders of the last 12 h from desks of a name, by topic, in the order of receipt."""
    since, own = datetime.now(UTC) - CATCH_UP, pl.col("desk_id") == desk_id
    try:
        heard = archive.messages(since, None, {"order": own})["order"].select("topic", "payload")
    except UNREADABLE as problem:
        log.warning("the orders in the archive cannot be read: %s", problem)
        return {}
    by_topic = heard.partition_by("topic", as_dict=True, maintain_order=True)
    return {topic: [one.encode() for one in said["payload"]] for (topic,), said in by_topic.items()}


class Desk:
    """One desk: its identity and its line to the broker.

    - `connect`: opens the line and returns something with `publish(topic, payload)` and `close()`; raises
      `BrokerProblem`.
    - `record`: returns the orders of this name that were heard of late, by topic in the order of receipt.
    """

    def __init__(
        self, connect: Callable[[], Publisher], desk_id: str = "desk", record: Callable[[], Orders] = dict
    ) -> None:
        if not is_id(desk_id):
            raise BadSettings(f"the desk's name must be {ID_WORDS}, got {desk_id!r}")
        self.desk_id = desk_id
        self._connect = connect
        self._record = record
        self._publisher: Publisher | None = None
        # A restarted server is a new power-up of the desk: a random number, so that no state must be kept.
        self._boot = secrets.randbits(52)
        self._seq = 0
        self._last: dict[str, tuple[int, bytes]] = {}  # by topic: number and bytes of the last own order
        self._lock = threading.Lock()
        self._tried_s = -TRY_EVERY_S
        self._heard_before: frozenset[str] | None = None
        self._namesakes: set[str] = set()  # boots

    @staticmethod
    def at_broker(
        url: str, desk_id: str = "desk", login: Login | None = None, record: Callable[[], Orders] = dict
    ) -> Desk:
        """Return a desk that publishes to the broker at `url`; it connects on its first use."""
        own = f"underair/v1/+/desk/{desk_id}/order"
        desk = Desk(lambda: ConfirmingPublisher(url, login, own, desk.give_back), desk_id, record)
        return desk

    def open(self) -> None:
        """Connect now rather than on the first message.

        Raises `BrokerProblem` when the broker cannot be reached.
        """
        with self._lock:
            self._line()

    def connected(self) -> bool:
        """Return whether there is a line to the broker; without one, try again now and then."""
        publisher = self._publisher
        if publisher is not None:
            return publisher.connected
        if time.monotonic() - self._tried_s > TRY_EVERY_S:
            self._tried_s = time.monotonic()
            threading.Thread(target=self._try, name="desk", daemon=True).start()
        return False

    def hear(self, heard: Sequence[str]) -> None:
        """Warn once of each other desk that uses this one's name.

        `heard`: the latest identities of desks' messages that came through. Those of the first call may be
        this desk's own of before it was started.
        """
        if self._heard_before is None:
            self._heard_before = frozenset(heard)
        for identity in heard:
            desk_id, boot, _ = identity.rsplit("/", 2)
            known = identity in self._heard_before or boot in {str(self._boot), *self._namesakes}
            if desk_id == self.desk_id and not known:
                self._namesakes.add(boot)
                log.warning(
                    "another desk uses the name %s (boot %s): start one of them with another --desk",
                    desk_id,
                    boot,
                )

    def send(
        self,
        kind: str,
        service: str,
        fields: dict[str, Any],
        standing: Iterable[dict[str, Any]] = (),
        account: str = "",
    ) -> str:
        """Publish one desk message and return its identity ``desk_id/boot/seq``.

        - `fields`: those of `filled_in`; empty ones are left out.
        - `standing`: for this desk's first `order` to a service: its orders there that were in force before.
        - `account`: who is signed in; goes with the message. Empty where nobody has to sign in.

        Raises `RefusedMessage` when it would not keep the contract: the listener would refuse it;
        `BrokerProblem` when the broker has not acknowledged it within `SENT_WITHIN_S`; it will not go out
        later.
        """
        if kind not in DESK_KINDS:
            raise ValueError(f"a desk sends {', '.join(DESK_KINDS)}, got {kind!r}")
        topic = Topic(service, "desk", self.desk_id, kind).text
        given = {name: fields[name] for name in filled_in(kind) if fields.get(name) not in (None, "")}
        began_s = time.monotonic()
        if not self._lock.acquire(timeout=SENT_WITHIN_S):
            raise BrokerProblem("the desk is still waiting for its broker; nothing was sent, try again")
        try:
            message = {
                "kind": kind,
                "desk_id": self.desk_id,
                "boot": self._boot,
                "seq": self._seq,
                "time": datetime.now(UTC).isoformat(timespec="milliseconds"),
                **given,
            }
            if account:
                message["account"] = account
            if kind == "order":
                message["standing"] = self._in_force(topic, message, standing)
            payload = msgspec.json.encode(message)
            decode(topic, payload)
            line = self._line()
            left_s = SENT_WITHIN_S - (time.monotonic() - began_s)
            if left_s <= 0:
                raise BrokerProblem("connecting to the broker took too long; nothing was sent, try again")
            try:
                line.publish(topic, payload, kind in RETAINED_KINDS, timeout_s=left_s)
            except BrokerProblem as problem:
                if isinstance(problem, Unconfirmed):
                    self._seq += 1  # it may have arrived: another message must not have its number
                self._hang_up()
                raise
            self._seq += 1
            if kind == "order":
                self._keep(topic, payload)
        finally:
            self._lock.release()
        return f"{self.desk_id}/{self._boot}/{self._seq - 1}"

    def _in_force(
        self, topic: str, order: dict[str, Any], before: Iterable[dict[str, Any]]
    ) -> list[dict[str, Any]]:
        """Return this desk's orders to a service that are in force once `order` has gone out."""
        known = msgspec.json.decode(self._last[topic][1])["standing"] if topic in self._last else before
        in_force = [one for one in known if _same_order(one) != _same_order(order)]
        if order["state"] == "given":
            own = {name: order[name] for name in ("incident_id", "order", "team", "set_id") if name in order}
            in_force.append(own | {"since": order["time"]})
        if len(in_force) > MOST_STANDING_ORDERS:
            raise RefusedMessage(
                f"at most {MOST_STANDING_ORDERS} orders of one desk can be in force; lift one first",
                "$.standing",
            )
        return in_force

    def give_back(self, kept: Mapping[str, bytes]) -> None:
        """Publish the last order on each topic again where the broker has lost it.

        With its own bytes, so that whoever knows it takes it for the same message: no new order.

        - `kept`: what the broker has, by topic.
        """
        record = self._record()
        with self._lock:
            for topic in {*record, *kept}:
                for payload in (*record.get(topic, ()), kept.get(topic)):
                    self._keep(topic, payload)
            for topic in sorted({*record, *self._last}):
                held, heard = kept.get(topic), record.get(topic, ())
                last = self._last[topic][1] if topic in self._last else heard[-1]
                # What nobody has heard may be newer, unless this desk has spoken since it was started.
                newer = held is not None and topic not in self._last and held not in heard
                if held != last and not newer and str(_number(held)[0]) not in self._namesakes:
                    self._publish_again(topic, last)

    def _publish_again(self, topic: str, payload: bytes) -> None:
        if self._publisher is None:
            return  # the next line begins with this
        try:
            self._publisher.publish(topic, payload, True, timeout_s=HANG_UP_S)
        except BrokerProblem as problem:
            log.warning("an order was not given back to the broker: %s", problem)
            self._hang_up()

    def _keep(self, topic: str, payload: bytes | None) -> None:
        """Remember an order if it is this desk's last one, and not of another desk of its name."""
        boot, seq = _number(payload)
        if payload is not None and boot == self._boot:
            self._last[topic] = max(self._last.get(topic, (-1, b"")), (seq, payload))

    def close(self) -> None:
        """Close the line."""
        with self._lock:
            self._hang_up()

    def _try(self) -> None:
        with contextlib.suppress(BrokerProblem), self._lock:
            self._line()

    def _line(self) -> Publisher:
        if self._publisher is None:
            self._tried_s = time.monotonic()
            self._publisher = self._connect()
        return self._publisher

    def _hang_up(self) -> None:
        publisher, self._publisher = self._publisher, None
        if publisher is not None:
            try:
                publisher.close(HANG_UP_S)
            except BrokerProblem as problem:
                log.warning("%s", problem)


def _same_order(order: dict[str, Any]) -> tuple[str, ...]:
    return tuple(order.get(name) or "" for name in ("incident_id", "order", "team", "set_id"))


def _number(payload: bytes | None) -> tuple[int, int]:
    try:
        said = msgspec.json.decode(payload or b"", type=_Said)
    except msgspec.DecodeError:  # nothing that a desk says
        return -1, -1
    return said.boot, said.seq
