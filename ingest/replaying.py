"""A capture played to a broker again, in its own rhythm or faster."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable
from datetime import datetime

from ingest.broker.mqtt import Publisher
from ingest.contract.captures import Heard
from ingest.contract.kinds import RETAINED_KINDS


def publishable(topic: str) -> bool:
    """Return whether MQTT allows a topic to be published to."""
    try:
        length = len(topic.encode())
    except UnicodeEncodeError:
        return False
    return 0 < length <= 65_535 and not set("+#\0") & set(topic)


def replay(
    heard: Iterable[Heard],
    publisher: Publisher,
    *,
    speed: float,
    stop: threading.Event,
    progress: Callable[[int], object] = int,
) -> tuple[int, int]:
    """Publish messages in the rhythm in which they were received.

    - `heard`: payloads go out verbatim: their times stay those of the recording.
    - `speed`: 2 is twice as fast.

    Returns messages published, and messages left out because MQTT allows no such topic.
    """
    published = left_out = 0
    first: datetime | None = None
    began = time.monotonic()
    for message in heard:
        if first is None:
            first = message.received
        due = began + (message.received - first).total_seconds() / speed
        wait_s = due - time.monotonic()
        if (wait_s > 0 and stop.wait(wait_s)) or stop.is_set():
            break
        if not publishable(message.topic):
            left_out += 1
            continue
        retain = message.retained or message.topic.rpartition("/")[2] in RETAINED_KINDS
        publisher.publish(message.topic, message.payload, retain=retain)
        published += 1
        progress(published)
    return published, left_out
