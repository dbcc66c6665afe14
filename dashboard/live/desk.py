"""Publishes the desk's messages over MQTT.

`send` returns when the broker has acknowledged; what failed never goes out later by itself. A message is done
when it has come back through the listener and the archive; the page recognises it there by its identity
(`desk_id/boot/seq`).
"""

from __future__ import annotations

import contextlib
import logging
import secrets
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime
from typing import Any

import msgspec

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


class Desk:
    """One desk: its identity and its line to the broker.

    `connect`: opens the line and returns something with `publish(topic, payload)` and `close()`; raises
    `BrokerProblem`.
    """

    def __init__(self, connect: Callable[[], Publisher], desk_id: str = "desk") -> None:
        if not is_id(desk_id):
            raise BadSettings(f"the desk's name must be {ID_WORDS}, got {desk_id!r}")
        self.desk_id = desk_id
        self._connect = connect
        self._publisher: Publisher | None = None
        # A restarted server is a new power-up of the desk: a random number, so that no state must be kept.
        self._boot = secrets.randbits(52)
        self._seq = 0
        self._standing: dict[tuple[str, ...], dict[str, Any]] | None = None
        self._lock = threading.Lock()
        self._tried_s = -TRY_EVERY_S
        self._heard_before: frozenset[str] | None = None
        self._namesakes: set[str] = set()  # boots

    @staticmethod
    def at_broker(url: str, desk_id: str = "desk", login: Login | None = None) -> Desk:
        """Return a desk that publishes to the broker at `url`; it connects on its first use."""
        return Desk(lambda: ConfirmingPublisher(url, login=login), desk_id)

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
        - `standing`: for the first `order` of this desk: its orders that were in force before it was started.
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
            in_force = None
            if kind == "order":
                in_force = self._in_force(message, standing)
                message["standing"] = list(in_force.values())
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
            if in_force is not None:
                self._standing = in_force
        finally:
            self._lock.release()
        return f"{self.desk_id}/{self._boot}/{self._seq - 1}"

    def _in_force(
        self, order: dict[str, Any], before: Iterable[dict[str, Any]]
    ) -> dict[tuple[str, ...], dict[str, Any]]:
        """Return this desk's orders that are in force once `order` has gone out."""
        known = {_same_order(one): one for one in before} if self._standing is None else self._standing
        in_force = {key: one for key, one in known.items() if key != _same_order(order)}
        if order["state"] == "given":
            own = {name: order[name] for name in ("incident_id", "order", "team", "set_id") if name in order}
            in_force[_same_order(order)] = own | {"since": order["time"]}
        if len(in_force) > MOST_STANDING_ORDERS:
            raise RefusedMessage(
                f"at most {MOST_STANDING_ORDERS} orders of one desk can be in force; lift one first",
                "$.standing",
            )
        return in_force

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
