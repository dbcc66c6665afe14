"""The published sheet of a month or a year: rounded figures over ten people or more, for outside."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from analysis.profile import Profile
from analysis.trends.cells import Cell, Published
from analysis.trends.wear_arrays import AMOUNTS
from dashboard.trends import summary_words as words
from dashboard.trends.outside import ALL, figure_text, kind_of, names_text, range_text, service_of
from dashboard.trends.summary import BEFORE, MONTHS_DRAWN, Part, chart, heads_of, sheet

MOST_TASKS = 5


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
    body: list[list[Part]] = []
    if period:
        body.append([_key_figures(published, period)])
        years = [
            n for n in sorted(published) if kind_of(n) == "year" and n <= period and published[n].planning
        ]
        if years:
            title, rows = words.PLANNING.format(year=years[-1]), planning_rows(published[years[-1]])
            body[0].append(Part(title, heads=words.PLANNING_HEADS, rows=rows[:MOST_TASKS]))
        body += [[Part(words.CHARTS, charts=_charts(published, period))], _parts(published, period)]
    note = words.published_note(profile.disclosure.fewest_people)
    return sheet(period, body, profile, made_at, others, note=note, pair="two wide-first")


def _key_figures(published: Mapping[str, Published], period: str) -> Part:
    length = kind_of(period)
    title = words.KEY_FIGURES.format(length=length)
    alike = service_of(published, length)
    cell = next(one for name, one in alike if name == period)
    if cell.wears is None:
        return Part(title, words.TOO_FEW_PEOPLE.format(period=period))
    before = [one for name, one in alike if name < period and one.wears is not None][-BEFORE[length] :]
    rows = [
        ("Wears", f"{cell.wears:,}", _mean([one.wears for one in before])),
        ("Hours under air", f"{cell.hours:,}", _mean([one.hours for one in before])),
    ]
    for amount in AMOUNTS:
        shown = [one.means.get(amount) for one in before]
        rows.append((words.AMOUNT[amount], figure_text(cell.means.get(amount)), _mean(shown, figures=2)))
    for flag, name in words.FLAG.items():
        ends = [one.events[flag] for one in before if flag in one.events]
        middle = [(low + high) / 2 if low else high / 2 for low, high in ends]
        about = f"about {_mean(middle)}" if middle else words.NOTHING
        rows.append((name, range_text(cell.events.get(flag)), about))
    return Part(title, heads=heads_of(words.KEY_HEADS, length), rows=rows)


def _mean(values: Sequence[float | None], figures: int = 0) -> str:
    known = [value for value in values if value is not None]
    if not known:
        return words.NOTHING
    mean = sum(known) / len(known)
    return figure_text(mean) if figures else f"{mean:,.0f}"


def _charts(published: Mapping[str, Published], period: str) -> list[dict[str, object]]:
    every = service_of(published, "month")
    drawn = [(name, cell) for name, cell in every if name[: len(period)] <= period][-MONTHS_DRAWN:]
    months, cells = [name for name, _ in drawn], [cell for _, cell in drawn]
    means = [chart(words.AMOUNT[name], months, [cell.means.get(name) for cell in cells]) for name in AMOUNTS]
    return [chart("Hours under air", months, [cell.hours for cell in cells]), *means]


def _parts(published: Mapping[str, Published], period: str) -> list[Part]:
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
    return [Part(words.PARTS.format(period=whole), heads=words.PART_HEADS, rows=rows)] if rows else []


def part_rows(cells: Sequence[Cell]) -> list[list[str]]:
    """Return one row of texts for each cell: name, wears, hours, the range of each event."""
    return [
        [
            names_text(cell),
            words.NOTHING if cell.wears is None else f"{cell.wears:,}",
            words.NOTHING if cell.hours is None else f"{cell.hours:,}",
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
