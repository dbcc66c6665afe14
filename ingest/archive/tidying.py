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
import os
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

import msgspec
import polars as pl

from ingest.archive.archive import part_name
from ingest.archive.journal import journal_folders, segments, sync_folder
from ingest.archive.parts import (
    MERGED,
    SUFFIX,
    Merged,
    day_folders,
    parts_in,
    read_merged,
    scan_parts,
    write_part,
)
from ingest.contract.columns import TABLES
from ingest.contract.errors import ArchiveProblem
from ingest.contract.frames import first_of_each

WRITER = "tidy"
ROW_GROUP_ROWS = 25_000
GRACE_S = 2.0


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


def tidy(archive: str | Path, now: datetime, *, grace_s: float = GRACE_S) -> Tidied:
    """Merge the parts of every day but today, by kind.

    Parts of segments that are still in a journal are left alone: sealing was broken off, and will write them
    again.

    Parameters
    ----------
    archive : str or Path
    now : datetime
        Says which day is today (UTC), whose parts are left alone.
    grace_s : float
        How long what was replaced stays for readers that have just listed it.

    Raises
    ------
    ArchiveProblem
        When there is no such archive, another tidying is at work, or a part cannot be read.
    """
    folder = Path(archive)
    if not folder.is_dir():
        raise ArchiveProblem(f"there is no archive {folder}")
    today = now.astimezone(UTC).date()
    with _only_one(folder):
        merged = before = after = rows = duplicates = 0
        to_finish: list[Path] = []
        for kind in TABLES:
            for day_folder in day_folders(folder, kind):
                day = date.fromisoformat(day_folder.name.removeprefix("date="))
                if day == today:
                    continue
                _sweep(day_folder)
                parts = _settled(folder, parts_in(day_folder))
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
            _finish(day_folder)
    return Tidied(merged, before, after, rows, duplicates)


def _settled(archive: Path, parts: list[Path]) -> list[Path]:
    """Return those parts that will not be written again.

    The parts are listed before the journals: a segment goes only when its parts are there.
    """
    unsealed = {part_name(path) for folder in journal_folders(archive) for path in segments(folder)}
    return [part for part in parts if part.stem not in unsealed]


def _merge(archive: Path, kind: str, day: date, parts: list[Path]) -> tuple[int, int]:
    """Merge the parts of one folder; return the rows kept and the duplicates left out."""
    folder = parts[0].parent
    if (folder / MERGED).exists():
        _finish(folder)  # of an earlier merge; parts have been added since
    try:
        frames = [scan_parts(kind, [part]).collect() for part in parts]
    except (OSError, pl.exceptions.PolarsError) as error:
        raise ArchiveProblem(f"a part of {folder} cannot be read, nothing was merged: {error}") from error
    rows = pl.concat(frames).sort("received", maintain_order=True)
    first = pl.lit(True) if kind == "refused" else first_of_each(kind)
    marked = rows.with_columns(first.alias("is_first"))
    kept = marked.filter("is_first").drop("is_first")
    dropped = marked.filter(~pl.col("is_first")).drop("is_first")
    order = [name for name in ("set_id", "desk_id", "received") if name in kept.columns]
    name = "day-" + hashlib.sha256("\n".join(part.stem for part in parts).encode()).hexdigest()[:16]
    replaces = [part.stem for part in parts]
    _write_durably(folder / MERGED, msgspec.json.encode(Merged(name, replaces)))
    write_part(
        archive,
        kind,
        day,
        name,
        kept.sort(order, maintain_order=True),
        WRITER,
        replaces=[part.relative_to(archive).as_posix() for part in parts],
        dropped=dropped,
        row_group_rows=ROW_GROUP_ROWS,
    )
    return kept.height, dropped.height


def _finish(folder: Path) -> None:
    """Delete what a merge replaced, then its note."""
    merged = read_merged(folder)
    if (folder / f"{merged.by}{SUFFIX}").exists():
        for name in merged.replaces:
            (folder / f"{name}{SUFFIX}").unlink(missing_ok=True)
        sync_folder(folder)
    (folder / MERGED).unlink()
    sync_folder(folder)


def _sweep(folder: Path) -> None:
    """Remove what a killed tidying left aside."""
    for path in folder.glob(f".day-*{SUFFIX}.tmp"):
        path.unlink(missing_ok=True)


def _write_durably(path: Path, text: bytes) -> None:
    aside = path.with_name(f"{path.name}.tmp")
    with aside.open("wb") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    aside.replace(path)
    sync_folder(path.parent)


@contextlib.contextmanager
def _only_one(archive: Path) -> Iterator[None]:
    with (archive / ".tidy.lock").open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise ArchiveProblem(f"another tidying of {archive} is at work") from None
        yield
