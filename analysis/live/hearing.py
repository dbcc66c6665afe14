"""How well messages arrive: how many came lately, what was refused, with what delay."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

import polars as pl

from analysis.live.rows import Hearing
from ingest.contract.frames import Messages
from ingest.contract.kinds import KINDS

SECONDS_COUNTED = 120
REFUSED_KEPT = 10_000


class HeardSoFar:
    """Counts of what was received, by the listener's clock."""

    def __init__(self) -> None:
        self._received: deque[tuple[int, int]] = deque(maxlen=SECONDS_COUNTED)
        self._refused: deque[tuple[float, str]] = deque(maxlen=REFUSED_KEPT)
        self._last_s: float | None = None

    def take(self, messages: Messages) -> None:
        """Count newly received messages."""
        received_us = pl.col("received").dt.epoch("us")
        lots = [messages[kind].select(received_us) for kind in (*KINDS, "refused") if messages[kind].height]
        if not lots:
            return
        received = pl.concat(lots)["received"].sort()
        newest_s = float(received[-1]) * 1e-6
        self._last_s = max(newest_s, self._last_s or 0.0)
        seconds = (received // 1_000_000).value_counts(sort=False).sort("received")
        for second, count in seconds.iter_rows():
            if self._received and self._received[-1][0] == second:
                self._received[-1] = (second, self._received[-1][1] + count)
            else:
                self._received.append((second, count))
        refused = messages["refused"].sort("received")
        for received_us, reason in refused.select(pl.col("received").dt.epoch("us"), "reason").iter_rows():
            self._refused.append((received_us * 1e-6, reason))

    def at(self, now_s: float, delays_s: Sequence[float]) -> Hearing:
        """Return how well messages arrive, at a moment."""
        lately = [reason for at_s, reason in self._refused if at_s >= now_s - 3600.0]
        ordered = sorted(delays_s)
        return Hearing(
            last_received_at=self._last_s,
            received_last_minute=sum(count for second, count in self._received if second >= now_s - 60.0),
            refused_last_hour=len(lately),
            last_refusal=lately[-1] if lately else None,
            delay_p95_s=ordered[int(0.95 * (len(ordered) - 1))] if ordered else None,
        )
