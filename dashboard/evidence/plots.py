"""The report's plots as plain SVG: small, sharp in print, no script, the same bytes from the same figures."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from html import escape

import numpy as np
import polars as pl

from dashboard.charts import words
from dashboard.charts.clock import moment_of
from dashboard.charts.drawing import Window
from dashboard.charts.figures import GRAVE, Scales
from dashboard.charts.lanes import ALARM_ORDER, Band, Floats, PersonLanes, Series, Span, to_ms
from dashboard.charts.overview import label
from dashboard.charts.thinning import thin_band, thin_line
from dashboard.evidence.shown import Shown
from dashboard.units import Quantity

WIDTH = 720
LEFT = 98
RIGHT = 10
LANE = 74
THIN_LANE = 58
ROW = 15
TITLE = 15
AXIS = 18
PLOT = WIDTH - LEFT - RIGHT
SECOND_MS = 1000.0
TICK_STEPS_S = (10, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400)


@dataclass
class _Sheet:
    """Where things stand: the window, and how far down the drawing has come."""

    window: Window
    shown: Shown
    y: float = 0.0

    def x(self, at_ms: float) -> float:
        share = (at_ms - self.window.start) / (self.window.end - self.window.start)
        return LEFT + PLOT * min(max(share, 0.0), 1.0)


def _ticks(window: Window) -> list[float]:
    """Round moments, at most nine of them."""
    length_s = (window.end - window.start) / SECOND_MS
    step = next((step for step in TICK_STEPS_S if length_s / step <= 9), TICK_STEPS_S[-1]) * SECOND_MS
    first = math.ceil(window.start / step)
    return [number * step for number in range(first, math.floor(window.end / step) + 1)]


def _axis(sheet: _Sheet, height: float) -> Iterator[str]:
    form = "%H:%M:%S" if sheet.window.end - sheet.window.start < 600 * SECOND_MS else "%H:%M"
    for tick in _ticks(sheet.window):
        x = sheet.x(tick)
        yield f'<line class="grid" x1="{x:.1f}" x2="{x:.1f}" y1="{AXIS}" y2="{height:.1f}"/>'
        text = sheet.shown.clock.time(moment_of(tick), form)
        yield f'<text class="middle" x="{x:.1f}" y="12">{text}</text>'


def _svg(parts: list[str], height: float, label: str) -> str:
    hatch = (
        '<defs><pattern id="hatch" width="6" height="6" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><line x1="0" y1="0" x2="0" y2="6" stroke="#7a4a9c" stroke-width="1"/>'
        "</pattern></defs>"
    )
    return (
        f'<svg viewBox="0 0 {WIDTH} {height:.0f}" role="img" aria-label="{escape(label, quote=True)}">'
        f"{hatch}{''.join(parts)}</svg>"
    )


def _path(x: Floats, y: Floats, closed: bool = False) -> str:
    """An SVG path; a NaN begins a new piece."""
    out: list[str] = []
    pen_down = False
    for px, py in zip(x.tolist(), y.tolist(), strict=True):
        if not (math.isfinite(px) and math.isfinite(py)):
            if pen_down and closed:
                out.append("Z")
            pen_down = False
            continue
        out.append(f"{'L' if pen_down else 'M'}{px:.1f} {py:.1f}")
        pen_down = True
    if pen_down and closed:
        out.append("Z")
    return "".join(out)


class _Lane:
    """One lane: a scale from bottom to top over a strip of the sheet."""

    def __init__(self, sheet: _Sheet, height: float, low: float, high: float) -> None:
        self.sheet, self.top, self.height, self.low, self.high = sheet, sheet.y, height, low, high
        sheet.y += height

    def y(self, value: Floats | float) -> Floats:
        share = (np.clip(value, self.low, self.high) - self.low) / (self.high - self.low)
        return np.asarray(self.top + self.height * (1 - share))

    def x(self, at_ms: Floats) -> Floats:
        window = self.sheet.window
        return np.asarray(LEFT + PLOT * (at_ms - window.start) / (window.end - window.start))

    def frame(self, quantity: Quantity, metric: tuple[float, ...]) -> Iterator[str]:
        for value, text in self.sheet.shown.ticks(quantity, self.high, metric):
            y = float(self.y(value))
            yield f'<line class="grid" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>'
            yield f'<text class="end" x="{LEFT - 5}" y="{y + 3.5:.1f}">{text}</text>'

    def line(self, x: Floats, y: Floats, gap_ms: float, name: str) -> str:
        window = self.sheet.window
        thin = thin_line(x, y, window.start, window.end, PLOT, gap_ms)
        return f'<path class="{name}" d="{_path(self.x(thin.x), self.y(thin.y))}"/>'

    def series(self, series: Series, name: str) -> str:
        return self.line(series.x, series.y, series.gap_ms, name)

    def band(self, band: Band, name: str) -> str:
        window = self.sheet.window
        outline = thin_band(band.x, band.low, band.high, window.start, window.end, PLOT, 2 * SECOND_MS)
        return f'<path class="{name}" d="{_path(self.x(outline.x), self.y(outline.y), closed=True)}"/>'


def person_svg(person: PersonLanes, window: Window, scales: Scales, shown: Shown) -> str:
    """Return one wearer's pressure, rate, temperature and alarms over the window."""
    sheet, unit = _Sheet(window, shown, y=AXIS), shown.units.label
    parts: list[str] = []

    def title(text: str) -> None:
        sheet.y += TITLE
        parts.append(f'<text class="lane" x="{LEFT}" y="{sheet.y - 4:.1f}">{escape(text)}</text>')

    title(f"Pressure, {unit['pressure']}")
    lane = _Lane(sheet, LANE, 0.0, scales.pressure_bar)
    parts += [*lane.frame("pressure", (0, 100, 200, 300)), lane.band(person.air, "band")]
    parts.append(lane.series(person.pressure, "reading"))
    parts += _levels(person, lane)
    title(f"Breathing rate, {unit['rate']} (estimate)")
    lane = _Lane(sheet, THIN_LANE, 0.0, scales.rate_l_min)
    parts += [*lane.frame("rate", (0, scales.rate_l_min / 2, scales.rate_l_min))]
    parts.append(lane.band(person.rate, "band"))
    parts.append(lane.line(person.rate.x, person.rate.middle, 2 * SECOND_MS, "estimate"))
    if len(person.temperature.x):
        title(f"Temperature, {unit['temperature']} (line: sensor; shaded: estimated surroundings)")
        lane = _Lane(sheet, THIN_LANE, 0.0, scales.temperature_c)
        parts += [*lane.frame("temperature", (0, scales.temperature_c / 2, scales.temperature_c))]
        parts += [lane.band(person.surroundings, "warm"), lane.series(person.temperature, "reading")]
    if person.alarm_kinds:
        title("Alarms (solid: reported; outlined: from the readings)")
        parts += _alarm_rows(person, sheet)
    parts += _silences(person.silences, sheet)
    height = sheet.y + 6
    return _svg([*_axis(sheet, height), *parts], height, f"Course of {person.key}")


