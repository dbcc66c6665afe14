"""An archive whose parts are merged at the moment in which they are read: as if nobody had been at it."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

import ingest.archive.index
from analysis.pieces.archive_pieces import incident_piece, incidents_in, pieces_of
from analysis.profile import Profile
from dashboard.results_store import ResultsStore
from dashboard.trends.wear_ledger import WearLedger
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.archive.tidying import tidy
from ingest.contract.errors import ArchiveProblem
from ingest.contract.frames import frames_from_heard
from sample_logs.simulation.scenario import build_late_turn_back

OPENED = datetime(2031, 5, 4, 19, 12, tzinfo=UTC)
INCIDENT = build_late_turn_back(3, OPENED)


@pytest.fixture(scope="module")
def sealed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two parts of each kind and day, which merging makes one."""
    folder = tmp_path_factory.mktemp("changes") / "archive"
    folder.mkdir()
    half = len(INCIDENT.heard) // 2
    for number, heard in enumerate((INCIDENT.heard[:half], INCIDENT.heard[half:])):
        seal_messages(folder, frames_from_heard(heard), f"log-{number}")
    return folder


@pytest.fixture
def archive(sealed: Path, tmp_path: Path) -> Path:
    """A copy that a test may change."""
    shutil.copytree(sealed, tmp_path / "archive")
    return tmp_path / "archive"


def ledger(folder: Path) -> Any:
    made = WearLedger(Archive(folder), Profile.default())
    made.update(OPENED + timedelta(days=9))
    return made.tables()["wears"].rows()


def review(folder: Path) -> Any:
    store = ResultsStore(Archive(folder), Profile.default())
    for problem in store.incidents()["problem"].drop_nulls():  # a line of the list, on the page
        raise ArchiveProblem(problem)
    return store.wears().rows()


READERS: dict[str, Callable[[Path], Any]] = {
    "pieces": lambda folder: pieces_of(folder).table.rows(),
    "incidents": lambda folder: incidents_in(folder).rows(),
    "one incident": lambda folder: incident_piece(folder, INCIDENT.incident_id)[0]["pressure"].rows(),
    "review": review,
    "ledger": ledger,
}


@pytest.mark.parametrize("reader", READERS)
def test_merged_in_this_very_moment(
    reader: str, archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    read = READERS[reader]
    merged: list[str] = []

    def merging_first(what: str, before: Callable[..., Any]) -> Callable[..., Any]:
        def first(*given: Any) -> Any:
            if not merged:
                merged.append(what)
                tidy(archive, OPENED + timedelta(days=9), grace_s=0.0)
            return before(*given)

        return first

    collected, summary = Archive.collected, ingest.archive.index.summary
    with monkeypatch.context() as patched:
        patched.setattr(Archive, "collected", merging_first("collected", collected))
        patched.setattr(ingest.archive.index, "summary", merging_first("summary", summary))
        found = read(archive)
    assert merged
    assert len(list((archive / "pressure").rglob("*.parquet"))) == 1
    assert found
    assert found == read(archive)


@pytest.mark.parametrize("reader", READERS)
def test_one_that_never_holds_still_is_an_error_in_words(
    reader: str, archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(*_: Any) -> Any:
        raise FileNotFoundError("merged again")

    monkeypatch.setattr(Archive, "collected", gone)
    monkeypatch.setattr(ingest.archive.index, "summary", gone)
    with pytest.raises(ArchiveProblem, match="changes faster than it can be read"):
        READERS[reader](archive)
