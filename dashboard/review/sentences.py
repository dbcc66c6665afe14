"""The sentences of findings in a reader's units and on a reader's clock.

The analysis writes them in bar, °C and L, with times of day in UTC. Each quantity and each time is converted
in its place, so that no sentence has two clocks or two systems of units.
"""

from __future__ import annotations

import re
from datetime import datetime, timedelta

from dashboard.review.clock import Clock
from dashboard.units import METRIC, Quantity, Units

_TIME = re.compile(r"\b([01]\d|2[0-3]):([0-5]\d):([0-5]\d)(?: UTC)?\b")
_UNITS: dict[str, Quantity] = {"bar": "pressure", "°C": "temperature", "L/min": "rate", "L": "volume"}
_ONE = r"\d+(?:\.\d+)?"
_QUANTITY = re.compile(
    rf"({_ONE}(?:, \.\.\.)?(?:(?:, | to | and ){_ONE}(?:, \.\.\.)?)*) (bar|°C|K/min|L/min|L)(?![\w/])"
)
_DAY = timedelta(days=1)


def reworded(text: str, near: datetime | None, units: Units, clock: Clock) -> str:
    """Return a sentence with its quantities in `units` and its times on `clock`.

    Parameters
    ----------
    near : datetime or None
        A moment within twelve hours of the sentence's times of day, which have no date of their own.
    """
    if near is not None and not (clock.is_utc and not clock.dated):
        text = _TIME.sub(lambda found: clock.time(_moment(found, near)), text)
    if units.name == METRIC.name:
        return text
    return _QUANTITY.sub(lambda found: _converted(found, units), text)


def _moment(found: re.Match[str], near: datetime) -> datetime:
    hour, minute, second = (int(part) for part in found.groups())
    same_day = near.replace(hour=hour, minute=minute, second=second, microsecond=0)
    return min((same_day - _DAY, same_day, same_day + _DAY), key=lambda moment: abs(moment - near))


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
