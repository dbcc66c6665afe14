"""Sends the live board to other systems while the pages are served: nothing unless the settings say so.

States are retained messages, one for each incident. An incident that leaves the board is cleared by an empty
retained message. Events are not retained. What cannot be sent is not sent later: an old state would be taken
for the present.
"""

import contextlib
import logging
import queue
import threading
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import msgspec
from msgspec import Meta, Struct

from analysis.live.rows import Snapshot
from dashboard.out import cap
from dashboard.out.state import BoardState, Event, between, board_states, standing
from ingest.archive.durable import write_durably
from ingest.broker.mqtt import Publisher
from ingest.contract.any_error import ANY_ERROR
from ingest.contract.errors import BadSettings, BrokerProblem
from ingest.toml_faults import struct_in

EVERY_S = 1.0
SENT_WITHIN_S = 5.0
SAME_WITHIN_S = 60.0  # our own rule: a restart moves the beginning of one thing by less than this
EXAMPLE = Path(__file__).with_name("outward.example.toml")
log = logging.getLogger(__name__)


class CapSettings(Struct, frozen=True, forbid_unknown_fields=True):
    """Alerts in CAP 1.2."""

    sender: Annotated[str, Meta(pattern=r"\A[^ ,<&]+\Z")]
    addresses: Annotated[str, Meta(min_length=1)]
    exercise: bool = False
    topic: str = ""
    folder: str = ""


class OutwardSettings(Struct, frozen=True, forbid_unknown_fields=True):
    """What goes out; all of it is off by default."""

    state: bool = False
    events: bool = False
    cap: CapSettings | None = None


def load_outward(path: str | Path) -> OutwardSettings:
    """Read a settings file.

    Raises `BadSettings` with the place, the value and what was expected.
    """
    expected = {"$.cap.sender": "a name without spaces and commas"}
    settings = struct_in(path, OutwardSettings, EXAMPLE.name, expected)
    if settings.cap is not None and not (settings.cap.topic or settings.cap.folder):
        raise BadSettings(f"settings {path}: cap needs a topic, a folder, or both")
    return settings


class Told(Struct, frozen=True):
    """A beginning that was sent, and when."""

    event: Event
    sent: datetime


class Outward:
    """Takes snapshots, and sends what they say on a thread of its own.

    - `connect`: opens the line to the broker.
    - `told_file`: keeps what was sent and has not ended, so that the next run sends its end.
    """

    def __init__(self, connect: Callable[[], Publisher], settings: OutwardSettings, told_file: Path) -> None:
        self._connect = connect
        self._settings = settings
        self._told_file = told_file
        self._told = _read(told_file)
        self._again = [one.event for one in self._told.values()]  # new readers may not know it
        self._line: Publisher | None = None
        self._newest: queue.Queue[Snapshot | None] = queue.Queue(maxsize=1)
        self._shown: dict[tuple[str, str], BoardState] = {}
        self._next_s = 0.0
        self.trouble = ""
        self._thread = threading.Thread(target=self._run, name="outward", daemon=True)

    def start(self) -> None:
        """Begin to send."""
        self._thread.start()

    def take(self, snapshot: Snapshot) -> None:
        """Have a snapshot sent; one that is newer takes the place of one that still waits."""
        if snapshot.at < self._next_s:
            return
        self._next_s = snapshot.at + EVERY_S
        with contextlib.suppress(queue.Empty):
            self._newest.get_nowait()
        with contextlib.suppress(queue.Full):
            self._newest.put_nowait(snapshot)

    def stop(self) -> None:
        """Stop; states that others would take for the present are cleared."""
        if self._thread.is_alive():
            self._newest.put(None)
            self._thread.join(2 * SENT_WITHIN_S)
        if self._line is not None:
            self._line.close()

    def _run(self) -> None:
        while (snapshot := self._newest.get()) is not None:
            try:
                self._send(snapshot)
                self.trouble = ""
            except (BrokerProblem, OSError) as error:
                if not self.trouble:
                    log.warning("the board was not sent: %s", error)
                self.trouble = str(error)
            except ANY_ERROR as error:
                log.exception("the board was not sent by a fault of this program")
                self.trouble = f"{type(error).__name__}: {error}"
        with contextlib.suppress(BrokerProblem, OSError):
            for place in self._shown:
                self._publish(state_topic(*place), b"", retain=True)

    def _send(self, snapshot: Snapshot) -> None:
        now = standing(snapshot)
        while self._again:
            event = self._again[-1]
            if event.key in now:
                # One that ended and began again while nothing was sent is two events.
                if now[event.key].began_at - event.began_at > SAME_WITHIN_S:
                    event = msgspec.structs.replace(event, state="ended", at=snapshot.at)
                self._tell(event)
            self._again.pop()
        lasting = {key: one.event for key, one in self._told.items()}
        for event in between(lasting, now, snapshot.at):
            self._tell(event)
        if self._settings.state:
            states = board_states(snapshot)
            for place in self._shown.keys() - states.keys():
                self._publish(state_topic(*place), b"", retain=True)
            for place, state in states.items():
                self._publish(state_topic(*place), msgspec.json.encode(state), retain=True)
            self._shown = states

    def _tell(self, event: Event) -> None:
        first = self._told.get(event.key)
        sent = datetime.now(UTC)
        if self._settings.events:
            self._publish(f"underair/v1/{event.service or '-'}/board/events", msgspec.json.encode(event))
        if self._settings.cap is not None:
            self._alert(event, sent, self._settings.cap, first.sent if first else sent)
        if event.state == "ended":
            self._told.pop(event.key, None)
        elif first is None:
            self._told[event.key] = Told(event, sent)
        write_durably(self._told_file, msgspec.json.encode(self._told))

    def _alert(self, event: Event, sent: datetime, settings: CapSettings, first_sent: datetime) -> None:
        """Send an alert; one that is sent again repeats the first word for word."""
        alert = cap.alert(
            event,
            settings.sender,
            settings.addresses,
            sent if event.state == "ended" else first_sent,
            first_sent=first_sent,
            exercise=settings.exercise,
        )
        if settings.topic:
            self._publish(settings.topic, alert)
        if settings.folder:
            write_durably(
                Path(settings.folder) / f"{sent:%Y%m%dT%H%M%S.%f}-{event.what}-{event.state}.xml", alert
            )

    def _publish(self, topic: str, payload: bytes, retain: bool = False) -> None:
        if self._line is None:
            self._line = self._connect()
        if not self._line.connected:
            raise BrokerProblem("the broker is away; this is not sent later")
        self._line.publish(topic, payload, retain=retain, timeout_s=SENT_WITHIN_S)


def state_topic(service: str, incident_id: str) -> str:
    """Return where the state of an incident is published."""
    return f"underair/v1/{service}/board/{incident_id}"


def _read(told_file: Path) -> dict[str, Told]:
    try:
        return msgspec.json.decode(told_file.read_bytes(), type=dict[str, Told])
    except FileNotFoundError:
        return {}
    except msgspec.DecodeError as error:
        log.warning("%s cannot be read (%s): underair cannot end the events that it lists", told_file, error)
        return {}
