"""A hand-written log for the tests: sets and desks that say what the test needs, with known true times."""

from __future__ import annotations

import functools
import json
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from analysis.live.board import LiveBoard
from analysis.live.rows import Snapshot
from analysis.profile import Profile
from ingest.contract.captures import Heard
from ingest.contract.frames import Messages, frames_from_heard

OPENED = datetime(2031, 5, 4, 10, 0, 0, tzinfo=UTC)


@functools.lru_cache(maxsize=100_000)
def moment(after_us: int) -> tuple[datetime, str]:
    """Return a moment after the opening, and how a set writes it."""
    at = OPENED + timedelta(microseconds=after_us)
    return at, f"{at.replace(tzinfo=None).isoformat(timespec='microseconds')}Z"


quoted = functools.lru_cache(json.dumps)
OF_EVERY_MESSAGE = {"kind", "set_id", "desk_id", "boot", "seq", "time", "uptime_s"}
WRITTEN: dict[str, str] = {}
"""Fields as JSON, by how Python writes them: most scenes tell most of the same wear."""


def message_of(
    role: str,
    name: str,
    boot: int,
    seq: int,
    kind: str,
    shown_s: float,
    uptime_s: float | None,
    fields: dict[str, Any],
) -> tuple[str, bytes]:
    """Return topic and payload of one message."""
    topic, (_, shown) = f"underair/v1/trial/{role}/{name}/{kind}", moment(round(1e6 * shown_s))
    if not OF_EVERY_MESSAGE.isdisjoint(fields):
        payload = {"kind": kind, f"{role}_id": name, "boot": boot, "seq": seq, "time": shown}
        uptime = {} if uptime_s is None else {"uptime_s": uptime_s}
        return topic, json.dumps(payload | uptime | fields).encode()
    told = repr(fields)
    written = WRITTEN.get(told)
    if written is None:
        written = WRITTEN[told] = json.dumps(fields)[1:]
    uptime = "" if uptime_s is None else f', "uptime_s": {json.dumps(uptime_s)}'
    about = f'"kind": "{kind}", "{role}_id": {quoted(name)}, "boot": {boot}, "seq": {seq}, "time": "{shown}"'
    return topic, f"{{{about}{uptime}{', ' if fields else ''}{written}".encode()


