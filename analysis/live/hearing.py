"""How well messages arrive: how many came lately, what was refused, with what delay."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import msgspec
import polars as pl

from analysis.live.rows import Hearing
from analysis.refused import whose
from ingest.contract.frames import Messages
from ingest.contract.kinds import KINDS

SECONDS_COUNTED = 120
REFUSED_KEPT = 10_000
REFUSED_ALARMS_KEPT = 1_000


class _SaidAlarm(msgspec.Struct):
    alarm: str | None = None
    state: str | None = None


@dataclass(frozen=True, slots=True)
class RefusedAlarm:
    """An alarm message that was received and refused; seconds since 1970 by the listener's clock."""

    at_s: float
    service: str
    set_id: str
    alarm: str | None  # as the payload says it; None where that cannot be read
    reason: str


class HeardSoFar:
    """Counts of what was received, by the listener's clock."""

    def __init__(self) -> None:
        self._received: deque[tuple[int, int]] = deque(maxlen=SECONDS_COUNTED)
        self._refused: deque[tuple[float, str]] = deque(maxlen=REFUSED_KEPT)
        self._last_s: float | None = None
        self.refused_alarms: deque[RefusedAlarm] = deque(maxlen=REFUSED_ALARMS_KEPT)
        self.refused_at_s: dict[tuple[str, str], float] = {}  # by service and set: the last one refused

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
        if refused.height:
            self._take_refused_of_sets(refused)

    def _take_refused_of_sets(self, refused: pl.DataFrame) -> None:
        of_sets = whose(refused).filter(pl.col("role") == "set")
        at_s = pl.col("received").dt.epoch("us") * 1e-6
        service = pl.col("topic").str.split("/").list.get(2)
        columns = [at_s, service.alias("service"), "speaker", "kind", "payload", "reason"]
        for received_s, name, set_id, kind, payload, reason in of_sets.select(columns).iter_rows():
            self.refused_at_s[name, set_id] = received_s
            said = _said_alarm(payload) if kind == "alarm" else None
            if said is not None and said.state in (None, "raised"):
                self.refused_alarms.append(RefusedAlarm(received_s, name, set_id, said.alarm, reason))

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


def _said_alarm(payload: bytes) -> _SaidAlarm:
    try:
        return msgspec.json.decode(payload, type=_SaidAlarm)
    except (msgspec.MsgspecError, ValueError, RecursionError):
        return _SaidAlarm()
