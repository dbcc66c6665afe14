"""The roster: who belongs to which station and role, and when; test dates of sets and cylinders.

It holds pseudonyms only. The key from pseudonym to person is a file of its own that this tool never reads.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Collection, Mapping, Sequence
from datetime import date, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import polars as pl

from ingest.contract.errors import UnderairError
from ingest.contract.kinds import ID_WORDS
from ingest.contract.topics import is_id
from ingest.toml_faults import document_of

FILE_NAMES = ("roster.toml", "roster.csv")
KEPT_NAME = "stations_kept.csv"
"""Stations and roles under the names that `underair retain` gave, by day."""
KEYS = ("wearer", "station", "role", "from", "until")
LONGEST_WORD = 80
FAR = date(9999, 12, 31)

ROSTER = pl.Schema(
    dict.fromkeys(("wearer_id", "station", "role"), pl.String()) | dict.fromkeys(("from", "until"), pl.Date())
)
"""One line for each time that a wearer was at a station in a role; both days inclusive."""

CSV_NAME = "equipment.csv"
WHAT = ("set", "cylinder")
EQUIPMENT_KEYS = ("what", "id", "test", "done", "due")
SOON_DAYS = 60
"""A test is due soon so many days ahead. Our own rule."""

EQUIPMENT = pl.Schema(
    [("what", pl.String), ("id", pl.String), ("test", pl.String), ("done", pl.Date), ("due", pl.Date)]
)
"""One line for each test of a set or cylinder: what it is, when it was done last, when it is due."""


class BadRoster(UnderairError):
    """The roster cannot be read, or contradicts itself."""


def parse_roster(text: str, origin: str, form: str) -> pl.DataFrame:
    """Read a roster.

    - `text`: TOML with one ``[[wearer]]`` table a line (``wearer``, ``station``, ``role``, ``from``,
      ``until``), or CSV with those columns. ``role``, ``from`` and ``until`` may be left out: no role, since
      always, until further notice.
    - `origin`: file name, for the error's sentence.
    - `form`: ``toml`` or ``csv``.

    Returns `ROSTER`, by wearer and day.

    Raises `BadRoster` with the line, the value and what was expected.
    """
    lines = lines_of(text, origin, form, "wearer", KEYS, ("wearer", "station"))
    rows = [_row(line, origin, number) for number, line in enumerate(lines, 1)]
    rows.sort(key=lambda row: (row["wearer_id"], row["from"]))
    for one, following in pairwise(rows):
        if one["wearer_id"] == following["wearer_id"] and following["from"] <= one["until"]:
            raise BadRoster(
                f"roster {origin}: wearer {one['wearer_id']} is at {one['station']} until {one['until']} "
                f"and at {following['station']} from {following['from']}; end the first before the second"
            )
    return pl.DataFrame(rows, schema=ROSTER)


def load_roster(path: Path) -> pl.DataFrame:
    """Read a roster file; its ending, ``.toml`` or ``.csv``, says the form.

    Raises `BadRoster` when it cannot be read or does not keep the rules.
    """
    form = path.suffix.lower().removeprefix(".")
    if form not in ("toml", "csv"):
        raise BadRoster(f"roster {path}: expected a file that ends in .toml or .csv")
    return parse_roster(read_text(path), path.name, form)


def roster_beside(folder: Path) -> pl.DataFrame:
    """Return the roster that a folder has as ``roster.toml`` or ``roster.csv``; without one it has nobody.

    What `retain` kept of people whose names are gone is part of it.
    """
    places = [folder / name for name in FILE_NAMES if (folder / name).is_file()][:1]
    places += [folder / KEPT_NAME] if (folder / KEPT_NAME).is_file() else []
    return pl.concat([no_roster(), *map(load_roster, places)])


def no_roster() -> pl.DataFrame:
    """Return a roster without anybody."""
    return pl.DataFrame(schema=ROSTER)


def with_station_and_role(wears: pl.DataFrame, roster: pl.DataFrame) -> pl.DataFrame:
    """Return the wears with `station` and `role` as they were on the day of each; null where unknown."""
    known = roster.filter(pl.col("wearer_id").is_not_null()).sort("from")
    known = known.cast(dict.fromkeys(("wearer_id", "station", "role"), wears.schema["wearer_id"]))
    # Only what the join needs is sorted: a million lines of all columns take a gigabyte.
    days = wears.select("wearer_id", pl.col("started").dt.date().alias("_day")).with_row_index("_row")
    joined = days.sort("_day").join_asof(
        known,
        left_on="_day",
        right_on="from",
        by="wearer_id",
        strategy="backward",
        check_sortedness=False,
    )
    there = pl.col("until") >= pl.col("_day")
    found = joined.sort("_row").select(
        pl.when(there).then(pl.col(name)).alias(name) for name in ("station", "role")
    )
    return wears.with_columns(found["station"], found["role"])


def read_text(path: Path) -> str:
    """Return the text of a file; raises `BadRoster` when it cannot be read."""
    try:
        return path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise BadRoster(f"cannot read the roster {path}: {error}") from None


def lines_of(
    text: str, origin: str, form: str, table: str, keys: Sequence[str], needed: Collection[str]
) -> Sequence[Mapping[str, Any]]:
    """Return the lines of a table: of TOML its ``[[table]]``, of CSV all, without what is empty.

    Raises `BadRoster` when the form is not kept, or the first line of CSV lacks a column that is `needed`.
    """
    if form == "csv":
        reader = csv.DictReader(io.StringIO(text))
        if not set(needed) <= set(reader.fieldnames or ()):
            told = f"the first line must name the columns {', '.join(keys)}"
            raise BadRoster(f"roster {origin}: {told}; got {', '.join(reader.fieldnames or ()) or 'nothing'}")
        return [{key: value for key, value in line.items() if value not in (None, "")} for line in reader]
    try:
        document = document_of(text)
    except ValueError as error:
        raise BadRoster(f"roster {origin} is not TOML: {error}") from None
    unknown = sorted(set(document) - {"wearer", "equipment"})
    lines = document.get(table, [])
    if unknown or not isinstance(lines, list) or not all(isinstance(line, dict) for line in lines):
        what = f", got {', '.join(unknown)}" if unknown else ""
        raise BadRoster(
            f"roster {origin}: expected [[wearer]] and [[equipment]] tables and nothing else{what}"
        )
    return lines


def known_keys(line: Mapping[str, Any], keys: Sequence[str], where: str) -> None:
    """Refuse a line that has a key beyond those that are known."""
    unknown = [str(key) for key in line if key not in keys]
    if unknown:
        raise BadRoster(f"{where}: unknown key {', '.join(unknown)}; expected {', '.join(keys)}")


def _row(line: Mapping[str, Any], origin: str, number: int) -> dict[str, Any]:
    where = f"roster {origin}, entry {number}"
    known_keys(line, KEYS, where)
    wearer = line.get("wearer")
    if not isinstance(wearer, str) or not is_id(wearer):
        raise BadRoster(f"{where}: wearer must be a pseudonym as in the tally ({ID_WORDS}), got {wearer!r}")
    station, role = word_of(line, "station", where), word_of(line, "role", where)
    if station is None:
        raise BadRoster(f"{where}: wearer {wearer} has no station")
    first, last = day_of(line, "from", where) or date.min, day_of(line, "until", where) or FAR
    if last < first:
        raise BadRoster(f"{where}: until {last} is before from {first}")
    return {"wearer_id": wearer, "station": station, "role": role, "from": first, "until": last}


def word_of(line: Mapping[str, Any], key: str, where: str) -> str | None:
    """Return a text of a line; None where it is not there."""
    value = line.get(key)
    if value is None:
        return None
    if not isinstance(value, str) or not 1 <= len(value.strip()) <= LONGEST_WORD:
        raise BadRoster(f"{where}: {key} must be a text of 1 to {LONGEST_WORD} characters, got {value!r}")
    return value.strip()


def day_of(line: Mapping[str, Any], key: str, where: str) -> date | None:
    """Return a day of a line; None where it is not there."""
    value = line.get(key)
    if isinstance(value, datetime):
        return value.date()
    if value is None or isinstance(value, date):
        return value
    try:
        return date.fromisoformat(str(value).strip())
    except ValueError:
        raise BadRoster(f"{where}: {key} must be a day such as 2031-04-01, got {value!r}") from None


def equipment_beside(folder: Path) -> pl.DataFrame:
    """Return the test dates in a folder: `[[equipment]]` of roster.toml and the lines of equipment.csv.

    A line has `what` (set or cylinder), `id`, `due`, and may have `test` and `done`.

    Raises `BadRoster` with the line, the value and what was expected.
    """
    rows = []
    for path in (folder / FILE_NAMES[0], folder / CSV_NAME):
        if path.is_file():
            form = path.suffix.removeprefix(".")
            lines = lines_of(
                read_text(path), path.name, form, "equipment", EQUIPMENT_KEYS, ("what", "id", "due")
            )
            rows += [
                _test_of(line, f"{path.name}, equipment {number}") for number, line in enumerate(lines, 1)
            ]
    return pl.DataFrame(rows, schema=EQUIPMENT, orient="row").sort("due", "what", "id", "test")


def _test_of(line: Mapping[str, Any], where: str) -> tuple[Any, ...]:
    known_keys(line, EQUIPMENT_KEYS, where)
    if line.get("what") not in WHAT:
        raise BadRoster(f"{where}: what must be set or cylinder, got {line.get('what')!r}")
    name, due = word_of(line, "id", where), day_of(line, "due", where)
    if name is None or due is None:
        raise BadRoster(f"{where}: id and due are needed, such as id S-014 and due 2031-04-01")
    return line["what"], name, word_of(line, "test", where) or "", day_of(line, "done", where), due
