"""The journal: messages are on disk here before the broker gets their acknowledgement.

A segment is a file of frames, see `ingest.archive.journal_frames`. A crash in mid-write leaves a torn tail,
which was never acknowledged. A damaged frame is stepped over; sealing keeps its bytes as refused, those of
the tail too, and reports them.
"""

import os
import re
import secrets
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

from ingest.archive.durable import sync_folder
from ingest.archive.journal_frames import Damage as Damage
from ingest.archive.journal_frames import Record as Record
from ingest.archive.journal_frames import new_magic, numbered_frame, segment_header
from ingest.archive.store import ArchivePath, work_folder
from ingest.contract.errors import ArchiveProblem

SUFFIX = ".journal"
_NAME = re.compile(rf"\d{{8}}T\d{{12}}Z(-[0-9a-f]{{16}})?{re.escape(SUFFIX)}", re.ASCII)
_STAMP = "%Y%m%dT%H%M%S%fZ"


def segments(folder: Path) -> list[Path]:
    """Return the segments in a listener's journal folder, oldest first."""
    return sorted(path for path in folder.glob(f"*{SUFFIX}") if _NAME.fullmatch(path.name))


def foreign_segments(folder: Path) -> list[Path]:
    """Return files of a journal folder whose names no segment has: a copy would count twice."""
    return sorted(path for path in folder.glob(f"*{SUFFIX}") if not _NAME.fullmatch(path.name))


def journal_folders(archive: ArchivePath) -> Iterator[Path]:
    """Yield the journal folder of each listener of an archive, on this machine."""
    root = work_folder(archive) / "journal"
    if root.is_dir():
        yield from sorted(path for path in root.iterdir() if path.is_dir())


def _next_stamp(folder: Path, now: datetime) -> str:
    """Return a time for a segment's name that is after all others there, whatever the clock does."""
    stamp = now.astimezone(UTC).strftime(_STAMP)
    there = segments(folder)
    newest = there[-1].stem.partition("-")[0] if there else ""
    if stamp > newest:
        return stamp
    try:
        return (datetime.strptime(newest, _STAMP) + timedelta(microseconds=1)).strftime(_STAMP)
    except ValueError:
        raise ArchiveProblem(f"{there[-1]} is not named as a segment: move it out of {folder}") from None


class SegmentWriter:
    """Appends batches to one segment; each is durable when `append` returns.

    `now`: names the segment.
    """

    def __init__(self, folder: Path, now: datetime) -> None:
        # The parts get this name, too: random digits keep it unique, whatever the clock does.
        path = folder / f"{_next_stamp(folder, now)}-{secrets.token_hex(8)}{SUFFIX}"
        self._file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND, 0o644)
        self.path = path
        self.rows = 0
        self.size = 0
        self._frames = 0
        self._magic = new_magic()
        sync_folder(folder)

    def append(self, batch: Sequence[Record]) -> None:
        """Write one batch in full and sync it.

        Raises `OSError` when the disk did not take it (it may be full). The segment is as before; go on in a
        new one: after a failed sync the state of a file's cached pages is unknown.
        """
        frame = memoryview(
            # The header goes with the first batch, so that a full disk leaves no segment with a header alone.
            (b"" if self._frames else segment_header(self._magic))
            + numbered_frame(self._magic, self._frames, batch)
        )
        written = 0
        try:
            while written < len(frame):  # a disk that is getting full takes a part first
                written += os.write(self._file, frame[written:])
            os.fdatasync(self._file)
        except OSError:
            os.ftruncate(self._file, self.size)
            raise
        self.size += len(frame)
        self.rows += len(batch)
        self._frames += 1

    def close(self) -> None:
        """Close the segment; one without rows is removed."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1
            if self.rows == 0:
                self.path.unlink(missing_ok=True)
