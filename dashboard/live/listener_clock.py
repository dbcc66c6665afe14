"""How far a listener's clock is from this machine's, so that no age on the page is silently wrong.

Readings are stamped by the listener; their age is counted on the same clock. A listener renews its word
every few seconds with the time on its own clock: the fastest of the last words tells the difference.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from datetime import datetime

from ingest.status import Status

WORDS_KEPT = 3
AGREES_WITHIN_S = 2.0  # our own rule: above what a busy machine delays a look, below what an age may be wrong


class ListenerClock:
    """Compares each newly heard word of each listener with this machine's clock."""

    def __init__(self) -> None:
        self._last: dict[str, datetime] = {}
        self._ahead_s: dict[str, deque[float]] = {}

    def hear(self, statuses: Iterable[Status], now: datetime) -> None:
        """Take the listeners' last status, as it is at `now` on this machine's clock."""
        for status in statuses:
            before, self._last[status.listener] = self._last.get(status.listener), status.at
            ahead_s = (status.at - now).total_seconds()
            # Of a first word it is not known when it was written; but none was written in the future.
            renewed = before is not None and status.at != before
            if renewed or (before is None and ahead_s > AGREES_WITHIN_S):
                self._ahead_s.setdefault(status.listener, deque(maxlen=WORDS_KEPT)).append(ahead_s)

    def differences_s(self) -> dict[str, float]:
        """Return by listener how far its clock is ahead of this machine's (negative: behind), if it is."""
        differences = {name: max(words) for name, words in self._ahead_s.items()}
        return {name: ahead_s for name, ahead_s in differences.items() if abs(ahead_s) > AGREES_WITHIN_S}

    def ahead_s(self) -> float:
        """Return by how much to put this machine's clock forward for ages; 0 where all agree.

        Of several listeners the one farthest ahead counts: an age may come out too old, never too young.
        """
        known = {name: max(words) for name, words in self._ahead_s.items()}
        ahead_s = max(known.values(), default=0.0)
        return ahead_s if abs(ahead_s) > AGREES_WITHIN_S else 0.0
