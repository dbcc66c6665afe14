"""The roster: who belongs to which station and role, and when; test dates of sets and cylinders.

It holds pseudonyms only. The key from pseudonym to person is a file of its own that this tool never reads.
"""

import csv
import io
from collections.abc import Iterator
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
KEYS = {
    "wearer": ("wearer", "station", "role", "from", "until"),
    "equipment": ("what", "id", "test", "done", "due"),
}
"""What a line of each table may say."""
NEEDED = {"wearer": ("wearer", "station"), "equipment": ("what", "id", "due")}
DAYS, CHECKED_BY_TABLE = ("from", "until", "done", "due"), ("wearer", "what")
LONGEST_WORD = 80
FAR = date(9999, 12, 31)

ROSTER = pl.Schema(
    dict.fromkeys(("wearer_id", "station", "role"), pl.String()) | dict.fromkeys(("from", "until"), pl.Date())
)
"""One line for each time that a wearer was at a station in a role; both days inclusive."""

CSV_NAME = "equipment.csv"
WHAT = ("set", "cylinder")
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
    rows = []
    for where, line in _lines_of(text, origin, form, "wearer"):
        wearer, station = line.get("wearer"), line.get("station")
        if not isinstance(wearer, str) or not is_id(wearer):
            told = f"wearer must be a pseudonym as in the tally ({ID_WORDS}), got {wearer!r}"
            raise BadRoster(f"{where}: {told}")
        if station is None:
            raise BadRoster(f"{where}: wearer {wearer} has no station")
        first, last = line.get("from") or date.min, line.get("until") or FAR
        if last < first:
            raise BadRoster(f"{where}: until {last} is before from {first}")
        role = line.get("role")
        rows.append({"wearer_id": wearer, "station": station, "role": role, "from": first, "until": last})
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
    return parse_roster(_text_of(path), path.name, form)


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


def equipment_beside(folder: Path) -> pl.DataFrame:
    """Return the test dates in a folder: `[[equipment]]` of roster.toml and the lines of equipment.csv.

    A line has `what` (set or cylinder), `id`, `due`, and may have `test` and `done`.

    Raises `BadRoster` with the line, the value and what was expected.
    """
    rows = []
    for path in (folder / FILE_NAMES[0], folder / CSV_NAME):
        lines = _lines_of(_text_of(path), path.name, path.suffix[1:], "equipment") if path.is_file() else ()
        for where, line in lines:
            what, name, due = line.get("what"), line.get("id"), line.get("due")
            if what not in WHAT:
                raise BadRoster(f"{where}: what must be set or cylinder, got {what!r}")
            if name is None or due is None:
                raise BadRoster(f"{where}: id and due are needed, such as id S-014 and due 2031-04-01")
            rows.append((what, name, line.get("test") or "", line.get("done"), due))
    return pl.DataFrame(rows, schema=EQUIPMENT, orient="row").sort("due", "what", "id", "test")


def _text_of(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise BadRoster(f"cannot read the roster {path}: {error}") from None


def _lines_of(text: str, origin: str, form: str, table: str) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield each line of a table and its place: of TOML its ``[[table]]``, of CSV all, without what is empty.

    Words are stripped and days are read; `CHECKED_BY_TABLE` is left as it is.
    """
    keys = KEYS[table]
    lines: Any
    if form == "csv":
        reader = csv.DictReader(io.StringIO(text))
        if not set(NEEDED[table]) <= set(reader.fieldnames or ()):
            told = f"the first line must name the columns {', '.join(keys)}"
            raise BadRoster(f"roster {origin}: {told}; got {', '.join(reader.fieldnames or ()) or 'nothing'}")
        lines = [{key: value for key, value in line.items() if value not in (None, "")} for line in reader]
    else:
        try:
            document = document_of(text)
        except ValueError as error:
            raise BadRoster(f"roster {origin} is not TOML: {error}") from None
        unknown, lines = sorted(set(document) - set(KEYS)), document.get(table, [])
        if unknown or not isinstance(lines, list) or not all(isinstance(line, dict) for line in lines):
            what = f", got {', '.join(unknown)}" if unknown else ""
            raise BadRoster(
                f"roster {origin}: expected [[wearer]] and [[equipment]] tables and nothing else{what}"
            )
    for number, line in enumerate(lines, 1):
        where = f"roster {origin}, {'entry' if table == 'wearer' else table} {number}"
        if unknown := [str(key) for key in line if key not in keys]:
            raise BadRoster(f"{where}: unknown key {', '.join(unknown)}; expected {', '.join(keys)}")
        yield where, {key: _value(key, value, where) for key, value in line.items()}


def _value(key: str, value: Any, where: str) -> Any:
    """Return a day or a stripped word."""
    if key in CHECKED_BY_TABLE:
        return value
    if key in DAYS:
        try:
            if isinstance(value, date):
                return value.date() if isinstance(value, datetime) else value
            return date.fromisoformat(str(value).strip())
        except ValueError:
            raise BadRoster(f"{where}: {key} must be a day such as 2031-04-01, got {value!r}") from None
    if not isinstance(value, str) or not 1 <= len(value.strip()) <= LONGEST_WORD:
        raise BadRoster(f"{where}: {key} must be a text of 1 to {LONGEST_WORD} characters, got {value!r}")
    return value.strip()
