"""The trends page: what the wears of months and years say, each plot with a sentence in plain words."""

from collections.abc import Iterable, Mapping
from datetime import date
from pathlib import Path
from typing import Any

import flask
import polars as pl
from dash import Dash, html

from analysis.profile import Profile
from analysis.trends.before_after import changes
from analysis.trends.measures import (
    FEWEST_WEARS_FOR_A_RATE,
    MONTH,
    by_month,
    every_month,
    judged_months,
    monthly,
    people,
    sums_by,
    with_never_heard,
)
from analysis.trends.prediction import BASELINE, MOST_JUDGED, Predicted
from dashboard.access.roles import sees_people, visitor
from dashboard.context import PageContext
from dashboard.elements import choices, listing, plotted
from dashboard.markup import from_html
from dashboard.pages import register as register_page
from dashboard.rows import cell, count, number
from dashboard.trends import export as trends_export
from dashboard.trends import figures, sentences, words
from dashboard.trends import sections as trends_sections
from dashboard.trends.figures import classes_figure, cut_off, monthly_figure, season_plots, work_plots
from dashboard.trends.outside import published_page
from dashboard.trends.sentences import never_heard_cell, never_heard_text
from dashboard.trends.view import (
    Choice,
    TrendsLook,
    choice_of,
    chosen,
    events_in,
    keeper_of,
    rests_in,
    running_month,
    standing_out,
)
from dashboard.trends.wear_ledger import utc_now
from ingest.plurals import counted, percent

TEMPLATES = Path(words.__file__).parent


def layout(context: PageContext, query: dict[str, str]) -> Any:
    """Return the page over the wears that the address chooses."""
    look = keeper_of(context).look()
    people = sees_people(visitor())
    choice = choice_of(query if people else {"year": query.get("year", "")}, look.there)
    if people:
        parts = _parts(context, look, choice)
    else:
        known = trends_export.published_now(context, look)
        parts = published_page(known, choice.year, context.profile.disclosure.fewest_people)
    links = [(words.SUMMARY_LINK, "summary.html"), (words.EXPORT, "export.zip")]
    links += [(words.INSIDE_LINK, "inside.html"), (words.INSIDE_EXPORT, "inside.zip")] if people else []
    problems = [(words.BAD_ROSTER, look.roster_problem), (words.NOT_UP_TO_DATE, look.update_problem)]
    (page,) = from_html(
        TEMPLATES / "page.html.j2",
        words=words,
        links=links if len(look.ledger["wears"]) or len(look.never_heard) else [],
        year=f"?year={choice.year}" if choice.year else "",
        filters=_filters(look, choice, people=people),
        # The roster's fault names a wearer: only for those who may see people.
        problems=[
            text.format(problem=problem if people else words.ASK_INSIDE)
            for text, problem in problems
            if problem
        ],
        working=None if look.working is None else _progress(look.working),
        body=parts,
    )
    return page


def _parts(context: PageContext, look: TrendsLook, choice: Choice) -> list[Any]:
    body = _body(context, look, choice)
    if body is not None:
        summary, sections = body
        standing = standing_out(look, _compared(choice))
        stands_out = trends_sections.standing_out(standing, choice, keeper_of(context).chance)
        return [summary, stands_out, *sections]
    nobody = look.ledger["wears"].clear()
    unheard = _with_never_heard(by_month(nobody), look, choice)
    if len(unheard):
        told = [html.P(words.NOBODY_HEARD, className="lead"), html.P(_never_heard(unheard), className="few")]
        who = trends_sections.people(nobody, chosen(look.never_heard, choice), choice.display)
        return [html.Section(told, className="panel"), who, _month_listing(unheard, running_month())]
    return [html.P(f"{words.NOTHING} {words.ONGOING}", className="panel")] if look.working is None else []


def _progress(done: tuple[int, int] | None) -> dict[str, Any]:
    """Return which part of what is new is worked out, and the sentence that says so."""
    part = done[0] / done[1] if done and done[1] else 0.0
    return {"part": part, "text": words.WORKING.format(part=percent(part))}


def _compared(choice: Choice) -> Choice:
    """Stations and roles are compared with each other, so those two choices leave the comparison as it is."""
    return Choice(year=choice.year, kind=choice.kind, near=choice.near)


