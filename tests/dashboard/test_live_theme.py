"""Every pair of colours that stands on a page keeps the contrast of WCAG 2.2, light and dark."""

from __future__ import annotations

import itertools

import pytest

from dashboard.theme import CHART_INKS, PALETTES, Theme, css

TEXT = [
    (ink, ground)
    for ground in ("page", "panel", "raised")
    for ink in ("ink", "muted", "act", "soon", "info", "silent", "good")
]
TEXT += [("act", "act_ground"), ("ink", "act_ground"), ("muted", "act_ground"), ("on_act", "act")]
TEXT += [("soon", "soon_ground"), ("ink", "soon_ground"), ("muted", "soon_ground")]
TEXT += [("silent", "silent_ground")]
GRAPHICS = [(ink, ground) for ground in ("page", "panel", "raised") for ink in ("edge", "focus", "air")]


def luminance(colour: str) -> float:
    """WCAG 2.2, relative luminance."""
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, contrast ratio."""
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def test_the_ratio_is_that_of_the_standard() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)  # WCAG 2.2: the largest there is
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)  # from memory: least grey for AA


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize(("ink", "ground"), TEXT)
def test_text_keeps_aa(theme: Theme, ink: str, ground: str) -> None:
    palette = PALETTES[theme]
    assert contrast(palette[ink], palette[ground]) >= 4.5  # WCAG 2.2, 1.4.3


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize(("ink", "ground"), GRAPHICS)
def test_graphics_keep_aa(theme: Theme, ink: str, ground: str) -> None:
    palette = PALETTES[theme]
    assert contrast(palette[ink], palette[ground]) >= 3.0  # WCAG 2.2, 1.4.11


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("ink", CHART_INKS)
def test_chart_inks_serve_both_themes(theme: Theme, ink: str) -> None:
    assert contrast(ink, PALETTES[theme]["panel"]) >= 3.0


def test_both_themes_name_the_same_colours_and_the_sheet_has_them() -> None:
    assert PALETTES["light"].keys() == PALETTES["dark"].keys()
    sheet = css()
    for theme, name in itertools.product(PALETTES, PALETTES["light"]):
        assert f"--{name.replace('_', '-')}: {PALETTES[theme][name]};" in sheet


def test_paper_has_the_inks_of_the_light_theme() -> None:
    dark = [line for line in css().splitlines() if ": dark)" in line or "=dark]" in line]
    assert len(dark) == css().count("color-scheme: dark;") == 2
    assert all(line.startswith("@media screen") for line in dark)
