"""Find what is due to be published, and widen ranges that an attacker could solve.

The attacker has every published range, every sum (months and groups make up quarters, quarters make up years)
and one colleague's own shifts. For each count from 1 to `MOST_PROTECTED` he must be left with two values at
least: a second table of whole numbers that fits all of it is looked for, and a range that leaves none is
widened. Events of one year and measure are one system, for years do not add up to anything that is published.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from typing import Any

import msgspec
import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.trends.cells import (
    BASE,
    NOBODY,
    Cell,
    Published,
    cells_of,
    planning_of,
    printed_range,
)
from analysis.trends.planning import QUANTILES
from analysis.trends.wear_arrays import FEWEST_PEOPLE, PARTS, Period, Worked, periods_over, year_of

MOST_PROTECTED = 15
ROUNDS = 8
TRIES, FIRST_TRIES = 8, 2
FREE = 1e6
"""Bound of a count of which nothing is published."""

Key = tuple[str, str, tuple[str, ...]]
"""Period, part and names of a cell."""
Counts = NDArray[np.float64]


class RangesContradict(ValueError):
    """No counts fit all ranges that were published."""


@dataclass(frozen=True)
class Equations:
    """What is known of one measure in one year."""

    keys: list[Key]  # one a count, published or only part of a sum
    # `low`, `high`: published range of each count
    low: Counts
    high: Counts
    sums: Counts  # one row a relation: 1 at the total, -1 at its parts; each row times the counts is 0


def system_of(year: Period, cells: Mapping[Key, Cell], measure: str) -> Equations:
    """Return what is known of a measure by a year's published cells."""
    keys: list[Key] = [(one.name, "service", ()) for one in (*year.months(), *year.quarters(), year)]
    keys += [key for key in cells if key[1] != "service"]
    place = {key: number for number, key in enumerate(keys)}
    low, high = np.zeros(len(keys)), np.full(len(keys), FREE)
    for key, cell in cells.items():
        ends = (0, 0) if cell.wears == 0 else cell.events.get(measure)
        if ends is not None:
            low[place[key]], high[place[key]] = ends[0], min(ends[1], cell.wears or 0)
        elif cell.wears is not None:
            high[place[key]] = cell.wears
    rows = []

    def tie(total: Key, parts: Sequence[Key]) -> None:
        row = np.zeros(len(keys))
        row[place[total]] = 1.0
        row[[place[part] for part in parts]] = -1.0
        rows.append(row)

    for quarter in year.quarters():
        total = (quarter.name, "service", ())
        tie(total, [(month.name, "service", ()) for month in quarter.months()])
        for part in PARTS:
            groups = [key for key in keys if key[:2] == (quarter.name, part)]
            if groups:
                tie(total, groups)
    whole: Key = (year.name, "service", ())
    tie(whole, [(quarter.name, "service", ()) for quarter in year.quarters()])
    quarters = {quarter.name for quarter in year.quarters()}
    for part in PARTS:
        groups = [key for key in keys if key[:2] == (year.name, part)]
        if groups:
            tie(whole, groups)
        for group in groups:
            inside = [k for k in keys if k[0] in quarters and k[1] == part and set(k[2]) <= set(group[2])]
            tie(group, inside)
    return Equations(keys, low, high, np.array(rows))


def another(
    system: Equations, aim: Counts, least: Counts, fixed: Mapping[int, tuple[float, float]]
) -> Counts | None:
    """Return a table of whole numbers that fits what is known and makes `aim` small; None without one.

    `least` are bounds from below that a colleague's own shifts add, `fixed` other bounds of single counts.
    """
    from scipy import optimize  # half a second to import: only when it is needed

    solver: Any = optimize
    low, high = np.maximum(system.low, least), system.high.copy()
    for at, ends in fixed.items():
        low[at], high[at] = max(low[at], ends[0]), min(high[at], ends[1])
    if (low > high).any():
        return None
    for demand in (0.0, 1.0):  # most answers are whole numbers undemanded, and cost a third
        found = solver.milp(
            aim,
            integrality=np.full(len(aim), demand),
            bounds=solver.Bounds(low, high),
            constraints=[solver.LinearConstraint(system.sums, 0.0, 0.0)],
        )
        if found.x is None or np.allclose(found.x, np.round(found.x), rtol=0.0, atol=1e-6):
            break
    return None if found.x is None else np.round(found.x)


