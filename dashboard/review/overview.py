"""The overview of the review page: one strip for each wearer over the whole incident, shade for pressure."""

import math
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import polars as pl

from analysis.alarms.kinds import GRAVEST
from analysis.tables import Results
from dashboard.incident_record import IncidentRecord
from dashboard.review import words
from dashboard.review.clock import SECOND_MS, UTC_CLOCK, Clock, Window
from dashboard.review.desk_tables import DeskNote
from dashboard.review.drawing import hatched, plain, typed
from dashboard.review.figures import TOP_PX, layout_of, named_rows, x_axis
from dashboard.review.lanes import ALARM_ORDER, to_ms, unheard_of, unknown_of
from dashboard.theme import CHART_GREY, CHART_ORANGE, CHART_PURPLE
from dashboard.words import shortened

BINS = 360
BIN_CHOICES_S = (1, 2, 5, 10, 15, 20, 30, 60, 120, 300, 600)
BOTTOM_PX = 8
OVERVIEW_PX = 700.0
ROWS_PX = 200.0  # so that a lane is on the first screen of 768 lines, too
LABEL_LETTERS = 14
FEWEST_TEAM_LETTERS = 5
# The less air the more ink; the ground shows through, so that it reads on a light and on a dark page.
SHADES = [[0.0, "rgba(31,134,196,1)"], [0.35, "rgba(31,134,196,0.75)"], [1.0, "rgba(31,134,196,0.12)"]]
ALARM_SIGNS = {
    "distress": ("triangle-up", "▲"),
    "no_motion": ("square", "■"),
    "no_motion_prealarm": ("square-open", "□"),
    "low_air": ("triangle-down", "▼"),
    "heat": ("diamond", "◆"),
    "evacuate": ("arrow-left", "◀"),
    "fault": ("x-thin-open", "×"),
    "battery": ("hourglass-open", "⧖"),
}
ALARM_CHARACTERS = {kind: character for kind, (_, character) in ALARM_SIGNS.items()}
# So that two alarms of one moment are one above the other.
ALARM_SHIFT = {kind: (-0.2, 0.2)[number % 2] for number, kind in enumerate(ALARM_ORDER)}


def whole_window(results: Results, about: dict[str, Any], notes: Sequence[DeskNote] = ()) -> Window:
    """Return the incident's extent, and that of the notes about it, with a little room on both sides."""
    wears = results["wears"]
    # A silence at the end lasts until somebody says how it went on: it is shown whole.
    unheard = unheard_of(results)
    moments = [*to_ms(wears, "started"), *to_ms(wears, "ended"), *to_ms(results["gaps"], "ended")]
    moments += [*to_ms(unheard, "started"), *to_ms(unheard, "ended")]
    moments += [note.at.timestamp() * SECOND_MS for note in notes]
    moments += [about[name].timestamp() * SECOND_MS for name in ("started", "ended") if about[name]]
    if not moments:
        return Window(0.0, 60 * SECOND_MS)
    start, end = min(moments), max(moments)
    room = max((end - start) * 0.01, 5 * SECOND_MS)
    return Window(start - room, end + room)


def bin_width_s(window: Window) -> int:
    """Return the width of a strip's bin: the first round number that needs no more than `BINS`."""
    wanted = (window.end - window.start) / SECOND_MS / BINS
    return next((width for width in BIN_CHOICES_S if width >= wanted), BIN_CHOICES_S[-1])


def row_height_px(people: int) -> float:
    """Return the height of a person's strip: roomy for a crew, narrow for a hundred."""
    return min(max(ROWS_PX / max(people, 1), 12.5), 24.0)


