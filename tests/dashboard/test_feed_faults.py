"""A fault of this program must not end the live page: it is logged, said on the page, and gone on from."""

from __future__ import annotations

import gzip
import json
import logging
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from analysis.live.one_set import LiveSet
from analysis.profile import Profile
from dashboard.live import words
from dashboard.live.feed import Feed
from ingest.archive.archive import seal_messages
from ingest.archive.reading import Archive
from ingest.contract.captures import Heard
from ingest.contract.frames import Messages, frames_from_heard, no_messages


class FaultyArchive(Archive):
    """An archive whose messages, and faults, the test holds in its hand."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.new: list[Heard] = []
        self.fault: Exception | None = None

    def messages(self, since: datetime | None = None, until: datetime | None = None) -> Messages:
        return no_messages()

    def follow(self) -> Any:
        return self

    def new_messages(self) -> Messages:
        if self.fault is not None:
            raise self.fault
        new, self.new = self.new, []
        return frames_from_heard(new)

    def close(self) -> None:
        if self.fault is not None:
            raise OSError("closing failed as well")


@pytest.fixture
def archive(tmp_path: Path) -> FaultyArchive:
    return FaultyArchive(tmp_path)


@pytest.fixture
def feed(archive: FaultyArchive, tmp_path: Path) -> Iterator[Feed]:
    feed = Feed(archive, tmp_path, Profile.default())
    feed.start()
    yield feed
    feed.stop()


def pressure(set_id: str, seq: int) -> Heard:
    now = datetime.now(UTC)
    payload = {"kind": "pressure", "set_id": set_id, "boot": 1, "seq": seq, "time": now.isoformat()}
    body = json.dumps(payload | {"pressure_bar": 280.0}).encode()
    return Heard(now, f"underair/v1/trial/set/{set_id}/pressure", body, False)


def picture(feed: Feed) -> dict[str, Any]:
    answer: dict[str, Any] = json.loads(gzip.decompress(feed.answer.packed()))
    return answer


def test_a_fault_that_nobody_thought_of_is_logged_and_said_and_the_feed_goes_on(
    archive: FaultyArchive, feed: Feed, wait_until: Callable[..., Any], caplog: pytest.LogCaptureFixture
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
    archive: FaultyArchive,
    feed: Feed,
    wait_until: Callable[..., Any],
    caplog: pytest.LogCaptureFixture,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    taken = LiveSet.take

    def fails(self: LiveSet, kind: str, record: dict[str, Any]) -> float:
        if self.set_id == "S-2":
            raise ZeroDivisionError("no litres")
        return taken(self, kind, record)

    monkeypatch.setattr(LiveSet, "take", fails)
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
