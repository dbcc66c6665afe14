"""What is handed out of the trends, published or for inside only: as files, as ZIPs and as sheets."""

import io
import zipfile
from collections import deque
from collections.abc import Mapping
from datetime import UTC, date, datetime
from itertools import islice
from pathlib import Path
from typing import Any

import flask
import polars as pl

from analysis.profile import Profile
from analysis.tables import columns_csv, formula_safe, with_units
from analysis.trends.audit import Audit, audit, chance_table, notes_of
from analysis.trends.before_after import changes, table_of
from analysis.trends.cells import Published
from analysis.trends.false_marks import FalseMarks, false_marks
from analysis.trends.ledger import Ledger
from analysis.trends.wear_arrays import inside_days
from analysis.writing import handed_over, writing_into
from dashboard.access.protection import attached
from dashboard.access.roles import visitor
from dashboard.context import PageContext
from dashboard.markup import from_html
from dashboard.trends import words
from dashboard.trends.outside import published_html, published_periods, tables
from dashboard.trends.releases import publish, published, replace
from dashboard.trends.summary import inside_html, inside_periods, readme
from dashboard.trends.view import TrendsLook, day_of, keeper_of
from ingest.archive.store import work_folder
from ingest.contract.errors import UnderairError
from ingest.parquet_bytes import arrow_bytes

Shown = tuple[dict[str, pl.DataFrame], dict[str, str]]
"""Tables, and the sheets by their file names."""
LONGEST_REASON = 500


def published_files(
    known: Mapping[str, Published], first: date | None, last: date | None, profile: Profile, now: datetime
) -> Shown:
    """Return what was published of the periods inside days, both inclusive; None leaves an end open."""
    chosen = {name: one for name, one in known.items() if inside_days(name, first, last)}
    sheets = _sheets(published_periods(chosen)).items()
    return tables(chosen), {name: published_html(known, period, profile, now) for name, period in sheets}


def inside_files(
    made: Audit, ledger: Ledger, profile: Profile, now: datetime, since: date | None, copies: int
) -> Shown:
    """Return the service's own tables and sheets.

    - `since`: also compare what was before this day with what came from it on.
    - `copies`: of the wears without any difference, to measure how often chance alone names somebody.
    """
    shown = dict(made.tables)
    compared = None if since is None else (since, changes(ledger["wears"], since))
    if compared is not None:
        shown["before_after"] = table_of(compared[1])
    counts = false_marks(ledger["wears"], ledger["set_events"], now.date().replace(day=1))
    (measured,) = deque([FalseMarks(), *islice(counts, copies)], maxlen=1)
    if measured.drawn:
        shown["chance"] = chance_table(measured)
    sheets = _sheets(inside_periods(made)).items()
    return shown, {
        name: inside_html(made, period, profile, now, (), compared, measured) for name, period in sheets
    }


def _sheets(periods: list[str]) -> dict[str, str]:
    """Return the period of each sheet by its file: the newest month, and every year."""
    years = {f"summary-{period}.html": period for period in periods if len(period) == 4}
    return {"summary.html": _newest(periods), **years}


def _newest(periods: list[str]) -> str:
    return periods[-1] if periods else ""


def write_files(
    out: Path, shown: Mapping[str, pl.DataFrame], profile: Profile, sheets: dict[str, str], published: bool
) -> None:
    """Write tables and sheets into a folder, all or none; `UnderairError` where that is impossible."""
    notes = notes_of(shown, published=published)
    with handed_over(out) as aside, writing_into(out):
        for name, table in shown.items():
            (aside / f"{name}.parquet").write_bytes(arrow_bytes(with_units(table.to_arrow(), notes[name])))
        for name, text in (texts_of(shown, profile, published=published) | sheets).items():
            (aside / name).write_text(text, encoding="utf-8", newline="")


def texts_of(shown: Mapping[str, pl.DataFrame], profile: Profile, *, published: bool) -> dict[str, str]:
    """Return tables for people and spreadsheets by file name, with the columns' units and the note."""
    note = readme(profile.name, shown, profile.disclosure.fewest_people if published else None)
    files = {f"{name}.csv": formula_safe(table).write_csv(float_precision=4) for name, table in shown.items()}
    return {"README.txt": note, **files, "columns.csv": columns_csv(notes_of(shown, published=published))}


