"""Sheets: one page of A4, one HTML file without a script; and the service's own, with exact figures.

A sheet of exact figures stays inside the service; `dashboard.trends.outside` makes that of what is published.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from functools import cache
from importlib.metadata import version
from importlib.resources import files
from typing import Any, NamedTuple

import jinja2
import polars as pl

from analysis.air.gas import Cylinder
from analysis.profile import Profile
from analysis.trends.audit import ALL, WORDS, Audit
from analysis.trends.before_after import Change
from analysis.trends.comparisons import Signal
from analysis.trends.false_marks import FalseMarks
from analysis.trends.forecast_audit import FEWEST_FORECASTS
from analysis.trends.measures import FLAGS, PER_WEARS, wears_of
from analysis.trends.planning import PlanningRate
from dashboard.review.drawing import nice_ceiling
from dashboard.trends import sections, sentences, words
from dashboard.trends.view import CYLINDERS
from dashboard.words import CAUTION
from ingest.plurals import percent

BEFORE = {"month": 12, "year": 3}
"""How many months or years before are averaged."""
MONTHS_DRAWN = 36
CHART_WIDTH, CHART_HEIGHT, LEFT, BOTTOM, TOP = 330.0, 66.0, 34.0, 14.0, 6.0


def kind_of(period: str) -> str:
    """Return whether a period is a ``month``, a ``quarter`` or a ``year``."""
    return "year" if len(period) == 4 else "quarter" if "Q" in period else "month"


class SheetPart(NamedTuple):
    """A section of a sheet; it shows what it has in this order."""

    title: str
    text: str = ""
    items: Sequence[str] = ()
    heads: Sequence[str] = ()
    rows: Sequence[Sequence[str]] = ()
    numbers: int = 9  # so many columns after the first are set to the right
    charts: Sequence[dict[str, Any]] = ()  # made by `chart`
    note: str = ""


def sheet(
    period: str,
    body: Sequence[Sequence[SheetPart]],
    profile: Profile,
    made_at: datetime,
    others: Sequence[str],
    *,
    caution: str = "",
    note: str = "",
    pair: str = "two",
) -> str:
    """Return a whole sheet.

    - `period`: such as ``2031-04`` or ``2031``; empty when there is none.
    - `body`: sections, those of one line side by side.
    - `others`: periods that the page links to, on the screen only.
    - `caution`: a second caution under the first; empty for none.
    - `note`: what its figures mean, at the foot.
    - `pair`: class of two sections side by side.
    """
    about = words.MADE.format(
        made=made_at, version=version("underair"), profile=profile.name, decides=profile.decides
    )
    return _template().render(
        title=words.SHEET_TITLE.format(month=period) if period else words.NO_MONTH,
        style=files("dashboard.trends").joinpath("summary.css").read_text(encoding="utf-8"),
        cautions=[CAUTION, caution] if caution else [CAUTION],
        **{"about": about, "period": period, "body": body, "others": others, "note": note, "pair": pair},
        **{"words": words, "width": CHART_WIDTH, "height": CHART_HEIGHT, "left": LEFT},
    )


@cache
def _template() -> jinja2.Template:
    text = files("dashboard.trends").joinpath("summary.html.j2").read_text(encoding="utf-8")
    return jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, keep_trailing_newline=True
    ).from_string(text)


def heads_of(heads: Sequence[str], length: str) -> list[str]:
    """Return a table's heads for a month or a year."""
    return [head.format(length=length, before=BEFORE[length]) for head in heads]


def chart(title: str, months: Sequence[str], values: Iterable[float | None]) -> dict[str, Any]:
    """Return a line over the months; a month without a figure is a gap, the last month is ringed."""
    known = [None if one is None or not math.isfinite(one) else float(one) for one in values]
    top = nice_ceiling(max([one for one in known if one is not None], default=1.0) * 1.05, 1e-3)
    step = (CHART_WIDTH - LEFT - 8.0) / max(len(known) - 1, 1)
    height = CHART_HEIGHT - BOTTOM - TOP
    runs: list[list[tuple[str, str]]] = [[]]
    for place, value in enumerate(known):
        if value is None:
            runs.append([])
        else:
            runs[-1].append((f"{LEFT + step * place:.1f}", f"{TOP + height * (1.0 - value / top):.1f}"))
    levels = [(TOP + height * (1.0 - level), level * top) for level in (0.0, 0.5, 1.0)]
    named = range(0, len(known), max(1, math.ceil(len(known) / 5)))
    anchors = {0: "start", len(known) - 1: "end"} | {0: "start"}
    return {
        "title": title,
        "levels": [(f"{y:.1f}", f"{y + 3:.1f}", sentences.figure(value, 2)) for y, value in levels],
        "lines": [" ".join(",".join(point) for point in run) for run in runs if len(run) > 1],
        "dots": [point for run in runs for point in run],
        "last": runs[-1][-1:],
        "months": [(f"{LEFT + step * at:.1f}", anchors.get(at, "middle"), months[at]) for at in named],
    }


