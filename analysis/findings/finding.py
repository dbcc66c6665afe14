"""What a finding is, and all that the rules may look at."""

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

import polars as pl

from analysis.alarms.alarms import Alarm
from analysis.alarms.rates import Flood
from analysis.clocks.clocks import Clocks
from analysis.findings.examined import Examined
from analysis.profile import Profile
from analysis.records import PowerUp
from analysis.wears.calls import CallAnswer, SharedName
from analysis.wears.entries import Entry
from analysis.wears.gauges import VoiceGauge
from analysis.wears.tally import TallyBook, TallyEntry
from analysis.wears.teams import Turns
from analysis.wears.turn_back import TurnBackNote
from analysis.wears.wears import Wear
from ingest.plurals import counted

Severity = Literal["note", "caution", "serious"]
MOST_EVIDENCE = 8
_TIME_OF_DAY = r"\d\d:\d\d:\d\d UTC"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that an investigator should look at; times in microseconds since 1970 (UTC).

    A time of day in its sentence is on the day (UTC) on which it starts; other days have their date.
    """

    code: str
    severity: Severity
    set_id: str | None
    wear_id: str | None
    started_us: int
    ended_us: int | None
    statement: str
    evidence: tuple[str, ...]

    def __post_init__(self) -> None:
        day = clock(self.started_us).partition(" ")[0]
        object.__setattr__(self, "statement", re.sub(rf"\b{day} (?={_TIME_OF_DAY})", "", self.statement))

    @property
    def finding_id(self) -> str:
        """Return a name that stays the same when the same messages are analysed again."""
        about = f"{self.code}|{self.wear_id}|{self.set_id}|{self.started_us}|{self.evidence[:1]}"
        return f"{self.code}-{hashlib.sha256(about.encode()).hexdigest()[:10]}"


@dataclass(frozen=True)
class Context:
    """Everything that is known when the rules are applied."""

    profile: Profile
    sets: Sequence[PowerUp]
    # Not for desks' messages: a piece of an archive has only those in the fields below.
    desks: Sequence[PowerUp]
    clocks: Clocks
    book: TallyBook
    doubled: Sequence[tuple[TallyEntry, TallyEntry]]
    notes: Sequence[TurnBackNote]
    gauges: Sequence[VoiceGauge]
    answers: Sequence[CallAnswer]  # to orders and roll calls
    shared_names: Sequence[SharedName]
    examined: Sequence[Examined]
    alarms: Sequence[Alarm]
    entries: Sequence[Entry]
    offsets: Mapping[str, tuple[float, list[tuple[str, float]]]]
    turns: Mapping[str, Turns]
    floods: Sequence[Flood]
    window_us: tuple[int, int] | None
    heard_until_us: int
    tallied: bool
    links_down: Mapping[str, Sequence[int]]
    refused: pl.DataFrame  # from `analysis.refused.read_refused`

    def inside(self, at_us: int) -> bool:
        """Return whether a moment belongs to the incident asked for."""
        return self.overlaps(at_us, at_us)

    def overlaps(self, first_us: int, last_us: int) -> bool:
        """Return whether a stretch of time reaches into the incident asked for."""
        return self.window_us is None or (first_us <= self.window_us[1] and last_us >= self.window_us[0])


def finding(
    code: str,
    severity: Severity,
    about: Wear | str | None,
    when_us: int | tuple[int, int | None],
    statement: str,
    evidence: Sequence[str],
) -> Finding:
    """Return a finding; its evidence as `unique` has it.

    - `about`: a wear, a set by its ID, or neither.
    - `when_us`: a moment, or from when until when.
    """
    set_id, wear_id = (about.set_id, about.wear_id) if isinstance(about, Wear) else (about, None)
    started_us, ended_us = when_us if isinstance(when_us, tuple) else (when_us, when_us)
    return Finding(code, severity, set_id, wear_id, started_us, ended_us, statement, unique(evidence))


def unique(evidence: Sequence[str]) -> tuple[str, ...]:
    """Return messages in order, each once, at most eight."""
    return tuple(dict.fromkeys(evidence))[:MOST_EVIDENCE]


def places_below(value: float, limit: float) -> int:
    """Return with how many decimals a value that is below a limit reads as below it.

    Examples
    --------
    >>> places_below(89.2, 90.0), places_below(89.7, 90.0)
    (0, 1)
    """
    return next((places for places in range(3) if round(value, places) < limit), 3)


def clock(at_us: int) -> str:
    """Return a moment as a sentence has it: 2031-05-04 10:21:07 UTC; `Finding` leaves out its own day."""
    return f"{datetime.fromtimestamp(at_us // 1_000_000, UTC):%Y-%m-%d %H:%M:%S} UTC"


def lasting(seconds: float) -> str:
    """Return a length of time as people read it: 42 s, 4 min 10 s, 2 h 5 min.

    Examples
    --------
    >>> lasting(250)
    '4 min 10 s'
    """
    whole = round(abs(seconds))
    if whole < 60:
        return f"{whole} s"
    minutes, rest = divmod(whole, 60)
    if minutes < 60:
        return f"{minutes} min {rest} s" if rest else f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 24:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, hours = divmod(hours, 24)
    day = counted(days, "day")
    return f"{day} {hours} h" if hours and days < 60 else day
