"""What a script's stages ask of a wearer, second by second: breathing, movement, the heat around."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.simulation.script import WearScript
from analysis.simulation.tasks import follow, wander

Floats = NDArray[np.float64]

# Our own rules, chosen to look like work: breathing follows effort in half a minute, and wanders.
EFFORT_FOLLOWS_S = 25.0
WANDER_S = 90.0
WANDER_SPREAD = 0.22
MOVES_ABOVE_M_S2 = 0.25


@dataclass(frozen=True, slots=True)
class ScriptedWork:
    """On a 1 s grid: breathing, escaping air, movement, time since it, air temperature around."""

    rate_l_min: Floats
    escaping_l_min: Floats
    motion_m_s2: Floats
    still_s: Floats
    surroundings_c: Floats


def scripted_work(wear: WearScript, rng: np.random.Generator) -> ScriptedWork:
    """Return the work of one wear; the arrays have one value more than the wear has seconds."""
    seconds = round(wear.seconds) + 1
    asked, around, escaping, warms_in_s = (np.empty(seconds) for _ in range(4))
    still = np.zeros(seconds, dtype=bool)
    at = 0
    for stage in wear.stages:
        until = at + round(stage.minutes * 60.0)
        asked[at : until + 1] = stage.mean_l_min
        around[at : until + 1] = stage.surroundings_c
        escaping[at : until + 1] = stage.free_flow_l_min
        warms_in_s[at : until + 1] = stage.warms_in_s
        still[at:until] = stage.still
        at = until
    effort = follow(asked, EFFORT_FOLLOWS_S)
    # Scaled to mean 1, so that a script runs the same course with every seed.
    variation = np.exp(wander(rng, seconds, WANDER_S, WANDER_SPREAD) - WANDER_SPREAD**2 / 2.0)
    breathed = np.maximum(effort * variation / variation.mean(), 5.0)
    motion = (0.5 + breathed / 40.0) * np.exp(rng.normal(-0.08, 0.4, seconds))
    motion[still] = rng.uniform(0.02, 0.08, int(still.sum()))
    heat = _surroundings(wear.start_temperature_c, around, warms_in_s)
    heat = heat + (wander(rng, seconds, 30.0, 0.02) - 0.02**2 / 2.0) * (heat - heat[0])
    return ScriptedWork(breathed, escaping, np.maximum(motion, 0.02), seconds_still(motion), heat)


def _surroundings(outside_c: float, around_c: Floats, warms_in_s: Floats) -> Floats:
    """Return the air temperature around a wearer who comes from outside, each stage with its own lag."""
    value, out = outside_c, np.empty_like(around_c)
    for index, (wanted_c, lag_s) in enumerate(zip(around_c.tolist(), warms_in_s.tolist(), strict=True)):
        value += (wanted_c - value) * (1.0 - np.exp(-1.0 / lag_s))
        out[index] = value
    return out


def seconds_still(motion_m_s2: Floats) -> Floats:
    """Return the seconds since the last movement above the set's own limit."""
    indices = np.arange(motion_m_s2.size)
    last_moved = np.maximum.accumulate(np.where(motion_m_s2 >= MOVES_ABOVE_M_S2, indices, -1))
    return (indices - np.maximum(last_moved, 0)).astype(np.float64)
