"""Find what is due to be published, from a ledger and from what was published before."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from itertools import groupby

import polars as pl

from analysis.trends.cell_guard import guarded
from analysis.trends.cells import NOBODY, Cell, Published, cells_of, planning_of, unpublished
from analysis.trends.planning import QUANTILES
from analysis.trends.wear_arrays import FEWEST_PEOPLE, Worked, year_of


def due(
    wears: pl.DataFrame,
    today: date,
    earlier: Mapping[str, Published],
    fewest: int = FEWEST_PEOPLE,
    again: str = "",
) -> list[Published]:
    """Return what is published next: every period that is over and was not published, in order.

    A period without a wear is not: nobody knows whether nothing happened, or nothing was received. If its
    wears come later, it is published then, unless its quarter or year was published without them.

    - `wears`: the ledger's, with `station` and `role`; all that was heard until `today` must be in it.
    - `today`: UTC.
    - `earlier`: what was published before, by period. It is never worked out again: messages that come later
      change the service's own tables, not what has left it.
    - `fewest`: people that a group must have.
    - `again`: a period that is published again for a reason, whatever was published around it.
    """
    worked = Worked(wears, fewest)
    known = dict(earlier)
    found: list[Published] = []
    for whole, in_year in groupby(unpublished(worked, today, known), key=lambda one: year_of(one.first)):
        periods = list(in_year)
        new: dict[str, list[Cell]] = {}
        for period in periods:
            lines = worked.within(period)
            late = period.name != again and period.inside() & earlier.keys()
            if lines.start == lines.stop or late:
                # Readers take a missing figure for none, and so does the guard.
                known[period.name] = Published(period=period.name, cells=(NOBODY,))
                continue
            new[period.name] = cells_of(worked, period, known)
            known[period.name] = Published(period=period.name, cells=tuple(new[period.name]))
        safe = guarded(worked, whole, new, known)
        for period in (one for one in periods if one.name in new):
            planning = tuple(planning_of(worked, period, QUANTILES)) if period.name == whole.name else ()
            done = Published(period=period.name, cells=tuple(safe[period.name]), planning=planning)
            known[period.name] = done
            found.append(done)
    return found
