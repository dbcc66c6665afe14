"""The service's own tables: exact counts and rates for those who may see people. They must not leave it.

What may leave it is in `analysis.trends.cells`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import astuple, dataclass
from datetime import date
from typing import Any

import polars as pl

from analysis.profile import Profile
from analysis.trends.comparisons import Signal, Standing, signals
from analysis.trends.false_marks import FalseMarks
from analysis.trends.forecast_audit import ForecastLines, audited, lines_of
from analysis.trends.ledger import Ledger
from analysis.trends.measures import (
    FLAGS,
    MONTH,
    PER_WEARS,
    every_month,
    sums_by,
    wears_of,
    with_never_heard,
)
from analysis.trends.planning import PlanningRate, planning_rates
from analysis.trends.rest import rules_in_force, short_rests, training_of
from analysis.trends.sets import set_counts
from analysis.trends.statistics import Rate, binomial_rate

ALL, NOT_KNOWN = "all", "not known"
PARTS = ("station", "role", "kind")
RATE_COLUMNS = tuple(f"{flag}_{end}" for flag in FLAGS for end in Rate._fields)


@dataclass(frozen=True)
class Audit:
    """The tables of a ledger."""

    # ``by_month``, ``by_part``, ``planning_rates``, ``sets``, ``forecasts``, ``rest``, ``standing_out``,
    # ``smallest_effects``.
    tables: dict[str, pl.DataFrame]
    # What stands out, of how many comparisons, and the smallest effects that would have been seen.
    standing: Standing
    rates: dict[str, list[PlanningRate]]  # of each task


def audit(
    ledger: Ledger,
    unheard: pl.DataFrame,
    profile: Profile,
    forecasts: ForecastLines | None = None,
    falls: pl.DataFrame | None = None,
) -> Audit:
    """Return the tables of a ledger whose wears have `station` and `role` (`analysis.trends.roster`).

    - `unheard`: entries of people who were never heard under air, as the wears (`ledger.was_heard`).
    - `forecasts` and `falls` (`falls_between_wears`): the ledger's, where the caller has them already.
    """
    if forecasts is None:
        forecasts = lines_of(ledger["forecasts"], ledger["wears"])
    wears = ledger["wears"].filter(pl.col("started").is_not_null())
    standing, rates = signals(wears, ledger["set_events"], falls), planning_rates(wears)
    tables = {
        "by_month": _with_rates(_months(wears, unheard)),
        "by_part": _with_rates(_parts(wears, unheard)),
        "planning_rates": _planning(rates),
        "sets": set_counts(wears, ledger["set_events"], falls).filter(pl.col("set_id").is_not_null()),
        "forecasts": _forecasts(forecasts),
        "rest": _rest(wears, profile),
        "standing_out": _standing_out(standing.found),
        "smallest_effects": _smallest(standing),
    }
    return Audit(tables, standing, rates)


def _months(wears: pl.DataFrame, unheard: pl.DataFrame) -> pl.DataFrame:
    months = every_month(with_never_heard(sums_by(wears, MONTH), unheard, MONTH))
    if not len(months):
        return pl.DataFrame(schema={"month": pl.String})
    return months.with_columns(pl.col("month").dt.strftime("%Y-%m"))


def _parts(wears: pl.DataFrame, unheard: pl.DataFrame) -> pl.DataFrame:
    """One line for the service and for each station, role and kind, by year and over all."""
    lots = []
    year = pl.col("started").dt.year().cast(pl.String).alias("year")
    every = pl.lit(ALL).alias("year")
    for part in ("service", *PARTS):
        if part != "service" and (part not in wears.columns or not wears[part].null_count() < len(wears)):
            continue
        name = pl.lit(ALL) if part == "service" else pl.col(part).cast(pl.String).fill_null(NOT_KNOWN)
        for period in (year, every):
            groups = (name.alias("name"), period)
            sums = with_never_heard(sums_by(wears, *groups), unheard, *groups)
            lots.append(sums.select(pl.lit(part).alias("part"), pl.all()))
    return pl.concat(lots) if lots else pl.DataFrame(schema={"part": pl.String})


def _with_rates(table: pl.DataFrame) -> pl.DataFrame:
    if not len(table):
        return table
    rows = []
    for row in table.iter_rows(named=True):
        for flag in FLAGS:
            rate = binomial_rate(row[flag], wears_of(row, flag), PER_WEARS)
            row |= zip((f"{flag}_{end}" for end in Rate._fields), rate or (None,) * 3, strict=True)
        rows.append(row)
    mean = (pl.col("heat_dose") / pl.col("heat_dose_wears")).fill_nan(None).alias("heat_dose_a_wear")
    schema = pl.Schema({**table.schema, **dict.fromkeys(RATE_COLUMNS, pl.Float64())})
    return pl.DataFrame(rows, schema=schema).with_columns(mean)


def _table(rows: Sequence[Sequence[Any]], **columns: type) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=columns, orient="row")


def _planning(rates: Mapping[str, Sequence[PlanningRate]]) -> pl.DataFrame:
    rows = [(task or ALL, *astuple(one)) for task, of_task in rates.items() for one in of_task]
    ends = {"low_l_min": float, "high_l_min": float}
    return _table(rows, task=str, quantile=float, wears=int, rate_l_min=float, **ends)


def _forecasts(forecasts: ForecastLines) -> pl.DataFrame:
    names = ("said", "known", "inside", "early", "late", "not_early", "of_early")
    rows = [
        (str(one.ahead_min or ALL), *(getattr(one, name) for name in names), one.error_min)
        for one in audited(forecasts)
    ]
    return _table(rows, ahead_min=str, **dict.fromkeys(names, int), median_error_min=float)


def _rest(wears: pl.DataFrame, profile: Profile) -> pl.DataFrame:
    found = short_rests(wears, profile.rest)
    rows = [
        (name, rule.rest_min, sum(one.rule == name for one in found), rule.from_memory, rule.source)
        for name, rule in rules_in_force(profile.rest).items()
    ]
    return _table(rows, rule=str, rest_min=float, too_short=int, from_memory=bool, source=str)


def _standing_out(found: Sequence[Signal]) -> pl.DataFrame:
    rows = [
        (one.part, one.name or None, one.measure, one.how, one.value, one.rest, one.false_rate)
        for one in found
    ]
    figures = {"value": float, "rest": float, "false_rate": float}
    return _table(rows, part=str, name=str, measure=str, how=str, **figures)


def _smallest(standing: Standing) -> pl.DataFrame:
    """One line a kind of comparison: what would be named 8 times in 10, of the lower quartile."""
    rows = [(part, one.expected, one.count, one.ratio) for part, one in standing.smallest.items() if one]
    return _table(rows, part=str, expected=float, count=int, times_expected=float)


def duties_tables(
    wears: pl.DataFrame, roster: pl.DataFrame, equipment: pl.DataFrame, profile: Profile, day: date
) -> dict[str, pl.DataFrame]:
    """Return ``training`` in the year of a day, and ``tests`` of sets and cylinders as due on that day.

    Each only where there is something to say: a yearly minimum in the profile, dates in the roster.
    """
    found = {}
    rule = profile.training
    if rule.hours_a_year or rule.wears_a_year:
        found["training"] = training_of(wears, roster, day.year, day, rule)
    if len(equipment):
        late = (pl.lit(day) - pl.col("due")).dt.total_days()
        found["tests"] = equipment.with_columns(late.alias("overdue_days"))
    return found


def chance_table(measured: FalseMarks) -> pl.DataFrame:
    """Return how often chance named somebody, and marked a chart, in ledgers without a difference."""
    counts = (("names somebody", measured.naming), ("marks a month or a trend", measured.marking))
    rows = [
        (what, count, measured.drawn, *share)
        for (what, count), share in zip(counts, measured.shares(), strict=True)
    ]
    return _table(rows, what=str, ledgers=int, drawn=int, share=float, at_most=float)
