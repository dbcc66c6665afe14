"""What others read without us: the archive and the results in DuckDB, pandas and pyarrow, by path alone."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow.parquet as pq
import pytest

from analysis.pieces.piecewise import analyse_archive
from analysis.profile import Profile
from analysis.tables import TABLES
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.contract.columns import TABLES as KINDS_AND_REFUSED
from ingest.contract.frames import Messages, drop_duplicates, frames_from_heard
from sample_logs.drills import build_radio_troubles
from sample_logs.simulation.scenario import build_late_turn_back

OPENED = datetime(2031, 5, 4, 19, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("readers") / "archive"
    folder.mkdir()
    for day, build in enumerate((build_late_turn_back, build_radio_troubles)):
        heard = build(day + 1, OPENED + timedelta(days=day)).heard
        seal_messages(folder, frames_from_heard(heard), f"day-{day}")
    return folder


@pytest.fixture(scope="module")
def messages(archive: Path) -> Messages:
    return Archive(archive).messages()


@pytest.fixture(scope="module")
def results(archive: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("results")
    analyse_archive(archive, Profile.default(), out, "parquet", {})
    return out


@pytest.fixture
def database() -> Iterator[Any]:
    import duckdb

    with duckdb.connect() as database:
        yield database


def test_duckdb_reads_every_kind_of_the_archive(archive: Path, messages: Messages, database: Any) -> None:
    kinds = [kind for kind in KINDS_AND_REFUSED if (archive / kind).exists()]
    assert {"pressure", "tally", "setup"} <= set(kinds)
    for kind in kinds:
        parts = f"read_parquet('{archive}/{kind}/date=*/*.parquet', hive_partitioning = true)"
        found = database.sql(f"select * from {parts}").to_arrow_table()
        assert found.num_rows == messages[kind].height, kind
        assert [name for name in found.column_names if name != "date"] == messages[kind].columns
    days = database.sql(f"select distinct date from {parts} order by date").fetchall()
    first = f"read_parquet('{archive}/pressure/date=*/*.parquet', hive_partitioning = true)"
    one_day = database.sql(f"select count(*) from {first} where date = '2031-05-04'").fetchall()[0]
    assert days
    assert one_day == (messages["pressure"].filter(pl.col("received").dt.date() == OPENED.date()).height,)


def test_duckdb_answers_a_question_as_we_do(archive: Path, messages: Messages, database: Any) -> None:
    """The lowest pressure of each set, and that a payload is the message that was sent."""
    parts = f"read_parquet('{archive}/pressure/date=*/*.parquet')"
    lowest = database.sql(f"select set_id, min(pressure_bar) from {parts} group by all order by all")
    found = lowest.fetchall()
    row = database.sql(f"select payload, pressure_bar from {parts} limit 1").fetchall()[0]
    ours = messages["pressure"].group_by("set_id").agg(pl.col("pressure_bar").min()).sort("set_id")
    assert found == ours.rows()
    assert json.loads(row[0])["pressure_bar"] == row[1]


def test_pandas_reads_the_archive_and_the_results(archive: Path, messages: Messages, results: Path) -> None:
    import pandas as pd

    pressure = pd.read_parquet(archive / "pressure")
    assert len(pressure) == messages["pressure"].height
    assert str(pressure["time"].dtype) == "datetime64[us, UTC]"
    assert pressure["pressure_bar"].sum() == pytest.approx(
        messages["pressure"]["pressure_bar"].sum(), rel=1e-12
    )
    wears = pd.read_parquet(results / "wears.parquet")
    ours = pl.read_parquet(results / "wears.parquet")
    assert wears["wear_id"].tolist() == ours["wear_id"].to_list()
    assert wears["free_air_l"].tolist() == ours["free_air_l"].to_list()


def test_duckdb_joins_the_results(results: Path, database: Any) -> None:
    """Litres per incident, from the wears, and seconds of the grid of each wear, from the air."""
    for name in TABLES:
        found = database.sql(f"select * from '{results}/{name}.parquet'").to_arrow_table()
        assert found.column_names == list(TABLES[name])
    joined = database.sql(
        f"select w.incident_id, sum(w.free_air_l), sum(a.lasted) from '{results}/wears.parquet' w "
        f"join (select wear_id, count(*) as lasted from '{results}/air.parquet' group by all) a "
        "using (wear_id) group by all order by all"
    ).fetchall()
    wears, air = (pl.read_parquet(results / f"{name}.parquet") for name in ("wears", "air"))
    assert [row[0] for row in joined] == sorted(wears["incident_id"].unique())
    assert sum(row[1] for row in joined) == pytest.approx(wears["free_air_l"].sum(), rel=1e-12)
    assert sum(row[2] for row in joined) == air.height


def test_pyarrow_sees_the_partitions_and_the_units(archive: Path, messages: Messages, results: Path) -> None:
    import pyarrow.dataset as ds  # brings pandas, which no other worker needs

    pressure = ds.dataset(archive / "pressure", partitioning="hive")
    assert pressure.count_rows() == drop_duplicates(messages)["pressure"].height
    day = pressure.filter(ds.field("date") == "2031-05-04")
    assert 0 < day.count_rows() < pressure.count_rows()
    stored = pq.read_schema(results / "air.parquet")
    assert stored.field("rate_l_min").metadata[b"unit"] == b"L/min"
