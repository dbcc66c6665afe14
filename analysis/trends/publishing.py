"""Everything that is due to be published, worked out from a ledger and from what was published before."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import polars as pl

from analysis.trends.cell_guard import guarded
from analysis.trends.cell_periods import by_year, year_of
from analysis.trends.cells import Cell, Published, cells_of, planning_of, unpublished
from analysis.trends.planning import QUANTILES
from analysis.trends.wear_arrays import FEWEST_PEOPLE, Worked


def due(
    wears: pl.DataFrame, today: date, earlier: Mapping[str, Published], fewest: int = FEWEST_PEOPLE
) -> list[Published]:
    """Return what is published next: every period that is over and was not published, in order.

    - `wears`: the ledger's, with `station` and `role`; all that was heard until `today` must be in it.
    - `today`: UTC.
    - `earlier`: what was published before, by period. It is never worked out again: messages that come later
      change the service's own tables, not what has left it.
    - `fewest`: people that a group must have.
    """
    worked = Worked(wears, fewest)
    known = dict(earlier)
    found: list[Published] = []
    for year, periods in by_year(unpublished(worked, today, known)).items():
        new: dict[str, list[Cell]] = {}
        for period in periods:
            new[period.name] = cells_of(worked, period, known)
            known[period.name] = Published(period=period.name, cells=tuple(new[period.name]))
        whole = year_of(12 * year)
        safe = guarded(worked, whole, new, earlier)
        for period in periods:
            planning = tuple(planning_of(worked, period, QUANTILES)) if period.name == whole.name else ()
            done = Published(period=period.name, cells=tuple(safe[period.name]), planning=planning)
            known[period.name] = done
            found.append(done)
    return found
