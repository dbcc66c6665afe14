"""The listener's own health: a retained message of our own topic, and a small file beside the journal.

``underair/status/{listener}`` is outside the message contract. The file is written in place at a fixed
size, so that it can still be written when the disk is full.
"""

import contextlib
import os
import shutil
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Literal

import msgspec

from ingest.archive.journal import journal_folders
from ingest.archive.store import ArchivePath, place

FILE_NAME = "status.json"
FILE_BYTES = 2048
EVERY_S = 5.0
LOOK_EVERY_S = 0.25
LOW_DISK_BYTES = 1_000_000_000
FULL_DISK_BYTES = 1_000_000
"""With less room no segment of the journal can be begun."""


class Status(msgspec.Struct, frozen=True, kw_only=True):
    """How a listener is."""

    listener: str
    # The broker publishes ``down`` when the listener vanishes (last will).
    state: Literal["up", "down", "stopped"]
    # When this was true, on the clock that stamps what is received; a status that is not renewed within three
    # times `EVERY_S` is stale.
    at: datetime
    # By how much the machine's clock was set since, which times of receipt do not follow (`receipt_clock`).
    clock_set_s: float = 0.0
    connected: bool = False  # to its broker
    received: int = 0  # messages safe on disk since the start
    received_per_s: float = 0.0  # over the last interval
    delay_ms: float = 0.0  # longest time from receipt to being safe on disk, over the last interval
    queued: int = 0  # messages in memory that wait for the disk
    kept: int = 0  # of what has been sealed since the start
    duplicates: int = 0  # of what has been sealed since the start
    refused: int = 0  # of what has been sealed since the start
    last_sealed: datetime | None = None
    disk_free_bytes: int = 0
    # What is not well: nothing can be written or sealed, or the disk will soon be full; else empty.
    trouble: str = ""
    # Why what arrives cannot be made safe, so that it is not acknowledged; empty when it can.
    cannot_keep: str = ""
    possible_loss: str = ""  # what may have been lost before it came here; empty when nothing is known


encode_status = msgspec.json.Encoder().encode
_decode = msgspec.json.Decoder(Status).decode


def status_topic(listener: str) -> str:
    """Return the topic of a listener's status."""
    return f"underair/status/{listener}"


def read_statuses(archive: str | ArchivePath) -> list[Status]:
    """Return the last status of each listener of an archive, by name."""
    return statuses_in(journal_folders(place(archive)))


def statuses_in(folders: Iterable[Path]) -> list[Status]:
    """Return the last status of each listener's folder."""
    found = []
    for folder in folders:
        try:
            found.append(_decode((folder / FILE_NAME).read_bytes().rstrip()))
        except (OSError, msgspec.MsgspecError):
            continue  # none yet, or read in mid-write: the next look finds it
    return found


def why_none_listens(statuses: Sequence[Status], now: datetime) -> str:
    """Return why nothing comes into an archive that has listeners; empty when one of them receives."""
    hearing = [status for status in statuses if status.connected and _is_fresh(status, now)]
    if not statuses or any(not status.cannot_keep for status in hearing):
        return ""
    if hearing:
        return f"listener {hearing[0].listener} cannot keep what arrives: {hearing[0].cannot_keep}"
    last = max(statuses, key=lambda status: status.at)
    ago_s = max(0, round((now - last.at).total_seconds()))
    if _is_fresh(last, now):
        return f"listener {last.listener} is {last.state}, not connected to its broker"
    return f"no listener is running: {last.listener} last said {ago_s:,} s ago that it is {last.state}"


def _is_fresh(status: Status, now: datetime) -> bool:
    return status.state == "up" and (now - status.at).total_seconds() <= 3 * EVERY_S


def free_bytes(folder: Path) -> int:
    """Return how much room the disk of a folder has; none when it cannot be reached."""
    try:
        return shutil.disk_usage(folder).free
    except OSError:
        return 0


def disk_trouble(free: int) -> str:
    """Return a warning when a disk is full or soon will be."""
    if free < FULL_DISK_BYTES:
        return "the archive's disk is full"
    return f"only {free / 1e6:,.0f} MB are free on the archive's disk" if free < LOW_DISK_BYTES else ""


class StatusTeller:
    """Tells a listener's status at once when something changes, and every few seconds.

    - `matters`: returns what is published at once when it changes.
    - `publish`: takes the status as JSON; may fail to reach anybody, never raises.
    """

    def __init__(
        self,
        folder: Path,
        matters: Callable[[], tuple[object, ...]],
        look: Callable[[], Status],
        publish: Callable[[bytes], None],
    ) -> None:
        self._matters = matters
        self._look = look
        self._publish = publish
        self.last: Status | None = None  # as last published
        self._stop = threading.Event()
        self._file = os.open(folder / FILE_NAME, os.O_WRONLY | os.O_CREAT, 0o644)
        self._thread = threading.Thread(target=self._run, name="status", daemon=True)

    def start(self) -> None:
        """Begin to publish."""
        self._thread.start()

    def stop(self) -> None:
        """Publish the last status and stop."""
        self._stop.set()
        self._thread.join()
        self._tell(msgspec.structs.replace(self._look(), state="stopped", connected=False))
        os.close(self._file)

    def _run(self) -> None:
        said: tuple[object, ...] | None = None
        said_at = 0.0
        while True:
            matters = self._matters()
            if matters != said or time.monotonic() - said_at >= EVERY_S:
                said, said_at = matters, time.monotonic()
                self._tell(self._look())
            if self._stop.wait(LOOK_EVERY_S):
                return

    def _tell(self, status: Status) -> None:
        self.last = status
        text = encode_status(status)
        # No room even for this at the very start: the message still goes out.
        with contextlib.suppress(OSError):
            os.pwrite(self._file, text.ljust(FILE_BYTES), 0)
        self._publish(text)
