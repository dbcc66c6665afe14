"""Follows the archive into the live board on its own thread; keeps one finished answer for all viewers.

What the archive has is what the page shows: the feed reads the unsealed tail of the archive and never the
broker. The answer is made once a tick; it is worded, encoded and packed once for each display in use.
"""

import contextlib
import gzip
import logging
import secrets
import shutil
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import msgspec

from analysis.live.board import Lines, LiveBoard
from analysis.live.rows import Snapshot
from analysis.profile import Profile
from dashboard.live import view as live_view
from dashboard.live import words
from dashboard.live.catching_up import CATCH_UP, UNREADABLE, in_parts, received_until
from dashboard.live.display import STANDARD, Display
from ingest.archive.reading import Archive, Follower
from ingest.archive.store import work_folder
from ingest.contract.any_error import ANY_ERROR
from ingest.receipt_clock import steady_s
from ingest.status import Status, read_statuses, why_none_listens

TICK_S = 0.5  # half of the page's second, so that a message is painted within a second of its being published
LISTENER_AHEAD = timedelta(minutes=1)  # how far a listener's clock may be ahead of this machine's
LATE_S = 10.0  # an answer older than this is no longer the present
LINES_EVERY = 10  # ticks between two renewals of an air line so far: each tick renews a tenth of them
LONGEST_PAUSE_S = 30.0  # between two attempts after faults: each reads the last hours again
FAULT_SHOWN_S = 600.0  # a fault of ours stays on the system line so long after its last time
WORDS_KEPT = 3  # of a listener, to tell how far its clock is from ours
AGREES_WITHIN_S = 2.0  # our own rule: above what a busy machine delays a look, below what an age may be wrong

log = logging.getLogger(__name__)


class Answer:
    """What there is to say at one moment, worded and packed (JSON, gzip) once for each display asked for.

    `word`: gives the content for a display.
    """

    def __init__(self, word: Callable[[Display], Mapping[str, Any]]) -> None:
        self.made_s = steady_s()
        self._word = word
        self._packed: dict[Display, bytes] = {}
        self._lock = threading.Lock()

    def packed(self, display: Display = STANDARD) -> bytes:
        """Return the answer as it goes out."""
        with self._lock:
            if display not in self._packed:
                self._packed[display] = gzip.compress(msgspec.json.encode(self._word(display)), 1)
            return self._packed[display]


class ListenerClock:
    """How far a listener's clock is from this machine's, so that no age on the page is silently wrong.

    Readings are stamped by the listener; their age is counted on the same clock. A listener renews its word
    every few seconds with the time on its own clock: the fastest of the last words gives the difference.
    """

    def __init__(self) -> None:
        self._last: dict[str, datetime] = {}
        self._words_s: dict[str, deque[float]] = {}  # against a count of seconds that never jumps
        self._machine_s = 0.0  # this machine's clock against the same count

    def hear(self, statuses: Iterable[Status], now: datetime, steady_s: float) -> None:
        """Take the listeners' last status, as it is at `now` on this machine's clock.

        `steady_s`: a count of seconds that goes on evenly when this machine's clock is set.
        """
        self._machine_s = now.timestamp() - steady_s
        for status in statuses:
            before, self._last[status.listener] = self._last.get(status.listener), status.at
            word_s = status.at.timestamp() - steady_s
            # Of a first word it is not known when it was written; but none was written in the future, and a
            # machine whose clock was set says so.
            if before is None and abs(status.clock_set_s) > AGREES_WITHIN_S:
                word_s = self._machine_s - status.clock_set_s
            elif (before is None and word_s - self._machine_s <= AGREES_WITHIN_S) or status.at == before:
                continue
            self._words_s.setdefault(status.listener, deque(maxlen=WORDS_KEPT)).append(word_s)

    def _known_s(self) -> dict[str, float]:
        return {name: max(words) - self._machine_s for name, words in self._words_s.items()}

    def differences_s(self) -> dict[str, float]:
        """Return by listener how far its clock is ahead of this machine's (negative: behind), if it is."""
        return {name: ahead_s for name, ahead_s in self._known_s().items() if abs(ahead_s) > AGREES_WITHIN_S}

    def ahead_s(self) -> float:
        """Return by how much to put this machine's clock forward for ages; 0 where all agree.

        Of several listeners the one farthest ahead counts: an age may come out too old, never too young.
        """
        ahead_s = max(self._known_s().values(), default=0.0)
        return ahead_s if abs(ahead_s) > AGREES_WITHIN_S else 0.0


