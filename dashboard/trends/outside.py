"""What was published, as tables, as the sheet of a month or a year, and as the page of the role `audit`."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from decimal import ROUND_CEILING, ROUND_FLOOR, Context, Decimal
from typing import Any

import polars as pl
from dash import html

from analysis.profile import Profile
from analysis.trends.cells import BY_QUARTER, Cell, Published
from analysis.trends.measures import FLAGS, PER_WEARS
from analysis.trends.wear_arrays import AMOUNTS, month_of
from dashboard.elements import listing, plotted
from dashboard.theme import CHART_BLUE
from dashboard.trends import words
from dashboard.trends.figures import plot, scatter
from dashboard.trends.summary import (
    BEFORE,
    MONTHS_DRAWN,
    SheetPart,
    chart,
    heads_of,
    kind_of,
    published_note,
    sheet,
)
from ingest.plurals import counted, listed

ALL = "all"
MOST_TASKS = 5
_ENDS = {"low": pl.Int64, "high": pl.Int64, "rate_low": pl.Float64, "rate_high": pl.Float64}
CELLS: dict[str, Any] = {
    **dict.fromkeys(("period", "part", "name"), pl.String),
    **dict.fromkeys(("wears", "hours"), pl.Int64),
    **{f"{flag}_{end}": dtype for flag in FLAGS for end, dtype in _ENDS.items()},
    **dict.fromkeys((f"{amount}_mean" for amount in AMOUNTS), pl.Float64),
}
"""Columns of the tables of cells: of each event the ends of its range, and of its rate per 1000 wears."""
RATES = {"year": pl.String, "task": pl.String, "quantile": pl.Float64, "rate_l_min": pl.Float64}


def range_text(ends: tuple[int, int] | None) -> str:
    """Return a range as it is printed; a dash where it is not shown."""
    return words.NO_FIGURE if ends is None else f"{ends[0]} to {ends[1]}"


def names_text(cell: Cell) -> str:
    """Return what a cell is called, such as ``crew commander and instructor``."""
    return listed(cell.names) or ALL


def figure_text(value: float | None) -> str:
    """Return a mean of two figures as it is printed."""
    return words.NO_FIGURE if value is None else f"{value:.2g}" if abs(value) < 100 else f"{value:,.0f}"


def tables(
    published: Mapping[str, Published], chosen: Iterable[str] | None = None
) -> dict[str, pl.DataFrame]:
    """Return ``by_month``, ``by_quarter``, ``by_year`` and ``planning_rates``; null is not shown.

    `chosen`: periods; all without it.
    """
    names = sorted(published if chosen is None else set(chosen) & set(published))
    made = {}
    for kind in ("month", "quarter", "year"):
        cells = [(name, cell) for name in names if kind_of(name) == kind for cell in published[name].cells]
        made[f"by_{kind}"] = pl.DataFrame([_row(*one) for one in cells], schema=CELLS)
    made["by_month"] = made["by_month"].drop("part", "name")
    planning = [
        (name, one.task or ALL, one.quantile, one.rate_l_min)
        for name in names
        for one in published[name].planning
    ]
    return made | {"planning_rates": pl.DataFrame(planning, schema=RATES, orient="row")}


def _row(period: str, cell: Cell) -> dict[str, Any]:
    row: dict[str, Any] = {"period": period, "part": cell.part, "name": names_text(cell)}
    row |= {"wears": cell.wears, "hours": cell.hours}
    row |= {f"{amount}_mean": cell.means.get(amount) for amount in AMOUNTS}
    for flag, (low, high) in cell.events.items():
        row |= {f"{flag}_low": low, f"{flag}_high": high}
        row |= {f"{flag}_rate_low": _rate(low, cell.wears, ROUND_FLOOR)}
        row |= {f"{flag}_rate_high": _rate(high, cell.wears, ROUND_CEILING)}
    return row


def _rate(count: int, wears: int | None, outwards: str) -> float | None:
    """Return an end of a range per 1000 wears, to two figures: the range must hold the truth."""
    if not wears:
        return None
    return float(Context(prec=2, rounding=outwards).divide(Decimal(round(PER_WEARS) * count), Decimal(wears)))


def service_of(published: Mapping[str, Published], kind: str) -> list[tuple[str, Cell]]:
    """Return the service's cell of every month, quarter or year, oldest first.

    A month between two others that is not published has a cell without a figure.
    """
    names = sorted(name for name in published if kind_of(name) == kind)
    if kind == "month" and names:
        first, last = (12 * int(name[:4]) + int(name[5:]) - 1 for name in (names[0], names[-1]))
        names = [month_of(number).name for number in range(first, last + 1)]
    nothing = Cell(part="service")
    return [(name, published[name].cells[0] if name in published else nothing) for name in names]


def published_periods(published: Mapping[str, Published], year: str = "") -> list[str]:
    """Return the years and months that were published, oldest first; the last is the newest month."""
    return [name for name in sorted(published) if kind_of(name) in BEFORE and name.startswith(year)]


def published_html(
    published: Mapping[str, Published],
    period: str,
    profile: Profile,
    made_at: datetime,
    others: Sequence[str] = (),
) -> str:
    """Return the sheet of a month or a year.

    - `published`: nothing else is read: what the sheet shows was published.
    - `period`, `others`: as in `summary.sheet`.
    """
    body: list[list[SheetPart]] = []
    if period:
        body.append([_key_figures(published, period)])
        years = [
            n for n in sorted(published) if kind_of(n) == "year" and n <= period and published[n].planning
        ]
        if years:
            title, rows = words.PLANNING.format(year=years[-1]), planning_rows(published[years[-1]])
            body[0].append(SheetPart(title, heads=words.HEADS["planning"], rows=rows[:MOST_TASKS]))
        body += [[SheetPart(words.CHARTS, charts=_charts(published, period))], _parts(published, period)]
    note = published_note(profile.disclosure.fewest_people)
    return sheet(period, body, profile, made_at, others, note=note, pair="two wide-first")


def _key_figures(published: Mapping[str, Published], period: str) -> SheetPart:
    length = kind_of(period)
    title = words.KEY_FIGURES.format(length=length)
    alike = service_of(published, length)
    cell = next(one for name, one in alike if name == period)
    if cell.wears is None:
        return SheetPart(title, words.TOO_FEW_PEOPLE.format(period=period))
    before = [one for name, one in alike if name < period and one.wears is not None][-BEFORE[length] :]
    rows = [
        ("Wears", f"{cell.wears:,}", _mean([one.wears for one in before])),
        ("Hours under air", f"{cell.hours:,}", _mean([one.hours for one in before])),
    ]
    for amount in AMOUNTS:
        if length == "month" and amount in BY_QUARTER:
            continue
        shown = [one.means.get(amount) for one in before]
        rows.append((words.AMOUNT[amount], figure_text(cell.means.get(amount)), _mean(shown, figures=2)))
    for flag, name in words.FLAG.items():
        ends = [one.events[flag] for one in before if flag in one.events]
        middle = [(low + high) / 2 for low, high in ends]
        about = f"about {_mean(middle)}" if middle else words.NO_FIGURE
        rows.append((name, range_text(cell.events.get(flag)), about))
    return SheetPart(title, heads=heads_of(words.HEADS["key_figures"], length), rows=rows)


def _mean(values: Sequence[float | None], figures: int = 0) -> str:
    known = [value for value in values if value is not None]
    if not known:
        return words.NO_FIGURE
    mean = sum(known) / len(known)
    return figure_text(mean) if figures else f"{mean:,.0f}"


def _charts(published: Mapping[str, Published], period: str) -> list[dict[str, object]]:
    def until(length: str, most: int) -> tuple[list[str], list[Cell]]:
        drawn = [one for one in service_of(published, length) if _last(one[0]) <= _last(period)][-most:]
        return [name for name, _ in drawn], [cell for _, cell in drawn]

    months, cells = until("month", MONTHS_DRAWN)
    made = [chart("Hours under air", months, [cell.hours for cell in cells])]
    for amount in AMOUNTS:
        if amount in BY_QUARTER:
            months, cells = until("quarter", MONTHS_DRAWN // 3)
        made.append(chart(words.AMOUNT[amount], months, [cell.means.get(amount) for cell in cells]))
    return made


def _last(period: str) -> str:
    """Return the last month of a period."""
    year, quarter, number = period.partition("-Q")
    return f"{year}-{3 * int(number):02d}" if quarter else f"{period}-12"[:7]


def _parts(published: Mapping[str, Published], period: str) -> list[SheetPart]:
    """The year's own, or of a month the newest quarter that had ended with it."""
    whole = period
    if kind_of(period) == "month":
        year, number = period.split("-")
        until = f"{year}-Q{int(number) // 3}"
        quarters = [n for n in sorted(published) if kind_of(n) == "quarter" and n <= until]
        if not quarters:
            return []
        whole = quarters[-1]
    cells = published[whole].cells
    rows = part_rows([cell for part in words.PART_NAMES for cell in cells if cell.part == part])
    return (
        [SheetPart(words.PARTS.format(period=whole), heads=words.HEADS["parts"], rows=rows)] if rows else []
    )


