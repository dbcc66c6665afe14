"""The lanes of the review page: one x axis, stacked y domains, so that one cursor and one zoom serve all.

Figures are plain dicts with typed arrays: nothing is validated twice, and a zoom sends only new arrays.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.alarms.kinds import GRAVEST
from dashboard.review import words
from dashboard.review.clock import SECOND_MS, Clock, Window
from dashboard.review.drawing import (
    BY_VOICE,
    CLEAR,
    Drawing,
    Shown,
    View,
    draw_band,
    draw_line,
    draw_readings,
    hatched,
    in_units,
    lying,
    nice_ceiling,
    plain,
    typed,
)
from dashboard.review.lanes import Floats, Mark, PersonLanes, Span
from dashboard.review.setting import duration_text
from dashboard.theme import CHART_BLUE, CHART_GREY, CHART_ORANGE, CHART_PURPLE, chart_template
from dashboard.units import Quantity
from dashboard.words import ALARMS

AIR_PX, RATE_PX, MOTION_PX, HEAT_PX = 112, 84, 44, 84
ALARM_ROW_PX = 24
LANE_TITLE_PX = 19
HEADING_PX = 30
DESK_PX = 78
TOP_PX = 28
BOTTOM_PX = 10
LEFT_PX = 138
RIGHT_PX = 14
BAND_FILL = "rgba(31,134,196,0.22)"
WARM_FILL = "rgba(200,100,30,0.18)"
GRAVE = (*GRAVEST, "no_motion_prealarm")
DESK_ROWS = 3
HATCH_WORDS_PX = 16
MARK_ROW, MARK_ROWS = 0.15, 5  # of the air lane's height
WORDED_FROM_S = 30.0  # shorter stretches have no room for words
DESK_TEXT_LENGTH = 40
DESK_FEWEST_LETTERS = 5
DESK_CHARACTER_PX = 6.4
HEADING_CHARACTER_PX = 8.6
# Plotly takes an empty text's place away and never gives it back when a zoom fills it.
BLANK = " "
# What a zoom replaces in a trace that depends on the window.
CHANGING = ("x", "y", "text", "textposition", "mode")
TICK_PX = 110.0


# People on one axis differ by the dash as well as by the colour.
STYLES = (
    (CHART_BLUE, "solid", "──"),
    (CHART_ORANGE, "dash", "╌╌"),
    (CHART_GREY, "dot", "┈┈"),
    (CHART_PURPLE, "dashdot", "╌·"),
    (CHART_BLUE, "longdash", "— —"),
    (CHART_ORANGE, "dot", "┈┈"),
)


@dataclass(frozen=True)
class Scales:
    """Fixed y scales of an incident, in metric units: the same for every wearer and every zoom."""

    pressure_bar: float
    rate_l_min: float
    motion_m_s2: float
    temperature_c: float


def scales_of(people: list[PersonLanes]) -> Scales:
    """Return scales that hold everything these people's records have."""

    def highest(arrays: list[Floats]) -> float:
        finite = [float(np.nanmax(values)) for values in arrays if np.isfinite(values).any()]
        return max(finite, default=math.nan)

    rated = max((p.rated_bar for p in people if math.isfinite(p.rated_bar)), default=300.0)
    return Scales(
        pressure_bar=max(rated, highest([p.pressure.y for p in people]) if people else rated) * 1.04,
        rate_l_min=nice_ceiling(highest([p.rate.middle for p in people]), 100.0),
        motion_m_s2=nice_ceiling(highest([p.motion.y for p in people]), 2.0),
        temperature_c=nice_ceiling(
            highest([values for p in people for values in (p.temperature.y, p.surroundings.middle)]), 100.0
        ),
    )


