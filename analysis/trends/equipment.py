"""Test dates of sets and cylinders, from the roster in the archive's folder: due and overdue."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from analysis.trends.roster import BadRoster, day_of, known_keys, lines_of_csv, word_of
from ingest.toml_faults import document_of

TOML_NAME, CSV_NAME = "roster.toml", "equipment.csv"
WHAT = ("set", "cylinder")
KEYS = ("what", "id", "test", "done", "due")
SOON_DAYS = 60
"""A test is due soon so many days ahead. Our own rule."""

EQUIPMENT = pl.Schema(
    [("what", pl.String), ("id", pl.String), ("test", pl.String), ("done", pl.Date), ("due", pl.Date)]
)
"""One line for each test of a set or cylinder: what it is, when it was done last, when it is due."""


def parse_equipment(lines: Sequence[Mapping[str, Any]], origin: str) -> pl.DataFrame:
    """Return the test dates.

    - `lines`: `what` (set or cylinder), `id`, `test` (optional), `done` (optional), `due`.
    - `origin`: file name, for the error's sentence.

    Raises `BadRoster` with the line, the value and what was expected.
    """
    rows = []
    for number, line in enumerate(lines, 1):
        where = f"{origin}, equipment {number}"
        known_keys(line, KEYS, where)
        if line.get("what") not in WHAT:
            raise BadRoster(f"{where}: what must be set or cylinder, got {line.get('what')!r}")
        name, due = word_of(line, "id", where), day_of(line, "due", where)
        if name is None or due is None:
            raise BadRoster(f"{where}: id and due are needed, such as id S-014 and due 2031-04-01")
        test = word_of(line, "test", where) or ""
        rows.append((line["what"], name, test, day_of(line, "done", where), due))
    return pl.DataFrame(rows, schema=EQUIPMENT, orient="row").sort("due", "what", "id", "test")


def equipment_beside(folder: Path) -> pl.DataFrame:
    """Return the test dates in a folder: `[[equipment]]` of roster.toml and the lines of equipment.csv.

    Raises `BadRoster` when one of them cannot be read.
    """
    found = [pl.DataFrame(schema=EQUIPMENT)]
    for name in (TOML_NAME, CSV_NAME):
        path = folder / name
        if not path.is_file():
            continue
        try:
            text = path.read_text(encoding="utf-8-sig")
            lines = (
                document_of(text).get("equipment", [])
                if name == TOML_NAME
                else lines_of_csv(text, KEYS, {"what", "id", "due"})
            )
        except (OSError, UnicodeDecodeError, ValueError) as error:
            raise BadRoster(f"cannot read {path}: {error}") from None
        if not isinstance(lines, list) or not all(isinstance(line, dict) for line in lines):
            raise BadRoster(f"roster {name}: expected [[equipment]] tables")
        found.append(parse_equipment(lines, name))
    return pl.concat(found).sort("due", "what", "id", "test")


def overdue_days(due: date, today: date) -> int:
    """Return by how many days a test is overdue; negative while it is not."""
    return (today - due).days
