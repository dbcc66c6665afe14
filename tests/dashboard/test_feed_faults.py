"""A fault of this program must not end the live page: it is logged, said on the page, and gone on from."""

from __future__ import annotations

import gzip
import json
import logging
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from analysis.live.inside import SetNow
from analysis.profile import Profile
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
    assert answer["banner"] is None
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
    feed = Feed(Archive(tmp_path), tmp_path, Profile.default())
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
    feed = Feed(archive, tmp_path, Profile.default())
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
    feed = Feed(archive, tmp_path, Profile.default())
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