def lanes_figure(
    people: list[PersonLanes], desk: list[Mark] | None, window: Window, view: View, scales: Scales
) -> tuple[dict[str, Any], Shown]:
    """Return the figure of the chosen people, and how much of their readings is in it.

    `desk` None: without the desk's lane.
    """
    drawing = _draw(people, desk, window, view, scales)
    height = TOP_PX + drawing.depth_px + BOTTOM_PX

    def paper(depth_px: float) -> float:
        return 1.0 - depth_px / drawing.depth_px

    axis = x_axis(window, view.clock, view.plot_px) | {"anchor": "y", "showgrid": True}
    layout: dict[str, Any] = {
        **layout_of(height, BOTTOM_PX, axis),
        "hovermode": False,
        "dragmode": "zoom",
        "bargap": 0,
        "annotations": [
            {
                "text": f"<b>{text}</b>" if heading else text,
                "x": 0,
                "xref": "paper",
                "xanchor": "left",
                "xshift": -LEFT_PX + 4 if heading else 0,
                "y": paper(depth),
                "yref": "paper",
                "yanchor": "bottom",
                "showarrow": False,
                "align": "left",
                "font": {"size": 14 if heading else 12},
            }
            for depth, text, heading in drawing.texts
        ],
        "shapes": drawing.levels,
    }
    for index, (axis, (top, bottom)) in enumerate(zip(drawing.axes, drawing.rows_px, strict=True)):
        name = "yaxis" if index == 0 else f"yaxis{index + 1}"
        base = {"domain": [max(paper(bottom), 0.0), min(paper(top), 1.0)], "fixedrange": True}
        layout[name] = {**base, "automargin": False, "zeroline": False, "anchor": "x", **axis}
    return {"data": drawing.traces, "layout": layout}, drawing.shown


def layout_of(height_px: float, bottom_px: float, x: dict[str, Any]) -> dict[str, Any]:
    """Return what the layouts of lanes and overview have in common: time along the top, fixed margins."""
    # Wide enough for the name of an alarm; a margin that grew with its labels would shift the lanes.
    margin = {"l": LEFT_PX, "r": RIGHT_PX, "t": TOP_PX, "b": bottom_px, "autoexpand": False}
    x = {"side": "top", "automargin": False, **x}
    shown = {"showlegend": False, "barmode": "overlay"}
    return {"template": chart_template(), "height": height_px, "margin": margin, "xaxis": x, **shown}


def lanes_update(
    people: list[PersonLanes], desk: list[Mark], window: Window, view: View, scales: Scales
) -> tuple[dict[int, dict[str, Any]], Shown]:
    """Return what a zoom replaces: for the index of each trace that depends on the window its new parts."""
    drawing = _draw(people, desk, window, view, scales)
    changes = {
        index: {part: drawing.traces[index][part] for part in CHANGING if part in drawing.traces[index]}
        for index in drawing.thinned
    }
    return changes, drawing.shown


def named_rows(names: list[str], first: float = 0) -> dict[str, Any]:
    """Return what of a y axis names its rows."""
    places = [number + first for number in range(len(names))]
    return {"tickvals": places, "ticktext": names, "showgrid": False, "ticks": ""}


def x_axis(window: Window, clock: Clock, plot_px: float) -> dict[str, Any]:
    """Return what of the x axis follows the window: its range and its ticks, worded on the shown clock.

    The axis is linear, in milliseconds since 1970. On a date axis plotly shifts numbers by the browser's own
    distance from UTC: an hour too many or too few appears wherever that distance changes.
    """
    moments, texts = clock.ticks(window, max(int(plot_px / TICK_PX), 3))
    return {
        "type": "linear",
        "range": [window.start, window.end],
        "tickmode": "array",
        "tickvals": moments,
        "ticktext": texts,
    }


def _draw(
    people: list[PersonLanes], desk: list[Mark] | None, window: Window, view: View, scales: Scales
) -> Drawing:
    drawing = Drawing(view, window)
    if desk is not None:
        _desk_lane(drawing, desk)
    if view.overlay and len(people) > 1:
        _overlay(drawing, people, scales)
    for person in people:
        _person(drawing, person, scales)
    return drawing


