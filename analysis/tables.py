"""The tables that the analysis hands on: their columns, order, types, units and meaning, in one place.

`TABLES` is the contract of the results. Dashboard, report, Parquet files and CSV all read the column
list from here, so that one word means one thing everywhere.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
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


@dataclass(frozen=True)
class Column:
    """One column of a result table.

    - `name`: column name, with its unit where it has one.
    - `dtype`: polars data type.
    - `unit`: unit for people ("bar", "L/min"), empty when the column has none.
    - `meaning`: one sentence, for the Parquet metadata and the docs.
    """

    name: str
    dtype: pl.DataType | type[pl.DataType]
    unit: str
    meaning: str


def _columns(*rows: tuple[str, pl.DataType | type[pl.DataType], str, str]) -> tuple[Column, ...]:
    return tuple(Column(*row) for row in rows)


COLUMNS: dict[str, tuple[Column, ...]] = {
    "wears": _columns(
        ("wear_id", pl.String, "", "one use of one set under air: {set_id}/{boot}/{n}"),
        ("incident_id", pl.String, "", "incident, from the desk's tally"),
        ("set_id", pl.String, "", "the set"),
        ("wearer_id", pl.String, "", "wearer, from the desk's tally"),
        ("team", pl.String, "", "team, from the desk's tally"),
        ("started", TIME, "", "first reading after the cylinder valve was opened"),
        ("ended", TIME, "", "last reading before the valve closed, the set went off or the record ended"),
        ("cylinder_count", pl.Int64, "", "cylinders on the set"),
        ("water_volume_l", pl.Float64, "L", "water volume of each cylinder"),
        ("rated_bar", pl.Float64, "bar", "rated pressure of the cylinder"),
        ("start_bar", pl.Float64, "bar", "pressure at the start (gauge)"),
        ("end_bar", pl.Float64, "bar", "pressure at the end (gauge)"),
        ("free_air_l", pl.Float64, "L", "free air used, litres at 1.01325 bar and 20 °C, real gas"),
        ("free_air_sd_l", pl.Float64, "L", "standard deviation of the free air used"),
        ("mean_l_min", pl.Float64, "L/min", "mean breathing rate over the wear"),
        ("peak_l_min", pl.Float64, "L/min", "highest mean rate over 60 s"),
        ("low_air_bar", pl.Float64, "bar", "pressure of the low-air warning"),
        ("low_air_at", TIME, "", "when the pressure reached the warning; null if never"),
        ("low_air_s", pl.Float64, "s", "seconds under air below the warning"),
        ("turn_back_bar", pl.Float64, "bar", "pressure at which the wearer must turn back, by the profile"),
        ("turn_back_at", TIME, "", "when the team must turn back, by its lowest member"),
        ("peak_temperature_c", pl.Float64, "°C", "highest reading of the set's heat sensor"),
        ("heat_dose", pl.Float64, "", "dose at the end, by the profile's law; not what a body felt"),
        ("gap_s", pl.Float64, "s", "seconds of silence inside the wear and at its end"),
        (
            "lost_messages",
            pl.Int64,
            "",
            "messages lost in the wear (missing numbers, not refused); null: unknown",
        ),
        ("entry_id", pl.String, "", "the entry that this wear belongs to"),
        ("restarted_from", pl.String, "", "the wear that this one goes on with, after a restart of the set"),
    ),
    "entries": _columns(
        ("entry_id", pl.String, "", "what one person did: {incident_id}/{wearer_id or set_id}/{n}"),
        ("incident_id", pl.String, "", "incident, from the desk's tally; null without one"),
        ("wearer_id", pl.String, "", "wearer, from the desk's tally"),
        ("team", pl.String, "", "team, from the desk's latest tally"),
        ("set_ids", TEXTS, "", "sets, in the order in which they were tallied"),
        ("wear_ids", TEXTS, "", "wears, in order of time"),
        ("tallied_in", TIME, "", "when the desk tallied the wearer in; null without a tally"),
        ("first_heard", TIME, "", "first reading under air"),
        (
            "entry_bar",
            pl.Float64,
            "bar",
            "entry pressure (gauge) of the first cylinder that reached turn-back, else of the last; "
            "null: its opening was not heard",
        ),
        ("turn_back_bar", pl.Float64, "bar", "reading of that cylinder at which the wearer must turn back"),
        ("turn_back_at", TIME, "", "when the team must turn back, by its lowest member"),
        ("turn_back_noted_at", TIME, "", "when the desk noted that the wearer or team turned back"),
        (
            "turn_back_late_s",
            pl.Float64,
            "s",
            "from turn_back_at to the note, else to the exit; if not exact, turn_back_late_bound says so",
        ),
        (
            "low_air_at",
            TIME,
            "",
            "first moment at or below the warning, by a reading or by voice (if the set was silent or "
            "read far more; then less its fall since)",
        ),
        (
            "lowest_bar",
            pl.Float64,
            "bar",
            "lowest pressure under air, by a reading or by voice (if the set was silent or read far more; "
            "then less its fall since)",
        ),
        ("last_heard", TIME, "", "last reading under air"),
        ("tallied_out", TIME, "", "when the desk tallied the wearer out"),
        ("ended_how", pl.String, "", "tallied_out, resolved, incident_closed or open"),
        ("under_air_s", pl.Float64, "s", "seconds under air, all wears together"),
        (
            "unheard_s",
            pl.Float64,
            "s",
            "seconds of silence before, inside, between and after wears, until the entry ended",
        ),
        ("free_air_l", pl.Float64, "L", "free air used, including between wears on one cylinder"),
        ("free_air_sd_l", pl.Float64, "L", "standard deviation of the free air used"),
        (
            "turn_back_late_bound",
            pl.String,
            "",
            "at most: no reading shows the exit, so until tallied out; at least: never tallied out, or "
            "turn-back may have been due earlier (turn_back_not_before); not known: both, or as last heard",
        ),
        ("turn_back_note", pl.String, "", "text of the note that counts as the turn"),
        (
            "other_incident_id",
            pl.String,
            "",
            "another incident in which the wearer was in at the same time; the last, if several",
        ),
        ("other_tallied_in", TIME, "", "when the wearer was tallied in there"),
        (
            "turn_back_not_before",
            TIME,
            "",
            "last reading before turn_back_at, if nothing was heard between; null if readings show it",
        ),
        (
            "turn_back_as_last_heard",
            pl.Boolean,
            "",
            "turn_back_at is the early end of the last forecast of somebody who fell silent for good, as "
            "on the board: no reading shows it; it may have been due at any time after turn_back_not_before",
        ),
    ),
    "air": _columns(
        ("wear_id", pl.String, "", "the wear"),
        ("time", TIME, "", "1 s grid, reconciled clock"),
        ("pressure_bar", pl.Float64, "bar", "estimated cylinder pressure (gauge)"),
        ("pressure_sd_bar", pl.Float64, "bar", "standard deviation of the pressure"),
        ("rate_l_min", pl.Float64, "L/min", "breathing rate, after the fact"),
        ("rate_lo_l_min", pl.Float64, "L/min", "5 % end of the rate's band"),
        ("rate_hi_l_min", pl.Float64, "L/min", "95 % end of the rate's band"),
        (
            "low_air_min",
            pl.Float64,
            "min",
            "median forecast of minutes to the warning, as known then; none of readings over 60 s late",
        ),
        ("low_air_lo_min", pl.Float64, "min", "early end of that forecast's 90 % interval"),
        ("low_air_hi_min", pl.Float64, "min", "late end; screens show it from the fourth minute on"),
        ("heard", pl.Boolean, "", "a pressure reading came within the last 5 s, and the gauge did not hang"),
        ("hardest_l_min", pl.Float64, "L/min", "mean rate of the hardest three minutes so far"),
        ("easiest_l_min", pl.Float64, "L/min", "mean rate of the easiest three minutes so far"),
        ("low_air_hardest_min", pl.Float64, "min", "minutes to the warning at the hardest rate; no forecast"),
    ),
    "alarms": _columns(
        ("wear_id", pl.String, "", "the wear in which it was raised; null outside wears"),
        ("set_id", pl.String, "", "the set"),
        ("alarm", pl.String, "", "kind of alarm"),
        ("raised", TIME, "", "when the set raised it; derived only: when the readings reached it"),
        ("acknowledged", TIME, "", "when it was acknowledged at the set"),
        ("cleared", TIME, "", "when it was cleared"),
        ("seen", TIME, "", "when the desk first marked it as seen or closed it"),
        ("response_s", pl.Float64, "s", "first of acknowledged and seen, after raised"),
        ("source", pl.String, "", "reported, derived or both"),
        ("lead_s", pl.Float64, "s", "reported minus derived; positive: the set was late"),
        ("heard", TIME, "", "when the listener received what raised it"),
        (
            "entry_id",
            pl.String,
            "",
            "the entry of the wearer who had the set then, also in silence and after the valve was closed",
        ),
        ("wearer_id", pl.String, "", "the wearer of that entry"),
    ),
    "heat": _columns(
        ("wear_id", pl.String, "", "the wear"),
        ("time", TIME, "", "1 s grid, reconciled clock"),
        ("temperature_c", pl.Float64, "°C", "the heat sensor's own reading; null where there is none"),
        ("ambient_c", pl.Float64, "°C", "estimate of the surroundings with the sensor's lag removed"),
        ("ambient_lo_c", pl.Float64, "°C", "low end of that estimate (0.7 to 1.3 times the assumed lag)"),
        ("ambient_hi_c", pl.Float64, "°C", "high end of that estimate"),
        ("thermal_class", pl.Int64, "", "thermal class 1 to 4 of the estimate (NIST TN 1474)"),
        ("dose", pl.Float64, "", "dose so far, by the profile's law; not what a body felt"),
    ),
    "gaps": _columns(
        ("set_id", pl.String, "", "the set"),
        ("wear_id", pl.String, "", "the wear"),
        ("started", TIME, "", "last pressure reading before the silence"),
        (
            "ended",
            TIME,
            "",
            "first pressure reading after it (after a wear also `power off`); without one, the end of the "
            "entry, or the last moment known of the incident",
        ),
        ("seconds", pl.Float64, "s", "length of the silence"),
        ("lost_messages", pl.Int64, "", "messages lost in it (missing numbers, not refused); null: unknown"),
        ("refused_messages", pl.Int64, "", "messages in between that were received, but refused"),
    ),
    "heard_later": _columns(
        ("set_id", pl.String, "", "the set"),
        ("wear_id", pl.String, "", "the wear"),
        ("started", TIME, "", "from when on nothing was received"),
        ("ended", TIME, "", "when something was received again; at most the end of the wear"),
        ("seconds", pl.Float64, "s", "length of this silence for the desk; `gaps` has what never arrived"),
        ("lost_messages", pl.Int64, "", "messages of it that never arrived; null: unknown"),
        ("refused_messages", pl.Int64, "", "messages of it that were received, but refused"),
        ("readings", pl.Int64, "", "pressure readings of it that arrived later"),
        ("known", TIME, "", "when the last of them had arrived"),
    ),
    "refused": _columns(
        ("set_id", pl.String, "", "the set whose messages were refused, by their topic; null for a desk's"),
        ("desk_id", pl.String, "", "the desk; null for a set's"),
        ("kind", pl.String, "", "kind of message, by the topic"),
        ("reason", pl.String, "", "what is wrong with the first of them"),
        ("path", pl.String, "", "JSON path of the field; null when the whole message is meant"),
        ("first", TIME, "", "when the first was received"),
        ("last", TIME, "", "when the last was received"),
        ("messages", pl.Int64, "", "how many"),
    ),
    "tallies": _columns(
        ("message", pl.String, "", "the tally: desk_id/boot/seq; null where it was refused"),
        ("incident_id", pl.String, "", "incident that it names"),
        ("action", pl.String, "", "in or out"),
        ("wearer_id", pl.String, "", "wearer"),
        ("set_id", pl.String, "", "the set"),
        ("team", pl.String, "", "team; null where the desk named none"),
        ("task", pl.String, "", "task; null where the desk named none"),
        ("desk_id", pl.String, "", "the desk"),
        ("said", TIME, "", "when the desk said it, reconciled clock; null where it was refused"),
        ("counts_from", TIME, "", "from when it counts; null where it was corrected or refused"),
        ("heard", TIME, "", "when the listener received it"),
        ("corrects", pl.String, "", "the tally that it replaces"),
        ("corrected_by", pl.String, "", "the tally that replaced it: this one no longer counts"),
        (
            "refused",
            pl.String,
            "",
            "why it was refused: it never counted; the other fields are from its payload",
        ),
    ),
    "answers": _columns(
        ("incident_id", pl.String, "", "incident of the call"),
        ("call", pl.String, "", "evacuate, withdraw or roll_call"),
        ("about", pl.String, "", "roll call: its roll_id; order: whom it named, empty for everybody"),
        ("message", pl.String, "", "the call: desk_id/boot/seq; null where it was never heard"),
        ("called", TIME, "", "when it was first given or called"),
        ("ended", TIME, "", "when it was lifted or closed"),
        ("wearer_id", pl.String, "", "wearer who was in then; null for a set without a tally"),
        (
            "set_id",
            pl.String,
            "",
            "the set that acknowledged, else the tally's set then; null: missing, and never tallied in",
        ),
        ("team", pl.String, "", "team of that moment"),
        ("answered", TIME, "", "acknowledged by set or voice; at a roll call: answered for"),
        ("missing", TIME, "", "when a desk first said that the wearer was missing"),
        ("out", TIME, "", "when the wearer was tallied out or the entry was closed"),
    ),
    "clocks": _columns(
        ("set_id", pl.String, "", "the set"),
        ("boot", pl.Int64, "", "the power-up"),
        ("offset_s", pl.Float64, "s", "set's clock minus listener's clock"),
        ("offset_sd_s", pl.Float64, "s", "uncertainty of the offset"),
        ("drift_ppm", pl.Float64, "ppm", "how much faster than the listener's the set's clock runs"),
        ("steps", pl.Int64, "", "how often the set's clock jumped"),
    ),
    "findings": _columns(
        ("finding_id", pl.String, "", "name of this finding; the same messages give the same name"),
        ("code", pl.String, "", "the rule"),
        ("severity", pl.String, "", "note, caution or serious"),
        ("wear_id", pl.String, "", "the wear, when there is one"),
        ("set_id", pl.String, "", "the set, when there is one"),
        ("started", TIME, "", "start of the time it is about"),
        ("ended", TIME, "", "end of that time"),
        ("statement", pl.String, "", "one sentence for a person"),
        ("evidence", TEXTS, "", "messages that prove it, as set_id/boot/seq"),
    ),
    "turn_back": _columns(
        ("wear_id", pl.String, "", "the wear"),
        ("policy", pl.String, "", "turn-back policy"),
        ("at", TIME, "", "when the wearer should have turned back by this policy; null if never"),
        ("team_at", TIME, "", "when the wearer's team should have, by its lowest member"),
        ("pressure_bar", pl.Float64, "bar", "estimated pressure at that moment"),
        ("minutes_in_hand_low_air", pl.Float64, "min", "from then to the low-air warning; null: never"),
        ("minutes_in_hand_leaving", pl.Float64, "min", "from then to the end of the wear"),
    ),
    "exposure": _columns(
        ("wear_id", pl.String, "", "the wear"),
        ("thermal_class", pl.Int64, "", "thermal class 1 to 4 (NIST TN 1474); 0: no heat reading near it"),
        ("seconds", pl.Float64, "s", "seconds of the estimate in that class"),
        ("tested_s", pl.Float64, "s", "how long equipment is tested in that class; null for 0"),
        (
            "fraction_used",
            pl.Float64,
            "",
            "seconds divided by tested seconds; an upper bound: tests use the class's highest temperature",
        ),
    ),
    "alarm_rates": _columns(
        ("incident_id", pl.String, "", "the incident; null for wears without a tally"),
        ("started", TIME, "", "first wear's start"),
        ("ended", TIME, "", "last wear's end"),
        ("alarms", pl.Int64, "", "alarms that sets reported"),
        ("mean_in_ten_minutes", pl.Float64, "", "alarms in ten minutes, on average"),
        ("most_in_minute", pl.Int64, "", "most alarms in any minute"),
        ("most_in_ten_minutes", pl.Int64, "", "most alarms in any ten minutes"),
        ("most_in_hour", pl.Int64, "", "most alarms in any hour"),
        ("beyond", pl.String, "", "which published limits (EEMUA 191, secondary source) were exceeded"),
    ),
    "floods": _columns(
        ("started", TIME, "", "first alarm of the rolling window that exceeded the limit"),
        ("ended", TIME, "", "last alarm of the last such window"),
        ("alarms", pl.Int64, "", "most alarms in any window of the flood"),
    ),
}
"""Columns of every table. `CONTRACT_TABLES` are the published contract; the rest only add to it."""

CONTRACT_TABLES = ("wears", "entries", "air", "alarms", "heat", "gaps", "clocks", "findings")
TABLES: dict[str, pl.Schema] = {
    name: pl.Schema([(column.name, column.dtype) for column in columns]) for name, columns in COLUMNS.items()
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
    notes = {column.name: (column.unit, column.meaning) for column in COLUMNS[name]}
    table = with_units(conform(name, frame).to_arrow(), notes)
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


def columns_csv(tables: Mapping[str, Notes] | None = None) -> str:
    """Return every column of tables with its unit, the unit's UCUM code and its meaning, as CSV.

    `tables`: without it, the tables of `COLUMNS`.
    """
    if tables is None:
        tables = {name: {one.name: (one.unit, one.meaning) for one in ours} for name, ours in COLUMNS.items()}
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
