"""What a second worker brings: `python -m tests.benchmarks.spreading_wears [FOLDER] [wears] [workers ...]`.

2,000 wears of 40 minutes (`tests.benchmarks.big_archive`), one thread a worker. Aim: 2 workers against 1 at
least 1.8 on two idle cores, each worker's memory bounded, the same bytes from all. Times are from the call to
the last table, with the cluster standing and each worker's compiled code loaded (once in its life, 0.35 s),
as it is for the one process; FOLDER keeps the archive for the next time. Processor times are of
this process (what does not spread) and of each worker: on a busy machine they say what the clock cannot.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from distributed import Client

from analysis.pieces.piecewise import analyse_archive
from analysis.pieces.spread import Run, spread_over, workers_here
from analysis.profile import Profile
from dashboard.demo.parts import compile_analysis
from tests.benchmarks.big_archive import WEARS_A_DAY
from tests.benchmarks.opening_an_incident import first_days, grow


def peak_mb() -> float:
    """Return this process' peak memory since it was started (`getrusage` would count the parent's too)."""
    lines = Path("/proc/self/status").read_text(encoding="utf-8").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM")) / 1024


def digest(out: Path) -> str:
    """Return a hash of all tables."""
    sums = [hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(out.iterdir())]
    return hashlib.sha256("".join(sums).encode()).hexdigest()[:12]


def timed(run: Run, came: dict[str, list[float]]) -> Run:
    """Note when each task's result comes: a timeline of the pieces and of the tables put together."""

    def timed_run(function: Callable[[Any], Any], tasks: Sequence[Any]) -> Iterator[Any]:
        for result in run(function, tasks):
            came.setdefault(function.__name__, []).append(time.perf_counter())
            yield result

    return timed_run


def main() -> None:
    """Print the times."""
    words = sys.argv[1:]
    kept = Path(words.pop(0)) if words and not words[0].isdigit() else None
    wears = int(words.pop(0)) if words else 2000
    counts = [int(word) for word in words] or [1, 2]
    days = -(-wears // WEARS_A_DAY)
    work = Path(tempfile.mkdtemp(prefix="underair-spreading-", dir=kept.parent if kept else None))
    whole, archive = kept or work / "whole", work / "archive"
    took: dict[int, list[float]] = {}
    profile = Profile.default()
    try:
        grow(whole, days)
        first_days(whole, archive, days)
        print(f"{days * WEARS_A_DAY:,} wears; load of the machine before: {os.getloadavg()[0]:.1f}")
        for count in [0, *counts]:
            out = work / f"out-{count}"
            if count == 0:
                analyse_archive(archive, profile, out, "parquet", {})  # compiled code, index, page cache
                started = time.perf_counter()
                spent = time.process_time()
                analyse_archive(archive, profile, out, "parquet", {})
                seconds, peak = time.perf_counter() - started, f"{peak_mb():.0f}"
                busy = f"{time.process_time() - spent:.1f}"
            else:
                with (
                    workers_here(count) as cluster,
                    Client(cluster) as client,
                    spread_over(cluster.scheduler_address.replace("tcp://", "dask://")) as run,
                ):
                    client.run(compile_analysis)  # as warm as the one process above
                    before = client.run(time.process_time)
                    started, own = time.perf_counter(), time.process_time()
                    came: dict[str, list[float]] = {}
                    analyse_archive(archive, profile, out, "parquet", {}, timed(run, came))
                    seconds, own = time.perf_counter() - started, time.process_time() - own
                    after = client.run(time.process_time)
                    spents = [after[worker] - before[worker] for worker in before]
                    busy = f"{own:.1f} + {' + '.join(f'{one:.1f}' for one in spents)}"
                    pieces, tables = ([at - started for at in came[name]] for name in ("work", "join"))
                    print(
                        f"  timeline: {len(pieces)} tasks of pieces until {pieces[-1]:.2f} s (the last but "
                        f"{count} at {pieces[-1 - count]:.2f} s), {len(tables)} tables until "
                        f"{tables[-1]:.2f} s (the last but one at {tables[-2]:.2f} s)"
                    )
                    peaks = client.run(peak_mb)
                    peak = ", ".join(f"{one:.0f}" for one in peaks.values())
            took.setdefault(count, []).append(seconds)
            name = f"{count} workers" if count else "one process, no cluster"
            print(
                f"{name:24} {seconds:7.2f} s  {days * WEARS_A_DAY / seconds:7.0f} wears/s  peak {peak} MB  "
                f"processor {busy} s  tables {digest(out)}",
                flush=True,
            )
        if 1 in took and 2 in took:
            print(f"2 workers against 1: {min(took[1]) / min(took[2]):.2f} (least of {len(took[1])} each)")
    finally:
        shutil.rmtree(work)


if __name__ == "__main__":
    main()
