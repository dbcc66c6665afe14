"""A figure of the review page as plain SVG: the same traces, sharp in print, without a script.

It knows as much of plotly's form as our figures use: lines, filled bands, marks, words, horizontal bars,
strips of shade, stacked lanes on one linear time axis.
"""

import base64
import itertools
import math
import re
from collections.abc import Iterator
from html import escape
from typing import Any

import numpy as np

from dashboard.review.drawing import BY_VOICE, CLEAR
from dashboard.review.lanes import Floats
from dashboard.review.overview import ALARM_SIGNS

TICKS_AT_MOST = 4
NICE_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
DASHES = {"solid": "none", "dash": "6 4", "dot": "2 3", "dashdot": "6 3 2 3", "longdash": "10 4"}
GRID, FONT_PX = "#d5d5d2", 12.0
STRIP_SHADES = 12  # shades of a strip: more cannot be distinguished on paper
_TAGS = re.compile(r"</?b>")
SYMBOLS = {**dict(ALARM_SIGNS.values()), BY_VOICE: "◇"}
_PATTERN = (
    '<pattern id="{}" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate({})">'
    '<line x1="0" y1="0" x2="0" y2="6" stroke="{}" stroke-width="1"/></pattern>'
)
HATCH = f"<defs>{_PATTERN.format('hatch', 45, '#7a4a9c')}{_PATTERN.format('late', -45, '#808080')}</defs>"
HATCHES = {"/": "url(#hatch)", "\\": "url(#late)"}


def svg_of(figure: dict[str, Any], plot_px: float, label: str, alone: bool = False) -> str:
    """Return a figure as SVG.

    - `figure`: as `dashboard.review.figures` and `dashboard.review.overview` make it.
    - `plot_px`: width of the plot without its margins, in the figure's own pixels.
    - `label`: what it shows, for readers who cannot see it.
    - `alone`: as a file of its own, on white.
    """
    sheet = _Sheet(figure["layout"], plot_px)
    traces = (part for trace in figure["data"] for part in _TRACES[trace["type"]](sheet, trace))
    parts = "".join([*sheet.frame(), *traces, *sheet.shapes(), *sheet.annotations()])
    width, height = sheet.left + plot_px + sheet.right, figure["layout"]["height"]
    opening = (
        f' xmlns="http://www.w3.org/2000/svg" width="{width:.0f}" height="{height:.0f}" '
        f'font-family="system-ui, sans-serif" font-size="{FONT_PX:g}" style="background:#fff"'
        if alone
        else ""
    )
    return (
        f'<svg{opening} viewBox="0 0 {width:.0f} {height:.0f}" role="img" '
        f'aria-label="{escape(label, quote=True)}">'
        f"{HATCH}{parts}</svg>"
    )


def numbers(values: Any) -> Floats:
    """Return the numbers of a trace: a list, or an array as `dashboard.review.drawing.typed` packs it."""
    if isinstance(values, dict):
        made = np.frombuffer(base64.b64decode(values["bdata"]), dtype=values["dtype"]).astype(float)
        return made.reshape([int(part) for part in values["shape"].split(",")]) if "shape" in values else made
    return np.array([math.nan if value is None else value for value in values], dtype=float)


