"""How long the analysis takes: `python -m tests.benchmarks.speed_of_analysis [wears]`.

Aims: a 40 min wear at 1 Hz (pressure, motion, temperature: 7,200 messages), all tables, 5 ms or less warm
(aim 3); 1,000 such wears within 6 s and 1 GB, as incidents of ten that are analysed one after the other, all
tables kept. Frames are made directly, so that only the analysis is timed. The least of many runs stands for
an idle machine, the median for this. With `whole` after the number: all wears in one incident, too.
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable

import numpy as np
import polars as pl

from analysis.incident import analyse
from analysis.profile import Profile
from ingest.contract.columns import FRAME_SCHEMAS
from ingest.contract.frames import Messages, no_messages
from ingest.talk import progress_bar

OPENED_US = 1_935_828_000_000_000
SECONDS = 2400
OF_ONE_INCIDENT = 10
KINDS = {"pressure": "pressure_bar", "motion": "motion_m_s2", "temperature": "temperature_c"}


def wears(count: int) -> Messages:
    """Return messages of `count` sets, each one wear of 40 minutes, three readings a second, all tallied."""
    second = np.tile(np.arange(SECONDS, dtype=np.int64), count)
    number = np.repeat(np.arange(count), SECONDS)
    rng = np.random.default_rng(1)
    names = pl.Series([f"S-{one:04d}" for one in range(count)])
    rate = 0.085 + 0.02 * np.sin(second / 200.0 + number)
    fallen = np.concatenate([np.cumsum(part) for part in np.split(rate, count)]) if count else rate
    values = {
        "pressure": np.round(300.0 - fallen),
        "motion": rng.lognormal(0.0, 0.3, len(second)),
        "temperature": np.round(2.0 * (35.0 + 15.0 * np.sin(second / 300.0))) / 2.0,
    }
    messages = no_messages()
    for place, (kind, column) in enumerate(KINDS.items()):
        said_us = OPENED_US + second * 1_000_000 + place * 50_000 + number * 7_000
        heard_us = said_us + (40_000 + rng.exponential(55_000.0, len(second))).astype(np.int64)
        messages[kind] = _frame(
            kind,
            len(second),
            set_id=names.gather(number.astype(np.uint32)),
            boot=np.ones(len(second), np.int64),
            seq=1 + 3 * second + place,
            time=said_us,
            uptime_s=(said_us - OPENED_US) * 1e-6 + 60.0,
            received=heard_us,
            **{column: values[kind]},
        )
    one = np.zeros(count, np.int64)
    single = {"count": 1, "water_volume_l": 6.8, "rated_bar": 300.0}
    early_us = one + OPENED_US - 5_000_000
    messages["setup"] = _frame(
        "setup",
        count,
        set_id=names,
        boot=one + 1,
        seq=one,
        time=early_us,
        uptime_s=one + 55.0,
        received=early_us + 60_000,
        cylinders=[single] * count,
        low_air_bar=one + 55.0,
        no_motion_prealarm_s=one + 20.0,
        no_motion_alarm_s=one + 30.0,
        heat_start_c=one + 150.0,
    )
    messages["tally"] = _frame(
        "tally",
        count,
        desk_id=["D-01"] * count,
        boot=one + 1,
        seq=np.arange(count),
        time=early_us,
        received=early_us + 60_000,
        incident_id=["I-1"] * count,
        action=["in"] * count,
        set_id=names,
        wearer_id=[f"W-{one}" for one in range(count)],
        team=[f"T-{one // 3}" for one in range(count)],
    )
    return messages


def _frame(kind: str, rows: int, **columns: object) -> pl.DataFrame:
    schema = FRAME_SCHEMAS[kind]
    given = columns | {"retained": np.zeros(rows, bool), "payload": [""] * rows}
    series = []
    for name, dtype in schema.items():
        if name in given:
            series.append(pl.Series(name, given[name]).cast(dtype))
        else:
            series.append(pl.Series(name, [None], dtype=dtype).new_from_index(0, rows))
    return pl.DataFrame(series)


def timed(run: Callable[[], object], times: int) -> tuple[float, float]:
    """Return least and median seconds."""
    took = []
    for _ in range(times):
        started = time.perf_counter()
        run()
        took.append(time.perf_counter() - started)
    return min(took), float(np.median(took))


def peak_mb() -> float:
    """Return the highest memory of this process so far."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    """Print the times."""
    profile = Profile.default()
    single = wears(1)
    started = time.perf_counter()
    analyse(single, profile)
    print(f"first call (compiled code from the cache)   {time.perf_counter() - started:7.2f} s")
    least, median = timed(lambda: analyse(single, profile), 100)
    print(f"one 40 min wear, all tables, warm   least {least * 1e3:5.2f} ms, median {median * 1e3:5.2f} ms")
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    took = spent = 0.0
    lots = []
    for number in range(-(-count // OF_ONE_INCIDENT)):
        incident = wears(min(OF_ONE_INCIDENT, count - number * OF_ONE_INCIDENT))
        started, cpu = time.perf_counter(), time.process_time()
        lots.append(analyse(incident, profile))
        took, spent = took + time.perf_counter() - started, spent + time.process_time() - cpu
    started = time.perf_counter()
    tables = {name: pl.concat([lot[name] for lot in lots], rechunk=False) for name in lots[0]}
    took += time.perf_counter() - started
    print(
        f"{count} wears, {OF_ONE_INCIDENT} an incident      {took:7.2f} s ({spent:.2f} s of processor time)"
    )
    print(f"  {tables['air'].height:,} rows of air, peak memory of the process {peak_mb():,.0f} MB")
    if "whole" not in sys.argv:
        return
    del lots, tables
    many = wears(count)
    rows = sum(frame.height for frame in many.values())
    with progress_bar() as progress:
        started, cpu = time.perf_counter(), time.process_time()
        results = analyse(many, profile, progress=progress)
        took, spent = time.perf_counter() - started, time.process_time() - cpu
    print(f"{count} wears in one, {rows:,} messages {took:7.2f} s ({spent:.2f} s of processor time)")
    print(f"  {results['air'].height:,} rows of air, peak memory of the process {peak_mb():,.0f} MB")


if __name__ == "__main__":
    main()
