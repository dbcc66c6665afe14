"""What is due: each person's training in the year, and the tests of sets and cylinders."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

import polars as pl
from dash import html

from analysis.profile import Profile
from analysis.trends.comparisons import Signal
from analysis.trends.duties import SOON_DAYS, overdue_days, training_of
from dashboard.elements import listing, panel
from dashboard.rows import cell, count, number
from dashboard.trends import sentences, words
from dashboard.trends.view import Choice, TrendsLook
from ingest.plurals import counted

PEOPLE_AT_ONCE, TESTS_AT_ONCE = 20, 12


def training(look: TrendsLook, choice: Choice, profile: Profile, today: date) -> Any:
    """Return each person's training in the chosen year (else this one), who lacks most first."""
    rule = profile.training
    if not rule.hours_a_year and not rule.wears_a_year:
        none = html.P(words.NO_MINIMUM, className="note")
        return panel(words.TRAINING_TITLE.format(year=""), none, name="trends-training")
    year = int(choice.year) if choice.year else today.year
    table = training_of(look.ledger["wears"], look.roster, year, today, rule)
    if choice.station:
        table = table.filter(pl.col("station") == choice.station)
    rows = [
        [
            row["wearer_id"],
            row["station"] or "–",
            count(row["wears"]),
            number(row["hours"], "", 1),
            "–" if row["last"] is None else f"{row['last']:%Y-%m-%d}",
            cell(_lack(row), value=row["missing_hours"] + row["missing_wears"]),
            words.BEHIND if row["behind"] else words.ON_COURSE,
        ]
        for row in table.iter_rows(named=True)
    ]
    lacking = table.filter((pl.col("missing_hours") > 0) | (pl.col("missing_wears") > 0))
    note = words.TRAINING_NOTE.format(
        lacking=len(lacking),
        people=counted(len(table), "person", "people"),
        behind=int(table["behind"].sum()),
        asked=_asked(rule.hours_a_year, rule.wears_a_year),
        day=min(today, date(year, 12, 31)),
    )
    return listing(
        "trends-training",
        words.TRAINING_TITLE.format(year=f" {year}"),
        words.TRAINING_HEADS,
        rows,
        note=note,
        search=(words.FIND, words.FIND_WEARER),
        numeric=(2, 3),
        at_once=PEOPLE_AT_ONCE,
    )


def _asked(hours: float, wears: int) -> str:
    told = [f"{hours:g} hours"] if hours else []
    return " and ".join([*told, *([counted(wears, "wear")] if wears else [])])


def _lack(row: dict[str, Any]) -> str:
    told = [f"{row['missing_hours']:.1f} h"] if row["missing_hours"] > 0 else []
    told += [counted(row["missing_wears"], "wear")] if row["missing_wears"] > 0 else []
    return " and ".join(told) or words.NOTHING_MISSING


def equipment(look: TrendsLook, found: Sequence[Signal], today: date) -> Any:
    """Return the tests of sets and cylinders, the longest overdue first, beside how a set stands out."""
    if not len(look.equipment):
        return panel(words.TESTS_TITLE, html.P(words.NO_TESTS, className="note"), name="trends-tests")
    why: dict[str, list[str]] = {}
    for one in found:
        if one.part == "set":
            why.setdefault(one.name, []).append(sentences.MEASURE[one.measure])
    wears = look.ledger["wears"].select("set_id", "started").drop_nulls()
    last = dict(wears.group_by("set_id").agg(pl.col("started").max()).iter_rows())
    rows, overdue = [], 0
    for row in look.equipment.iter_rows(named=True):
        late = overdue_days(row["due"], today)
        overdue += late > 0
        worn = last.get(row["id"]) if row["what"] == "set" else None
        rows.append(
            [
                f"{words.EQUIPMENT[row['what']]} {row['id']}",
                row["test"] or "–",
                "–" if row["done"] is None else f"{row['done']}",
                f"{row['due']}",
                cell(_state(late), value=-late),
                "–" if worn is None else f"{worn:%Y-%m-%d}",
                f"◇ {'; '.join(why[row['id']])}" if row["what"] == "set" and row["id"] in why else "–",
            ]
        )
    return listing(
        "trends-tests",
        words.TESTS_TITLE,
        words.TEST_HEADS,
        rows,
        note=words.TESTS_NOTE.format(overdue=overdue, tests=counted(len(rows), "test")),
        search=(words.FIND, words.FIND_SET),
        at_once=TESTS_AT_ONCE,
    )


def _state(late: int) -> str:
    if late > 0:
        return words.OVERDUE.format(days=counted(late, "day"))
    if late > -SOON_DAYS:
        return words.DUE_SOON.format(days=counted(-late, "day"))
    return words.NOT_DUE
