"""Follows the archive into the live board on a thread of its own, and keeps one finished answer for all
viewers.

What the archive has is what the page shows: the feed reads the unsealed tail of the archive and never the
broker. The answer is made once a tick, encoded and packed once, and handed as it is to everybody who asks.
"""

from __future__ import annotations

import contextlib
import gzip
import logging
import secrets
import shutil
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import msgspec
import polars as pl

from analysis.live.board import LiveBoard
from analysis.profile import Profile
from dashboard.live import view as live_view
from dashboard.live import words
from ingest.archive.reading import Archive
from ingest.contract.errors import UnderairError
from ingest.status import Status, read_statuses

TICK_S = 0.5  # half of the page's second, so that a message is painted within a second of its being published
CATCH_UP = timedelta(hours=6)  # longer than any wear; older incidents are the review's
LISTENER_AHEAD = timedelta(minutes=1)  # how far a listener's clock may be ahead of this machine's
LINES_EVERY = 10  # ticks between two renewals of the air lines so far
FAULT_SHOWN_S = 600.0  # a fault of ours stands on the system line so long after its last time
UNREADABLE = (UnderairError, OSError, pl.exceptions.PolarsError)

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Answer:
    """One finished answer: JSON packed with gzip, and when it was made (monotonic clock)."""

    packed: bytes
    made_s: float


class Feed:
    """The live board behind the page.

    Parameters
    ----------
    archive : Archive
        What is followed.
    folder : Path
        The archive's folder, for the room left on its disk.
    profile : Profile
        The service's doctrine.
    broker_connected : callable, optional
        Whether the desk has its connection to the broker; None where it has no broker at all.
    """

    def __init__(
        self,
        archive: Archive,
        folder: Path,
        profile: Profile,
        broker_connected: Callable[[], bool] | None = None,
    ) -> None:
        self._archive = archive
        self._folder = folder
        self._board = LiveBoard(profile)
        self._broker_connected = broker_connected
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="feed", daemon=True)
        self._ticks = 0
        self._listeners: tuple[Status, ...] = ()
        self._disk_free_bytes: int | None = None
        self._faulty: dict[str, tuple[str, float]] = {}  # by speaker: what, and when last (monotonic)
        # The token goes to pages of our own origin only; a form on a foreign page cannot know it.
        self.token = secrets.token_urlsafe(24)
        self.services: tuple[str, ...] = ()
        self.last_tick_ms = 0.0  # the server's work for the latest answer
        self.answer = self._pack(live_view.starting(self.token))
        self.lines = self._pack({})

    def start(self) -> None:
        """Start following."""
        self._thread.start()

    def stop(self) -> None:
        """Stop following and wait for the thread."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(10)

    @property
    def alive(self) -> bool:
        """Whether the thread still follows; when it ended by a fault, the page must say so."""
        return self._thread.is_alive()

    def _run(self) -> None:
        follower = None
        while not self._stop.is_set():
            began_s = time.monotonic()
            try:
                if follower is None:
                    # Follow first, then read what is there: what is in both does no harm, a hole would.
                    follower = self._archive.follow()
                    now = datetime.now(UTC)
                    # A capture may be dated in the future; what nobody can have heard yet is not live.
                    self._board.take(self._archive.messages(now - CATCH_UP, now + LISTENER_AHEAD))
                self._board.take(follower.new_messages())
                self._tick(began_s)
            except Exception as error:
                if isinstance(error, UNREADABLE):
                    log.exception("the archive cannot be read; trying again")
                    self.answer = self._pack(live_view.unreadable(str(error), self.token))
                else:
                    log.exception("the live page failed by a fault of this program; trying again")
                    self.answer = self._pack(live_view.stopped(self.token))
                if follower is not None:
                    with contextlib.suppress(*UNREADABLE):
                        follower.close()
                follower = None
                self._board = LiveBoard(self._board.profile)
                self._stop.wait(1.0)
            self._stop.wait(max(0.0, TICK_S - (time.monotonic() - began_s)))
        if follower is not None:
            follower.close()

    def _tick(self, began_s: float) -> None:
        now = datetime.now(UTC)
        self._listeners = tuple(read_statuses(self._folder))
        if self._ticks % LINES_EVERY == 0:
            self.lines = self._pack(live_view.lines(self._board.lines()))
            self._disk_free_bytes = shutil.disk_usage(self._folder).free
        snapshot = self._board.snapshot(now)
        self.services = snapshot.services
        system = live_view.System(
            listeners=self._listeners,
            disk_free_bytes=self._disk_free_bytes,
            broker_connected=self._broker_connected() if self._broker_connected is not None else None,
            token=self.token,
        )
        picture = live_view.page(snapshot, system)
        if faulty := self._faults(began_s):
            picture["system"].append({"text": words.FAULTY.format(names=", ".join(faulty)), "bad": True})
        self.answer = self._pack(picture)
        self._ticks += 1
        self.last_tick_ms = (time.monotonic() - began_s) * 1000.0

    def _faults(self, now_s: float) -> list[str]:
        """Log what newly failed on the board and return whose messages failed of late."""
        for name, error in self._board.faults:
            what = repr(error)
            if name not in self._faulty or self._faulty[name][0] != what:
                log.error("the live board failed on %s; it goes on without", name, exc_info=error)
            self._faulty[name] = what, now_s
        self._board.faults.clear()
        self._faulty = {
            name: known for name, known in self._faulty.items() if now_s - known[1] <= FAULT_SHOWN_S
        }
        return sorted(self._faulty)

    @staticmethod
    def _pack(content: object) -> Answer:
        return Answer(gzip.compress(msgspec.json.encode(content), 1), time.monotonic())