def _overlay(drawing: Drawing, people: list[PersonLanes], scales: Scales) -> None:
    """Draw the estimates of air and rate of several people on one axis each."""
    units = drawing.view.units
    names = [f"{sign} {person.key}" for person, (_, _, sign) in zip(people, STYLES, strict=False)]
    drawing.title(plain(f"{words.OVERLAY}: {' · '.join(names)}"), HEADING_PX, True)
    lots: tuple[tuple[str, int, Quantity, float], ...] = (
        (words.OVERLAY_AIR, AIR_PX, "pressure", scales.pressure_bar),
        (words.OVERLAY_RATE, RATE_PX, "rate", scales.rate_l_min),
    )
    for title, height_px, quantity, top in lots:
        drawing.title(title.format(**units.label), LANE_TITLE_PX)
        y = drawing.lane(height_px, range=[0, units.shown(quantity, top)], nticks=4)
        for person, (colour, dash, _) in zip(people, STYLES, strict=False):
            band = in_units(person.air if quantity == "pressure" else person.rate, units, quantity)
            draw_line(drawing, band.x, band.middle, y, {"color": colour, "width": 1.6, "dash": dash})
    drawing.depth_px += 6


def _desk_lane(drawing: Drawing, desk: list[Mark]) -> None:
    y = drawing.lane(
        DESK_PX,
        range=[-1.5, DESK_ROWS - 0.4],
        **named_rows([words.DESK_LANE], (DESK_ROWS - 1) / 2),
    )
    rows, texts, sides = _placed(desk, drawing)
    drawing.scatter(
        "markers+text",
        typed([mark.at for mark in desk]),
        rows,
        y,
        text=texts,
        textposition=sides,
        textfont={"size": 12},
        marker={"symbol": "line-ns", "size": 12, "line": {"width": 2, "color": CHART_GREY}},
    )


def _placed(desk: list[Mark], drawing: Drawing) -> tuple[list[int], list[str], list[str]]:
    """Give each mark the first row where its words find room, else a stroke alone under the rows."""
    rows, texts, sides, taken = [], [], [], Taken(DESK_ROWS)
    for mark in desk:
        at_px, text = drawing.px(mark.at), mark.text
        # At the end of the window words are before their moment, or are shortened to what fits, not cut
        # through a letter.
        longest = min(DESK_TEXT_LENGTH, int((drawing.view.plot_px - at_px - 16) / DESK_CHARACTER_PX))
        begins_px = at_px - 16 - DESK_CHARACTER_PX * len(text)
        is_late = longest < len(text) <= DESK_TEXT_LENGTH and begins_px >= 0 and at_px <= drawing.view.plot_px
        row = taken.row(begins_px, at_px + 16) if is_late else None
        sides.append("middle right" if row is None else "middle left")
        # Words of a moment before the window would reach into it, over those that belong there.
        has_words = row is not None or (at_px >= 0 and longest >= DESK_FEWEST_LETTERS)
        if row is None:
            text = text if len(text) <= longest else text[: max(longest - 1, 0)] + "…"
            ends_px = at_px + has_words * (16 + DESK_CHARACTER_PX * len(text))
            row = taken.row(at_px, ends_px)
        rows.append(DESK_ROWS - 1 - (DESK_ROWS if row is None else row))
        texts.append(plain(text) if has_words and row is not None else BLANK)
    return rows, texts, sides


