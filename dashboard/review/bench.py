"""The investigator's bench for one incident as the page's components: overview, findings, lanes, tables."""

import json
import re
from pathlib import Path
from typing import Any

from dash import dcc, html

from dashboard.elements import PLOT_CONFIG, data, shown
from dashboard.markup import from_html
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
    about, everybody, wearers = look.record.about, look.everybody, look.record.about["wearers"]
    heard = int((everybody["wear_ids"].list.len() > 0).sum())
    some = words.PEOPLE_HEARD.format(people=counted(wearers, "person", "people"), heard=heard)
    started, ended = about["started"], about["ended"]
    facts = [
        about["place"],
        about["type"],
        f"{started:%Y-%m-%d %H:%M} – {ended:%H:%M} UTC" if started and ended else "",
        "" if look.clock.is_utc else words.TIMES_ARE.format(zone=look.clock.span_name(whole)),
        counted(wearers, "wearer") if heard == len(everybody) else some,
        counted(about["wears"], "wear"),
    ]
    names = [name for name in (about["name"], about["incident_id"]) if name]
    height = {"height": overview["layout"]["height"]}
    shown = {"units": asked.units, "zone": asked.zone}
    page = from_html(
        Path(__file__).with_suffix(".html.j2"),
        words=words,
        key=key,
        title=" · ".join(names) or words.UNTALLIED_NAME,
        facts=" · ".join(fact for fact in facts if fact),
        explained=words.OVERVIEW_EXPLAINED.format(bin_s=bin_width_s(whole)) if heard else words.NOBODY,
        everybody=len(everybody),
        signs=[(ALARM_CHARACTERS[kind], ALARMS[kind]) for kind in alarm_kinds(look.record.results)],
        people={
            row["key"]: row["key"] if row["wearer_id"] else f"{words.SET} {row['key']}"
            for row in everybody.iter_rows(named=True)
        },
        lane_names={lane: re.split(" · |, ", text)[0] for lane, text in words.LANE_EXPLAINED.items()},
        report={"incident": about["incident_id"], **shown} if about["incident_id"] else {},
        bookmarks=[note for note in look.notes if note.bookmark and note.withdrawn is None],
        told=told,
        picture=dcc.Store(id="review-picture", data=picture),
        window=dcc.Store(id="review-window"),
        overview=dcc.Graph(id="review-overview", figure=overview, config=OVERVIEW_CONFIG, style=height),
        lanes=dcc.Graph(id="review-lanes", figure=figure, config=LANES_CONFIG),
        tables=tables(look, look.setting, may_write=token is not None),
    )
    view = data(view=json.dumps(state, ensure_ascii=False))
    return html.Div(page, id="review-bench", className="review bench", **view)


def tables(look: Look, setting: Setting, may_write: bool) -> list[html.Div]:
    """Return the tables under the lanes; the form for notes comes after the notes."""
    found: list[html.Div] = []
    for table in incident_tables(look.record, look.notes, setting, may_write):
        found.append(shown(table))
        if table.name == "review-notes":
            found.append(html.Div(id="review-note-form"))
    return found
