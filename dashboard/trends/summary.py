"""The layout of every sheet: one page of A4, one HTML file without a script."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime
from html import escape
from importlib.metadata import version
from importlib.resources import files

import polars as pl

from analysis.profile import Profile
from dashboard.review.drawing import nice_ceiling
from dashboard.trends import sentences
from dashboard.trends import summary_words as words
from dashboard.words import CAUTION

BEFORE = {"month": 12, "year": 3}
"""How many months or years before are averaged."""
MONTHS_DRAWN = 36
CHART_WIDTH, CHART_HEIGHT, LEFT, BOTTOM = 330.0, 66.0, 34.0, 14.0


def sheet(
    title: str, body: Sequence[str], profile: Profile, made_at: datetime, caution: str, note: str
) -> str:
    """Return a whole sheet.

    - `body`: sections, as HTML.
    - `caution`: a second caution under the first; empty for none.
    - `note`: what its figures mean, at the foot.
    """
    about = words.MADE.format(
        made=made_at, version=version("underair"), profile=profile.name, decides=profile.decides
    )
    inside = f'<p class="caution">{escape(caution)}</p>' if caution else ""
    style = files("dashboard.trends").joinpath("summary.css").read_text(encoding="utf-8")
    return (
        f'<!DOCTYPE html>\n<html lang="en-GB"><head><meta charset="utf-8"><title>{escape(title)}</title>'
        f'<meta name="viewport" content="width=device-width"><link rel="icon" href="data:,">'
        f"<style>{style}</style></head><body><main>"
        f'<h1>{escape(title)}</h1><p class="made">{escape(about)}</p><p class="caution">{escape(CAUTION)}</p>'
        f"{inside}{''.join(body)}"
        f'<p class="note">{escape(note)} {escape(words.HEAT_NOTE)}</p></main></body></html>\n'
    )


def section(title: str, inside: str) -> str:
    """Return a section with its heading."""
    return f"<section><h2>{escape(title)}</h2>{inside}</section>"


def heads_of(heads: Sequence[str], length: str) -> list[str]:
    """Return a table's heads for a month or a year."""
    return [head.format(length=length, before=BEFORE[length]) for head in heads]


def other_periods(periods: Sequence[str], period: str) -> str:
    """Return the links to other years and months, for the screen only."""
    if not periods:
        return f'<p class="screen note">{escape(words.PRINT_HINT)}</p>'
    links = [
        f'<a href="?period={one}"{" aria-current=true" if one == period else ""}>{one}</a>' for one in periods
    ]
    return (
        f'<p class="screen months"><span>{escape(words.OTHER_PERIODS)}:</span> {" ".join(links)}</p>'
        f'<p class="screen note">{escape(words.PRINT_HINT)}</p>'
    )


def table_of(heads: Sequence[str], rows: Sequence[Sequence[str]], numbers: Sequence[int] = ()) -> str:
    """Return a table; columns in `numbers` are set to the right."""

    def line(cells: Sequence[str], tag: str) -> str:
        return "".join(
            f"<{tag}{' class=number' if at in numbers else ''}>{escape(text)}</{tag}>"
            for at, text in enumerate(cells)
        )

    body = "".join(f"<tr>{line(row, 'td')}</tr>" for row in rows)
    return f"<table><thead><tr>{line(heads, 'th')}</tr></thead><tbody>{body}</tbody></table>"


def charts(months: pl.Series, drawn: Sequence[tuple[str, pl.Series]]) -> str:
    """Return small charts side by side, each a title and its values by month."""
    made = [
        f"<figure><figcaption>{escape(title)}</figcaption>{_chart(months, values)}</figure>"
        for title, values in drawn
    ]
    return f'<div class="charts">{"".join(made)}</div>'


def _chart(months: pl.Series, series: pl.Series) -> str:
    """Return a line over the months; a month without a figure is a gap, the last month is ringed."""
    values = [None if one is None or not math.isfinite(one) else float(one) for one in series]
    if all(value is None for value in values):
        return f'<p class="note">{escape(words.NO_MONTH_SHOWN)}</p>'
    top = nice_ceiling(max([value for value in values if value is not None], default=1.0) * 1.05, 1e-3)
    step = (CHART_WIDTH - LEFT - 8.0) / max(len(values) - 1, 1)
    height = CHART_HEIGHT - BOTTOM - 6.0
    parts = []
    for level in (0.0, 0.5, 1.0):
        y = 6.0 + height * (1.0 - level)
        parts.append(f'<line class="grid" x1="{LEFT}" x2="{CHART_WIDTH}" y1="{y:.1f}" y2="{y:.1f}"/>')
        parts.append(
            f'<text class="end" x="{LEFT - 4}" y="{y + 3:.1f}">{sentences.figure(level * top, 2)}</text>'
        )
    runs: list[list[tuple[float, float]]] = [[]]
    for number, value in enumerate(values):
        if value is None:
            runs.append([])
        else:
            runs[-1].append((LEFT + step * number, 6.0 + height * (1.0 - value / top)))
    for run in runs:
        if len(run) > 1:
            path = " ".join(f"{x:.1f},{y:.1f}" for x, y in run)
            parts.append(f'<polyline class="line" points="{path}"/>')
        parts += [f'<circle class="dot" cx="{x:.1f}" cy="{y:.1f}" r="1.6"/>' for x, y in run]
    if values and values[-1] is not None:
        x, y = runs[-1][-1]
        parts.append(f'<circle class="here" cx="{x:.1f}" cy="{y:.1f}" r="3"/>')
    every = max(1, math.ceil(len(values) / 5))
    for number in range(0, len(values), every):
        x = LEFT + step * number
        anchor = "start" if number == 0 else "end" if number == len(values) - 1 else "middle"
        parts.append(f'<text class="{anchor}" x="{x:.1f}" y="{CHART_HEIGHT - 3}">{months[number]}</text>')
    return (
        f'<svg viewBox="0 0 {CHART_WIDTH:.0f} {CHART_HEIGHT:.0f}" aria-hidden="true">{"".join(parts)}</svg>'
    )