def _body(context: PageContext, look: TrendsLook, choice: Choice) -> tuple[Any, list[Any]] | None:
    """Return the page's summary and sections, made once while ledger and day stay as they are.

    None where the choice has no wears.
    """
    today = utc_now().date()
    made: tuple[Any, list[Any]] | None = look.made.get(
        (choice, today), lambda: _sections(context, look, choice, today)
    )
    return made


def _sections(
    context: PageContext, look: TrendsLook, choice: Choice, today: date
) -> tuple[Any, list[Any]] | None:
    every = look.ledger["wears"]
    wears = chosen(every, choice)
    if not len(wears):
        return None
    months, running = by_month(wears), running_month()
    all_months = _with_never_heard(months, look, choice)
    compared = _compared(choice)
    same, their_months = (None, None) if choice.station or choice.role else (wears, months)
    found = standing_out(look, compared, same, their_months).found
    judged = judged_months(wears, running)
    # A steady rise or fall of the whole service says nothing of one station or role.
    holds = {one.measure for one in found if one.part == "service" and same is not None}
    short = rests_in(look, wears, context.profile.rest)
    theirs = [one for one in found if one.part != "wearer" or one.name in wears["wearer_id"]]
    due = trends_sections.due(wears, theirs, short, context.profile)
    hot = classes_figure(months) if months["heat_dose_wears"].sum() else None
    plots = [
        *(_figure(*one) for one in work_plots(months, running)),
        *(_plot(plot, months, plot.name in holds, running, judged) for plot in sentences.PLOTS),
        _figure("classes", words.CLASSES_TITLE, hot, sentences.classes_sentence(months)),
        *(_figure(*one) for one in season_plots(months, running)),
    ]
    out = sentences.months_out(judged, months)
    parts: list[Any] = [
        *([html.Section([html.P(out)], className="panel", id="trends-months-out")] if out else []),
        html.Div(plots, className="plots"),
    ]
    for part in ("station", "role"):
        of_parts = (chosen(every, compared) if same is None else same).filter(pl.col(part).is_not_null())
        if len(of_parts):
            parts.append(trends_sections.parts(sums_by(of_parts, part), part, found))
    since = choice.since
    forecasts = look.forecasts if len(wears) == len(every) else look.forecasts.of(wears)
    parts += [
        trends_sections.before_after(
            wears, choice, changes(wears, date.fromisoformat(since)) if since else []
        ),
        due,
        trends_sections.training(look, choice, context.profile, today),
        trends_sections.planning(wears, context.profile, choice),
        trends_sections.sets(wears, events_in(look, choice), found),
        trends_sections.equipment(look, found, today),
        figures.forecasts(forecasts, wears),
        trends_sections.people(wears, chosen(look.never_heard, choice), choice.display),
        _month_listing(all_months, running),
    ]
    not_over = running if len(months) and months["month"][-1] == running else None
    return _summary(wears, all_months, look, context.profile, not_over), parts


def register(app: Dash, context: PageContext) -> None:
    """Add the routes of progress, exports, monthly sheets and the exposure register."""
    server: flask.Flask = app.server

    @server.get("/trends/progress.json")
    def progress() -> flask.Response:
        done = keeper_of(context).progress()
        return flask.jsonify({"working": done is not None, **_progress(done)})

    trends_export.add_routes(server, context)
    register_page.add_routes(server, context)
    keeper = keeper_of(context)
    keeper.when_new = lambda look: _body(context, look, Choice()) if len(look.ledger["wears"]) else None


def _filters(look: TrendsLook, choice: Choice, *, people: bool) -> list[Any]:
    there = look.there
    rows = [_chips(choice, words.PERIOD, "year", there["year"], words.ALL_YEARS)]
    if people:
        if len(there["kind"]) > 1 or choice.kind:
            kinds = {kind: words.KIND_WORDS[kind] for kind in there["kind"]}
            rows.append(_chips(choice, words.KIND, "kind", kinds))
        for name, label in (("station", words.STATION), ("role", words.ROLE)):
            rows += [_chips(choice, label, name, there[name])] if there[name] else []
        if choice.near or there["near"]:
            rows.append(_chips(choice, words.NEAR_MISSES, "near", {"only": words.ONLY_NEAR_MISSES}))
        rows.append(_chips(choice, words.UNITS, "units", words.UNIT_CHOICES, every=None))
    return rows


