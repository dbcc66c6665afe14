"""An archive analysed piece by piece: memory follows the piece, not the archive.

One process works through all batches, or many take one batch each (`analysis.pieces.spread`); both run the
functions here, and both give the same tables to the bit, in the order of the pieces.
"""

from __future__ import annotations

import shutil
import uuid
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from analysis.incident import analyse
from analysis.pieces.archive_pieces import pieces_of
from analysis.pieces.batch_messages import messages_of
from analysis.pieces.pieces import Pieces
from analysis.profile import Profile
from analysis.tables import TABLES, Results, empty_table
from analysis.writing import TableFiles

Progress = Callable[[int, int], None]
_PARTS = ".pieces-"


def analyse_batch(folder: Path, batch: Pieces, profile: Profile) -> Results:
    """Return the tables of a batch of pieces, one piece after the other."""
    lots = [
        analyse(messages, profile, scope=scope) for messages, scope in messages_of(folder, batch, bare=True)
    ]
    return {name: pl.concat([empty_table(name), *(lot[name] for lot in lots)]) for name in TABLES}


@dataclass(frozen=True)
class Task:
    """One batch for one worker, anywhere that sees the archive and the folder of the results.

    Attributes
    ----------
    number : int
        Of the batch.
    rows : int
        Messages in it, for the progress.
    parts : Path
        Where its tables go; each run has its own, so that a worker that is late for one does not meddle
        with the next.
    """

    number: int
    rows: int
    folder: Path
    batch: Pieces
    profile: Profile
    parts: Path


def work(task: Task) -> int:
    """Analyse one batch and write its tables; doing it again writes the same again. Return its messages."""
    results = analyse_batch(task.folder, task.batch, task.profile)
    folder = task.parts / f"{task.number:06d}"
    folder.mkdir(parents=True, exist_ok=True)
    for name, table in results.items():
        if table.height:
            path = folder / f"{name}.parquet"
            # Two workers may come to have the same task when one of them was thought dead.
            aside = folder / f".{name}.{uuid.uuid4().hex}.tmp"
            table.write_parquet(aside, compression="lz4")
            aside.replace(path)
    return task.rows


@dataclass(frozen=True)
class Joining:
    """One table of all batches for one worker to put together."""

    name: str
    batches: int
    parts: Path
    out: Path
    form: str
    about: dict[str, str]


def join(task: Joining) -> tuple[str, int, dict[str, int]]:
    """Write one table from those of the batches; return its name, rows, and findings by severity."""
    with TableFiles(task.out, task.form, task.about, [task.name]) as files:
        for number in range(task.batches):
            path = task.parts / f"{number:06d}" / f"{task.name}.parquet"
            if path.exists():
                files.add({task.name: pl.read_parquet(path, hive_partitioning=False)})
    return task.name, files.rows[task.name], files.findings


Run = Callable[[Callable[[Any], Any], Sequence[Any]], Iterator[Any]]
"""Calls a function once for each of many, anywhere and in any order, and yields what comes back."""


@dataclass(frozen=True)
class Written:
    """What was written: rows by table, findings by severity."""

    rows: dict[str, int]
    findings: dict[str, int]


def analyse_archive(
    folder: Path,
    profile: Profile,
    out: Path,
    form: str,
    about: dict[str, str],
    run: Run | None = None,
    progress: Progress | None = None,
) -> Written:
    """Analyse everything in an archive into one file a table.

    Parameters
    ----------
    folder, out : Path
        Of the archive and of the results; seen by every worker under the same name.
    profile : Profile
    form : str
        "parquet" or "csv".
    about : dict of str to str
        Goes into the files' metadata.
    run : callable, optional
        Of `analysis.pieces.spread`; without it everything is done here.
    progress : callable (done, total), optional
        In messages.

    Raises
    ------
    ArchiveProblem
        When the folder holds no message.
    """
    pieces = pieces_of(folder)
    total, done = int(pieces.table["rows"].sum()), 0

    def tell(rows: int) -> None:
        nonlocal done
        done += rows
        if progress is not None:
            progress(done, total)

    if run is None:
        with TableFiles(out, form, about) as files:
            for batch in pieces.batches():
                files.add(analyse_batch(folder, batch, profile))
                tell(int(batch.table["rows"].sum()))
        return Written(files.rows, files.findings)
    for left in out.glob(f"{_PARTS}*"):  # of a run that was killed
        shutil.rmtree(left, ignore_errors=True)
    parts = out.resolve() / f"{_PARTS}{uuid.uuid4().hex}"
    tasks = [
        Task(number, int(batch.table["rows"].sum()), folder.resolve(), batch, profile, parts)
        for number, batch in enumerate(pieces.batches())
    ]
    tasks.sort(key=lambda task: -task.rows)  # the largest first: what is left at the end is short
    try:
        for rows in run(work, tasks):
            tell(rows)
        written = Written({}, {})
        # The tables on the 1 s grid take longest to put together: first.
        names = sorted(TABLES, key=lambda name: name not in ("air", "heat"))
        joining = [Joining(name, len(tasks), parts, out.resolve(), form, about) for name in names]
        for name, rows, findings in run(join, joining):
            written.rows[name] = rows
            written.findings.update(findings)
        return written
    finally:
        shutil.rmtree(parts, ignore_errors=True)
