"""A fault of this program must not end the live page: it is logged, said on the page, and gone on from."""

from __future__ import annotations

import gzip
import json
import logging
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from analysis.live.set_now import SetNow
from analysis.profile import Profile
from dashboard.live import feed as feed_module
from dashboard.live import words
from dashboard.live.feed import LONGEST_PAUSE_S, Feed
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.contract.captures import Heard
from ingest.contract.frames import frames_from_heard
from tests.dashboard.held_archive import HeldArchive


def pressure(set_id: str, seq: int) -> Heard:
    now = datetime.now(UTC)
    payload = {"kind": "pressure", "set_id": set_id, "boot": 1, "seq": seq, "time": now.isoformat()}
    body = json.dumps(payload | {"pressure_bar": 280.0}).encode()
    return Heard(now, f"underair/v1/trial/set/{set_id}/pressure", body, False)


def picture(feed: Feed) -> dict[str, Any]:
    answer: dict[str, Any] = json.loads(gzip.decompress(feed.answer.packed()))
    return answer


def test_a_fault_that_nobody_thought_of_is_logged_and_said_and_the_feed_goes_on(
    archive: HeldArchive,
    feed: Feed,
    wait_until: Callable[..., Any],
    caplog: pytest.LogCaptureFixture,
) -> None:
    archive.fault = ZeroDivisionError("nobody thought of this")
    wait_until(lambda: picture(feed)["banner"] == words.FEED_STOPPED, what="the banner")
    archive.fault = None
    wait_until(lambda: picture(feed)["ready"], what="the feed to recover")
    assert feed.alive
    archive.new = [pressure("S-1", seq) for seq in range(3)]
    wait_until(lambda: picture(feed).get("rows"), what="the row of the set")
    errors = [record for record in caplog.records if record.levelno == logging.ERROR]
    assert errors
    assert all(record.exc_info and record.exc_info[0] is ZeroDivisionError for record in errors)