def published_note(people: int) -> str:
    """Return what the figures of the published tables mean."""
    return words.PUBLISHED_NOTE.format(people=people)


def readme(profile_name: str, tables: Iterable[str], people: int | None = None) -> str:
    """Return the note beside tables: published ones of at least so many people, or the service's own."""
    meaning = words.INSIDE_ONLY if people is None else f"{published_note(people)} {words.README}"
    told = WORDS["tables"]["inside" if people is None else "outside"]
    about = "".join(f"{name}: {told[name]}\n" for name in tables)
    head = f"underair {version('underair')}, profile {profile_name}\n\n{CAUTION}\n{words.HEAT_NOTE}"
    return f"{head}\n\n{meaning}\n\n{about}"


MOST_SIGNALS = 6
MOST_TASKS = 5


def inside_periods(made: Audit, year: str = "") -> list[str]:
    """Return the years and months that a sheet can be made of, oldest first; the last is the newest month."""
    periods: list[str] = [*made.tables["by_month"]["month"], *_by_year(made)["month"]]
    return sorted(period for period in periods if period.startswith(year))


def _by_year(made: Audit) -> pl.DataFrame:
    """Return the service's years as `by_month` has its months."""
    parts = made.tables["by_part"]
    if not len(parts):
        return pl.DataFrame(schema={"month": pl.String})
    years = parts.filter((pl.col("part") == "service") & (pl.col("year") != ALL))
    return years.drop("part", "name").rename({"year": "month"}).sort("month")


def inside_html(
    made: Audit,
    period: str,
    profile: Profile,
    made_at: datetime,
    others: Sequence[str],
    compared: tuple[date, Sequence[Change]] | None,
    measured: FalseMarks,
) -> str:
    """Return the sheet.

    - `period`, `others`: as in `summary.sheet`.
    - `compared`: (date, changes) or None: what to say of before and after a day.
    - `measured`: how often chance alone names somebody here.
    """
    body: list[list[SheetPart]] = []
    if period:
        length = kind_of(period)
        alike = made.tables["by_month"] if length == "month" else _by_year(made)
        heads, figures = heads_of(words.HEADS["inside"], length), _key_figures(alike, period)
        body = [
            [SheetPart(words.KEY_FIGURES.format(length=length), heads=heads, rows=figures)],
            [SheetPart(words.CHARTS, charts=_charts(made.tables["by_month"], period))],
            [_standing_out(made, measured)],
            [_planning(made.rates, profile), _rest(made.tables["rest"])],
            [SheetPart(words.FORECASTS, _forecasts(made.tables["forecasts"]))],
        ]
    if compared is not None:
        since, found = compared
        told, rows = sections.change_lead(found, since), sections.change_rows(found)
        table = (words.HEADS["changes"], rows, 4)
        body.append([SheetPart(words.CHANGE_TITLE, told, (), *table, note=words.CHANGE_NOTE)])
    return sheet(period, body, profile, made_at, others, caution=words.INSIDE_ONLY)


