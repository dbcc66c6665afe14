"""Merge the small parts of finished days automatically, in a process of the lowest priority.

It begins a minute after the start and some minutes after each midnight (UTC), and ends with the listener. If
it is killed, the archive stays whole (see `tidying`), and the next run continues.
"""

import contextlib
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from ingest.archive.store import ArchivePath, local, place, place_of
from ingest.contract.errors import reason_of
from ingest.stopping import command_of

FIRST_AFTER_S = 60.0
AGAIN_AFTER_S = 3600.0
_KEPT_ASIDE = 3  # exit code: merged, except damaged parts
_SEALED_WITHIN = timedelta(minutes=10)  # yesterday's last segment is sealed by then


class FinishedDays:
    """Has finished days merged while a listener runs.

    `say`: takes sentences for the operator.
    """

    def __init__(self, archive: ArchivePath, say: Callable[[str], None]) -> None:
        self._archive = archive
        self._say = say
        self._stopping = threading.Event()
        self._process: subprocess.Popen[str] | None = None
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._run, name="finished days", daemon=True)

    def start(self) -> None:
        """Begin to wait for the next finished day."""
        self._thread.start()

    def stop(self) -> None:
        """End; a merge that is running stops, and the next start continues it."""
        with self._lock:
            self._stopping.set()
            if self._process is not None:
                self._process.kill()
        self._thread.join()

    def _run(self) -> None:
        pause_s = FIRST_AFTER_S
        while not self._stopping.wait(pause_s):
            trouble = self._merge()
            if self._stopping.is_set():
                return
            if trouble:
                self._say(f"finished days are not merged yet, tried again in an hour: {trouble}")
            pause_s = AGAIN_AFTER_S if trouble else seconds_to_next(datetime.now(UTC))

    def _merge(self) -> str:
        """Merge once; return why not, empty when it is done. It logs what it put into quarantine."""
        try:
            with self._lock:
                if self._stopping.is_set():
                    return ""
                self._process = subprocess.Popen(  # noqa: S603  # our own module, a fixed argument list
                    command_of("ingest.archive.finished_days", str(self._archive)),
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                    text=True,
                    start_new_session=True,
                )
            with self._process as process:
                trouble = "" if process.stdout is None else process.stdout.read()
        except OSError as error:
            return reason_of(error)
        code = process.returncode
        if code == _KEPT_ASIDE:
            self._say(trouble.strip())
            return ""
        return trouble.strip() or (f"the merging process ended with exit code {code}" if code else "")


def seconds_to_next(now: datetime) -> float:
    """Return the seconds until some minutes after midnight."""
    next_day = datetime.combine(now.date() + timedelta(days=1), datetime.min.time(), UTC)
    return (next_day + _SEALED_WITHIN - now).total_seconds()


def _is_there_work(archive: ArchivePath, today: str) -> bool:
    """Return whether any finished day has several parts. If not, the code that merges is not loaded."""
    if place_of(archive).is_shared:
        return True  # listing is the costly part
    return any(
        sum(not path.name.startswith(".") for path in folder.glob("*.parquet")) > 1
        for folder in local(archive).glob("*/date=*")
        if folder.name != f"date={today}"
    )


def _end_with_listener() -> None:
    sys.stdin.read()
    os._exit(0)


def main() -> None:
    """Merge the finished days of one archive; print why not."""
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)  # the listener ends us
    os.nice(19)
    threading.Thread(target=_end_with_listener, daemon=True).start()
    archive = place(sys.argv[1])
    if archive.is_dir() and not _is_there_work(archive, datetime.now(UTC).date().isoformat()):
        return
    from ingest.archive.index import ArchiveIndex
    from ingest.archive.tidying import quarantine_sentence, tidy
    from ingest.contract.errors import UnderairError

    try:
        quarantined = tidy(archive, datetime.now(UTC)).quarantined
        ArchiveIndex(archive).bring_up_to_date()
        if quarantined:
            with contextlib.suppress(BrokenPipeError):
                print(quarantine_sentence(archive, quarantined), flush=True)
            sys.exit(_KEPT_ASIDE)
    except (UnderairError, OSError) as error:
        with contextlib.suppress(BrokenPipeError):
            print(error, flush=True)


if __name__ == "__main__":
    main()
