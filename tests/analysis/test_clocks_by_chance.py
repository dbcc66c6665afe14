"""Clocks, links and steps drawn at random, without `uptime_s`: the error after reconciliation.

The aim is under 0.5 s where the link allows it; a clock that writes whole seconds allows one second more or
less. What cannot be found is a small step back in the very minutes that arrive out of a store.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from analysis.clocks.clocks import ClockFit, reconcile
from analysis.records import Channel, Floats, PowerUp

BASE_US = 1_935_828_000_000_000
DRAWN = 240


@dataclass(frozen=True)
class Drawn:
    """One power-up of 40 minutes with the truth about it."""

    power_up: PowerUp
    true_s: Floats
    grain_s: float
    steps: int
    stored: bool


def draw(seed: int) -> Drawn:
    generator = np.random.default_rng(seed)
    interval_s, kinds = float(generator.choice([1.0, 5.0])), int(generator.choice([1, 3]))
    grain_s = float(generator.choice([0.0, 1.0]))
    jump_s = float(generator.choice([0, 0, 3600, -3600, 60, -60, 10, -10, -4]))
    drift = float(generator.choice([0.0, 50e-6, -200e-6]))
    said_s = np.sort(np.concatenate([np.arange(0, 2400, interval_s) + 0.1 * kind for kind in range(kinds)]))
    count = len(said_s)
    delay_s = 0.04 + generator.exponential(float(generator.choice([0.05, 0.4])), count)
    if generator.random() < 0.3:  # some come seconds late
        delay_s += np.where(generator.random(count) < 0.02, generator.uniform(1, 6, count), 0.0)
    stored = bool(generator.random() < 0.3)
    if stored:
        from_s, length_s = generator.uniform(300, 1800), generator.uniform(20, 300)
        inside = (said_s > from_s) & (said_s < from_s + length_s)
        waits_s = from_s + length_s - said_s + 0.05 + np.cumsum(inside) / 25
        delay_s = np.where(inside, waits_s, delay_s)
    at_s = generator.uniform(400, 2000)
    shown_s = said_s * (1.0 + drift) + 7.0 + np.where(said_s > at_s, jump_s, 0.0)
    if grain_s:
        shown_s = np.floor(shown_s)
    loss = float(generator.choice([0.0, 0.01, 0.1]))
    keep = generator.random(count) >= loss
    if loss and generator.random() < 0.5:  # silence about the step
        keep &= ~((said_s > at_s - 15) & (said_s < at_s + 15))
    time_us = BASE_US + np.rint(shown_s[keep] * 1e6).astype(np.int64)
    channel = Channel(
        seq=np.flatnonzero(keep).astype(np.int64),
        time_us=time_us,
        received_us=BASE_US + np.rint((said_s + delay_s)[keep] * 1e6).astype(np.int64),
        uptime_s=np.full(int(keep.sum()), np.nan),
        retained=np.zeros(int(keep.sum()), bool),
        at_us=time_us,
        numbers={},
        rows=[],
    )
    power_up = PowerUp("set", "S-1", 1, {"pressure": channel})
    return Drawn(power_up, said_s[keep], grain_s, int(jump_s != 0), stored)


def fit_of(one: Drawn) -> tuple[ClockFit, float]:
    """Return the fit and the largest error, seconds."""
    channel = one.power_up.channels["pressure"]
    seq, time_us, uptime_s = channel.seq, channel.time_us, channel.uptime_s
    (fit,) = reconcile([one.power_up]).fits.values()
    error_s = (fit.at_us(seq, time_us, uptime_s) - BASE_US) * 1e-6 - one.true_s
    return fit, float(np.abs(error_s).max())


@pytest.mark.parametrize("part", range(4))
def test_error_after_reconciliation(part: int) -> None:
    worse, wrong_steps = [], []
    for seed in range(part * DRAWN // 4, (part + 1) * DRAWN // 4):
        one = draw(seed)
        fit, most_s = fit_of(one)
        # Whole seconds: what was cut off stays unknown, and drift is the harder to see.
        if most_s > 0.5 + 0.7 * one.grain_s:
            worse.append((seed, most_s))
            assert one.stored, f"seed {seed}: {most_s} s without any store"
        if len(fit.steps) != one.steps:
            wrong_steps.append(seed)
    assert len(worse) <= 1, worse
    assert len(wrong_steps) <= 1, wrong_steps
