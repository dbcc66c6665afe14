"""What can be taken away from the trends page: tables with small counts withheld, the printable summary."""

from __future__ import annotations

import io
import threading
import zipfile
from contextlib import AbstractContextManager, nullcontext
from datetime import UTC, datetime
from html import escape
from importlib.resources import files
from typing import TYPE_CHECKING
from urllib.parse import urlencode
from weakref import WeakKeyDictionary

import flask
import polars as pl

from analysis.tables import formula_safe
from analysis.trends.audit import Audit, audit, printed
from analysis.trends.ledger import Ledger
from dashboard.trends.releases import OverlappingRelease, days_of, finished_months, release
from dashboard.trends.summary import summary_html, summary_months
from dashboard.trends.summary_words import BACK, REFUSED_LINK, REFUSED_TITLE, readme
from dashboard.trends.view import Keeper, Look, keeper_of, years_of

if TYPE_CHECKING:
    from dashboard.context import Context

_kept: WeakKeyDictionary[Keeper, tuple[tuple[int, str], Audit, Ledger]] = WeakKeyDictionary()
_kept_lock = threading.Lock()


def add_routes(server: flask.Flask, context: Context) -> None:
    """Add the export and the summary."""

    @server.get("/trends/export.zip")
    def trends_export() -> flask.Response:
        look = keeper_of(context).look()
        year = _year(look)
        made, ledger = audited(context, look)
        try:
            with _release(context, made, ledger) as inside_only:
                data = zipped(made, year, context.profile.name, inside_only=inside_only)
        except OverlappingRelease as error:
            return _refused(error)
        answer = flask.Response(data, mimetype="application/zip")
        name = f"underair-trends{f'-{year}' if year else ''}.zip"
        answer.headers["Content-Disposition"] = f'attachment; filename="{name}"'
        return answer

    @server.get("/trends/summary.html")
    def trends_summary() -> flask.Response:
        look = keeper_of(context).look()
        made, ledger = audited(context, look)
        year, month = _year(look), flask.request.args.get("month", "")
        months = summary_months(made, year)
        chosen = month if month in months else (months[-1] if months else "")
        now = datetime.now(UTC)
        try:
            with _release(context, made, ledger) as inside_only:
                text = summary_html(made, chosen, context.profile, now, months, inside_only=inside_only)
        except OverlappingRelease as error:
            return _refused(error)
        return flask.Response(text, mimetype="text/html")


def _release(context: Context, made: Audit, ledger: Ledger) -> AbstractContextManager[bool]:
    """Return what notes that tables are handed out, and tells whether they must stay inside the service."""
    days = days_of(ledger)
    if days is None:
        return nullcontext(False)
    overlapping = flask.request.args.get("overlapping") == "yes"
    return release(context.archive.folder, made, *days, datetime.now(UTC), overlapping=overlapping)


def _refused(error: OverlappingRelease) -> flask.Response:
    asked = {name: value for name, value in flask.request.args.items() if name != "overlapping"}
    address = f"{flask.request.path}?{urlencode({**asked, 'overlapping': 'yes'})}"
    return flask.Response(refused(str(error), address), status=409, mimetype="text/html")


def audited(context: Context, look: Look) -> tuple[Audit, Ledger]:
    """Return the tables over all months that are over, and their ledger, made once while it stays as it is.

    A year's export is cut from these, never made by itself: what is withheld over all years stays withheld.
    """
    keeper, now = keeper_of(context), datetime.now(UTC)
    state = (look.version, f"{now:%Y-%m}")
    with _kept_lock:
        if keeper not in _kept or _kept[keeper][0] != state:
            ledger = finished_months(look.ledger, now)
            _kept[keeper] = (state, audit(ledger, context.profile), ledger)
        return _kept[keeper][1:]


def refused(problem: str, address: str) -> str:
    """Return the page that says why nothing is handed out, and how to make it all the same."""
    style = files("dashboard.trends").joinpath("summary.css").read_text(encoding="utf-8")
    return (
        f'<!DOCTYPE html>\n<html lang="en-GB"><head><meta charset="utf-8"><title>{REFUSED_TITLE}</title>'
        '<meta name="viewport" content="width=device-width"><link rel="icon" href="data:,">'
        f"<style>{style}</style></head><body><main><h1>{REFUSED_TITLE}</h1><p>{escape(problem)}.</p>"
        f'<p><a href="{escape(address)}">{REFUSED_LINK}</a></p><p><a href="/trends">{BACK}</a></p></main>'
        "</body></html>\n"
    )


def zipped(made: Audit, year: str, profile_name: str, *, inside_only: bool = False) -> bytes:
    """Return the tables as CSV files in one ZIP archive; of one year where one is chosen."""
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        tables = tables_of(made, year)
        archive.writestr("README.txt", readme(made, profile_name, tables, inside_only=inside_only))
        for name, table in tables.items():
            archive.writestr(f"{name}.csv", formula_safe(printed(table)).write_csv(float_precision=4))
    return target.getvalue()


def tables_of(made: Audit, year: str) -> dict[str, pl.DataFrame]:
    """Return the tables, or of a year those that have years: the others are over all of them."""
    if not year:
        return made.tables
    return {
        name: table.filter(pl.col("year") == year)
        for name, table in made.tables.items()
        if "year" in table.columns
    }


def _year(look: Look) -> str:
    year = flask.request.args.get("year", "")
    return year if year in {str(one) for one in years_of(look.ledger["wears"])} else ""
