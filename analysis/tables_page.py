"""The page about the tables in `analysis/docs/tables.md`, written from the tables themselves.

``python -m analysis.tables_page`` writes it; a test compares the two.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import pyarrow as pa

from analysis.tables import COLUMNS, CONTRACT_TABLES, empty_table, to_arrow
from ingest.contract.columns import ARROW_SCHEMAS
from ingest.contract.units import UCUM

PAGE = Path(__file__).parent / "docs" / "tables.md"
_HEAD = """# The tables

What `underair analyse` writes, one file for each table (`--format parquet` or `csv`), and what an archive
contains. `python -m analysis.tables_page` makes this page from `analysis/tables.py` and
`ingest/contract/columns.py`.

- Times are UTC in microseconds on the listener's clock: each set's own clock is corrected (`clocks` says by
  how much). In the archive, `time` is the sender's own clock, as sent.
- The results' contract is eight tables; the tables marked *extra* add to it.
- A value that was not measured or not heard is empty (null), never zero and never the last value.
- The Parquet file's metadata has every column's unit and meaning, underair's version and the profile used.
  `columns.csv` has the units of CSV files. The CSV that the review page exports has them in its headers.
- Units are also given in UCUM (Unified Code for Units of Measure 2.2): {codes}.
- CSV is for reading: numbers have four decimals there (six significant digits below 1), and an
  apostrophe goes in front of text that a spreadsheet would run. Parquet keeps every digit and character.
- underair does not replace the set's own alarms, entry control, radio or training.

## Results
"""
_ARCHIVE = """
## The archive

`DIR/{kind}/date=YYYY-MM-DD/*.parquet`, the date by the listener's clock (UTC); one table for each kind of
message, and `refused` for messages that break the contract. Merging (`underair tidy`) changes no rows.
"""
_AUDIT = """
## What `underair audit` publishes

For outside the service: `by_month`, `by_quarter`, `by_year` and `planning_rates`, as CSV and Parquet, with a
`README.txt` and `columns.csv` (units and meanings). Wearers and sets do not appear.

- A cell is a group in a period: the service by month; the service, stations, roles and kinds by quarter and
  year.
- Each group has at least 10 people (the profile's `disclosure`). Nobody has over 35 % of its wears, and all
  but the two busiest people have at least 20 % of the busiest one's. Smaller groups are merged.
- Wears that only one of two cells counts are nobody's, or those of 10 people or more. If a role is the people
  of a station and a few more, or a few fewer, stations or roles are merged: a subtraction would leave these
  few. This is tested for each two of station, role and kind, with up to three groups of one against any
  number of the other; not for all three at once.
- A year has no stations (roles, kinds) if they count other wears than in its quarters: someone's line in the
  roster was corrected, a desk corrected an incident's kind, or messages came late.
- Events are wears with the event, rounded to 5 and printed as a range (`_low`, `_high`), which ends at the
  wears at most. Rates come from the range. A range from which a count could be computed is widened or left
  out.
- Hours are rounded to 5 and means to two figures. A mean that depends mostly on one person is left out. A
  percentile needs 10 wears of 5 people beyond it.
- A period is published once, when it is over, and kept in `releases.ndjson`. Later releases add periods. If
  messages come later, the service's quarter or year counts them, and its months do not: bring in all
  captures of a period before it is published.
- A period without a wear is not published: nothing happened, or nothing was received. Wears that come later
  are published then, unless their quarter or year was published without them.
- Alarms have no figure until a set has raised one: perhaps these sets send none.

To correct a period, publish it again: `--replace PERIOD --reason TEXT` on the machine, or the page Access
(role `admin`). The list keeps both versions, the reason and who did it. `underair verify` checks its chain.
Publish a period before `underair retain` drops its names: afterwards the number of people is unknown.

`--inside` writes exact tables instead: `by_month`, `by_part`, `planning_rates`, `sets`, `forecasts`, `rest`
and `standing_out`, with people. They must not leave the service.
"""
_EVERY = "Columns of every kind (a desk's messages have `desk_id` instead of `set_id`)"


def page() -> str:
    """Return the page as Markdown."""
    codes = ", ".join(f"{unit} `{code}`" for unit, code in UCUM.items() if code and unit != "1")
    parts = [_HEAD.format(codes=codes)]
    for name in COLUMNS:
        beyond = "" if name in CONTRACT_TABLES else " (extra)"
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
