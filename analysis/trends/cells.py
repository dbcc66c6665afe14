"""What may leave the service: fixed cells of ten people or more, each published once.

Cells are the service by month, and the service, each station, role and kind by quarter and by year, once
that period is over. Rules:

- A group has at least `FEWEST_PEOPLE`, and nobody has over `MOST_SHARE` of its wears (frequency and dominance
  rules: Hundepool and others, Statistical Disclosure Control, 2012; from memory; the figures are our own
  rule). So all but the two busiest have 0.86 of the busiest one's, which keeps the p-percent rule, too.
  Stations, roles or kinds that are too small are merged.
- What groups of two parts (alone or together) count differently is such a group, too, or nothing: otherwise
  groups are merged (`kept_apart`). So a subtraction leaves nobody alone.
- A year's groups count the wears that its quarters' groups counted, or their part is left out.
- Events are rounded to 5 and published as the range that they come from ("3 to 7"); hours to 5; means to two
  figures, and only where the same rules hold for the amount.
- `analysis.trends.publishing` widens ranges from which a count could be computed.
"""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import combinations

import msgspec
import numpy as np
from numpy.typing import NDArray

from analysis.trends.planning import SHORTEST_MIN
from analysis.trends.wear_arrays import (
    AMOUNTS,
    FEWEST_PEOPLE,
    PARTS,
    Period,
    Worked,
    quarter_of,
    year_of,
)

MOST_SHARE = 0.35
BASE = 5
"""Events and hours are rounded to this."""
MOST_TOGETHER = 3
"""Groups of one part that are put together against another part's: all there is, up to seven groups."""

BY_QUARTER = ("hard_min", "heat_dose")
"""In a month few people breathe hard or work in heat; over a quarter enough do to hide each one's part."""

Partition = frozenset[frozenset[str]]


class Cell(msgspec.Struct, frozen=True, kw_only=True):
    """One published line."""

    part: str  # ``service``, ``station``, ``role`` or ``kind``
    names: tuple[str, ...] = ()  # which ones, in order; empty for the service
    wears: int | None = None  # None where too few people were at work; then nothing else is published
    hours: int | None = None  # under air, rounded to 5
    # dict of str to (low, high): wears with the event, by name of `FLAGS`; what could be computed is left
    # out.
    events: dict[str, tuple[int, int]] = {}
    # A wear, by name of `AMOUNTS`, to two figures; what one person decides is left out.
    means: dict[str, float] = {}


NOBODY = Cell(part="service", wears=0)
"""Of a period of which nothing is published, for it has no wear."""


class Percentile(msgspec.Struct, frozen=True, kw_only=True):
    """A planning rate of a task in a year, L/min to two figures."""

    task: str
    quantile: float
    rate_l_min: float


class Published(msgspec.Struct, frozen=True, kw_only=True):
    """All cells of one period, such as ``2031-04``, ``2031-Q2`` or ``2031``."""

    period: str
    cells: tuple[Cell, ...]
    planning: tuple[Percentile, ...] = ()


