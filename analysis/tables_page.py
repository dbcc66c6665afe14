"""The page about the tables in `analysis/docs/tables.md`, written from the tables themselves.

``python -m analysis.tables_page`` writes it; a test holds that it is what stands here.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import pyarrow as pa

from analysis.tables import COLUMNS, CONTRACT_TABLES, empty_table, to_arrow
from ingest.contract.columns import ARROW_SCHEMAS

PAGE = Path(__file__).parent / "docs" / "tables.md"
_HEAD = """# The tables

What `underair analyse` writes, one file a table (`--format parquet` or `csv`), and what an archive holds.
Made by `python -m analysis.tables_page` from `analysis/tables.py` and `ingest/contract/columns.py`.

- Times are UTC in microseconds on the listener's clock: each set's own clock is put right (`clocks` says by
  how much). In the archive `time` is the speaker's own clock, as sent.
- What was not measured or not heard is empty (null), never zero and never the last value.
- Every column's unit and meaning stand in the Parquet file's metadata, too; the file's own metadata names the
  version and the profile that judged.
- CSV is for reading: numbers have four decimals there (six significant digits below 1), and text that a
  spreadsheet would run gets an apostrophe in front. Parquet keeps every digit and every character.
- An aid beside, never instead of, the set's own alarms, entry control, radio and training.

## Results
"""
_ARCHIVE = """
## The archive

`DIR/{kind}/date=YYYY-MM-DD/*.parquet`, the date by the listener's clock (UTC); one table a kind of message,
and `refused` for what did not keep the contract. Merging (`underair tidy`) changes files, never rows.
"""
_AUDIT = """
## What `underair audit` hands out

`by_month`, `by_part`, `planning_rates`, `sets`, `forecasts`, `rest`, `standing_out`, each as CSV and Parquet;
the `README.txt` beside them says what is in which. Wearers do not appear. In place of a count stands

- `<16` where it is from 1 to 15 (the limit is the profile's, `withholding`);
- `withheld` where it, or what follows from it, would tell more of such a count. It may be of any size from 1:
  a small total of many parts reads `withheld`, too, since `<16` on it would tell too much of them;
- the count itself where it is nought.

A line with either has `withheld` true, and what would tell the count (rates, intervals, minutes) is empty.
In Parquet files the counts stay numbers, null where a mark stands; the mark is in the column of the same name
with `_mark`. For all that stands in one release, each small count can have every value that marks and noughts
allow, at least half of those that its mark names, and no withheld count can be computed back.
"""
_EVERY = "Columns of every kind (`desk_id` instead of `set_id` where a desk speaks)"


def page() -> str:
    """Return the page as Markdown."""
    parts = [_HEAD]
    for name in COLUMNS:
        beyond = "" if name in CONTRACT_TABLES else " (beyond the contract's seven)"
        parts.append(f"\n### {name}{beyond}\n\n{_table(to_arrow(name, empty_table(name)).schema)}")
    parts.append(_AUDIT)
    kinds = {name: schema for name, schema in ARROW_SCHEMAS.items() if name != "refused"}
    every = set.intersection(*(set(schema.names) for schema in kinds.values()))
    common = [each for each in kinds["pressure"] if each.name in every | {"set_id"}]
    parts.append(f"{_ARCHIVE}\n### {_EVERY}\n\n{_table(common)}")
    for name, schema in kinds.items():
        speaker = "desk_id" if "desk_id" in schema.names else "set_id"
        own = [each for each in schema if each.name not in every | {speaker}]
        parts.append(f"\n### {name}\n\n{_table(own)}")
    parts.append(f"\n### refused\n\n{_table(ARROW_SCHEMAS['refused'])}")
    return "".join(parts)


def _table(fields: Iterable[pa.Field]) -> str:
    rows = [("column", "type", "unit", "meaning"), ("---",) * 4]
    for field in fields:
        notes = {key.decode(): value.decode() for key, value in (field.metadata or {}).items()}
        kind = str(field.type).replace("large_", "").replace("string_view", "string")
        rows.append((f"`{field.name}`", f"`{kind}`", notes.get("unit", ""), notes.get("meaning", "")))
    return "".join("| " + " | ".join(each.replace("|", "\\|") for each in row) + " |\n" for row in rows)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
