"""Small counts in exports: withheld, and so many others with them that nobody can compute them back.

Primary: a count from 1 to below the smallest shown is withheld (CDC US Cancer Statistics withholds counts
below 16). Secondary: since totals are published too, further counts are withheld (rule of the Washington
State Department of Health), under the same mark, until an attacker who knows every published figure and every
sum cannot narrow a small count down: among the tables of whole numbers that fit all that is published there
are some in which it is 1 (or, for a total, as many as it has parts that are not nought), and others in which
it is the largest small count or more. That test is our own and stricter than the guides'.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Mask = NDArray[np.bool_]
Counts = NDArray[np.int64]


@dataclass(frozen=True)
class Sum:
    """One published relation: the cell `total` is the sum of the cells `parts` (their positions)."""

    total: int
    parts: tuple[int, ...]


def small(counts: Counts, smallest_shown: int) -> Mask:
    """Return which counts are withheld for themselves: 1 to below `smallest_shown`; a nought is shown."""
    return (counts > 0) & (counts < smallest_shown)


def withheld(
    counts: Sequence[int] | Counts, sums: Sequence[Sum], smallest_shown: int, also: Mask | None = None
) -> Mask:
    """Return which counts must not be shown.

    Parameters
    ----------
    counts : sequence of int
        Every cell that would be published, totals included.
    sums : sequence of Sum
        Which cells are sums of which; their counts must agree.
    smallest_shown : int
    also : array of bool, optional
        Counts that are withheld for another reason; noughts among them are shown all the same.

    Returns
    -------
    array of bool
        At least `small(counts)`.

    Raises
    ------
    ValueError
        When a total is not the sum of its parts.
    """
    values = np.asarray(counts, dtype=np.int64)
    for one in sums:
        if values[one.total] != values[list(one.parts)].sum():
            raise ValueError(
                f"total {values[one.total]} is not the sum {values[list(one.parts)].sum()} of its parts"
            )
    primary = small(values, smallest_shown)
    hidden = primary.copy() if also is None else primary | (also & (values > 0))
    _two_in_every_sum(values, sums, hidden)
    while True:
        exposed = _Attack(values, sums, hidden, smallest_shown).exposed()
        if not exposed:
            return hidden
        more = [_companion(values, sums, hidden, cell) for cell in exposed]
        if not any(one is not None for one in more):  # everything that is tied to them is withheld already
            return hidden
        hidden[[cell for cell in more if cell is not None]] = True
        _two_in_every_sum(values, sums, hidden)


def possible_range(
    counts: Counts, sums: Sequence[Sum], hidden: Mask, smallest_shown: int, cell: int
) -> tuple[int, int]:
    """Return the least and the greatest count that a withheld cell may have, for all that is published."""
    attack = _Attack(np.asarray(counts, dtype=np.int64), sums, hidden, smallest_shown)
    return attack.extreme(cell, 1), attack.extreme(cell, -1)


def _two_in_every_sum(values: Counts, sums: Sequence[Sum], hidden: Mask) -> None:
    """Withhold the smallest other count where a sum would give its only withheld one away."""
    changed = True
    while changed:
        changed = False
        for one in sums:
            cells = np.array([one.total, *one.parts])
            if hidden[cells].sum() == 1:
                others = cells[~hidden[cells] & (values[cells] > 0)]
                if len(others):
                    hidden[others[np.argmin(values[others])]] = True
                    changed = True


def _companion(values: Counts, sums: Sequence[Sum], hidden: Mask, cell: int) -> int | None:
    """Return the smallest published count in a chain of sums that leads from the cell; None without one."""
    reached = {cell}
    while True:
        tied = [
            other for one in sums for other in (one.total, *one.parts) if reached & {one.total, *one.parts}
        ]
        published = [other for other in tied if not hidden[other] and values[other] > 0]
        if published:
            return min(published, key=lambda other: (values[other], other))
        if reached >= set(tied):
            return None
        reached |= set(tied)


class _Attack:
    """What an attacker knows, as a system of whole numbers: each withheld cell is 1 or more."""

    def __init__(self, values: Counts, sums: Sequence[Sum], hidden: Mask, smallest_shown: int) -> None:
        self._unknown = np.flatnonzero(hidden)
        self._place = {int(cell): number for number, cell in enumerate(self._unknown)}
        self._values, self._sums, self._smallest = values, sums, smallest_shown
        self._small = small(values, smallest_shown)[self._unknown]
        self._enough = smallest_shown - 1
        # A bound that no table reaches; without one the solver calls a free count unbounded.
        self._roof = float(4 * (int(values.max(initial=0)) + smallest_shown * len(values)))
        rows, right = [], []
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
        self._rows, self._right = np.array(rows), np.array(right, dtype=float)

    def exposed(self) -> list[int]:
        """Return the small cells that could be narrowed, or any cell that could be computed."""
        if not len(self._unknown):
            return []
        tied = self._rows.any(axis=0) if len(self._rows) else np.zeros(len(self._unknown), dtype=bool)
        least = most = self._values[self._unknown].astype(float)
        for solution in self._corners():
            least, most = np.minimum(least, solution), np.maximum(most, solution)
        found = []
        for number in np.flatnonzero(tied):
            cell = int(self._unknown[number])
            if self._small[number]:
                low = least[number] <= 1 or self.extreme(cell, 1) <= self._least_when_all_is_withheld(cell)
                high = most[number] >= self._enough or self.extreme(cell, -1) >= self._enough
                if not (low and high):
                    found.append(cell)
            elif least[number] == most[number] and self.extreme(cell, 1) == self.extreme(cell, -1):
                found.append(cell)
        return found

    def _least_when_all_is_withheld(self, cell: int) -> int:
        if len(self._unknown) == (self._values > 0).sum():
            return self.extreme(cell, 1)
        return _Attack(self._values, self._sums, self._values > 0, self._smallest).extreme(cell, 1)

    def extreme(self, cell: int, sign: int) -> int:
        """Return the least (`sign` 1) or greatest (-1) possible count of a withheld cell."""
        aim = np.zeros(len(self._unknown))
        aim[self._place[int(cell)]] = sign
        solution = self._solve(aim)
        return round(float(solution[self._place[int(cell)]]))

    def _corners(self) -> Iterator[NDArray[np.float64]]:
        """Yield a few tables that push many cells to their ends at once, to save most single questions."""
        rng = np.random.default_rng(0)
        for number in range(12):
            signs = np.full(len(self._unknown), 1.0 if number == 0 else -1.0)
            if number > 1:
                signs = rng.choice([-1.0, 1.0], len(self._unknown))
            yield self._solve(np.where(self._small, signs, 0.001 * signs))

    def _solve(self, aim: NDArray[np.float64]) -> NDArray[np.float64]:
        from scipy import optimize  # half a second to import: only when it is needed

        solver: Any = optimize
        ties = [solver.LinearConstraint(self._rows, self._right, self._right)] if len(self._rows) else []
        bounds = solver.Bounds(1.0, self._roof)
        result = solver.milp(aim, integrality=np.ones(len(aim)), bounds=bounds, constraints=ties)
        if result.x is None:
            raise ValueError(f"the published counts contradict each other: {result.message}")
        return np.asarray(np.round(result.x))
