"""Fewer points for the screen without losing an extreme or closing a gap: lowest and highest in each pixel.

Largest-triangle and similar methods lose true minima (tried); plain lowest-and-highest keeps every one.
No method keeps a short event that stays inside its own bin's range, so alarms, silence and notes are
drawn from their stored intervals and never come through here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

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


def _starts(*keys: NDArray[Any]) -> NDArray[np.int64]:
    """Return where a stretch begins in which every key stays the same."""
    changes = np.logical_or.reduce([np.diff(key) != 0 for key in keys])
    return np.flatnonzero(np.concatenate((np.ones(min(len(keys[0]), 1), bool), changes)))


def _in_window(
    x: Floats, values: list[Floats], start: float, end: float, gap: float
) -> tuple[Floats, list[Floats], NDArray[np.int64]]:
    """Return the points inside where every value is finite, and the number of the unbroken piece of each.

    With one neighbour on each side, so that the line reaches the edge.
    """
    first = max(int(np.searchsorted(x, start, side="left")) - 1, 0)
    last = int(np.searchsorted(x, end, side="right")) + 1
    x, *values = (np.asarray(each[first:last], dtype=np.float64) for each in (x, *values))
    kept = np.flatnonzero(np.isfinite(values).all(axis=0))
    x, *values = (each[kept] for each in (x, *values))
    breaks = (np.diff(kept) > 1) | (np.diff(x) > gap)
    return x, values, np.concatenate((np.zeros(min(len(x), 1), np.int64), np.cumsum(breaks)))


def thin_line(x: Floats, y: Floats, start: float, end: float, pixels: int, gap: float) -> ThinnedLine:
    """Keep the lowest and the highest point in each pixel, and both ends of every unbroken piece.

    - `x`: array, ascending: time, in any unit (the review uses milliseconds).
    - `y`: array of the same length: values; NaN where there is none.
    - `start` and `end`: the window, in the unit of x.
    - `pixels`: width of the drawing; at most about two points for each are sent.
    - `gap`: two neighbours further apart than this are not joined.
    """
    x, (y,), piece = _in_window(x, [y], start, end, gap)
    total = int(np.count_nonzero((x >= start) & (x <= end)))
    width = (end - start) / max(pixels, 1)
    is_thinned = len(x) > 2 * pixels and width > 0
    if is_thinned:
        bins = _starts(np.floor((x - start) / width), piece)
        number = np.repeat(np.arange(len(bins)), np.diff(bins, append=len(y)))
        ends = _starts(piece)
        chosen = [ends, np.append(ends[1:], len(y)) - 1]
        for extreme in (np.minimum, np.maximum):
            reached = np.flatnonzero(y == extreme.reduceat(y, bins)[number])
            chosen.append(reached[_starts(number[reached])])
        index = np.unique(np.concatenate(chosen))
        x, y, piece = x[index], y[index], piece[index]
    breaks = _starts(piece)[1:]
    drawn_x, drawn_y = (np.insert(each, breaks, np.nan) for each in (x, y))
    return ThinnedLine(drawn_x, drawn_y, len(x), total, width if is_thinned else None)


def thin_band(
    x: Floats, low: Floats, high: Floats, start: float, end: float, pixels: int, gap: float
) -> tuple[Floats, Floats]:
    """Outline the band from the lowest `low` to the highest `high` of each pixel, piece by piece.

    Returns x and y: one closed outline for each unbroken piece, the pieces separated by a NaN pair.

    Parameters as in `thin_line`; a point counts only where both edges are finite.
    """
    x, (low, high), piece = _in_window(x, [low, high], start, end, gap)
    width = (end - start) / max(pixels, 1)
    if len(x) > 2 * pixels and width > 0:
        bins = _starts(np.floor((x - start) / width), piece)
        low, high = np.minimum.reduceat(low, bins), np.maximum.reduceat(high, bins)
        # The ends of a piece stay where they are, so that the band ends where the silence begins.
        last = np.append(_starts(piece)[1:], len(x)) - 1
        last_bin = np.append(_starts(piece[bins])[1:], len(bins)) - 1
        x, piece, ends = x[bins], piece[bins], x[last]
        x[last_bin] = ends
    outline: list[NDArray[np.float64]] = []
    pieces = (np.split(each, _starts(piece)[1:]) for each in (x, low, high))
    for piece_x, piece_low, piece_high in zip(*pieces, strict=True):
        there, back = np.array([piece_x, piece_low]), np.array([piece_x, piece_high])[:, ::-1]
        outline += [there, back, np.full((2, 1), np.nan)]
    drawn = np.concatenate(outline[:-1], axis=1)
    return drawn[0], drawn[1]
