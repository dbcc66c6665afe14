"""How long an archive takes to be cut, and its ledger to be looked at: `python -m tests.benchmarks.cutting`.

Prints ratios within one run, which travel; absolute figures do not.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl

from analysis.incident import analyse
from analysis.pieces.archive_pieces import cut
from analysis.profile import Profile
from dashboard.trends.wear_ledger import WearLedger
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.contract.frames import frames_from_heard
from sample_logs.drills import build_radio_troubles

OPENED = datetime(2031, 5, 4, 19, 12, tzinfo=UTC)
DAYS = int(sys.argv[1]) if len(sys.argv) > 1 else 60


def least_s(work: Callable[[], Any], times: int = 5) -> float:
    """Return the least time of some runs."""
    found = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        found.append(time.perf_counter() - begun)
    return min(found)


def main() -> None:
    """Measure, and print."""
    profile = Profile.default()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for day in range(DAYS):
            staged = build_radio_troubles(day, OPENED + timedelta(days=day))
            seal_messages(folder, frames_from_heard(staged.heard), f"day-{day}")
        archive = Archive(folder)
        analyse(frames_from_heard(staged.heard), profile)  # compiles
        first_cut_s = least_s(lambda: cut(folder), 1)
        again_s = least_s(lambda: cut(folder))
        begun = time.process_time()
        ledger = WearLedger(archive, profile)
        ledger.update(OPENED + timedelta(days=400))
        computed_s = time.process_time() - begun
        wears = ledger.tables()["wears"].height

        def plain() -> None:
            lots = [archive.scan(kind) for kind in ("pressure", "motion", "temperature")]
            spans = [
                lot.group_by("set_id", "boot").agg(
                    pl.col("received").min().alias("first"), pl.col("received").max().alias("last"), pl.len()
                )
                for lot in lots
            ]
            pl.concat(spans).collect()

        def looked_at() -> None:
            one = WearLedger(archive, profile)
            one.update(OPENED + timedelta(days=400))
            one.tables()

        plain_s, looked_s = least_s(plain), least_s(looked_at)
        rows = int(cut(folder).table["rows"].sum())
    print(f"{DAYS} days, {wears} wears, {rows:,} messages")
    print(f"cut: first {first_cut_s * 1e3:.0f} ms, then {again_s * 1e3:.0f} ms")
    print(f"ledger: {wears / computed_s:.0f} wears a second of one core")
    print(f"ledger looked at again: {looked_s * 1e3:.0f} ms")
    print(f"plain group-by over the same messages {plain_s * 1e3:.0f} ms: ratio {looked_s / plain_s:.1f}")


if __name__ == "__main__":
    main()
