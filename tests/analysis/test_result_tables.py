"""The published contract of the results, written out literally: a change here is a change of the contract."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest

from analysis.tables import COLUMNS, CONTRACT_TABLES, TABLES, conform, empty_table, to_arrow, to_csv
from analysis.writing import write_results
from ingest.contract.errors import UnderairError
from ingest.contract.units import described

TIME = pl.Datetime("us", "UTC")
CONTRACT = {
    "wears": [
        ("wear_id", pl.String),
        ("incident_id", pl.String),
        ("set_id", pl.String),
        ("wearer_id", pl.String),
        ("team", pl.String),
        ("started", TIME),
        ("ended", TIME),
        ("cylinder_count", pl.Int64),
        ("water_volume_l", pl.Float64),
        ("rated_bar", pl.Float64),
        ("start_bar", pl.Float64),
        ("end_bar", pl.Float64),
        ("free_air_l", pl.Float64),
        ("free_air_sd_l", pl.Float64),
        ("mean_l_min", pl.Float64),
        ("peak_l_min", pl.Float64),
        ("low_air_bar", pl.Float64),
        ("low_air_at", TIME),
        ("low_air_s", pl.Float64),
        ("turn_back_bar", pl.Float64),
        ("turn_back_at", TIME),
        ("peak_temperature_c", pl.Float64),
        ("heat_dose", pl.Float64),
        ("gap_s", pl.Float64),
        ("lost_messages", pl.Int64),
        ("entry_id", pl.String),
        ("restarted_from", pl.String),
    ],
    "entries": [
        ("entry_id", pl.String),
        ("incident_id", pl.String),
        ("wearer_id", pl.String),
        ("team", pl.String),
        ("set_ids", pl.List(pl.String)),
        ("wear_ids", pl.List(pl.String)),
        ("tallied_in", TIME),
        ("first_heard", TIME),
        ("entry_bar", pl.Float64),
        ("turn_back_bar", pl.Float64),
        ("turn_back_at", TIME),
        ("turn_back_noted_at", TIME),
        ("turn_back_late_s", pl.Float64),
        ("low_air_at", TIME),
        ("lowest_bar", pl.Float64),
        ("last_heard", TIME),
        ("tallied_out", TIME),
        ("ended_how", pl.String),
        ("under_air_s", pl.Float64),
        ("unheard_s", pl.Float64),
        ("free_air_l", pl.Float64),
        ("free_air_sd_l", pl.Float64),
        ("turn_back_late_bound", pl.String),
        ("turn_back_note", pl.String),
        ("other_incident_id", pl.String),
        ("other_tallied_in", TIME),
        ("turn_back_not_before", TIME),
        ("turn_back_as_last_heard", pl.Boolean),
    ],
    "air": [
        ("wear_id", pl.String),
        ("time", TIME),
        ("pressure_bar", pl.Float64),
        ("pressure_sd_bar", pl.Float64),
        ("rate_l_min", pl.Float64),
        ("rate_lo_l_min", pl.Float64),
        ("rate_hi_l_min", pl.Float64),
        ("low_air_min", pl.Float64),
        ("low_air_lo_min", pl.Float64),
        ("low_air_hi_min", pl.Float64),
        ("heard", pl.Boolean),
        ("hardest_l_min", pl.Float64),
        ("easiest_l_min", pl.Float64),
        ("low_air_hardest_min", pl.Float64),
    ],
    "alarms": [
        ("wear_id", pl.String),
        ("set_id", pl.String),
        ("alarm", pl.String),
        ("raised", TIME),
        ("acknowledged", TIME),
        ("cleared", TIME),
        ("seen", TIME),
        ("response_s", pl.Float64),
        ("source", pl.String),
        ("lead_s", pl.Float64),
        ("heard", TIME),
        ("entry_id", pl.String),
        ("wearer_id", pl.String),
    ],
    "heat": [
        ("wear_id", pl.String),
        ("time", TIME),
        ("temperature_c", pl.Float64),
        ("ambient_c", pl.Float64),
        ("ambient_lo_c", pl.Float64),
        ("ambient_hi_c", pl.Float64),
        ("thermal_class", pl.Int64),
        ("dose", pl.Float64),
    ],
    "gaps": [
        ("set_id", pl.String),
        ("wear_id", pl.String),
        ("started", TIME),
        ("ended", TIME),
        ("seconds", pl.Float64),
        ("lost_messages", pl.Int64),
        ("refused_messages", pl.Int64),  # ours, at the end: received, and so not lost
    ],
    "clocks": [
        ("set_id", pl.String),
        ("boot", pl.Int64),
        ("offset_s", pl.Float64),
        ("offset_sd_s", pl.Float64),
        ("drift_ppm", pl.Float64),
        ("steps", pl.Int64),
    ],
    "findings": [
        ("finding_id", pl.String),
        ("code", pl.String),
        ("severity", pl.String),
        ("wear_id", pl.String),
        ("set_id", pl.String),
        ("started", TIME),
        ("ended", TIME),
        ("statement", pl.String),
        ("evidence", pl.List(pl.String)),
    ],
}


def test_contract_columns_types_and_order() -> None:
    assert {name: list(TABLES[name].items()) for name in CONTRACT_TABLES} == CONTRACT


@pytest.mark.parametrize("name", TABLES)
def test_empty_table_has_its_columns(name: str) -> None:
    table = empty_table(name)
    assert table.height == 0
    assert table.schema == TABLES[name]


@pytest.mark.parametrize("name", TABLES)
def test_units_and_meanings_travel_in_the_parquet_fields(name: str) -> None:
    schema = to_arrow(name, empty_table(name), {"underair": "x"}).schema
    assert schema.metadata == {b"underair": b"x"}
    for column, (unit, meaning) in COLUMNS[name].items():
        told = {"unit": unit, **described(unit, meaning)}
        assert schema.field(column).metadata == {key.encode(): text.encode() for key, text in told.items()}
        assert meaning


def test_unit_in_the_name_agrees_with_the_unit_of_the_column() -> None:
    endings = {"_bar": "bar", "_l_min": "L/min", "_c": "°C", "_s": "s", "_min": "min", "_ppm": "ppm"}
    for columns in COLUMNS.values():
        for name, (told, _) in columns.items():
            # "_l_min" before "_min": the first ending that fits is the unit.
            unit = next((unit for ending, unit in endings.items() if name.endswith(ending)), None)
            if unit is not None:
                assert told == unit, name


def test_conform_names_what_is_missing_and_what_is_too_much() -> None:
    with pytest.raises(
        ValueError, match=r"table clocks: missing columns \['steps'\], unknown columns \['stp'\]"
    ):
        conform("clocks", empty_table("clocks").rename({"steps": "stp"}))


def test_csv_lists_nulls_times_and_formulas() -> None:
    row = {
        "finding_id": "=cmd()",
        "code": "silence",
        "severity": "note",
        "wear_id": None,
        "set_id": "-7",
        "started": datetime(2031, 5, 4, 10, 21, 7, 412003, UTC),
        "ended": None,
        "statement": 'said "so", then left',
        "evidence": ["S-1/4/10", "S-1/4/11"],
    }
    text = to_csv("findings", pl.DataFrame([row], schema=TABLES["findings"]))
    assert text.splitlines()[1] == (
        '\'=cmd(),silence,note,,\'-7,2031-05-04T10:21:07.412003Z,,"said ""so"", then left",S-1/4/10 S-1/4/11'
    )


def test_csv_numbers_have_no_more_digits_than_anybody_can_read() -> None:
    row = dict.fromkeys(TABLES["wears"]) | {"free_air_l": 1676.5501886854627, "free_air_sd_l": 0.0123456789}
    frame = pl.DataFrame([row], schema=TABLES["wears"])
    text = to_csv("wears", frame)
    assert "1676.5502," in text
    assert "0.0123457," in text
    assert to_arrow("wears", frame)["free_air_l"].to_pylist() == [1676.5501886854627]


@pytest.mark.parametrize("form", ["parquet", "csv"])
def test_a_full_disk_is_said_and_nothing_half_written_stays(tmp_path: Path, form: str) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / f"wears.{form}.part").symlink_to("/dev/full")
    results = {name: empty_table(name) for name in TABLES}
    with pytest.raises(UnderairError, match=r"cannot write the tables into .*: the disk is full.*free space"):
        write_results(results, out, form, {})
    assert list(out.iterdir()) == []