class _Sheet:
    """Where things are: margins, the time axis and the lanes' axes."""

    def __init__(self, layout: dict[str, Any], plot_px: float) -> None:
        margin = layout["margin"]
        self.layout, self.width = layout, plot_px
        self.left, self.right, self.top = float(margin["l"]), float(margin["r"]), float(margin["t"])
        self.height = layout["height"] - margin["t"] - margin["b"]
        self.start, self.end = layout["xaxis"]["range"]

    def x(self, at: Floats | float) -> Floats:
        share = (np.asarray(at, dtype=float) - self.start) / (self.end - self.start)
        return np.asarray(self.left + self.width * share)

    def axis(self, name: str) -> dict[str, Any]:
        found: dict[str, Any] = self.layout["yaxis" + name.removeprefix("y")]
        return found

    def rows(self, name: str) -> tuple[float, float]:
        """Return top and bottom of a lane."""
        low, high = self.axis(name).get("domain", (0.0, 1.0))
        return self.top + self.height * (1 - high), self.top + self.height * (1 - low)

    def y(self, value: Floats | float, name: str) -> Floats:
        low, high = self.axis(name)["range"]
        top, bottom = self.rows(name)
        share = (np.asarray(value, dtype=float) - low) / (high - low)
        return np.asarray(bottom - (bottom - top) * share)

    def frame(self) -> Iterator[str]:
        bottom = self.top + self.height
        axis = self.layout["xaxis"]
        for at, text in zip(axis["tickvals"], axis["ticktext"], strict=True):
            x = float(self.x(at))
            yield f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{self.top}" y2="{bottom:.1f}" stroke="{GRID}"/>'
            yield _text(x, self.top - 6, text, "middle")
        for name in [name for name in self.layout if name.startswith("yaxis")]:
            yield from self._lane("y" + name.removeprefix("yaxis"))

    def _lane(self, name: str) -> Iterator[str]:
        axis = self.axis(name)
        if axis.get("visible") is False:
            return
        if "tickvals" in axis:
            values, texts = axis["tickvals"], axis["ticktext"]
        else:
            low, high = axis["range"]
            values = _nice(low, high, axis.get("nticks", TICKS_AT_MOST))
            texts = [f"{value:,g}" for value in values]
        for value, text in zip(values, texts, strict=True):
            y = float(self.y(value, name))
            if axis.get("showgrid", True):
                x2 = self.left + self.width
                yield f'<line x1="{self.left}" x2="{x2:.1f}" y1="{y:.1f}" y2="{y:.1f}" stroke="{GRID}"/>'
            size = axis.get("tickfont", {}).get("size", FONT_PX)
            yield _text(self.left - 5, y + size * 0.35, text, "end", size)

    def shapes(self) -> Iterator[str]:
        for shape in self.layout.get("shapes", ()):
            y = float(self.y(shape["y0"], shape["yref"]))
            x2 = self.left + self.width
            line = shape["line"]
            yield (
                f'<line x1="{self.left}" x2="{x2:.1f}" y1="{y:.1f}" y2="{y:.1f}" stroke="{line["color"]}" '
                f'stroke-dasharray="{DASHES[line["dash"]]}"/>'
            )
            yield _text(self.left + 3, y - 3, shape["label"]["text"], "", 11)

    def annotations(self) -> Iterator[str]:
        for note in self.layout.get("annotations", ()):
            y = self.top + self.height * (1 - note["y"])
            x = self.left + note.get("xshift", 0)
            yield _text(x, y - 4, note["text"], "", note["font"]["size"])


def _nice(low: float, high: float, most: int) -> list[float]:
    length = high - low
    power = 10.0 ** math.floor(math.log10(length / most))
    step = next(power * part for part in NICE_STEPS if length / (power * part) <= most)
    return [step * number for number in range(math.ceil(low / step), math.floor(high / step + 1e-9) + 1)]


def _text(
    x: float, y: float, text: str, anchor: str = "", size: float = FONT_PX, grounded: bool = False
) -> str:
    """Return words; those of a figure are escaped already, with `<b>` around what is bold.

    `grounded`: on a ground of their own, over hatching and lines.
    """
    bold = ' font-weight="600"' if "<b>" in text else ""
    ground = ' stroke="#fff" stroke-width="3" paint-order="stroke"' if grounded else ""
    middle = f' text-anchor="{anchor}"' if anchor else ""
    sized = "" if size == FONT_PX else f' font-size="{size:g}"'
    return f'<text x="{x:.1f}" y="{y:.1f}"{middle}{sized}{bold}{ground}>{_TAGS.sub("", text)}</text>'


def _path(x: Floats, y: Floats, closed: bool) -> str:
    """Return a path; a NaN begins a new piece."""
    finite = np.isfinite(x) & np.isfinite(y)
    if not finite.any():
        return ""
    starts = np.flatnonzero((finite & ~np.concatenate(([False], finite[:-1])))[finite]).tolist()
    points = [f"{px:.1f} {py:.1f}" for px, py in zip(x[finite].tolist(), y[finite].tolist(), strict=True)]
    pieces = ["L".join(points[first:last]) for first, last in itertools.pairwise([*starts, len(points)])]
    return f"M{('ZM' if closed else 'M').join(pieces)}{'Z' if closed else ''}"


