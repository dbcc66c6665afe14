"""The layout of every sheet: one page of A4, one HTML file without a script, made from a template."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from datetime import datetime
from functools import cache
from importlib.metadata import version
from importlib.resources import files
from typing import Any, NamedTuple

import jinja2

from analysis.profile import Profile
from analysis.trends.audit import WORDS
from dashboard.review.drawing import nice_ceiling
from dashboard.trends import sentences, words
from dashboard.words import CAUTION

BEFORE = {"month": 12, "year": 3}
"""How many months or years before are averaged."""
MONTHS_DRAWN = 36
CHART_WIDTH, CHART_HEIGHT, LEFT, BOTTOM, TOP = 330.0, 66.0, 34.0, 14.0, 6.0


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
