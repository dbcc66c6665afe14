"""What the review's figures are drawn with: window, units, typed arrays, thinned lines and bands."""

import base64
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dashboard.review import words
from dashboard.review.clock import SECOND_MS, UTC_CLOCK, Clock, Window
from dashboard.review.lanes import Band, Floats, Series
from dashboard.units import Quantity, Units


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
    begins = np.zeros(len(keys[0]), bool)
    begins[:1] = True
    for key in keys:
        begins[1:] |= key[1:] != key[:-1]
    return np.flatnonzero(begins)


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

    Largest-triangle and similar methods lose true minima (tried); plain lowest-and-highest keeps every one.
    No method keeps a short event that stays inside its own bin's range, so alarms, silence and notes are
    drawn from their stored intervals and never come through here.

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


PIXELS = 600
MOST_DOTS = 300
NARROWEST_PX = 560.0
BY_VOICE = "diamond-open"
"""The symbol of a gauge that was read by voice."""
CLEAR = "rgba(0,0,0,0)"


@dataclass(frozen=True)
class View:
    """What is drawn and how: the lanes, the units, the clock of its ticks, the width of the drawing.

    With `overlay` the air and rate of all chosen people are also on one axis, above their own lanes.
    The width says only how many words and ticks find room; until the page has sent it, the narrowest page is
    assumed.
    """

    lanes: tuple[str, ...]
    units: Units
    clock: Clock = UTC_CLOCK
    plot_px: float = NARROWEST_PX
    overlay: bool = False


@dataclass
class Shown:
    """How many readings are drawn, and the width of a bin where not all are."""

    shown: int = 0
    total: int = 0
    bin_ms: float | None = None

    def text(self) -> str:
        """Return the sentence above the lanes."""
        if not self.total:
            return words.SHOWN_NONE
        if self.bin_ms is None:
            return words.SHOWN_ALL.format(total=f"{self.total:,}")
        width_s = self.bin_ms / SECOND_MS
        width = f"{width_s:.0f}" if width_s >= 9.5 else f"{width_s:.1f}"
        return words.SHOWN_THINNED.format(bin_s=width, shown=f"{self.shown:,}", total=f"{self.total:,}")


@dataclass
class Drawing:
    """Traces, axes and texts as they are gathered from the top of the figure to its bottom."""

    view: View
    window: Window
    traces: list[dict[str, Any]] = field(default_factory=list)
    thinned: list[int] = field(default_factory=list)
    axes: list[dict[str, Any]] = field(default_factory=list)
    rows_px: list[tuple[float, float]] = field(default_factory=list)
    texts: list[tuple[float, str, bool]] = field(default_factory=list)
    levels: list[dict[str, Any]] = field(default_factory=list)
    depth_px: float = 0.0
    shown: Shown = field(default_factory=Shown)

    def lane(self, height_px: float, **axis: Any) -> str:
        """Add a y axis of that height at the present depth and return its short name."""
        self.rows_px.append((self.depth_px, self.depth_px + height_px))
        self.axes.append(axis)
        self.depth_px += height_px
        return self.name(len(self.axes) - 1)

    @staticmethod
    def name(index: int) -> str:
        """Return plotly's name of the axis of that number."""
        return "y" if index == 0 else f"y{index + 1}"

    def title(self, text: str, height_px: float, heading: bool = False) -> None:
        """Add a line of text at the present depth."""
        self.texts.append((self.depth_px + height_px, text, heading))
        self.depth_px += height_px

    def add(self, trace: dict[str, Any], thinned: bool = False) -> None:
        """Add a trace; `thinned` when a zoom changes it."""
        if thinned:
            self.thinned.append(len(self.traces))
        self.traces.append(trace)

    def scatter(self, mode: str, x: Any, y: Any, axis: str, thinned: bool = True, **more: Any) -> None:
        """Add points, lines or words on an axis; `more` as plotly names it."""
        self.add({"type": "scatter", "mode": mode, "x": x, "y": y, "yaxis": axis, **more}, thinned)

    def px(self, at: float) -> float:
        """Return how far a moment is from the left edge of the plot."""
        return (at - self.window.start) / (self.window.end - self.window.start) * self.view.plot_px


