"""Merge the small parts of finished days into one for each day and kind; readers never see a half state.

Each step is durable before the next one:

1. Write the merged part aside, read it back, and compare it with the digests of what it replaces.
2. Write its line into the manifest.
3. Give it its name. From now on readers pass over what it replaces.
4. After a while, so that readers that have just listed the folder can finish, delete what it replaces.

If it is killed anywhere, the archive is whole, and the next tidying finishes the merge.

Only unchanged parts are merged. An altered part goes to ``DIR/quarantine/`` under its own path. It is the
only copy of what was received: nothing reads or deletes it, and `verify` and every answer name it.

Rows are dealt into lots of neighbouring speakers, each small enough for memory; the others wait on the disk.
Duplicates come from one speaker, so a lot has all its duplicates, and the sorted lots in order are the sorted
whole. Memory grows with `LOT_ROWS`, or with the rows of one speaker on one day.
"""

import contextlib
import fcntl
import secrets
import shutil
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from ingest.archive import store_chains
from ingest.archive.durable import make_folder
from ingest.archive.expected import unsettled
from ingest.archive.folder import FORMAT, require_known_format
from ingest.archive.manifest import Held, Line, restate
from ingest.archive.parts import complete, day_folders, day_of, scan_parts, write_part
from ingest.archive.sound import QUARANTINE, SUFFIX, DayFolder, archive_of, aside_folder, below, lines_of
from ingest.archive.store import STORE, ArchivePath, file_sha256, place, place_of, work_folder
from ingest.contract.columns import TABLES
from ingest.contract.errors import ArchiveProblem
from ingest.contract.fields import speaker_field
from ingest.contract.frames import first_of_each

WRITER = "tidy"
ASIDE = ".tidying"
_LOCK = "tidy.owner"
LOT_ROWS = 250_000
ROW_GROUP_ROWS = 25_000
_LOTS_AT_ONCE = 64  # files that are written side by side
_OLD_NOTE = ".merged.json"  # of a merge that an underair before 0.4 began


def fit_to_merge(folder: ArchivePath, moving: set[str]) -> tuple[dict[ArchivePath, Line], list[str]]:
    """Return the parts of a folder that can be merged, with what they were sealed with; move others aside.

    Parts of form 1 get a line of form 2 first, which covers every column.

    - `moving`: names of parts that will be written again: left alone.

    Returns them, and the paths below the archive of those that were moved.
    """
    day = DayFolder(folder, hashing=file_sha256)
    parts = [part for part in day.sound() if part.stem not in moving]
    for part in parts:
        rows = _rows_of(part)
        if rows != day.latest[below(part)].rows:
            day.altered[below(part)] = f"its footer says {rows} rows"
    quarantined = [
        name
        for name in sorted(day.altered)
        if name not in day.settled.replaced and Path(name).stem not in moving
    ]
    for name in quarantined:
        quarantine(day.path(name))
    fit = [part for part in parts if below(part) not in day.altered]
    return {part: in_this_form(part, day.latest[below(part)]) for part in fit}, quarantined


def _rows_of(part: ArchivePath) -> int:
    try:
        with place_of(part).opened(part) as file:
            return int(pq.read_metadata(file).num_rows)
    except pa.ArrowInvalid:
        return -1


def in_this_form(part: ArchivePath, line: Line) -> Line:
    """Return a part's line, after comparing it with the bytes; a line of form 1 is rewritten in form 2."""
    if line.format >= FORMAT:
        return line
    held = Held()
    for rows in stretches_of(part.parent.parent.name, [part]):
        held.add(rows)
    if held.rows != line.rows:
        raise ArchiveProblem(f"{part} has {held.rows} rows, {line.rows} were sealed: nothing was changed")
    restate(archive_of(part), part, held, line)
    return lines_of([part])[0]


def quarantine(part: ArchivePath) -> ArchivePath:
    """Move a part to where no reader looks, and return that path."""
    kept = first = archive_of(part) / QUARANTINE / below(part)
    number = 1
    while kept.exists():
        number += 1
        kept = first.with_name(f"{first.name}.{number}")
    place_of(part).move(part, kept)
    return kept


@dataclass
class Tidied:
    """What tidying did."""

    merged: int = 0  # folders of which the parts were merged
    parts_before: int = 0  # in all folders that were looked at
    parts_after: int = 0  # in all folders that were looked at
    rows: int = 0  # in the merged parts
    duplicates: int = 0  # rows left out because another reception of the same message was kept
    # Altered parts, moved to ``DIR/quarantine``.
    quarantined: list[str] = field(default_factory=list)


