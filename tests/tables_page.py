"""The page about the tables in `analysis/docs/tables.md`, written from the tables themselves.

``python -m tests.tables_page`` writes it; a test compares the two.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import pyarrow as pa

from analysis.tables import COLUMNS, CONTRACT_TABLES, empty_table, to_arrow
from ingest.contract.columns import APART, ARROW_SCHEMAS
from ingest.contract.kinds import KINDS
from ingest.contract.units import UCUM

PAGE = Path(__file__).parents[1] / "analysis" / "docs" / "tables.md"
_HEAD = """# The tables

Look up a column: first the tables that `underair analyse` writes, one file for each (`--format parquet` or
`csv`), then what `underair audit` publishes, then the archive. `python -m tests.tables_page` makes this
page from `analysis/tables.toml` and `ingest/contract/columns.py`.

- Times are UTC in microseconds on the listener's clock: each set's own clock is corrected (`clocks` says by
  how much). In the archive, `time` is the sender's own clock, as sent.
- Eight tables are the published contract of the results. The tables marked *extra* add to it.
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
- If two cells overlap, the wears that only one of them counts belong to 10 people or more, or there are none.
  A role may be the people of one station and a few more, or a few fewer: subtracting would show these few, so
  stations or roles are merged. We tested this for each two of station, role and kind, with up to three groups
  of one against any number of the other; not for all three at once.
- A year has no stations (roles, kinds) if its quarters counted other wears for them: the roster or an
  incident's kind was corrected, or messages came late.
- Events are wears with the event, rounded to 5 and printed as a range (`_low`, `_high`) that never exceeds
  the number of wears. Rates come from the range. A range from which a count could be computed is widened or
  left out.
- Hours are rounded to 5 and means to two figures. A mean that depends mostly on one person is left out. Means
  of hard breathing and heat are of quarters and years only. A year has one only if all its quarters have it
  or none of them has. A percentile is published only if 10 wears of 5 people are beyond it.
- A period is published once, when it is over, and kept in `releases.ndjson`. Later releases add periods. If
  messages come later, the service's quarter or year counts them, but its months do not: import all captures
  of a period before it is published.
- A period without a wear is not published: nothing happened, or nothing was received. If wears of it come
  later, it is published then, unless its quarter or year was published without them.
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
    every = set.intersection(*(set(ARROW_SCHEMAS[kind].names) for kind in KINDS))
    common = [each for each in ARROW_SCHEMAS["pressure"] if each.name in every | {"set_id"}]
    parts.append(f"{_ARCHIVE}\n### {_EVERY}\n\n{_table(common)}")
    for name, schema in ARROW_SCHEMAS.items():
        speaker = "desk_id" if "desk_id" in schema.names else "set_id"
        own = schema if name in APART else [each for each in schema if each.name not in every | {speaker}]
        parts.append(f"\n### {name}\n\n{_table(own)}")
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
