"""An archive analysed piece by piece: memory follows the piece, not the archive.

One process works through all batches, or many take one batch each (`analysis.pieces.spread`); both run the
functions here, and both give the same tables to the bit, in the order of the pieces.
"""

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
from analysis.writing import TableFiles, handed_over, refuse_a_mixture
from ingest.archive.store import ArchivePath
from ingest.contract.any_error import ANY_ERROR
from ingest.contract.errors import UnderairError
from ingest.parquet_bytes import parquet_bytes

Progress = Callable[[int, int, str], None]
"""Called with how much is done, of how much, and of what: messages, then tables."""


def analyse_batch(folder: ArchivePath, batch: Pieces, profile: Profile) -> Results:
    """Return the tables of a batch of pieces, one piece after the other.

    Raises `ArchiveProblem` when what is to be read is damaged or not there. Any other error carries a note of
    where it arose.
    """
    lots = []
    try:
        for messages, scope in messages_of(folder, batch, bare=True):
            lots.append(analyse(messages, profile, scope=scope))
    except ANY_ERROR as error:
        error.add_note(f"in {_piece_words(batch, len(lots))} of the archive {folder}")
        raise
    return {name: pl.concat([empty_table(name), *(lot[name] for lot in lots)]) for name in TABLES}


def _piece_words(batch: Pieces, number: int) -> str:
    """Say which piece of a batch this is, so that it can be looked at alone."""
    columns = ("piece", "since", "until", "rows")
    piece, since, until, rows = batch.table.select(columns).row(number)
    incidents = batch.incidents.filter(pl.col("piece") == piece)["incident_id"].to_list()
    sets = batch.power_ups.filter(pl.col("piece") == piece)["set_id"].unique().sort().to_list()
    about = [f"incident {', '.join(incidents)}"] if incidents else []
    about += [f"sets {', '.join(sets[:10])}{' and others' if len(sets) > 10 else ''}"] if sets else []
    times = f"{since:%Y-%m-%d %H:%M:%S} to {until:%Y-%m-%d %H:%M:%S} UTC"
    return f"piece {piece} ({'; '.join([*about, times])}, {rows:,} messages)"


@dataclass(frozen=True)
class PieceTask:
    """One batch for one worker, anywhere that sees the archive and the folder of the results."""

    number: int  # of the batch
    rows: int  # messages in it, for the progress
    folder: ArchivePath
    batch: Pieces
    profile: Profile
    # Where its tables go; each run has its own, so that a worker that is late for one does not meddle with
    # the next.
    parts: Path


def work(task: PieceTask) -> tuple[int, int, dict[str, int]]:
    """Analyse one batch and write its tables; doing it again writes the same again.

    Returns its number, its messages, and the rows by table.

    Raises `UnderairError` when the folder of the results cannot be seen from here.
    """
    results = analyse_batch(task.folder, task.batch, task.profile)
    folder = task.parts / f"{task.number:06d}"
    try:
        # Never its parent: who began the run made that, and takes it away when the run is over.
        folder.mkdir(exist_ok=True)
        for name, table in results.items():
            if table.height:
                # Two workers may come to have the same task when one of them was thought dead.
                aside = folder / f".{name}.{uuid.uuid4().hex}.tmp"
                aside.write_bytes(parquet_bytes(table, compression="lz4"))
                aside.replace(folder / f"{name}.parquet")
    except FileNotFoundError:
        raise _not_shared(task.parts) from None
    return task.number, task.rows, {name: table.height for name, table in results.items()}


def _not_shared(parts: Path) -> UnderairError:
    return UnderairError(
        f"{parts} cannot be seen from here: the folder of the results must be where all workers and the "
        "command see it under the same name, and only one run may write into it at a time"
    )


@dataclass(frozen=True)
class Joining:
    """One table of all batches for one worker to put together; `rows` has those of each batch, in order."""

    name: str
    rows: tuple[int, ...]
    parts: Path
    form: str
    about: dict[str, str]


def join(task: Joining) -> tuple[str, int, dict[str, int]]:
    """Write one table from those of the batches; return its name, rows, and findings by severity.

    Raises `UnderairError` when what another worker wrote cannot be seen from here.
    """
    if not task.parts.is_dir():
        raise _not_shared(task.parts)
    with TableFiles(task.parts, task.form, task.about, [task.name]) as files:
        for number, rows in enumerate(task.rows):
            if not rows:
                continue
            path = task.parts / f"{number:06d}" / f"{task.name}.parquet"
            try:
                table = pl.read_parquet(path, hive_partitioning=False)
            except FileNotFoundError:
                raise _not_shared(path) from None
            files.add({task.name: table})
    return task.name, files.rows[task.name], files.findings


Run = Callable[[Callable[[Any], Any], Sequence[Any]], Iterator[Any]]
"""Calls a function once for each of many, anywhere and in any order, and yields what comes back."""


@dataclass(frozen=True)
class Written:
    """What was written: rows by table, findings by severity."""

    rows: dict[str, int]
    findings: dict[str, int]


def analyse_archive(
    folder: ArchivePath,
    profile: Profile,
    out: Path,
    form: str,
    about: dict[str, str],
    run: Run | None = None,
    progress: Progress | None = None,
) -> Written:
    """Analyse everything in an archive into one file a table.

    - `folder` and `out`: of the archive and of the results; seen by every worker under the same name.
    - `form`: "parquet" or "csv".
    - `about`: goes into the files' metadata.
    - `run`: of `analysis.pieces.spread`; without it everything is done here.
    - `progress`: callable (done, total, of what), optional: in messages; then, where there are workers, in
      tables put together.

    Raises `ArchiveProblem` when the folder holds no message; `UnderairError` when the tables cannot be
    written. No table is changed then, nor when the run is broken off.
    """
    pieces = pieces_of(folder)
    total, done = int(pieces.table["rows"].sum()), 0

    def tell(rows: int) -> None:
        nonlocal done
        done += rows
        if progress is not None:
            progress(done, total, "messages")

    if run is None:
        with TableFiles(out, form, about) as files:
            for batch in pieces.batches():
                files.add(analyse_batch(folder, batch, profile))
                tell(int(batch.table["rows"].sum()))
        return Written(files.rows, files.findings)
    refuse_a_mixture(out, form)
    with handed_over(out) as parts:
        tasks = [
            PieceTask(number, int(batch.table["rows"].sum()), folder.resolve(), batch, profile, parts)
            for number, batch in enumerate(pieces.batches())
        ]
        rows_of: dict[int, dict[str, int]] = {}
        # The largest first: what is left at the end is short.
        for number, messages, rows in run(work, sorted(tasks, key=lambda task: -task.rows)):
            rows_of[number] = rows
            tell(messages)
        # The tables on the 1 s grid take longest to put together: first.
        names = sorted(TABLES, key=lambda name: name not in ("air", "heat"))
        joining = [
            Joining(name, tuple(rows_of[number][name] for number in range(len(tasks))), parts, form, about)
            for name in names
        ]
        written = Written(dict.fromkeys(TABLES, 0), {})
        for joined, (name, height, findings) in enumerate(run(join, joining), 1):
            written.rows[name] = height
            written.findings.update(findings)
            if progress is not None:
                progress(joined, len(names), "tables")
        if any(not (parts / f"{name}.{form}").exists() for name in names):
            raise _not_shared(parts)
        return written
