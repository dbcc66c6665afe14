"""End things in order: a verb at Ctrl-C, with a sentence and exit code; a process of ours; a `with` block."""

import contextlib
import os
import signal
import subprocess
import sys
import threading
from abc import abstractmethod
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Any, Self

STOPPED = "underair: stopped by Ctrl-C before it was done; run it again"
EXIT_CODE = 130
"""As a shell gives it: 128 and the number of the signal."""


class Started(AbstractContextManager[Any]):
    """What is started by a `with` block, and stopped at its end."""

    @abstractmethod
    def start(self) -> None:
        """Begin."""

    @abstractmethod
    def stop(self) -> Any:
        """End."""

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()


def end_at_once(*_: object) -> None:
    """End the process: a handler for while there is nothing to clean up yet, or nothing any more."""
    sys.stdout.flush()
    os.write(2, f"\n{STOPPED}\n".encode())
    os._exit(EXIT_CODE)


def leave_it_to_the_verb() -> None:
    """Let Ctrl-C raise `KeyboardInterrupt` from here on: a verb at work cleans up after itself."""
    if signal.getsignal(signal.SIGINT) is end_at_once:
        signal.signal(signal.SIGINT, signal.default_int_handler)


@contextmanager
def stopped_by_signal() -> Iterator[threading.Event]:
    """Give an event that SIGTERM and Ctrl-C set, instead of ending us at once."""
    stop = threading.Event()
    before = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT)}
    for number in before:
        signal.signal(number, lambda *_: stop.set())
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


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
