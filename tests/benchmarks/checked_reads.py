"""Reading an archive with checks against reading it without, in one run; ratios travel, seconds do not.

    python -m tests.benchmarks.checked_reads [messages a day] [days]

`first` hashes each part, as a process does once; `again` finds size, times and inode as they were. Each is
compared with polars reading the same parts unchecked. The last lines are what page checksums would cost
instead: pyarrow checks them, polars cannot.
"""

from __future__ import annotations

import json
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pyarrow.parquet as pq

from ingest.archive import expected, sound
from ingest.archive.archive import Recent, seal_messages
from ingest.archive.parts import part_files
from ingest.archive.tidying import tidy
from ingest.archive.verifying import verify
from ingest.contract.captures import Heard
from ingest.contract.frames import frames_from_heard

START = datetime(2031, 5, 4, 8, tzinfo=UTC)
ROUNDS = 7


def make(folder: Path, messages: int, days: int) -> None:
    """Fill an archive with days of pressure, merged."""
    for day in range(days):
        heard = []
        for number in range(messages):
            at = START + timedelta(days=day, seconds=number / 20)
            payload = {
                "kind": "pressure",
                "set_id": f"S-{number % 20:03d}",
                "boot": day + 1,
                "seq": number,
                "time": at.isoformat(),
                "uptime_s": number / 20,
                "pressure_bar": round(300 - number % 2900 / 10, 1),
            }
            topic = f"underair/v1/th/set/{payload['set_id']}/pressure"
            heard.append(Heard(at, topic, json.dumps(payload).encode()))
        for half in (heard[::2], heard[1::2]):
            seal_messages(folder, frames_from_heard(half), f"day-{day}", recent=Recent())
    tidy(folder, START + timedelta(days=days + 9), grace_s=0)


def seconds(read: Callable[[], object]) -> float:
    """Return how long one reading takes."""
    began = time.perf_counter()
    read()
    return time.perf_counter() - began


def unchecked(parts: list[Path], columns: list[str] | None) -> pl.DataFrame:
    """Read parts as 0.3.0 did."""
    frame = pl.scan_parquet(parts, hive_partitioning=False)
    return (frame if columns is None else frame.select(columns)).collect()


def checked(parts: list[Path], columns: list[str] | None, *, first: bool) -> pl.DataFrame:
    """Read parts with their SHA-256 compared; `first` forgets what was hashed before."""
    if first:
        sound._checked.clear()
    frame = pl.scan_parquet(sound.sound_parts(parts), hive_partitioning=False)
    return (frame if columns is None else frame.select(columns)).collect()


def arrow(parts: list[Path], *, pages: bool) -> int:
    """Read parts with pyarrow, with or without the checksums of their pages."""
    return sum(
        pq.read_table(part, partitioning=None, page_checksum_verification=pages).num_rows for part in parts
    )


def main(messages: int = 200_000, days: int = 3) -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory(prefix="underair-reads-") as work:
        folder = Path(work) / "archive"
        make(folder, messages, days)
        parts = part_files(folder, "pressure")
        size = sum(part.stat().st_size for part in parts)
        print(f"{messages * days:,} messages in {len(parts)} parts, {size / 1e6:.1f} MB")
        bare = ["set_id", "received", "pressure_bar", "seq", "boot"]
        for what, columns in (("all columns", None), ("without topic and payload", bare)):
            taken: dict[str, list[float]] = {"unchecked": [], "first": [], "again": []}
            checked(parts, columns, first=True)
            for _ in range(ROUNDS):
                taken["unchecked"].append(seconds(lambda columns=columns: unchecked(parts, columns)))
                taken["first"].append(seconds(lambda columns=columns: checked(parts, columns, first=True)))
                taken["again"].append(seconds(lambda columns=columns: checked(parts, columns, first=False)))
            base = statistics.median(taken["unchecked"])
            for name in ("first", "again"):
                ratio = statistics.median(
                    one / without for one, without in zip(taken[name], taken["unchecked"], strict=True)
                )
                print(f"{what}: {name} {ratio:.2f} of unchecked ({base * 1e3:.0f} ms)")
        plain = statistics.median(seconds(lambda: arrow(parts, pages=False)) for _ in range(ROUNDS))
        pages = statistics.median(seconds(lambda: arrow(parts, pages=True)) for _ in range(ROUNDS))
        polars = statistics.median(seconds(lambda: unchecked(parts, None)) for _ in range(ROUNDS))
        print(
            f"pyarrow: page checksums {pages / plain:.2f} of none; {pages / polars:.2f} of polars unchecked"
        )
        expected._known.clear()
        opened = seconds(lambda: part_files(folder, "pressure"))
        print(f"opening: {opened * 1e3:.1f} ms; verify: {seconds(lambda: verify(folder)):.2f} s")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