def _key_figures(alike: pl.DataFrame, period: str) -> list[tuple[str, str, str, str]]:
    length = kind_of(period)
    row = alike.row(by_predicate=pl.col("month") == period, named=True)
    before = alike.filter(pl.col("month") < period).tail(BEFORE[length])
    each = words.A_LENGTH.format(length=length)
    figures = [
        ("Wears", f"{row['wears']:,}", "", _mean_of(before["wears"], None, each, 0)),
        (words.SHEET_AMOUNT["hours"], f"{row['hours']:,.1f}", "", _mean_of(before["hours"], None, each, 1)),
    ]
    for name, places in (("hard_min", 1), ("silent_min", 2), ("heat_dose", 3)):
        size = wears_of(row, name)
        mean = f"{row[name] / size:,.{places}f}" if size else words.NO_FIGURE
        usual = _mean_of(before[name], wears_of(before, name), "", places)
        figures.append((words.SHEET_AMOUNT[name], mean, "", usual))
    for event in FLAGS:
        unit = words.UNIT[event]
        title = f"{words.MEASURE[event][:1].upper()}{words.MEASURE[event][1:]}, {unit}"
        shown, interval = sentences.events_text(row, event), ""
        if row[f"{event}_rate"] is not None:
            shown = f"{shown} ({sentences.figure(row[f'{event}_rate'])})"
            interval = " to ".join(sentences.figure(row[f"{event}_{end}"]) for end in ("low", "high"))
        mean = _mean_of(before[event], wears_of(before, event), "", 1, PER_WEARS)
        figures.append((title, shown, interval, mean))
    mean = _mean_of(before["never_heard"], None, each, 1)
    figures.append((words.NEVER_HEARD, sentences.never_heard_cell(row), "", mean))
    return figures


def _mean_of(amounts: pl.Series, sizes: pl.Series | None, unit: str, places: int, per: float = 1.0) -> str:
    over = float(len(amounts)) if sizes is None else float(sizes.sum())
    if not over:
        return words.NO_FIGURE
    return f"{per * float(amounts.sum()) / over:,.{places}f} {unit}".strip()


def _charts(by_month: pl.DataFrame, period: str) -> list[dict[str, Any]]:
    drawn = by_month.filter(pl.col("month").str.slice(0, len(period)) <= period).tail(MONTHS_DRAWN)
    names: dict[str, Any] = {"hours": "hours", "heat_dose": "heat_dose_a_wear"}
    names |= {name: (pl.col(name) / pl.col("wears")).fill_nan(None) for name in ("hard_min", "silent_min")}
    months = drawn["month"].to_list()
    return [chart(words.SHEET_AMOUNT[each.name], months, each) for each in drawn.select(**names)]


def _standing_out(made: Audit, measured: FalseMarks) -> SheetPart:
    found = made.standing.found
    told = "" if found else words.NOTHING_STANDS_OUT.format(count=made.standing.comparisons)
    note = f"{sentences.smallest_text(made.standing.smallest)} {sentences.chance_text(measured)}"
    items = [f"{sentences.headline(one)}: {_figures(one)}" for one in found[:MOST_SIGNALS]]
    return SheetPart(words.STANDS_OUT, told, items, note=note)


def _figures(one: Signal) -> str:
    told = {"value": sentences.figure(abs(one.value)), "rest": sentences.figure(one.rest)}
    told |= {"signed": sentences.signed(one.value), "unit": words.UNIT.get(one.measure, "")}
    kind = "charge" if (one.part, one.how) == ("set", "fall") else one.part
    return words.SHEET_SIGNAL.get(kind, words.SHEET_SIGNAL["other"]).format(**told)


def _planning(rates: Mapping[str, Sequence[PlanningRate]], profile: Profile) -> SheetPart:
    if not rates:
        return SheetPart(words.PLANNING_INSIDE, words.NO_PLANNING)
    cylinder, air = Cylinder(*CYLINDERS[1]), profile.air
    told = sentences.planning_finding(
        rates, cylinder, air.low_air_bar, air.planning_l_min, words.THIS_CYLINDER
    )
    rows = [
        [task or "all tasks", f"{of_task[0].wears:,}", *(f"{one.rate_l_min:.0f}" for one in of_task)]
        for task, of_task in list(rates.items())[:MOST_TASKS]
    ]
    return SheetPart(words.PLANNING_INSIDE, told, heads=words.HEADS["planning_inside"], rows=rows)


def _rest(rest: pl.DataFrame) -> SheetPart:
    rows = [
        [words.RULE.get(row["rule"], row["rule"]), f"{row['too_short']:,}", row["source"]]
        for row in rest.iter_rows(named=True)
    ]
    told = "" if rows else words.NO_RULES
    return SheetPart(words.REST, told, heads=words.HEADS["rest"], rows=rows, numbers=1)


def _forecasts(forecasts: pl.DataFrame) -> str:
    every = forecasts.filter(pl.col("ahead_min") == ALL)
    row: dict[str, Any] = every.row(0, named=True) if len(every) else {"known": 0}
    if row["known"] < FEWEST_FORECASTS:
        return words.TOO_FEW_FORECASTS
    inside = percent(row["inside"] / row["known"])
    return words.FORECAST_SENTENCE.format(known=row["known"], inside=inside, error=row["median_error_min"])