def tidy(archive: str | ArchivePath, now: datetime, *, grace_s: float | None = None) -> Tidied:
    """Merge the parts of every day but today, by kind.

    Parts of segments that are still in a journal are left alone: sealing was interrupted, and will write them
    again.

    - `now`: says which day is today (UTC), whose parts are left alone.
    - `grace_s`: how long what was replaced stays for readers that have just listed it: 2 s, on a store 30 s.

    Raises `ArchiveProblem` when there is no such archive, another `underair tidy` is running, or a part
    cannot be read.
    """
    folder = place(archive)
    if not folder.is_dir():
        raise ArchiveProblem(f"there is no archive {folder}")
    require_known_format(folder)
    today = now.astimezone(UTC).date()
    with only_one(folder):
        done = Tidied()
        to_finish: list[ArchivePath] = []
        for kind in TABLES:
            for day_folder in day_folders(folder, kind):
                day = day_of(day_folder)
                if day == today:
                    continue
                for left in aside_folder(day_folder).glob(f".day-*{SUFFIX}.tmp"):  # by a killed tidying
                    left.unlink()
                complete(day_folder)
                # The parts are listed before the journals: a segment goes only when its parts are there.
                parts = DayFolder(day_folder).parts()
                moving = unsettled(folder)
                parts = [part for part in parts if part.stem not in moving]
                done.parts_before += len(parts)
                done.parts_after += min(len(parts), 1)
                if len(parts) > 1 or any(line.format < FORMAT for line in lines_of(parts)):
                    fit, kept_aside = fit_to_merge(day_folder, moving)
                    done.quarantined += kept_aside
                    if len(fit) > 1:
                        _merge(folder, kind, day, fit, done)
                if DayFolder(day_folder).leftovers() or (day_folder / _OLD_NOTE).exists():
                    to_finish.append(day_folder)
        if to_finish:
            time.sleep(place_of(folder).grace_s if grace_s is None else grace_s)
        for day_folder in to_finish:
            done.quarantined += finish_merge(day_folder, unsettled(folder))
        if place_of(folder).is_shared:
            store_chains.fold(folder)
    return done


def quarantine_sentence(archive: ArchivePath, quarantined: list[str]) -> str:
    """Say which parts were not merged, and what to do."""
    return (
        f"not merged, because they changed after sealing: {', '.join(quarantined)}; they are kept in "
        f"{archive / QUARANTINE}. Restore them from a backup; `underair verify {archive}` says more"
    )


def _merge(archive: ArchivePath, kind: str, day: date, fit: dict[ArchivePath, Line], done: Tidied) -> None:
    parts = list(fit)
    name = f"day-{secrets.token_hex(8)}"
    try:
        with merging(kind, parts, work_folder(archive) / ASIDE) as merge:
            write_part(
                archive,
                kind,
                day,
                name,
                merge.row_groups(),
                WRITER,
                replaces=list(fit.values()),
                dropped=merge.dropped,
                row_group_rows=ROW_GROUP_ROWS,
            )
            done.merged += 1
            done.rows += merge.kept
            done.duplicates += merge.dropped.rows
    except pl.exceptions.PolarsError as error:
        raise ArchiveProblem(
            f"a part of {parts[0].parent} cannot be read, nothing was merged: {error}"
        ) from error


def finish_merge(folder: ArchivePath, moving: set[str]) -> list[str]:
    """Delete the parts that were merged into a part that exists and is unchanged.

    Those that changed since are moved to quarantine instead; their paths below the archive are returned.
    """
    day = DayFolder(folder, hashing=file_sha256)
    day.sound()
    quarantined = []
    for name in day.leftovers():
        path = day.path(name)
        if path.stem in moving:
            continue
        if file_sha256(path) == day.latest[name].sha256:
            path.unlink(missing_ok=True)
        else:
            quarantine(path)
            quarantined.append(name)
    (folder / _OLD_NOTE).unlink(missing_ok=True)
    place_of(folder).settle(folder)
    return quarantined