def _levels(person: PersonLanes, lane: _Lane) -> Iterator[str]:
    if math.isfinite(person.low_air_bar):
        y = float(lane.y(person.low_air_bar))
        yield f'<line class="level" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>'
        level = lane.sheet.shown.number("pressure", person.low_air_bar)
        yield f'<text x="{LEFT + 3}" y="{y - 2:.1f}">{words.LOW_AIR_LEVEL} {level}</text>'
    for mark in person.marks:
        x = lane.sheet.x(mark.at)
        name, shift = ("end", -3) if x > LEFT + 0.75 * PLOT else ("", 3)
        top, bottom = lane.top, lane.top + lane.height
        yield f'<line class="mark" x1="{x:.1f}" x2="{x:.1f}" y1="{top:.1f}" y2="{bottom:.1f}"/>'
        yield f'<text class="{name}" x="{x + shift:.1f}" y="{top + 8:.1f}">{words.MARKS[mark.text]}</text>'


def _alarm_rows(person: PersonLanes, sheet: _Sheet) -> Iterator[str]:
    for kind in person.alarm_kinds:
        yield f'<text class="end" x="{LEFT - 5}" y="{sheet.y + 10:.1f}">{words.ALARMS_NARROW[kind]}</text>'
        for spans, offset, form in ((person.reported, 1.5, "solid"), (person.derived, 8, "outlined")):
            for span in spans:
                if span.what == kind:
                    x = sheet.x(span.started)
                    width = max(sheet.x(span.ended) - x, 1.5)
                    grave = " grave" if kind in GRAVE else ""
                    yield (
                        f'<rect class="{form}{grave}" x="{x:.1f}" y="{sheet.y + offset:.1f}" '
                        f'width="{width:.1f}" height="5.5"/>'
                    )
        sheet.y += ROW


