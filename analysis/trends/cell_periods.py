"""The months, quarters and years by which cells are published."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta


@dataclass(frozen=True)
class Period:
    """A month, a quarter or a year; months counted from year 0, the last one excluded."""

    name: str
    first: int
    after: int

    def inside(self) -> set[str]:
        """Return the names of the quarter and year that it is a part of."""
        longer = (quarter_of(self.first), year_of(self.first))
        return {one.name for one in longer if one.after - one.first > self.after - self.first}

    def months(self) -> list[Period]:
        """Return its months."""
        return [month_of(number) for number in range(self.first, self.after)]

    def quarters(self) -> list[Period]:
        """Return its quarters."""
        return [quarter_of(number) for number in range(self.first, self.after, 3)]


def month_of(number: int) -> Period:
    """Return a month by its number."""
    return Period(f"{number // 12:04d}-{number % 12 + 1:02d}", number, number + 1)


def quarter_of(number: int) -> Period:
    """Return the quarter of a month by its number."""
    first = number - number % 3
    return Period(f"{first // 12:04d}-Q{first % 12 // 3 + 1}", first, first + 3)


def year_of(number: int) -> Period:
    """Return the year of a month by its number."""
    first = number - number % 12
    return Period(f"{first // 12:04d}", first, first + 12)


def periods_over(first: int, today: date) -> list[Period]:
    """Return every month, quarter and year from a month on that is over, in the order in which they ended."""
    now = 12 * today.year + today.month - 1
    found: list[Period] = []
    for number in range(first, now):
        found.append(month_of(number))
        found += [one for one in (quarter_of(number), year_of(number)) if one.after == number + 1]
    return found


def inside_days(name: str, first: date | None, last: date | None) -> bool:
    """Return whether a period is inside days, both inclusive; None leaves an end open.

    Examples
    --------
    >>> inside_days("2031-04", None, date(2031, 4, 30)), inside_days("2031-Q2", None, date(2031, 4, 30))
    (True, False)
    """
    year, _, rest = name.partition("-")
    number = 12 * int(year)
    if not rest:
        period = year_of(number)
    elif rest.startswith("Q"):
        period = quarter_of(number + 3 * (int(rest[1:]) - 1))
    else:
        period = month_of(number + int(rest) - 1)
    begins, ends = _first_day(period.first), _first_day(period.after) - timedelta(days=1)
    return (first is None or begins >= first) and (last is None or ends <= last)


def _first_day(month: int) -> date:
    return date(month // 12, month % 12 + 1, 1)
