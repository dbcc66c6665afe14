"""Valves opened, cylinders changed, readings lost and leaping, by chance: every wear found where it was.

Regression values to keep: 60 of 60 openings and 60 of 60 changes found, no false one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from analysis.records import Floats
from analysis.wears.valve import spikes, under_air


@dataclass(frozen=True)
class Drawn:
    """Readings of one set, and the true (start, end) of each wear in seconds."""

    at_s: Floats
    pressure_bar: Floats
    interval_s: float
    volume_l: float
    wears: list[tuple[float, float]]


def draw(seed: int) -> Drawn:
    generator = np.random.default_rng(seed)
    interval_s = float(generator.choice([1.0, 5.0]))
    volume_l = float(generator.choice([6.0, 6.8, 9.0, 13.6]))
    step_bar = float(generator.choice([1.0, 0.1]))
    bars: list[float] = [0.0] * int(generator.integers(0, 60))
    wears = []
    for _ in range(int(generator.integers(1, 4))):
        start_bar = float(generator.uniform(200, 310))
        opening = np.linspace(0.2, 0.95, int(generator.integers(1, 6))) * start_bar
        bars += opening.tolist()
        began = len(bars)
        seconds = int(generator.integers(120, 2400))
        rate = generator.uniform(10, 130) * np.exp(generator.normal(0, 0.2, seconds))
        level = start_bar - np.cumsum(rate) / 60.0 / volume_l
        level = level[: max(int(np.argmax(level < 30.0)) if (level < 30.0).any() else seconds, 60)]
        bars += level.tolist()
        wears.append((float(began), float(len(bars) - 1)))
        bars += (np.linspace(0.8, 0.02, int(generator.integers(1, 8))) * level[-1]).tolist()
        bars += [0.0] * int(generator.integers(5, 600))
    at_s = np.arange(len(bars), dtype=np.float64)
    bar = np.round((np.array(bars) + generator.normal(0, 0.1, len(bars))) / step_bar) * step_bar
    bar = np.maximum(bar, 0.0)
    # The sensor leaps now and then, never at a valve's turn.
    for start, end in wears:
        for _ in range(int(generator.integers(0, 3))):
            place = int(generator.integers(start + 30, max(end - 30, start + 31)))
            bar[place] = float(generator.choice([0.0, 499.0]))
    keep = np.arange(0, len(bars), int(interval_s))
    keep = keep[generator.random(len(keep)) >= float(generator.choice([0.0, 0.02, 0.1]))]
    return Drawn(at_s[keep], bar[keep], interval_s, volume_l, wears)


@pytest.mark.parametrize("part", range(4))
def test_every_wear_is_found_where_it_was(part: int) -> None:
    for seed in range(part * 100, (part + 1) * 100):
        one = draw(seed)
        spike = spikes(one.at_s, one.pressure_bar)
        found = under_air(one.at_s, one.pressure_bar, spike, one.volume_l)
        assert len(found) == len(one.wears), f"seed {seed}"
        for (first, last, _), (began_s, ended_s) in zip(found, one.wears, strict=True):
            # A lost reading or two, and an opening or closing that looks like the last of the breathing.
            slack_s = 4.0 * one.interval_s + 2.0
            assert abs(one.at_s[first] - began_s) <= slack_s, f"seed {seed}"
            assert abs(one.at_s[last] - ended_s) <= slack_s + 6.0, f"seed {seed}"
