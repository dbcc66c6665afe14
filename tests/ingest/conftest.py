"""Messages of the contract, made by number."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import settings

from ingest.archive.store import place
from ingest.contract.captures import Heard

if TYPE_CHECKING:
    from tests.store_stand_in import Store

# What is tested is whether it is right; on a loaded machine any single example may take its time. Outside CI
# each run draws other examples.
settings.register_profile("unhurried", deadline=None, max_examples=50)
settings.load_profile("unhurried")

START = datetime(2031, 5, 4, 10, 0, tzinfo=UTC)


def make_pressure(seq: int, set_id: str = "S-014", pressure_bar: float = 200.5, **fields: Any) -> Heard:
    """One pressure message a second from one set."""
    at = START + timedelta(seconds=seq)
    payload = {
        "kind": "pressure",
        "set_id": set_id,
        "boot": 17,
        "seq": seq,
        "time": at.isoformat().replace("+00:00", "Z"),
        "pressure_bar": pressure_bar,
        **fields,
    }
    topic = f"underair/v1/demo/set/{set_id}/pressure"
    return Heard(at + timedelta(milliseconds=40), topic, json.dumps(payload).encode())


@pytest.fixture(name="pressure")
def pressure_fixture() -> Callable[..., Heard]:
    return make_pressure


@pytest.fixture(scope="session")
def seaweedfs(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """SeaweedFS, started once."""
    from tests.store_stand_in import Store

    store = Store(tmp_path_factory.mktemp("seaweedfs"))
    yield store
    store.stop()


@pytest.fixture
def store(seaweedfs: Store, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[Store]:
    """SeaweedFS with an empty bucket; this process works on it."""
    from tests.store_stand_in import told_of

    seaweedfs.start_again()
    seaweedfs.new_bucket()
    with told_of(monkeypatch, seaweedfs, tmp_path / "work"):
        yield seaweedfs


@pytest.fixture
def archive(store: Store) -> Path:
    """The place of an archive on the store."""
    return place(f"s3://{store.bucket}/service/archive")