def told(system: Equations, true: Counts, colleague: Counts) -> list[int]:
    """Return the places of protected counts that have one possible value only.

    `colleague`: a row for each count: what its busiest person has in every count.
    """
    published = system.high < FREE
    # By a roster that was corrected since, somebody may have more than what was printed of the whole group.
    colleague = np.minimum(colleague, system.high)
    protected = np.flatnonzero(published & (true >= 1) & (true <= MOST_PROTECTED))
    waiting = set(protected.tolist())
    rng = np.random.default_rng(0)
    nobody = np.zeros(len(true))
    for number in range(ROUNDS):
        if not waiting:
            break
        signs = np.full(len(true), 1.0 if number else -1.0)
        if number > 1:
            signs = rng.choice([-1.0, 1.0], len(true))
        found = another(system, np.where(published, signs, 0.0), nobody, {})
        if found is None:
            raise RangesContradict("the published ranges contradict each other")
        waiting = {
            at
            for at in waiting
            if found[at] == true[at] or (found < np.where(published, colleague[at], 0)).any()
        }
    found_out = []
    for at in sorted(waiting):
        own = nobody if another(system, nobody, colleague[at], {}) is None else colleague[at]
        ends = (true[at] + 1, FREE), (0.0, true[at] - 1)
        if all(another(system, nobody, own, {at: each}) is None for each in ends):
            found_out.append(at)
    return found_out


def guarded(
    worked: Worked, year: Period, new: Mapping[str, Sequence[Cell]], earlier: Mapping[str, Published]
) -> dict[str, list[Cell]]:
    """Return the new cells of one year, by period, with ranges so wide that no count can be solved for."""
    names = [one.name for one in (*year.months(), *year.quarters(), year) if one.name in earlier]
    before: dict[Key, Cell] = {
        (name, cell.part, cell.names): cell for name in names for cell in earlier[name].cells
    }
    own: dict[Key, Cell] = {
        (name, cell.part, cell.names): cell for name, cells in new.items() for cell in cells
    }
    for measure in worked.flags:
        own = _safe(worked, year, before, own, measure)
    return {name: [own[name, cell.part, cell.names] for cell in cells] for name, cells in new.items()}


def _safe(
    worked: Worked, year: Period, before: Mapping[Key, Cell], own: dict[Key, Cell], measure: str
) -> dict[Key, Cell]:
    own = dict(own)
    for tried in range(TRIES):
        system = system_of(year, {**before, **own}, measure)
        true, colleague = _truth(worked, year, system.keys, measure)
        try:
            found = told(system, true, colleague)
        except RangesContradict:  # a capture came after its months were published
            break
        if not found:
            return own
        for key in _to_widen(system, found, colleague, set(own), every=tried >= FIRST_TRIES):
            own[key] = _wider(own[key], measure, away=tried >= TRIES - FIRST_TRIES)
    # Nothing but the counts of this year's wears is left to say.
    return {key: _wider(cell, measure, away=True) for key, cell in own.items()}


def _truth(worked: Worked, year: Period, keys: Sequence[Key], measure: str) -> tuple[Counts, Counts]:
    """Return each true count, and for each the shares of its busiest person in all of them."""
    periods = {one.name: one for one in (*year.months(), *year.quarters(), year)}
    flag, cache = worked.flags[measure], {}
    people = np.zeros((len(keys), worked.people + 1))
    for number, (name, part, names) in enumerate(keys):
        if (name, part) not in cache:
            cache[name, part] = worked.by_person(part, worked.within(periods[name]), flag)
        people[number] = cache[name, part][worked.rows_of(part, names)].sum(axis=0)
    busiest = people[:, :-1].argmax(axis=1) if worked.people else np.zeros(len(keys), dtype=int)
    return people.sum(axis=1), people[:, busiest].T


def _to_widen(
    system: Equations, found: Sequence[int], colleague: Counts, own: set[Key], *, every: bool
) -> set[Key]:
    """Return the new cells to widen: those that reveal a count alone, and the totals of the others.

    With `every` also all other new cells that are in one sum with them.
    """
    wide: set[Key] = set()
    for at in found:
        alone = system.high[at] <= max(system.low[at], colleague[at, at])
        near = {system.keys[at]} & own if alone else set()
        for row in system.sums:
            if row[at] and (every or not alone):
                side = row != 0 if every else row > 0
                near |= {system.keys[other] for other in np.flatnonzero(side)} & own
        wide |= near
    return wide


def _wider(cell: Cell, measure: str, *, away: bool) -> Cell:
    """Return a cell whose range reaches to the next multiples of 5, or has none."""
    if measure not in cell.events or cell.wears is None:
        return cell
    low, high = cell.events[measure]
    events = {name: ends for name, ends in cell.events.items() if name != measure}
    if not away:
        down, _ = printed_range(max(low - BASE, 0), cell.wears)
        events[measure] = (min(down, low), min(high + BASE, cell.wears))
    return msgspec.structs.replace(cell, events=events)


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
    over = periods_over(int(worked.month[0]), today) if len(worked.month) else []
    missing = [one for one in over if one.name not in known]
    for whole, in_year in groupby(missing, key=lambda one: year_of(one.first)):
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
