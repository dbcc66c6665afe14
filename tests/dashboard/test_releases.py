"""What was handed out is noted: whole lines, one writer at a time, and said on what must stay inside."""

from __future__ import annotations

import fcntl
import json
import threading
from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl
import pytest

from analysis.trends.audit import Audit
from dashboard.trends.releases import FILE_NAME, OverlappingRelease, release
from ingest.contract.errors import UnderairError

NOW = datetime(2032, 3, 1, tzinfo=UTC)
YEAR = (date(2031, 1, 1), date(2031, 12, 31))
MORE = (date(2031, 1, 1), date(2032, 1, 31))


def tables(number: int) -> Audit:
    return Audit({"rest": pl.DataFrame({"too_short": [number]})}, 16, 0)


def note_release(
    archive: Path, made: Audit, first: date, last: date, now: datetime, overlapping: bool = False
) -> bool:
    with release(archive, made, first, last, now, overlapping=overlapping) as inside_only:
        return inside_only


def lines(archive: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in (archive / FILE_NAME).read_text().splitlines()]


def test_the_same_figures_are_handed_out_again_and_noted_once(tmp_path: Path) -> None:
    assert note_release(tmp_path, tables(1), *YEAR, NOW) is False
    assert note_release(tmp_path, tables(1), *YEAR, NOW) is False
    assert len(lines(tmp_path)) == 1


def test_what_overlaps_stays_inside_however_often_it_is_asked_for(tmp_path: Path) -> None:
    note_release(tmp_path, tables(1), *YEAR, NOW)
    with pytest.raises(OverlappingRelease, match="tables of 2031-01-01 to 2031-12-31 were handed out on"):
        note_release(tmp_path, tables(2), *MORE, NOW)
    assert note_release(tmp_path, tables(2), *MORE, NOW, overlapping=True) is True
    # Asked for again without a word: the same figures, and still not to leave the service.
    assert note_release(tmp_path, tables(2), *MORE, NOW) is True
    assert [line["overlapping"] for line in lines(tmp_path)] == [False, True]


def test_a_line_torn_by_a_power_cut_neither_stops_nor_spoils_the_list(tmp_path: Path) -> None:
    note_release(tmp_path, tables(1), *YEAR, NOW)
    with (tmp_path / FILE_NAME).open("ab") as file:
        file.write(b'{"first":"2032-01-01","la')
    note_release(tmp_path, tables(2), date(2032, 1, 1), date(2032, 1, 31), NOW)
    assert [line["first"] for line in lines(tmp_path)] == ["2031-01-01", "2032-01-01"]


def test_a_list_that_is_none_is_said(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).write_text("no list\n")
    with pytest.raises(UnderairError, match=r"cannot note in .*releases\.ndjson that tables are handed out"):
        note_release(tmp_path, tables(1), *YEAR, NOW)


def test_another_process_that_notes_is_waited_for(tmp_path: Path) -> None:
    """A page and a verb at once: who comes second sees the first one's line, and is refused."""
    note_release(tmp_path, tables(0), date(2030, 1, 1), date(2030, 12, 31), NOW)
    said: list[str] = []

    def second() -> None:
        try:
            note_release(tmp_path, tables(2), *MORE, NOW)
        except OverlappingRelease as error:
            said.append(str(error))

    with (tmp_path / FILE_NAME).open("ab") as other:
        fcntl.flock(other, fcntl.LOCK_EX)
        thread = threading.Thread(target=second)
        thread.start()
        thread.join(0.3)
        line = {"first": "2031-01-01", "last": "2031-12-31", "made": NOW.isoformat(), "figures": "another"}
        other.write(json.dumps(line).encode() + b"\n")
    thread.join(30)
    assert len(said) == 1
    assert len(lines(tmp_path)) == 2


def test_what_fails_while_it_is_made_ready_is_not_noted(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="full"), release(tmp_path, tables(1), *YEAR, NOW):
        raise OSError("full")
    assert lines(tmp_path) == []
    assert note_release(tmp_path, tables(2), *MORE, NOW) is False
