"""Incidents and periods of an archive: found, kept apart, analysed once."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from analysis.profile import Profile
from analysis.tables import TABLES
from dashboard.results_store import ResultsStore, UnknownIncident
from ingest.frames import concat, no_messages
from tests.dashboard.invented_incident import INCIDENT, OPENED, ArchiveInMemory, Incident, at, store_with


def test_an_incident_has_its_line_its_results_and_its_messages(tmp_path: Path) -> None:
    store = store_with(Incident(wearers=3, minutes=25), tmp_path)
    (row,) = store.incidents().to_dicts()
    assert (row["key"], row["name"], row["place"]) == (INCIDENT, "Cooperage", "Fellmire Quay")
    assert (row["wears"], row["wearers"], row["alarms"], row["serious"], row["cautions"]) == (3, 3, 2, 1, 1)
    assert row["started"] == OPENED - timedelta(seconds=60 - 0.05)
    record = store.incident(INCIDENT)
    assert set(record.results) == set(TABLES)
    assert "at" in record.messages["pressure"].columns
    assert store.wears()["incident_key"].unique().to_list() == [INCIDENT]


def test_a_note_keeps_the_moment_that_it_is_about(tmp_path: Path) -> None:
    note = store_with(Incident(2, 20), tmp_path).incident(INCIDENT).messages["note"].sort("at")
    late = note.filter(pl.col("text") == "Water on").row(0, named=True)
    assert late["about"] == at(240)
    assert abs((late["at"] - at(300.05)).total_seconds()) < 0.1


def test_an_unknown_incident_is_an_error_that_names_those_known(tmp_path: Path) -> None:
    with pytest.raises(UnknownIncident, match=INCIDENT):
        store_with(Incident(1, 1), tmp_path).incident("I-9999")


def test_an_empty_archive_has_no_incident_and_no_wear(tmp_path: Path) -> None:
    archive: Any = ArchiveInMemory(tmp_path, no_messages())
    store = ResultsStore(archive, Profile.default())
    assert store.incidents().is_empty()
    assert store.wears().is_empty()


def test_half_an_hour_of_silence_parts_two_periods_and_each_is_analysed_once(tmp_path: Path) -> None:
    incident = Incident(1, 2)
    columns = ("received", "time")
    later = {
        kind: frame.with_columns(
            *(pl.col(name) + timedelta(hours=3) for name in columns if name in frame.columns)
        )
        for kind, frame in incident.messages.items()
    }
    asked: list[int] = []

    def analyse(messages: dict[str, pl.DataFrame], _profile: Profile) -> dict[str, pl.DataFrame]:
        asked.append(len(messages["pressure"]))
        return incident.results

    archive: Any = ArchiveInMemory(tmp_path, concat([incident.messages, later]))
    store = ResultsStore(archive, Profile.default(), analyse_messages=analyse)
    assert len(store.incidents()) == 2
    store.wears()
    store.incident(INCIDENT)
    assert asked == [120, 120]
    # A file that comes makes the store look again; only the period that grew is analysed anew.
    (tmp_path / "part.parquet").write_bytes(b"x")
    store.incidents()
    assert asked == [120, 120]


def test_retained_messages_tell_no_time(tmp_path: Path) -> None:
    incident = Incident(1, 2)
    old = incident.messages["pressure"].head(1)
    old = old.with_columns(pl.col("received") - timedelta(days=2), retained=pl.lit(value=True))
    incident.messages["pressure"] = pl.concat([old, incident.messages["pressure"]])
    assert len(store_with(incident, tmp_path).incidents()) == 1


def test_wears_without_a_tally_form_their_own_line(tmp_path: Path) -> None:
    incident = Incident(2, 20)
    nobody = pl.when(pl.col("set_id") == "S-002").then(None)
    incident.results["wears"] = incident.results["wears"].with_columns(
        nobody.otherwise(pl.col(name)).alias(name) for name in ("incident_id", "wearer_id", "team")
    )
    store = store_with(incident, tmp_path)
    keys = store.incidents()["key"].sort().to_list()
    assert keys == [INCIDENT, "untallied-20310504T0959Z"]
    untallied = store.incident(keys[1])
    assert untallied.results["wears"]["set_id"].to_list() == ["S-002"]
    assert untallied.results["air"]["wear_id"].unique().to_list() == ["S-002/1/1"]
    assert untallied.results["findings"]["set_id"].unique().to_list() == ["S-002"]
