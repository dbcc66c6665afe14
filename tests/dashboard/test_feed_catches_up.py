"""The feed from its first moment: it answers at once, takes the past in parts, counts ages by one clock."""

from __future__ import annotations

import gzip
import json
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import msgspec
import pytest

from analysis.profile import Profile
from dashboard.live import feed as feed_module
from dashboard.live import words
from dashboard.live.catching_up import in_parts
from dashboard.live.display import Display, display_of
from dashboard.live.feed import Feed, ListenerClock
from ingest.archive.reading import Archive
from ingest.contract.captures import Heard
from ingest.contract.frames import Messages, frames_from_heard, no_messages
from ingest.status import FILE_NAME, Status, encode_status

NOW = datetime(2031, 5, 4, 10, 0, tzinfo=UTC)


def pressure(seq: int, at: datetime) -> Heard:
    payload = {"kind": "pressure", "set_id": "S-1", "boot": 1, "seq": seq, "time": at.isoformat()}
    body = json.dumps(payload | {"pressure_bar": 280.0}).encode()
    return Heard(at, "underair/v1/trial/set/S-1/pressure", body, False)


def picture(feed: Feed, display: Display | None = None) -> dict[str, Any]:
    packed = feed.answer.packed() if display is None else feed.answer.packed(display)
    answer: dict[str, Any] = json.loads(gzip.decompress(packed))
    return answer


class SlowArchive(Archive):
    """An archive that hands over each lot only when the test lets it."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.let = threading.Semaphore(0)
        self.asked: list[tuple[datetime, datetime]] = []
        self.now = datetime.now(UTC)

    def messages(self, since: Any = None, until: Any = None, *rest: Any, **more: Any) -> Messages:
        self.asked.append((since, until))
        self.let.acquire()
        return frames_from_heard([pressure(len(self.asked), since + timedelta(minutes=5))])

    def follow(self) -> Any:
        return self

    def new_messages(self) -> Messages:
        return no_messages()

    def close(self) -> None:
        pass


def test_it_says_that_it_starts_then_how_far_it_has_caught_up_and_shows_no_row_meanwhile(
    tmp_path: Path, wait_until: Callable[..., Any]
) -> None:
    archive, ready = SlowArchive(tmp_path), threading.Event()
    feed = Feed(archive, Profile.default(), prepare=lambda: ready.wait() and None)
    feed.start()
    try:
        assert picture(feed)["banner"] == words.STARTING
        ready.set()
        archive.let.release(12)
        wait_until(lambda: len(archive.asked) == 13, what="the twelfth lot")
        said = picture(feed)
        assert said["ready"] is False
        assert "rows" not in said
        assert "Catching up" in said["banner"]
        percent = int(said["banner"].split(": ")[1].split("\u00a0%")[0])
        assert 35 <= percent <= 50  # who is still in, then 11 lots of half an hour out of twelve hours
        archive.let.release(100)
        wait_until(lambda: picture(feed)["ready"], what="the live picture")
    finally:
        ready.set()
        archive.let.release(100)
        feed.stop()
    ends = [until for _, until in archive.asked[:-1]]
    assert ends == [since for since, _ in archive.asked[1:]]  # no hole between two lots


@pytest.mark.parametrize("most", [1, 7, 40, 100])
def test_parts_hold_every_message_once_in_the_order_of_receipt(most: int) -> None:
    heard = [pressure(seq, NOW + timedelta(seconds=seq // 3)) for seq in range(40)]
    parts = list(in_parts(frames_from_heard(heard), most))
    taken = [seq for part, _, _ in parts for seq in part["pressure"]["seq"]]
    assert taken == list(range(40))
    assert parts[-1][1] == 1.0
    told = 0
    for part, fraction, at_s in parts:  # how far it goes, and when its last message was received
        told += part["pressure"].height
        assert told - 3 < 40 * fraction <= told  # three were received in the same moment
        assert at_s == heard[told - 1].received.timestamp()
    assert list(in_parts(no_messages())) == []


def word(at: datetime, name: str = "listener") -> Status:
    return Status(listener=name, state="up", at=at, connected=True)


@pytest.mark.parametrize("ahead_s", [-3600.0, -30.0, 30.0, 3600.0])
def test_a_listeners_clock_that_is_off_is_measured_from_its_renewed_word(ahead_s: float) -> None:
    clock, off = ListenerClock(), timedelta(seconds=ahead_s)
    clock.hear([word(NOW + off)], NOW, 0.0)
    for second in (5, 10):
        at = NOW + timedelta(seconds=second)
        clock.hear([word(at + off)], at + timedelta(seconds=0.3), second + 0.3)  # looked at a little later
    assert clock.ahead_s() == pytest.approx(ahead_s, abs=0.4)
    assert list(clock.differences_s()) == ["listener"]


def test_an_old_word_and_a_busy_machine_are_no_difference_of_clocks() -> None:
    clock = ListenerClock()
    clock.hear([word(NOW - timedelta(hours=1))], NOW, 0.0)  # a listener that stopped long ago
    assert clock.ahead_s() == 0.0
    for second, late_s in ((5, 0.4), (10, 4.0)):
        at = NOW + timedelta(seconds=second)
        clock.hear([word(at)], at + timedelta(seconds=late_s), second + late_s)
    assert (clock.ahead_s(), clock.differences_s()) == (0.0, {})


DAYS_S = 2 * 86_400.0


@pytest.mark.parametrize("by_s", [DAYS_S, -DAYS_S])
def test_the_machines_clock_is_set_and_no_age_changes(by_s: float) -> None:
    clock, by = ListenerClock(), timedelta(seconds=by_s)
    for second in (0, 5, 10):
        at = NOW + timedelta(seconds=second)
        clock.hear([word(at)], at, 100.0 + second)
    assert clock.ahead_s() == 0.0
    clock.hear([word(NOW + timedelta(seconds=10))], NOW + timedelta(seconds=11) + by, 111.0)
    assert clock.ahead_s() == pytest.approx(-by_s), "at once, before the listener has said anything"
    assert clock.differences_s() == {"listener": pytest.approx(-by_s)}


@pytest.mark.parametrize("by_s", [DAYS_S, -DAYS_S])
def test_a_page_that_starts_after_that_believes_the_listeners_first_word(by_s: float) -> None:
    clock = ListenerClock()
    set_before = msgspec.structs.replace(word(NOW - timedelta(seconds=by_s)), clock_set_s=by_s)
    clock.hear([set_before], NOW, 100.0)
    assert clock.ahead_s() == pytest.approx(-by_s)


def test_nobody_seems_silent_when_the_machines_clock_is_set(
    tmp_path: Path, wait_until: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Mended: all sets silent for two days, while a reading came every second."""
    archive = SlowArchive(tmp_path)
    archive.let.release(1000)
    journal = tmp_path / "journal" / "listener"
    journal.mkdir(parents=True)
    by = timedelta()

    class Machine(datetime):
        @classmethod
        def now(cls, tz: Any = None) -> Any:
            return datetime.now(tz) + by

    monkeypatch.setattr(feed_module, "datetime", Machine)

    def new_messages() -> Messages:
        now = datetime.now(UTC)
        status = msgspec.structs.replace(word(now), clock_set_s=by.total_seconds())
        (journal / FILE_NAME).write_bytes(encode_status(status))
        return frames_from_heard([pressure(int(now.timestamp() * 1000), now)])

    archive.new_messages = new_messages  # type: ignore[method-assign]
    feed = Feed(archive, Profile.default())
    seen: list[Any] = []
    monkeypatch.setattr(feed, "_tell", seen.append)
    feed.start()
    try:
        wait_until(lambda: len(seen) > 5, what="some answers")
        by = timedelta(days=2)
        set_at = len(seen)
        wait_until(lambda: len(seen) > set_at + 5, what="more answers")
        said = picture(feed)
        assert feed.why_not_ready() == ""
    finally:
        feed.stop()
    silent = [one for snapshot in seen[1:] for one in snapshot.rows if one.silent_since_at is not None]
    assert silent == []
    assert max(abs(snapshot.at - datetime.now(UTC).timestamp()) for snapshot in seen) < 300.0
    assert any("clock was set forward by 2 d 0 h" in one["text"] for one in said["system"] if one["bad"])


