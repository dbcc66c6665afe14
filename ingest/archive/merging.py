"""Many parts of one day and kind as one sorted stream without duplicates, however much they hold together.

Rows are dealt into lots, each of some neighbouring speakers and small enough for memory; lots that do not fit
into memory together wait on the disk. Duplicates come from one speaker, so a lot knows all its
duplicates, and the sorted lots in their order are the sorted whole. Memory follows `LOT_ROWS`, or the rows of
one speaker on one day if they are more.
"""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pyarrow as pa

from ingest.archive.manifest import Held
from ingest.archive.parts import scan_parts
from ingest.contract.fields import speaker_field
from ingest.contract.frames import first_of_each

LOT_ROWS = 250_000
ROW_GROUP_ROWS = 25_000
_LOTS_AT_ONCE = 64  # files that are written side by side


class Merge:
    """One merge on its way."""

    def __init__(self, kind: str, parts: list[Path], aside: Path) -> None:
        self._kind = kind
        self._parts = parts
        self._aside = aside
        # What was refused has no speaker: dealt by the second of its receipt, and kept each time.
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
def merging(kind: str, parts: list[Path], aside: Path) -> Iterator[Merge]:
    """Give the merge of parts of one kind; `aside` is a folder of its own, which goes in the end.

    Raises `polars.exceptions.PolarsError` when a part cannot be read.
    """
    shutil.rmtree(aside, ignore_errors=True)
    aside.mkdir(parents=True)
    try:
        yield Merge(kind, parts, aside)
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def _ends_of_lots(kind: str, parts: list[Path], by: pl.Expr) -> list[object]:
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


def stretches_of(kind: str, parts: list[Path]) -> Iterator[pl.DataFrame]:
    """Yield the rows of all parts in their order, a bounded number at a time."""
    for part in parts:
        height = scan_parts(kind, [part]).select(pl.len()).collect().item()
        for start in range(0, height, LOT_ROWS):
            yield scan_parts(kind, [part]).slice(start, LOT_ROWS).collect()
