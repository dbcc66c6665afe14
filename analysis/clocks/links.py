"""What was not heard: silences inside wears and at their end, and messages that never came."""

import itertools
from collections.abc import Mapping
from dataclasses import dataclass
from statistics import median
from typing import Any

import numpy as np
import polars as pl

from analysis.records import Ints, PowerUp, grouped, lost_between, micros
from analysis.refused import refused_between
from analysis.wears.wears import Message, Wear

SILENCE_INTERVALS = 3.0
"""The method: a gap is a silence longer than three times the set's usual interval."""
TRANSPORT_S = 1.0
"""Grace for radio and listener on top of that, where the moments of receipt count."""
LATE_S = 5.0
"""A lag that a person notices. Our own rule."""
LONGEST_QUIET_S = 60.0
"""No set may be quiet for longer, however seldom it speaks: by then its number is old. Our own rule."""
USUAL_OF = 21  # intervals


@dataclass(frozen=True, slots=True)
class Gap:
    """One silence between two pressure readings of a wear, or (`at_end`) from its last to what came next.

    `lost_messages` is None when the source does not number its messages: then nobody can count them.
    """

    wear: Wear
    started_us: int
    ended_us: int
    lost_messages: int | None
    refused_messages: int
    before_identity: str
    after_identity: str
    at_end: bool = False
    then: str = ""  # what ended a silence that no message of the same power-up ended
    # Readings of it that arrived later, and by when all of them had: a silence for the desk alone.
    heard_later: int = 0
    known_us: int = 0

    @property
    def seconds(self) -> float:
        """How long it lasted."""
        return (self.ended_us - self.started_us) * 1e-6


def links_down(messages: Mapping[str, pl.DataFrame]) -> dict[str, list[int]]:
    """Return when the link of each set was said to be down, microseconds since 1970, by set.

    A last will has no clock of its own and may be all that there is: what counts is when it was received.
    """
    frame = messages["link"]
    if not frame.height:
        return {}
    said = frame.filter((pl.col("state") == "down") & ~pl.col("retained")).sort("set_id", "received")
    return grouped(zip(said["set_id"].to_list(), micros(said["received"]).tolist(), strict=True))


def usual_interval_s(at_us: Ints) -> float | None:
    """Return the median interval between readings; None with fewer than three.

    - `at_us`: their moments, ascending.

    Of the first ones or of the latest, whichever is shorter: a set whose messages are lost one by one gets no
    more time for it. Our own rule.
    """
    if len(at_us) < 3:
        return None
    # Of so few, Python's own sorting takes a tenth of the time of an array's median.
    ends = (at_us[: USUAL_OF + 1].tolist(), at_us[-USUAL_OF - 1 :].tolist())
    usual_us: float = min(median(b - a for a, b in itertools.pairwise(end)) for end in ends)
    return usual_us * 1e-6


def silent_after_s(usual_s: float) -> float:
    """Return after how many seconds without a reading a set is silent; `usual_s`: its usual interval."""
    return min(SILENCE_INTERVALS * max(usual_s, 0.2), LONGEST_QUIET_S)


def gaps_of(wear: Wear) -> list[Gap]:
    """Return the silences of one wear, longer than three times its usual interval, and the one at its end."""
    usual_s = usual_interval_s(wear.at_us)
    if usual_s is None:
        return []
    pauses = np.flatnonzero(np.diff(wear.at_us) * 1e-6 > silent_after_s(usual_s)).tolist()
    found = [_gap(wear, wear.message(place), wear.message(place + 1)) for place in pauses]
    following = wear.following
    if following is not None and (following.at_us - wear.ended_us) * 1e-6 > silent_after_s(usual_s):
        found.append(_gap(wear, wear.message(-1), following, at_end=True))
    return found


def _gap(wear: Wear, before: Message, after: Message, **more: Any) -> Gap:
    """Return the silence between two messages of a wear; `more`: its other fields, or other ends."""
    lost, refused = _missing(wear.power_up, (before.seq, after.seq), (before.at_us, after.at_us))
    ends: dict[str, Any] = {"started_us": before.at_us, "ended_us": after.at_us}
    ends |= {"before_identity": before.identity, "after_identity": after.identity}
    return Gap(wear, lost_messages=lost, refused_messages=refused, **(ends | more))


def filled_later(wear: Wear) -> list[Gap]:
    """Return the silences in which nothing was received, though readings of that time arrived later.

    Of a set that nobody had tallied in and that was only read out after the wear, no desk missed anything.
    """
    at_us, usual_s = wear.at_us, usual_interval_s(wear.at_us)
    late = wear.received_us - at_us > LATE_S * 1e6
    if usual_s is None or not late.any():
        return []
    order = np.argsort(wear.received_us, kind="stable")
    heard_us = np.minimum(wear.received_us, wear.ended_us)[order]
    if wear.tally is None and heard_us[0] == wear.ended_us:
        return []
    # What came at once shows the moment that it is about; what came late shows only when it was received.
    shown_us = np.maximum.accumulate(np.where(late[order], heard_us, at_us[order]))
    moment_us = np.concatenate([[wear.started_us], shown_us])
    quiet_us = np.diff(np.concatenate([[wear.started_us], heard_us]))
    found = []
    for position in np.flatnonzero(quiet_us > (silent_after_s(usual_s) + TRANSPORT_S) * 1e6).tolist():
        started_us, ended_us = moment_us[position : position + 2].tolist()
        later = late & (at_us > started_us) & (at_us <= ended_us)
        if not later.any():
            continue
        # At the pace at which they were said, and to the end of the wear: the listener's clock was set.
        took_us, said_us = np.ptp(wear.received_us[later]), np.ptp(at_us[later])
        if ended_us == wear.ended_us and 2 * took_us > said_us > 0:
            continue
        before = wear.message(int(at_us.searchsorted(started_us, "right")) - 1)
        after = wear.message(min(int(at_us.searchsorted(ended_us)), len(at_us) - 1))
        known_us = int(wear.received_us[later].max())
        span = {"started_us": started_us, "ended_us": ended_us}
        found.append(_gap(wear, before, after, **span, heard_later=int(later.sum()), known_us=known_us))
    return found


def _missing(power_up: PowerUp, seqs: tuple[int, int], times_us: tuple[int, int]) -> tuple[int | None, int]:
    """Return how many messages between two heard ones never came, and how many came and were refused."""
    between = min(seqs), max(seqs)
    refused = refused_between(power_up, between, times_us)
    if not power_up.losses_known:
        return None, refused
    return max(0, lost_between(power_up, *between) - refused), refused


def lost_in(wear: Wear) -> int | None:
    """Return how many messages of any kind between the wear's first and last reading never came, if known."""
    seqs = int(wear.seq.min()), int(wear.seq.max())
    return _missing(wear.power_up, seqs, (wear.started_us, wear.ended_us))[0]
