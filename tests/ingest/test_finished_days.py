"""Finished days are merged while a listener runs, and what stops that is said."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from ingest.archive import finished_days
from ingest.archive.finished_days import FinishedDays, seconds_to_next
from ingest.archive.journal import Record, SegmentWriter
from ingest.archive.parts import part_files
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_segment
from ingest.archive.verifying import verify
from ingest.contract.captures import Heard
from ingest.contract.times import micros
from ingest.settings import Settings, load_settings

Pressure = Callable[..., Heard]
NOW = datetime(2021, 5, 4, 10, 0, tzinfo=UTC)
PATIENCE_S = 300.0  # it runs at the lowest priority, beside other tests


def _archive_of_three_parts(archive: Path, pressure: Pressure) -> None:
    folder = archive / "journal" / "listener"
    folder.mkdir(parents=True)
    for seq in range(3):
        heard = pressure(seq)
        writer = SegmentWriter(folder, NOW + timedelta(seconds=seq))
        writer.append([Record(micros(NOW) + seq, heard.topic, heard.payload, False)])
        writer.close()
        seal_segment(archive, writer.path)
    assert len(part_files(archive, "pressure")) == 3


def test_finished_days_are_merged_by_themselves(
    tmp_path: Path, pressure: Pressure, monkeypatch: pytest.MonkeyPatch, wait_until: Any
) -> None:
    monkeypatch.setattr(finished_days, "FIRST_AFTER_S", 0.0)
    _archive_of_three_parts(tmp_path, pressure)
    said: list[str] = []
    merging = FinishedDays(tmp_path, said.append)
    merging.start()
    wait_until(lambda: len(part_files(tmp_path, "pressure")) == 1, PATIENCE_S, "the merge")
    wait_until(lambda: (tmp_path / "index").is_dir(), PATIENCE_S, "the index")
    wait_until(lambda: merging._process and merging._process.poll() == 0, PATIENCE_S, "its end")
    merging.stop()
    assert Archive(tmp_path).scan("pressure").collect()["seq"].to_list() == [0, 1, 2]
    assert said == []


def test_merge_that_ends_with_the_listener_leaves_the_archive_whole(
    tmp_path: Path, pressure: Pressure, monkeypatch: pytest.MonkeyPatch, wait_until: Any
) -> None:
    monkeypatch.setattr(finished_days, "FIRST_AFTER_S", 0.0)
    _archive_of_three_parts(tmp_path, pressure)
    merging = FinishedDays(tmp_path, lambda _: None)
    merging.start()
    wait_until(lambda: merging._process is not None, what="the merging process")
    merging.stop()
    assert merging._process is not None
    assert merging._process.returncode is not None
    assert Archive(tmp_path).scan("pressure").collect().height == 3
    assert [fault for fault in verify(tmp_path).faults if fault.what != "added"] == []


def test_what_is_not_merged_is_said_and_kept(
    tmp_path: Path, pressure: Pressure, monkeypatch: pytest.MonkeyPatch, wait_until: Any
) -> None:
    monkeypatch.setattr(finished_days, "FIRST_AFTER_S", 0.0)
    _archive_of_three_parts(tmp_path, pressure)
    part = part_files(tmp_path, "pressure")[0]
    part.write_bytes(b"no Parquet")
    said: list[str] = []
    merging = FinishedDays(tmp_path, said.append)
    merging.start()
    wait_until(lambda: said, PATIENCE_S, "a sentence")
    merging.stop()
    assert said[0].startswith("not merged, because they changed after sealing: pressure/date=")
    assert (tmp_path / "quarantine" / part.relative_to(tmp_path)).read_bytes() == b"no Parquet"


def test_next_merge_is_ten_minutes_after_midnight() -> None:
    assert seconds_to_next(datetime(2031, 5, 4, 23, 0, tzinfo=UTC)) == 70 * 60
    assert seconds_to_next(datetime(2031, 5, 4, 0, 10, tzinfo=UTC)) == 86_400


def test_it_begins_after_a_minute_and_tries_again_after_an_hour(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    waits: list[float] = []
    said: list[str] = []
    merging: Any = FinishedDays(tmp_path, said.append)
    merging._stopping.wait = lambda pause_s: waits.append(pause_s) or len(waits) == 4
    troubles = ["it is full", "", ""]
    merging._merge = lambda: troubles.pop(0)
    monkeypatch.setattr(finished_days, "seconds_to_next", lambda now: 5000.0)
    merging._run()
    assert waits == [60.0, 3600.0, 5000.0, 5000.0]
    assert said == ["finished days are not merged yet, tried again in an hour: it is full"]


@pytest.mark.parametrize(
    ("parts", "work"),
    [
        ([("date=2021-05-03", "a"), ("date=2021-05-03", "b")], True),
        ([("date=2021-05-03", "a"), ("date=2021-05-02", "b")], False),
        ([("date=2021-05-04", "a"), ("date=2021-05-04", "b")], False),  # today
        ([("date=2021-05-03", "a"), ("date=2021-05-03", ".b")], False),  # not yet there
        ([], False),
    ],
)
def test_there_is_work_where_a_finished_day_has_two_parts(
    tmp_path: Path, parts: list[tuple[str, str]], work: bool
) -> None:
    for day, name in parts:
        (tmp_path / "pressure" / day).mkdir(parents=True, exist_ok=True)
        (tmp_path / "pressure" / day / f"{name}.parquet").touch()
    assert finished_days._is_there_work(tmp_path, "2021-05-04") is work


def test_a_merging_process_that_cannot_begin_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(finished_days, "FIRST_AFTER_S", 0.0)
    monkeypatch.setattr(finished_days, "command_of", lambda *_: [str(tmp_path / "no such program")])
    told = threading.Event()
    said: list[str] = []
    merging = FinishedDays(tmp_path, lambda sentence: (said.append(sentence), told.set()))
    merging.start()
    assert told.wait(60)
    merging.stop()
    assert said == [
        "finished days are not merged yet, tried again in an hour: "
        f"No such file or directory: {tmp_path / 'no such program'}"
    ]


def test_an_archive_that_cannot_be_merged_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(finished_days.sys, "argv", ["", str(tmp_path / "none")])
    monkeypatch.setattr(finished_days.os, "nice", lambda _: 0)
    monkeypatch.setattr(finished_days.signal, "signal", lambda *_: None)
    monkeypatch.setattr(finished_days, "_end_with_listener", lambda: None)
    finished_days.main()
    assert capsys.readouterr().out == f"there is no archive {tmp_path / 'none'}\n"


def test_merging_can_be_left_to_the_operator(tmp_path: Path) -> None:
    path = tmp_path / "settings.toml"
    path.write_text("[merge]\nfinished_days = false\n")
    assert load_settings(path).merge.finished_days is False
    assert Settings().merge.finished_days is True