def add_routes(server: flask.Flask, context: PageContext) -> None:
    """Add the exports and the sheets; `dashboard.access.roles` says who may have which."""
    keeper, profile = keeper_of(context), context.profile

    @server.get("/trends/export.zip")
    def trends_export() -> flask.Response:
        known, year = published_now(context, keeper.look()), _year()
        made = tables(known, [name for name in known if name.startswith(year)])
        return _zip(texts_of(made, profile, published=True), "published", year)

    @server.get("/trends/summary.html")
    def trends_summary() -> flask.Response:
        known = published_now(context, keeper.look())
        periods = published_periods(known, _year())
        text = published_html(known, _period(periods), profile, datetime.now(UTC), periods)
        return flask.Response(text, mimetype="text/html")

    @server.get("/trends/inside.zip")
    def trends_inside() -> flask.Response:
        look = keeper.look()
        year = _year() if _year() in look.there["year"] else ""
        shown = inside(context, look).tables
        if year:  # only these two have months or years: the others are over all of them
            months, parts = pl.col("month").str.starts_with(year), pl.col("year") == year
            shown = {"by_month": shown["by_month"].filter(months), "by_part": shown["by_part"].filter(parts)}
        elif keeper.chance.drawn:
            shown = {**shown, "chance": chance_table(keeper.chance)}
        return _zip(texts_of(shown, profile, published=False), "inside", year)

    @server.get("/trends/inside.html")
    def trends_inside_summary() -> flask.Response:
        look, since = keeper.look(), day_of(flask.request.args.get("since", ""))
        made = inside(context, look)
        periods, now = inside_periods(made, _year()), datetime.now(UTC)
        compared = None if since is None else (since, changes(look.ledger["wears"], since))
        text = inside_html(made, _period(periods), profile, now, periods, compared, keeper.chance)
        return flask.Response(text, mimetype="text/html")


def published_now(context: PageContext, look: TrendsLook) -> dict[str, Published]:
    """Return all that is published, with every period that is over by now.

    While new wears are worked out nothing new is published: a period is published once.
    """
    folder = work_folder(context.archive.folder)
    if not look.whole or not folder.is_dir():
        return published(folder)
    fewest = context.profile.disclosure.fewest_people
    return publish(folder, look.ledger["wears"], datetime.now(UTC), fewest)


def inside(context: PageContext, look: TrendsLook) -> Audit:
    """Return the service's own tables, made once while the ledger stays as it is."""

    def work_out() -> Audit:
        return audit(look.ledger, look.never_heard, context.profile, look.forecasts)

    made: Audit = look.made.get("audit", work_out)
    return made


def _zip(files: Mapping[str, str], kind: str, year: str) -> flask.Response:
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in files.items():
            archive.writestr(name, text)
    file_name = f"underair-trends-{kind}{f'-{year}' if year else ''}.zip"
    return attached(target.getvalue(), "application/zip", file_name)


def _year() -> str:
    """Return the year that was asked for; empty when it is not one."""
    word = flask.request.args.get("year", "")
    return word if len(word) == 4 and word.isdecimal() else ""


def _period(periods: list[str]) -> str:
    period = flask.request.args.get("period", "")
    return period if period in periods else _newest(periods)


def publish_anew_form(context: PageContext) -> Any:
    """Return the form that publishes a period again, or nothing while no period is published."""
    periods = sorted(published(work_folder(context.archive.folder)), reverse=True)
    template = Path(__file__).with_name("publish_anew.html.j2")
    return from_html(template, words=words, periods=periods) if periods else None


def add_publish_anew(server: flask.Flask, context: PageContext) -> None:
    """Add the route of the form; `dashboard.access.roles` gives it to the admin alone and logs it first."""

    @server.post("/access/publish-anew/<period>")
    def publish_anew(period: str) -> tuple[flask.Response, int]:
        body = flask.request.get_json(silent=True)
        reason = body.get("reason", "") if isinstance(body, dict) else ""
        if not isinstance(reason, str) or not 0 < len(reason.strip()) <= LONGEST_REASON:
            return flask.jsonify(problem=words.ANEW_NO_REASON.format(most=LONGEST_REASON)), 400
        look = keeper_of(context).look()
        if not look.whole:
            return flask.jsonify(problem=words.ANEW_NOT_NOW), 409
        folder, fewest = work_folder(context.archive.folder), context.profile.disclosure.fewest_people
        wears, now = look.ledger["wears"], datetime.now(UTC)
        try:
            replace(folder, wears, period, reason.strip(), visitor().account, now, fewest)
        except UnderairError as problem:
            return flask.jsonify(problem=str(problem)), 400
        return flask.jsonify(told=words.ANEW_DONE.format(period=period)), 200