def part_rows(cells: Sequence[Cell]) -> list[list[str]]:
    """Return one row of texts for each cell: name, wears, hours, the range of each event."""
    return [
        [
            names_text(cell),
            words.NO_FIGURE if cell.wears is None else f"{cell.wears:,}",
            words.NO_FIGURE if cell.hours is None else f"{cell.hours:,}",
            *(range_text(cell.events.get(flag)) for flag in words.FLAG),
        ]
        for cell in cells
    ]


def planning_rows(year: Published) -> list[list[str]]:
    """Return one row of texts for each task of a year."""
    by_task: dict[str, dict[float, float]] = {}
    for one in year.planning:
        by_task.setdefault(one.task or ALL, {})[one.quantile] = one.rate_l_min
    return [
        ["all tasks" if task == ALL else task, *(figure_text(rates.get(q)) for q in (0.5, 0.9, 0.95))]
        for task, rates in by_task.items()
    ]


HEIGHT_PX = 220
ROWS_AT_ONCE = 24


def published_page(published: Mapping[str, Published], year: str, people: int) -> list[Any]:
    """Return the page's sections.

    - `year`: empty for all.
    - `people`: how many each group has at least.
    """
    chosen = {name: one for name, one in published.items() if name.startswith(year)}
    note = html.P(f"{published_note(people)} {words.HEAT_NOTE}", className="note")
    if not chosen:
        return [html.Section([html.P(words.NOT_PUBLISHED, className="lead"), note], className="panel")]
    months = service_of(chosen, "month")
    parts: list[Any] = [html.Section([html.P(_lead(months), className="lead"), note], className="panel")]
    parts.append(html.Div(_plots(months, service_of(chosen, "quarter")), className="plots"))
    for length in ("year", "quarter"):
        names = sorted((name for name in chosen if kind_of(name) == length), reverse=True)
        for part, title in words.PART_NAMES.items():
            rows = [
                [name, *row]
                for name in names
                for row in part_rows([cell for cell in chosen[name].cells if cell.part == part])
            ]
            if rows:
                heads = [words.PERIOD, title, *words.HEADS["parts"][1:]]
                caption = words.BY_YEAR if length == "year" else words.BY_QUARTER
                parts.append(_table(caption.format(part=title), heads, rows))
    for name in sorted((name for name in chosen if chosen[name].planning), reverse=True):
        title = words.PLANNING.format(year=name)
        parts.append(_table(title, list(words.HEADS["planning"]), planning_rows(chosen[name])))
    monthly = [amount for amount in AMOUNTS if amount not in BY_QUARTER]
    heads = [words.PERIOD, *words.HEADS["parts"][1:], *(words.AMOUNT[name] for name in monthly)]
    rows = [
        [name, *part_rows([cell])[0][1:], *(figure_text(cell.means.get(amount)) for amount in monthly)]
        for name, cell in reversed(months)
    ]
    parts.append(_table(words.LISTINGS["months"]["caption"], heads, rows))
    return parts


