"""Start, use and end the sealing process, in which segments become Parquet.

It is a separate process because decoding holds Python's lock for 5 ms at a time, and receiving, journalling
and acknowledging would each wait for it. The process reads segments from its input, one a line, answers each
with a line, and ends with its input, even if the listener is killed. At work it gives a sign of life each
second. If it falls silent or takes too long, it is ended, and the next one seals the segment. This module is
light: what needs Parquet is in `sealing_process`.
"""

import contextlib
import io
import math
import os
import select
import signal
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import msgspec

from ingest.archive.folder import Counts
from ingest.archive.journal import Damage
from ingest.archive.store import ArchivePath
from ingest.contract.errors import ArchiveProblem
from ingest.stopping import command_of, end_process

SIGN_OF_LIFE = b"\n"
SIGN_OF_LIFE_EVERY_S = 1.0
SILENT_S = 15.0  # without a sign of life: it is halted, or the machine is overloaded
STARTS_WITHIN_S = 30.0  # until it has loaded what it needs it gives none
SLOW_AFTER_S = 60.0  # a segment takes a second or two
DEADLINE_S = 600.0
END_WITHIN_S = 10.0
_LOOK_EVERY_S = 0.2


class Outcome(msgspec.Struct, frozen=True):
    """What became of a segment."""

    counts: Counts | None = None  # None: it could not be sealed, and is kept
    damages: list[Damage] = []
    trouble: str = ""  # why it could not be sealed; with `counts`, what else the operator should know


class SealingProcess:
    """Seals one segment at a time in its own process, which is started again if it has ended.

    `slow`: called with a sentence when a segment takes unusually long.
    """

    def __init__(self, archive: ArchivePath, folder: Path, slow: Callable[[str], object] = str) -> None:
        self._arguments = [str(archive), str(folder)]
        self._slow = slow
        self._process: subprocess.Popen[bytes] | None = None
        self.end_by = math.inf  # on the monotonic clock: `seal` gives up then, since the listener is to end

    @property
    def pid(self) -> int | None:
        """The process's number, None when there is none."""
        return None if self._process is None else self._process.pid

    def start(self) -> None:
        """Start the process unless there is one; it prepares itself until the first segment comes.

        Raises `OSError` when the machine does not start one.
        """
        if self._process is not None:
            return  # a second one would wait for the first one's lock for ever
        # Its own session: the terminal's Ctrl-C is for the listener, which then has the rest sealed.
        self._process = subprocess.Popen(  # noqa: S603  # our own module, a fixed argument list
            self._command(), stdin=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=True
        )
        self._unread = b""
        self._has_spoken = False

    def _command(self) -> list[str]:
        return command_of("ingest.archive.sealing_process", *self._arguments)

    def seal(self, segment: Path) -> Outcome:
        """Have a closed segment sealed; returns when it is.

        Raises `ArchiveProblem` when the process ends before it answers, gives no sign of life, is not done in
        time, or the listener is to end. The segment is kept; the next call starts a new process; `OSError`
        when no process can be started.
        """
        if time.monotonic() >= self.end_by:
            raise ArchiveProblem("the listener ends")
        if self._process is None or self._process.poll() is not None:
            self.close()
            self.start()
        process = self._process
        if process is None or process.stdin is None or process.stdout is None:
            raise ArchiveProblem("the sealing process has no pipes")
        with contextlib.suppress(BrokenPipeError):
            process.stdin.write(msgspec.json.encode(str(segment)) + b"\n")
            process.stdin.flush()
        answer = self._answer(process, process.stdout.fileno(), segment.name)
        if answer is None:
            self.close()
            code = process.returncode
            how = f"ended with exit code {code}"
            if code is not None and code < 0:
                how = f"was ended by signal {signal.Signals(-code).name}"
            raise ArchiveProblem(f"the sealing process {how}; it is started again")
        return msgspec.json.decode(answer, type=Outcome)

    def _answer(self, process: subprocess.Popen[bytes], pipe: int, segment: str) -> bytes | None:
        began = heard = time.monotonic()
        told_slow = False
        poll = select.poll()
        poll.register(pipe, select.POLLIN)
        while True:
            *lines, self._unread = self._unread.split(b"\n")
            answer = next((line for line in lines if line), None)
            if answer is not None:
                return answer
            if poll.poll(1000 * _LOOK_EVERY_S):
                data = os.read(pipe, io.DEFAULT_BUFFER_SIZE)
                if not data:
                    return None
                self._unread += data
                self._has_spoken = True
                heard = time.monotonic()
            now = time.monotonic()
            silent_s = SILENT_S if self._has_spoken else STARTS_WITHIN_S
            if now - heard > silent_s:
                self._give_up(process, f"gave no sign of life for {silent_s:g} s")
            if now - began > DEADLINE_S:
                self._give_up(process, f"was not done with {segment} after {DEADLINE_S:g} s")
            if now > self.end_by:
                self._give_up(process, f"was not done with {segment} when the listener had to end")
            if now - began > SLOW_AFTER_S and not told_slow:
                told_slow = True
                self._slow(f"sealing {segment} takes longer than {SLOW_AFTER_S:g} s")

    def _give_up(self, process: subprocess.Popen[bytes], what: str) -> None:
        process.kill()  # also one that is halted
        self.close()
        raise ArchiveProblem(f"the sealing process (pid {process.pid}) {what}; it was ended")

    def close(self) -> None:
        """Let the process end; one that does not is ended. A second call does nothing."""
        process, self._process = self._process, None
        if process is not None:
            end_process(process, END_WITHIN_S)
