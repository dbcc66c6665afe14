"""The archive on disk: sealing journal segments and captures into Parquet parts.

``DIR/{kind}/date=YYYY-MM-DD/{part}.parquet`` by the date of receipt (UTC), and ``DIR/refused/...`` likewise.
A part is written aside under a name that readers pass over, synced, read back, and then given its name.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from ingest.columns import FRAME_SCHEMAS, TABLES, arrow_table
from ingest.errors import ArchiveProblem, RefusedMessage
from ingest.fields import speaker_field
from ingest.frames import FrameBuilder, Messages, first_of_each, message_key
from ingest.journal import Damage, mend, read_frames, sync_folder

ROW_GROUP_ROWS = 50_000


@dataclass(frozen=True)
class Counts:
    """What became of what was received; always ``received == kept + duplicates + refused``."""

    received: int = 0
    kept: int = 0
    duplicates: int = 0
    refused: int = 0

    def __add__(self, other: Counts) -> Counts:
        return Counts(
            self.received + other.received,
            self.kept + other.kept,
            self.duplicates + other.duplicates,
            self.refused + other.refused,
        )


@dataclass(frozen=True)
class Sealed:
    """A journal segment turned into parts."""

    counts: Counts
    damages: list[Damage]


def part_files(archive: Path, kind: str, since: date | None = None, until: date | None = None) -> list[Path]:
    """Return the sealed parts of a kind, by date of receipt (inclusive bounds), then name."""
    files: list[Path] = []
    root = archive / kind
    if not root.is_dir():
        return files
    for folder in sorted(root.glob("date=*")):
        day = folder.name.removeprefix("date=")
        if (since is None or day >= since.isoformat()) and (until is None or day <= until.isoformat()):
            files += sorted(path for path in folder.glob("*.parquet") if not path.name.startswith("."))
    return files


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


def part_name(segment: Path) -> str:
    """Return the name of the parts of a journal segment: listener and segment."""
    return f"{segment.parent.name}-{segment.stem}"


def seal_segment(archive: Path, segment: Path, *, thorough: bool = True) -> Sealed:
    """Turn a closed journal segment into parts, then delete it.

    Doing it again after a crash writes the same parts over.

    Parameters
    ----------
    archive : Path
    segment : Path
    thorough : bool
        Look for duplicates in the whole archive; otherwise in the two days before the oldest message.
    """
    damages = mend(segment)
    data = segment.read_bytes()
    frames = read_frames(data)
    builder = FrameBuilder()
    for received_us, topic, payload, retained in frames.records:
        builder.add(received_us, topic, payload, retained)
    for damage in frames.damages:
        reason = f"journal {segment.name}: bytes {damage.start} to {damage.end} are damaged"
        moment = frames.records[0].received_us if frames.records else 0
        builder.refuse(moment, "", data[damage.start : damage.end], False, RefusedMessage(reason))
    counts = seal_messages(archive, builder.frames(), part_name(segment), thorough=thorough, overwrite=True)
    segment.unlink()
    sync_folder(segment.parent)
    return Sealed(counts, damages)


def seal_messages(
    archive: Path, messages: Messages, name: str, *, thorough: bool = True, overwrite: bool = False
) -> Counts:
    """Write messages into parts, leaving out what the archive holds already.

    Parameters
    ----------
    archive : Path
    messages : dict of str to polars.DataFrame
        In the order of receipt.
    name : str
        Of the parts.
    thorough : bool
        As in `seal_segment`.
    overwrite : bool
        Parts of this name come from the same messages: do not compare with them, write them again.

    Returns
    -------
    Counts
        Each refused message counts each time; a row of ``refused`` that is archived already (same receipt,
        topic and payload, as often) is counted but not stored again.
    """
    received = kept = refused = 0
    for kind in TABLES:
        frame = messages[kind]
        if frame.is_empty():
            continue
        received += frame.height
        since = None
        if not thorough:
            oldest = frame["received"].min()
            since = oldest.date() - timedelta(days=2) if isinstance(oldest, datetime) else None
        others = [path for path in part_files(archive, kind, since) if not (overwrite and path.stem == name)]
        if kind == "refused":
            refused = frame.height
            fresh = _refused_anew(frame, others)
        else:
            fresh = _not_archived(kind, frame.filter(first_of_each(kind)), others)
            kept += fresh.height
        for (day,), rows in fresh.group_by(pl.col("received").dt.date(), maintain_order=True):
            if not isinstance(day, date):
                raise ArchiveProblem(f"a message of kind {kind} without the date of its receipt")
            write_part(archive, kind, day, _free_name(archive, kind, day, name, overwrite), rows)
    return Counts(received, kept, received - kept - refused, refused)


def _free_name(archive: Path, kind: str, day: date, name: str, overwrite: bool) -> str:
    if overwrite:
        return name
    folder = archive / kind / f"date={day}"
    free, count = name, 1
    while (folder / f"{free}.parquet").exists():
        count += 1
        free = f"{name}.{count}"
    return free


def _not_archived(kind: str, frame: pl.DataFrame, files: list[Path]) -> pl.DataFrame:
    if not files:
        return frame
    who = speaker_field(kind)
    known = (
        scan_parts(kind, files)
        .filter(
            pl.col(who).is_in(frame[who].unique().to_list()),
            pl.col("boot").is_in(frame["boot"].unique().to_list(), nulls_equal=True),
        )
        .select(message_key(kind))
        .collect()
    )
    if known.is_empty():
        return frame
    key = known.columns
    return (
        frame.with_columns(
            expression.alias(f"key_{name}") for name, expression in zip(key, message_key(kind), strict=True)
        )
        .join(
            known.rename({name: f"key_{name}" for name in key}),
            on=[f"key_{name}" for name in key],
            how="anti",
            nulls_equal=True,
            maintain_order="left",
        )
        .select(frame.columns)
    )


def _refused_anew(frame: pl.DataFrame, files: list[Path]) -> pl.DataFrame:
    if not files:
        return frame
    key = ["received", "topic", "payload"]
    known = (
        scan_parts("refused", files)
        .filter(pl.col("received").is_between(frame["received"].min(), frame["received"].max()))
        .group_by(key)
        .len("times")
        .collect()
    )
    return (
        frame.with_columns(pl.int_range(pl.len()).over(key).alias("occurrence"))
        .join(known, on=key, how="left", maintain_order="left")
        .filter(pl.col("occurrence") >= pl.col("times").fill_null(0))
        .select(frame.columns)
    )


def write_part(archive: Path, kind: str, day: date, name: str, rows: pl.DataFrame) -> Path:
    """Write one part durably: aside, synced, read back, renamed, folder synced.

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
                row_group_size=ROW_GROUP_ROWS,
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
        aside.replace(path)
    except BaseException:
        aside.unlink(missing_ok=True)
        raise
    sync_folder(folder)
    return path


def create_archive(folder: str | Path) -> Path:
    """Make an archive's folder when it is not there, and return its path.

    Raises
    ------
    ArchiveProblem
        When it cannot be made, or is not a folder.
    """
    path = Path(folder)
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ArchiveProblem(f"the archive {path} cannot be made: {error.strerror}") from error
    return path


def today(now: datetime) -> date:
    """Return the archive's day of a moment."""
    return now.astimezone(UTC).date()
