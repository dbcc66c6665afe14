"""Where the command begins: Ctrl-C ends it with a sentence at any moment, even while it is imported."""

import os
import signal
from typing import Any

from ingest.stopping import end_at_once


def main() -> Any:
    """Run `underair`."""
    if os.getpid() == 1:  # in a container, where the kernel drops a SIGTERM that nobody handles
        signal.signal(signal.SIGTERM, lambda *_: os._exit(128 + signal.SIGTERM))
    if signal.getsignal(signal.SIGINT) is not signal.default_int_handler:
        return _run()  # the caller wants no Ctrl-C, as a shell does for what it runs with &
    # A library that is half imported would end with its own traceback.
    signal.signal(signal.SIGINT, end_at_once)
    try:
        return _run()
    finally:
        signal.signal(signal.SIGINT, end_at_once)  # nor after the verb, while threads and libraries end


def _run() -> Any:
    from dashboard.underair import main as run

    return run()