def _person(drawing: Drawing, person: PersonLanes, scales: Scales) -> None:
    units = drawing.view.units
    room = int((drawing.view.plot_px + LEFT_PX) / HEADING_CHARACTER_PX)
    drawing.title(plain(person.title(room)), HEADING_PX, True)
    _when_not_heard(drawing, person)
    top = drawing.depth_px
    block_index = len(drawing.axes)
    # Behind the lanes, over their whole height: the silences, and what was heard only later.
    block = drawing.lane(0, range=[0, 1], visible=False)
    for spans, colour, shape in (
        (person.silences, CHART_PURPLE, "/"),
        (person.unknown, CHART_GREY, "\\"),
    ):
        lasted = [(span.started, span.ended, 0.5) for span in spans]
        drawing.add(hatched(lasted, colour, shape, 9, 0.12, width=1, yaxis=block))
    for lane in drawing.view.lanes:
        explained = words.LANE_EXPLAINED[lane].format(**units.label)
        draw, readings = LANES[lane]
        if readings is not None and not len(getattr(person, readings).x):
            spoken = words.BY_VOICE if lane == "air" and len(person.spoken.x) else ""
            explained = explained.split(" · ")[0] + words.NO_READINGS + spoken
        drawing.title(explained, LANE_TITLE_PX)
        draw(drawing, person, scales)
    drawing.rows_px[block_index] = (top + LANE_TITLE_PX, drawing.depth_px)
    drawing.depth_px += 6


def _air_lane(drawing: Drawing, person: PersonLanes, scales: Scales) -> None:
    units = drawing.view.units
    top = units.shown("pressure", scales.pressure_bar)
    y = drawing.lane(AIR_PX, range=[0, top], nticks=4)
    draw_band(drawing, in_units(person.air, units, "pressure"), y, BAND_FILL)
    draw_readings(drawing, person.pressure, y, CHART_BLUE, "pressure")
    drawing.scatter(
        "markers",
        typed(person.spoken.x),
        typed(units.shown("pressure", person.spoken.y), "f4"),
        y,
        marker={"symbol": BY_VOICE, "size": 9, "color": CHART_ORANGE, "line": {"width": 2}},
    )
    if math.isfinite(person.low_air_bar):
        level = units.shown("pressure", person.low_air_bar)
        text = f"{words.LOW_AIR_LEVEL} {units.text('pressure', person.low_air_bar)}"
        drawing.levels.append(
            {
                **{"type": "line", "xref": "paper", "x0": 0, "x1": 1, "yref": y, "y0": level, "y1": level},
                "line": {"color": CHART_GREY, "width": 1, "dash": "dot"},
                "label": {"text": text, "textposition": "start", "font": {"size": 11}, "padding": 2},
            }
        )
    texts, sides, heights = [], [], []
    window, taken = drawing.window, Taken(MARK_ROWS)
    for mark in person.marks:
        # Words of a moment outside of the window would reach into it, cut.
        text = words.MARKS[mark.text] if window.start <= mark.at <= window.end else ""
        at_px, length_px = drawing.px(mark.at), DESK_CHARACTER_PX * len(text) + 8
        late = at_px + length_px > drawing.view.plot_px
        row = taken.row(at_px - late * length_px, at_px + (not late) * length_px) if text else 0
        heights += [0.0, top * (0.9 - MARK_ROW * (MARK_ROWS - 1 if row is None else row)), math.nan]
        sides += ["middle left" if late else "middle right"] * 3
        texts += [BLANK, text or BLANK, BLANK]
    drawing.scatter(
        "lines+text",
        typed([x for mark in person.marks for x in (mark.at, mark.at, math.nan)]),
        typed(heights),
        y,
        text=texts,
        textposition=sides,
        textfont={"size": 12},
        line={"color": CHART_ORANGE, "width": 2, "dash": "dash"},
    )


def _rate_lane(drawing: Drawing, person: PersonLanes, scales: Scales) -> None:
    units = drawing.view.units
    y = drawing.lane(RATE_PX, range=[0, units.shown("rate", scales.rate_l_min)], nticks=4)
    rate = in_units(person.rate, units, "rate")
    draw_band(drawing, rate, y, BAND_FILL)
    draw_line(drawing, rate.x, rate.middle, y, {"color": CHART_BLUE, "width": 1.5})


def _motion_lane(drawing: Drawing, person: PersonLanes, scales: Scales) -> None:
    y = drawing.lane(MOTION_PX, range=[0, scales.motion_m_s2], nticks=3)
    draw_readings(drawing, person.motion, y, CHART_GREY, "motion")


