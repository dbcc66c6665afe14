"""An archive analysed piece by piece: the figures of the whole, from an index that is never trusted."""

from __future__ import annotations

import functools
import io
import json
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

import analysis.pieces.pieces
from analysis.incident import analyse
from analysis.pieces.archive_pieces import (
    incident_piece,
    incidents_in,
    pieces_of,
)
from analysis.pieces.batch_messages import messages_of
from analysis.pieces.piecewise import analyse_archive, analyse_batch
from analysis.profile import Profile
from analysis.tables import TABLES, TEXTS, Results
from ingest.archive.index import FOLDER, ArchiveIndex
from ingest.archive.journal import Record
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.archive.sound import trouble_of
from ingest.archive.tidying import tidy
from ingest.archive.verifying import verify
from ingest.contract.captures import Heard
from ingest.contract.frames import Messages, drop_duplicates, frames_from_heard
from ingest.contract.times import micros
from ingest.parquet_bytes import parquet_bytes, sealed, unsealed
from sample_logs.drills import build_clock_troubles, build_radio_troubles
from sample_logs.simulation.scenario import build_incident, build_late_turn_back
from sample_logs.simulation.staging import SimulatedIncident
from tests.faults.journal_reading import segment_bytes
from tests.verbs import underair

PROFILE = Profile.default()
OPENED = datetime(2031, 5, 4, 19, 12, tzinfo=UTC)


@functools.cache
def all_staged() -> tuple[SimulatedIncident, ...]:
    return (
        build_incident(1, OPENED),
        build_clock_troubles(2, OPENED + timedelta(days=1, hours=3)),
        build_radio_troubles(3, OPENED + timedelta(days=3)),
        # Begins before midnight (UTC) and ends after it.
        build_late_turn_back(4, datetime(2031, 5, 9, 23, 50, tzinfo=UTC)),
    )


def seal(archive: Path, messages: Messages, name: str) -> None:
    archive.mkdir(exist_ok=True)
    seal_messages(archive, messages, name)


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("pieces") / "archive"
    for number, staged in enumerate(all_staged()):
        seal(folder, frames_from_heard(staged.heard), f"log-{number}")
    return folder


