"""What seals for a listener in the process of the tests, where the process of its own is not what is tested.

`test_sealing_process`, `test_operations`, the verb `listen` and the tests of faults have a real one. It takes
half a second of work to start, for each listener.
"""

from __future__ import annotations

import math
import os
from pathlib import Path

from ingest.archive.sealing_client import Outcome
from ingest.archive.sealing_process import Sealing


class SealsHere:
    """Stands for `ingest.archive.sealing_client.SealingProcess`."""

    def __init__(self, archive: Path, folder: Path, slow: object = None) -> None:
        self._place = (archive, folder)
        self._sealing: Sealing | None = None
        self.end_by = math.inf
        self.pid: int | None = None

    def start(self) -> None:
        pass

    def seal(self, segment: Path) -> Outcome:
        if self._sealing is None:
            self._sealing = Sealing(*self._place)
        return self._sealing.seal(segment)

    def close(self) -> None:
        sealing, self._sealing = self._sealing, None
        if sealing is not None:
            os.close(sealing._lock)  # held by a process until it ends