def _silences(silences: list[Span], sheet: _Sheet) -> Iterator[str]:
    for span in silences:
        x = sheet.x(span.started)
        width = max(sheet.x(span.ended) - x, 1.0)
        text = f"{words.SILENT} {words.duration_text((span.ended - span.started) / SECOND_MS)}"
        height = sheet.y - AXIS
        yield f'<rect class="silent" x="{x:.1f}" y="{AXIS}" width="{width:.1f}" height="{height:.1f}"/>'
        yield f'<text class="middle" x="{x + width / 2:.1f}" y="{AXIS + 10}">{text}</text>'


def overview_svg(
    people: pl.DataFrame,
    wears: pl.DataFrame,
    alarms: pl.DataFrame,
    gaps: pl.DataFrame,
    window: Window,
    shown: Shown,
) -> str:
    """Return everybody's time under air as bars, with reported alarms and silences on them."""
    sheet = _Sheet(window, shown)
    row_of_wear = {wear: row for row, of in enumerate(people["wear_ids"]) for wear in of}
    parts: list[str] = []
    for row, person in enumerate(people.iter_rows(named=True)):
        text = escape(label(person))
        parts.append(f'<text class="end" x="{LEFT - 5}" y="{_row_y(row) + 10:.1f}">{text}</text>')
    for frame, name, height in ((wears, "under", 11.0), (gaps, "silent", 11.0)):
        started, ended = to_ms(frame, "started"), to_ms(frame, "ended")
        for wear, begin, end in zip(frame["wear_id"], started, ended, strict=True):
            if wear in row_of_wear:
                x = sheet.x(begin)
                y, width = _row_y(row_of_wear[wear]) + 2, max(sheet.x(end) - x, 1)
                parts.append(
                    f'<rect class="{name}" x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height}"/>'
                )
    reported = alarms.filter(pl.col("source") != "derived").drop_nulls("raised").sort("raised")
    kinds = reported.select("wear_id", "alarm").iter_rows()
    marks = [
        (row_of_wear[wear], sheet.x(at), kind)
        for (wear, kind), at in zip(kinds, to_ms(reported, "raised"), strict=True)
        if wear in row_of_wear
    ]
    taken: dict[int, list[tuple[float, float]]] = {}
    # The graver are worded first; a word that would fall on another stays away, the table of alarms has it.
    for row, x, kind in sorted(marks, key=lambda mark: ALARM_ORDER.index(mark[2])):
        y, text = _row_y(row), words.ALARMS_NARROW[kind]
        parts.append(f'<line class="alarm" x1="{x:.1f}" x2="{x:.1f}" y1="{y:.1f}" y2="{y + 15:.1f}"/>')
        end = x + 5.5 * len(text)
        if all(x >= other_end or end <= other_x for other_x, other_end in taken.setdefault(row, [])):
            parts.append(f'<text x="{x + 3:.1f}" y="{y + 11:.1f}">{escape(text)}</text>')
            taken[row].append((x, end))
    height = _row_y(len(people)) + 4
    return _svg([*_axis(sheet, height), *parts], height, "Everybody's time under air")


def _row_y(row: int) -> float:
    return AXIS + 2 + 16.0 * row