class Feed:
    """The live board behind the page.

    - `broker_connected`: whether the desk has its connection to the broker; None where it has no broker at
      all.
    - `prepare`: called once on the feed's thread before anything is read; the page says meanwhile that it is
      starting.
    - `services`: services that the desk may speak for before anything was heard of them.
    - `desk_id`: who sends from these pages.
    - `tell`: takes each snapshot of the present, for other systems; must not wait.
    """

    def __init__(
        self,
        archive: Archive,
        profile: Profile,
        broker_connected: Callable[[], bool] | None = None,
        prepare: Callable[[], None] | None = None,
        services: tuple[str, ...] = (),
        desk_id: str | None = None,
        tell: Callable[[Snapshot], None] | None = None,
    ) -> None:
        self._archive = archive
        self._folder = archive.folder
        self._board = LiveBoard(profile)
        self._broker_connected = broker_connected
        self._prepare = prepare
        self._tell = tell
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="feed", daemon=True)
        self._ticks = 0
        self._clock = ListenerClock()
        self._disk_free_bytes: int | None = None
        self._faulty: dict[str, tuple[str, float]] = {}  # by speaker: what, and when last
        self._unpainted: list[tuple[str, Exception]] = []  # of the latest answer
        self._failures = 0  # of the whole feed, one after another
        self._problem = "starting"
        # The token goes to pages of our own origin only; a form on a foreign page cannot know it.
        self.token = secrets.token_urlsafe(24)
        self._told_services = services
        self._desk_id = desk_id
        self.services = services  # and those that were heard
        self.snapshot: Snapshot | None = None  # the latest
        self.last_tick_ms = 0.0  # the server's work for the latest answer
        self.answer = self._say(live_view.not_live(self.token, words.STARTING))
        self.lines = self._say({})
        self._lines: Lines = {}
        self._kept: live_view.Kept = {}  # rows as painted on the display that each tick is packed for

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

    def why_not_ready(self) -> str:
        """Return why what the live page shows is not what is happening; empty when it is."""
        if not self.alive:
            return "the live feed has ended: restart underair serve"
        if self._problem:
            return self._problem
        late_s = steady_s() - self.answer.made_s
        if late_s > LATE_S:
            return f"the live page was last renewed {late_s:,.0f} s ago"
        return why_none_listens(read_statuses(self._folder), self._listeners_now())

    def why_not_present(self) -> str:
        """Return why the board must not be read as the present: also that no listener ever ran there.

        Pages of an archive that was only imported are ready; but an empty board would say that nobody is in.
        """
        return self.why_not_ready() or self._why_not_heard(read_statuses(self._folder))

    def _why_not_heard(self, listeners: Sequence[Status]) -> str:
        """Return why nothing that is said now gets here."""
        return why_none_listens(listeners, self._listeners_now()) if listeners else words.NO_LISTENER

    def _run(self) -> None:
        follower: Follower | None = None
        while not self._stop.is_set():
            began_s = time.monotonic()
            try:
                if self._prepare is not None:
                    self._prepare()
                    self._prepare = None
                if follower is None:
                    # Follow first, then read what is there: what is in both does no harm, a hole would.
                    follower = self._archive.follow()
                    self._catch_up()
                new = follower.new_messages()
                # After a sleep of the machine there may be much of it; what is of the past is not yet live.
                for part, fraction, at_s in in_parts(new):
                    if self._stop.is_set():
                        break
                    self._board.take(part)
                    if fraction < 1.0:
                        self._say_how_far(fraction, at_s, self._listeners_now().timestamp())
                if not self._stop.is_set():
                    self._tick(began_s)
                    self._failures = 0
                    self._problem = ""
            except ANY_ERROR as error:
                self._problem = f"the live page could not be renewed: {error}"
                if isinstance(error, UNREADABLE):
                    log.exception("the archive cannot be read; trying again")
                    banner = words.UNREADABLE.format(problem=error)
                else:
                    log.exception("the live page failed by a fault of this program; trying again")
                    banner = words.FEED_STOPPED
                self.answer = self._say(live_view.not_live(self.token, banner))
                if follower is not None:
                    with contextlib.suppress(*UNREADABLE):
                        follower.close()
                follower = None
                self._board = LiveBoard(self._board.profile)
                # Bounded first: after a night of attempts the power would leave a float's range.
                self._stop.wait(min(2.0 ** min(self._failures, 10), LONGEST_PAUSE_S))
                self._failures += 1
            self._stop.wait(max(0.0, TICK_S - (time.monotonic() - began_s)))
        if follower is not None:
            follower.close()

    def _catch_up(self) -> None:
        """Take what was received in the last hours, a part at a time, and say how far it is."""
        self._clock.hear(read_statuses(self._folder), datetime.now(UTC), steady_s())
        now = self._listeners_now()
        # A capture may be dated in the future; what nobody can have heard yet is not live.
        until = now + LISTENER_AHEAD
        whole_s = (until - (now - CATCH_UP)).total_seconds()
        for part, at_s in received_until(self._archive, now, until):
            if self._stop.is_set():
                return
            self._board.take(part)
            fraction = max(1.0 - (until.timestamp() - at_s) / whole_s, 0.0)
            self._say_how_far(fraction, at_s, now.timestamp())

    def _say_how_far(self, fraction: float, at_s: float, to_s: float) -> None:
        self.answer = Answer(lambda display: live_view.catching_up(self.token, fraction, at_s, to_s, display))

    def _listeners_now(self) -> datetime:
        return datetime.now(UTC) + timedelta(seconds=self._clock.ahead_s())

    def _tick(self, began_s: float) -> None:
        listeners = tuple(read_statuses(self._folder))
        self._clock.hear(listeners, datetime.now(UTC), steady_s())
        if self._ticks % LINES_EVERY == 0:
            self._disk_free_bytes = shutil.disk_usage(work_folder(self._folder)).free
        snapshot = self._board.snapshot(self._listeners_now())
        lines = self._lines = self._board.lines(self._lines, self._ticks, LINES_EVERY)
        self.lines = Answer(lambda _: live_view.lines(lines))
        self.snapshot = snapshot
        if self._tell is not None and not self._why_not_heard(listeners):
            self._tell(snapshot)  # else what was told last runs out by itself
        self.services = tuple(sorted({*snapshot.services, *self._told_services}))
        system = live_view.System(
            listeners=listeners,
            disk_free_bytes=self._disk_free_bytes,
            broker_connected=self._broker_connected() if self._broker_connected is not None else None,
            token=self.token,
            clocks_ahead_s=self._clock.differences_s(),
            faulty=tuple(self._faults()),
            services=self._told_services,
            desk_id=self._desk_id,
            forecast=self._board.profile.forecast.version,
            standby_wanted=self._board.profile.entry.standby_team,
        )
        failed: list[tuple[str, Exception]] = []
        self._unpainted = failed
        answer = Answer(
            lambda display: live_view.page(
                snapshot, system, display, failed, self._kept if display == STANDARD else None
            )
        )
        answer.packed()  # here and not on a viewer's time
        self.answer = answer
        self._ticks += 1
        self.last_tick_ms = (time.monotonic() - began_s) * 1000.0

    def _faults(self) -> list[str]:
        """Log what newly failed on the board and return whose messages failed of late."""
        at_s = steady_s()
        for name, error in [*self._board.faults, *self._unpainted]:
            what = repr(error)
            if name not in self._faulty or self._faulty[name][0] != what:
                log.error(
                    "the live board could not process %s; it continues without it", name, exc_info=error
                )
            self._faulty[name] = what, at_s
        self._board.faults.clear()
        self._faulty = {
            name: known for name, known in self._faulty.items() if at_s - known[1] <= FAULT_SHOWN_S
        }
        return sorted(self._faulty)

    @staticmethod
    def _say(content: Mapping[str, Any]) -> Answer:
        return Answer(lambda _: content)
