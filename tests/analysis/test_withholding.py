"""Withheld counts: an attacker with every published figure, every sum and a solver learns none of them."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.trends.withholding import Sum, possible_range, small, withheld

SMALLEST = 4  # small enough for every table to be listed


def two_way(cells: list[list[int]]) -> tuple[list[int], list[Sum]]:
    """A table with the sums of its rows, its columns and its whole."""
    grid = np.array(cells)
    rows, columns = grid.shape
    counts = [*grid.ravel().tolist(), *grid.sum(axis=1).tolist(), *grid.sum(axis=0).tolist(), int(grid.sum())]
    of_rows, of_columns = rows * columns, rows * columns + rows
    whole = of_columns + columns
    sums = [Sum(of_rows + r, tuple(r * columns + c for c in range(columns))) for r in range(rows)]
    sums += [Sum(of_columns + c, tuple(r * columns + c for r in range(rows))) for c in range(columns)]
    sums += [Sum(whole, tuple(of_rows + r for r in range(rows)))]
    sums += [Sum(whole, tuple(of_columns + c for c in range(columns)))]
    return counts, sums


def every_table_that_fits(
    counts: list[int], sums: list[Sum], hidden: np.ndarray, highest: int, atoms: int
) -> list[list[int]]:
    """List, by trying all of them, the inner cells that agree with everything that is published."""
    choices = [range(1, highest + 1) if hidden[at] else [counts[at]] for at in range(atoms)]
    found = []
    for inner in itertools.product(*choices):
        values = {at: inner[at] for at in range(atoms)}
        for one in sums:
            total = sum(values[part] for part in one.parts)
            if one.total not in values:
                values[one.total] = total
            if values[one.total] != total or (not hidden[one.total] and total != counts[one.total]):
                break
            if hidden[one.total] and total < 1:
                break
        else:
            found.append([values[at] for at in range(len(counts))])
    return found


@settings(max_examples=15, deadline=None)
@given(st.lists(st.lists(st.integers(0, 6), min_size=2, max_size=2), min_size=2, max_size=2))
def test_trying_every_table_pins_no_small_count_down(cells: list[list[int]]) -> None:
    counts, sums = two_way(cells)
    hidden = withheld(counts, sums, SMALLEST)
    primary = small(np.array(counts), SMALLEST)
    assert (hidden >= primary).all()
    atoms = sum(len(row) for row in cells)
    tables = every_table_that_fits(counts, sums, hidden, 12, atoms)
    assert counts in tables or max(counts[:atoms], default=0) > 12
    for at in np.flatnonzero(primary):
        possible = {table[at] for table in tables}
        assert len(possible) > 1, (cells, hidden.tolist(), at)
        if at < atoms:
            assert min(possible) == 1, (cells, hidden.tolist(), at)
            assert max(possible) >= SMALLEST - 1, (cells, hidden.tolist(), at)


def test_the_solver_and_trying_all_agree() -> None:
    counts, sums = two_way([[3, 5], [6, 2]])
    hidden = withheld(counts, sums, SMALLEST)
    tables = every_table_that_fits(counts, sums, hidden, 14, 4)
    for at in np.flatnonzero(hidden[:4]):
        low, high = possible_range(np.array(counts), sums, hidden, SMALLEST, int(at))
        assert low == min(table[at] for table in tables)
        if high <= 14:
            assert high == max(table[at] for table in tables)


def test_one_withheld_in_a_row_takes_others_with_it() -> None:
    counts, sums = two_way([[3, 20, 30], [25, 40, 50], [60, 70, 80]])
    hidden = withheld(counts, sums, 16)
    grid = hidden[:9].reshape(3, 3)
    assert hidden.sum() > 1
    assert grid[0, 0]
    # The cell, one more in its row and in its column (or their totals): no sum has exactly one unknown.
    for one in sums:
        assert hidden[[one.total, *one.parts]].sum() != 1
    low, high = possible_range(np.array(counts), sums, hidden, 16, 0)
    assert low == 1
    assert high >= 15


def test_nothing_is_withheld_where_nothing_is_small() -> None:
    counts, sums = two_way([[16, 0], [40, 18]])
    assert not withheld(counts, sums, 16).any()


def test_a_total_that_is_no_sum_is_refused() -> None:
    with pytest.raises(ValueError, match="total 9 is not the sum 10 of its parts"):
        withheld([9, 4, 6], [Sum(0, (1, 2))], 6)


@pytest.mark.parametrize("rate", [0.02, 0.1, 0.4, 1.5])
def test_years_of_months_stations_and_roles(rate: float) -> None:
    """The shape of an export: three ways to cut each year, all tied at the year's total."""
    rng = np.random.default_rng(round(100 * rate))
    events = rng.poisson(rate, (2, 12, 4, 3))
    counts: list[int] = []
    sums: list[Sum] = []

    def add(count: int) -> int:
        counts.append(int(count))
        return len(counts) - 1

    years = [add(events[year].sum()) for year in range(2)]
    whole = add(events.sum())
    sums.append(Sum(whole, tuple(years)))
    for axis, size in ((1, 12), (2, 4), (3, 3)):
        lines = [[add(np.take(events[year], at, axis - 1).sum()) for at in range(size)] for year in range(2)]
        sums += [Sum(years[year], tuple(lines[year])) for year in range(2)]
        if axis > 1:
            totals = [add(np.take(events, at, axis).sum()) for at in range(size)]
            sums += [Sum(totals[at], (lines[0][at], lines[1][at])) for at in range(size)]
            sums.append(Sum(whole, tuple(totals)))
    values = np.array(counts)
    hidden = withheld(counts, sums, 16)
    for at in np.flatnonzero(small(values, 16)):
        low, high = possible_range(values, sums, hidden, 16, int(at))
        assert high >= 15
        # No narrower than what the noughts alone tell: a total is at least as many as it has parts.
        assert low <= max(1, possible_range(values, sums, values > 0, 16, int(at))[0])
