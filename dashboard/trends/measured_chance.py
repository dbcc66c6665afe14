"""How often chance names somebody in this service: measured in the background while the pages are served."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Iterator
from datetime import date
from itertools import islice

from analysis.trends.false_marks import DRAWS, FalseMarks, false_marks
from analysis.trends.ledger import Ledger
from ingest.contract.any_error import ANY_ERROR

log = logging.getLogger("underair.trends")

RESTS = 3.0
"""After each ledger the thread rests for so many times as long as it took: the live page comes first."""
AGAIN_AFTER_S = 24 * 3600.0
"""What a day adds changes the figure little."""


class MeasuredChance:
    """The newest figure, and the thread that works it out."""

    def __init__(self) -> None:
        self.count = FalseMarks()
        self._stop = threading.Event()
        self._lock = threading.Lock()
        self._began = -AGAIN_AFTER_S

    def begin(self, ledger: Ledger, running: date) -> None:
        """Measure, unless that was done within a day; what is given is as in `false_marks`."""
        with self._lock:
            if time.monotonic() - self._began < AGAIN_AFTER_S or not len(ledger["wears"]):
                return
            self._began = time.monotonic()
        counts = false_marks(ledger["wears"], ledger["set_events"], running)
        threading.Thread(target=self._measure, args=(counts,), name="chance", daemon=True).start()

    def stop(self) -> None:
        """Measure no more."""
        self._stop.set()

    def _measure(self, counts: Iterator[FalseMarks]) -> None:
        try:
            began = time.monotonic()
            for count in islice(counts, DRAWS):
                # A first figure is shown as it grows; a later one when it says as much as the one before.
                if count.drawn >= self.count.drawn:
                    self.count = count
                if self._stop.wait(RESTS * (time.monotonic() - began)):
                    return
                began = time.monotonic()
        except ANY_ERROR:
            log.exception("how often chance names somebody could not be measured; the next try is tomorrow")
