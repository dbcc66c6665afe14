"""What was not heard: silences inside wears, and messages that never came."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.records import lost_between
from analysis.wears import Wear

SILENCE_INTERVALS = 3.0
"""The method: a gap is a silence longer than three times the set's usual interval."""


@dataclass(frozen=True, slots=True)
class Gap:
    """One silence between two pressure readings of a wear."""

    wear: Wear
    started_us: int
    ended_us: int
    seconds: float
    lost_messages: int
    before_identity: str
    after_identity: str


def usual_interval_s(wear: Wear) -> float | None:
    """Return the median interval between the wear's pressure readings; None with fewer than three."""
    if len(wear.at_us) < 3:
        return None
    return float(np.median(np.diff(wear.at_us))) * 1e-6


def gaps_of(wear: Wear) -> list[Gap]:
    """Return the silences of one wear, longer than three times its usual interval."""
    usual_s = usual_interval_s(wear)
    if usual_s is None:
        return []
    quiet_us = np.diff(wear.at_us)
    found = []
    for position in np.flatnonzero(quiet_us * 1e-6 > SILENCE_INTERVALS * max(usual_s, 0.2)).tolist():
        first_seq, last_seq = sorted((int(wear.seq[position]), int(wear.seq[position + 1])))
        found.append(
            Gap(
                wear=wear,
                started_us=int(wear.at_us[position]),
                ended_us=int(wear.at_us[position + 1]),
                seconds=float(quiet_us[position]) * 1e-6,
                lost_messages=lost_between(wear.power_up, first_seq, last_seq),
                before_identity=wear.identity(position),
                after_identity=wear.identity(position + 1),
            )
        )
    return found


def lost_in(wear: Wear) -> int:
    """Return how many messages of any kind between the wear's first and last reading never came."""
    return lost_between(wear.power_up, int(wear.seq.min()), int(wear.seq.max()))
