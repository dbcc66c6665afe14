"""What the board costs a second, without the page: `python -m tests.benchmarks.live_tick [sets] [seconds]`.

Processor time of `take` and `snapshot`, 30 ticks of one second after a catch-up; three readings a second of a
set. Aim: 150 ms for 200 sets.
"""

from __future__ import annotations

import gc
import sys
import time
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from analysis.live.board import LiveBoard
from analysis.profile import Profile
from ingest.contract.frames import Messages
from tests.benchmarks.speed_of_analysis import OPENED_US, wears

TICKS = 30


def main() -> None:
    """Print the cost of the catch-up and of a tick."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    seconds = int(sys.argv[2]) if len(sys.argv) > 2 else 600
    service = pl.lit("trial").alias("service")
    everything = {
        kind: frame.with_columns(service) if "service" in frame.columns else frame
        for kind, frame in wears(count).items()
    }
    opened = datetime.fromtimestamp(OPENED_US * 1e-6, UTC)
    now = opened + timedelta(seconds=seconds)
    first = _between(everything, opened - timedelta(hours=1), now)
    rows = sum(frame.height for frame in first.values())
    board = LiveBoard(Profile.default())
    began = time.process_time()
    board.take(first)
    board.snapshot(now)
    spent = time.process_time() - began
    print(f"catch-up: {rows:,} messages, {spent / rows * 1e6:.1f} us a message")
    gc.collect()
    gc.freeze()
    ticks_ms = []
    for second in range(TICKS):
        lot = _between(everything, now, now + timedelta(seconds=1))
        now = opened + timedelta(seconds=seconds + second + 1)
        began = time.process_time()
        board.take(lot)
        board.snapshot(now)
        ticks_ms.append((time.process_time() - began) * 1e3)
    median, late = np.median(ticks_ms), np.percentile(ticks_ms, 95)
    print(f"{count} sets after {seconds} s: a tick of {median:.0f} ms, p95 {late:.0f} ms")


def _between(messages: Messages, since: datetime, until: datetime) -> Messages:
    within = (pl.col("received") >= since) & (pl.col("received") < until)
    return {kind: frame.filter(within).sort("received") for kind, frame in messages.items()}


if __name__ == "__main__":
    main()