def _scatter(sheet: _Sheet, trace: dict[str, Any]) -> Iterator[str]:
    axis, mode = trace.get("yaxis", "y"), trace["mode"]
    x, y = sheet.x(numbers(trace["x"])), sheet.y(numbers(trace["y"]), axis)
    top, bottom = sheet.rows(axis)
    inside = np.clip(x, sheet.left, sheet.left + sheet.width)
    x = np.where(np.isfinite(x), inside, math.nan)
    y = np.where(np.isfinite(y), np.clip(y, top, bottom), math.nan)
    if "lines" in mode:
        line = trace.get("line", {})
        filled = trace.get("fill") == "toself"
        path = _path(x, y, filled)
        width = f"{line.get('width', 1):g}"
        stroke = f'stroke="{line["color"]}" stroke-width="{width}"' if "color" in line else ""
        dash = f' stroke-dasharray="{DASHES[line["dash"]]}"' if line.get("dash") else ""
        fill = f'fill="{trace["fillcolor"]}"' if filled else 'fill="none"'
        if path:
            yield f'<path d="{path}" {fill} {stroke}{dash}/>'
    if mode == "markers":
        sign, colour = SYMBOLS[trace["marker"]["symbol"]], trace["marker"]["color"]
        for px, py in zip(x, y, strict=True):
            yield (
                f'<text x="{px:.1f}" y="{py + 4.5:.1f}" text-anchor="middle" font-size="13" fill="{colour}" '
                f'stroke="#fff" stroke-width="2.5" paint-order="stroke">{sign}</text>'
            )
    if "text" in mode:
        places = trace["textposition"]
        for number, (px, py, text) in enumerate(zip(x, y, trace["text"], strict=True)):
            if text.strip() and math.isfinite(px) and math.isfinite(py):
                place = places if isinstance(places, str) else places[number]
                anchor = {"left": "end", "right": "", "center": "middle"}[place.split()[1]]
                shift = {"end": -4.0, "": 4.0, "middle": 0.0}[anchor]
                yield _text(px + shift, py + 4, text, anchor, grounded=True)


def _bars(sheet: _Sheet, trace: dict[str, Any]) -> Iterator[str]:
    axis = trace.get("yaxis", "y")
    base, length, rows = numbers(trace["base"]), numbers(trace["x"]), numbers(trace["y"])
    marker = trace["marker"]
    half = trace["width"] / 2
    left = np.clip(sheet.x(base), sheet.left, sheet.left + sheet.width)
    right = np.clip(sheet.x(base + length), sheet.left, sheet.left + sheet.width)
    one, other = sheet.y(rows - half, axis), sheet.y(rows + half, axis)
    hatch = HATCHES.get(marker.get("pattern", {}).get("shape"))
    for number in range(len(base)):
        colour, edge = (
            one if isinstance(one, str) else one[number] for one in (marker["color"], marker["line"]["color"])
        )
        fill = hatch or ("none" if colour == CLEAR else colour)
        top, height = min(one[number], other[number]), abs(one[number] - other[number])
        width = max(right[number] - left[number], 1.5)
        yield (
            f'<rect x="{left[number]:.1f}" y="{top:.1f}" width="{width:.1f}" height="{height:.1f}" '
            f'fill="{fill}" stroke="{edge}" stroke-width="{marker["line"]["width"]:g}"/>'
        )


def _strips(sheet: _Sheet, trace: dict[str, Any]) -> Iterator[str]:
    """Yield shades as rectangles, neighbours of one shade as one."""
    values = numbers(trace["z"])
    if values.ndim < 2:
        return
    share = np.clip((values - trace["zmin"]) / (trace["zmax"] - trace["zmin"]), 0, 1)
    steps = np.where(np.isfinite(share), np.round(share * STRIP_SHADES), -1).astype(int)
    scale = [(at, float(colour.rpartition(",")[2].rstrip(")"))) for at, colour in trace["colorscale"]]
    ink = trace["colorscale"][0][1].rpartition(",")[0].replace("rgba", "rgb") + ")"
    levels = np.arange(STRIP_SHADES + 1) / STRIP_SHADES
    opacity = np.interp(levels, [at for at, _ in scale], [alpha for _, alpha in scale])
    first = trace["x0"] - trace["dx"] / 2
    for row, line in enumerate(steps):
        changes = [0, *np.flatnonzero(np.diff(line)) + 1, len(line)]
        top, bottom = sorted((float(sheet.y(row - 0.42, "y")), float(sheet.y(row + 0.42, "y"))))
        for start, end in itertools.pairwise(changes):
            if line[start] >= 0:
                x1, x2 = (float(sheet.x(first + trace["dx"] * number)) for number in (start, end))
                x2 = min(x2, sheet.left + sheet.width)
                yield (
                    f'<rect x="{x1:.1f}" y="{top:.1f}" width="{x2 - x1:.1f}" height="{bottom - top:.1f}" '
                    f'fill="{ink}" fill-opacity="{opacity[line[start]]:.2f}"/>'
                )


_TRACES = {"scatter": _scatter, "bar": _bars, "heatmap": _strips}
