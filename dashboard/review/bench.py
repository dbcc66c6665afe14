"""The investigator's bench for one incident as the page's components: overview, findings, lanes, tables."""

from __future__ import annotations

import json
import re
from typing import Any
from urllib.parse import urlencode

from dash import dcc, html

from dashboard.elements import PLOT_CONFIG, aria, data, panel, shown
from dashboard.review import words
from dashboard.review.figures import lanes_figure
from dashboard.review.overview import ALARM_CHARACTERS, alarm_kinds, bin_width_s, labels, overview_figure
from dashboard.review.setting import Setting
from dashboard.review.tables import finding_items, incident_tables
from dashboard.review.view import LANES, MOST_PEOPLE, Look
from dashboard.words import ALARMS
from ingest.plurals import counted

LANES_CONFIG: Any = {**PLOT_CONFIG, "doubleClick": False}
OVERVIEW_CONFIG: Any = {**PLOT_CONFIG, "staticPlot": True}


def drawn(look: Look) -> tuple[Any, Any, str]:
    """Return the lanes, the overview and the sentence that says how much of the readings is drawn."""
    figure, shown = lanes_figure(look.lanes, look.desk, look.window, look.view, look.scales)
    overview = overview_figure(look.record, look.everybody, look.whole, look.clock)
    overview["layout"]["yaxis"]["ticktext"] = labels(look.everybody, look.chosen)
    return figure, overview, shown.text()


def bench(look: Look, token: str | None = None) -> Any:
    """Return the bench.

    `token`: with which notes may be sent; None if the user may not write any.
    """
    asked, whole, key = look.request, look.whole, look.record.about["key"]
    figure, overview, told = drawn(look)
    shown_words = {"grades": words.SEVERITY, "noFindings": words.NO_FINDINGS, "noteTime": words.NOTE_TIME}
    state: dict[str, Any] = {
        "incident": key,
        "people": look.chosen,
        "everybody": list(look.everybody["key"]),
        "most": MOST_PEOPLE,
        "lanes": list(asked.lanes or LANES),
        "allLanes": list(LANES),
        "units": asked.units,
        "zone": asked.zone,
        "zoneName": look.clock.span_name(whole),
        "changes": look.clock.changes,
        "whole": [whole.start, whole.end],
        "window": [look.window.start, look.window.end],
        "at": asked.at_ms,
        "findings": finding_items(look.record.results["findings"], look.setting, look.notes),
        "overlay": asked.overlay,
        "px": look.view.plot_px,
        "token": token,
        "words": {**words.PAGE, **shown_words, "noteCertainties": words.CERTAINTIES},
    }
    picture = {
        "incident": key,
        "people": ",".join(look.chosen),
        "lanes": ",".join(asked.lanes),
        "units": asked.units,
        "zone": asked.zone,
        "overlay": "yes" if asked.overlay else "",
    }
    findings = html.Section(
        [html.H2(words.FINDINGS, id="review-findings-title"), html.Div(id="review-findings")],
        className="panel found",
        **aria(labelledby="review-findings-title"),
    )
    return html.Div(
        [
            dcc.Store(id="review-picture", data=picture),
            dcc.Store(id="review-window"),
            _heading(look),
            html.Div([_overview_panel(look, overview), findings], className="bench-row first"),
            html.Div([_lanes_panel(look, figure, told), _side_panel()], className="bench-row"),
            *tables(look, look.setting, may_write=token is not None),
        ],
        id="review-bench",
        className="review bench",
        **data(view=json.dumps(state, ensure_ascii=False)),
    )


def tables(look: Look, setting: Setting, may_write: bool) -> list[html.Div]:
    """Return the tables under the lanes; the form for notes comes after the notes."""
    found: list[html.Div] = []
    for table in incident_tables(look.record, look.notes, setting, may_write):
        found.append(shown(table))
        if table.name == "review-notes":
            found.append(html.Div(id="review-note-form"))
    return found


def _heading(look: Look) -> Any:
    about = look.record.about
    started, ended, wearers = about["started"], about["ended"], about["wearers"]
    some = words.PEOPLE_HEARD.format(people=counted(wearers, "person", "people"), heard=_heard(look))
    facts = [
        about["place"],
        about["type"],
        f"{started:%Y-%m-%d %H:%M} – {ended:%H:%M} UTC" if started and ended else "",
        "" if look.clock.is_utc else words.TIMES_ARE.format(zone=look.clock.span_name(look.whole)),
        counted(wearers, "wearer") if _heard(look) == len(look.everybody) else some,
        counted(about["wears"], "wear"),
    ]
    names = [name for name in (about["name"], about["incident_id"]) if name]
    return html.Header(
        [
            html.A(words.ALL_INCIDENTS, href="/review", className="back"),
            html.H1(" · ".join(names) or words.UNTALLIED_NAME),
            html.P(" · ".join(fact for fact in facts if fact)),
        ],
        className="heading",
    )


def _heard(look: Look) -> int:
    """Return of how many people a set was heard under air."""
    return int((look.everybody["wear_ids"].list.len() > 0).sum())


