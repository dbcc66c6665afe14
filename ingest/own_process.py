"""How underair starts a module of its own as a process."""

from __future__ import annotations

import contextlib
import subprocess
import sys
from typing import Any


def command_of(module: str, *arguments: str) -> list[str]:
    """Return the command line that runs a module of ours.

    With ``-P``, because Python otherwise looks for modules in the current folder first: a folder that holds
    an ``ingest/`` or a ``msgspec.py`` would run foreign code in our place.
    """
    return [sys.executable, "-P", "-m", module, *arguments]


def end_process(process: subprocess.Popen[Any], within_s: float) -> None:
    """Let a process of ours end, which takes the end of its input as the word to stop; else end it.

    In the middle of a disk access that never returns not even this ends it: its end is not waited for.
    """
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            with contextlib.suppress(OSError):
                pipe.close()
    for last in (False, True):
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(within_s)
            return
        if not last:
            process.kill()
