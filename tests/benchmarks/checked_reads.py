"""Reading an archive with checks against reading it without, in one run; ratios travel, seconds do not.

    python -m tests.benchmarks.checked_reads [messages a day] [days]

`first` hashes each part, as a process does once; `again` finds size, times and inode as they were. Each is
compared with the same reading unchecked. Reading is what the verbs do: all messages of a kind, in order, each
once. The last lines are what page checksums would cost instead: pyarrow checks them, polars cannot.
"""

from __future__ import annotations

import json
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pyarrow.parquet as pq

from ingest.archive import expected, parts, sound
from ingest.archive.parts import part_files
from ingest.archive.reading import Archive
from ingest.archive.sealing import Recent, seal_messages
from ingest.archive.tidying import tidy
from ingest.archive.verifying import verify
from ingest.contract.captures import Heard
from ingest.contract.frames import frames_from_heard
from ingest.contract.kinds import KINDS

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


@contextmanager
def unchecked() -> Iterator[None]:
    """Read as 0.3.0 did: whatever the parts hold."""
    checking = parts.sound_parts
    parts.sound_parts = list  # type: ignore[assignment]
    try:
        yield
    finally:
        parts.sound_parts = checking


def ratios(what: str, read: Callable[[], object]) -> None:
    """Compare one way of reading: unchecked, as a process reads first, and as it reads again."""
    taken: dict[str, list[float]] = {"unchecked": [], "first": [], "again": []}
    read()
    for _ in range(ROUNDS):
        with unchecked():
            taken["unchecked"].append(seconds(read))
        sound._checked.clear()
        taken["first"].append(seconds(read))
        taken["again"].append(seconds(read))
    base = statistics.median(taken["unchecked"])
    told = []
    for name in ("first", "again"):
        each = [one / without for one, without in zip(taken[name], taken["unchecked"], strict=True)]
        told.append(f"{name} {statistics.median(each):.2f}")
    said = ", ".join(told)
    print(f"{what}: {said} of unchecked ({base * 1e3:.0f} ms)")


def arrow(files: list[Path], *, pages: bool) -> int:
    """Read parts with pyarrow, with or without the checksums of their pages."""
    return sum(
        pq.read_table(part, partitioning=None, page_checksum_verification=pages).num_rows for part in files
    )


def main(messages: int = 200_000, days: int = 3) -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory(prefix="underair-reads-") as work:
        folder = Path(work) / "archive"
        make(folder, messages, days)
        files = part_files(folder, "pressure")
        size = sum(file.stat().st_size for file in files)
        print(f"{messages * days:,} messages in {len(files)} parts, {size / 1e6:.1f} MB")
        archive = Archive(folder)
        ratios("every column (report, case)", archive.messages)
        ratios("without topic and payload (analyse, audit, trends)", lambda: archive.messages(bare=KINDS))
        five = ["set_id", "received", "pressure_bar", "seq", "boot"]
        ratios(
            "five columns, no order, duplicates kept (no verb)",
            lambda: archive.scan("pressure").select(five).collect(),
        )
        plain = statistics.median(seconds(lambda: arrow(files, pages=False)) for _ in range(ROUNDS))
        pages = statistics.median(seconds(lambda: arrow(files, pages=True)) for _ in range(ROUNDS))
        with unchecked():
            polars = statistics.median(
                seconds(lambda: archive.scan("pressure").collect()) for _ in range(ROUNDS)
            )
        print(
            f"pyarrow: page checksums {pages / plain:.2f} of none; {pages / polars:.2f} of polars unchecked"
        )
        expected._known.clear()
        opened = seconds(lambda: part_files(folder, "pressure"))
        print(f"opening: {opened * 1e3:.1f} ms; verify: {seconds(lambda: verify(folder)):.2f} s")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