def test_ages_go_by_the_listeners_clock_and_the_page_says_so(
    tmp_path: Path, wait_until: Callable[..., Any]
) -> None:
    off = timedelta(minutes=10)
    archive = SlowArchive(tmp_path)
    archive.let.release(1000)
    journal = tmp_path / "journal" / "listener"
    journal.mkdir(parents=True)

    def new_messages() -> Messages:
        now = datetime.now(UTC) + off
        (journal / FILE_NAME).write_bytes(encode_status(word(now)))
        return frames_from_heard([pressure(int(now.timestamp() * 1000), now)])

    archive.new_messages = new_messages  # type: ignore[method-assign]
    feed = Feed(archive, Profile.default())
    feed.start()
    try:
        wait_until(lambda: picture(feed).get("rows"), what="the row")
        wait_until(lambda: "ahead" in json.dumps(picture(feed)["system"]), what="the difference")
        said = picture(feed)
        assert any("10:0" in one["text"] or "9:5" in one["text"] for one in said["system"] if one["bad"])
        assert said["rows"][0]["air_sub"].startswith(("0 s ago", "1 s ago"))
        assert abs(said["now"] - (datetime.now(UTC) + off).timestamp()) < 3.0
    finally:
        feed.stop()


def test_each_browser_has_its_own_units_and_clock_of_the_same_moment(
    tmp_path: Path, wait_until: Callable[..., Any]
) -> None:
    archive = SlowArchive(tmp_path)
    archive.let.release(1000)
    archive.new_messages = lambda: frames_from_heard(  # type: ignore[method-assign]
        [pressure(int(datetime.now(UTC).timestamp() * 1000), datetime.now(UTC))]
    )
    feed = Feed(archive, Profile.default())
    feed.start()
    try:
        wait_until(lambda: picture(feed).get("rows"), what="the row")
    finally:
        feed.stop()
    plain, other = picture(feed), picture(feed, Display("imperial", 345))
    assert plain["rows"][0]["air"] == "280 bar"
    assert other["rows"][0]["air"] == "4,061 psi"  # 280 x 14.503774 = 4061.06
    assert plain["now"] == other["now"]
    assert plain["clock"].endswith(" UTC")
    assert other["clock"].endswith(" local")
    assert other["offset_s"] == 345 * 60
    assert plain["rows"][0]["strip"] == other["rows"][0]["strip"]  # what is drawn is what was recorded


@pytest.mark.parametrize(
    ("units", "offset"), [("stones", ""), ("metric", "7"), ("metric", "900"), ("metric", "x")]
)
def test_a_display_that_is_none_is_refused(units: str, offset: str) -> None:
    assert display_of(units, offset) is None
