"""How long one incident takes to open out of 1, 10 and 100 million messages: it must not grow with them.

`python -m tests.benchmarks.opening_an_incident [FOLDER] [days ...]`. A day is a million messages
(`tests.benchmarks.big_archive`); FOLDER keeps what was made for the next time, else all is deleted. Each size
is opened in a process of its own, by the index as a listener's machine has it, and once without any index.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.benchmarks.big_archive import MESSAGES_A_DAY, add_days, incident_id, name_part

TIMES = 9
OPENING = """
import resource, statistics, sys, time
from pathlib import Path
from analysis.pieces.archive_pieces import incident_piece
from analysis.incident import analyse
from analysis.profile import Profile

folder, name, times = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
took = []
for _ in range(times):
    started = time.perf_counter()
    messages, scope = incident_piece(folder, name)
    took.append(time.perf_counter() - started)
rows = sum(frame.height for frame in messages.values())
analyse(messages, Profile.default(), name, scope=scope)
started = time.perf_counter()
wears = analyse(messages, Profile.default(), name, scope=scope)["wears"].height
analysed = time.perf_counter() - started
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
rest = took[1:] or took
print(took[0], min(rest), statistics.median(rest), analysed, peak, rows, wears)
"""


def grow(kept: Path, days: int) -> None:
    """Make the days that are missing."""
    there = len(list((kept / "pressure").glob("date=*"))) if kept.exists() else 0
    if there < days:
        started = time.perf_counter()
        add_days(kept, there, days)
        print(f"made {days - there} days in {time.perf_counter() - started:.0f} s", flush=True)


def first_days(kept: Path, folder: Path, days: int) -> int:
    """Link the first days of an archive into another; return its bytes."""
    size = 0
    for kind in sorted(path for path in kept.iterdir() if path.is_dir() and path.name != "index"):
        for day in sorted(kind.glob("date=*"))[:days]:
            target = folder / kind.name / day.name
            target.mkdir(parents=True)
            for part in day.iterdir():
                os.link(part, target / part.name)
                name_part(folder, target / part.name)
                size += part.stat().st_size
    return size


def opened(folder: Path, name: str, times: int) -> list[float]:
    """Open an incident in a process of its own; first, least, median, analysis (s), MB, messages, wears."""
    done = subprocess.run(
        [sys.executable, "-c", OPENING, str(folder), name, str(times)],
        capture_output=True,
        text=True,
        check=True,
    )
    return [float(word) for word in done.stdout.split()]


def main() -> None:
    """Print the table."""
    words = sys.argv[1:]
    kept = Path(words.pop(0)) if words and not words[0].isdigit() else None
    sizes = [int(word) for word in words] or [1, 10, 100]
    work = Path(tempfile.mkdtemp(prefix="underair-opening-", dir=kept.parent if kept else None))
    whole = kept or work / "whole"
    print(
        "messages      bytes a message   index: make    bytes   open: without   first   least  median  peak"
    )
    try:
        for days in sizes:
            grow(whole, days)
            folder = work / f"{days}"
            size = first_days(whole, folder, days)
            name = incident_id(days // 2, 13)
            without = opened(folder, name, 1)
            started = time.perf_counter()
            _bring_up_to_date(folder)
            made = time.perf_counter() - started
            index = sum(path.stat().st_size for path in (folder / "index").iterdir())
            first, least, median, analysed, peak, rows, wears = opened(folder, name, TIMES)
            print(
                f"{days * MESSAGES_A_DAY:11,}   {size / days / MESSAGES_A_DAY:8.1f}           "
                f"{made:8.2f} s {index / 1e6:7.2f} MB {without[0]:11.3f} s {first:7.3f} {least:7.3f} "
                f"{median:7.3f} {peak:5.0f} MB  ({rows:,.0f} messages, {wears:.0f} wears, analysed in "
                f"{analysed:.3f} s)",
                flush=True,
            )
    finally:
        shutil.rmtree(work)


def _bring_up_to_date(folder: Path) -> None:
    from ingest.archive.index import ArchiveIndex

    ArchiveIndex(folder).bring_up_to_date()


if __name__ == "__main__":
    main()
