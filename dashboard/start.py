"""Where the command begins: Ctrl-C ends it with a sentence at any moment, even while it is imported."""

from __future__ import annotations

import os
import signal
import sys
from typing import Any

STOPPED = "underair: stopped by Ctrl-C before it was done; run it again"
EXIT_CODE = 130
"""As a shell gives it: 128 and the number of the signal."""


def main() -> Any:
    """Run `underair`."""
    if signal.getsignal(signal.SIGINT) is not signal.default_int_handler:
        return _run()  # whoever started us wants no Ctrl-C, as a shell does for what it runs with &
    # There is nothing to clean up yet, and a library that is half imported would end with its own traceback.
    signal.signal(signal.SIGINT, _end_at_once)
    try:
        return _run()
    finally:
        signal.signal(signal.SIGINT, _end_at_once)  # nor after the verb, while threads and libraries end


def leave_it_to_the_verb() -> None:
    """Let Ctrl-C raise `KeyboardInterrupt` from here on: a verb at work cleans up after itself."""
    if signal.getsignal(signal.SIGINT) is _end_at_once:
        signal.signal(signal.SIGINT, signal.default_int_handler)


def _run() -> Any:
    from dashboard.underair import main as run

    return run()


def _end_at_once(*_: object) -> None:
    sys.stdout.flush()
    os.write(2, f"\n{STOPPED}\n".encode())
    os._exit(EXIT_CODE)
