"""The tables that the analysis hands on; `tables.toml` has their columns, types, units and meanings.

`TABLES` is the contract of the results. Dashboard, report, Parquet files and CSV all read the column
list from here, so that one word means one thing everywhere.
"""

import tomllib
from collections.abc import Mapping, Sequence
from importlib.resources import files
from typing import Any

import polars as pl

from ingest.contract.units import described

TIME = pl.Datetime("us", "UTC")
TEXTS = pl.List(pl.String)

Told = tuple[str, str]
"""Unit and meaning of a column."""
Notes = Mapping[str, Told]
"""Unit and meaning of a table's columns, by name."""

Results = dict[str, pl.DataFrame]
"""Every table of `TABLES` by name, always all of them, each with exactly its columns."""

TYPES: dict[str, pl.DataType | type[pl.DataType]] = {
    "text": pl.String,
    "texts": TEXTS,
    "time": TIME,
    "number": pl.Float64,
    "count": pl.Int64,
    "yes or no": pl.Boolean,
}
_SAID: dict[str, dict[str, tuple[str, str, str]]] = tomllib.loads(
    files("analysis").joinpath("tables.toml").read_text(encoding="utf-8")
)
COLUMNS: dict[str, Notes] = {
    table: {name: (unit, meaning) for name, (_, unit, meaning) in columns.items()}
    for table, columns in _SAID.items()
}
"""Unit and meaning of every column of every table, in order."""

CONTRACT_TABLES = ("wears", "entries", "air", "alarms", "heat", "gaps", "clocks", "findings")
TABLES: dict[str, pl.Schema] = {
    table: pl.Schema([(name, TYPES[dtype]) for name, (dtype, *_) in columns.items()])
    for table, columns in _SAID.items()
}
_EMPTY = {name: pl.DataFrame(schema=schema) for name, schema in TABLES.items()}


def empty_table(name: str) -> pl.DataFrame:
    """Return table `name` with its columns and no row.

    Raises `KeyError` when there is no such table.
    """
    return _EMPTY[name].clone()


def table_of(name: str, rows: Sequence[Sequence[Any]]) -> pl.DataFrame:
    """Return table `name` from rows in the order of its columns; times in microseconds since 1970 (UTC)."""
    if not rows:
        return empty_table(name)
    schema = TABLES[name]
    # For a few rows of many columns, the usual case, dicts take half the time of tuples and typed columns,
    # and less when the columns are taken from the first one: it has them all.
    lines = [dict(zip(schema, row, strict=True)) for row in rows]
    return pl.from_dicts(lines, schema_overrides=schema, infer_schema_length=1)


def conform(name: str, frame: pl.DataFrame) -> pl.DataFrame:
    """Return `frame` with exactly the columns, order and types of table `name`.

    Raises `ValueError` when a column is missing or one too many, with their names.
    """
    schema = TABLES[name]
    if frame.schema == schema:
        return frame
    missing = [column for column in schema if column not in frame.columns]
    extra = [column for column in frame.columns if column not in schema]
    if missing or extra:
        raise ValueError(f"table {name}: missing columns {missing}, unknown columns {extra}")
    return frame.select(pl.col(column).cast(dtype) for column, dtype in schema.items())


def to_arrow(name: str, frame: pl.DataFrame, about: Mapping[str, str] | None = None) -> Any:
    """Return table `name` as a `pyarrow.Table`, with unit and meaning in each field's metadata.

    - `frame`: any frame that `conform` accepts.
    - `about`: file-level metadata (version, profile).
    """
    table = with_units(conform(name, frame).to_arrow(), COLUMNS[name])
    return table.replace_schema_metadata(dict(about or {}))


def with_units(table: Any, notes: Notes) -> Any:
    """Return a `pyarrow.Table` with unit, UCUM code and meaning in the metadata of its columns."""
    schema = table.schema
    for position, field in enumerate(schema):
        if field.name in notes:
            unit, meaning = notes[field.name]
            schema = schema.set(position, field.with_metadata({"unit": unit, **described(unit, meaning)}))
    return table.cast(schema)


def to_csv(name: str, frame: pl.DataFrame) -> str:
    """Return table `name` as CSV: nulls empty, lists joined by a space, times ISO 8601 with Z.

    Numbers have four decimals, below 1 six significant digits: already more than any of them is known to.
    Parquet keeps every digit.

    Text that a spreadsheet would run as a formula is made harmless by `formula_safe`.
    """
    frame = conform(name, frame)
    lists = [column for column, dtype in frame.schema.items() if dtype == TEXTS]
    times = [column for column, dtype in frame.schema.items() if dtype == TIME]
    frame = frame.with_columns(
        *(pl.col(column).list.join(" ") for column in lists),
        *(pl.col(column).dt.strftime("%Y-%m-%dT%H:%M:%S%.6fZ") for column in times),
        *(_readable(column) for column, dtype in frame.schema.items() if dtype == pl.Float64),
    )
    return formula_safe(frame).write_csv(null_value="")


def columns_csv(tables: Mapping[str, Notes] = COLUMNS) -> str:
    """Return every column of tables with its unit, the unit's UCUM code and its meaning, as CSV."""
    rows = [
        (table, column, unit, described(unit, "").get("ucum", ""), meaning)
        for table, notes in tables.items()
        for column, (unit, meaning) in notes.items()
    ]
    heads = ["table", "column", "unit", "ucum", "meaning"]
    return formula_safe(pl.DataFrame(rows, schema=heads, orient="row")).write_csv()


def _readable(column: str) -> pl.Expr:
    number = pl.col(column)
    return pl.when(number.abs() >= 1).then(number.round(4)).otherwise(number.round_sig_figs(6)).alias(column)


def formula_safe(frame: pl.DataFrame) -> pl.DataFrame:
    """Return `frame` for a CSV file: text that a spreadsheet would run as a formula gets a leading
    apostrophe.

    OWASP, "CSV Injection": cells that begin with = + - @, their full-width forms, a tab or a line break.
    Numbers stay numbers: only text columns are touched. Every CSV that leaves this project goes through here.
    An identity may begin with - (the contract allows it) and then gets the apostrophe too, or a spreadsheet
    would work it out; as evidence, take the Parquet files, which keep every text as it was said.
    """
    texts = [column for column, dtype in frame.schema.items() if dtype == pl.String]
    return frame.with_columns(
        pl.when(pl.col(column).str.contains(r"^[=+\-@\t\r\n＝＋－＠]"))
        .then("'" + pl.col(column))
        .otherwise(pl.col(column))
        .alias(column)
        for column in texts
    )