@pytest.fixture(scope="module")
def small_archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Without the largest incident."""
    folder = tmp_path_factory.mktemp("small") / "archive"
    for number, staged in enumerate(all_staged()[1:]):
        seal(folder, frames_from_heard(staged.heard), f"log-{number}")
    return folder


@pytest.fixture
def own(archive: Path, tmp_path: Path) -> Path:
    """A copy of the archive that a test may change."""
    shutil.copytree(archive, tmp_path / "archive")
    return tmp_path / "archive"


@pytest.fixture
def small(small_archive: Path, tmp_path: Path) -> Path:
    """A copy of the small archive that a test may change."""
    shutil.copytree(small_archive, tmp_path / "archive")
    return tmp_path / "archive"


@pytest.fixture(scope="module")
def whole(archive: Path) -> Results:
    return analyse(Archive(archive).messages(), PROFILE)


@pytest.fixture(scope="module")
def small_whole(small_archive: Path) -> Results:
    return analyse(Archive(small_archive).messages(), PROFILE)


def in_pieces(archive: Path) -> Results:
    lots = [analyse_batch(archive, batch, PROFILE) for batch in pieces_of(archive).batches()]
    return {name: pl.concat([lot[name] for lot in lots]) for name in TABLES}


def assert_same(found: Results, expected: Results) -> None:
    """To the bit, in whatever order."""
    for name, table in expected.items():
        columns = [column for column, dtype in table.schema.items() if dtype != TEXTS]
        assert found[name].sort(columns).equals(table.sort(columns)), name


def test_the_pieces_give_what_the_whole_gives(archive: Path, whole: Results) -> None:
    assert whole["wears"].height > 20
    assert_same(in_pieces(archive), whole)


def test_small_batches_give_the_same_in_the_same_order(
    archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    at_once = in_pieces(archive)
    monkeypatch.setattr(analysis.pieces.pieces, "BATCH_PIECES", 1)
    assert len(list(pieces_of(archive).batches())) == pieces_of(archive).table.height
    one_by_one = in_pieces(archive)
    assert all(one_by_one[name].equals(table) for name, table in at_once.items())


def test_each_incident_is_one_piece_and_opens_as_the_whole_has_it(archive: Path) -> None:
    pieces = pieces_of(archive)
    assert sorted(pieces.incidents["incident_id"]) == sorted(one.incident_id for one in all_staged())
    assert pieces.incidents["piece"].n_unique() == len(all_staged())
    everything = Archive(archive).messages()
    for staged in all_staged():
        messages, scope = incident_piece(archive, staged.incident_id)
        found = analyse(messages, PROFILE, staged.incident_id, scope=scope)
        expected = analyse(everything, PROFILE, staged.incident_id)
        assert found["wears"].height > 0
        for name, table in expected.items():
            assert found[name].equals(table), (staged.incident_id, name)


def test_one_incident_reads_only_its_own(archive: Path) -> None:
    assert incidents_in(archive)["incident_id"].to_list() == [one.incident_id for one in all_staged()]
    messages = incident_piece(archive, all_staged()[1].incident_id)[0]
    heard = frames_from_heard(all_staged()[1].heard)
    assert set(messages["pressure"]["set_id"]) <= set(heard["pressure"]["set_id"])
    assert messages["pressure"]["received"].min() >= heard["pressure"]["received"].min()


def test_a_piece_holds_only_its_own_sets(archive: Path) -> None:
    for batch in pieces_of(archive).batches():
        wanted = batch.power_ups.group_by("piece").agg(pl.struct("set_id", "boot").alias("who"))
        expected = dict(wanted.iter_rows())
        for (messages, scope), piece in zip(messages_of(archive, batch), batch.table["piece"], strict=True):
            found = {(row["set_id"], row["boot"]) for row in messages["pressure"].iter_rows(named=True)}
            assert found <= {(who["set_id"], who["boot"]) for who in expected.get(piece, [])}
            assert not (scope.of_desk and found)


@pytest.mark.parametrize("harm", ["garbage", "another archive's", "no version"])
def test_an_index_that_is_no_good_is_made_again(small: Path, small_whole: Results, harm: str) -> None:
    pieces_of(small)
    index = small / FOLDER
    files = sorted(index.iterdir())
    assert {"desks.parquet", "setups.parquet"} < {path.name for path in files}
    if harm == "garbage":
        for path in files:
            path.write_bytes(path.read_bytes()[:100])
    elif harm == "another archive's":
        other = small.parent / "other"
        seal(other, frames_from_heard(all_staged()[3].heard), "other")
        ArchiveIndex(other).bring_up_to_date()
        for path in files:
            source = other / FOLDER / path.name
            if source.exists():
                shutil.copy(source, path)
    else:
        for path in files:
            path.write_bytes(sealed(parquet_bytes(pl.read_parquet(io.BytesIO(unsealed(path.read_bytes()))))))
    assert_same(in_pieces(small), small_whole)


def test_a_damaged_part_is_named(own: Path) -> None:
    part = next((own / "motion").rglob("*.parquet"))
    part.write_bytes(part.read_bytes()[:-10])
    pieces_of(own)
    assert [fault.where for fault in trouble_of(own)] == [part.relative_to(own).as_posix()]


def test_parts_that_come_later_are_seen_and_merging_changes_nothing(
    small: Path, small_whole: Results
) -> None:
    lately = build_radio_troubles(9, OPENED + timedelta(days=6))
    assert_same(in_pieces(small), small_whole)
    seal(small, frames_from_heard(lately.heard), "lately")
    assert lately.incident_id in incidents_in(small)["incident_id"].to_list()
    found = in_pieces(small)
    assert_same(found, analyse(Archive(small).messages(), PROFILE))
    half = len(all_staged()[1].heard) // 2
    seal(small, frames_from_heard(all_staged()[1].heard[:half]), "again")  # duplicates: nothing new
    assert tidy(small, datetime(2032, 1, 1, tzinfo=UTC), grace_s=0.0).parts_after > 0
    assert_same(in_pieces(small), found)


def test_what_is_not_sealed_yet_belongs_to_it(tmp_path: Path) -> None:
    """The first half lies in parts, the second in a journal: an incident across both."""
    staged = all_staged()[2]
    half = len(staged.heard) // 2
    archive = tmp_path / "archive"
    seal(archive, frames_from_heard(staged.heard[:half]), "first")
    folder = archive / "journal" / "listener-1"
    folder.mkdir(parents=True)
    records = [
        Record(micros(one.received), one.topic, one.payload, one.retained) for one in staged.heard[half:]
    ]
    (folder / "20310504T102107000000Z.journal").write_bytes(segment_bytes([records]))
    expected = analyse(frames_from_heard(staged.heard), PROFILE)
    whole = drop_duplicates(frames_from_heard(staged.heard))
    assert Archive(archive).messages()["pressure"].height == whole["pressure"].height
    assert Archive(archive).unsealed()["pressure"].height > 1000
    assert_same(in_pieces(archive), expected)
    messages, scope = incident_piece(archive, staged.incident_id)
    found = analyse(messages, PROFILE, staged.incident_id, scope=scope)
    assert_same(found, analyse(frames_from_heard(staged.heard), PROFILE, staged.incident_id))


def test_an_archive_that_may_only_be_read(small: Path, small_whole: Results) -> None:
    shutil.rmtree(small / FOLDER, ignore_errors=True)
    (small / FOLDER).write_bytes(b"in the way: no index can be written")
    assert_same(in_pieces(small), small_whole)


def test_a_setup_heard_days_before_is_known(tmp_path: Path) -> None:
    """A set that says what it is only once: the wear of the next week still has its litres."""
    messages = frames_from_heard(all_staged()[2].heard)
    early = messages["setup"].with_columns(
        pl.col("received", "time") - pl.duration(days=5), pl.col("boot") + 1_000_000
    )
    archive = tmp_path / "archive"
    seal(archive, {**messages, "setup": early}, "a")
    found, expected = in_pieces(archive), analyse({**messages, "setup": early}, PROFILE)
    assert found["wears"]["free_air_l"].null_count() == 0
    for name in ("wears", "air", "alarms", "heat", "gaps", "findings", "turn_back"):
        columns = [column for column, dtype in expected[name].schema.items() if dtype != TEXTS]
        assert found[name].sort(columns).equals(expected[name].sort(columns)), name


def test_a_note_brought_in_later_stands_where_it_belongs(own: Path) -> None:
    """A radio log from a CSV, a month after: it does not stretch the incident, and is part of it."""
    late = OPENED + timedelta(days=30)
    note = {"kind": "note", "desk_id": "D-8", "boot": 1, "seq": 0, "time": late.isoformat()}
    note |= {"incident_id": all_staged()[0].incident_id, "set_id": "S-012", "text": "objective reached"}
    note |= {"at": (OPENED + timedelta(minutes=9)).isoformat(), "certainty": "estimated"}
    heard = Heard(late, "underair/v1/tarnhollow/desk/D-8/note", json.dumps(note).encode())
    seal(own, frames_from_heard([heard]), "radio-log")
    messages, scope = incident_piece(own, all_staged()[0].incident_id)
    assert messages["pressure"]["received"].max() < OPENED + timedelta(days=1)
    assert messages["note"].filter(pl.col("desk_id") == "D-8").height == 1
    assert_same(in_pieces(own), analyse(Archive(own).messages(), PROFILE))
    found = analyse(messages, PROFILE, all_staged()[0].incident_id, scope=scope)
    assert_same(found, analyse(Archive(own).messages(), PROFILE, all_staged()[0].incident_id))


def tally_of(set_id: str, wearer_id: str, incident_id: str, action: str, at: datetime, seq: int) -> Messages:
    payload = (
        f'{{"kind":"tally","desk_id":"D-9","boot":1,"seq":{seq},"time":"{at.isoformat()}",'
        f'"incident_id":"{incident_id}","action":"{action}","set_id":"{set_id}","wearer_id":"{wearer_id}"}}'
    )
    record = (at + timedelta(seconds=0.05), "underair/v1/trial/desk/D-9/tally", payload.encode(), False)
    return frames_from_heard([record])


def test_what_belongs_together_stays_together(own: Path) -> None:
    """A set of one incident tallied to another while it is on: both are one piece; and so for a wearer."""
    before = pieces_of(own)
    wears = analyse(Archive(own).messages(), PROFILE)["wears"]
    first = wears.filter(pl.col("incident_id") == all_staged()[0].incident_id).row(0, named=True)
    at = first["started"] + timedelta(minutes=2)
    seal(own, tally_of(first["set_id"], "W-900", "another", "in", at, 1), "tally-1")
    seal(own, tally_of("S-900", first["wearer_id"], "third", "in", at, 2), "tally-2")
    after = pieces_of(own)
    number = dict(after.incidents.select("incident_id", "piece").iter_rows())
    assert number[all_staged()[0].incident_id] == number["another"] == number["third"]
    assert len(set(number.values())) == before.incidents.height
    assert_same(in_pieces(own), analyse(Archive(own).messages(), PROFILE))


def test_messages_since_the_pieces_were_found_are_left_for_the_next_run(
    small: Path, small_whole: Results
) -> None:
    pieces = pieces_of(small)
    later = build_radio_troubles(9, OPENED + timedelta(days=6))
    seal(small, frames_from_heard(later.heard), "later")
    lots = [analyse_batch(small, batch, PROFILE) for batch in pieces.batches()]
    assert_same({name: pl.concat([lot[name] for lot in lots]) for name in TABLES}, small_whole)


def test_progress_is_in_messages_and_ends_at_the_whole(archive: Path, tmp_path: Path) -> None:
    told: list[tuple[int, int]] = []
    written = analyse_archive(
        archive, PROFILE, tmp_path / "out", "parquet", {}, progress=lambda *now: told.append(now)
    )
    assert told[-1][0] == told[-1][1] > 50_000
    assert written.rows["wears"] == pl.read_parquet(tmp_path / "out" / "wears.parquet").height > 20
    assert sum(written.findings.values()) == written.rows["findings"]


def test_memory_follows_the_batch(archive: Path) -> None:
    """Nothing of the other pieces is read: each batch brings in its own messages and no more."""
    pieces = pieces_of(archive)
    read: list[int] = []
    for batch in pieces.batches():
        read.append(
            sum(sum(frame.height for frame in one.values()) for one, _ in messages_of(archive, batch))
        )
        assert read[-1] <= 1.05 * batch.table["rows"].sum() + 100
    assert sum(read) > 50_000


def test_tidy_brings_the_index_up_to_date(own: Path) -> None:
    assert underair("tidy", "--archive", own, "--json").returncode == 0
    days = {path.name.removeprefix("date=") for path in own.glob("*/date=*")}
    made = {path.name: path.stat().st_mtime_ns for path in (own / FOLDER).iterdir()}
    assert {"desks.parquet", "setups.parquet", "stored.parquet"} | {
        f"sets.{day}.parquet" for day in days
    } == set(made)
    pieces_of(own)
    assert {path.name: path.stat().st_mtime_ns for path in (own / FOLDER).iterdir()} == made


def test_the_index_keeps_to_its_folder_and_verify_passes_it_over(own: Path) -> None:
    before = {path: path.stat().st_mtime_ns for path in own.rglob("*") if FOLDER not in path.parts}
    pieces_of(own)
    assert {path: path.stat().st_mtime_ns for path in before} == before
    assert verify(own).faults == []
