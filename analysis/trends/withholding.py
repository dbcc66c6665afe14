"""Small counts in exports: each under its mark, and so many others withheld that none can be computed back.

Two marks are printed. A count from 1 to below the smallest shown is "<16" (CDC US Cancer Statistics withholds
counts below 16). Since totals are published too, further counts are "withheld" (rule of the Washington State
Department of Health). A nought is shown.

Both marks speak: "<16" bounds its count from above, and an attacker may take it that what is "withheld"
beside it is not small. Our own test, stricter than the guides', is against an attacker who knows every
published figure, every sum, both marks and that rule. Of all tables of whole numbers that fit, some give each
small count its least and some its greatest value that noughts and marks alone allow: the published figures
tell nothing more. Where the marks alone would leave a small count fewer than half of its values (a small
total of many parts), marks are taken back until they do not: such a small count reads "withheld", which may
hence be of any size.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Mask = NDArray[np.bool_]
Counts = NDArray[np.int64]
WITHHELD = "withheld"
ROUNDS_OF_CORNERS = 12


@dataclass(frozen=True)
class Sum:
    """One known relation: the cell `total` is the sum of the cells `parts` (positions), or at least that."""

    total: int
    parts: tuple[int, ...]
    at_least: bool = False


@dataclass(frozen=True)
class Withheld:
    """Which counts are not shown, and under which mark.

    Attributes
    ----------
    hidden : array of bool
    small : array of bool
        Those of `hidden` that are marked as small; the others are "withheld".
    """

    hidden: Mask
    small: Mask

    def marks(self, smallest_shown: int) -> list[str | None]:
        """Return what is printed in place of each count; None where the count itself is."""
        return [
            (small_mark(smallest_shown) if small else WITHHELD) if hidden else None
            for hidden, small in zip(self.hidden, self.small, strict=True)
        ]


def small_mark(smallest_shown: int) -> str:
    """Return the mark of a small count.

    Examples
    --------
    >>> small_mark(16)
    '<16'
    """
    return f"<{smallest_shown}"


def small(counts: Counts, smallest_shown: int) -> Mask:
    """Return which counts are withheld for themselves: 1 to below `smallest_shown`; a nought is shown."""
    return (counts > 0) & (counts < smallest_shown)


def values_left(smallest_shown: int) -> int:
    """Return how many values a small count must be able to have: half of its mark's, never one alone."""
    return max(2, math.ceil((smallest_shown - 1) / 2))


def withheld(
    counts: Sequence[int] | Counts, sums: Sequence[Sum], smallest_shown: int, also: Mask | None = None
) -> Withheld:
    """Return which counts must not be shown, and which of them are marked as small.

    Parameters
    ----------
    counts : sequence of int
        Every cell that would be published, totals included.
    sums : sequence of Sum
        Which cells are sums of which; their counts must agree.
    smallest_shown : int
    also : array of bool, optional
        Counts that are withheld for another reason; noughts among them are shown all the same.

    Raises
    ------
    ValueError
        When a total is not the sum of its parts.
    """
    values = np.asarray(counts, dtype=np.int64)
    for one in sums:
        total, parts = values[one.total], values[list(one.parts)].sum()
        if total < parts or (total > parts and not one.at_least):
            raise ValueError(f"total {total} is not the sum {parts} of its parts")
    marked, inherent = _marked(values, sums, smallest_shown)
    primary = small(values, smallest_shown)
    hidden = primary.copy() if also is None else primary | (also & (values > 0))
    seen = _Seen(values)
    _two_in_every_sum(values, sums, hidden, smallest_shown)
    while True:
        exposed = list(_Attack(values, sums, hidden, marked, smallest_shown, seen).narrowed(inherent))
        more = {_companion(values, sums, hidden, cell, smallest_shown) for cell in exposed} - {None}
        if not more:  # nothing is exposed, or all that is tied to it is withheld already
            break
        hidden[[cell for cell in more if cell is not None]] = True
        _two_in_every_sum(values, sums, hidden, smallest_shown)
    if exposed:
        return Withheld(hidden, marked)
    # Companions were taken one by one: what the later ones made needless is shown again, the greatest first.
    needless = hidden & ~primary if also is None else hidden & ~primary & ~also
    for cell in sorted(np.flatnonzero(needless), key=lambda cell: -values[cell]):
        hidden[cell] = False
        attack = _Attack(values, sums, hidden, marked, smallest_shown, _Seen(values))
        if _one_in_a_sum(sums, hidden) or next(attack.narrowed(inherent), None) is not None:
            hidden[cell] = True
    return Withheld(hidden, marked)


