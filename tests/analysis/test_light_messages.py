"""An incident's messages without their bytes in memory: the same messages, figures and capture."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from analysis.incident import analyse, analysed
from analysis.pieces.archive_pieces import incident_piece, light_incident_piece
from analysis.pieces.batch_messages import VERBATIM, LightMessages
from analysis.profile import Profile
from analysis.records import NUMBERS
from dashboard.evidence.case_messages import capture_lines, chosen_of
from dashboard.incident_record import record_of
from ingest.archive.sealing import seal_messages
from ingest.contract.errors import ArchiveProblem
from ingest.contract.frames import frames_from_heard, no_messages
from sample_logs.simulation.scenario import build_incident

INCIDENT = "TH-20310509-2350"


@pytest.fixture(scope="module")
def sealed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("light") / "archive"
    folder.mkdir()
    staged = build_incident(1, datetime(2031, 5, 9, 23, 50, tzinfo=UTC))
    assert staged.incident_id == INCIDENT
    seal_messages(folder, frames_from_heard(staged.heard), "one")
    return folder


@pytest.fixture
def archive(sealed: Path, tmp_path: Path) -> Path:
    """A copy that a test may change."""
    shutil.copytree(sealed, tmp_path / "archive")
    return tmp_path / "archive"


def light_of(archive: Path) -> LightMessages:
    messages, _ = light_incident_piece(archive, INCIDENT)
    assert isinstance(messages, LightMessages)
    return messages


def test_readings_are_read_when_asked_for_and_are_those_of_the_whole(archive: Path) -> None:
    light, (whole, scope) = light_of(archive), incident_piece(archive, INCIDENT)
    assert light_incident_piece(archive, INCIDENT)[1] == scope
    assert {"motion", "temperature"} <= set(light.readings) <= set(NUMBERS)
    for kind, frame in whole.items():
        columns = light[kind].columns
        assert light[kind].height == frame.height
        assert light[kind].sort(columns).equals(frame.select(columns).sort(columns))


def test_tables_and_clocks_are_those_of_the_whole(archive: Path) -> None:
    light, (whole, _) = light_of(archive), incident_piece(archive, INCIDENT)
    of_light = analysed(light, Profile.default(), INCIDENT).results
    of_whole = analyse(whole, Profile.default(), INCIDENT)
    assert all(of_light[name].equals(of_whole[name]) for name in of_whole)
    one, other = (record_of(each, Profile.default(), INCIDENT, None) for each in (light, whole))
    identity = ["set_id", "boot", "seq", "received"]
    for kind, frame in other.messages.items():
        if "at" in frame.columns and "set_id" in frame.columns:
            at = [each.messages[kind].select(*identity, "at").sort(identity) for each in (one, other)]
            assert at[0].equals(at[1]), kind


def test_stretches_hold_every_byte_in_the_order_received(archive: Path) -> None:
    light, (whole, _) = light_of(archive), incident_piece(archive, INCIDENT)
    lots = list(light.stretches(500))
    assert len(lots) > 5
    ends = [max(frame["received"].max() for frame in lot.values() if len(frame)) for lot in lots]
    assert ends == sorted(ends)
    for kind, frame in whole.items():
        columns = VERBATIM if kind in light.readings else frame.columns
        together = pl.concat([lot[kind].select(columns) for lot in lots])
        by = ["received", "topic", "payload"]
        assert together.sort(by).equals(frame.select(columns).sort(by)), kind


def test_the_capture_is_that_of_the_whole(archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    light, (whole, _) = light_of(archive), incident_piece(archive, INCIDENT)
    sets = set(whole["tally"]["set_id"])
    made = b"".join(capture_lines(chosen_of(whole, sets, INCIDENT)))
    monkeypatch.setattr("dashboard.evidence.case_messages.LINES_AT_ONCE", 700)
    assert b"".join(capture_lines(chosen_of(light, sets, INCIDENT))) == made
    some = set(sorted(sets)[:2])
    few = b"".join(capture_lines(chosen_of(light, some, INCIDENT)))
    assert few == b"".join(capture_lines(chosen_of(whole, some, INCIDENT)))
    assert few != made


def test_chosen_messages_come_with_their_bytes(archive: Path) -> None:
    light, (whole, _) = light_of(archive), incident_piece(archive, INCIDENT)
    chosen = light["pressure"].sort("received").slice(20, 3)
    found = light.verbatim("pressure", chosen)
    expected = whole["pressure"].join(chosen, on=["set_id", "boot", "seq", "received"], how="semi")
    assert sorted(found["payload"]) == sorted(expected["payload"])
    assert len(found) == 3


def test_where_an_identity_came_twice_the_payloads_are_held(archive: Path) -> None:
    frame = pl.read_parquet(next((archive / "pressure").rglob("*.parquet")))
    one = frame.filter(~pl.col("retained")).slice(30, 1)
    other = one.with_columns(pl.col("payload") + " ", pl.col("pressure_bar") + 1.0)
    seal_messages(archive, {**no_messages(), "pressure": other}, "other")
    light = light_of(archive)
    assert "pressure" not in light.readings
    assert "motion" in light.readings
    assert "payload" in light["pressure"].columns


def test_an_archive_that_changes_meanwhile_is_said(archive: Path) -> None:
    light = light_of(archive)
    frame = pl.read_parquet(next((archive / "motion").rglob("*.parquet")))
    late = frame.sort("received").slice(frame.height // 2, 1)
    late = late.with_columns(
        pl.col("seq") + 1_000_000, pl.col("received") + timedelta(microseconds=1), pl.col("payload") + " "
    )
    seal_messages(archive, {**no_messages(), "motion": late}, "late")
    with pytest.raises(ArchiveProblem, match="while the archive was read: try again"):
        list(light.stretches(10_000))