def _heat_lane(drawing: Drawing, person: PersonLanes, scales: Scales) -> None:
    units = drawing.view.units
    low, high = (units.shown("temperature", value) for value in (0.0, scales.temperature_c))
    y = drawing.lane(HEAT_PX, range=[low, high], nticks=4)
    around = in_units(person.surroundings, units, "temperature")
    draw_band(drawing, around, y, WARM_FILL)
    draw_line(drawing, around.x, around.middle, y, {"color": CHART_ORANGE, "width": 1.2, "dash": "dash"})
    draw_readings(drawing, person.temperature, y, CHART_GREY, "temperature")


def _alarm_lane(drawing: Drawing, person: PersonLanes, _scales: Scales) -> None:
    kinds = person.alarm_kinds
    names = [(ALARMS | words.ALARMS_NARROW)[kind] for kind in kinds] or [words.NO_ROWS]
    y = drawing.lane(
        ALARM_ROW_PX * len(names),
        range=[len(names) - 0.5, -0.5],
        **named_rows(names),
        tickfont={"size": 12 if kinds else 10},
    )
    for spans, offset, solid in ((person.reported, -0.2, True), (person.derived, 0.22, False)):
        colours = [CHART_ORANGE if span.what in GRAVE else CHART_GREY for span in spans]
        drawing.add(
            lying(
                [span.started for span in spans],
                [max(span.ended - span.started, 1.0) for span in spans],
                [kinds.index(span.what) + offset for span in spans],
                width=0.36,
                marker={"color": colours if solid else CLEAR, "line": {"color": colours, "width": 2}},
                yaxis=y,
            )
        )


LANES: dict[str, tuple[Callable[[Drawing, PersonLanes, Scales], None], str | None]] = {
    "air": (_air_lane, "pressure"),
    "rate": (_rate_lane, None),
    "motion": (_motion_lane, "motion"),
    "heat": (_heat_lane, "temperature"),
    "alarms": (_alarm_lane, None),
}
"""In the order of the page: what draws a lane, and the readings that it shows; a lane without any says so."""


def _seconds(span: Span) -> float:
    return (span.ended - span.started) / SECOND_MS


class Taken:
    """Where words stand already, row by row."""

    def __init__(self, rows: int) -> None:
        self._rows: list[list[tuple[float, float]]] = [[] for _ in range(rows)]

    def row(self, start_px: float, end_px: float) -> int | None:
        """Return the first row where these words cover no others, and keep them there; None without one."""
        for number, row in enumerate(self._rows):
            if all(end_px <= start or end <= start_px for start, end in row):
                row.append((start_px, end_px))
                return number
        return None


def _when_not_heard(drawing: Drawing, person: PersonLanes) -> None:
    """Word the hatched stretches above them, where no line runs: silences, then what came late."""
    lasting = [
        f"{span.what} {duration_text(_seconds(span))}" if span.what == words.SILENT else span.what
        for span in person.silences
    ]
    late = [words.NOT_YET_KNOWN if _seconds(span) >= WORDED_FROM_S else "" for span in person.unknown]
    window, widest_px = drawing.window, drawing.view.plot_px
    for spans, texts in ((person.silences, lasting), (person.unknown, late)):
        if not spans:
            continue
        y = drawing.lane(HATCH_WORDS_PX, range=[0, 1], visible=False)
        taken, at, shown = Taken(1), [], []
        for span, text in zip(spans, texts, strict=True):
            start, end = max(span.started, window.start), min(span.ended, window.end)
            half_px = (DESK_CHARACTER_PX * len(text) + 8) / 2
            middle_px = min(max(drawing.px((start + end) / 2), half_px), widest_px - half_px)
            has_room = start < end and text and taken.row(middle_px - half_px, middle_px + half_px) == 0
            at.append(window.start + (window.end - window.start) * middle_px / widest_px)
            shown.append(plain(text) if has_room else BLANK)
        drawing.scatter(
            "text",
            typed(at),
            [0.5] * len(spans),
            y,
            text=shown,
            textposition="middle center",
            textfont={"size": 12},
            cliponaxis=False,
        )
