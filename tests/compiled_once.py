"""Compiles once for all test processes: modules, and the loops of live page and review.

pytest begins `python -m tests.compiled_once` while its workers collect. Each worker then copies the result
into a cache of its own: two that compile into one cache at the same moment could mix up its entries.
"""

from __future__ import annotations

import compileall
import fcntl
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pytest

CACHES = Path(__file__).parents[1] / ".pytest_cache"
SHARED = CACHES / "numba"
DONE = CACHES / "numba-done"
LONGEST_S = 120.0  # then a worker compiles by itself


def write_modules(config: pytest.Config) -> None:
    """Compile each module of ours: in a fresh clone every worker would, as all of them begin at once."""
    from _pytest.assertion import rewrite

    if sys.dont_write_bytecode:
        return
    state = config.stash[rewrite.assertstate_key]
    for folder in ("ingest", "analysis", "dashboard", "sample_logs", "tests"):
        for path in (CACHES.parent / folder).rglob("*.py"):
            if not path.name.startswith("test_") and path.name != "conftest.py":
                compileall.compile_file(path, quiet=1)
                continue
            kept = rewrite.get_cache_dir(path) / f"{path.stem}{rewrite.PYC_TAIL}"
            if rewrite._read_pyc(path, kept) is None:
                kept.parent.mkdir(exist_ok=True)
                digest, code = rewrite._rewrite_test(path, config)
                rewrite._write_pyc(state, code, digest, kept)


def begin() -> subprocess.Popen[bytes]:
    """Compile in a process beside this one; return that."""
    CACHES.mkdir(exist_ok=True)
    DONE.unlink(missing_ok=True)
    return subprocess.Popen(
        [sys.executable, "-m", "tests.compiled_once"],
        cwd=CACHES.parent,
        env={**os.environ, "NUMBA_CACHE_DIR": str(SHARED)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def take(own: Path) -> None:
    """Copy what was compiled into a worker's own cache, as soon as it is all there."""
    deadline = time.monotonic() + LONGEST_S
    while not DONE.exists() and time.monotonic() < deadline:
        time.sleep(0.05)
    if DONE.exists() and SHARED.is_dir():
        shutil.copytree(SHARED, own, dirs_exist_ok=True, copy_function=_copy_if_newer)


def _copy_if_newer(source: str, target: str) -> None:
    if not Path(target).exists() or Path(target).stat().st_mtime < Path(source).stat().st_mtime:
        shutil.copy2(source, target)


def main() -> None:
    from dashboard.demo.parts import compile_analysis, compile_live

    with (CACHES / "numba.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        try:
            compile_live()
            compile_analysis()
        finally:
            DONE.touch()


if __name__ == "__main__":
    main()
