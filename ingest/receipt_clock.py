"""The clock that stamps what is received. It never jumps while messages come.

A computer may get its time only after it has started, and then sets its clock by days: with that time every
set would seem silent for days. So receipts are counted on from one reading of the machine's clock. When the
clock is set later, that is noted, and the times of receipt follow it only after a long silence. A listener
that starts on the same run of the machine goes on with the clock that it, or another one of the archive, had.
On another run it takes the machine's time, but none before the last receipt: what was received before would
lie in the future, and be gone from the live page.
"""

import contextlib
import time
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path

import msgspec

from ingest.archive.chained import NOTHING_BEFORE, read_chained
from ingest.archive.durable import append_durably, write_durably
from ingest.archive.journal import journal_folders
from ingest.archive.store import ArchivePath
from ingest.contract.times import EPOCH, rfc3339
from ingest.status import statuses_in

SET_FROM_US = 500_000
"""Two good clocks may differ by less: such a difference is simply followed. Our own rule."""
QUIET_US = 3_600_000_000
"""After an hour without a message the receipts follow the machine's clock again. Our own rule."""
BEHIND_US = 12 * 3_600_000_000
"""Receipts never go back behind the last one, unless nothing was heard for so long: then no incident is under
way, and the clock of before was wrong. Our own rule."""
KEEP_EVERY_US = 60_000_000
STATE_FILE, LOG_FILE = "receipt-clock.json", "clock-sets.ndjson"
_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


def steady_s() -> float:
    """Return seconds of a clock that never jumps and goes on while the machine sleeps, where there is one."""
    boottime = getattr(time, "CLOCK_BOOTTIME", None)
    return time.clock_gettime(boottime) if boottime is not None else time.monotonic()


class ClockSet(msgspec.Struct, frozen=True, kw_only=True):
    """The clock of a listener's machine was set, or times of receipt follow it again."""

    at: datetime  # on the clock of the receipts before
    by_s: float  # by how much it was set; positive: forward; 0: it was set earlier
    behind_s: float  # by how much times of receipt are behind it from here on; 0: they follow it
    jump_s: float  # by how much times of receipt jump here
    before: str = NOTHING_BEFORE  # SHA-256 of the line before, without its line end

    def sentence(self, listener: str) -> str:
        """Return it in words."""
        at = rfc3339(self.at)
        said = f"Listener {listener}: the clock of its machine was set by {self.by_s:+,.1f} s at {at}."
        if self.behind_s:
            return f"{said} Receipt times do not follow it: add {self.behind_s:+,.1f} s to later ones."
        if self.by_s:
            return f"{said} Receipt times follow it: they jump by {self.jump_s:+,.1f} s."
        return (
            f"Listener {listener}: receipt times follow the clock of its machine again from {at} on: they "
            f"jump by {self.jump_s:+,.1f} s."
        )


class _State(msgspec.Struct):
    boot: str
    ahead_us: int  # of the steady clock
    heard_us: int  # on the steady clock; 0: nothing yet
    noted_us: int  # which difference of the machine's clock was noted last
    last_us: int = 0  # the last receipt, on the clock of the receipts; 0: none that counts


