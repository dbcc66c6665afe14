"""The rows that are on screen, taken away as CSV or Parquet."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from datetime import datetime

import polars as pl
import pyarrow.parquet as pq
import pytest

from dashboard.evidence.export import rows_as_csv, rows_as_parquet, visible_rows
from dashboard.review.view import Bench, Look, request_of
from tests.dashboard.invented_incident import DISTRESS_AT_S, INCIDENT, SILENT_FROM_S, Incident, at, store_with


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return Bench(store_with(Incident(wearers=3, minutes=30), tmp_path_factory.mktemp("archive")))


def look_at(bench: Bench, start: float, end: float, **more: str) -> Look:
    view = {"incident": INCIDENT, "people": "W-01,W-02", "from": str(ms(start)), "to": str(ms(end))}
    return bench.look(request_of(view | more))


def ms(second: float) -> float:
    return at(second).timestamp() * 1000


def test_only_the_window_and_the_chosen_people_are_there(bench: Bench) -> None:
    frame, _ = visible_rows(look_at(bench, 100, 160))
    assert len(frame) == 2 * 61
    assert frame["wearer_id"].unique().sort().to_list() == ["W-01", "W-02"]
    assert (frame["time_utc"].min(), frame["time_utc"].max()) == (at(100), at(160))


def test_gaps_are_empty_and_never_filled(bench: Bench) -> None:
    frame, _ = visible_rows(look_at(bench, SILENT_FROM_S + 2, SILENT_FROM_S + 170, people="W-02"))
    for column in ("pressure_reading", "motion_reading", "temperature_reading", "rate_estimate"):
        assert frame[column].null_count() == len(frame)
    assert frame["rate_estimate_low"].null_count() == 0
    assert frame["alarms"].unique().to_list() == ["silent"]


def test_csv_names_units_and_is_what_the_screen_shows(bench: Bench) -> None:
    text = rows_as_csv(look_at(bench, DISTRESS_AT_S, DISTRESS_AT_S + 30, units="imperial")).decode()
    rows = list(csv.DictReader(io.StringIO(text)))
    assert set(rows[0]) >= {
        "pressure_reading [psi, UCUM [psi]]",
        "rate_estimate [ft³/min, UCUM [ft_i]3/min]",
        "temperature_reading [°F, UCUM [degF]]",
        "motion_reading [m/s², UCUM m/s2]",
    }
    assert rows[0]["time_utc"] == "2031-05-04T10:15:00.000Z"
    distressed = [row for row in rows if row["wearer_id"] == "W-02"]
    assert distressed[0]["alarms"] == "distress reported"
    assert distressed[20]["alarms"].endswith("no_motion derived")
    metric = visible_rows(look_at(bench, DISTRESS_AT_S, DISTRESS_AT_S + 30))[0].row(0, named=True)
    assert float(rows[0]["pressure_estimate [psi, UCUM [psi]]"]) == pytest.approx(
        metric["pressure_estimate"] * 14.503774, 1e-6
    )


def test_parquet_carries_units_in_its_metadata(bench: Bench) -> None:
    data = rows_as_parquet(look_at(bench, 0, 30))
    schema = pq.read_schema(io.BytesIO(data))
    assert schema.field("pressure_estimate").metadata[b"unit"] == b"bar"
    assert schema.field("temperature_reading").metadata == {b"unit": "°C".encode(), b"ucum": b"Cel"}
    assert pl.read_parquet(io.BytesIO(data)).equals(visible_rows(look_at(bench, 0, 30))[0])


def test_a_name_that_a_spreadsheet_would_run_is_made_harmless(bench: Bench) -> None:
    look = look_at(bench, 0, 5)
    look = replace(look, lanes=[replace(look.lanes[0], wearer_id="-1+2")])
    (first, *_) = csv.DictReader(io.StringIO(rows_as_csv(look).decode()))
    assert first["wearer_id"] == "'-1+2"


def test_on_another_clock_the_local_time_stands_beside_utc(bench: Bench) -> None:
    look = look_at(bench, 100, 110, zone="Europe/Berlin")
    (first, *_) = list(csv.DictReader(io.StringIO(rows_as_csv(look).decode())))
    local = first["time_local [Europe/Berlin]"]
    assert local.endswith("+02:00")
    assert datetime.fromisoformat(local) == datetime.fromisoformat(first["time_utc"])
    assert (
        pq.read_table(io.BytesIO(rows_as_parquet(look))).schema.field("time_local").type.tz == "Europe/Berlin"
    )