def _chips(
    choice: Choice, label: str, name: str, values: Iterable[str], every: str | None = words.ALL
) -> html.Nav:
    """Return the values of one part of the choice, by their words where they have some, after all of them."""
    named = dict(values) if isinstance(values, Mapping) else {value: value for value in values}
    offered = named if every is None else {"": every, **named}
    return choices(
        label,
        [
            (text, choice.address(**{name: value}), getattr(choice, name) == value)
            for value, text in offered.items()
        ],
    )


def _with_never_heard(months: pl.DataFrame, look: TrendsLook, choice: Choice) -> pl.DataFrame:
    return every_month(with_never_heard(months, chosen(look.never_heard, choice), MONTH))


def _never_heard(months: pl.DataFrame) -> str:
    """Say how many entries were never heard, and what is known of them; empty where there are none."""
    (row,) = months.select(pl.col("^never_heard.*$").sum()).to_dicts()
    return never_heard_text(row) if row["never_heard"] else ""


def _summary(
    wears: pl.DataFrame, months: pl.DataFrame, look: TrendsLook, profile: Profile, running: date | None
) -> Any:
    days = wears.select(
        first=pl.col("started").min().dt.strftime("%Y-%m-%d"),
        last=pl.col("started").max().dt.strftime("%Y-%m-%d"),
    ).row(0, named=True)
    wearers = wears.select(people(wears)).item()
    sentence = words.SUMMARY.format(
        wears=counted(len(wears), "wear"),
        wearers=words.NAMES_DROPPED if wearers is None else counted(wearers, "wearer"),
        hours=float(wears["under_air_min"].sum()) / 60,
        **days,
    )
    (panel,) = from_html(
        TEMPLATES / "summary_panel.html.j2",
        **{"words": words, "counted": counted, "sentence": sentence, "never_heard": _never_heard(months)},
        **{"wears": len(wears), "fewest": FEWEST_WEARS_FOR_A_RATE, "dose_limit": profile.heat.dose_limit},
        **{"judged": MOST_JUDGED, "baseline": BASELINE, "running": f"{running:%Y-%m}" if running else ""},
        **{"roster": len(look.roster), "homeless": wears["station"].null_count()},
    )
    return panel


def _plot(
    plot: sentences.Plot, months: pl.DataFrame, holds: bool, running: date, judged: dict[str, Predicted]
) -> Any:
    found = monthly(months, plot.name, running, judged.get(plot.name))
    figure, cut = (monthly_figure(found), cut_off(found)) if found.overall else (None, "")
    left_out = int((months["wears"] - found.table["wears"]).sum())
    sentence = sentences.plot_sentence(plot, found, holds, left_out, cut)
    return _figure(plot.name, plot.title, figure, sentence)


def _figure(name: str, title: str, figure: dict[str, Any] | None, sentence: str) -> Any:
    drawn = [] if figure is None else [plotted(f"trends-{name}", figure, f"{title}. {sentence}")]
    return html.Figure(
        [html.H2(title), *drawn, html.Figcaption(sentence)], id=f"figure-{name}", className="panel"
    )


def _month_listing(months: pl.DataFrame, running: date) -> Any:
    rows = []
    for row in months.sort("month", descending=True).iter_rows(named=True):
        month = f"{row['month']:%Y-%m}"
        so_far = f"{month} {words.SO_FAR_MARK}" if row["month"] == running else month
        rows.append(
            [
                cell(so_far, value=month),
                count(row["wears"]),
                number(row["wearers"]),
                number(row["hours"], "", 1),
                number(row["hard_min"], "min", 1),
                trends_sections.dose(row),
                trends_sections.events(row, "low_air_exits"),
                count(row["no_motion_wears"]),
                count(row["distress_wears"]),
                trends_sections.classes(row),
                number(row["silent_min"], "min", 1),
                cell(never_heard_cell(row), value=row["never_heard"]),
            ]
        )
    return listing("trends-months", rows=rows, **words.LISTINGS["months"])
