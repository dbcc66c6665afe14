"""How a report shows times and quantities: one choice of units, one clock with UTC beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from math import floor, log10

from dashboard.charts.clock import UTC_CLOCK, Clock
from dashboard.units import METRIC, Quantity, Units

MOST_TICKS = 4
BREAK = "\n"
"""Where a cell of a table may break; in running text it is a space."""


@dataclass(frozen=True)
class Shown:
    """What the reader of a report chose.

    Attributes
    ----------
    units : Units
    clock : Clock
    """

    units: Units = METRIC
    clock: Clock = UTC_CLOCK

    @property
    def as_recorded(self) -> bool:
        """Whether nothing is converted."""
        return self.units.name == METRIC.name

    def time(self, moment: datetime | None) -> str:
        """Return a time of day; on a local clock with UTC beside it."""
        if moment is None:
            return "–"
        if self.clock.is_utc:
            return f"{moment:%H:%M:%S}"
        return f"{self.clock.time(moment)}{BREAK}({moment:%H:%M:%S} UTC)"

    def span(self, started: datetime, ended: datetime) -> str:
        """Return two times of day, and under them the same in UTC."""
        utc = f"{started:%H:%M:%S} – {ended:%H:%M:%S}"
        if self.clock.is_utc:
            return utc
        return f"{self.clock.time(started)} – {self.clock.time(ended)}{BREAK}({utc} UTC)"

    def number(self, quantity: Quantity, value: float | None, with_unit: bool = False) -> str:
        """Return a quantity in the chosen units, a dash where there is none."""
        if value is None:
            return "–"
        if with_unit:
            return self.units.text(quantity, value)
        return f"{self.units.shown(quantity, value):,.{self.units.decimals[quantity]}f}"

    def spread(self, quantity: Quantity, value: float) -> str:
        """Return a difference (a ± of a quantity whose zero stays where it is) in the chosen units."""
        return f"{value * self.units.factor[quantity]:,.{self.units.decimals[quantity]}f}"

    def ticks(self, quantity: Quantity, highest: float, metric: Sequence[float]) -> list[tuple[float, str]]:
        """Return where an axis from 0 to `highest` (bar, °C, L/min) is marked, and what is written there.

        In metric units at the given values, otherwise at round values of the chosen units.
        """
        if self.as_recorded:
            return [(value, f"{value:g}") for value in metric]
        factor, offset = self.units.factor[quantity], self.units.offset[quantity]
        length = highest * factor
        least = length / MOST_TICKS
        power = 10.0 ** floor(log10(least))
        step = next(power * part for part in (1, 2, 5, 10) if power * part >= least)
        first = -floor(-offset / step)
        values = [step * number for number in range(first, floor((offset + length) / step + 1e-9) + 1)]
        return [((value - offset) / factor, f"{value:,g}") for value in values]
