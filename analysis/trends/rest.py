"""Rest between wears: every rule of the profile that is on, applied to each wearer over all incidents."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import msgspec
import polars as pl

from analysis.profile import Rest, RestRule


@dataclass(frozen=True)
class ShortRest:
    """A wear that began before the rest that a rule asks for was over.

    Attributes
    ----------
    rule : str
        Its name in the profile.
    reached : str
        What made the rest due: ``cylinders``, ``work``, ``hard`` or ``heat``.
    amount : float
        How much of it there was.
    rested_min, rest_min : float
        Rest that was taken, and that the rule asks for.
    """

    rule: str
    wearer_id: str
    wear_id: str
    started: datetime
    reached: str
    amount: float
    rested_min: float
    rest_min: float
    source: str


def rules_in_force(rest: Rest) -> dict[str, RestRule]:
    """Return the rules that are on, by name."""
    every = {name: getattr(rest, name) for name in msgspec.structs.asdict(rest)}
    return {name: rule for name, rule in every.items() if rule.on}


def short_rests(wears: pl.DataFrame, rest: Rest) -> list[ShortRest]:
    """Return every wear that began too soon, newest first.

    Work, cylinders, hard breathing and heat dose add up over a wearer's wears until a rest of the rule's
    length; the next wear after the threshold is judged. A wearer is one pseudonym; untallied wears are
    nobody's.
    """
    rules = rules_in_force(rest)
    # Only who began again within the longest rest can have broken a rule: the rest need no loop.
    longest = max((rule.rest_min for rule in rules.values()), default=0.0)
    known = wears.filter(
        pl.col("wearer_id").is_not_null() & pl.col("started").is_not_null() & pl.col("ended").is_not_null()
    ).sort("wearer_id", "started")
    pause = pl.col("started") - pl.col("ended").shift(1).over("wearer_id")
    rested = pause.dt.total_microseconds() / 60e6
    chain = (rested.is_null() | (rested >= longest)).cum_sum()
    known = known.with_columns(rested.alias("rested"), chain.alias("chain"))
    known = known.filter(pl.len().over("chain") > 1)
    columns = (
        "wearer_id",
        "wear_id",
        "started",
        "rested",
        "under_air_min",
        "hard_min",
        "heat_dose",
        "chain",
    )
    rows = known.select(columns).rows(named=True)
    found = [one for name, rule in rules.items() for one in _applied(name, rule, rows)]
    return sorted(found, key=lambda one: (one.started, one.rule), reverse=True)


def _applied(name: str, rule: RestRule, rows: list[dict[str, Any]]) -> Iterator[ShortRest]:
    limits = {
        "cylinders": float(rule.after_cylinders),
        "work": rule.after_work_min,
        "hard": rule.after_hard_min,
        "heat": rule.after_heat_dose,
    }
    sums = dict.fromkeys(limits, 0.0)
    chain = None
    for row in rows:
        if row["chain"] != chain or row["rested"] >= rule.rest_min:
            chain, sums = row["chain"], dict.fromkeys(limits, 0.0)
        else:
            due = next((what for what, limit in limits.items() if limit and sums[what] >= limit), None)
            if due is not None:
                yield ShortRest(
                    name,
                    row["wearer_id"],
                    row["wear_id"],
                    row["started"],
                    due,
                    sums[due],
                    max(row["rested"], 0.0),
                    rule.rest_min,
                    rule.source,
                )
        sums["cylinders"] += 1.0
        sums["work"] += row["under_air_min"] or 0.0
        sums["hard"] += row["hard_min"] or 0.0
        sums["heat"] += row["heat_dose"] or 0.0
