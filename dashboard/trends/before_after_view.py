"""Before and after a date on screen and on paper: which figures changed, in words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from analysis.trends.before_after import Change
from analysis.trends.measures import FLAGS
from dashboard.elements import wide
from dashboard.markup import from_html
from dashboard.trends import words
from dashboard.trends.sentences import figure
from dashboard.trends.view import Choice

MONTHS_OFFERED = 24


def reading(one: Change) -> str:
    """Return what a ratio and its interval say."""
    if math.isnan(one.ratio):
        return "Nothing to compare."
    if not one.clear:
        return "No clear change."
    return "Less than before." if one.high < 1.0 else "More than before."


def rows_of(found: Sequence[Change]) -> list[list[str]]:
    """Return one row of texts for each measure, as `HEADS` has them."""
    rows = []
    for one in found:
        title = words.FLAG.get(one.measure) or words.AMOUNT[one.measure]
        if one.measure in FLAGS:
            sides = [f"{one.before:,.0f} of {one.wears_before:,}", f"{one.after:,.0f} of {one.wears_after:,}"]
        else:
            sides = [figure(one.before), figure(one.after)]
        high = "no limit" if math.isinf(one.high) else figure(one.high)
        ends = f"{figure(one.low)} to {high}"
        ratio = "–" if not math.isfinite(one.ratio) else figure(one.ratio)
        adjusted = "kind, task, season" if one.season else "kind, task"
        rows.append([title, *sides, ratio, ends, adjusted, reading(one)])
    return rows


def lead(found: Sequence[Change], since: date) -> str:
    """Return the sentence above the table."""
    if not found:
        return words.CHANGE_TOO_FEW.format(since=since)
    return words.CHANGE_LEAD.format(since=since, before=found[0].wears_before, after=found[0].wears_after)


def section(wears: pl.DataFrame, choice: Choice, found: Sequence[Change]) -> Any:
    """Return the section of the page; without a chosen day it offers the first days of months."""
    days = wears["started"].drop_nulls().dt.truncate("1mo").dt.date().unique().sort(descending=True)
    (panel,) = from_html(
        Path(__file__).with_name("before_after.html.j2"),
        **{"words": words, "choice": choice, "days": map(str, days.head(MONTHS_OFFERED))},
        lead=lead(found, date.fromisoformat(choice.since)) if choice.since else "",
        found=wide(words.HEADS["changes"], rows_of(found)) if found else None,
    )
    return panel
