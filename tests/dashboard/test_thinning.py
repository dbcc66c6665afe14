"""Thinning keeps every extreme, every gap and both ends, whatever the data."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboard.review.drawing import thin_band, thin_line


def _with_gaps(seed: int, count: int = 3600) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    x = np.arange(count, dtype=float)
    y = np.cumsum(rng.normal(size=count))
    for begin in rng.integers(100, count - 200, size=3):
        y[begin : begin + 60] = np.nan
    return x, y


@pytest.mark.parametrize("seed", range(40))
def test_true_extremes_and_every_gap_are_kept(seed: int) -> None:
    x, y = _with_gaps(seed)
    line = thin_line(x, y, 0.0, 3599.0, pixels=400, gap=15.0)
    assert line.bin_width is not None
    assert np.nanmin(line.y) == np.nanmin(y)
    assert np.nanmax(line.y) == np.nanmax(y)
    runs = np.count_nonzero(np.diff(np.isnan(y).astype(int)) == 1)
    assert np.count_nonzero(np.isnan(line.x)) == runs
    assert line.total == np.count_nonzero(np.isfinite(y))
    assert line.shown <= 2 * 400 + 2 * (runs + 1) + 2
    finite = np.isfinite(line.x)
    assert np.all(np.diff(line.x[finite]) > 0)
    assert np.all(np.isin(line.y[finite], y))


def test_a_spike_of_one_sample_survives() -> None:
    x = np.arange(36_000, dtype=float)
    y = np.zeros_like(x)
    y[17_771] = 9.0
    line = thin_line(x, y, 0.0, 35_999.0, pixels=400, gap=5.0)
    assert (line.x[line.y == 9.0] == 17_771).all()


def test_raw_points_when_few_enough_and_one_neighbour_on_each_side() -> None:
    x = np.arange(1000, dtype=float)
    line = thin_line(x, x * 2, 100.0, 200.0, pixels=400, gap=5.0)
    assert line.bin_width is None
    assert line.x[0] == 99
    assert line.x[-1] == 201
    assert (line.shown, line.total) == (103, 101)


def test_points_too_far_apart_are_not_joined() -> None:
    x = np.array([0.0, 1.0, 2.0, 60.0, 61.0])
    line = thin_line(x, np.ones(5), 0.0, 61.0, pixels=400, gap=15.0)
    assert np.isnan(line.x[3])
    assert line.shown == 5


def test_nothing_and_one_sample() -> None:
    empty = np.zeros(0)
    assert len(thin_line(empty, empty, 0.0, 10.0, 400, 5.0).x) == 0
    assert len(thin_band(empty, empty, empty, 0.0, 10.0, 400, 5.0)[0]) == 0
    one = thin_line(np.array([3.0]), np.array([7.0]), 0.0, 10.0, 400, 5.0)
    assert one.x.tolist() == [3.0]
    assert thin_line(np.array([3.0]), np.array([np.nan]), 0.0, 10.0, 400, 5.0).shown == 0


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.one_of(st.none(), st.floats(-1e6, 1e6)), min_size=1, max_size=400),
    st.integers(1, 40),
)
def test_extremes_hold_for_any_values(values: list[float | None], pixels: int) -> None:
    y = np.array([np.nan if value is None else value for value in values])
    x = np.arange(len(y), dtype=float)
    line = thin_line(x, y, 0.0, float(len(y)), pixels, gap=2.5)
    if np.isfinite(y).any():
        assert np.nanmin(line.y) == np.nanmin(y)
        assert np.nanmax(line.y) == np.nanmax(y)
        assert line.x[np.isfinite(line.x)][0] == x[np.isfinite(y)][0]
        assert line.x[np.isfinite(line.x)][-1] == x[np.isfinite(y)][-1]
    else:
        assert line.shown == 0


@pytest.mark.parametrize("seed", range(10))
def test_band_covers_every_sample_and_breaks_at_gaps(seed: int) -> None:
    x, y = _with_gaps(seed)
    band_x, band_y = thin_band(x, y - 3.0, y + 3.0, 0.0, 3599.0, pixels=300, gap=5.0)
    assert np.nanmin(band_y) == np.nanmin(y) - 3.0
    assert np.nanmax(band_y) == np.nanmax(y) + 3.0
    runs = np.count_nonzero(np.diff(np.isnan(y).astype(int)) == 1)
    assert np.count_nonzero(np.isnan(band_x)) == runs
    last_before_first_gap = np.flatnonzero(np.isnan(y))[0] - 1
    first_piece = band_x[: np.flatnonzero(np.isnan(band_x))[0]]
    assert first_piece.max() == last_before_first_gap
