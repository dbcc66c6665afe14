"""Rest between wears: every rule of the profile that is on, applied to each wearer over all incidents."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import msgspec
import polars as pl

from analysis.profile import Rest, RestRule
from analysis.wears.valve import CHANGED_RISE_BAR

PAUSE_OF_A_WEAR_MIN = 2.0
"""Shorter pauses on the same cylinder are one wear: the set restarted, or a closed valve. Our own rule."""


@dataclass(frozen=True)
class ShortRest:
    """A wear that began before the rest that a rule asks for was over."""

    rule: str  # its name in the profile
    wearer_id: str
    wear_id: str
    after_wear_id: str  # the wear before the rest
    started: datetime
    reached: str  # what made the rest due: ``cylinders``, ``work``, ``hard`` or ``heat``.
    amount: float  # how much of it there was
    # `rested_min`, `rest_min`: rest that was taken, and that the rule asks for
    rested_min: float
    rest_min: float
    source: str
    from_memory: bool


NEEDED = (
    *("wearer_id", "wear_id", "set_id", "started", "ended", "start_bar", "end_bar"),
    *("under_air_min", "hard_min", "heat_dose"),
)
"""Columns of the ledger that rest is judged by."""
REACHED = {
    "cylinders": "{amount:.0f} cylinders",
    "work": "{amount:.0f} min under air",
    "hard": "{amount:.0f} min of hard breathing",
    "heat": "heat dose {amount:.2f}",
}


def reached_text(one: ShortRest) -> str:
    """Return what made the rest due, in words."""
    text = REACHED[one.reached].format(amount=one.amount)
    return text.removesuffix("s") if one.reached == "cylinders" and one.amount == 1 else text


def rules_in_force(rest: Rest) -> dict[str, RestRule]:
    """Return the rules that are on, by name."""
    return {name: rule for name, rule in msgspec.structs.asdict(rest).items() if rule.on}


def short_rests(wears: pl.DataFrame, rest: Rest) -> list[ShortRest]:
    """Return every wear that began too soon, newest first.

    Work, cylinders, hard breathing and heat dose add up over a wearer's wears until a rest of the rule's
    length; the next wear after the threshold is judged. A set that goes on with the cylinder that it had
    brings no new one. A wearer is one pseudonym; untallied wears are nobody's.
    """
    rules = rules_in_force(rest)
    # Only who began again within the longest rest can have broken a rule: the rest need no loop.
    longest = max((rule.rest_min for rule in rules.values()), default=0.0)
    known = wears.select(NEEDED).drop_nulls(["wearer_id", "started", "ended"]).sort("wearer_id", "started")
    before = {name: pl.col(name).shift(1).over("wearer_id") for name in ("ended", "set_id", "end_bar")}
    rested = (pl.col("started") - before["ended"]).dt.total_microseconds() / 60e6
    chain = (rested.is_null() | (rested >= longest)).cum_sum()
    same_cylinder = (before["set_id"] == pl.col("set_id")) & (
        pl.col("start_bar") <= before["end_bar"] + CHANGED_RISE_BAR
    )
    known = known.with_columns(
        rested.alias("rested"), chain.alias("chain"), same_cylinder.fill_null(value=False).alias("same")
    )
    known = known.filter(pl.len().over("chain") > 1)
    rows = known.drop("set_id", "ended", "start_bar", "end_bar").rows(named=True)
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
    chain, last = None, ""
    for row in rows:
        if row["chain"] != chain or row["rested"] >= rule.rest_min:
            chain, sums = row["chain"], dict.fromkeys(limits, 0.0)
        elif not (row["same"] and row["rested"] < PAUSE_OF_A_WEAR_MIN):
            due = next((what for what, limit in limits.items() if limit and sums[what] >= limit), None)
            if due is not None:
                yield ShortRest(
                    name,
                    row["wearer_id"],
                    row["wear_id"],
                    last,
                    row["started"],
                    due,
                    sums[due],
                    max(row["rested"], 0.0),
                    rule.rest_min,
                    rule.source,
                    rule.from_memory,
                )
        sums["cylinders"] += 0.0 if row["same"] else 1.0
        sums["work"] += row["under_air_min"] or 0.0
        sums["hard"] += row["hard_min"] or 0.0
        sums["heat"] += row["heat_dose"] or 0.0
        last = row["wear_id"]