class _Seen:
    """Least and greatest count of each cell in the tables found so far; hiding more keeps them possible."""

    def __init__(self, values: Counts) -> None:
        self.least, self.most = values.copy(), values.copy()


def _marked(values: Counts, sums: Sequence[Sum], smallest_shown: int) -> tuple[Mask, _Seen]:
    """Return which small counts keep their mark, and what is possible when all but noughts is withheld."""
    primary, every = small(values, smallest_shown), values > 0
    marked = primary.copy()
    if smallest_shown - 1 < values_left(smallest_shown):
        marked[:] = False  # "<2" would be a count of 1
    cells = [int(cell) for cell in np.flatnonzero(primary)]
    while True:
        seen = _Seen(values)
        attack = _Attack(values, sums, every, marked, smallest_shown, seen)
        attack.push()
        back: set[int] = set()
        for cell in cells:
            attack.settle(cell)
            if seen.most[cell] - seen.least[cell] + 1 < values_left(smallest_shown):
                own = marked[cell] and smallest_shown - seen.least[cell] < values_left(smallest_shown)
                back |= {cell} if own else _mark_to_take_back(sums, marked, cell)
        if not back:
            return marked, seen
        marked[list(back)] = False


def _mark_to_take_back(sums: Sequence[Sum], marked: Mask, cell: int) -> set[int]:
    """Return the marked totals over a cell that is told too closely, else its own mark, else the nearest."""
    over = {one.total for one in sums if cell in one.parts and marked[one.total]}
    if over or marked[cell]:
        return over or {cell}
    near = {cell}
    while True:
        reached = near
        near = _tied(sums, reached)
        found = {other for other in near if marked[other]}
        if found or near == reached:
            return found


def _two_in_every_sum(values: Counts, sums: Sequence[Sum], hidden: Mask, smallest_shown: int) -> None:
    """Withhold another count where a sum would give its only withheld one away."""
    changed = True
    while changed:
        changed = False
        for one in sums:
            cells = np.array([one.total, *one.parts])
            if hidden[cells].sum() == 1 and not one.at_least:
                others = [int(other) for other in cells[~hidden[cells] & (values[cells] > 0)]]
                if others:
                    hidden[_best(values, others, int(cells[hidden[cells]][0]), smallest_shown)] = True
                    changed = True


def _one_in_a_sum(sums: Sequence[Sum], hidden: Mask) -> bool:
    return any(not one.at_least and hidden[[one.total, *one.parts]].sum() == 1 for one in sums)


def _companion(
    values: Counts, sums: Sequence[Sum], hidden: Mask, cell: int, smallest_shown: int
) -> int | None:
    """Return a published count in a chain of sums that leads from the cell; None without one."""
    equal = [one for one in sums if not one.at_least]
    for ties in (equal, sums):  # a bound is loosened only where no sum helps any more
        near = {cell}
        while True:
            reached = near
            near = _tied(ties, reached)
            published = [other for other in near if not hidden[other] and values[other] > 0]
            if published:
                return _best(values, published, cell, smallest_shown)
            if near == reached:
                break
    return None


def _tied(sums: Sequence[Sum], cells: set[int]) -> set[int]:
    """Return the cells and all that stand in one sum with them."""
    found = set(cells)
    for one in sums:
        every = {one.total, *one.parts}
        if cells & every:
            found |= every
    return found


def _best(values: Counts, cells: Sequence[int], cell: int, smallest_shown: int) -> int:
    """Return the smallest count that can give way until `cell` has every small value, and not be small."""
    room = smallest_shown + max(smallest_shown - 1 - int(values[cell]), 0)
    return min(cells, key=lambda other: (values[other] < room, abs(int(values[other]) - room), other))