def _lead(months: Sequence[tuple[str, Cell]]) -> str:
    wears, hours = sum(cell.wears or 0 for _, cell in months), sum(cell.hours or 0 for _, cell in months)
    return words.PUBLISHED.format(
        wears=counted(wears, "wear"), hours=hours, first=months[0][0], last=months[-1][0]
    )


def _plots(months: Sequence[tuple[str, Cell]], quarters: Sequence[tuple[str, Cell]]) -> list[Any]:
    names, cells = [name for name, _ in months], [cell for _, cell in months]
    made = [_plot("hours", words.HOURS_TITLE, names, [cell.hours for cell in cells])]
    for amount in AMOUNTS:
        told = quarters if amount in BY_QUARTER else months
        values = [cell.means.get(amount) for _, cell in told]
        made.append(_plot(amount, words.AMOUNT[amount], [name for name, _ in told], values))
    for flag, title in words.FLAG.items():
        made.append(_ranges(flag, title, names, [cell.events.get(flag) for cell in cells]))
    return made


def _plot(name: str, title: str, months: list[str], values: Sequence[float | None]) -> Any:
    line = {"color": CHART_BLUE, "width": 1}
    trace = scatter("lines+markers", months, values, line=line, hovertemplate="%{x}: %{y}<extra></extra>")
    return _figure(name, title, [trace], words.PUBLISHED_POINTS)


def _ranges(name: str, title: str, months: list[str], ends: Sequence[tuple[int, int] | None]) -> Any:
    """Bars from the least to the greatest count that a month may have."""
    trace = {
        "type": "bar",
        "x": months,
        "base": [None if one is None else one[0] for one in ends],
        "y": [None if one is None else one[1] - one[0] for one in ends],
        "customdata": [range_text(one) for one in ends],
        "marker": {"color": CHART_BLUE},
        "hovertemplate": "%{x}: %{customdata}<extra></extra>",
    }
    return _figure(name, title, [trace], words.PUBLISHED_RANGES)


def _figure(name: str, title: str, data: list[dict[str, Any]], sentence: str) -> Any:
    x, y = {"type": "category", "showgrid": False, "nticks": 12}, {"rangemode": "tozero", "nticks": 5}
    figure = plot(data, HEIGHT_PX, x, y, below=40)
    drawn = plotted(f"published-{name}", figure, f"{title}. {sentence}")
    return html.Figure([html.H2(title), drawn, html.Figcaption(sentence)], className="panel")


def _table(title: str, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> Any:
    """Return a table as data: a hundred rows of components would block the page for seconds."""
    name = "published-" + "-".join(title.lower().replace(",", "").split())
    return listing(name, title, heads, rows, at_once=ROWS_AT_ONCE)
