"""Units and meanings of the trends' tables, for their exports; `columns.toml` has the words."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from importlib.resources import files
from typing import Any

import polars as pl

from analysis.tables import Notes, Told
from analysis.trends.measures import PER_WEARS

THOUSANDTHS = "‰"
"""Wears with the event per 1000 wears."""
WORDS: dict[str, Any] = tomllib.loads(
    files("analysis.trends").joinpath("columns.toml").read_text(encoding="utf-8")
)


def everywhere(*, published: bool) -> dict[str, Told]:
    """Return unit and meaning of what every table calls alike; `published` as in `notes_of`."""
    found = {name: (unit, meaning) for name, (unit, meaning) in WORDS["everywhere"].items()}
    for name, (unit, what) in WORDS["amounts"].items():
        found[name] = (unit, f"{what}, sum")
        found[f"{name}_mean"] = (unit, f"{what}, {'mean, two figures' if published else 'mean a wear'}")
    for flag, what in WORDS["events"].items():
        rate = f"wears {what} per {PER_WEARS:.0f} wears"
        found[flag] = ("", f"wears {what}")
        found[f"never_heard_{flag}"] = ("", f"of the entries never heard, {what}, by voice or by an alarm")
        found[f"{flag}_rate"] = (THOUSANDTHS, rate)
        for end in ("low", "high"):
            found[f"{flag}_rate_{end}"] = (THOUSANDTHS, f"{rate}, {end} end of the range")
            alone = f"{end} end of the 95 % interval if wears are independent"
            inside = (THOUSANDTHS, f"{rate}, {alone}")
            found[f"{flag}_{end}"] = ("", f"wears {what}, {end} end of the range") if published else inside
    return found | ({"hours": ("h", "time under air, to 5 hours")} if published else {})


def notes_of(shown: Mapping[str, pl.DataFrame], *, published: bool) -> dict[str, Notes]:
    """Return unit and meaning of each column of tables.

    - `shown`: tables by name, such as ``by_month``.
    - `published`: whether they are those that may leave the service: their ends are ranges, not intervals.

    Raises `KeyError` when a column has none.
    """
    every = everywhere(published=published)
    found: dict[str, Notes] = {}
    for name, table in shown.items():
        own = every | {column: (unit, what) for column, (unit, what) in WORDS["own"].get(name, {}).items()}
        found[name] = {column: own[column] for column in table.columns}
    return found
