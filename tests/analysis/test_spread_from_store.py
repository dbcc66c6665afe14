"""Workers that read an archive on a store : the bytes of one on a disk."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from analysis.pieces.piecewise import analyse_archive
from analysis.pieces.spread import spread_over
from analysis.profile import Profile
from analysis.tables import TABLES
from ingest.archive.sealing import seal_messages
from ingest.archive.store import place
from ingest.contract.frames import frames_from_heard
from sample_logs.drills import build_radio_troubles
from tests.store_stand_in import Store, told_of

OPENED = datetime(2031, 5, 4, 19, 12, tzinfo=UTC)


@pytest.fixture
def store(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[Path]:
    (tmp_path / "seaweedfs").mkdir()
    seaweedfs = Store(tmp_path / "seaweedfs")
    with told_of(monkeypatch, seaweedfs, tmp_path / "work"):
        yield place(f"s3://{seaweedfs.bucket}/archive")
    seaweedfs.stop()


def test_workers_read_the_store_themselves(store: Path, tmp_path: Path) -> None:
    from distributed import LocalCluster

    messages = frames_from_heard(build_radio_troubles(1, OPENED).heard)
    (tmp_path / "archive").mkdir()
    for archive in (store, tmp_path / "archive"):
        seal_messages(archive, messages, "one")
    here = analyse_archive(tmp_path / "archive", Profile.default(), tmp_path / "here", "parquet", {})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)  # sockets of the cluster's own closing
        with LocalCluster(
            n_workers=1, threads_per_worker=1, host="127.0.0.1", dashboard_address="127.0.0.1:0"
        ) as cluster:
            engine = str(cluster.scheduler_address).replace("tcp://", "dask://")
            with spread_over(engine) as run:
                there = analyse_archive(store, Profile.default(), tmp_path / "there", "parquet", {}, run)
    assert there == here
    assert here.rows["wears"] > 1
    for name in TABLES:
        first, second = (tmp_path / one / f"{name}.parquet" for one in ("here", "there"))
        assert first.read_bytes() == second.read_bytes(), name