@dataclass
class Talker:
    """A set or desk from one power-up; `clock` maps true seconds to what its clock shows (seconds)."""

    name: str
    boot: int = 1
    role: str = "set"
    clock: Callable[[float], float] = lambda true_s: true_s
    delay: Callable[[float], float] = lambda true_s: 0.05
    powered_s: float | None = None  # None: no uptime_s
    first_seq: int = 0
    said: list[tuple[float, str, bool, bool, dict[str, Any]]] = field(default_factory=list)
    kept: tuple[tuple[Any, ...], list[tuple[float, Heard]]] | None = field(default=None, repr=False)

    def say(
        self, true_s: float, kind: str, *, lost: bool = False, retained: bool = False, **fields: Any
    ) -> None:
        """Say one message; `seq` is given in order of true time when the log is heard."""
        self.said.append((true_s, kind, lost, retained, fields))

    def heard(self) -> list[tuple[float, Heard]]:
        """Return (true seconds, message) of all that was not lost, in the order said.

        The same again while nothing was changed: a test that looks at the board ten times asks ten times.
        """
        about = (self.name, self.boot, self.role, self.clock, self.delay, self.powered_s, self.first_seq)
        told = (*about, list(self.said))
        if self.kept is not None and self.kept[0] == told:
            return self.kept[1]
        found = []
        ordered = sorted(self.said, key=lambda one: one[0])
        for seq, (true_s, kind, lost, retained, fields) in enumerate(ordered, self.first_seq):
            if lost:
                continue
            uptime_s = None if self.powered_s is None else round(true_s - self.powered_s, 3)
            said = (self.role, self.name, self.boot, seq, kind, self.clock(true_s), uptime_s)
            topic, body = message_of(*said, fields)
            received, _ = moment(round(1e6 * (true_s + self.delay(true_s))))
            found.append((true_s, Heard(received, topic, body, retained)))
        self.kept = (told, found)
        return found

    def set_up(self, true_s: float, **fields: Any) -> None:
        """Say what the set is: one 6.8 L cylinder of 300 bar, warning at 55 bar, unless told otherwise."""
        setup: dict[str, Any] = {"cylinders": {"count": 1, "water_volume_l": 6.8, "rated_bar": 300.0}}
        setup |= {"low_air_bar": 55.0, "no_motion_prealarm_s": 20.0, "no_motion_alarm_s": 30.0}
        self.say(true_s, "setup", **(setup | {"heat_start_c": 150.0} | fields))

    def breathe(
        self,
        from_s: float,
        seconds: int,
        *,
        start_bar: float = 300.0,
        bar_s: float = 0.09,
        opens: bool = True,
        closes: bool = True,
        motion: Callable[[float], float] = lambda true_s: 1.0,
        temperature: Callable[[float], float] = lambda true_s: 20.0,
        silent: tuple[float, float] = (0.0, 0.0),
        only_pressure: bool = False,
    ) -> float:
        """One wear at a steady fall of the pressure, 1 bar steps, every second; return its last second.

        With `only_pressure`, where nothing else matters, a third of the messages.
        """
        if opens:
            for back, bar in ((3, 0.0), (2, 0.3 * start_bar), (1, 0.9 * start_bar)):
                self.say(from_s - back, "pressure", pressure_bar=float(int(bar)))
        still_s = 0.0
        for number in range(seconds):
            true_s = from_s + number
            lost = silent[0] <= true_s < silent[1]
            moving = motion(true_s)
            still_s = 0.0 if moving >= 0.35 else still_s + 1.0
            bar = float(int(start_bar - bar_s * number + 0.5))
            self.say(true_s, "pressure", pressure_bar=bar, lost=lost)
            if only_pressure:
                continue
            self.say(true_s + 0.1, "motion", motion_m_s2=moving, still_s=still_s, lost=lost)
            self.say(true_s + 0.2, "temperature", temperature_c=temperature(true_s), lost=lost)
        if closes:
            end_bar = start_bar - bar_s * (seconds - 1)
            for ahead, bar in ((0, 0.45 * end_bar), (1, 0.08 * end_bar), (2, 0.0), (3, 0.0)):
                self.say(from_s + seconds + ahead, "pressure", pressure_bar=float(int(bar)))
        return from_s + seconds - 1


@dataclass
class WrittenLog:
    """All that speakers said."""

    talkers: list[Talker] = field(default_factory=list)
    extra: list[Heard] = field(default_factory=list)

    def talker(self, name: str, boot: int = 1, **options: Any) -> Talker:
        """Return a new set (or, with role="desk", a desk)."""
        self.talkers.append(Talker(name, boot, **options))
        return self.talkers[-1]

    def desk(self, name: str = "D-1") -> Talker:
        """Return a desk."""
        return self.talker(name, role="desk")

    def heard(self) -> list[tuple[float, Heard]]:
        """Return (true seconds, message) in the order received."""
        found = [one for talker in self.talkers for one in talker.heard()]
        return sorted(found, key=lambda one: one[1].received)

    def frames(self) -> Messages:
        """Return the typed frames."""
        return frames_from_heard([*(one for _, one in self.heard()), *self.extra])

    def seen_on(self, board: LiveBoard) -> Callable[[float], Snapshot]:
        """Return what gives a board everything received up to a true time, for the picture of that moment."""
        until = [self.at(-1e6)]

        def see(true_s: float) -> Snapshot:
            now = self.at(true_s)
            everything = [*(heard for _, heard in self.heard()), *self.extra]
            board.take(frames_from_heard([heard for heard in everything if until[0] < heard.received <= now]))
            until[0] = now
            return board.snapshot(now)

        return see

    @staticmethod
    def at(true_s: float) -> datetime:
        """Return the moment of a true time."""
        return OPENED + timedelta(seconds=true_s)


@pytest.fixture
def log() -> WrittenLog:
    return WrittenLog()


@pytest.fixture
def jitter() -> Callable[[float], float]:
    """Radio delays: at least 40 ms, 60 ms more on average, the same in every run."""
    generator = np.random.default_rng(7)
    return lambda true_s: 0.04 + float(generator.exponential(0.06))


@pytest.fixture
def board() -> LiveBoard:
    return LiveBoard(Profile.default())


@pytest.fixture
def see(log: WrittenLog, board: LiveBoard) -> Callable[[float], Snapshot]:
    """Show the live board at a true time of the log."""
    return log.seen_on(board)
