"""How fast air, rate and forecast are: `python -m tests.benchmarks.speed_of_air` prints milliseconds.

A 40 min wear at 1 Hz, warm (budget of the whole analysis of a wear: 5 ms); a crew of 200 refreshed once
(budget: 150 ms); the first call in a fresh process, with and without compiled code kept from before.
"""

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable

import numpy as np

from analysis.air.breathing import LiveAir, reconstruct
from sample_logs.simulation.wear import SimulatedWear, simulate_wear

FIRST_CALL = """
import time, numpy as np
began = time.perf_counter()
from analysis.air.breathing import Cylinder, reconstruct
imported = time.perf_counter()
reconstruct(np.arange(60.0), np.linspace(300.0, 290.0, 60), Cylinder())
print(f"import {imported - began:.2f} s, first wear {time.perf_counter() - imported:.2f} s")
"""


def milliseconds(task: Callable[[], object], times: int = 200) -> float:
    """Return the median duration of a call, ms."""
    durations = []
    for _ in range(times):
        began = time.perf_counter()
        task()
        durations.append(time.perf_counter() - began)
    return 1000.0 * float(np.median(durations))


def forty_minutes() -> SimulatedWear:
    rate = 32.0 + 12.0 * np.sin(np.arange(2400) / 200.0)
    return simulate_wear(1, rate_l_min=rate)


def main() -> None:
    wear = forty_minutes()
    gas_c = wear.reading_gas_temperature_c

    def review() -> object:
        return reconstruct(
            wear.reading_time_s,
            wear.reading_bar,
            wear.cylinder,
            surroundings_c=wear.sensor_temperature_c,
            gas_temperature_c=gas_c,
        )

    review()
    print(f"one wear of {wear.time_s.size} s: {milliseconds(review):.2f} ms")
    crew = [LiveAir(wear.cylinder, 20.0, 20.0) for _ in range(200)]
    for live in crew:
        for second in range(300):
            live.add(float(second), float(wear.reading_bar[second]))
    second = 300

    def refresh() -> None:
        nonlocal second
        for live in crew:
            live.add(float(second), float(wear.reading_bar[second]))
            live.at(second + 0.4).minutes_to(55.0)
        second += 1

    print(f"a crew of 200, one reading each and a forecast: {milliseconds(refresh, 50):.1f} ms")
    with tempfile.TemporaryDirectory() as folder:
        for name in ("nothing kept", "compiled code kept"):
            command = [sys.executable, "-c", FIRST_CALL]
            told = subprocess.run(
                command,
                env={**os.environ, "NUMBA_CACHE_DIR": folder},
                capture_output=True,
                text=True,
                check=True,
            )
            print(f"a fresh process, {name}: {told.stdout.strip()}")


if __name__ == "__main__":
    main()
