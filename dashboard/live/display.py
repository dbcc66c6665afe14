"""How one browser shows the live page: its units, and UTC or its local time; nothing of it is recorded."""

from dataclasses import dataclass
from datetime import datetime, timedelta, timezone

from dashboard.units import METRIC, UNITS

FARTHEST_MIN = 14 * 60  # the local times of the world lie within these minutes of UTC ...
STEP_MIN = 15  # ... in these steps
HALF_DAY_S = 43_200.0


@dataclass(frozen=True)
class Display:
    """One choice of units and clock."""

    units: str = METRIC.name  # a name of `dashboard.units.UNITS`
    offset_min: int | None = None  # local time minus UTC, minutes; None for UTC
    now: float | None = None  # the moment that the page shows, seconds since 1970
    names_incidents: bool = False  # the page shows more than one: each line says which is its own
    shared_names: frozenset[str] = frozenset()  # of wearers and sets: two services use them

    def clock(self, at: float, pattern: str = "%H:%M:%S") -> str:
        """Return a moment (seconds since 1970) as hours, minutes and seconds.

        Over half a day from now it carries its day: else it would read as the one of today.
        """
        moment = datetime.fromtimestamp(at, timezone(timedelta(seconds=self.offset_s)))
        day = self.now is not None and abs(at - self.now) > HALF_DAY_S
        return f"{f'{moment.day} {moment:%b} ' if day else ''}{moment:{pattern}}"

    def named_clock(self, at: float) -> str:
        """Return a moment with the name of its clock: ``10:30:00 UTC``, ``12:30:00 local``."""
        return f"{self.clock(at)} {'UTC' if self.offset_min is None else 'local'}"

    def pressure(self, bar: float) -> str:
        """Return a gauge pressure with its unit."""
        return UNITS[self.units].text("pressure", bar)

    def rate(self, l_min: float) -> str:
        """Return a breathing rate with its unit."""
        return UNITS[self.units].text("rate", l_min)

    @property
    def offset_s(self) -> int:
        """Seconds to add to UTC."""
        return 60 * (self.offset_min or 0)


STANDARD = Display()


def display_of(units: str | None, offset_min: str | None) -> Display | None:
    """Return the display that a request asks for; None when there is no such one.

    `units` and `offset_min`: as in the address; None or empty for bar and UTC.
    """
    units = units or METRIC.name
    if units not in UNITS:
        return None
    if not offset_min:
        return Display(units)
    try:
        minutes = int(offset_min)
    except ValueError:
        return None
    if abs(minutes) > FARTHEST_MIN or minutes % STEP_MIN:
        return None
    return Display(units, minutes)