def test_a_fault_on_one_set_is_logged_once_and_stands_on_the_system_line_beside_the_other_sets(
    archive: HeldArchive,
    feed: Feed,
    wait_until: Callable[..., Any],
    caplog: pytest.LogCaptureFixture,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked = SetNow.ask

    def fails(self: SetNow, *questions: Any) -> None:
        if self.set_id == "S-2":
            raise ZeroDivisionError("no litres")
        asked(self, *questions)

    monkeypatch.setattr(SetNow, "ask", fails)
    archive.new = [pressure(set_id, seq) for seq in range(3) for set_id in ("S-1", "S-2")]
    wait_until(lambda: picture(feed).get("rows"), what="the row of the other set")
    answer = picture(feed)
    assert [row["who"] for row in answer["rows"]] == ["Set S-1"]
    assert answer["banner"] == words.LISTENER_BAD.format(state=words.NO_LISTENER)  # none runs here
    assert {"text": words.FAULTY.format(names="trial/S-2"), "bad": True} in answer["system"]
    logged = [record for record in caplog.records if record.levelno == logging.ERROR]
    assert len(logged) == 1
    assert logged[0].exc_info is not None


def test_a_capture_dated_in_the_future_is_not_shown_as_just_heard(
    tmp_path: Path, wait_until: Callable[..., Any]
) -> None:
    heard = pressure("S-1", 0)
    tomorrow = Heard(heard.received + timedelta(days=1), heard.topic, heard.payload)
    seal_messages(tmp_path, frames_from_heard([tomorrow]), "a-capture")
    feed = Feed(Archive(tmp_path), Profile.default())
    feed.start()
    try:
        wait_until(lambda: picture(feed)["ready"], what="an answer")
        assert {"text": words.NOTHING_HEARD, "bad": True} in picture(feed)["system"]
    finally:
        feed.stop()


def test_the_pause_between_attempts_doubles_up_to_half_a_minute_and_begins_anew_after_a_good_one(
    archive: HeldArchive, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each attempt reads the last hours anew: a fault that stays must not do so every second."""
    feed = Feed(archive, Profile.default())
    pauses: list[float] = []

    class Clock:
        """Stands for the feed's stop signal: keeps how long it was to wait, and ends it after some rounds."""

        def is_set(self) -> bool:
            return len(pauses) >= 9

        def wait(self, pause_s: float) -> bool:
            if archive.fault is not None and pause_s >= 1.0:  # else the rest of a tick
                pauses.append(pause_s)
                if len(pauses) == 7:
                    archive.fault = None
            elif archive.fault is None and "rows" in picture(feed):  # a good one
                archive.fault = OSError("gone again")
            return False

    archive.fault = OSError("no such disk")
    monkeypatch.setattr(feed, "_stop", Clock())
    feed._run()
    assert pauses == [1.0, 2.0, 4.0, 8.0, 16.0, LONGEST_PAUSE_S, LONGEST_PAUSE_S, 1.0, 2.0]
    assert LONGEST_PAUSE_S == 30.0


def test_a_fault_that_stays_for_a_night_does_not_end_the_feed(
    archive: HeldArchive, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Found: after 1,024 attempts in a row the pause left a float's range, and the feed ended."""
    feed = Feed(archive, Profile.default())
    pauses: list[float] = []

    class Clock:
        """Stands for the feed's stop signal: takes no time, and ends it after three rounds."""

        def is_set(self) -> bool:
            return len(pauses) >= 3

        def wait(self, pause_s: float) -> bool:
            if pause_s >= 1.0:
                pauses.append(pause_s)
            return False

    archive.fault = OSError("no such disk")
    monkeypatch.setattr(feed, "_stop", Clock())
    monkeypatch.setattr(feed, "_failures", 1023)  # a night of half minutes
    feed._run()
    assert pauses == [LONGEST_PAUSE_S] * 3


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Callable[[float], None]:
    """Set the feed's clock."""

    def at(moment_s: float) -> None:
        monkeypatch.setattr(feed_module, "steady_s", lambda: moment_s)

    at(1000.0)
    return at


def test_a_fault_stays_on_the_page_for_ten_minutes_and_is_logged_when_it_changes(
    tmp_path: Path, clock: Callable[[float], None], caplog: pytest.LogCaptureFixture
) -> None:
    feed = Feed(Archive(tmp_path), Profile.default())

    def told(at_s: float, *faults: str) -> tuple[list[str], int]:
        clock(at_s)
        caplog.clear()
        feed._board.faults += [("set S-1", ValueError(fault)) for fault in faults]
        return feed._faults(), len(caplog.records)

    assert told(1000.0, "a") == (["set S-1"], 1)
    assert told(1300.0, "a") == (["set S-1"], 0)
    assert told(1301.0, "b") == (["set S-1"], 1)
    assert told(1901.0) == (["set S-1"], 0)
    assert told(1901.1) == ([], 0)
    assert told(1902.0, "b") == (["set S-1"], 1)


def test_an_answer_of_more_than_ten_seconds_ago_is_not_the_present(
    tmp_path: Path, clock: Callable[[float], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    feed = Feed(Archive(tmp_path), Profile.default())
    assert "restart underair serve" in feed.why_not_ready()
    monkeypatch.setattr(Feed, "alive", True)
    assert feed.why_not_ready() == "starting"
    feed._problem = ""
    clock(1010.0)
    assert feed.why_not_ready() == ""
    clock(1011.0)
    assert feed.why_not_ready() == "the live page was last renewed 11 s ago"


def test_each_tick_makes_an_answer_and_every_tenth_looks_at_the_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    looked: list[int] = []
    turns: list[tuple[int, int]] = []
    feed = Feed(Archive(tmp_path), Profile.default(), broker_connected=lambda: False)

    def free(_: Path) -> Any:
        looked.append(feed._ticks)
        return SimpleNamespace(free=5_000_000_000)

    def lines(known: Any, turn: int, of: int) -> Any:
        turns.append((turn % of, of))
        return {}

    monkeypatch.setattr(feed_module.shutil, "disk_usage", free)
    monkeypatch.setattr(feed._board, "lines", lines)
    for _ in range(21):
        feed._tick(time.monotonic() - 2.0)
    assert looked == [0, 10, 20]
    assert turns[:11] == [(turn % 10, 10) for turn in range(11)]  # each tick renews a tenth of the lines
    assert 2000.0 < feed.last_tick_ms < 30_000.0
    assert feed.snapshot is not None
