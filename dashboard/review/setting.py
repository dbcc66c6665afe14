"""What an incident's tables depend on: whose wear, the shown clock and units, and where a cell jumps to."""

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cache, partial
from typing import Any

from dashboard.review import words
from dashboard.review.clock import SECOND_MS, UTC_CLOCK, Clock, Window
from dashboard.rows import cell
from dashboard.units import METRIC, Quantity, Units

AROUND_A_FINDING_S = 60.0
HEARD_LATE_S = 5.0
"""A message that came sooner came at once, for a person at a desk. Our own rule."""


@dataclass(frozen=True)
class Setting:
    """What the tables of a bench depend on."""

    owner: dict[str, str]  # person of each wear, and of each set without one (`lanes.owners_of`)
    whole: Window  # the incident's extent
    units: Units = METRIC
    shown: Clock = UTC_CLOCK  # the clock that is shown
    policy: str = ""  # the turn-back policy in force
    forecast: str = ""  # version of the constants that the forecast's interval comes from

    def time(self, moment: datetime | None, wear_id: str | None = None) -> Any:
        """A moment as a button that jumps there, to the wearer whom it is about."""
        if moment is None:
            return "–"
        return self.jump(self.clock(moment), moment, wear_id)

    def cells(self, row: dict[str, Any], *names: str, of: str | None = None, unknown: str = "–") -> list[Any]:
        """Return values of a row as `cells` does; a moment jumps to the row's wear, or to that of `of`."""
        time = partial(self.time, wear_id=row.get("wear_id") if of is None else of)
        return cells(row, *names, units=self.units, time=time, unknown=unknown)

    def clock(self, moment: datetime) -> str:
        """Return the time of day on the shown clock."""
        return self.shown.time(moment)

    def jump(self, text: str, moment: datetime, wear_id: str | None) -> Any:
        """Return a cell that jumps to a moment."""
        at = moment.timestamp() * SECOND_MS
        found: dict[str, Any] = {"at": at, **around(at, at, self.whole)}
        person = self.owner.get(wear_id or "")
        return cell(text, value=at, jump=found if person is None else found | {"person": person})

    def who(self, row: dict[str, Any]) -> str:
        """Return the person of a row, or its set."""
        owner = self.owner.get(row["wear_id"] or row["set_id"] or "")
        if owner is not None:
            return owner
        if row.get("wearer_id"):
            return str(row["wearer_id"])
        return f"{words.SET} {row['set_id']}" if row["set_id"] else "–"

    def heard(self, heard: datetime | None, happened: datetime | None) -> str:
        """Return when something was heard, where that was later than it happened; else "at once"."""
        if heard is None or happened is None:
            return "–"
        late_s = (heard - happened).total_seconds()
        return self.clock(heard) if late_s > HEARD_LATE_S else words.AT_ONCE


def around(start: float, end: float, whole: Window) -> dict[str, list[float]]:
    """Return a window with room on both sides, inside the incident."""
    margin = max(AROUND_A_FINDING_S * SECOND_MS, (end - start) * 0.25)
    return {"window": [max(start - margin, whole.start), min(end + margin, whole.end)]}


def day_and_time(moment: datetime | None) -> Any:
    """Return a cell with date and time in UTC."""
    return "–" if moment is None else cell(f"{moment:%Y-%m-%d %H:%M}", value=moment.timestamp() * SECOND_MS)


_ENDINGS: dict[str, Quantity] = {"_bar": "pressure", "_c": "temperature", "_l_min": "rate", "_l": "volume"}


@cache
def _quantity_of(name: str) -> Quantity | None:
    return next((quantity for ending, quantity in _ENDINGS.items() if name.endswith(ending)), None)


def cells(
    row: dict[str, Any],
    *names: str,
    units: Units = METRIC,
    time: Callable[[datetime], Any] = day_and_time,
    unknown: str = "–",
) -> list[Any]:
    """Return values of a row as cells: texts, counts, moments, durations, and quantities in `units`.

    A column's name ends in its unit, which says what it is.
    """

    def made(name: str, value: Any) -> Any:
        if value is None or value == "" or value == []:
            return unknown
        if isinstance(value, datetime):
            return time(value)
        if isinstance(value, str | list):
            return value if isinstance(value, str) else ", ".join(value)
        if name.endswith(("_s", "seconds")):
            return seconds(value)
        quantity = _quantity_of(name)
        return cell(str(value) if quantity is None else units.text(quantity, value), value=value)

    return [made(name, row[name]) for name in names]


def duration_text(seconds: float | None) -> str:
    """Return a duration for people: "47 min", "3 min 02 s", "12 s"; a dash for none."""
    if seconds is None or seconds != seconds:
        return "–"
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 600:
        return f"{whole // 60} min {whole % 60:02d} s"
    if whole < 5400:
        return f"{whole / 60:.0f} min"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def seconds(value: float | None, bound: str = "") -> Any:
    """Return a cell with a duration; `bound` says "at most " or "at least " before it."""
    return "–" if value is None else cell(bound + duration_text(value), value=value)


# The analysis writes the sentences of findings in bar, °C and L, with times of day in UTC, which have their
# date where it is not the day on which the finding starts. Each quantity and each time is converted in its
# place, so that no sentence has two clocks or two systems of units.
_TIME = re.compile(r"\b(?:(\d{4}-\d\d-\d\d) )?((?:[01]\d|2[0-3]):[0-5]\d:[0-5]\d)(?: UTC)?\b")
_UNITS: dict[str, Quantity] = {"bar": "pressure", "°C": "temperature", "L/min": "rate", "L": "volume"}
_ONE = r"(?:(?<![\w-])-)?\d+(?:\.\d+)?"
_QUANTITY = re.compile(
    rf"({_ONE}(?:, \.\.\.)?(?:(?:, | to | and ){_ONE}(?:, \.\.\.)?)*) (bar|°C|K/min|L/min|L)(?![\w/])"
)


def reworded(text: str, near: datetime | None, units: Units, clock: Clock) -> str:
    """Return a sentence with its quantities in `units` and its times on `clock`.

    `near`: when the finding starts: times without a date are of its day (UTC). A time of another day than
    that has its date on the clock, too.
    """
    if near is not None and not (clock.is_utc and not clock.dated):
        text = _TIME.sub(lambda found: _on_clock(found, near, clock), text)
    if units.name == METRIC.name:
        return text
    return _QUANTITY.sub(lambda found: _converted(found, units), text)


def _on_clock(found: re.Match[str], near: datetime, clock: Clock) -> str:
    try:
        moment = datetime.fromisoformat(f"{found[1] or near.date()} {found[2]}+00:00")
        same_day = clock.local(moment).date() == clock.local(near).date()
    except (ValueError, OverflowError):  # a desk's own words: no such day
        return found[0]
    return replace(clock, dated=clock.dated or not same_day).time(moment)


def _converted(found: re.Match[str], units: Units) -> str:
    numbers, unit = found.groups()
    if unit == "K/min":  # a difference: no offset
        factor, places, label = units.factor["temperature"], 0, f"{units.label['temperature']}/min"
        return re.sub(_ONE, lambda one: f"{float(one.group()) * factor:.{places}f}", numbers) + f" {label}"
    quantity = _UNITS[unit]
    places = units.decimals[quantity]

    def shown(one: re.Match[str]) -> str:
        return f"{units.shown(quantity, float(one.group())):,.{places}f}"

    return re.sub(_ONE, shown, numbers) + f" {units.label[quantity]}"