def typed(values: ArrayLike, dtype: str = "f8") -> dict[str, Any]:
    """Return an array as plotly takes it: base64 of its bytes, a third smaller than numbers in text."""
    array = np.ascontiguousarray(values, dtype={"f8": np.float64, "f4": np.float32}[dtype])
    found: dict[str, Any] = {"dtype": dtype, "bdata": base64.b64encode(array.tobytes()).decode()}
    if array.ndim == 2:
        found["shape"] = f"{array.shape[0]}, {array.shape[1]}"
    return found


def lying(started: ArrayLike, lasted: Any, y: list[Any], **more: Any) -> dict[str, Any]:
    """Return bars along the time axis; `more` as plotly names it."""
    base = typed(started)
    return {"type": "bar", "orientation": "h", "base": base, "x": lasted, "y": y, **more}


def hatched(
    spans: Sequence[tuple[float, float, float]],
    colour: str,
    shape: str,
    size: int,
    solidity: float,
    **more: Any,
) -> dict[str, Any]:
    """Return stretches (start, end, place on the y axis) as hatched bars; `more` as plotly names it."""
    pattern = {"shape": shape, "fgcolor": colour, "size": size, "solidity": solidity}
    return lying(
        [start for start, _, _ in spans],
        [end - start for start, end, _ in spans],
        [y for _, _, y in spans],
        marker={"color": CLEAR, "line": {"width": 1, "color": colour}, "pattern": pattern},
        **more,
    )


def nice_ceiling(value: float, least: float) -> float:
    """Return the end of a fixed scale: the next of 1, 1.5, 2, 3, 4, 5, 6, 8 times a power of ten."""
    value = max(value if math.isfinite(value) else least, least)
    power = 10.0 ** math.floor(math.log10(value))
    return next(step * power for step in (1, 1.5, 2, 3, 4, 5, 6, 8, 10) if step * power >= value * 0.999)


def in_units(band: Band, units: Units, quantity: Quantity) -> Band:
    """Return a band in display units."""
    return Band(band.x, *(units.shown(quantity, part) for part in (band.middle, band.low, band.high)))


def draw_band(drawing: Drawing, band: Band, y: str, fill: str) -> None:
    """Draw a band's outline, filled."""
    window = drawing.window
    x, edge = thin_band(band.x, band.low, band.high, window.start, window.end, PIXELS, 2 * SECOND_MS)
    drawing.scatter("lines", typed(x), typed(edge, "f4"), y, fill="toself", fillcolor=fill, line={"width": 0})


def draw_line(drawing: Drawing, x: Floats, values: Floats, y: str, line: dict[str, Any]) -> None:
    """Draw an estimate on the 1 s grid as a line."""
    window = drawing.window
    thin = thin_line(x, values, window.start, window.end, PIXELS, 2 * SECOND_MS)
    drawing.scatter("lines", typed(thin.x), typed(thin.y, "f4"), y, line=line)


def draw_readings(drawing: Drawing, series: Series, y: str, colour: str, quantity: Quantity) -> None:
    """Draw measured values as a line, with a dot at each as soon as dots can be distinguished."""
    window, values = drawing.window, drawing.view.units.shown(quantity, series.y)
    thin = thin_line(series.x, values, window.start, window.end, PIXELS, series.gap_ms)
    drawing.shown.shown += thin.shown if thin.bin_width is not None else thin.total
    drawing.shown.total += thin.total
    if thin.bin_width is not None:
        drawing.shown.bin_ms = thin.bin_width
    drawing.scatter(
        "lines+markers" if thin.shown <= MOST_DOTS else "lines",
        typed(thin.x),
        typed(thin.y, "f4"),
        y,
        line={"color": colour, "width": 1.5},
        marker={"size": 4, "color": colour},
    )


def plain(text: str) -> str:
    """Return text from outside with its markup made harmless: plotly reads a subset of HTML in labels."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;").replace("\n", " ")