class ReceiptClock:
    """A listener's clock: this machine's as it was when this began, counted on.

    `look` is to be called several times a second, `heard` with each message.

    - `folder`: of the listener, whose lock is held.
    - `say`: takes a sentence for the log.
    """

    def __init__(
        self,
        folder: Path,
        name: str,
        say: Callable[[str], object],
        wall_us: Callable[[], int] = lambda: time.time_ns() // 1000,
        steady_us: Callable[[], int] = lambda: round(steady_s() * 1e6),
    ) -> None:
        self._wall_us, self._steady_us = wall_us, steady_us
        self._folder, self._name, self._say = folder, name, say
        boot = _BOOT_ID.read_text().strip() if _BOOT_ID.is_file() else ""
        self._kept_us, self._began_us = 0, steady_us()
        kept = list(_states(folder.parent))
        same_run = [one for one in kept if boot and one.boot == boot]
        if same_run:
            self._state = max(same_run, key=lambda one: one.heard_us)
        else:
            # A listener's status is a few seconds old at most, what it kept of its clock a minute.
            told_us = (
                (one.at - EPOCH) // timedelta(microseconds=1) for one in statuses_in(folder.parent.iterdir())
            )
            last_us = max((*(one.last_us for one in kept), *told_us), default=0)
            self._state = _State(boot, max(wall_us(), last_us) - self._began_us, 0, 0, last_us)
        self.look()

    def now_us(self) -> int:
        """Return the time, microseconds since 1970."""
        return self._steady_us() + self._state.ahead_us

    def now(self) -> datetime:
        """Return the time (UTC)."""
        return EPOCH + timedelta(microseconds=self.now_us())

    @property
    def set_us(self) -> int:
        """By how much the machine's clock was set since."""
        return self._wall_us() - self.now_us()

    def heard(self) -> None:
        """Take note that a message came."""
        self._state.heard_us = self._steady_us()

    def look(self) -> None:
        """Compare with the machine's clock; note when that was set, and follow it when nothing is heard."""
        state, behind_us, steady_us = self._state, self.set_us, self._steady_us()
        by_us = behind_us - state.noted_us
        is_set = abs(by_us) >= SET_FROM_US
        differs = abs(behind_us) >= SET_FROM_US
        if state.heard_us:
            state.last_us = max(state.last_us, state.heard_us + state.ahead_us)
        quiet = not state.heard_us or steady_us - state.heard_us > QUIET_US
        goes_back = self._wall_us() < state.last_us
        forgotten = steady_us - max(state.heard_us, self._began_us) > BEHIND_US
        follows = not differs or (quiet and (forgotten or not goes_back))
        is_news = is_set or (follows and differs)
        if is_news:
            self._note(
                ClockSet(
                    at=self.now(),
                    by_s=by_us / 1e6 if is_set else 0.0,
                    behind_s=0.0 if follows else behind_us / 1e6,
                    jump_s=behind_us / 1e6 if follows else 0.0,
                )
            )
        if follows:
            state.ahead_us += behind_us
            state.last_us = min(state.last_us, self.now_us())
        if is_news or state.heard_us - self._kept_us > KEEP_EVERY_US:
            state.noted_us, self._kept_us = 0 if follows else behind_us, state.heard_us
            path = self._folder / STATE_FILE
            try:
                write_durably(path, msgspec.json.encode(state))
            except OSError as error:
                self._say(f"{path} cannot be written: {error.strerror}")

    def _note(self, line: ClockSet) -> None:
        self._say(line.sentence(self._name))
        path = self._folder / LOG_FILE
        try:
            text = path.read_bytes() if path.is_file() else b""
            before = read_chained(text, ClockSet, LOG_FILE)[2]
            append_durably(path, msgspec.json.encode(msgspec.structs.replace(line, before=before)) + b"\n")
        except OSError as error:
            self._say(f"{path} cannot be written ({error.strerror}): only this log says so")


def _states(journals: Path) -> Iterator[_State]:
    """Yield what the listeners of an archive kept; not what is damaged."""
    for path in journals.glob(f"*/{STATE_FILE}"):
        with contextlib.suppress(OSError, msgspec.MsgspecError):
            yield msgspec.json.decode(path.read_bytes(), type=_State)


def read_clock_sets(archive: ArchivePath) -> tuple[list[tuple[str, ClockSet]], list[str]]:
    """Return when the clocks of an archive's listeners were set, by listener, and what is wrong with these
    notes, in words."""
    found: list[tuple[str, ClockSet]] = []
    faults: list[str] = []
    for folder in journal_folders(archive):
        path = folder / LOG_FILE
        if path.is_file():
            lines, wrong, _ = read_chained(path.read_bytes(), ClockSet, f"journal/{folder.name}/{LOG_FILE}")
            found += [(folder.name, line) for line in lines]
            faults += wrong
    return found, faults
