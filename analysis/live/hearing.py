"""How well messages arrive: how many came lately, what was refused, with what delay; and when of each set."""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from analysis.clocks.links import TRANSPORT_S, silent_after_s, usual_interval_s
from analysis.live.rows import FromMemory, Hearing
from analysis.records import Channel, Floats, Ints, PowerUp, micros
from analysis.wears.tally import FORGOTTEN_AFTER_US
from ingest.contract.frames import Messages
from ingest.contract.kinds import KINDS

SECONDS_COUNTED = 120
REFUSED_KEPT = 10_000
DEFAULT_INTERVAL_S = 5.0  # until two readings have shown the usual interval
LAST_INTERVALS = 21
BEGINS_AFTER_S = 12 * 3600.0
"""After so long without a message a record begins anew. Our own rule."""


class HeardSoFar:
    """Counts of what was received, by the listener's clock."""

    def __init__(self) -> None:
        self._received: deque[tuple[int, int]] = deque(maxlen=SECONDS_COUNTED)
        self._refused: deque[tuple[float, str]] = deque(maxlen=REFUSED_KEPT)
        self._last_s: float | None = None
        self._began_s: float | None = None

    def take(self, messages: Messages) -> None:
        """Count newly received messages."""
        lots = [messages[kind]["received"] for kind in (*KINDS, "refused") if messages[kind].height]
        if not lots:
            return
        received_us = micros(pl.concat(lots))
        self._last_s = max(float(received_us.max()) * 1e-6, self._last_s or 0.0)
        seconds, counts = np.unique(received_us // 1_000_000, return_counts=True)
        for second, count in zip(seconds.tolist(), counts.tolist(), strict=True):
            if not self._received or second - self._received[-1][0] >= BEGINS_AFTER_S:
                self._began_s = float(second)
            if self._received and self._received[-1][0] == second:
                self._received[-1] = (second, self._received[-1][1] + count)
            else:
                self._received.append((second, count))
        if messages["refused"].height:
            refused = messages["refused"].sort("received")
            at_s = (1e-6 * micros(refused["received"])).tolist()
            self._refused += zip(at_s, refused["reason"].to_list(), strict=True)

    def at(
        self,
        now_s: float,
        delays_s: Sequence[float],
        tallies_unread: int = 0,
        from_memory: tuple[FromMemory, ...] = (),
    ) -> Hearing:
        """Return how well messages arrive, at a moment."""
        lately = [reason for at_s, reason in self._refused if at_s >= now_s - 3600.0]
        ordered = sorted(delays_s)
        return Hearing(
            last_received_at=self._last_s,
            received_last_minute=sum(count for second, count in self._received if second >= now_s - 60.0),
            refused_last_hour=len(lately),
            last_refusal=lately[-1] if lately else None,
            tallies_unread=tallies_unread,
            delay_p95_s=ordered[int(0.95 * (len(ordered) - 1))] if ordered else None,
            began_at=self._began_s,
            from_memory=from_memory,
        )


class BrokerMemory:
    """What was not heard live but kept by the broker: one for each set and alarm, or wearer tallied *in*.

    A retained message may be a minute or a year old, so it opens nothing by itself. But it is about a person:
    the page says that it is there, until something newer is heard of it.
    """

    def __init__(self) -> None:
        self._kept: dict[tuple[str, str, str | None], FromMemory] = {}  # by service, set or wearer, alarm
        self._last: dict[tuple[str, str, str], tuple[int, int]] = {}  # by service, speaker, kind: heard live

    def take(self, messages: Messages) -> None:
        """Take newly received messages."""
        for kind, speaker in (("alarm", "set_id"), ("tally", "desk_id"), ("resolved", "desk_id")):
            for row in messages[kind].sort("received").iter_rows(named=True):
                who = row["wearer_id"] if kind == "tally" else row["set_id"]
                key = (row["service"], who or row["set_id"], row.get("alarm"))
                said_by, identity = (row["service"], row[speaker], kind), (row["boot"], row["seq"])
                if not row["retained"]:
                    self._last[said_by] = identity
                    self._forget(key)
                # If the source does not number its messages, nothing shows that this is a copy.
                elif (None in identity or identity != self._last.get(said_by)) and (
                    row.get("state") in ("raised", "acknowledged") or row.get("action") == "in"
                ):
                    self._kept[key] = FromMemory(key[1], row.get("alarm"), row["time"].timestamp())

    def _forget(self, heard: tuple[str, str, str | None]) -> None:
        service, who, alarm = heard
        for key in [key for key in self._kept if key[:2] == (service, who) and alarm in (None, key[2])]:
            del self._kept[key]

    def at(self, now_s: float) -> tuple[FromMemory, ...]:
        """Return what is, by its own time, no older than a set without a tally stays; the newest first."""
        found = [one for one in self._kept.values() if now_s - one.said_at <= FORGOTTEN_AFTER_US * 1e-6]
        return tuple(sorted(found, key=lambda one: -one.said_at))


@dataclass(frozen=True, slots=True)
class HeardSet:
    """When what was heard of a set, live; microseconds since 1970."""

    newest: PowerUp | None = None  # the power-up that was heard last
    # `last_us`, `reading_us`: when the set last said anything, and a pressure that is believed
    last_us: int | None = None
    reading_us: int | None = None
    # Moments and pressures since then that are not believed.
    unbelieved: tuple[Ints, Floats] | None = None
    # `offs_us`, `boots_us`: when it was switched off; when each power-up was first heard
    offs_us: tuple[int, ...] = ()
    boots_us: tuple[int, ...] = ()
    # How long it may be quiet: three of its usual intervals between readings.
    silent_after_us: int = round((silent_after_s(DEFAULT_INTERVAL_S) + TRANSPORT_S) * 1e6)

    @property
    def too_high_us(self) -> int | None:
        """Since when its pressures have been higher than can be."""
        return int(self.unbelieved[0][0]) if self.unbelieved is not None else None

    @property
    def sent_bar(self) -> float | None:
        """The last pressure that it sent and that is not believed."""
        return float(self.unbelieved[1][-1]) if self.unbelieved is not None else None

    def sent_low_us(self, low_air_bar: float) -> int | None:
        """Since when the pressures that are not believed have been at or below the warning."""
        if self.unbelieved is None:
            return None
        low_us = self.unbelieved[0][self.unbelieved[1] <= low_air_bar]
        return int(low_us[0]) if len(low_us) else None

    @property
    def interrupted_us(self) -> list[int]:
        """When it was switched off, or began a new power-up."""
        return sorted([*self.offs_us, *self.boots_us[1:]])


def heard_of(power_ups: Sequence[PowerUp]) -> HeardSet:
    """Return when what was heard of a set."""
    newest, last_us, reading_us, usual_s = None, None, None, DEFAULT_INTERVAL_S
    unbelieved: tuple[Ints, Floats] | None = None
    offs_us: list[int] = []
    boots_us: list[int] = []
    for power_up in power_ups:
        firsts = []
        for kind, channel in power_up.channels.items():
            ends = _live_ends(channel)
            if ends is None:
                continue
            first_us, end_us = ends
            firsts.append(first_us)
            if last_us is None or end_us > last_us:
                newest, last_us = power_up, end_us
            if kind == "pressure":
                high = power_up.too_high
                if high is not None:
                    end_us = int(channel.at_us[~(channel.retained | high)].max(initial=0))
                    high = high & (channel.at_us > end_us)
                if end_us or (high is not None and not high.any()):
                    unbelieved = None
                if high is not None and high.any():
                    sent = channel.at_us[high], channel.numbers["pressure_bar"][high]
                    unbelieved = _joined(unbelieved, sent)
                if end_us:  # else all were too high
                    reading_us = end_us if reading_us is None else max(end_us, reading_us)
                usual_s = (usual_interval_s(channel.at_us) if len(channel) > 3 else None) or usual_s
            elif kind == "power":
                for position, row in enumerate(channel.rows):
                    if row["state"] == "off" and not channel.retained[position]:
                        offs_us.append(int(channel.at_us[position]))
        if firsts:
            boots_us.append(min(firsts))
    allowed_us = round((silent_after_s(usual_s) + TRANSPORT_S) * 1e6)
    boots = tuple(sorted(boots_us))
    return HeardSet(newest, last_us, reading_us, unbelieved, tuple(offs_us), boots, allowed_us)


def _joined(before: tuple[Ints, Floats] | None, then: tuple[Ints, Floats]) -> tuple[Ints, Floats]:
    if before is None:
        return then
    return np.concatenate((before[0], then[0])), np.concatenate((before[1], then[1]))


def _live_ends(channel: Channel) -> tuple[int, int] | None:
    first, last = 0, len(channel) - 1
    while first <= last and channel.retained[first]:
        first += 1
    while last >= first and channel.retained[last]:
        last -= 1
    return (int(channel.at_us[first]), int(channel.at_us[last])) if first <= last else None


def latest_delays_s(newest: PowerUp | None) -> list[float]:
    """Return the latest delays on the way, seconds."""
    found: list[float] = []
    for channel in newest.channels.values() if newest is not None else ():
        newest_of = channel.received_us[-3:], channel.at_us[-3:], channel.retained[-3:]
        of_each = zip(*(values.tolist() for values in newest_of), strict=True)
        found += [(received_us - at_us) * 1e-6 for received_us, at_us, retained in of_each if not retained]
    return found
