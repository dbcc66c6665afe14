"""A damaged file of an archive changes no answer in silence: a sample of the matrix, and of single bits."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import NamedTuple

import pytest

from ingest.archive.store import WORK_FOLDER
from tests.benchmarks.bit_flips import flips
from tests.faults.corrupt_store import (
    KINDS,
    NOTHING,
    Answer,
    Answers,
    cell,
    cells_of_page,
    crashes_in,
    damaged,
    faults_in,
    flip,
    make_archive,
)

SAMPLE = [
    ("merged part", "delete"),
    ("sealed part", "flip"),
    ("journal segment", "flip"),
    ("ledger", "stale copy"),
]


class Place(NamedTuple):
    """Where the archive, its earlier self and the answers are."""

    whole: Path
    earlier: Path
    answers: Answers
    before: dict[str, Answer]


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    work = tmp_path_factory.mktemp("corrupt")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(WORK_FOLDER, str(work / "state"))
        incident = make_archive(work / "whole", work / "earlier")
        shutil.copytree(work / "whole", work / "archive")
        answers = Answers(work / "archive", incident, work / "out")
        return Place(work / "whole", work / "earlier", answers, answers.all())


def test_the_page_has_every_file_and_every_damage() -> None:
    cells = cells_of_page()
    assert {kind for kind, _ in cells} == set(KINDS)
    assert all(
        text in ("same answers", NOTHING) or text.startswith(("said", "not seen")) for text in cells.values()
    )
    silent = {kind for (kind, _), text in cells.items() if text.startswith("not seen")}
    assert silent <= {"journal segment", "holds", "access log", "releases", "state of the mappings"}, (
        "what has a second witness is said"
    )


@pytest.mark.parametrize(("kind", "damage"), SAMPLE)
def test_a_damaged_file_is_answered_as_the_page_says(
    place: Place, monkeypatch: pytest.MonkeyPatch, kind: str, damage: str
) -> None:
    monkeypatch.setenv(WORK_FOLDER, str(place.answers.out / "state"))
    assert damaged(place.whole, place.earlier, place.answers.archive, kind, damage)
    after = place.answers.all()
    assert crashes_in(after) == []
    assert cell(place.before, after) == cells_of_page()[kind, damage]


def test_single_flipped_bits_change_no_answer_in_silence(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A sample; `python -m tests.benchmarks.bit_flips` flips a thousand."""
    monkeypatch.setenv(WORK_FOLDER, str(place.answers.out / "state"))
    archive = place.answers.archive
    for path, bit in flips(place.whole, 1, seed=3):
        shutil.rmtree(archive)
        shutil.copytree(place.whole, archive)
        flip(archive / path, bit)
        after = place.answers.all()
        assert faults_in(place.before, after) == [], (path, bit)
        assert crashes_in(after) == [], (path, bit)


def test_a_hold_that_is_no_utf_8_is_named(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    """Fault found by flipping bits: `verify` ended with a traceback."""
    monkeypatch.setenv(WORK_FOLDER, str(place.answers.out / "state"))
    assert damaged(place.whole, place.earlier, place.answers.archive, "holds", "duplicate")
    (hold,) = place.answers.archive.glob("holds/2*.ndjson")
    hold.write_bytes(hold.read_bytes().replace(b"hold", b"h\xefld", 1))
    after = place.answers.all(("verify",))
    assert crashes_in(after) == []
    assert after["verify"].code == 1
    assert "line 1 cannot be read" in after["verify"].said


def test_a_line_of_the_manifest_that_is_no_utf_8_is_named(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Fault found by flipping bits: `report`, `case` and `verify` ended with a traceback."""
    monkeypatch.setenv(WORK_FOLDER, str(place.answers.out / "state"))
    assert damaged(place.whole, place.earlier, place.answers.archive, "index", "duplicate")
    chain = place.answers.archive / "manifest" / "listener.ndjson"
    chain.write_bytes(chain.read_bytes().replace(b"power/date=2031-05", b"power/date=2031\xad05", 1))
    after = place.answers.all(("report", "case", "verify"))
    assert crashes_in(after) == []
    assert faults_in(place.before, after) == []
    assert after["verify"].code == 1
