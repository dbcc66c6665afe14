"""Fewer points for the screen without losing an extreme or closing a gap: lowest and highest in each pixel.

Largest-triangle and similar methods lose true minima (tried); plain lowest-and-highest keeps every one.
No method keeps a short event that stays inside its own bin's range, so alarms, silence and notes are
drawn from their stored intervals and never come through here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class ThinnedLine:
    """A line as it is sent to the screen."""

    # `x`, `y`: arrays of equal length: points in time order; a NaN pair is in every gap, so that the line
    # breaks there
    x: Floats
    y: Floats
    # `shown`, `total`: points sent, and measured points inside the window
    shown: int
    total: int
    bin_width: float | None  # width of a bin in the unit of x; None when every point is there


def _window(x: Floats, start: float, end: float) -> slice:
    """Return the points inside, with one neighbour on each side so that the line reaches the edge."""
    first = int(np.searchsorted(x, start, side="left"))
    last = int(np.searchsorted(x, end, side="right"))
    return slice(max(first - 1, 0), min(last + 1, len(x)))


def _pieces(x: Floats, finite: NDArray[np.bool_], gap: float) -> tuple[Floats, NDArray[np.int64]]:
    """Return the x of finite points and the number of the unbroken piece that each belongs to."""
    kept = np.flatnonzero(finite)
    if len(kept) == 0:
        return x[:0], np.zeros(0, dtype=np.int64)
    skipped_a_missing_one = np.diff(kept) > 1
    too_far_apart = np.diff(x[kept]) > gap
    return x[kept], np.concatenate(([0], np.cumsum(skipped_a_missing_one | too_far_apart)))


def _break_between_pieces(x: Floats, y: Floats, piece: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Insert a NaN pair wherever the piece changes."""
    where = np.flatnonzero(np.diff(piece)) + 1
    if len(where) == 0:
        return x, y
    return np.insert(x, where, np.nan), np.insert(y, where, np.nan)


def thin_line(x: Floats, y: Floats, start: float, end: float, pixels: int, gap: float) -> ThinnedLine:
    """Keep the lowest and the highest point in each pixel, and both ends of every unbroken piece.

    - `x`: array, ascending: time, in any unit (the review uses milliseconds).
    - `y`: array of the same length: values; NaN where there is none.
    - `start` and `end`: the window, in the unit of x.
    - `pixels`: width of the drawing; at most about two points for each are sent.
    - `gap`: two neighbours further apart than this are not joined.
    """
    part = _window(x, start, end)
    x, y = np.asarray(x[part], dtype=np.float64), np.asarray(y[part], dtype=np.float64)
    finite = np.isfinite(y)
    total = int(np.count_nonzero(finite & (x >= start) & (x <= end)))
    x, piece = _pieces(x, finite, gap)
    y = y[finite]
    width = (end - start) / max(pixels, 1)
    if len(x) <= 2 * pixels or width <= 0:
        drawn_x, drawn_y = _break_between_pieces(x, y, piece)
        return ThinnedLine(drawn_x, drawn_y, len(x), total, None)
    group = np.floor((x - start) / width).astype(np.int64)
    first_of_group = np.flatnonzero(np.concatenate(([True], (np.diff(group) != 0) | (np.diff(piece) != 0))))
    counts = np.diff(np.append(first_of_group, len(y)))
    number = np.repeat(np.arange(len(first_of_group)), counts)
    chosen = [first_of_group[np.concatenate(([True], np.diff(piece[first_of_group]) != 0))]]
    for extreme in (np.minimum.reduceat(y, first_of_group), np.maximum.reduceat(y, first_of_group)):
        reached = np.flatnonzero(y == extreme[number])
        chosen.append(reached[np.concatenate(([True], np.diff(number[reached]) != 0))])
    chosen.append(np.append(np.flatnonzero(np.diff(piece)), len(y) - 1))
    index = np.unique(np.concatenate(chosen))
    drawn_x, drawn_y = _break_between_pieces(x[index], y[index], piece[index])
    return ThinnedLine(drawn_x, drawn_y, len(index), total, width)


def thin_band(
    x: Floats, low: Floats, high: Floats, start: float, end: float, pixels: int, gap: float
) -> tuple[Floats, Floats]:
    """Outline the band from the lowest `low` to the highest `high` of each pixel, piece by piece.

    Returns x and y: one closed outline for each unbroken piece, the pieces separated by a NaN pair.

    Parameters as in `thin_line`; a point counts only where both edges are finite.
    """
    part = _window(x, start, end)
    x, low, high = x[part], low[part], high[part]
    finite = np.isfinite(low) & np.isfinite(high)
    x, piece = _pieces(np.asarray(x, dtype=np.float64), finite, gap)
    low, high = low[finite], high[finite]
    if len(x) == 0:
        return x, x
    width = (end - start) / max(pixels, 1)
    if len(x) > 2 * pixels and width > 0:
        group = np.floor((x - start) / width)
        first = np.flatnonzero(np.concatenate(([True], (np.diff(group) != 0) | (np.diff(piece) != 0))))
        low, high = np.minimum.reduceat(low, first), np.maximum.reduceat(high, first)
        # The ends of a piece stay where they are, so that the band ends where the silence begins.
        ends = np.append(np.flatnonzero(np.diff(piece)), len(x) - 1)
        is_last_bin = np.concatenate((np.diff(piece[first]) != 0, [True]))
        bin_x = x[first]
        bin_x[is_last_bin] = x[ends]
        x, piece = bin_x, piece[first]
    outline_x: list[Floats] = []
    outline_y: list[Floats] = []
    missing = np.array([np.nan])
    for piece_x, piece_low, piece_high in zip(
        *(np.split(values, np.flatnonzero(np.diff(piece)) + 1) for values in (x, low, high)), strict=True
    ):
        outline_x += [piece_x, piece_x[::-1], missing]
        outline_y += [piece_low, piece_high[::-1], missing]
    return np.concatenate(outline_x[:-1]), np.concatenate(outline_y[:-1])
