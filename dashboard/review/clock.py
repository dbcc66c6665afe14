"""The clock that is shown: UTC or the time of a zone, right through a change to or from summer time.

Data stay in UTC everywhere; only what a person reads (ticks, tables, the read-out, an export's second time
column) passes through here.
"""

import math
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from ingest.contract.errors import UnderairError
from ingest.contract.times import EPOCH

SECOND_MS = 1000.0
HOUR_MS = 3600 * SECOND_MS
MOST_LOOKS = 2000
DAY_S = 86_400.0
STEPS_S = (
    *(0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30),
    *(60, 120, 300, 600, 900, 1800),
    *(3600, 7200, 10800, 21600, 43200, DAY_S),
)


class BadZone(UnderairError):
    """A name that no time zone has."""


@dataclass(frozen=True)
class Window:
    """A stretch of time, in milliseconds since 1970: what is on screen, or a whole incident."""

    start: float
    end: float


def zone_of(name: str) -> ZoneInfo:
    """Return the time zone of an IANA name.

    Raises `BadZone` when there is none of that name.
    """
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise BadZone(
            f"no time zone {name!r}; expected an IANA name such as Europe/Berlin, America/Chicago or UTC"
        ) from None


_FIRST_MS, _LAST_MS = (
    (datetime(*day, tzinfo=UTC) - EPOCH).total_seconds() * 1000 for day in ((1, 1, 2), (9999, 12, 30))
)


def moment_of(at_ms: float) -> datetime:
    """Return the moment of milliseconds since 1970, in UTC."""
    # An archive made before 0.4.0 may hold a note of the year 1; the margin before it has no date.
    return EPOCH + timedelta(milliseconds=min(max(at_ms, _FIRST_MS), _LAST_MS))


@dataclass(frozen=True)
class Clock:
    """A zone's clock."""

    zone: str = "UTC"  # IANA name
    # Whether its distance from UTC changes in what is shown: then every time of day carries it, because one
    # hour comes twice or not at all.
    changes: bool = False
    # Whether what is shown crosses midnight on this clock: then every time of day carries its date.
    dated: bool = False

    @property
    def is_utc(self) -> bool:
        """Whether it is UTC itself."""
        return self.zone == "UTC"

    def local(self, moment: datetime) -> datetime:
        """Return a moment on this clock."""
        return moment.astimezone(ZoneInfo(self.zone))

    def time(self, moment: datetime, form: str = "%H:%M:%S") -> str:
        """Return the time of day of a moment."""
        date = "%m-%d " if self.dated else ""
        return self._text(moment, date + form)

    def precise(self, moment: datetime) -> str:
        """Return the time of day to the millisecond."""
        return self._text(moment, f"%H:%M:%S.{moment.microsecond // 1000:03d}")

    def date_and_time(self, at_ms: float) -> str:
        """Return date and time of day of milliseconds since 1970, to a tenth of a second."""
        moment = moment_of(round(at_ms))
        return self._text(moment, f"%Y-%m-%d %H:%M:%S.{moment.microsecond // 100_000}")

    def _text(self, moment: datetime, form: str) -> str:
        local = self.local(moment)
        return f"{local:{form}}{_offset(local, short=True) if self.changes else ''}"

    def name(self, moment: datetime) -> str:
        """Return what the clock is called at a moment: "UTC", or the zone with its distance from UTC."""
        return "UTC" if self.is_utc else f"{self.zone}, UTC{_offset(self.local(moment))}"

    def span_name(self, window: Window) -> str:
        """Return what the clock is called over a stretch, with both distances from UTC where it changes."""
        ends = [_offset(self.local(moment_of(at))) for at in (window.start, window.end)]
        if self.is_utc or ends[0] == ends[1]:
            return self.name(moment_of(window.start))
        return f"{self.zone}, UTC{ends[0]} and then UTC{ends[1]}"

    def ticks(self, window: Window, most: int) -> tuple[list[float], list[str]]:
        """Return round moments of this clock in a stretch (milliseconds since 1970) and what to write there.

        `most`: how many find room.
        """
        length_s = max(window.end - window.start, 1.0) / SECOND_MS
        step_s = next((step for step in STEPS_S if length_s / step <= most), None)
        if step_s is None:
            step_s = DAY_S * math.ceil(length_s / DAY_S / most)
        step_ms, found = step_s * SECOND_MS, set()
        offsets = self._offsets_ms(window)
        # Round on the clock as it is at that moment: after a change of summer time other moments are round.
        for shift_ms in offsets:
            first = math.ceil((window.start + shift_ms) / step_ms)
            last = math.floor((window.end + shift_ms) / step_ms)
            moments = (number * step_ms - shift_ms for number in range(first, last + 1))
            found |= {at for at in moments if self._offset_ms(at) == shift_ms}
        changes = self.changes or len(offsets) > 1
        texts, date_before = [], None
        dated = step_s < DAY_S and len({self._date(at) for at in (window.start, window.end)}) > 1
        for at in sorted(found):
            date = self._date(at)
            texts.append(self._tick(at, step_s, changes, with_date=dated and date != date_before))
            date_before = date
        return sorted(found), texts

    def _offset_ms(self, at_ms: float) -> float:
        offset = self.local(moment_of(at_ms)).utcoffset() or timedelta()
        return offset.total_seconds() * SECOND_MS

    def _offsets_ms(self, window: Window) -> set[float]:
        """Return every distance from UTC that this clock has in a stretch."""
        looks = min(2 + int((window.end - window.start) / HOUR_MS), MOST_LOOKS)
        step = (window.end - window.start) / (looks - 1)
        return {self._offset_ms(window.start + number * step) for number in range(looks)}

    def _date(self, at_ms: float) -> date:
        return self.local(moment_of(at_ms)).date()

    def _tick(self, at_ms: float, step_s: float, changes: bool, with_date: bool) -> str:
        local = self.local(moment_of(round(at_ms)))
        if step_s >= DAY_S:
            return f"{local:%Y-%m-%d}"
        text = f"{local:%H:%M:%S}" if step_s < 60 else f"{local:%H:%M}"
        if step_s < 1:
            text += f".{local.microsecond // 100_000}"
        if with_date:
            text = f"{local:%m-%d} {text}"
        return text + (_offset(local, short=True) if changes else "")


UTC_CLOCK = Clock()


def clock_of(zone: str, window: Window) -> Clock:
    """Return the clock of a zone; over `window` it says at every time if its distance from UTC changes there.

    Raises `BadZone` when there is no such zone.
    """
    zone_of(zone)
    clock = Clock(zone)
    start, end = (clock.local(moment_of(at)) for at in (window.start, window.end))
    return Clock(zone, start.utcoffset() != end.utcoffset(), start.date() != end.date())


def _offset(local: datetime, short: bool = False) -> str:
    """Return the distance from UTC: "+02:00", or as short as it can be said, " UTC+2"."""
    minutes = round((local.utcoffset() or timedelta()).total_seconds() / 60)
    sign, hours, rest = "+" if minutes >= 0 else "−", abs(minutes) // 60, abs(minutes) % 60
    if short:
        return f" UTC{sign}{hours}" + (f":{rest:02d}" if rest else "")
    return f"{sign}{hours:02d}:{rest:02d}"
