"""Files made of tables where nothing more can be written: an error in words, and no remains."""

from __future__ import annotations

import contextlib
import resource
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest

from analysis.pieces.archive_pieces import pieces_of
from analysis.pieces.piecewise import PieceTask, work
from analysis.profile import Profile
from dashboard.trends.wear_ledger import read_table, write_table
from ingest.archive.sealing import seal_messages
from ingest.contract.frames import frames_from_heard
from sample_logs.simulation.scenario import build_late_turn_back


@contextlib.contextmanager
def no_room() -> Iterator[None]:
    """No file may grow beyond 100 bytes: what a full disk does, without one."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("full") / "archive"
    folder.mkdir()
    heard = build_late_turn_back(3, datetime(2031, 5, 4, 19, 12, tzinfo=UTC)).heard
    seal_messages(folder, frames_from_heard(heard), "log")
    return folder


def test_an_index_that_cannot_be_written_is_made_in_memory(archive: Path) -> None:
    with no_room():
        found = pieces_of(archive)
    assert not list((archive / "index").iterdir())
    assert found.table.equals(pieces_of(archive).table)
    assert list((archive / "index").iterdir())


def test_a_table_of_the_ledger_leaves_nothing_behind(tmp_path: Path) -> None:
    table = pl.DataFrame({"number": range(10_000)})
    write_table(table.head(1), tmp_path / "wears.parquet")
    with no_room(), pytest.raises(OSError, match="too large"):
        write_table(table, tmp_path / "wears.parquet")
    assert [path.name for path in tmp_path.iterdir()] == ["wears.parquet"]
    kept = read_table(tmp_path / "wears.parquet", table.schema)
    assert kept is not None
    assert kept.height == 1


def test_a_worker_says_what_the_machine_refused(archive: Path, tmp_path: Path) -> None:
    batch = next(pieces_of(archive).batches())
    task = PieceTask(0, 1, archive, batch, Profile.default(), tmp_path)
    with no_room(), pytest.raises(OSError, match="too large"):
        work(task)
