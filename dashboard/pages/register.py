"""The exposure register as a page: each person's sums, and the years of one. For the role health only."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote

import flask
import polars as pl
from dash import html

from analysis.tables import formula_safe
from analysis.trends.ledger import THERMAL_CLASSES
from dashboard.access.protection import attached
from dashboard.context import PageContext
from dashboard.elements import listing
from dashboard.markup import from_html
from dashboard.privacy import register_words as words
from dashboard.privacy.register import by_person, update
from dashboard.rows import cell, count, number
from dashboard.trends.view import keeper_of
from ingest.plurals import percent

EVERY_YEAR = "all"
AT_ONCE = 50
HOT_CLASSES = THERMAL_CLASSES[1:]


def layout(context: PageContext, query: dict[str, str]) -> Any:
    """Return the register of everybody, or the years of the wearer that the address names."""
    years = context.profile.retention.register_years
    wearer = query.get("wearer", "")
    table = by_person(_lines(context), wearer)
    if not wearer:
        table = table.filter(pl.col("year") == EVERY_YEAR)
    title = words.OF.format(wearer=wearer) if wearer else words.EVERYBODY
    rows = [_row(row, of_one=bool(wearer)) for row in table.iter_rows(named=True)]
    people = listing(
        "register-people",
        title,
        [words.YEAR if wearer else words.WEARER, *words.HEADS],
        rows,
        empty=words.NOBODY,
        search=None if wearer else (words.FIND, words.FIND_WEARER),
        numeric=tuple(range(1, len(words.HEADS) + 1)),
        at_once=AT_ONCE,
    )
    asked = f"?wearer={quote(wearer)}" if wearer else ""
    template = Path(__file__).with_suffix(".html.j2")
    page = from_html(template, words=words, years=years, asked=asked, people=people)
    return html.Div(page, className="trends")


def add_routes(server: flask.Flask, context: PageContext) -> None:
    """Add the register as CSV, which is there without the page, too.

    `dashboard.access.roles` says who may have it, and every look is logged.
    """

    @server.get("/register.csv")
    def register() -> flask.Response:
        table = by_person(_lines(context), flask.request.args.get("wearer", ""))
        text = formula_safe(table).write_csv(float_precision=3)
        return attached(text, "text/csv", "underair-register.csv")


def _lines(context: PageContext) -> pl.DataFrame:
    keeper = keeper_of(context)
    keeper.look()
    return update(
        context.archive.folder,
        keeper.everybody(),
        datetime.now(UTC),
        context.profile.retention.register_years,
    )


def _row(row: dict[str, Any], *, of_one: bool) -> list[Any]:
    name: Any = words.ALL_YEARS if row["year"] == EVERY_YEAR else row["year"]
    if not of_one:
        name = cell(row["wearer_id"], href=f"/register?wearer={quote(row['wearer_id'])}")
    hot = sum(row[f"class_{one}_s"] or 0.0 for one in HOT_CLASSES) / 60
    kinds = (row["incidents"], row["drills"], row["trainings"])
    dose, minutes, heard = row["heat_dose"], row["contaminated_min"], row["heard_part"]
    return [
        name,
        count(row["wears"]),
        count(row["never_heard"]),
        cell(" / ".join(f"{one:,}" for one in kinds), value=sum(kinds)),
        *(_known(None if row[name] is None else row[name] / 60, 1) for name in ("under_air_min", "hard_min")),
        words.NOT_KNOWN
        if dose is None
        else cell(words.DOSE.format(dose=dose, wears=row["dose_wears"]), dose),
        _known(None if dose is None else hot, 0),
        count(row["contaminations"]),
        count(row["not_decontaminated"]),
        words.NONE if not row["contaminations"] else _known(minutes, 0),
        words.NOT_KNOWN if heard is None or heard != heard else cell(percent(heard), heard),
    ]


def _known(value: float | None, places: int) -> Any:
    return words.NOT_KNOWN if value is None else number(value, "", places)
