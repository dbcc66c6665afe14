"""The sealing process: reads segments from stdin, one a line, and answers on stdout, until stdin ends.

``python -m ingest.archive.sealing_process ARCHIVE JOURNAL``, started by `sealing_client.SealingProcess`.
"""

import contextlib
import fcntl
import os
import signal
import sys
import threading
from pathlib import Path
from typing import BinaryIO

import msgspec
import pyarrow as pa
import pyarrow.compute  # else the first segment waits for it, and for the next
import pyarrow.parquet

from ingest.archive.folder import Counts
from ingest.archive.sealing import Recent, seal_segment
from ingest.archive.sealing_client import (
    SIGN_OF_LIFE,
    SIGN_OF_LIFE_EVERY_S,
    Outcome,
)
from ingest.archive.store import ArchivePath, asides, place
from ingest.contract.any_error import ANY_ERROR
from ingest.contract.errors import reason_of

NICENESS = 10  # receiving goes first


class Sealing:
    """Seals segments of one listener, and remembers what it sealed last.

    `folder`: the listener's journal folder. Waits for the sealing process of a listener that was killed,
    which may be at its last segment still: two must not write the same part.
    """

    def __init__(self, archive: ArchivePath, folder: Path) -> None:
        self._archive = archive
        # On the folder itself: a full disk has no room for a file to lock.
        self._lock = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        fcntl.flock(self._lock, fcntl.LOCK_EX)
        # By the segment's time: `van` must not take what `van-2` is writing.
        for aside in asides(archive).glob(f"*/date=*/.{folder.name}-{8 * '[0-9]'}T*.parquet.tmp"):
            aside.unlink()  # of one that was killed
        self._trouble = ""
        try:
            self._recent = Recent(archive)
        except ANY_ERROR as error:  # sealing must begin anyway
            self._recent = Recent()
            self._trouble = (
                f"what was sealed last cannot be looked up ({reason_of(error)}); what the broker sends again "
                "may be stored twice, and is read once"
            )

    def seal(self, segment: Path) -> Outcome:
        """Seal a segment, or say why it cannot be sealed; it stays then."""
        if not segment.exists():
            told = "was sealed by a process that ended before it reported counts; the status lacks them"
            return Outcome(Counts(), trouble=f"journal {segment.name} {told}")
        try:
            outcome = seal_segment(self._archive, segment, self._recent)
        except ANY_ERROR as error:  # whatever it is: it is tried again
            return Outcome(trouble=reason_of(error))
        pa.default_memory_pool().release_unused()  # what one large segment needed is not kept for ever
        trouble, self._trouble = self._trouble, ""
        return msgspec.structs.replace(outcome, trouble=trouble)


class Answers:
    """Answers to the listener, and signs of life while there is work."""

    def __init__(self, pipe: BinaryIO) -> None:
        self._pipe = pipe
        self._lock = threading.Lock()
        self._at_work = threading.Event()
        threading.Thread(target=self._beat, name="sign of life", daemon=True).start()

    def begin(self) -> None:
        """Give signs of life from now on."""
        self._at_work.set()

    def give(self, line: bytes) -> None:
        """Answer; there are no more signs of life until the next `begin`."""
        self._at_work.clear()
        self._write(line)

    def _beat(self) -> None:
        pause = threading.Event()
        with contextlib.suppress(OSError, ValueError):  # the listener is gone
            while self._at_work.wait():
                self._write(SIGN_OF_LIFE)
                pause.wait(SIGN_OF_LIFE_EVERY_S)

    def _write(self, line: bytes) -> None:
        with self._lock:
            self._pipe.write(line)
            self._pipe.flush()


def main() -> None:
    """Seal until the end of the input."""
    for number in (signal.SIGINT, signal.SIGTERM):
        # A signal to the whole group is for the listener, which has the rest sealed and then ends us.
        signal.signal(number, signal.SIG_IGN)
    os.nice(NICENESS)
    pipe = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # what a library prints must not mix with the answers
    answers = Answers(pipe)
    answers.begin()  # it may have to wait for the process of an earlier run
    sealing = Sealing(place(sys.argv[1]), Path(sys.argv[2]))
    with contextlib.suppress(BrokenPipeError):  # the listener is gone; its next run goes on from here
        for line in sys.stdin.buffer:
            answers.begin()
            outcome = sealing.seal(Path(msgspec.json.decode(line, type=str)))
            answers.give(msgspec.json.encode(outcome) + b"\n")


if __name__ == "__main__":
    main()
