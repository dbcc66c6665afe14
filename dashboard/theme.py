"""The one place for colours: CSS variables for pages, and plotly templates, each light and dark.

Hues follow Okabe and Ito (*Color Universal Design*, 2008), darkened or lightened until text in them keeps a
contrast of 4.5:1 (WCAG 2.2, 1.4.3) against the page; `test_live_theme.py` computes the ratios.
Colour is always the last cue: shape, word and position say the same before it.
"""

from pathlib import Path
from typing import Any, Literal

import msgspec

Theme = Literal["light", "dark"]

COLOURS: dict[str, list[str]] = msgspec.toml.decode(Path(__file__).with_suffix(".toml").read_bytes())
PALETTES: dict[Theme, dict[str, str]] = {
    "light": {name: light for name, (light, _) in COLOURS.items()},
    "dark": {name: dark for name, (_, dark) in COLOURS.items()},
}

# Inks that keep 3:1 (graphics, WCAG 2.2, 1.4.11) on both grounds: figures need no second set of traces.
CHART_BLUE = "#1f86c4"
CHART_GREY = "#808080"
CHART_ORANGE = "#c8641e"
CHART_GREEN = "#1b9270"
CHART_PURPLE = "#a069c4"
CHART_INKS = [CHART_BLUE, CHART_ORANGE, CHART_GREEN, CHART_PURPLE, CHART_GREY]

FONT_FAMILY = "system-ui, 'Segoe UI', 'Liberation Sans', 'DejaVu Sans', sans-serif"


def css() -> str:
    """Return the style sheet with every colour as a variable, served as `/theme.css`."""

    def variables(theme: Theme) -> str:
        pairs = (f"  --{name.replace('_', '-')}: {value};\n" for name, value in PALETTES[theme].items())
        return f"{''.join(pairs)}  color-scheme: {theme};\n"

    return (
        f":root {{\n{variables('light')}  --font: {FONT_FAMILY};\n}}\n"
        # Dark on a screen only: its light inks would be lost on paper.
        "@media screen and (prefers-color-scheme: dark) { :root:not([data-theme=light]) {\n"
        f"{variables('dark')}}} }}\n"
        f"@media screen {{ :root[data-theme=dark] {{\n{variables('dark')}}} }}\n"
    )


def chart_template() -> dict[str, Any]:
    """Return the template of every figure, for `layout={"template": ...}`: transparent ground, calm grid.

    On a page the colours of text and grid follow the page's theme by `shell.css`.
    """
    palette = PALETTES["light"]
    axis = {
        "gridcolor": palette["line"],
        "linecolor": palette["grid"],
        "zerolinecolor": palette["grid"],
        "ticks": "outside",
        "tickcolor": palette["grid"],
        "automargin": True,
        "title": {"standoff": 6},
    }
    return {
        "layout": {
            "paper_bgcolor": "rgba(0,0,0,0)",
            "plot_bgcolor": "rgba(0,0,0,0)",
            "font": {"family": FONT_FAMILY, "size": 13, "color": palette["ink"]},
            "colorway": CHART_INKS,
            "margin": {"l": 60, "r": 16, "t": 28, "b": 40},
            "xaxis": axis,
            "yaxis": axis,
            "hoverlabel": {"font": {"family": FONT_FAMILY, "color": palette["ink"]}},
            "shapedefaults": {"opacity": 1},
            "modebar": {"remove": ["sendChartToCloud"]},
        }
    }


# Every dcc.Graph takes this: no button that would send a chart to an outside address, no logo.
GRAPH_CONFIG: dict[str, object] = {
    "displaylogo": False,
    "plotlyServerURL": "",
    "modeBarButtonsToRemove": ["sendChartToCloud", "lasso2d", "select2d"],
}