def strips(results: Results, people: pl.DataFrame, window: Window) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Return the lowest estimated pressure a person and bin, NaN where not heard or not under air."""
    width_ms = bin_width_s(window) * SECOND_MS
    bins = max(math.ceil((window.end - window.start) / width_ms), 1)
    z = np.full((len(people), bins), np.nan)
    row_of = rows_of(people)
    if not row_of:
        return z
    since = (pl.col("time").dt.epoch("us") / 1000 - window.start) / width_ms
    lowest = (
        results["air"]
        .lazy()
        .filter(pl.col("heard") & pl.col("wear_id").is_in(list(row_of)))
        .group_by("wear_id", bin=since.floor().cast(pl.Int64))
        .agg(pl.col("pressure_bar").min())
        .filter(pl.col("bin").is_between(0, bins - 1))
        .collect()
    )
    rows = lowest["wear_id"].replace_strict(row_of, return_dtype=pl.Int64).to_numpy()
    np.fmin.at(z, (rows, lowest["bin"].to_numpy()), lowest["pressure_bar"].to_numpy())
    return z


def labels(people: pl.DataFrame, chosen: list[str]) -> list[str]:
    """Return the names beside the strips; a chosen one is pointed at and bold."""
    texts = []
    for person in people.iter_rows(named=True):
        text = plain(label(person))
        texts.append(f"<b>▸ {text}</b>" if person["key"] in chosen else text)
    return texts


def label(person: dict[str, Any]) -> str:
    """Return a person's name and team as they fit beside a strip.

    Whole they would be cut in the middle of a letter; choices, headings and tables have them whole.
    """
    name = person["key"] if person["wearer_id"] else f"{words.SET} {person['key']}"
    room = LABEL_LETTERS - len(name) - len(" · ")
    if person["team"] and room >= min(len(person["team"]), FEWEST_TEAM_LETTERS):
        return f"{name} · {shortened(person['team'], room)}"
    return shortened(name, LABEL_LETTERS)


def overview_figure(
    record: IncidentRecord, people: pl.DataFrame, whole: Window, clock: Clock = UTC_CLOCK
) -> dict[str, Any]:
    """Return the overview, whose names `labels` gives; the page's script frames the window.

    `people`: rows of `lanes.people_of`, from top to bottom. `clock`: of its ticks.
    """
    results = record.results
    width_ms = bin_width_s(whole) * SECOND_MS
    z = strips(results, people, whole)
    rated = results["wears"]["rated_bar"].max()
    top = float(rated) if isinstance(rated, int | float) else 300.0
    row_of = rows_of(people)
    data: list[dict[str, Any]] = [
        {
            "type": "heatmap",
            "x0": whole.start + width_ms / 2,
            "dx": width_ms,
            "z": typed(z, "f4"),
            "zmin": 0,
            "zmax": top,
            "colorscale": SHADES,
            "showscale": False,
            "ygap": 3,
            "hoverinfo": "skip",
        },
        *_hatched_strips(record, people, row_of),
        *_alarm_signs(results, row_of),
    ]
    rows = max(len(people), 1)
    height = TOP_PX + BOTTOM_PX + row_height_px(rows) * rows
    x = x_axis(whole, clock, OVERVIEW_PX) | {"tickangle": 0, "tickfont": {"size": 11}}
    y = {
        "range": [rows - 0.5, -0.5],
        **named_rows(labels(people, [])),
        "zeroline": False,
        "automargin": False,
        "tickfont": {"size": min(12.5, row_height_px(rows) - 1.5)},
    }
    return {"data": data, "layout": layout_of(height, BOTTOM_PX, x) | {"yaxis": y}}


def alarm_kinds(results: Results) -> list[str]:
    """Return the kinds of alarm that have a sign in the overview."""
    present = set(results["alarms"].filter(pl.col("source") != "derived")["alarm"])
    return [kind for kind in ALARM_ORDER if kind in present]


def rows_of(people: pl.DataFrame) -> dict[str, int]:
    """Return the row of each wear, wearer, and set that nobody tallied; the first of several."""
    named = people.select(pl.coalesce("wearer_id", "key"), "wear_ids").rows()
    return {name: row for row, (who, wears) in reversed(list(enumerate(named))) for name in (who, *wears)}


def _hatched_strips(
    record: IncidentRecord, people: pl.DataFrame, row_of: dict[str, int]
) -> Iterator[dict[str, Any]]:
    """Yield what the desk did not yet know, then the silences and who was never heard, with words in it."""
    results = record.results
    late = [
        (span.started, span.ended, row)
        for row, spans in enumerate(unknown_of(results, record.messages, people))
        for span in spans
    ]
    gaps, unheard = results["gaps"].filter(pl.col("wear_id").is_in(list(row_of))), unheard_of(results)
    rows, never = ([row_of[name] for name in names] for names in (gaps["wear_id"], unheard["wearer_id"]))
    silent = [*zip(to_ms(gaps, "started"), to_ms(gaps, "ended"), rows, strict=True)]
    silent += zip(to_ms(unheard, "started"), to_ms(unheard, "ended"), never, strict=True)
    for spans, colour, shape in ((late, CHART_GREY, "\\"), (silent, CHART_PURPLE, "/")):
        yield hatched(spans, colour, shape, 5, 0.3, width=0.8)
    yield {
        "type": "scatter",
        "mode": "text",
        "x": typed(to_ms(unheard, "started")),
        "y": never,
        "text": [plain(told) for told in unheard["told"]],
        "textposition": "middle right",
        "textfont": {"size": 12},
    }


def _alarm_signs(results: Results, row_of: dict[str, int]) -> list[dict[str, Any]]:
    """One trace a kind, on its wearer's strip; alarms without a wearer who was heard are in the table only.

    `row_of`: by wear, and by person for alarms outside every wear.
    """
    of = results["alarms"].with_columns(of=pl.coalesce("wear_id", "wearer_id"))
    reported = of.filter((pl.col("source") != "derived") & pl.col("of").is_in(list(row_of)))
    traces = []
    for kind, (symbol, _) in ALARM_SIGNS.items():
        rows = reported.filter(pl.col("alarm") == kind)
        if not len(rows):
            continue
        hollow = symbol.endswith("-open")
        colour = CHART_ORANGE if kind in GRAVEST else "#808080" if hollow else "#4a4a4a"
        # A white edge parts a sign from a dark strip, and from a dark page.
        edge = {"width": 1.6, "color": colour} if hollow else {"width": 1.2, "color": "#fff"}
        traces.append(
            {
                "type": "scatter",
                "mode": "markers",
                "x": typed(to_ms(rows, "raised")),
                "y": [row_of[one] + ALARM_SHIFT[kind] for one in rows["of"]],
                "marker": {"symbol": symbol, "size": 10, "color": colour, "line": edge},
                "cliponaxis": False,
            }
        )
    return traces
