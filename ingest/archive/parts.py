"""The parts of an archive: ``DIR/{kind}/date=YYYY-MM-DD/{part}.parquet``, by the date of receipt (UTC).

What was refused lies in ``DIR/refused/...`` likewise. A part is written aside under a name that readers pass
over, synced, read back, and then given its name.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable
from datetime import date
from pathlib import Path

import msgspec
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from ingest.archive.journal import sync_folder
from ingest.archive.manifest import add_line, file_sha256
from ingest.contract.columns import FRAME_SCHEMAS, TABLES, arrow_table
from ingest.contract.errors import ArchiveProblem

SUFFIX = ".parquet"
MERGED = ".merged.json"
ROW_GROUP_ROWS = 50_000


def is_archive(folder: Path) -> bool:
    """Say whether a folder holds anything that only an archive has."""
    return any((folder / name).is_dir() for name in ("manifest", "journal", "access", *TABLES))


def part_files(archive: Path, kind: str, since: date | None = None, until: date | None = None) -> list[Path]:
    """Return the sealed parts of a kind, by date of receipt (inclusive bounds), then name."""
    files: list[Path] = []
    for folder in day_folders(archive, kind):
        day = folder.name.removeprefix("date=")
        if (since is None or day >= since.isoformat()) and (until is None or day <= until.isoformat()):
            files += parts_in(folder)
    return files


def day_folders(archive: Path, kind: str) -> list[Path]:
    """Return the folders of a kind, by date."""
    return sorted((archive / kind).glob("date=*"))


def parts_in(folder: Path) -> list[Path]:
    """Return the parts of one folder, without those that a merged part there replaces."""
    try:
        names = {path.name for path in folder.iterdir()}
    except FileNotFoundError:
        return []
    if MERGED in names:
        with contextlib.suppress(FileNotFoundError):  # this very moment the merge was brought to its end
            merged = read_merged(folder)
            if f"{merged.by}{SUFFIX}" in names:
                names -= {f"{name}{SUFFIX}" for name in merged.replaces}
    return [folder / name for name in sorted(names) if name.endswith(SUFFIX) and not name.startswith(".")]


class Merged(msgspec.Struct, frozen=True):
    """A merge on its way: from the moment that `by` is there, `replaces` do not count."""

    by: str
    replaces: list[str]


def read_merged(folder: Path) -> Merged:
    """Return the merge that is going on in a folder.

    Raises
    ------
    ArchiveProblem
        When its note is damaged: which parts count cannot be told then.
    FileNotFoundError
        When there is none.
    """
    path = folder / MERGED
    try:
        return msgspec.json.decode(path.read_bytes(), type=Merged)
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise ArchiveProblem(
            f"{path}, the note of a merge under way, is damaged ({error}). Move it out of the archive; if a "
            f"line of manifest/tidy.ndjson tells of a part in {folder.name} that is there and replaces others"
            ", move those others out too"
        ) from error


def scan_parts(kind: str, files: Iterable[Path]) -> pl.LazyFrame:
    """Return a lazy frame over parts of one kind; an empty one when there are none."""
    files = list(files)
    if not files:
        return pl.LazyFrame(schema=FRAME_SCHEMAS[kind])
    return pl.scan_parquet(
        files,
        schema=FRAME_SCHEMAS[kind],
        hive_partitioning=False,
        missing_columns="insert",
        extra_columns="ignore",
    )


def write_part(
    archive: Path,
    kind: str,
    day: date,
    name: str,
    rows: pl.DataFrame,
    writer: str,
    *,
    replaces: list[str] | None = None,
    dropped: pl.DataFrame | None = None,
    row_group_rows: int = ROW_GROUP_ROWS,
) -> Path:
    """Write one part durably: aside, synced, read back, put into the manifest, renamed, folder synced.

    Parameters
    ----------
    archive : Path
    kind : str
        Or ``refused``.
    day : date
        Of receipt.
    name : str
    rows : polars.DataFrame
        Not empty.
    writer : str
        Whose chain of the manifest it stands in.
    replaces, dropped
        When parts were merged: their paths below the archive, and the duplicates left out.
    row_group_rows : int

    Raises
    ------
    ArchiveProblem
        When the part does not read back.
    OSError
        When the disk does not take it; nothing is left behind under a part's name.
    """
    folder = archive / kind / f"date={day}"
    if not folder.is_dir():
        folder.mkdir(parents=True, exist_ok=True)
        for each in (folder.parent, archive):
            sync_folder(each)
    path = folder / f"{name}.parquet"
    aside = folder / f".{name}.parquet.tmp"
    try:
        with aside.open("wb") as file:
            pq.write_table(
                arrow_table(kind, rows),
                file,
                compression="zstd",
                compression_level=3,
                row_group_size=row_group_rows,
                write_page_checksum=True,
            )
            file.flush()
            os.fsync(file.fileno())
        try:
            rows_back = pq.read_metadata(aside).num_rows
        except pa.ArrowInvalid as error:
            raise ArchiveProblem(f"{aside} does not read back: {error}") from error
        if rows_back != rows.height:
            raise ArchiveProblem(f"{aside} holds {rows_back} rows, {rows.height} were written")
        # Before it is visible: a crash in between leaves a line whose part the next try writes.
        add_line(archive, writer, path, rows, file_sha256(aside), replaces=replaces, dropped=dropped)
        aside.replace(path)
    except BaseException:
        aside.unlink(missing_ok=True)
        raise
    sync_folder(folder)
    return path
