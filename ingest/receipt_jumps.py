"""Find where the clock of a capture's listener was set, by the senders' own clocks.

A capture has its messages in the order of receipt. Where the next time of receipt is earlier, while senders
count on, the listener's clock was set back. Where it is much later, and for all senders alike and for good,
while their own times run on evenly, it was set forward. A shorter such hole may be a delay on the way: then
what came late must stay late.
"""

import itertools
from collections.abc import Iterator, Sequence
from datetime import datetime
from statistics import median
from typing import NamedTuple

from ingest.contract.captures import BadLine, Heard
from ingest.contract.errors import RefusedMessage
from ingest.contract.messages import decode
from ingest.contract.topics import parse_topic

BACK_FROM_S = 0.5
"""As for two listeners' clocks: a smaller difference moves nothing. Our own rule."""
FORWARD_FROM_S = 900.0
"""No way holds all senders back by the same quarter of an hour for good. Our own rule."""
ONE_FORWARD_FROM_S = 6 * 3600.0
"""Nor one sender alone by six hours. Our own rule."""
ALIKE_S = 2.0
LEAST_SHARE = 0.8
"""So nearly, and so many, must senders and messages agree; the others may have been late. Our own rule."""
NEAR_LINES = 4000
LASTING_LINES = 20
"""So many messages after it must agree that a clock was set forward. Our own rule."""
MOST_JUMPS = 20
"""With more, the lines are in another order than that of receipt. Our own rule."""

Speaker = tuple[str, str, str, int]


class Jump(NamedTuple):
    """A set clock."""

    line: int  # index of the first message after it
    at: datetime  # its time of receipt as written
    seconds: float  # positive: set forward


class _Said(NamedTuple):
    seq: int
    time_s: float
    received_s: float

    @property
    def late_s(self) -> float:
        return self.received_s - self.time_s


def find_jumps(items: Sequence[Heard | BadLine]) -> list[Jump]:
    """Return where the listener's clock was set, in order of the lines."""
    heard = [(index, item) for index, item in enumerate(items) if isinstance(item, Heard)]
    places = []
    for place in range(1, len(heard)):
        apart_s = (heard[place][1].received - heard[place - 1][1].received).total_seconds()
        if apart_s <= -BACK_FROM_S or apart_s >= FORWARD_FROM_S:
            places.append(place)
    if len(places) > MOST_JUMPS:
        return []
    found = []
    for place, until in itertools.pairwise([*places, len(heard)]):
        before = [item for _, item in heard[max(place - NEAR_LINES, 0) : place]]
        after = [item for _, item in heard[place : min(place + NEAR_LINES, until)]]
        seconds = _jump_s(before, after)
        if seconds:
            index, item = heard[place]
            found.append(Jump(index, item.received, seconds))
    return found


def _jump_s(before: Sequence[Heard], after: Sequence[Heard]) -> float:
    """Return by how much the listener's clock was set between two messages, 0 for not at all."""
    last = dict(_said(before))
    breaks: dict[Speaker, list[float]] = {}
    for speaker, said in _said(after):
        known = last.get(speaker)
        if known is not None and said.seq > known.seq and said.time_s >= known.time_s:
            breaks.setdefault(speaker, []).append(said.late_s - known.late_s)
    if not breaks:
        return 0.0
    seconds = median(ones[0] for ones in breaks.values())
    if not _agree([ones[0] for ones in breaks.values()], seconds):
        return 0.0
    if seconds <= -BACK_FROM_S:
        return seconds
    every = [one for ones in breaks.values() for one in ones]
    lasts = len(every) >= LASTING_LINES and _agree(every, seconds)
    from_s = FORWARD_FROM_S if len(breaks) > 1 else ONE_FORWARD_FROM_S
    return seconds if lasts and seconds >= from_s else 0.0


def _agree(breaks: Sequence[float], seconds: float) -> bool:
    alike = sum(abs(one - seconds) <= ALIKE_S for one in breaks)
    return alike >= LEAST_SHARE * len(breaks)


def _said(items: Sequence[Heard]) -> Iterator[tuple[Speaker, _Said]]:
    """Yield what was said live by a speaker that numbers its messages and has a clock."""
    for item in items:
        if item.retained:
            continue
        try:
            topic, message = parse_topic(item.topic), decode(item.topic, item.payload)
        except RefusedMessage:
            continue
        if message.boot is None or message.seq is None or message.time is None:
            continue
        time_s = datetime.fromisoformat(message.time.upper()).timestamp()
        speaker = topic.service, topic.speaker, topic.speaker_id, message.boot
        yield speaker, _Said(message.seq, time_s, item.received.timestamp())
