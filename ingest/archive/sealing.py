"""The listener's hold on its sealing process, where segments become Parquet.

In a process of its own, because decoding holds Python's lock for 5 ms at a time, and receiving, journalling
and acknowledging would each wait for it: that, and not the disk, made the slowest hundredth of messages slow.
The process is told segments by lines on its input, answers each with a line, and ends with its input, so also
when the listener is killed. This module is light: what needs Parquet is in `sealing_process`.
"""

from __future__ import annotations

import contextlib
import signal
import subprocess
from pathlib import Path

import msgspec

from ingest.archive.folder import Counts
from ingest.archive.journal import Damage
from ingest.contract.errors import ArchiveProblem
from ingest.own_process import command_of


class Outcome(msgspec.Struct, frozen=True):
    """What became of a segment.

    Attributes
    ----------
    counts : Counts or None
        None: it could not be sealed, and is kept.
    damages : list of Damage
    trouble : str
        Why it could not be sealed; with `counts`, what else the operator should know.
    """

    counts: Counts | None = None
    damages: list[Damage] = []
    trouble: str = ""


encode_outcome = msgspec.json.Encoder().encode
_decode_outcome = msgspec.json.Decoder(Outcome).decode
encode_segment = msgspec.json.Encoder().encode
decode_segment = msgspec.json.Decoder(str).decode


class SealingProcess:
    """Seals one segment at a time in a process of its own; a process that has ended is started again.

    Parameters
    ----------
    archive : Path
    folder : Path
        The listener's journal folder.
    """

    def __init__(self, archive: Path, folder: Path) -> None:
        self._arguments = [str(archive), str(folder)]
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def pid(self) -> int | None:
        """The process's number, None when there is none."""
        return None if self._process is None else self._process.pid

    def start(self) -> None:
        """Start the process unless there is one; it prepares itself until the first segment comes.

        Raises
        ------
        OSError
            When the machine does not start one.
        """
        if self._process is not None:
            return
        # Its own session: the terminal's Ctrl-C is for the listener, which then has the rest sealed.
        self._process = subprocess.Popen(  # noqa: S603  # our own module, a fixed argument list
            command_of("ingest.archive.sealing_process", *self._arguments),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            start_new_session=True,
        )

    def seal(self, segment: Path) -> Outcome:
        """Have a closed segment sealed; returns when it is.

        Raises
        ------
        ArchiveProblem
            When the process ends before it answers. The segment is kept; the next call starts a new process.
        OSError
            When no process can be started.
        """
        if self._process is None or self._process.poll() is not None:
            self.close()
            self.start()
        process = self._process
        if process is None or process.stdin is None or process.stdout is None:
            raise ArchiveProblem("the sealing process has no pipes")
        with contextlib.suppress(BrokenPipeError):
            process.stdin.write(encode_segment(str(segment)) + b"\n")
            process.stdin.flush()
        answer = process.stdout.readline()
        if not answer.endswith(b"\n"):
            self.close()
            raise ArchiveProblem(f"the sealing process {_end(process.returncode)}; it is started again")
        return _decode_outcome(answer)

    def close(self) -> None:
        """Let the process end; a second call does nothing."""
        process, self._process = self._process, None
        if process is None:
            return
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()
        process.wait()


def _end(code: int | None) -> str:
    if code is not None and code < 0:
        return f"was ended by signal {signal.Signals(-code).name}"
    return f"ended with exit code {code}"
