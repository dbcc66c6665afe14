"""Withheld counts: who has every published figure, every sum, both marks and a solver learns none."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp

from analysis.trends.withholding import Sum, Withheld, small, small_mark, values_left, withheld

SMALLEST = 4  # small enough for every table to be listed
LIMIT = 16
FAR = 100_000
Table = tuple[list[int], list[Sum]]


def two_way(cells: list[list[int]]) -> Table:
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


def like_an_export(rate: float, seed: int, years: int = 2) -> Table:
    """Three ways to cut each year (months, stations, roles), tied at its total, and years at the whole."""
    rng = np.random.default_rng(seed)
    level = rng.gamma(
        0.7, 1 / 0.7, (1, 12, 4, 3)
    )  # some months, stations and roles have far more than others
    events = rng.poisson(rate * level, (years, 12, 4, 3))
    counts: list[int] = []
    sums: list[Sum] = []

    def add(count: int) -> int:
        counts.append(int(count))
        return len(counts) - 1

    totals = [add(events[year].sum()) for year in range(years)]
    whole = add(events.sum())
    sums.append(Sum(whole, tuple(totals)))
    for axis, size in ((1, 12), (2, 4), (3, 3)):
        lines = [
            [add(np.take(events[year], at, axis - 1).sum()) for at in range(size)] for year in range(years)
        ]
        sums += [Sum(totals[year], tuple(lines[year])) for year in range(years)]
        if axis > 1:
            of_all = [add(np.take(events, at, axis).sum()) for at in range(size)]
            sums += [Sum(of_all[at], tuple(line[at] for line in lines)) for at in range(size)]
            sums.append(Sum(whole, tuple(of_all)))
    return counts, sums


class Attacker:
    """Has what is printed, and knows the relations, what the marks mean and which unmarked counts are large.

    Parameters
    ----------
    printed : list of str
    sums : list of Sum
    limit : int
    large : set of int
        Cells that read "withheld" and are not small: more than a real attacker knows.
    """

    def __init__(self, printed: list[str], sums: list[Sum], limit: int, large: set[int]) -> None:
        self.low, self.high = np.empty(len(printed)), np.empty(len(printed))
        for cell, text in enumerate(printed):
            if text == f"<{limit}":
                self.low[cell], self.high[cell] = 1, limit - 1
            elif text == "withheld":
                self.low[cell], self.high[cell] = limit if cell in large else 1, FAR
            else:
                self.low[cell] = self.high[cell] = int(text)
        matrix, ends = np.zeros((len(sums), len(printed))), np.zeros(len(sums))
        for row, one in enumerate(sums):
            matrix[row, one.total], matrix[row, list(one.parts)] = 1, -1
            ends[row] = np.inf if one.at_least else 0
        self.ties = LinearConstraint(matrix, np.zeros(len(sums)), ends)

    def range_of(self, cell: int) -> tuple[int, int]:
        aim = np.zeros(len(self.low))
        ends = []
        for sign in (1.0, -1.0):
            aim[cell] = sign
            every = np.ones(len(aim))
            found = milp(aim, integrality=every, bounds=Bounds(self.low, self.high), constraints=[self.ties])
            assert found.x is not None, "what is published contradicts itself"
            ends.append(round(float(found.x[cell])))
        return ends[0], ends[1]


def printed(counts: list[int], chosen: Withheld, limit: int) -> list[str]:
    return [mark or str(count) for mark, count in zip(chosen.marks(limit), counts, strict=True)]


def attackers(table: Table, chosen: Withheld, limit: int) -> tuple[Attacker, Attacker]:
    """One with what is printed, one who has the marks and the noughts alone."""
    counts, sums = table
    values, shown = np.array(counts), printed(counts, chosen, limit)
    large = set(np.flatnonzero(values >= limit).tolist())
    bare = [
        text if count == 0 or text.startswith("<") or text == "withheld" else "withheld"
        for text, count in zip(shown, counts, strict=True)
    ]
    return Attacker(shown, sums, limit, large), Attacker(bare, sums, limit, large)


def what_is_told(table: Table, chosen: Withheld, limit: int) -> list[str]:
    """Return every withheld count that can be computed, or is narrower than marks and noughts make it."""
    with_all, with_marks = attackers(table, chosen, limit)
    primary, told = small(np.array(table[0]), limit), []
    for cell in np.flatnonzero(chosen.hidden | primary):
        low, high = with_all.range_of(int(cell))
        if low == high:
            told.append(f"cell {cell} is {low}")
        elif primary[cell]:
            least, most = with_marks.range_of(int(cell))
            if low > least or high < min(most, limit - 1):
                told.append(f"cell {cell} lies from {low} to {high}, by its marks from {least} to {most}")
            if most - least + 1 < values_left(limit):
                told.append(f"the marks alone leave cell {cell} {least} to {most}")
    return told


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.lists(st.integers(0, 40), min_size=3, max_size=3), min_size=2, max_size=4),
    st.sampled_from([2, 4, 10, 16]),
)
def test_no_two_way_table_tells_a_withheld_count(cells: list[list[int]], limit: int) -> None:
    table = two_way(cells)
    chosen = withheld(*table, limit)
    assert (chosen.hidden >= small(np.array(table[0]), limit)).all()
    assert what_is_told(table, chosen, limit) == []


@pytest.mark.parametrize("rate", [0.01, 0.05, 0.2, 0.5, 1.5])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_no_export_tells_a_withheld_count(rate: float, seed: int) -> None:
    table = like_an_export(rate, seed)
    chosen = withheld(*table, LIMIT)
    assert chosen.small.any()
    assert what_is_told(table, chosen, LIMIT) == []


def test_marks_without_secondary_ones_are_found_out() -> None:
    """That the attacker would notice: small counts marked and nothing else done."""
    found_out = 0
    for seed in range(5):
        table = like_an_export(0.5, seed)
        primary = small(np.array(table[0]), LIMIT)
        assert primary.any()
        found_out += bool(what_is_told(table, Withheld(primary, primary), LIMIT))
    assert found_out == 5


def test_two_in_every_sum_is_not_enough_once_both_marks_are_printed() -> None:
    """3 beside 17: who knows that the other is 16 or more knows that the small one is at most 4."""
    table: Table = ([20, 3, 17, 40, 60], [Sum(0, (1, 2)), Sum(4, (0, 3))])
    naive = Withheld(np.array([0, 1, 1, 0, 0], dtype=bool), np.array([0, 1, 0, 0, 0], dtype=bool))
    assert what_is_told(table, naive, LIMIT) == ["cell 1 lies from 1 to 4, by its marks from 1 to 15"]
    chosen = withheld(*table, LIMIT)
    assert printed(table[0], chosen, LIMIT) == ["withheld", "<16", "17", "withheld", "60"]
    assert what_is_told(table, chosen, LIMIT) == []


def test_a_small_total_of_many_parts_loses_its_mark() -> None:
    """Twelve months with one each: "<16" over them would leave each 1 to 4, fifteen would leave no choice."""
    counts, sums = [12, *[1] * 12], [Sum(0, tuple(range(1, 13)))]
    chosen = withheld(counts, sums, LIMIT)
    assert printed(counts, chosen, LIMIT) == ["withheld", *["<16"] * 12]
    everything_marked = Withheld(chosen.hidden, chosen.hidden)
    assert "the marks alone leave cell 1 1 to 4" in what_is_told((counts, sums), everything_marked, LIMIT)


def test_a_small_total_of_few_parts_keeps_its_mark() -> None:
    counts, sums = [9, 4, 5, 0], [Sum(0, (1, 2, 3))]
    assert printed(counts, withheld(counts, sums, LIMIT), LIMIT) == ["<16", "<16", "<16", "0"]


def test_below_two_is_no_mark() -> None:
    assert printed([1, 5], withheld([1, 5], [], 2), 2) == ["withheld", "5"]
    pair: Table = (
        [2, 1, 1],
        [Sum(0, (1, 2))],
    )  # beside a 2 that is shown, two that are not nought are 1 each
    assert printed(pair[0], withheld(*pair, 2), 2) == ["withheld"] * 3


def test_what_bounds_a_count_is_known_to_the_attacker() -> None:
    """As many exits as wears at most: 3 wears bound the exits, and exits bound the wears from below."""
    counts = [60, 20, 40, 50, 15, 35]
    sums = [Sum(0, (1, 2)), Sum(3, (4, 5)), *(Sum(at, (at + 3,), at_least=True) for at in range(3))]
    chosen = withheld(counts, sums, LIMIT)
    assert chosen.marks(LIMIT)[4] == small_mark(LIMIT)
    assert what_is_told((counts, sums), chosen, LIMIT) == []
    # Wears that are all shown leave the exits of station 2 at most 40: those of station 1 at least 10.
    naive = Withheld(np.array([0, 0, 0, 0, 1, 1], dtype=bool), np.array([0, 0, 0, 0, 1, 0], dtype=bool))
    assert "cell 4 lies from 10 to 15" in what_is_told((counts, sums), naive, LIMIT)[0]


def every_table_that_fits(
    counts: list[int], sums: list[Sum], chosen: Withheld, highest: int, atoms: int
) -> list[list[int]]:
    """List, by trying all of them, the inner cells that agree with everything that is printed."""
    values = np.array(counts)

    def allowed(cell: int, value: int) -> bool:
        if not chosen.hidden[cell]:
            return value == counts[cell]
        least = SMALLEST if values[cell] >= SMALLEST else 1
        return least <= value and not (chosen.small[cell] and value >= SMALLEST)

    choices = [[value for value in range(highest + 1) if allowed(at, value)] for at in range(atoms)]
    found = []
    for inner in itertools.product(*choices):
        cells = dict(enumerate(inner))
        for one in sums:
            total = sum(cells[part] for part in one.parts)
            if cells.setdefault(one.total, total) != total or not allowed(one.total, total):
                break
        else:
            found.append([cells[at] for at in range(len(counts))])
    return found


@settings(max_examples=15, deadline=None)
@given(st.lists(st.lists(st.integers(0, 6), min_size=2, max_size=2), min_size=2, max_size=2))
def test_trying_every_table_pins_no_small_count_down(cells: list[list[int]]) -> None:
    counts, sums = two_way(cells)
    chosen = withheld(counts, sums, SMALLEST)
    tables = every_table_that_fits(counts, sums, chosen, 14, 4)
    assert counts in tables
    for at in np.flatnonzero(small(np.array(counts), SMALLEST)):
        assert len({table[at] for table in tables}) >= values_left(SMALLEST), (
            cells,
            printed(counts, chosen, 4),
        )


def test_the_solver_and_trying_all_agree() -> None:
    table = two_way([[3, 5], [6, 2]])
    chosen = withheld(*table, SMALLEST)
    tables = every_table_that_fits(*table, chosen, 20, 4)
    solver, _ = attackers(table, chosen, SMALLEST)
    for at in np.flatnonzero(chosen.hidden[:4]):
        low, high = solver.range_of(int(at))
        assert low == min(one[at] for one in tables)
        if high <= 20:
            assert high == max(one[at] for one in tables)


def test_one_withheld_in_a_row_takes_others_with_it() -> None:
    counts, sums = two_way([[3, 20, 30], [25, 40, 50], [60, 70, 80]])
    chosen = withheld(counts, sums, LIMIT)
    assert chosen.small.tolist() == [True] + [False] * 15
    assert chosen.hidden.sum() > 3
    # No sum has exactly one unknown.
    for one in sums:
        assert chosen.hidden[[one.total, *one.parts]].sum() != 1
    assert what_is_told((counts, sums), chosen, LIMIT) == []


def test_nothing_is_withheld_where_nothing_is_small() -> None:
    counts, sums = two_way([[16, 0], [40, 18]])
    assert not withheld(counts, sums, 16).hidden.any()


def test_a_total_that_is_no_sum_is_refused() -> None:
    with pytest.raises(ValueError, match="total 9 is not the sum 10 of its parts"):
        withheld([9, 4, 6], [Sum(0, (1, 2))], 6)
