"""Merging the small parts of finished days into one a day and kind, without a reader ever seeing a half
state.

The steps, each durable before the next: the merged part aside; a note (`.merged.json`) of what it replaces;
its line in the manifest; its name. From then on readers pass over what it replaces, which is deleted last,
after a while, so that who has just listed the folder can still read. Killed anywhere, the archive is whole,
and tidying again brings the merge to its end.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

import msgspec
import polars as pl

from ingest.archive import store_chains
from ingest.archive.archive import unsettled
from ingest.archive.formats import require_known_format
from ingest.archive.journal import sync_folder
from ingest.archive.merging import ROW_GROUP_ROWS, merging
from ingest.archive.parts import (
    MERGED,
    SUFFIX,
    Merged,
    day_folders,
    day_of,
    parts_in,
    read_merged,
    write_part,
)
from ingest.archive.store import StorePath, place, put_durably, work_folder
from ingest.contract.columns import TABLES
from ingest.contract.errors import ArchiveProblem

WRITER = "tidy"
ASIDE = ".tidying"
GRACE_S = 2.0
STORE_GRACE_S = 30.0  # who lists a store asks many times
_LOCK = "tidy.lock"


@dataclass(frozen=True)
class Tidied:
    """What tidying did.

    Attributes
    ----------
    merged : int
        Folders of which the parts were merged.
    parts_before, parts_after : int
        In all folders that were looked at.
    rows : int
        In the merged parts.
    duplicates : int
        Rows left out because another reception of the same message was kept.
    """

    merged: int = 0
    parts_before: int = 0
    parts_after: int = 0
    rows: int = 0
    duplicates: int = 0


def tidy(archive: str | Path, now: datetime, *, grace_s: float | None = None) -> Tidied:
    """Merge the parts of every day but today, by kind.

    Parts of segments that are still in a journal are left alone: sealing was broken off, and will write them
    again.

    Parameters
    ----------
    archive : str or Path
    now : datetime
        Says which day is today (UTC), whose parts are left alone.
    grace_s : float, optional
        How long what was replaced stays for readers that have just listed it: 2 s, on a store 30 s.

    Raises
    ------
    ArchiveProblem
        When there is no such archive, another tidying is at work, or a part cannot be read.
    """
    folder = place(archive)
    if not folder.is_dir():
        raise ArchiveProblem(f"there is no archive {folder}")
    require_known_format(folder)
    on_store = isinstance(folder, StorePath)
    if grace_s is None:
        grace_s = STORE_GRACE_S if on_store else GRACE_S
    today = now.astimezone(UTC).date()
    with only_one(folder):
        merged = before = after = rows = duplicates = 0
        to_finish: list[Path] = []
        for kind in TABLES:
            for day_folder in day_folders(folder, kind):
                day = day_of(day_folder)
                if day == today:
                    continue
                _sweep(day_folder)
                # The parts are listed before the journals: a segment goes only when its parts are there.
                parts = parts_in(day_folder)
                moving = unsettled(folder)
                parts = [part for part in parts if part.stem not in moving]
                before += len(parts)
                after += min(len(parts), 1)
                if len(parts) > 1:
                    kept, left_out = _merge(folder, kind, day, parts)
                    merged += 1
                    rows += kept
                    duplicates += left_out
                if (day_folder / MERGED).exists():
                    to_finish.append(day_folder)
        if to_finish:
            time.sleep(grace_s)
        for day_folder in to_finish:
            finish_merge(day_folder)
        if isinstance(folder, StorePath):
            store_chains.fold(folder)
    return Tidied(merged, before, after, rows, duplicates)


def _merge(archive: Path, kind: str, day: date, parts: list[Path]) -> tuple[int, int]:
    """Merge the parts of one folder; return the rows kept and the duplicates left out."""
    folder = parts[0].parent
    if (folder / MERGED).exists():
        finish_merge(folder)  # of an earlier merge; parts have been added since
    name = "day-" + hashlib.sha256("\n".join(part.stem for part in parts).encode()).hexdigest()[:16]
    try:
        with merging(kind, parts, work_folder(archive) / ASIDE) as merge:
            put_durably(folder / MERGED, msgspec.json.encode(Merged(name, [part.stem for part in parts])))
            write_part(
                archive,
                kind,
                day,
                name,
                merge.row_groups(),
                WRITER,
                replaces=[part.relative_to(archive).as_posix() for part in parts],
                dropped=merge.dropped,
                row_group_rows=ROW_GROUP_ROWS,
            )
            return merge.kept, merge.dropped.rows
    except pl.exceptions.PolarsError as error:
        raise ArchiveProblem(f"a part of {folder} cannot be read, nothing was merged: {error}") from error


def finish_merge(folder: Path) -> None:
    """Delete what a merge replaced, then its note."""
    merged = read_merged(folder)
    if (folder / f"{merged.by}{SUFFIX}").exists():
        for name in merged.replaces:
            (folder / f"{name}{SUFFIX}").unlink(missing_ok=True)
        _sync(folder)
    (folder / MERGED).unlink()
    _sync(folder)


def _sync(folder: Path) -> None:
    if not isinstance(folder, StorePath):
        sync_folder(folder)


def _sweep(folder: Path) -> None:
    """Remove what a killed tidying left aside."""
    if not isinstance(folder, StorePath):
        for path in folder.glob(f".day-*{SUFFIX}.tmp"):
            path.unlink(missing_ok=True)


@contextlib.contextmanager
def only_one(archive: Path) -> Iterator[None]:
    """Keep a second tidying out, on a store also one of another machine."""
    here = work_folder(archive)
    here.mkdir(parents=True, exist_ok=True)
    with (here / ".tidy.lock").open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise ArchiveProblem(f"another tidying of {archive} is at work") from None
        if isinstance(archive, StorePath):
            with _only_one_on_store(archive):
                yield
        else:
            yield


@contextlib.contextmanager
def _only_one_on_store(archive: StorePath) -> Iterator[None]:
    """Put our own note there and look who else has: of two at once at least one sees the other, and yields.

    A note of this machine is of a tidying that was killed, for the lock of this machine is ours.
    """
    folder = StorePath(f"{archive}/{_LOCK}")
    ours = StorePath(f"{folder}/{store_chains.machine_name(archive)}")
    ours.put(datetime.now(UTC).isoformat().encode())
    try:
        for other in folder.below():
            if other.name != ours.name:
                raise ArchiveProblem(
                    f"another machine is tidying {archive}, or was killed at it: if nobody is, delete {other}"
                )
        yield
    finally:
        ours.unlink(missing_ok=True)
