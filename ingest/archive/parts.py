"""The parts of an archive: ``DIR/{kind}/date=YYYY-MM-DD/{part}.parquet``, by the date of receipt (UTC).

Refused messages are in ``DIR/refused/...`` likewise. A part is written aside under a name that readers pass
over, synced, read back, and then given its name; on a store it is put there as one object after that.
"""

import os
from collections.abc import Collection, Iterable, Iterator, Sequence
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow as pa

from ingest.archive.durable import make_folder
from ingest.archive.expected import expected_of
from ingest.archive.folder import require_known_format
from ingest.archive.manifest import DIGESTS, Held, Line, add_line
from ingest.archive.sound import SUFFIX, DayFolder, aside_folder, aside_of, below, sound_parts
from ingest.archive.store import ArchivePath, file_sha256, place_of, reader_options
from ingest.contract.columns import ARROW_SCHEMAS, FRAME_SCHEMAS, TABLES, arrow_table, empty_frame
from ingest.contract.errors import ArchiveProblem

ROW_GROUP_ROWS = 50_000
_DATE = "date="


def is_archive(folder: ArchivePath) -> bool:
    """Say whether a folder holds anything that only an archive has."""
    return any((folder / name).is_dir() for name in ("manifest", "journal", "access", *TABLES))


def require_archive(folder: ArchivePath) -> None:
    """Refuse a folder without an archive, and one in which a newer underair wrote.

    Raises `ArchiveProblem`.
    """
    if not is_archive(folder):
        raise ArchiveProblem(
            f"{folder} is not an archive: it has neither manifest nor journal; name the folder that "
            f"`underair listen` or `underair import LOG --archive {folder}` writes"
        )
    require_known_format(folder)


def part_files(
    archive: ArchivePath, kind: str, since: date | None = None, until: date | None = None
) -> list[ArchivePath]:
    """Return the sealed parts of a kind, by date of receipt (inclusive bounds), then name."""
    return [path for _, parts in parts_by_day(archive, kind, since, until) for path in parts]


def parts_by_day(
    archive: ArchivePath, kind: str, since: date | None = None, until: date | None = None
) -> Iterator[tuple[date, list[ArchivePath]]]:
    """Yield each day of receipt within bounds (inclusive), and its parts by name."""
    found: dict[ArchivePath, dict[str, ArchivePath]] = {}
    if place_of(archive).is_shared and since is None and until is None:
        # One request for a thousand parts instead of one for each day.
        for path in place_of(archive).below(archive / kind):
            found.setdefault(path.parent, {})[path.name] = path
        folders = sorted(folder for folder in found if _is_day(folder.name))
    else:
        folders = day_folders(archive, kind)
    expected = expected_of(archive)
    for folder in folders:
        day = day_of(folder)
        if (since is None or day >= since) and (until is None or day <= until):
            yield day, DayFolder(folder, found.get(folder), expected).parts()


def day_folders(archive: ArchivePath, kind: str) -> list[ArchivePath]:
    """Return the folders of a kind, by date."""
    folder = archive / kind
    return sorted(path for path in place_of(folder).inside(folder) if _is_day(path.name))


def _is_day(name: str) -> bool:
    try:
        date.fromisoformat(name.removeprefix(_DATE))
    except ValueError:
        return False
    return name.startswith(_DATE)


def day_of(folder: ArchivePath) -> date:
    """Return the day of receipt that a folder is for."""
    return date.fromisoformat(folder.name.removeprefix(_DATE))


def part_path(archive: ArchivePath, kind: str, day: date, name: str) -> ArchivePath:
    """Return where a part of this name is, or would be."""
    return archive / kind / f"{_DATE}{day}" / f"{name}{SUFFIX}"


def scan_parts(kind: str, files: Iterable[ArchivePath]) -> pl.LazyFrame:
    """Return a lazy frame over parts of one kind; an empty one when there are none.

    Parts that no line of the manifest names, and those that changed since they were sealed, are left out:
    `ingest.archive.sound.trouble_of` names them.

    Raises `FileNotFoundError` when a part is gone.
    """
    files = sound_parts(files)
    if not files:
        return empty_frame(kind).lazy()
    options = reader_options(files[0])
    return pl.scan_parquet(
        [str(file) for file in files],
        storage_options=options,
        schema=FRAME_SCHEMAS[kind],
        hive_partitioning=False,
        missing_columns="insert",
        extra_columns="ignore",
    )


