"""The parts of an archive: ``DIR/{kind}/date=YYYY-MM-DD/{part}.parquet``, by the date of receipt (UTC).

What was refused lies in ``DIR/refused/...`` likewise. A part is written aside under a name that readers pass
over, synced, read back, and then given its name; on a store it is put there as one object after that.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable, Iterator
from datetime import date
from pathlib import Path
from typing import Any

import msgspec
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from ingest.archive.formats import require_known_format
from ingest.archive.journal import sync_folder
from ingest.archive.manifest import Held, add_line, file_sha256
from ingest.archive.store import StorePath, StoreProblem, asides, reader_options
from ingest.contract.columns import ARROW_SCHEMAS, FRAME_SCHEMAS, TABLES, arrow_table
from ingest.contract.errors import ArchiveProblem

SUFFIX = ".parquet"
MERGED = ".merged.json"
ROW_GROUP_ROWS = 50_000
_DATE = "date="


def is_archive(folder: Path) -> bool:
    """Say whether a folder holds anything that only an archive has."""
    return any((folder / name).is_dir() for name in ("manifest", "journal", "access", *TABLES))


def require_archive(folder: Path) -> None:
    """Refuse a folder in which no archive was ever begun, and one in which a newer underair wrote.

    Raises
    ------
    ArchiveProblem
    """
    if not is_archive(folder):
        raise ArchiveProblem(
            f"{folder} is no archive: it has neither manifest nor journal; name the folder that "
            f"`underair listen` or `underair import LOG --archive {folder}` writes"
        )
    require_known_format(folder)


def part_files(archive: Path, kind: str, since: date | None = None, until: date | None = None) -> list[Path]:
    """Return the sealed parts of a kind, by date of receipt (inclusive bounds), then name."""
    return [path for _, parts in parts_by_day(archive, kind, since, until) for path in parts]


def parts_by_day(
    archive: Path, kind: str, since: date | None = None, until: date | None = None
) -> Iterator[tuple[date, list[Path]]]:
    """Yield each day of receipt within bounds (inclusive), and its parts by name."""
    if isinstance(archive, StorePath) and since is None and until is None:
        # One request for a thousand parts instead of one for each day.
        found: dict[str, dict[str, Path]] = {}
        for path in StorePath(f"{archive}/{kind}").below():
            found.setdefault(path.parent.name, {})[path.name] = path
        for name in sorted(found):
            if name.startswith(_DATE):
                yield day_of(Path(name)), _counting(archive / kind / name, found[name])
        return
    for folder in day_folders(archive, kind):
        day = day_of(folder)
        if (since is None or day >= since) and (until is None or day <= until):
            yield day, parts_in(folder)


def day_folders(archive: Path, kind: str) -> list[Path]:
    """Return the folders of a kind, by date."""
    folder = archive / kind
    if isinstance(folder, StorePath):
        return sorted(path for path in folder.iterdir() if path.name.startswith(_DATE))
    return sorted(folder.glob(f"{_DATE}*"))


def day_of(folder: Path) -> date:
    """Return the day of receipt that a folder is for."""
    return date.fromisoformat(folder.name.removeprefix(_DATE))


def parts_in(folder: Path) -> list[Path]:
    """Return the parts of one folder, without those that a merged part there replaces."""
    try:
        there = {path.name: path for path in folder.iterdir()}
    except FileNotFoundError:
        return []
    return _counting(folder, there)


def _counting(folder: Path, there: dict[str, Path]) -> list[Path]:
    names = set(there)
    if MERGED in names:
        with contextlib.suppress(FileNotFoundError):  # this very moment the merge was brought to its end
            merged = read_merged(folder)
            if f"{merged.by}{SUFFIX}" in names:
                names -= {f"{name}{SUFFIX}" for name in merged.replaces}
    return [there[name] for name in sorted(names) if name.endswith(SUFFIX) and not name.startswith(".")]


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
    options = reader_options(files[0])
    return pl.scan_parquet(
        files if options is None else [str(file) for file in files],
        storage_options=options,
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
    rows: pl.DataFrame | Iterable[pl.DataFrame],
    writer: str,
    *,
    replaces: list[str] | None = None,
    dropped: Held | None = None,
    unnamed_by: str = "",
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
    rows : polars.DataFrame, or iterable of them
        Not empty; of many, only one at a time is in memory.
    writer : str
        Whose chain of the manifest it stands in.
    replaces, dropped
        When parts were merged: their paths below the archive, and the duplicates left out, as they stand when
        the last of `rows` was taken.
    unnamed_by : str
        As in `ingest.archive.manifest.Line`.
    row_group_rows : int

    Raises
    ------
    ArchiveProblem
        When the part does not read back, or a store does not take it.
    OSError
        When the disk does not take it; nothing is left behind under a part's name.
    """
    folder = archive / kind / f"{_DATE}{day}"
    path = folder / f"{name}{SUFFIX}"
    beside = aside_folder(folder)
    if not beside.is_dir():
        beside.mkdir(parents=True, exist_ok=True)
        for each in (beside.parent, beside.parent.parent):
            sync_folder(each)
    aside = beside / f".{name}{SUFFIX}.tmp"
    try:
        held = _write_aside(aside, kind, rows, row_group_rows)
        # Before it is visible: a crash in between leaves a line whose part the next try writes.
        add_line(
            archive,
            writer,
            path,
            held,
            file_sha256(aside),
            replaces=replaces,
            dropped=dropped,
            unnamed_by=unnamed_by,
        )
        if isinstance(path, StorePath):
            _upload(aside, path, held.rows)
            aside.unlink()
            return path
        aside.replace(path)
    except BaseException:
        aside.unlink(missing_ok=True)
        raise
    sync_folder(folder)
    return path


def aside_folder(folder: Path) -> Path:
    """Return where a day folder's parts are made: in it, for a store on this machine."""
    if not isinstance(folder, StorePath):
        return folder
    archive = StorePath(str(folder.parent.parent))
    return asides(archive) / folder.parent.name / folder.name


def _write_aside(
    aside: Path, kind: str, rows: pl.DataFrame | Iterable[pl.DataFrame], row_group_rows: int
) -> Held:
    """Write rows, synced, and see that they read back; return what they held."""
    held = Held()
    form: dict[str, Any] = {"compression": "zstd", "compression_level": 3, "write_page_checksum": True}
    with aside.open("wb") as file:
        with pq.ParquetWriter(file, ARROW_SCHEMAS[kind], **form) as parquet:
            for frame in [rows] if isinstance(rows, pl.DataFrame) else rows:
                parquet.write_table(arrow_table(kind, frame), row_group_size=row_group_rows)
                held.add(frame)
        file.flush()
        os.fsync(file.fileno())
    _read_back(aside, aside, held.rows)
    return held


def _upload(aside: Path, path: StorePath, rows: int) -> None:
    with pa.memory_map(str(aside)) as file:
        path.put(file.read_buffer())
    with path.opened() as there:
        _read_back(there, path, rows)


def _read_back(source: Any, path: Path, rows: int) -> None:
    try:
        rows_back = pq.read_metadata(source).num_rows
    except pa.ArrowInvalid as error:
        raise ArchiveProblem(f"{path} does not read back: {error}") from error
    except OSError as error:
        if isinstance(path, StorePath):
            raise StoreProblem(f"{path} does not read back: {error}") from error
        raise
    if rows_back != rows:
        raise ArchiveProblem(f"{path} holds {rows_back} rows, {rows} were written")
