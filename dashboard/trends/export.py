"""Exports of the trends page: published tables and sheets, and the service's own for inside."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping
from datetime import UTC, datetime

import flask
import polars as pl

from analysis.profile import Profile
from analysis.tables import columns_csv, formula_safe
from analysis.trends.audit import Audit, audit, chance_table
from analysis.trends.before_after import changes
from analysis.trends.cells import Published
from analysis.trends.columns import notes_of
from dashboard.access.protection import attached
from dashboard.context import PageContext
from dashboard.trends.inside_summary import inside_html, inside_periods
from dashboard.trends.outside import published_html, published_periods, tables
from dashboard.trends.releases import publish, published
from dashboard.trends.summary import readme
from dashboard.trends.view import TrendsLook, day_of, keeper_of
from ingest.archive.store import work_folder


def add_routes(server: flask.Flask, context: PageContext) -> None:
    """Add the exports and the sheets; `dashboard.access.roles` says who may have which."""

    @server.get("/trends/export.zip")
    def trends_export() -> flask.Response:
        known, year = published_now(context, keeper_of(context).look()), _word("year")
        made = tables(known, [name for name in known if name.startswith(year)])
        return _zip(files_of(made, context.profile, published=True), "published", year)

    @server.get("/trends/summary.html")
    def trends_summary() -> flask.Response:
        known = published_now(context, keeper_of(context).look())
        periods = published_periods(known, _word("year"))
        text = published_html(known, _period(periods), context.profile, datetime.now(UTC), periods)
        return flask.Response(text, mimetype="text/html")

    @server.get("/trends/inside.zip")
    def trends_inside() -> flask.Response:
        look = keeper_of(context).look()
        year = _word("year") if _word("year") in look.there["year"] else ""
        made = inside(context, look)
        shown, measured = made.tables, keeper_of(context).chance
        if year:  # only these two have months or years: the others are over all of them
            months, parts = pl.col("month").str.starts_with(year), pl.col("year") == year
            shown = {"by_month": shown["by_month"].filter(months), "by_part": shown["by_part"].filter(parts)}
        elif measured.drawn:
            shown = {**shown, "chance": chance_table(measured)}
        return _zip(files_of(shown, context.profile, published=False), "inside", year)

    @server.get("/trends/inside.html")
    def trends_inside_summary() -> flask.Response:
        made = inside(context, keeper_of(context).look())
        periods = inside_periods(made, _word("year"))
        since = day_of(flask.request.args.get("since", ""))
        wears = keeper_of(context).look().ledger["wears"]
        compared = None if since is None else (since, changes(wears, since))
        now, chance = datetime.now(UTC), keeper_of(context).chance
        text = inside_html(made, _period(periods), context.profile, now, periods, compared, chance)
        return flask.Response(text, mimetype="text/html")


def published_now(context: PageContext, look: TrendsLook) -> dict[str, Published]:
    """Return all that is published, with every period that is over by now.

    While new wears are worked out nothing new is published: a period is published once.
    """
    folder = work_folder(context.archive.folder)
    if look.working is not None or look.update_problem or look.roster_problem or not folder.is_dir():
        return published(folder)
    fewest = context.profile.disclosure.fewest_people
    return publish(folder, look.ledger["wears"], datetime.now(UTC), fewest)


def inside(context: PageContext, look: TrendsLook) -> Audit:
    """Return the service's own tables, made once while the ledger stays as it is."""

    def work_out() -> Audit:
        return audit(look.ledger, look.never_heard, context.profile, look.forecasts)

    made: Audit = look.made.get("audit", work_out)
    return made


def files_of(shown: Mapping[str, pl.DataFrame], profile: Profile, *, published: bool) -> dict[str, str]:
    """Return tables for people and spreadsheets by file name, with the columns' units and the note."""
    note = readme(profile.name, shown, profile.disclosure.fewest_people if published else None)
    files = {f"{name}.csv": formula_safe(table).write_csv(float_precision=4) for name, table in shown.items()}
    return {"README.txt": note, **files, "columns.csv": columns_csv(notes_of(shown, published=published))}


def _zip(files: Mapping[str, str], kind: str, year: str) -> flask.Response:
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in files.items():
            archive.writestr(name, text)
    file_name = f"underair-trends-{kind}{f'-{year}' if year else ''}.zip"
    return attached(target.getvalue(), "application/zip", file_name)


def _word(name: str) -> str:
    """Return the year that was asked for; empty when it is not one."""
    word = flask.request.args.get(name, "")
    return word if len(word) == 4 and word.isdecimal() else ""


def _period(periods: list[str]) -> str:
    period = flask.request.args.get("period", "")
    return period if period in periods else (periods[-1] if periods else "")
