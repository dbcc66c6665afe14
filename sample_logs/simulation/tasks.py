"""Seven kinds of work: how hard a simulated wearer breathes and moves, second by second.

The means and spreads are set beside published figures (see `TASKS`); how work starts and stops within a
task is our own invention. On purpose it is not the process that the estimator assumes: effort comes in
phases of random length and strength, breathing follows effort with a lag, and all spreads are skewed.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.air.gas import FloatArray

PERSON_SPREAD = 0.137
"""Between people, relative: Langford et al. 2024, JOEM 66:932-42, 13.7 % on a standard-pace drill."""
BREATHING_FOLLOWS_S = (25.0, 50.0)
"""Breathing follows effort with a first-order lag of some half a minute (from memory: phase II kinetics)."""
LOWEST_L_MIN, HIGHEST_L_MIN = 8.0, 132.0
"""Observed extremes: rest from 8 L/min (work bands in training texts), hardest 132 L/min."""


@dataclass(frozen=True, slots=True)
class Task:
    """One kind of work."""

    mean_l_min: float  # mean breathing rate over people and time
    phase_s: float  # mean length of a phase of even effort, seconds
    spread: float  # standard deviation of the logarithm of effort from phase to phase
    motion_m_s2: float  # RMS acceleration at mean effort


TASKS: dict[str, Task] = {
    # Training texts: light work 12-20, moderate 20-40 L/min; standing by in full kit lies between.
    "standby": Task(22.0, 240.0, 0.25, 0.35),
    # ISO 16900-12: 35 L/min is a common work pace; planning rate 40 L/min.
    "training": Task(40.0, 150.0, 0.30, 1.1),
    # Tunnel search: 49.9 L/min on the way in, 38.9 on the way out.
    "search": Task(45.0, 120.0, 0.35, 0.9),
    # Planning rate 50 L/min for fighting a fire; heavy work 40-60.
    "attack": Task(58.0, 90.0, 0.42, 1.6),
    # Stair climb (Williams-Bell et al. 2010): a 1240 L set down to 25 % after 8 to 12 min, 78 to 116 L/min.
    "stairs": Task(78.0, 180.0, 0.22, 2.8),
}
KINDS_OF_WORK = (*TASKS, "mixed", "sudden")
"""`mixed` changes among the tasks every 3 to 9 minutes; `sudden` goes from light to the hardest work."""


@dataclass(frozen=True, slots=True)
class Work:
    """What work asks for, on a 1 s grid: breathing in L/min and RMS acceleration in m/s²."""

    rate_l_min: FloatArray
    motion_m_s2: FloatArray


def draw_work(
    rng: np.random.Generator, tasks: Sequence[tuple[str, float]], person: float | None = None
) -> Work:
    """Return the breathing and motion of one wearer.

    - `tasks`: sequence of (task, minutes): what is done and for how long; each task is one of
      `KINDS_OF_WORK`.
    - `person`: this wearer's rate relative to the mean wearer; drawn with `PERSON_SPREAD` when not given.

    Raises `ValueError` if a task is unknown.
    """
    if person is None:
        person = float(rng.lognormal(-0.5 * PERSON_SPREAD**2, PERSON_SPREAD))
    efforts, motions = [], []
    for name, minutes in _plain_tasks(rng, tasks):
        task = TASKS[name]
        effort = _effort(rng, task, max(1, round(minutes * 60.0)))
        efforts.append(task.mean_l_min * effort)
        motions.append(task.motion_m_s2 * effort)
    asked = np.concatenate(efforts) * person
    motion = np.concatenate(motions) * rng.lognormal(0.0, 0.3, asked.size)
    slow = wander(rng, asked.size, 500.0, 0.12)
    fast = wander(rng, asked.size, 12.0, 0.08)
    rate = follow(asked * np.exp(slow), rng.uniform(*BREATHING_FOLLOWS_S)) * np.exp(fast)
    return Work(np.clip(rate, LOWEST_L_MIN, HIGHEST_L_MIN), np.maximum(motion, 0.02))


HOT_L_MIN, HOT_RISES = (60.0, 110.0), (0.7, 1.3)
WITHIN = 0.14
"""Spread of 30 s means within work, as a part of its mean (as in `tests/benchmarks/restless_work.py`)."""
HIGHEST_OF_PEOPLE_L_MIN = 173.0
"""Highest breath-to-breath mean that a study of 21 people gives. Not measured again on our ten people."""


def hot_rate(rng: np.random.Generator, seconds: int) -> FloatArray:
    """Return the breathing rate (L/min, 1 s grid) of work without a rest, until the air is gone.

    In half of the draws it rises from 0.7 to 1.3 of its mean over what a 6.8 L cylinder lasts. How hard it is
    and how it rises is invented.
    """
    mean_l_min = float(rng.uniform(*HOT_L_MIN))
    lasts_s = 1450.0 / mean_l_min * 60.0
    rising = np.interp(np.arange(seconds), [0.0, lasts_s], HOT_RISES)
    return breathed(rng, mean_l_min * (rising if rng.uniform() < 0.5 else np.ones(seconds)))


def breathed(rng: np.random.Generator, level_l_min: FloatArray) -> FloatArray:
    """Return how a person breathes at these levels of work: with a lag, and never evenly."""
    ripple = wander(rng, len(level_l_min), 20.0, WITHIN)
    return np.clip(follow(level_l_min, 30.0) * np.exp(ripple), LOWEST_L_MIN, HIGHEST_OF_PEOPLE_L_MIN)


def follow(target: FloatArray, time_constant_s: float) -> FloatArray:
    """Return a first-order lag of `target` (1 s grid), starting on its first value."""
    keep = float(np.exp(-1.0 / time_constant_s))
    out = np.empty_like(target)
    value = float(target[0])
    for index, wanted in enumerate(target.tolist()):
        value = keep * value + (1.0 - keep) * wanted
        out[index] = value
    return out


def _plain_tasks(rng: np.random.Generator, tasks: Sequence[tuple[str, float]]) -> list[tuple[str, float]]:
    plain: list[tuple[str, float]] = []
    for name, minutes in tasks:
        if name in TASKS:
            plain.append((name, minutes))
        elif name == "mixed":
            left = minutes
            while left > 0.0:
                part = min(left, float(rng.uniform(3.0, 9.0)))
                plain.append((str(rng.choice(list(TASKS))), part))
                left -= part
        elif name == "sudden":
            light = min(minutes, float(rng.uniform(4.0, 16.0)))
            plain.append((str(rng.choice(["standby", "search"])), light))
            if minutes > light:
                plain.append((str(rng.choice(["stairs", "attack"])), minutes - light))
        else:
            raise ValueError(f"task must be one of {', '.join(KINDS_OF_WORK)}, got {name!r}")
    return plain


def _effort(rng: np.random.Generator, task: Task, seconds: int) -> FloatArray:
    """Return effort in phases of exponential length; its mean over long times is 1."""
    effort = np.empty(seconds)
    at = 0
    while at < seconds:
        until = at + 10 + int(rng.exponential(task.phase_s))
        effort[at:until] = rng.lognormal(-0.5 * task.spread**2, task.spread)
        at = until
    return effort


def wander(rng: np.random.Generator, seconds: int, time_constant_s: float, spread: float) -> FloatArray:
    """Return an Ornstein-Uhlenbeck process of mean 0 and the given standard deviation."""
    keep = float(np.exp(-1.0 / time_constant_s))
    kicks = rng.normal(0.0, spread * np.sqrt(1.0 - keep**2), seconds)
    value = float(rng.normal(0.0, spread))
    out = np.empty(seconds)
    for index, kick in enumerate(kicks.tolist()):
        value = keep * value + kick
        out[index] = value
    return out