def _overview_panel(look: Look, overview: dict[str, Any]) -> Any:
    explained = (
        words.OVERVIEW_EXPLAINED.format(bin_s=bin_width_s(look.whole)) if _heard(look) else words.NOBODY
    )
    swatches = {"shade": words.LEGEND_SHADE, "hatched": words.SILENT, "late": words.NOT_YET_KNOWN}
    legend = [html.Span([html.I(className=f"swatch {name}"), f" {text}"]) for name, text in swatches.items()]
    for kind in alarm_kinds(look.record.results):
        legend.append(html.Span([html.B(ALARM_CHARACTERS[kind]), f" {ALARMS[kind]}"]))
    height = {"height": overview["layout"]["height"]}
    frame = [
        dcc.Graph(id="review-overview", figure=overview, config=OVERVIEW_CONFIG, style=height),
        *(html.Div(id=f"review-{part}", hidden=True) for part in ("before", "inside", "after")),
    ]
    scrolls: dict[str, Any] = {"tabIndex": 0, **aria(label=words.OVERVIEW_LABEL)}  # with many wearers
    return panel(
        words.OVERVIEW,
        html.P(explained, className="note"),
        html.Div(frame, id="review-overview-frame", role="img", **scrolls),
        *([html.P(legend, className="legend")] if len(look.everybody) else []),
        kind="everybody",
    )


def _choices(caption: str, name: str, choices: dict[str, str]) -> Any:
    """A group of native buttons; the script reads `data-set` and keeps `aria-pressed`."""
    buttons = [
        html.Button(text, type="button", **data(set=f"{name}:{value}")) for value, text in choices.items()
    ]
    return _group(caption, *buttons)


def _group(caption: str, *inside: Any) -> Any:
    named = html.Span(caption, className="group-name")
    return html.Div([named, *inside], className="group", role="group", **aria(label=caption))


def _downloads(look: Look) -> Any:
    """Links whose addresses the script keeps on the view that is shown."""
    links: list[Any] = []
    for form, text in words.EXPORTS.items():
        asked = urlencode({"incident": look.record.about["key"], "format": form})
        links.append(html.A(text, href=f"/review/export?{asked}", download="", **data(export=form)))
    if look.record.about["incident_id"]:
        shown = {"units": look.request.units, "zone": look.request.zone}
        asked = urlencode({"incident": look.record.about["incident_id"], **shown})
        links.append(html.A(words.REPORT, href=f"/review/report?{asked}", download=""))
    links.append(html.A(words.LANES_SVG, href="/review/lanes.svg", download="", id="review-lanes-svg"))
    for form, text in words.PICTURES.items():
        links.append(html.Button(text, type="button", **data(set=f"picture:{form}")))
    return _group(words.EXPORT, *links)


def _bookmarks(look: Look) -> Any:
    """Views that somebody named, as links; the script adds the form that keeps the present one."""
    kept = [note for note in look.notes if note.bookmark and note.withdrawn is None]
    links: list[Any] = [
        html.A(note.text.partition(": ")[2] or note.text, href=f"/review?{note.bookmark}") for note in kept
    ]
    none = [html.Span(words.NO_BOOKMARKS, className="none")]
    return _group(words.BOOKMARKS, *(links or none), html.Div(id="review-bookmark-form"))


def _lanes_panel(look: Look, figure: dict[str, Any], shown: str) -> Any:
    people = {
        row["key"]: row["key"] if row["wearer_id"] else f"{words.SET} {row['key']}"
        for row in look.everybody.iter_rows(named=True)
    }
    asked: list[tuple[str, str, dict[str, str]]] = []
    if people:
        lanes = {lane: re.split(" · |, ", text)[0] for lane, text in words.LANE_EXPLAINED.items()}
        asked = [(words.PEOPLE, "person", people), (words.SHOW_LANES, "lane", lanes)]
    asked += [(words.UNITS, "units", words.UNIT_CHOICES), (words.CLOCK, "clock", words.CLOCKS)]
    if len(people) > 1:
        asked.append((words.COMPARE, "overlay", {"yes": words.OVERLAY}))
    window = [_choices(words.WINDOW, "span", words.WINDOWS), _choices(words.MOVE, "move", words.MOVES)]
    more = [*(_choices(*one) for one in asked), _downloads(look), _bookmarks(look)]
    frame = [
        dcc.Graph(id="review-lanes", figure=figure, config=LANES_CONFIG),
        html.Div(html.Span(id="review-cursor-time"), id="review-cursor", hidden=True),
    ]
    reached: dict[str, Any] = {"tabIndex": "0", **aria(label=words.LANES_LABEL)}
    return html.Section(
        [
            html.Div(window, className="controls"),
            html.Div(more, className="controls more"),
            html.P(id="review-said", role="status", className="said"),
            html.P(shown, id="review-shown", className="note"),
            html.Div(frame, id="review-lanes-frame", role="group", **reached),
        ],
        className="panel lanes",
    )


def _side_panel() -> Any:
    return html.Aside(
        [
            html.H2(words.AT_CURSOR),
            html.P(words.CURSOR_HINT, id="review-moment-hint", className="note"),
            html.Div(id="review-moment"),
            html.Div(id="review-messages"),
        ],
        className="panel side",
        # It scrolls by itself, therefore the keyboard must reach it.
        tabIndex="0",
        **aria(label=words.AT_CURSOR),
    )
