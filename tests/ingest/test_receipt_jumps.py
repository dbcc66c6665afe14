"""A capture whose listener's clock was set while it listened: nobody seems silent, or inside, for days."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from analysis.incident import analyse
from analysis.profile import Profile
from dashboard.evidence.case import write_case
from ingest.archive.imports import read_imports
from ingest.archive.reading import Archive
from ingest.contract.captures import BadLine, Heard, write_capture
from ingest.importing import import_capture
from ingest.receipt_jumps import find_jumps
from sample_logs.simulation.scenario import build_late_turn_back
from tests.verbs import underair

STAGED = build_late_turn_back(4, datetime(2031, 5, 9, 20, 0, tzinfo=UTC))
HEARD = sorted(STAGED.heard, key=lambda one: one.received)
HALF = len(HEARD) // 2
DAYS, HOUR, SECONDS = timedelta(days=2), timedelta(hours=1), timedelta(seconds=4)


def clock_set(heard: Sequence[Heard], *at: tuple[int, timedelta]) -> list[Heard]:
    """The same messages, in their order, as a listener stamps them whose clock is set at some places."""
    return [
        one._replace(received=one.received + sum((by for place, by in at if place <= line), timedelta()))
        for line, one in enumerate(heard)
    ]


def imported(folder: Path, heard: Sequence[Heard]) -> Path:
    path, archive = folder / "van.ndjson.gz", folder / "archive"
    write_capture(path, heard)
    import_capture(path, archive)
    return archive


@pytest.mark.parametrize("by", [DAYS, HOUR, -HOUR, -DAYS, -SECONDS])
def test_the_results_are_those_of_a_clock_that_was_never_set(tmp_path: Path, by: timedelta) -> None:
    """Mended: two days under air, "Not heard for 2 days", and each set's clock blamed for the jump."""
    archive = imported(tmp_path, clock_set(HEARD, (HALF, by)))
    found = analyse(Archive(archive).messages(), Profile.default(), STAGED.incident_id)
    (tmp_path / "whole").mkdir()
    whole = imported(tmp_path / "whole", HEARD)
    expected = analyse(Archive(whole).messages(), Profile.default(), STAGED.incident_id)
    assert found["findings"]["code"].to_list() == expected["findings"]["code"].to_list()
    assert found["clocks"]["steps"].to_list() == expected["clocks"]["steps"].to_list()
    for table, column in (("wears", "ended"), ("entries", "first_heard"), ("alarms", "raised")):
        apart = (found[table][column] - expected[table][column]).dt.total_milliseconds().abs()
        assert apart.drop_nulls().max() < 1000
    (one,) = read_imports(archive)[0]
    ((at, seconds),) = one.jumps
    assert at == HEARD[HALF].received + by
    assert seconds == pytest.approx(by.total_seconds(), abs=0.5)


def test_each_of_two_jumps_counts_and_the_same_capture_again_changes_nothing(tmp_path: Path) -> None:
    heard = clock_set(HEARD, (HALF, DAYS), (HALF + 300, -HOUR))
    archive = imported(tmp_path, heard)
    received = pl.concat(frame.select("received") for frame in Archive(archive).messages().values())
    assert received["received"].max() - received["received"].min() < timedelta(hours=2)
    again = import_capture(tmp_path / "van.ndjson.gz", archive)
    assert again.counts.kept == 0
    assert len(read_imports(archive)[0]) == 1


def test_the_verb_and_the_case_say_it(tmp_path: Path) -> None:
    path, archive = tmp_path / "van.ndjson.gz", tmp_path / "archive"
    write_capture(path, clock_set(HEARD, (HALF, DAYS)))
    said = underair("import", path, "--archive", archive)
    assert said.returncode == 0
    assert "its listener's clock jumped by +172,800.0 s" in said.stderr
    write_case(archive, Profile.default(), STAGED.incident_id, tmp_path / "case")
    info = (tmp_path / "case" / "bag-info.txt").read_text().replace("\n ", " ")
    assert "its listener's clock jumped by +172," in info


def delayed(heard: Sequence[Heard], since: int, by: timedelta, whose: str = "") -> list[Heard]:
    late = [
        one._replace(received=one.received + by) if line >= since and whose in one.topic else one
        for line, one in enumerate(heard)
    ]
    return sorted(late, key=lambda one: one.received)


def emptied(heard: Sequence[Heard]) -> list[Heard]:
    """All wait at the broker for an hour, and then come at once; the rest comes in time again."""
    end = heard[HALF].received + HOUR
    return [
        one._replace(received=max(one.received, end)) if i >= HALF else one for i, one in enumerate(heard)
    ]


def pause(heard: Sequence[Heard]) -> list[Heard]:
    """The same incident once more on the next day: an hour's hole, and the sets' own clocks went on."""
    return [*heard, *(_later(one) for one in heard)]


def _later(one: Heard) -> Heard:
    return one._replace(
        received=one.received + DAYS, payload=one.payload.replace(b"2031-05-09", b"2031-05-11")
    )


@pytest.mark.parametrize(
    "made",
    [
        lambda: HEARD,
        lambda: delayed(HEARD, HALF, timedelta(minutes=4)),  # everybody's way is longer: it is a delay
        lambda: delayed(HEARD, HALF, HOUR, "/set/S-0"),  # or one gateway's
        lambda: emptied(HEARD),
        lambda: pause(HEARD),
        lambda: sorted(HEARD, key=lambda one: one.topic),
        lambda: sorted(HEARD, key=lambda one: one.payload),
        lambda: HEARD[::-1],
    ],
    ids=["as it was", "delay", "one delayed", "emptied", "pause", "by topic", "by payload", "backwards"],
)
def test_what_is_no_set_clock_moves_nothing(made: Callable[[], list[Heard]]) -> None:
    assert find_jumps(made()) == []


def test_senders_that_disagree_and_lines_without_a_message_prove_nothing() -> None:
    lines: list[Heard | BadLine] = list(clock_set(HEARD, (HALF, DAYS)))
    lines[HALF - 1] = BadLine(1, "no message", b"?")
    assert [one.line for one in find_jumps(lines)] == [HALF]
    only = [one for one in clock_set(HEARD, (HALF, HOUR)) if "/set/" in one.topic]
    assert find_jumps(only) == [], "one sender's delay, or the listener's clock: nobody knows"
