"""The monthly summary: one sheet of A4, one HTML file without a script, small counts withheld."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime
from html import escape
from importlib.metadata import version
from importlib.resources import files
from typing import Any

import polars as pl

from analysis.profile import Profile
from analysis.trends.audit import ALL, Audit
from analysis.trends.comparisons import Signal
from analysis.trends.forecast_audit import FEWEST_FORECASTS
from analysis.trends.measures import EVENTS, RATES
from analysis.trends.withholding import WITHHELD
from dashboard.charts.drawing import nice_ceiling
from dashboard.trends import sentences
from dashboard.trends import summary_words as words
from dashboard.words import CAUTION
from ingest.plurals import percent

MONTHS_BEFORE = 12
MONTHS_DRAWN = 36
MOST_SIGNALS = 6
MOST_TASKS = 5
CHART_WIDTH, CHART_HEIGHT, LEFT, BOTTOM = 330.0, 86.0, 34.0, 14.0


def summary_months(made: Audit, year: str = "") -> list[str]:
    """Return the months that a summary can be made of, oldest first."""
    table = made.tables["by_month"]
    if not len(table):
        return []
    return (table.filter(pl.col("year") == year) if year else table)["month"].to_list()


def summary_html(
    made: Audit,
    month: str,
    profile: Profile,
    made_at: datetime,
    others: Sequence[str] = (),
    *,
    inside_only: bool = False,
) -> str:
    """Return the summary.

    Parameters
    ----------
    made : Audit
    month : str
        Such as ``2031-04``; empty when there is none.
    profile : Profile
    made_at : datetime
    others : sequence of str
        Months that the page links to, on the screen only.
    inside_only : bool
        Say that it must not leave the service (`dashboard.trends.releases`).
    """
    by_month = made.tables["by_month"]
    body: list[str] = []
    if month:
        body = [
            _others(others, month),
            _section(words.KEY_FIGURES, _key_figures(by_month, month)),
            _section(words.CHARTS, _charts(by_month, month)),
            _section(words.STANDS_OUT, _standing_out(made)),
            f'<div class="two">{_section(words.PLANNING, _planning(made.tables["planning_rates"]))}'
            f"{_section(words.REST, _rest(made.tables['rest']))}</div>",
            _section(words.FORECASTS, _forecasts(made.tables["forecasts"])),
        ]
    title = words.TITLE.format(month=month) if month else words.NO_MONTH
    about = words.MADE.format(
        made=made_at, version=version("underair"), profile=profile.name, decides=profile.decides
    )
    inside = f'<p class="caution">{escape(words.INSIDE_ONLY)}</p>' if inside_only else ""
    style = files("dashboard.trends").joinpath("summary.css").read_text(encoding="utf-8")
    withheld = words.marks_note(made.smallest_count)
    return (
        f'<!DOCTYPE html>\n<html lang="en-GB"><head><meta charset="utf-8"><title>{escape(title)}</title>'
        f'<meta name="viewport" content="width=device-width"><link rel="icon" href="data:,">'
        f"<style>{style}</style></head><body><main>"
        f'<h1>{escape(title)}</h1><p class="made">{escape(about)}</p><p class="caution">{escape(CAUTION)}</p>'
        f"{inside}{''.join(body)}"
        f'<p class="note">{escape(withheld)} {escape(words.HEAT_NOTE)}</p></main></body></html>\n'
    )


def _section(title: str, inside: str) -> str:
    return f"<section><h2>{escape(title)}</h2>{inside}</section>"


def _others(months: Sequence[str], month: str) -> str:
    if not months:
        return f'<p class="screen note">{escape(words.PRINT_HINT)}</p>'
    links = [
        f'<a href="?month={one}&amp;year={one[:4]}"{" aria-current=true" if one == month else ""}>{one}</a>'
        for one in months
    ]
    return (
        f'<p class="screen months"><span>{escape(words.OTHER_MONTHS)}:</span> {" ".join(links)}</p>'
        f'<p class="screen note">{escape(words.PRINT_HINT)}</p>'
    )


def _table(heads: Sequence[str], rows: Sequence[Sequence[str]], numbers: Sequence[int] = ()) -> str:
    def line(cells: Sequence[str], tag: str) -> str:
        return "".join(
            f"<{tag}{' class=number' if at in numbers else ''}>{escape(text)}</{tag}>"
            for at, text in enumerate(cells)
        )

    body = "".join(f"<tr>{line(row, 'td')}</tr>" for row in rows)
    return f"<table><thead><tr>{line(heads, 'th')}</tr></thead><tbody>{body}</tbody></table>"


def _key_figures(by_month: pl.DataFrame, month: str) -> str:
    now = by_month.filter(pl.col("month") == month)
    before = by_month.filter(pl.col("month") < month).tail(MONTHS_BEFORE)
    row = now.row(0, named=True)
    figures = [
        ("Wears", _count(row, "wears"), "", _mean_of(before, "wears", None, "a month", 0)),
        ("Hours under air", _number(row, row["hours"], 1), "", _mean_of(before, "hours", None, "a month", 1)),
    ]
    for name, title, places in (
        ("hard_min", "Minutes breathing hard, a wear", 1),
        ("silent_min", "Minutes not heard, a wear", 2),
    ):
        mean = None if row[name] is None or not row["wears"] else row[name] / row["wears"]
        figures.append((title, _number(row, mean, places), "", _mean_of(before, name, "wears", "", places)))
    # Months without a heat sensor have no mean; only where wears are hidden is it withheld.
    dose = before["heat_dose_a_wear"].drop_nulls().mean()
    doses = WITHHELD if before["wears"].null_count() else words.NOTHING
    if isinstance(dose, float) and not before["wears"].null_count():
        doses = f"{dose:,.3f}"
    figures.append(("Heat dose, a wear", _number(row, row["heat_dose_a_wear"], 3), "", doses))
    for event in EVENTS:
        unit = sentences.UNIT[event]
        title = f"{sentences.MEASURE[event][:1].upper()}{sentences.MEASURE[event][1:]}, {unit}"
        shown, interval = _count(row, event), ""
        rate = row[f"{event}_rate"]
        if rate is not None:
            shown = f"{shown} ({sentences.figure(rate)})"
            interval = " to ".join(sentences.figure(row[f"{event}_{end}"]) for end in ("low", "high"))
        exposure, per = RATES[event]
        figures.append((title, shown, interval, _mean_of(before, event, exposure, "", 1, per)))
    return _table(words.KEY_HEADS, figures, numbers=(1, 2, 3))


def _mean_of(
    before: pl.DataFrame, name: str, size: str | None, unit: str, places: int, per: float = 1.0
) -> str:
    """Return a mean over the months before; withheld when any of them is."""
    if not len(before):
        return words.NOTHING
    if before[name].null_count() or (size is not None and before[size].null_count()):
        return WITHHELD
    total = float(before[name].sum())
    over = float(len(before)) if size is None else float(before[size].sum())
    if not over:
        return words.NOTHING
    return f"{per * total / over:,.{places}f} {unit}".strip()


def _charts(by_month: pl.DataFrame, month: str) -> str:
    drawn = by_month.filter(pl.col("month") <= month).tail(MONTHS_DRAWN)
    a_wear = [(pl.col(name) / pl.col("wears")).alias(name) for name in ("hard_min", "silent_min")]
    values = drawn.select("month", "hours", "heat_dose_a_wear", *a_wear)
    charts = (
        ("Hours under air", "hours"),
        ("Heat dose, a wear", "heat_dose_a_wear"),
        ("Minutes breathing hard, a wear", "hard_min"),
        ("Minutes not heard, a wear", "silent_min"),
    )
    made = [
        f"<figure><figcaption>{escape(title)}</figcaption>{_chart(values['month'], values[name])}</figure>"
        for title, name in charts
    ]
    return f'<div class="charts">{"".join(made)}</div>'


def _chart(months: pl.Series, series: pl.Series) -> str:
    """Return a line over the months; a withheld month is a gap, the last month is ringed."""
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


def _standing_out(made: Audit) -> str:
    table = made.tables["standing_out"]
    if not len(table):
        return f"<p>{escape(words.NOTHING_STANDS_OUT.format(count=made.comparisons))}</p>"
    items = []
    for row in table.head(MOST_SIGNALS).iter_rows(named=True):
        signal = Signal(row["part"], row["name"] or "", row["measure"], row["how"], 1.0, 0.0, 0.0, 0, 0)
        text = sentences.headline(signal)
        if not row["withheld"]:
            text = f"{text}: {_figures(row)}"
        items.append(f"<li>{escape(text)}</li>")
    return f"<ul>{''.join(items)}</ul>"


def _figures(row: dict[str, Any]) -> str:
    value, rest, unit = row["value"], row["rest"], sentences.UNIT.get(row["measure"], "")
    if row["how"] in ("rise", "fall") and row["part"] == "service":
        return f"{sentences.figure(abs(value))} {unit} a year, on a mean of {sentences.figure(rest)}"
    if row["part"] == "set":
        if row["how"] == "fall":
            return f"rank correlation with time {sentences.signed(value)}"
        return f"in {sentences.figure(value)} of 100 wears, other sets {sentences.figure(rest)}"
    return f"{sentences.figure(value)} {unit}, the others {sentences.figure(rest)}"


def _planning(rates: pl.DataFrame) -> str:
    if not len(rates):
        return f"<p>{escape(words.NO_PLANNING)}</p>"
    rows = []
    for task in rates["task"].unique(maintain_order=True).head(MOST_TASKS):
        of_task = rates.filter(pl.col("task") == task)
        name = "all tasks" if task == ALL else task
        rows.append(
            [
                name,
                _count(of_task.row(0, named=True), "wears"),
                *(f"{rate:.0f}" for rate in of_task["rate_l_min"]),
            ]
        )
    return _table(words.PLANNING_HEADS, rows, numbers=(1, 2, 3, 4))


def _rest(rest: pl.DataFrame) -> str:
    rows = [
        [
            sentences.RULE.get(row["rule"], row["rule"]),
            _count(row, "too_short"),
            row["source"],
        ]
        for row in rest.iter_rows(named=True)
    ]
    return _table(words.REST_HEADS, rows, numbers=(1,)) if rows else f"<p>{escape(sentences.NO_RULES)}</p>"


def _forecasts(forecasts: pl.DataFrame) -> str:
    every = forecasts.filter(pl.col("ahead_min") == ALL)
    row = every.row(0, named=True) if len(every) else {"known": None, "inside": None}
    if row["known"] is None or row["inside"] is None or row["known"] < FEWEST_FORECASTS:
        return f"<p>{escape(words.TOO_FEW_FORECASTS)}</p>"
    text = words.FORECAST_SENTENCE.format(
        known=row["known"],
        inside=percent(row["inside"] / row["known"]),
        error=row["median_error_min"],
    )
    return f"<p>{escape(text)}</p>"


def _count(row: dict[str, Any], name: str) -> str:
    """Return a count, or its mark."""
    return str(row[f"{name}_mark"] or f"{row[name]:,}")


def _number(row: dict[str, Any], value: float | None, places: int) -> str:
    """Return an amount of a month: withheld with its wears, a dash where there is none."""
    if row["wears_mark"]:
        return WITHHELD
    return words.NOTHING if value is None else f"{value:,.{places}f}"
