"""Several wearers on one axis: their pressures, and under them their breathing rates."""

from __future__ import annotations

from dashboard.review import words
from dashboard.review.drawing import Drawing, draw_line, in_units, plain
from dashboard.review.lanes import PersonLanes
from dashboard.theme import CHART_BLUE, CHART_GREY, CHART_ORANGE, CHART_PURPLE

# Told apart by the dash as well as by the colour.
STYLES = (
    (CHART_BLUE, "solid", "──"),
    (CHART_ORANGE, "dash", "╌╌"),
    (CHART_GREY, "dot", "┈┈"),
    (CHART_PURPLE, "dashdot", "╌·"),
    (CHART_BLUE, "longdash", "— —"),
    (CHART_ORANGE, "dot", "┈┈"),
)
AIR_PX, RATE_PX, TITLE_PX, HEADING_PX = 112, 84, 19, 30


def draw_overlay(drawing: Drawing, people: list[PersonLanes], pressure_bar: float, rate_l_min: float) -> None:
    """Draw the estimates of air and rate of several people on one axis each.

    Parameters
    ----------
    pressure_bar, rate_l_min : float
        Ends of the scales.
    """
    units = drawing.view.units
    names = [
        f"{sign} {person.wearer_id or person.key}"
        for person, (_, _, sign) in zip(people, STYLES, strict=False)
    ]
    drawing.title(plain(f"{words.OVERLAY}: {' · '.join(names)}"), HEADING_PX, True)
    drawing.title(words.OVERLAY_AIR.format(**units.label), TITLE_PX)
    top = units.shown("pressure", pressure_bar)
    y = drawing.lane(AIR_PX, range=[0, top], nticks=4)
    for person, (colour, dash, _) in zip(people, STYLES, strict=False):
        air = in_units(person.air, units, "pressure")
        draw_line(drawing, air.x, air.middle, y, {"color": colour, "width": 1.6, "dash": dash})
    drawing.title(words.OVERLAY_RATE.format(**units.label), TITLE_PX)
    y = drawing.lane(RATE_PX, range=[0, units.shown("rate", rate_l_min)], nticks=4)
    for person, (colour, dash, _) in zip(people, STYLES, strict=False):
        rate = in_units(person.rate, units, "rate")
        draw_line(drawing, rate.x, rate.middle, y, {"color": colour, "width": 1.6, "dash": dash})
    drawing.depth_px += 6
