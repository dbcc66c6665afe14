"""What was published, as tables: one source for the export, the monthly sheet and the audit role's page."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import polars as pl

from analysis.trends.cell_periods import month_of
from analysis.trends.cells import Cell, Published
from analysis.trends.measures import FLAGS
from analysis.trends.wear_arrays import AMOUNTS

PER_WEARS = 1000.0
NOT_SHOWN = "–"
ALL = "all"


def range_text(ends: tuple[int, int] | None) -> str:
    """Return a range as it is printed; a dash where it is not shown."""
    return NOT_SHOWN if ends is None else f"{ends[0]} to {ends[1]}"


def names_text(cell: Cell) -> str:
    """Return what a cell is called, such as ``crew commander and instructor``."""
    if len(cell.names) < 2:
        return cell.names[0] if cell.names else ALL
    return f"{', '.join(cell.names[:-1])} and {cell.names[-1]}"


def figure_text(value: float | None) -> str:
    """Return a mean of two figures as it is printed."""
    return NOT_SHOWN if value is None else f"{value:.2g}" if abs(value) < 100 else f"{value:,.0f}"


def kind_of(period: str) -> str:
    """Return whether a period is a ``month``, a ``quarter`` or a ``year``."""
    return "year" if len(period) == 4 else "quarter" if "Q" in period else "month"


def tables(
    published: Mapping[str, Published], chosen: Iterable[str] | None = None
) -> dict[str, pl.DataFrame]:
    """Return ``by_month``, ``by_quarter``, ``by_year`` and ``planning_rates``.

    `chosen`: periods; all without it.

    Each event has the ends of its range of wears and of its rate per 1000 wears; null is not shown.
    """
    names = sorted(published if chosen is None else set(chosen) & set(published))
    rows: dict[str, list[dict[str, Any]]] = {"month": [], "quarter": [], "year": []}
    planning = []
    for name in names:
        for cell in published[name].cells:
            rows[kind_of(name)].append({"period": name, **_row(cell)})
        planning += [
            (name, one.task or ALL, one.quantile, one.rate_l_min) for one in published[name].planning
        ]
    schema: dict[str, Any] = {"period": pl.String, "part": pl.String, "name": pl.String}
    schema |= {"wears": pl.Int64, "hours": pl.Int64}
    for flag in FLAGS:
        schema |= {f"{flag}_low": pl.Int64, f"{flag}_high": pl.Int64}
        schema |= {f"{flag}_rate_low": pl.Float64, f"{flag}_rate_high": pl.Float64}
    schema |= dict.fromkeys((f"{amount}_mean" for amount in AMOUNTS), pl.Float64)
    made = {f"by_{kind}": pl.DataFrame(lines, schema=schema) for kind, lines in rows.items()}
    made["by_month"] = made["by_month"].drop("part", "name")
    heads = {"year": pl.String, "task": pl.String, "quantile": pl.Float64, "rate_l_min": pl.Float64}
    made["planning_rates"] = pl.DataFrame(planning, schema=heads, orient="row")
    return made


def _row(cell: Cell) -> dict[str, Any]:
    row: dict[str, Any] = {
        "part": cell.part,
        "name": names_text(cell),
        "wears": cell.wears,
        "hours": cell.hours,
        **{f"{amount}_mean": cell.means.get(amount) for amount in AMOUNTS},
    }
    for flag in FLAGS:
        low, high = cell.events.get(flag, (None, None))
        row |= {f"{flag}_low": low, f"{flag}_high": high}
        for end, count in (("low", low), ("high", high)):
            rate = None if count is None or not cell.wears else PER_WEARS * count / cell.wears
            row[f"{flag}_rate_{end}"] = None if rate is None else float(f"{rate:.1e}")
    return row


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
