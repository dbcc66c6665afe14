"""How often chance names somebody in this service: measured in the background while the pages are served."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Iterator
from itertools import islice
from typing import TYPE_CHECKING

from analysis.trends.false_marks import DRAWS, FalseMarks, false_marks
from ingest.contract.any_error import ANY_ERROR

if TYPE_CHECKING:
    from dashboard.trends.view import TrendsLook

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

    def begin(self, look: TrendsLook) -> None:
        """Measure over what a look sees, unless that was done within a day."""
        with self._lock:
            if time.monotonic() - self._began < AGAIN_AFTER_S or not len(look.ledger["wears"]):
                return
            self._began = time.monotonic()
        threading.Thread(target=self._measure, args=(look,), name="chance", daemon=True).start()

    def stop(self) -> None:
        """Measure no more."""
        self._stop.set()

    def _measure(self, look: TrendsLook) -> None:
        try:
            for count in _rested(ledgers_of(look), self._stop):
                # A first figure is shown as it grows; a later one when it says as much as the one before.
                if count.drawn >= self.count.drawn:
                    self.count = count
        except ANY_ERROR:
            log.exception("how often chance names somebody could not be measured; the next try is tomorrow")


def ledgers_of(look: TrendsLook) -> Iterator[FalseMarks]:
    """Yield the counts after each ledger that is drawn from what a look sees."""
    from dashboard.trends.view import running_month

    return false_marks(look.ledger["wears"], look.ledger["set_events"], look.falls, running_month())


def _rested(counts: Iterator[FalseMarks], stop: threading.Event) -> Iterator[FalseMarks]:
    began = time.monotonic()
    for count in islice(counts, DRAWS):
        yield count
        if stop.wait(RESTS * (time.monotonic() - began)):
            return
        began = time.monotonic()
