"""What is due: test dates of sets and cylinders (from the roster's folder), and each person's training."""

from __future__ import annotations

import calendar
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from analysis.profile import Training
from analysis.trends.roster import BadRoster, day_of, known_keys, lines_of, read_text, word_of

TOML_NAME, CSV_NAME = "roster.toml", "equipment.csv"
WHAT = ("set", "cylinder")
KEYS = ("what", "id", "test", "done", "due")
SOON_DAYS = 60
"""A test is due soon so many days ahead. Our own rule."""

EQUIPMENT = pl.Schema(
    [("what", pl.String), ("id", pl.String), ("test", pl.String), ("done", pl.Date), ("due", pl.Date)]
)
"""One line for each test of a set or cylinder: what it is, when it was done last, when it is due."""


def equipment_beside(folder: Path) -> pl.DataFrame:
    """Return the test dates in a folder: `[[equipment]]` of roster.toml and the lines of equipment.csv.

    A line has `what` (set or cylinder), `id`, `due`, and may have `test` and `done`.

    Raises `BadRoster` with the line, the value and what was expected.
    """
    rows = []
    for path in (folder / TOML_NAME, folder / CSV_NAME):
        if path.is_file():
            form = path.suffix.removeprefix(".")
            lines = lines_of(read_text(path), path.name, form, "equipment", KEYS, ("what", "id", "due"))
            rows += [_row(line, f"{path.name}, equipment {number}") for number, line in enumerate(lines, 1)]
    return pl.DataFrame(rows, schema=EQUIPMENT, orient="row").sort("due", "what", "id", "test")


def _row(line: Mapping[str, Any], where: str) -> tuple[Any, ...]:
    known_keys(line, KEYS, where)
    if line.get("what") not in WHAT:
        raise BadRoster(f"{where}: what must be set or cylinder, got {line.get('what')!r}")
    name, due = word_of(line, "id", where), day_of(line, "due", where)
    if name is None or due is None:
        raise BadRoster(f"{where}: id and due are needed, such as id S-014 and due 2031-04-01")
    return line["what"], name, word_of(line, "test", where) or "", day_of(line, "done", where), due


TRAINING_KINDS = ("drill", "training")
"""Incidents do not count as training. Our own rule."""


def training_of(
    wears: pl.DataFrame, roster: pl.DataFrame, year: int, today: date, rule: Training
) -> pl.DataFrame:
    """Return one line a person, who lacks most first.

    - `wears`: the ledger's, with `station`.
    - `roster`: who is on it on the last day that counts appears without any wear, too
      (`analysis.trends.roster`).
    - `today`: a year that is not over counts until this day.

    Returns `wearer_id`, `station`, `wears`, `hours`, `last` (newest wear that counts, or null),
    `missing_wears`, `missing_hours` (0: nothing), `behind` (lacks something and has less than the part of the
    year that is over asks for).
    """
    last_day = min(today, date(year, 12, 31))
    days = 366 if calendar.isleap(year) else 365
    part = max(0, (last_day - date(year, 1, 1)).days + 1) / days
    counted = wears.filter(
        pl.col("wearer_id").is_not_null()
        & (pl.col("started").dt.year() == year)
        & (pl.col("started").dt.date() <= last_day)
    )
    own = pl.col("kind").is_in(TRAINING_KINDS)
    sums = counted.group_by("wearer_id").agg(
        own.sum().cast(pl.Int64).alias("wears"),
        (pl.col("under_air_min").filter(own).sum() / 60.0).alias("hours"),
        pl.col("started").filter(own).max().alias("last"),
        pl.col("station").drop_nulls().last().alias("worked_at"),
    )
    sums = sums.with_columns(pl.col("wearer_id", "worked_at").cast(pl.String))
    here = roster.filter((pl.col("from") <= last_day) & (pl.col("until") >= last_day))
    people = here.select("wearer_id", "station").unique("wearer_id", keep="last")
    table = people.join(sums, on="wearer_id", how="full", coalesce=True).with_columns(
        pl.coalesce("station", "worked_at").alias("station"),
        pl.col("wears").fill_null(0),
        pl.col("hours").fill_null(0.0),
    )
    missing_wears = pl.max_horizontal(rule.wears_a_year - pl.col("wears"), 0)
    missing_hours = pl.max_horizontal(rule.hours_a_year - pl.col("hours"), 0.0)
    short = (pl.col("wears") < part * rule.wears_a_year) | (pl.col("hours") < part * rule.hours_a_year)
    return (
        table.with_columns(
            missing_wears.cast(pl.Int64).alias("missing_wears"),
            missing_hours.alias("missing_hours"),
            short.alias("behind"),
        )
        .drop("worked_at")
        .sort("missing_hours", "missing_wears", "wearer_id", descending=[True, True, False])
    )
