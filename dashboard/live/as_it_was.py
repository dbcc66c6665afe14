"""The live board of a past moment: made again from the messages that had been received by then.

The same code as the live page's, so a reconstruction by this version of the program; it does not know which
version ran then, nor what that desk's browser had filtered.
"""

import threading
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from importlib.metadata import version
from typing import Any

from analysis.live.board import Lines, LiveBoard
from analysis.live.rows import Snapshot
from analysis.profile import Profile
from dashboard.live import view as live_view
from dashboard.live import words
from dashboard.live.catching_up import received_until
from dashboard.live.display import Display
from ingest.archive.reading import Archive
from ingest.contract.errors import UnderairError
from ingest.contract.times import FIRST_YEAR, LAST_YEAR
from ingest.plurals import counted

KEPT = 12  # moments kept ready: a person steps forth and back


class NoMoment(UnderairError):
    """A time that cannot be read."""


def moment(text: str) -> datetime:
    """Return a moment (RFC 3339) in UTC.

    Raises `NoMoment` when it is not a time, has no time zone, or a year that no message can have.
    """
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        at = datetime.min
    if at.tzinfo is None:
        raise NoMoment(f"the time must be like 2031-05-04T19:53:00Z, with its zone; got {text!r}")
    if not FIRST_YEAR <= at.year <= LAST_YEAR:  # the first and last years have no room for an hour more
        raise NoMoment(f"the time must be of the years {FIRST_YEAR} to {LAST_YEAR}; got {text!r}")
    return at.astimezone(UTC)


def board_at(archive: Archive, profile: Profile, at: datetime) -> LiveBoard:
    """Return the board as it was with everything received by a moment."""
    board = LiveBoard(profile)
    for part, _ in received_until(archive, at, at + timedelta(microseconds=1)):
        board.take(part)
    board.settle()  # the same messages give the same picture, in whatever lots they came then
    return board


class PastBoards:
    """Boards of past moments of one archive; the last few are kept."""

    def __init__(self, archive: Archive, profile: Profile) -> None:
        self._profile = profile
        self._lock = threading.Lock()  # one is made at a time: the live page goes first

        @lru_cache(KEPT)
        def kept(at: datetime) -> tuple[Snapshot, Lines]:
            board = board_at(archive, profile, at)
            return board.snapshot(at), board.lines()

        self._kept = kept

    def picture(self, at: datetime, display: Display) -> dict[str, Any]:
        """Return what the page paints, marked as a reconstruction."""
        snapshot, _ = self._at(at)
        system = live_view.System(
            forecast=self._profile.forecast.version, standby_wanted=self._profile.entry.standby_team
        )
        shown = live_view.page(snapshot, system, display)
        banner = words.RECONSTRUCTED.format(at=_dated(at, display), version=version("underair"))
        parts = live_view.not_known(snapshot, display)
        parts.append(
            (
                words.PER_MINUTE.format(messages=counted(snapshot.hearing.received_last_minute, "message")),
                False,
            )
        )
        return shown | {
            "past": True,
            "banner": banner,
            "clock": _dated(at, display),
            "system": [{"text": text, "bad": bad} for text, bad in parts],
            "desk": "",
        }

    def lines(self, at: datetime) -> Lines:
        """Return the air lines up to that moment."""
        return self._at(at)[1]

    def _at(self, at: datetime) -> tuple[Snapshot, Lines]:
        with self._lock:
            return self._kept(at)


def _dated(at: datetime, display: Display) -> str:
    seconds = at.timestamp()
    return f"{display.clock(seconds, '%Y-%m-%d')} {display.named_clock(seconds)}"
