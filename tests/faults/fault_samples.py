"""How much of a family of faults is tried: a sample in CI, all with ``UNDERAIR_FAULTS=all``; and its shim."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

from tests.conftest import missing

ALL_FAULTS = os.environ.get("UNDERAIR_FAULTS") == "all"
SOURCE = Path(__file__).with_name("io_faults.c")


def preloaded_shim(folder: Path) -> Path:
    """Compile `io_faults.c` for LD_PRELOAD."""
    if shutil.which("gcc") is None:
        missing("gcc", "apt-get install gcc libc6-dev")
    made = folder / "io_faults.so"
    command = [
        "gcc",
        "-shared",
        "-fPIC",
        "-O2",
        "-Wall",
        "-Werror",
        "-o",
        str(made),
        str(SOURCE),
        "-ldl",
        "-lpthread",
    ]
    subprocess.run(command, check=True)
    return made