class Merge:
    """One merge in progress."""

    def __init__(self, kind: str, parts: list[ArchivePath], aside: Path) -> None:
        self._kind = kind
        self._parts = parts
        self._aside = aside
        # Refused messages have no speaker: they are dealt by second of receipt, and all are kept.
        self._by = pl.col("received").dt.truncate("1s") if kind == "refused" else pl.col(speaker_field(kind))
        self._order = ["received"] if kind == "refused" else [speaker_field(kind), "received"]
        self._ends = _ends_of_lots(kind, parts, self._by)
        self.kept = 0  # rows handed out so far
        self.dropped = Held()  # duplicates left out so far

    def row_groups(self) -> Iterator[pl.DataFrame]:
        """Yield the rows, sorted by speaker and time of receipt, 25,000 at a time."""
        waiting: list[pl.DataFrame] = []
        for lot in self._lots():
            waiting.append(self._sorted(lot))
            rows = pl.concat(waiting)
            whole = rows.height // ROW_GROUP_ROWS * ROW_GROUP_ROWS
            for start in range(0, whole, ROW_GROUP_ROWS):
                yield rows[start : start + ROW_GROUP_ROWS]
            waiting = [rows[whole:].clone()]
        if waiting and waiting[0].height:
            yield waiting[0]

    def _sorted(self, lot: pl.DataFrame) -> pl.DataFrame:
        rows = lot.sort("received", maintain_order=True)
        first = pl.lit(True) if self._kind == "refused" else first_of_each(self._kind)
        marked = rows.with_columns(first.alias("is_first"))
        self.dropped.add(marked.filter(~pl.col("is_first")).drop("is_first"))
        kept = marked.filter("is_first").drop("is_first")
        self.kept += kept.height
        return kept.sort(self._order, maintain_order=True)

    def _lots(self) -> Iterator[pl.DataFrame]:
        if not self._ends:
            yield scan_parts(self._kind, self._parts).collect()
            return
        for first in range(0, len(self._ends) + 1, _LOTS_AT_ONCE):
            numbers = range(first, min(first + _LOTS_AT_ONCE, len(self._ends) + 1))
            self._deal(numbers)
            for number in numbers:
                yield self._dealt(number)

    def _deal(self, numbers: range) -> None:
        ends = pl.Series(self._ends)
        with contextlib.ExitStack() as files:
            writers: dict[int, pa.RecordBatchStreamWriter] = {}
            for rows in stretches_of(self._kind, self._parts):
                number = ends.search_sorted(rows.select(self._by).to_series(), side="left").alias("lot")
                mine = rows.with_columns(number).filter(
                    pl.col("lot").is_between(numbers.start, numbers.stop - 1)
                )
                for (lot,), dealt in mine.partition_by(
                    "lot", as_dict=True, include_key=False, maintain_order=True
                ).items():
                    table = dealt.to_arrow()
                    if lot not in writers:
                        packed = pa.ipc.IpcWriteOptions(compression="zstd")
                        writers[lot] = files.enter_context(
                            pa.ipc.new_stream(str(self._aside / f"{lot}"), table.schema, options=packed)
                        )
                    writers[lot].write_table(table)

    def _dealt(self, number: int) -> pl.DataFrame:
        path = self._aside / f"{number}"
        if not path.exists():
            return scan_parts(self._kind, []).collect()
        with pa.OSFile(str(path)) as file, pa.ipc.open_stream(file) as stream:
            rows = pl.from_arrow(stream.read_all())
        path.unlink()
        return rows if isinstance(rows, pl.DataFrame) else rows.to_frame()


@contextlib.contextmanager
def merging(kind: str, parts: list[ArchivePath], aside: Path) -> Iterator[Merge]:
    """Give the merge of parts of one kind; `aside` is its own folder, which is deleted in the end.

    Raises `polars.exceptions.PolarsError` when a part cannot be read.
    """
    shutil.rmtree(aside, ignore_errors=True)
    aside.mkdir(parents=True)
    try:
        yield Merge(kind, parts, aside)
    finally:
        shutil.rmtree(aside, ignore_errors=True)  # a failing disk must not hide why a merge failed


def _ends_of_lots(kind: str, parts: list[ArchivePath], by: pl.Expr) -> list[object]:
    """Return the last speaker (or time) of each lot but the last; none when all rows fit into one.

    Reads the pages of one column, part by part.
    """
    counted = pl.concat(
        scan_parts(kind, [part]).group_by(by.alias("by")).len().collect().cast({"len": pl.Int64})
        for part in parts
    )
    rows = counted.group_by("by").agg(pl.col("len").sum()).sort("by")
    ends: list[object] = []
    gathered, before = 0, None
    for value, number in rows.iter_rows():
        if gathered and gathered + number > LOT_ROWS:
            ends.append(before)
            gathered = 0
        gathered += number
        before = value
    return ends


def stretches_of(kind: str, parts: list[ArchivePath]) -> Iterator[pl.DataFrame]:
    """Yield the rows of all parts in their order, a bounded number at a time."""
    for part in parts:
        height = scan_parts(kind, [part]).select(pl.len()).collect().item()
        for start in range(0, height, LOT_ROWS):
            yield scan_parts(kind, [part]).slice(start, LOT_ROWS).collect()


@contextlib.contextmanager
def only_one(archive: ArchivePath) -> Iterator[None]:
    """Keep a second tidying out, on a store also one of another machine.

    A lock there that names this machine is left from a killed tidying: we have this machine's own lock.
    """
    make_folder(work_folder(archive))
    with (work_folder(archive) / ".tidy.lock").open("w") as here, contextlib.ExitStack() as at_the_end:
        try:
            fcntl.flock(here, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise ArchiveProblem(f"another `underair tidy` is working on {archive}") from None
        if place_of(archive).is_shared:
            lock, ours = archive / _LOCK, store_chains.machine_name(archive).encode()
            STORE.put_new(lock, ours)
            # Read back: a store that does not know conditional requests may have written over another's lock.
            if lock.read_bytes() != ours:
                raise ArchiveProblem(
                    f"another machine is tidying {archive}, or was killed while it did. If none is, delete "
                    f"{lock}"
                )
            at_the_end.callback(lock.unlink, missing_ok=True)
        yield
