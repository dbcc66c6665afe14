"""What merging and dropping names may read: parts that are still what was sealed. All else is kept aside.

A part whose bytes are others goes to ``DIR/quarantine/`` under its own path. It is the only copy of what was
received, and nobody reads it or deletes it; `verify` and every answer go on naming it.
"""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from ingest.archive.expected import expected_of
from ingest.archive.formats import FORMAT
from ingest.archive.manifest import Held, Line, restate
from ingest.archive.merging import stretches_of
from ingest.archive.sound import QUARANTINE, DayFolder, archive_of, below
from ingest.archive.store import file_sha256, place_of
from ingest.contract.errors import ArchiveProblem


def fit_to_merge(folder: Path, moving: set[str]) -> tuple[dict[Path, Line], list[str]]:
    """Return the parts of a folder that can be merged, with what they were sealed with; move others aside.

    Parts of form 1 get a line of form 2 first, which covers every column.

    - `moving`: names of parts that will be written again: left alone.

    Returns them, and the paths below the archive of what was moved.
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


def _rows_of(part: Path) -> int:
    try:
        with place_of(part).opened(part) as file:
            return int(pq.read_metadata(file).num_rows)
    except pa.ArrowInvalid:
        return -1


def in_this_form(part: Path, line: Line) -> Line:
    """Return a part's line, after comparing it with the bytes; a line of form 1 is rewritten in form 2."""
    if line.format >= FORMAT:
        return line
    held = Held()
    for rows in stretches_of(part.parent.parent.name, [part]):
        held.add(rows)
    if held.rows != line.rows:
        raise ArchiveProblem(f"{part} has {held.rows} rows, {line.rows} were sealed: nothing was changed")
    restate(archive_of(part), part, held, line)
    return expected_of(archive_of(part)).latest("/".join(part.parts[-3:-1]))[below(part)]


def quarantine(part: Path) -> Path:
    """Move a part out of the way of every reader, and keep it; return where it is then."""
    kept = first = archive_of(part) / QUARANTINE / below(part)
    number = 1
    while kept.exists():
        number += 1
        kept = first.with_name(f"{first.name}.{number}")
    place_of(part).move(part, kept)
    return kept