def write_part(
    archive: ArchivePath,
    kind: str,
    day: date,
    name: str,
    rows: pl.DataFrame | Iterable[pl.DataFrame],
    writer: str,
    *,
    again: bool = False,
    replaces: Sequence[Line] = (),
    dropped: Held | None = None,
    unnamed_by: str = "",
    mappings: Collection[str] = (),
    row_group_rows: int = ROW_GROUP_ROWS,
) -> ArchivePath:
    """Write one part durably: aside, synced, read back, put into the manifest, renamed, folder synced.

    - `kind`: or ``refused``.
    - `rows`: not empty; of many, only one at a time is in memory.
    - `again`: replace a part of this name, if there is one: it comes from the same messages.
    - `replaces` and `dropped`: of merged parts the lines, and the duplicates left out by the end of `rows`.
      The digests must add up, and the part is read back to its last row.
    - `unnamed_by`: as in `ingest.archive.manifest.Line`.
    - `mappings`: which mapping files made messages of it; those of `replaces` are added.

    Raises `ArchiveProblem` when the part does not read back, does not hold what it replaces, has a name that
    is taken, or a store does not take it; `OSError` when the disk does not take it; nothing is left behind
    under a part's name.
    """
    path = part_path(archive, kind, day, name)
    folder = path.parent
    # A name is never used twice, so that what was sealed is not replaced.
    if not again and (below(path) in expected_of(archive).latest(f"{kind}/{folder.name}") or path.exists()):
        raise ArchiveProblem(f"{path} would take the name of an earlier part: nothing is written")
    make_folder(aside_folder(folder))
    aside, is_announced = aside_of(path), False
    try:
        held = _write_aside(aside, kind, rows, row_group_rows)
        if replaces:
            _require_all(path, aside, held, replaces, dropped or Held())
        # Before it is visible: a crash in between leaves a line whose part the next try writes.
        add_line(
            archive,
            writer,
            path,
            held,
            aside,
            replaces=[line.part for line in replaces],
            dropped=dropped,
            unnamed_by=unnamed_by,
            mappings=sorted({*mappings, *(each for line in replaces for each in line.mappings)}),
        )
        is_announced = not replaces
        place_of(path).take_in(aside, path, partial(_read_back, path=path, rows=held.rows), again=again)
    except BaseException:
        if not is_announced:  # else its line says what it holds, and `complete` puts it in its place
            aside.unlink(missing_ok=True)
        raise
    return path


def complete(folder: ArchivePath) -> None:
    """Put parts in their place whose writing broke off when their line was there already."""
    day = DayFolder(folder)
    for line in day.settled.missing:
        path = folder / line.part.rpartition("/")[2]
        aside = aside_of(path)
        if not aside.exists() or line.replaces or file_sha256(aside) != line.sha256:
            continue
        place_of(path).take_in(aside, path, partial(_read_back, path=path, rows=line.rows), again=False)


def _require_all(path: ArchivePath, aside: Path, held: Held, replaces: Sequence[Line], dropped: Held) -> None:
    """Check that a merged part on the disk has what the manifest says of the parts that it replaces."""
    import pyarrow.parquet as pq  # with the file systems of stores: only where parts are written

    back = Held()
    with pq.ParquetFile(aside, page_checksum_verification=True) as parquet:
        for batch in parquet.iter_batches(batch_size=ROW_GROUP_ROWS):
            back.add(pl.DataFrame(pl.from_arrow(batch)))
    before = sum(int(line.rows_digest, 16) for line in replaces)
    if back.rows != held.rows or (back.digest + dropped.digest - before) % DIGESTS:
        raise ArchiveProblem(
            f"{path} would not contain what was sealed in the {len(replaces)} parts it replaces: nothing is "
            "merged there, and they stay"
        )


def _write_aside(
    aside: Path, kind: str, rows: pl.DataFrame | Iterable[pl.DataFrame], row_group_rows: int
) -> Held:
    import pyarrow.parquet as pq

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


def _read_back(source: Any, path: ArchivePath, rows: int) -> None:
    import pyarrow.parquet as pq

    try:
        rows_back = pq.read_metadata(source).num_rows
    except pa.ArrowInvalid as error:
        raise ArchiveProblem(f"{path} does not read back: {error}") from error
    except OSError as error:
        place_of(path).complain(path, error)
        raise
    if rows_back != rows:
        raise ArchiveProblem(f"{path} holds {rows_back} rows, {rows} were written")
