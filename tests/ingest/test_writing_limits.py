"""The limits between queue, journal and sealing, in figures. They are our own rules. No thread runs here."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from ingest.archive import writing as writing_module
from ingest.archive.folder import create_archive
from ingest.archive.journal import Record
from ingest.archive.writing import Delivery, Writing
from ingest.settings import JournalSettings, SealSettings

TOPIC = "underair/v1/trial/set/S-1/pressure"


def deliveries(count: int) -> list[Delivery]:
    return [Delivery(Record(number, TOPIC, b"{}", False), number, 1, 1) for number in range(count)]


@pytest.fixture
def writing(tmp_path: Path) -> Writing:
    archive = create_archive(tmp_path / "a")
    folder = archive / "journal" / "main"
    folder.mkdir(parents=True)
    return Writing(
        archive, folder, JournalSettings(queue_messages=1000), SealSettings(rows=1000, seconds=30.0),
        lambda batch: None, lambda said: None, lambda: 9_000_000,
    )  # fmt: skip


def queued(writing: Writing) -> tuple[int, int]:
    return writing._queued, writing._queued_bytes


@pytest.mark.parametrize(
    ("parts", "taken"),
    [
        ([(6000, 1), (4000, 1)], 10_000),
        ([(6000, 1), (4001, 1)], 6000),
        ([(10_001, 1), (1, 1)], 10_001),  # one look at the network is not parted
        ([(1, 3_000_000), (1, 1_000_000)], 2),
        ([(1, 3_000_000), (1, 1_000_001)], 1),
        ([(1, 5_000_000), (1, 1)], 1),
    ],
)
def test_a_frame_has_ten_thousand_messages_or_four_megabytes(
    writing: Writing, parts: list[tuple[int, int]], taken: int
) -> None:
    writing._limit = 100_000
    for count, size in parts:
        assert writing.put(deliveries(count), size)
    everything = sum(count for count, _ in parts), sum(size for _, size in parts)
    assert queued(writing) == everything
    assert len(writing._take()) == taken
    rest = [part for part, seen in zip(parts, (0, parts[0][0]), strict=True) if seen >= taken]
    assert queued(writing) == (sum(count for count, _ in rest), sum(size for _, size in rest))
    writing._take()
    assert queued(writing) == (0, 0)


def taken_at_each_wait(writing: Writing) -> list[tuple[int, int]]:
    """Have whoever waits for room get it at once; return what was queued at each wait."""
    seen: list[tuple[int, int]] = []

    def wait(seconds: float) -> None:
        seen.append(queued(writing))
        writing._take()

    writing._room.wait = wait  # type: ignore[assignment]
    return seen


def test_a_full_queue_is_waited_for_and_its_bytes_are_shared_out(writing: Writing) -> None:
    seen = taken_at_each_wait(writing)
    assert writing.put(deliveries(1001), 100_100)
    assert seen == [(1000, 100_000)]
    assert queued(writing) == (1, 100)
    assert writing.put(deliveries(999))
    assert queued(writing) == (1000, 100 + 999 * (len(TOPIC) + 2))
    assert len(seen) == 1, "it fits"


def test_a_full_queue_gets_no_empty_part(writing: Writing) -> None:
    """What takes the queue would read it as the end of what waits."""
    seen: list[int] = []

    def wait(seconds: float) -> None:
        seen.append(len(writing._queue))
        writing._take()

    writing._room.wait = wait  # type: ignore[assignment]
    assert writing.put(deliveries(1000))
    assert writing.put(deliveries(1))
    assert (seen, queued(writing)[0]) == ([1], 1)


def test_no_more_than_sixteen_megabytes_wait(writing: Writing) -> None:
    seen = taken_at_each_wait(writing)
    writing.put(deliveries(1), 15_999_999)
    writing.put(deliveries(1), 1)
    assert (seen, queued(writing)) == ([], (2, 16_000_000))
    writing.put(deliveries(1), 1)
    assert (seen[0], queued(writing)) == ((2, 16_000_000), (2, 2)), "the long one was journalled alone"


def test_who_stops_takes_nothing_new(writing: Writing) -> None:
    writing._stopping.set()
    assert not writing.put(deliveries(1))
    assert queued(writing) == (0, 0)


class Segment:
    """A segment of so many rows and bytes."""

    def __init__(self, rows: int, size: int) -> None:
        self.rows, self.size, self.path, self.closed = rows, size, Path("x.journal"), False

    def close(self) -> None:
        self.closed = True


@pytest.mark.parametrize(
    ("rows", "size", "age_s", "now", "ends"),
    [
        (999, 31_999_999, 29.9, False, False),
        (1000, 1, 0.0, False, True),
        (1, 32_000_000, 0.0, False, True),
        (1, 1, 30.0, False, True),
        (1, 1, 31.0, False, True),
        (1, 1, 0.0, True, True),
    ],
)
def test_when_a_segment_ends(
    writing: Writing,
    monkeypatch: pytest.MonkeyPatch,
    rows: int,
    size: int,
    age_s: float,
    now: bool,
    ends: bool,
) -> None:
    monkeypatch.setattr(writing_module, "time", SimpleNamespace(monotonic=lambda: 1000.0))
    segment: Any = Segment(rows, size)
    writing._segment, writing._segment_began = segment, 1000.0 - age_s
    assert writing._seconds_to_seal() == pytest.approx(max(30.0 - age_s, 0.0))
    writing._rotate_if_due(now=now)
    assert (segment.closed, writing._segment is None, writing._to_seal.qsize()) == (ends, ends, int(ends))


def test_an_empty_segment_is_not_sealed_and_none_is_waited_for(writing: Writing) -> None:
    assert writing._seconds_to_seal() is None
    writing._rotate_if_due(now=True)
    segment: Any = Segment(0, 0)
    writing._segment = segment
    writing._rotate_if_due(now=True)
    assert (segment.closed, writing._to_seal.qsize()) == (True, 0)


def test_what_is_safe_is_counted_with_the_longest_delay(writing: Writing) -> None:
    assert writing._write(deliveries(3))  # the first was received 9 s before
    assert (writing.health.journalled, writing.health.delay_ms) == (3, 9000.0)
    assert writing._write(deliveries(3)[2:])
    assert (writing.health.journalled, writing.health.delay_ms) == (4, 9000.0)
    assert (writing.take_delay(), writing.take_delay()) == (9000.0, 0.0)
    writing._give_up_segment()


def test_what_underair_says_of_its_own_board_is_safe_without_being_kept(writing: Writing) -> None:
    """It was made from the record: it must not keep the broker waiting, nor count as journalled."""
    own = Delivery(Record(1, "underair/v1/trial/board/D-1/row", b"{}", False), 1, 1, 1)
    assert writing._write([own])
    assert (writing.health.journalled, writing._segment) == (0, None)


def test_sealing_is_tried_again_ever_more_seldom(writing: Writing) -> None:
    waits: list[float] = []

    def wait(seconds: float) -> bool:
        waits.append(seconds)
        return len(waits) == 7

    tried: list[Path] = []
    writing._sealing = SimpleNamespace(start=lambda: None, close=lambda: None)  # type: ignore[assignment]
    writing._stopping.wait = wait  # type: ignore[method-assign,assignment]
    writing._seal_one = lambda segment: bool(tried.append(segment))  # type: ignore[method-assign,func-returns-value]
    writing._to_seal.put(Path("x.journal"))
    writing._to_seal.put(None)
    writing._seal_all()
    assert waits == [2.0, 4.0, 8.0, 16.0, 30.0, 30.0, 30.0]
    assert len(tried) == 8, "once more at the end"
