"""The simulated wears on which accuracy is measured: one recipe, seeds apart for fit and report."""

from dataclasses import dataclass, replace

import numpy as np

from analysis.air.gas import Cylinder, FloatArray
from sample_logs.simulation.tasks import KINDS_OF_WORK
from sample_logs.simulation.wear import SimulatedWear, simulate_wear

FIT_SEED, REPORT_SEED, FRESH_SEED = 20_310_504, 51_040_231, 90_210_777
"""Fitting uses only the first; the second was looked at while the filter was built; the third never."""
CYLINDERS = (Cylinder(1, 6.0), Cylinder(1, 6.8), Cylinder(1, 6.8), Cylinder(1, 9.0), Cylinder(2, 6.8))
LOW_AIR_BAR = 55.0


@dataclass(frozen=True)
class Recorded:
    """A simulated wear and what of it was heard, in the order of the set's clock."""

    wear: SimulatedWear
    task: str
    step_bar: float
    interval_s: float
    time_s: FloatArray
    pressure_bar: FloatArray
    gas_temperature_c: FloatArray | None
    start_temperature_c: float | None
    surroundings_c: FloatArray | None


def population(
    seed: int,
    count: int,
    *,
    step_bar: float | None = None,
    interval_s: float | None = None,
    gaps: bool = True,
    temperature: str | None = None,
) -> list[Recorded]:
    """Return `count` recorded wears, the kinds of work in equal shares.

    `temperature` is what is known of the gas: ``"gas"`` a lagging gas thermometer through the wear,
    ``"surroundings"`` only the set's heat sensor, ``"none"`` nothing; the default draws among the first two.
    """
    return [
        _record(np.random.default_rng((seed, index)), index, step_bar, interval_s, gaps, temperature)
        for index in range(count)
    ]


def _record(
    rng: np.random.Generator,
    index: int,
    step_bar: float | None,
    interval_s: float | None,
    gaps: bool,
    temperature: str | None,
) -> Recorded:
    task = KINDS_OF_WORK[index % len(KINDS_OF_WORK)]
    step = step_bar if step_bar is not None else float(rng.choice([1.0, 1.0, 0.1]))
    interval = interval_s if interval_s is not None else float(rng.choice([1.0, 1.0, 5.0]))
    known = temperature or str(rng.choice(["gas", "surroundings"]))
    outside_c = round(2.0 * float(rng.normal(14.0, 8.0))) / 2.0
    start_c = round(2.0 * (outside_c + float(rng.normal(0.0, 1.5)))) / 2.0
    around = np.full(90 * 60, outside_c)
    if rng.uniform() < 0.4:
        hot_from = int(rng.uniform(120, 1500))
        hot_until = hot_from + int(rng.uniform(120, 900))
        around[hot_from:hot_until] = rng.uniform(40.0, 140.0)
    wear = simulate_wear(
        rng,
        task,
        until_bar=float(rng.uniform(15.0, 50.0)),
        cylinder=CYLINDERS[int(rng.integers(len(CYLINDERS)))],
        start_bar=float(rng.uniform(272.0, 308.0)),
        start_temperature_c=start_c,
        surroundings_c=around,
        reading_step_bar=step,
        reading_interval_s=interval,
    )
    heard = rng.uniform(size=wear.reading_time_s.size) > (0.02 if gaps else 0.0)
    heard[0] = True
    for _ in range(int(rng.integers(0, 3)) if gaps else 0):
        silent_from = rng.uniform(60.0, max(61.0, wear.time_s[-1] - 60.0))
        silent_s = min(300.0, 10.0 + rng.exponential(70.0))
        heard &= ~((wear.reading_time_s > silent_from) & (wear.reading_time_s < silent_from + silent_s))
    return Recorded(
        wear=wear,
        task=task,
        step_bar=step,
        interval_s=interval,
        time_s=wear.reading_time_s[heard],
        pressure_bar=wear.reading_bar[heard],
        gas_temperature_c=wear.reading_gas_temperature_c[heard] if known == "gas" else None,
        # Known from the gas thermometer before the valve is opened, or taken from the set's heat sensor.
        start_temperature_c={"gas": round(2 * start_c) / 2, "surroundings": round(2 * outside_c) / 2}.get(
            known
        ),
        surroundings_c=wear.sensor_temperature_c if known != "none" else None,
    )


def without_temperature(recorded: Recorded) -> Recorded:
    """Return the same wear with nothing known of its temperatures."""
    return replace(recorded, gas_temperature_c=None, start_temperature_c=None, surroundings_c=None)
