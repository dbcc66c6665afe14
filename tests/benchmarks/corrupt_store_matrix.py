"""Damage each kind of file of an archive in each way, and write what is answered then into the documents.

    python -m tests.benchmarks.corrupt_store_matrix [file ...]

Of some files only when they are named; the other rows stay.

`tests/faults/test_corrupt_store.py` compares some cells with that page each time, all of them never.
"""

from __future__ import annotations

import re
import sys
import tempfile
from pathlib import Path

from tests.faults.corrupt_store import (
    DAMAGES,
    KINDS,
    PAGE,
    STALE,
    Answers,
    cell,
    cells_of_page,
    damaged,
    make_archive,
    table_of,
)


def main(*kinds: str) -> None:
    """Try all cells, or those of some files, and write the page."""
    work = Path(tempfile.mkdtemp(prefix="underair-matrix-"))
    whole, earlier, archive = work / "whole", work / "earlier", work / "archive"
    incident = make_archive(whole, earlier)
    damaged(whole, earlier, archive, "index", "duplicate")
    answers = Answers(archive, incident, work / "out")
    before = answers.all()
    cells = cells_of_page() if kinds else {}
    for kind in kinds or KINDS:
        for damage in (*DAMAGES, STALE):
            if damaged(whole, earlier, archive, kind, damage):
                cells[kind, damage] = cell(before, answers.all())
                print(kind, damage, cells[kind, damage], sep=": ", flush=True)
    page = PAGE.read_text(encoding="utf-8")
    PAGE.write_text(
        re.sub(r"\| file \|.*\|\n", lambda _: f"{table_of(cells)}\n", page, flags=re.S), encoding="utf-8"
    )


if __name__ == "__main__":
    main(*sys.argv[1:])
