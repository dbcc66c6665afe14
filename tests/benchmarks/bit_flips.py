"""Flip single bits over all files of an archive: each answer is the same as before, or says what is wrong.

    python -m tests.benchmarks.bit_flips [flips] [seed]

Half of the flips fall on a file chosen among all, the other half on a bit chosen among all. Prints each
answer that changed in silence, and each traceback; ends with 1 when there is one.
"""

from __future__ import annotations

import os
import random
import shutil
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from tests.faults.corrupt_store import Answers, crashes_in, faults_in, flip, make_archive


def flips(archive: Path, count: int, seed: int) -> list[tuple[Path, int]]:
    """Return files, below the archive, and bits to flip in them."""
    chance = random.Random(seed)  # chosen again by the same seed
    sizes = {
        path.relative_to(archive): path.stat().st_size
        for path in sorted(archive.rglob("*"))
        if path.is_file() and path.stat().st_size
    }
    files, weights = list(sizes), list(sizes.values())
    return [
        (path, chance.randrange(8 * sizes[path]))
        for number in range(count)
        for path in (chance.choice(files) if number % 2 else chance.choices(files, weights)[0],)
    ]


def main(count: int = 1000, seed: int = 1) -> bool:
    """Try all; return whether each answer held."""
    work = Path(tempfile.mkdtemp(prefix="underair-flips-"))
    os.environ["UNDERAIR_WORK_FOLDER"] = str(work / "machine")  # its cases are none that this machine saw
    whole, archive = work / "whole", work / "archive"
    incident = make_archive(whole, work / "before")
    shutil.copytree(whole, archive)
    answers = Answers(archive, incident, work / "out")
    before = answers.all()
    silent, said, crashed = 0, Counter[str](), 0
    began = time.monotonic()
    for number, (path, bit) in enumerate(flips(whole, count, seed), 1):
        shutil.rmtree(archive)
        shutil.copytree(whole, archive)
        flip(archive / path, bit)
        after = answers.all()
        for verb in faults_in(before, after):
            silent += 1
            print(f"SILENT {verb}: bit {bit} of {path}", flush=True)
        for verb in crashes_in(after):
            crashed += 1
            print(f"CRASH {verb}: bit {bit} of {path}: {after[verb].traceback}", flush=True)
        said.update(verb for verb, answer in after.items() if answer.code)
        if number % 50 == 0:
            print(f"{number} flips, {time.monotonic() - began:.0f} s", flush=True)
    told = ", ".join(f"{verb} {said[verb]}" for verb in before)
    print(f"{count} flips: said by {told}; silent {silent}, tracebacks {crashed}")
    shutil.rmtree(work)
    return not silent and not crashed


if __name__ == "__main__":
    sys.exit(0 if main(*map(int, sys.argv[1:])) else 1)
