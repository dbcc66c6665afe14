"""Nothing that was sealed is written over, whatever the clock says."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from ingest.archive import parts
from ingest.archive.journal import Record, SegmentWriter, segments
from ingest.archive.parts import write_part
from ingest.archive.reading import Archive
from ingest.archive.sealing import Recent, seal_segment
from ingest.archive.sound import trouble_of
from ingest.archive.tidying import tidy
from ingest.archive.verifying import verify
from ingest.contract.captures import Heard
from ingest.contract.errors import ArchiveProblem
from ingest.contract.frames import frames_from_heard
from ingest.contract.times import micros

Pressure = Callable[..., Heard]
FROZEN = datetime(2031, 5, 4, 19, tzinfo=UTC)


def test_5000_messages_received_with_a_frozen_clock_are_all_there(tmp_path: Path, pressure: Pressure) -> None:
    """Fault of 0.3.0: a new part took the name of an older one, and 3,699 of 4,498 messages were lost."""
    folder = tmp_path / "journal" / "listener"
    folder.mkdir(parents=True)
    recent = Recent()
    for lot in range(50):
        writer = SegmentWriter(folder, FROZEN)
        heard = [pressure(lot * 100 + number) for number in range(100)]
        writer.append([Record(micros(FROZEN), each.topic, each.payload, False) for each in heard])
        writer.close()
        seal_segment(tmp_path, writer.path, recent)
    kept = Archive(tmp_path).messages()["pressure"]["seq"]
    assert sorted(kept) == list(range(5000))
    assert verify(tmp_path).faults == []


def test_segments_keep_their_order_when_the_clock_goes_back(tmp_path: Path) -> None:
    moments = [FROZEN, FROZEN, FROZEN - timedelta(days=1), FROZEN + timedelta(microseconds=1), FROZEN]
    writers = [SegmentWriter(tmp_path, moment) for moment in moments]
    assert segments(tmp_path) == [writer.path for writer in writers]
    for writer in writers:
        writer.close()


def test_copy_of_a_segment_is_named_and_not_read(tmp_path: Path, pressure: Pressure) -> None:
    """Fault found by the matrix: a copy of a segment with other people's JSON counted twice."""
    folder = tmp_path / "journal" / "listener"
    folder.mkdir(parents=True)
    writer = SegmentWriter(folder, FROZEN)
    writer.append([Record(micros(FROZEN), pressure(1).topic, pressure(1).payload, False)])
    writer.close()
    shutil.copy(writer.path, folder / f"copy-{writer.path.name}")
    assert segments(folder) == [writer.path]
    (fault,) = verify(tmp_path).faults
    assert (fault.what, fault.where) == ("foreign", f"journal/listener/copy-{writer.path.name}")
    assert trouble_of(tmp_path)


def test_a_name_that_a_part_has_or_had_is_refused(tmp_path: Path, pressure: Pressure) -> None:
    rows = frames_from_heard([pressure(1)])["pressure"]
    part = write_part(tmp_path, "pressure", FROZEN.date(), "one", rows, "import")
    before = part.read_bytes()
    other = frames_from_heard([pressure(2)])["pressure"]
    with pytest.raises(ArchiveProblem, match="would take the name of an earlier part"):
        write_part(tmp_path, "pressure", FROZEN.date(), "one", other, "import")
    assert part.read_bytes() == before
    part.unlink()
    with pytest.raises(ArchiveProblem, match="would take the name of an earlier part"):
        write_part(tmp_path, "pressure", FROZEN.date(), "one", other, "import")
    foreign = part.with_name("two.parquet")
    foreign.write_bytes(b"somebody else's")
    with pytest.raises(ArchiveProblem, match="would take the name of an earlier part"):
        write_part(tmp_path, "pressure", FROZEN.date(), "two", other, "import")
    assert foreign.read_bytes() == b"somebody else's"


@pytest.mark.parametrize("altered", [False, True])
def test_part_whose_writing_broke_off_is_put_in_its_place_by_tidying(
    tmp_path: Path, pressure: Pressure, monkeypatch: pytest.MonkeyPatch, altered: bool
) -> None:
    """Its line is there and its name is not: the bytes beside are what the line says."""
    rows = frames_from_heard([pressure(1)])["pressure"]

    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(parts.os, "link", killed)
        with pytest.raises(KeyboardInterrupt):
            write_part(tmp_path, "pressure", FROZEN.date(), "one", rows, "import")
    assert not trouble_of(tmp_path)
    assert Archive(tmp_path).messages()["pressure"].is_empty()
    (aside,) = (tmp_path / "pressure").rglob(".*.tmp")
    if altered:
        aside.write_bytes(aside.read_bytes()[::-1])
    tidy(tmp_path, FROZEN + timedelta(days=1), grace_s=0)
    assert Archive(tmp_path).messages()["pressure"].height == 1 - altered
    assert [fault.what for fault in verify(tmp_path).faults] == ["missing"] * altered