class _Attack:
    """What an attacker knows, as a system of whole numbers.

    A marked cell lies from 1 to below the smallest shown; of the others he is told, more than he can know,
    which are not small.
    """

    def __init__(
        self, values: Counts, sums: Sequence[Sum], hidden: Mask, marked: Mask, smallest: int, seen: _Seen
    ) -> None:
        self._unknown = np.flatnonzero(hidden)
        self._place = {int(cell): number for number, cell in enumerate(self._unknown)}
        self._values, self._smallest, self._seen = values, smallest, seen
        self._primary = small(values, smallest)[self._unknown]
        # A bound that no table reaches; without one the solver calls a free count unbounded.
        roof = float(4 * (int(values.max(initial=0)) + smallest * len(values)))
        self._lowest = np.where(self._primary, 1.0, float(smallest))
        self._highest = np.where(marked[self._unknown], float(smallest - 1), roof)
        rows, right, ends = [], [], []
        for one in sums:
            row, known = np.zeros(len(self._unknown)), 0
            for cell, sign in ((one.total, 1), *((part, -1) for part in one.parts)):
                if hidden[cell]:
                    row[self._place[int(cell)]] += sign
                else:
                    known -= sign * int(values[cell])
            if row.any():
                rows.append(row)
                right.append(known)
                ends.append(math.inf if one.at_least else known)
        self._rows, self._right, self._ends = np.array(rows), np.array(right, dtype=float), np.array(ends)

    def narrowed(self, inherent: _Seen) -> Iterator[int]:
        """Yield the small cells that are told more closely than inherent, or any that could be computed."""
        if not len(self._unknown):
            return
        tied = self._rows.any(axis=0) if len(self._rows) else np.zeros(len(self._unknown), dtype=bool)
        self.push()
        most_asked = max(self._smallest - 1, values_left(self._smallest))
        for number in np.flatnonzero(tied):
            cell = int(self._unknown[number])
            lowest, highest = int(inherent.least[cell]), min(int(inherent.most[cell]), most_asked)
            if not self._primary[number]:
                if self._seen.least[cell] == self._seen.most[cell]:
                    self.settle(cell)
                    if self._seen.least[cell] == self._seen.most[cell]:
                        yield cell
                continue
            if self._seen.least[cell] > lowest:
                self.extreme(cell, 1)
            if self._seen.most[cell] < highest:
                self.extreme(cell, -1)
            if self._seen.least[cell] > lowest or self._seen.most[cell] < highest:
                yield cell

    def settle(self, cell: int) -> None:
        """Look for both ends of a cell, where they are not found yet."""
        number = self._place[cell]
        if self._seen.least[cell] > self._lowest[number]:
            self.extreme(cell, 1)
        if self._seen.most[cell] < min(self._highest[number], self._seen.least[cell] + self._smallest):
            self.extreme(cell, -1)

    def extreme(self, cell: int, sign: int) -> int:
        """Return the least (`sign` 1) or greatest (-1) possible count of a withheld cell."""
        aim = np.zeros(len(self._unknown))
        aim[self._place[int(cell)]] = sign
        return int(self._solve(aim)[self._place[int(cell)]])

    def push(self) -> None:
        """Look at a few tables that push many cells to their ends at once, to save most single questions."""
        for signs in self._corners() if len(self._unknown) else ():
            self._solve(np.where(self._primary, signs, 0.001 * signs))

    def _corners(self) -> Iterator[NDArray[np.float64]]:
        rng = np.random.default_rng(0)
        for number in range(ROUNDS_OF_CORNERS):
            if number < 2:
                yield np.full(len(self._unknown), 1.0 if number == 0 else -1.0)
            else:
                yield rng.choice([-1.0, 1.0], len(self._unknown))

    def _solve(self, aim: NDArray[np.float64]) -> Counts:
        from scipy import optimize  # half a second to import: only when it is needed

        solver: Any = optimize
        ties = [solver.LinearConstraint(self._rows, self._right, self._ends)] if len(self._rows) else []
        bounds = solver.Bounds(self._lowest, self._highest)
        result = solver.milp(aim, integrality=np.ones(len(aim)), bounds=bounds, constraints=ties)
        if result.x is None:
            raise ValueError(f"the published counts contradict each other: {result.message}")
        found = np.asarray(np.round(result.x), dtype=np.int64)
        seen = self._seen
        seen.least[self._unknown] = np.minimum(seen.least[self._unknown], found)
        seen.most[self._unknown] = np.maximum(seen.most[self._unknown], found)
        return found
