"""Work and rest with the jumps of real people, and work that goes on and rises until the air is gone.

The levels, lengths and spreads are statistics of real breathing: 10 people, 19 sessions of an intermittent
running test with warm-up and recovery (Oxford Natural Interaction Lab, *YoYoTest* data set, 2023), cut into
phases at the middle between the 10 % and 90 % points of the 30 s mean. Invented: that a phase is even, that
phases follow each other without memory, and how hard the rising work is. Nobody there wore fire kit.
"""

import numpy as np

from analysis.air.gas import FloatArray
from sample_logs.simulation.tasks import breathed, hot_rate

KINDS = ("work_and_rest", "hot")
REST_L_MIN, REST_SPREAD = 23.0, 0.57
"""Median of resting phases, and standard deviation of their logarithm over people and phases."""
WORK_L_MIN, WORK_SPREAD = 64.6, 0.40
REST_S, REST_S_SPREAD = 183.0, 1.19
WORK_S, WORK_S_SPREAD = 248.0, 1.11
OWN_PART = 0.8
"""Part of the variance of levels that is the person's own and not the phase's. Our own guess."""


def restless_rate(rng: np.random.Generator, kind: str, seconds: int) -> FloatArray:
    """Return a breathing rate on the 1 s grid, L/min.

    - `rng`: where chance comes from.
    - `kind`: ``"work_and_rest"`` changes between both; ``"hot"`` is work without a rest, and in half of the
      draws it rises from 0.7 to 1.3 of its mean over what a 6.8 L cylinder lasts.
    - `seconds`: how long.

    Raises `ValueError` if the kind is unknown.
    """
    if kind == "hot":
        return hot_rate(rng, seconds)
    if kind != "work_and_rest":
        raise ValueError(f"kind must be one of {', '.join(KINDS)}, got {kind!r}")
    return breathed(rng, _phases(rng, seconds))


def _phases(rng: np.random.Generator, seconds: int) -> FloatArray:
    own = float(rng.normal(0.0, np.sqrt(OWN_PART)))
    working = bool(rng.uniform() < 0.5)
    level = np.empty(seconds)
    at = 0
    while at < seconds:
        middle, spread, length_s, length_spread = (
            (WORK_L_MIN, WORK_SPREAD, WORK_S, WORK_S_SPREAD)
            if working
            else (REST_L_MIN, REST_SPREAD, REST_S, REST_S_SPREAD)
        )
        until = at + max(20, round(length_s * float(rng.lognormal(0.0, length_spread))))
        phase = own + float(rng.normal(0.0, np.sqrt(1.0 - OWN_PART)))
        level[at:until] = middle * np.exp(spread * phase)
        at, working = until, not working
    return level
