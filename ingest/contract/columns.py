"""The columns of each kind, in frames and in Parquet: from the contract's types, units in the metadata."""

import polars as pl
import pyarrow as pa

from ingest.contract.fields import Field, fields_of
from ingest.contract.kinds import DESK_KINDS, KINDS
from ingest.contract.units import described

APART = ("originals", "refused")
"""Tables of what came in another form: objects that a mapping reads, and what breaks the contract."""
TABLES: tuple[str, ...] = (*KINDS, *APART)
_TIME = pa.timestamp("us", tz="UTC")
_RECEIVED = ("received", _TIME, "When the listener received it, by its clock.", "")
_TOPIC = ("topic", pa.string(), "Where it was published.", "")
_RETAINED = ("retained", pa.bool_(), "The broker had kept it and sent it on connection; it may be old.", "")


def _arrow_type(field: Field) -> pa.DataType:
    if field.is_time:
        return _TIME
    if field.shape in ("object", "array"):
        members = pa.struct([_arrow_field(*_described(member)) for member in field.members])
        return members if field.shape == "object" else pa.list_(members)
    return {"integer": pa.int64(), "number": pa.float64(), "string": pa.string(), "boolean": pa.bool_()}[
        field.shape
    ]


def _described(field: Field) -> tuple[str, pa.DataType, str, str]:
    return field.name, _arrow_type(field), field.meaning, field.unit


def _arrow_field(name: str, kind: pa.DataType, meaning: str, unit: str) -> pa.Field:
    return pa.field(name, kind, metadata=described(unit, meaning))


def _schema_of(kind: str) -> pa.Schema:
    columns = [_RECEIVED, _TOPIC, ("payload", pa.binary(), "Verbatim.", ""), _RETAINED]
    if kind == "originals":
        columns += [
            ("mapping", pa.string(), "Name and version of the mapping that read it.", ""),
            ("messages", pa.int64(), "How many messages of the contract were made of it.", "1"),
            ("faults", pa.int64(), "How many of its values could not be mapped: see `refused`.", "1"),
        ]
    elif kind == "refused":
        columns += [
            ("reason", pa.string(), "What is wrong, the value, what was expected.", ""),
            ("path", pa.string(), "JSON path of the field, or the line of a capture.", ""),
        ]
    else:
        columns = [
            ("service", pa.string(), "The service, as in the topic.", ""),
            *(_described(field) for field in fields_of(kind)),
            _RECEIVED,
            _TOPIC,
            ("payload", pa.string(), "Verbatim.", ""),
            _RETAINED,
        ]
    return pa.schema([_arrow_field(*column) for column in columns], metadata={"underair": "v1", "kind": kind})


ARROW_SCHEMAS: dict[str, pa.Schema] = {kind: _schema_of(kind) for kind in TABLES}
"""Arrow schema of each kind and of `refused`; a field's metadata holds its unit and meaning."""

FRAME_SCHEMAS: dict[str, pl.Schema] = {
    kind: pl.from_arrow(pa.Table.from_batches([], schema)).schema  # type: ignore[union-attr]
    for kind, schema in ARROW_SCHEMAS.items()
}
"""Polars schema of each kind and of `refused`."""


INCIDENT_KINDS: tuple[str, ...] = tuple(
    kind for kind in DESK_KINDS if "incident_id" in FRAME_SCHEMAS[kind].names()
)
"""What desks say of an incident, whatever it is."""


_EMPTY = {kind: pl.DataFrame(schema=schema) for kind, schema in FRAME_SCHEMAS.items()}


def empty_frame(kind: str) -> pl.DataFrame:
    """Return a frame without rows, with the columns and types of a kind (or of ``refused``)."""
    return _EMPTY[kind].clone()  # making one again takes a millisecond


def arrow_table(kind: str, frame: pl.DataFrame) -> pa.Table:
    """Return a kind's frame as an Arrow table with the archive's schema and metadata."""
    return frame.select(FRAME_SCHEMAS[kind].names()).to_arrow().cast(ARROW_SCHEMAS[kind])