def printed_range(count: int, most: int) -> tuple[int, int]:
    """Return the range of counts that are rounded to the same multiple of 5: `most`, the wears, at most.

    Examples
    --------
    >>> printed_range(0, 90), printed_range(5, 90), printed_range(8, 9)
    ((0, 2), (3, 7), (8, 9))
    """
    middle = BASE * ((count + BASE // 2) // BASE)
    return max(middle - BASE // 2, 0), min(middle + BASE // 2, most)


def two_figures(value: float) -> float:
    """Return a value with two significant figures.

    Examples
    --------
    >>> two_figures(23.46), two_figures(0.01234)
    (23.0, 0.012)
    """
    return float(f"{value:.1e}") if math.isfinite(value) else value


def safe_people(amounts: NDArray[np.float64], fewest: int = FEWEST_PEOPLE) -> bool:
    """Return whether enough people share an amount to hide each one's part: `amounts` has one a person.

    What nobody's wears add is left out: they may all be one person's.
    """
    known = amounts[amounts > 0]
    return len(known) >= fewest and bool(known.max() <= MOST_SHARE * known.sum())


def merged(
    counts: NDArray[np.float64], names: Sequence[str], start: Partition, fewest: int = FEWEST_PEOPLE
) -> Partition | None:
    """Return the groups of names that are large enough; None when even all together are not.

    - `counts`: wears: a row a name, a column a person.
    - `start`: set of sets of names: groups of the quarter before: they may grow, never split, until the year
      is over.
    """
    present = {name for name, row in zip(names, counts, strict=True) if row.sum()}
    place = {name: number for number, name in enumerate(names)}
    groups = [group & present for group in start if group & present]
    groups += [frozenset([name]) for name in sorted(present - frozenset().union(*start))]

    def size(group: frozenset[str]) -> tuple[float, str]:
        return float(counts[[place[name] for name in group]].sum()), min(group)

    while True:
        unsafe = [
            group
            for group in groups
            if not safe_people(counts[[place[n] for n in group], :-1].sum(axis=0), fewest)
        ]
        if not unsafe:
            return frozenset(groups)
        if len(groups) == 1:
            return None
        small = min(unsafe, key=size)
        groups.remove(small)
        partner = min(groups, key=size)
        groups.remove(partner)
        groups.append(small | partner)


def kept_apart(worked: Worked, lines: slice, groups: Mapping[str, Partition]) -> dict[str, Partition]:
    """Return each part's groups, merged until no subtraction leaves a few people; without parts of one group.

    If trainees were a station's people and one more, their figures less the station's would be that one
    person's.
    """
    found = {part: partition for part, partition in groups.items() if len(partition) > 1}
    for pair in combinations(found, 2):
        coarse, fine = sorted(pair, key=lambda part: len(found[part]))
        too_close = _too_close(worked, lines, fine, found[fine], coarse, found[coarse])
        if too_close:
            merged_two = found[fine] - too_close | {frozenset().union(*too_close)}
            return kept_apart(worked, lines, found | {fine: merged_two})
    return found


def _too_close(
    worked: Worked, lines: slice, fine: str, own: Partition, coarse: str, others: Partition
) -> Partition:
    """Return two groups of a part to merge, for a union that one is in differs too little from one of others.

    Figures of two unions differ by what is in one of them only, whichever that is; of each union of `others`
    the nearest one of `own` is tried.
    """
    crossed = worked.crossed(fine, coarse, lines)
    rows, columns = (sorted(partition, key=sorted) for partition in (own, others))
    counts = np.array([crossed[worked.rows_of(fine, group)].sum(axis=0) for group in rows])
    wears = counts.sum(axis=(1, 2))
    for size in range(1, min(len(columns) // 2, MOST_TOGETHER) + 1):
        for union in combinations(columns, size):
            inside = counts[:, worked.rows_of(coarse, frozenset().union(*union))].sum(axis=1)
            outside = counts.sum(axis=1) - inside
            chosen = (outside > 0).sum(axis=1) < (inside > 0).sum(axis=1)
            apart = np.where(chosen[:, np.newaxis], outside, inside)
            left = apart.sum(axis=0)
            if left.any() and not safe_people(left[:-1], worked.fewest):
                first = min(np.flatnonzero(apart.any(axis=1)), key=lambda row: wears[row])
                second = min(
                    (row for row in range(len(rows)) if row != first),
                    key=lambda row: (chosen[row] == chosen[first], wears[row]),
                )
                return frozenset({rows[first], rows[second]})
    return frozenset()


def joined(partitions: Iterable[Partition]) -> Partition:
    """Return the finest groups of which every group of every partition is a part."""
    groups: list[frozenset[str]] = []
    for group in (group for partition in partitions for group in partition):
        touching = [one for one in groups if one & group]
        groups = [one for one in groups if not one & group]
        groups.append(group.union(*touching))
    return frozenset(groups)


def groups_of(published: Published | None, part: str) -> Partition:
    """Return the groups of a part that a period was published by."""
    cells = published.cells if published else ()
    return frozenset(frozenset(cell.names) for cell in cells if cell.part == part)


def shown(published: Published | None) -> bool:
    """Return whether a period's wears were published."""
    return published is not None and any(
        cell.part == "service" and cell.wears is not None for cell in published.cells
    )


def cells_of(worked: Worked, period: Period, earlier: Mapping[str, Published]) -> list[Cell]:
    """Return a period's cells, events still exactly rounded; `earlier` has what was published before.

    A quarter or year is published only if what it adds to its published months or quarters is nothing, or
    again a group that is large enough.
    """
    lines = worked.within(period)
    own = worked.by_person("service", lines)
    added = _not_covered(worked, period, earlier)
    if own.sum() and (
        not safe_people(own[0, :-1], worked.fewest)
        or (added.sum() and not safe_people(added[:-1], worked.fewest))
    ):
        return [Cell(part="service")]
    cells = [_cell(worked, "service", (), lines)]
    if not own.sum():
        return cells
    if period.after - period.first == 1:
        return _without_told_amounts(cells, period, earlier)
    groups = {part: _groups(worked, part, period, earlier) or frozenset() for part in PARTS}
    for part, partition in kept_apart(worked, lines, groups).items():
        cells += [_cell(worked, part, tuple(sorted(group)), lines) for group in sorted(partition, key=sorted)]
    return _without_told_amounts(cells, period, earlier)


def _groups(worked: Worked, part: str, period: Period, earlier: Mapping[str, Published]) -> Partition | None:
    if period.after - period.first == 12:
        quarters = [one for one in period.quarters() if worked.by_person("service", worked.within(one)).sum()]
        if not all(groups_of(earlier.get(one.name), part) for one in quarters):
            return None
        groups = joined(groups_of(earlier[one.name], part) for one in quarters)
        told = [cell for one in quarters for cell in earlier[one.name].cells if cell.part == part]
        counts = worked.by_person(part, worked.within(period)).sum(axis=1)
        # A corrected roster moves a person: the year less its quarters would be that person's wears.
        same = all(
            counts[worked.rows_of(part, group)].sum()
            == sum(c.wears or 0 for c in told if group >= set(c.names))
            for group in groups
        )
        return groups if same else None
    start: Partition = frozenset()
    for quarter in year_of(period.first).quarters():
        if quarter.first < period.first:
            start = joined([start, groups_of(earlier.get(quarter.name), part)])
    counts = worked.by_person(part, worked.within(period))
    return merged(counts, worked.names[part], start, worked.fewest)


def _not_covered(worked: Worked, period: Period, earlier: Mapping[str, Published]) -> NDArray[np.float64]:
    """Return the wears by person of what no smaller published cell holds: of a month all."""
    rest = np.zeros(worked.people + 1)
    for month in period.months():
        by_quarter = period.after - period.first == 12 and shown(earlier.get(quarter_of(month.first).name))
        if not by_quarter and not shown(earlier.get(month.name)):
            rest += worked.by_person("service", worked.within(month))[0]
    return rest


def _cell(worked: Worked, part: str, names: tuple[str, ...], lines: slice) -> Cell:
    rows = worked.rows_of(part, names)
    wears = int(worked.by_person(part, lines)[rows].sum())
    events = {
        name: printed_range(int(worked.by_person(part, lines, flag)[rows].sum()), wears)
        for name, flag in worked.flags.items()
    }
    hours = worked.by_person(part, lines, worked.amounts["under_air_min"])[rows].sum() / 60.0
    means = {}
    for name, values in worked.amounts.items():
        people = worked.by_person(part, lines, values)[rows].sum(axis=0)
        size = worked.by_person(part, lines, np.isfinite(values).astype(float))[rows].sum()
        if safe_people(people[:-1], worked.fewest):
            means[name] = two_figures(float(people.sum() / size))
    return Cell(
        part=part,
        names=names,
        wears=wears,
        hours=BASE * round(hours / BASE),
        events=events,
        means=means,
    )


def _without_told_amounts(cells: list[Cell], period: Period, earlier: Mapping[str, Published]) -> list[Cell]:
    """Leave an amount out of every cell from which, with others, one that is left out follows.

    A group's amount would follow from the service's and the other groups'; a quarter's from its year's and
    the other quarters'. So all shorter periods publish it, or none does. Months never publish `BY_QUARTER`:
    if one could not, its quarter and year could not either.
    """
    length = period.after - period.first

    def told(part: str) -> set[str]:
        names = set(AMOUNTS).intersection(*(cell.means for cell in cells if cell.part == part))
        quarters = _told_in(period.quarters() if length == 12 else [], part, earlier)
        months = _told_in(period.months() if length > 1 else [], part, earlier)
        return {
            name
            for name in names
            if (quarters and all(name in lot for lot in quarters))
            or (not any(name in lot for lot in quarters) and len({name in lot for lot in months}) < 2)
        }

    known = set(AMOUNTS) - set(BY_QUARTER) if length == 1 else told("service")
    kept = []
    for cell in cells:
        names = known if cell.part == "service" else known & told(cell.part)
        means = {name: mean for name, mean in cell.means.items() if name in names}
        kept.append(msgspec.structs.replace(cell, means=means))
    return kept


def _told_in(periods: Iterable[Period], part: str, earlier: Mapping[str, Published]) -> list[set[str]]:
    """Return for each shorter period with figures the amounts that all its cells of a part have."""
    lots = [
        [cell for cell in earlier[one.name].cells if cell.part == part and cell.wears]
        for one in periods
        if one.name in earlier
    ]
    return [set(AMOUNTS).intersection(*(cell.means for cell in lot)) for lot in lots if lot]


def planning_of(worked: Worked, period: Period, quantiles: Sequence[float]) -> Iterator[Percentile]:
    """Yield a year's planning rates: those with ten wears of five people beyond them."""
    lines = worked.within(period)
    rate, who = worked.rate[lines], worked.who[lines]
    tasks = np.array(worked.task[lines], dtype=object)
    usable = (rate > 0) & (worked.amounts["under_air_min"][lines] >= SHORTEST_MIN) & (who < worked.people)
    for task in ["", *sorted({str(one) for one in tasks} - {""})]:
        chosen = usable if not task else usable & (tasks == task)
        if not safe_people(np.bincount(who[chosen], minlength=worked.people).astype(float), worked.fewest):
            continue
        for quantile in quantiles:
            value = float(np.quantile(rate[chosen], quantile))
            sides = [chosen & (rate > value)] + ([chosen & (rate < value)] if quantile <= 0.5 else [])
            if all(side.sum() >= 10 and len(set(who[side])) >= 5 for side in sides):
                yield Percentile(task=task, quantile=quantile, rate_l_min=two_figures(value))
