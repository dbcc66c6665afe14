"""What leaves the house: tables of counts and rates in which small counts are withheld.

Every count of one kind (wears, exits below the warning, ...) is one system: months add up to years, and so do
stations, roles and kinds; all years add up to the whole. `analysis.trends.withholding` decides over each
system together. Where a line's wears are withheld, everything in it is. Wearers do not appear.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from analysis.profile import Profile
from analysis.trends.comparisons import SET_MEASURES, Signal, set_counts, signals
from analysis.trends.forecast_audit import Ahead, audited
from analysis.trends.ledger import Ledger
from analysis.trends.measures import AMOUNTS, EVENTS, RATES, by_month, sums_by
from analysis.trends.planning import QUANTILES, planning_rates
from analysis.trends.rest import rules_in_force, short_rests
from analysis.trends.statistics import rate_per
from analysis.trends.withholding import Sum, withheld

ALL = "all"
PARTS = ("station", "role", "kind")
COUNTS = ("wears", *EVENTS)
RATE_COLUMNS = tuple(f"{event}_{end}" for event in EVENTS for end in ("rate", "low", "high"))
AHEAD_COUNTS = ("said", "known", "inside", "early", "late", "not_early", "of_early")


@dataclass(frozen=True)
class Audit:
    """Tables to be handed out.

    Attributes
    ----------
    tables : dict of str to DataFrame
        ``by_month``, ``by_part``, ``planning_rates``, ``sets``, ``forecasts``, ``rest``, ``standing_out``;
        a withheld count is null, and `withheld` says so for its line.
    smallest_count : int
    comparisons : int
        How many were made to find what stands out.
    """

    tables: dict[str, pl.DataFrame]
    smallest_count: int
    comparisons: int


def audit(ledger: Ledger, profile: Profile) -> Audit:
    """Return the tables of a ledger whose wears have `station` and `role` (`analysis.trends.roster`)."""
    wears, smallest = (
        ledger["wears"].filter(pl.col("started").is_not_null()),
        profile.withholding.smallest_count,
    )
    months, parts = _months(wears), _parts(wears)
    sets = _sets(wears, ledger["set_events"])
    hidden = {"wears": _hidden("wears", months, parts, sets, smallest, None)}
    for event in EVENTS:
        hidden[event] = _hidden(event, months, parts, sets, smallest, hidden["wears"])
    found, comparisons = signals(wears, ledger["set_events"]) if len(wears) else ([], 0)
    parts_shown = _shown(parts, hidden, "by_part")
    tables = {
        "by_month": _shown(months, hidden, "by_month"),
        "by_part": parts_shown,
        "planning_rates": _planning(wears, smallest),
        "sets": _sets_shown(sets, hidden["wears"]["sets"]),
        "forecasts": _forecasts(audited(ledger["forecasts"]), smallest),
        "rest": _rest(wears, profile, smallest),
        "standing_out": _standing_out(found, parts_shown, hidden["wears"]["sets"], sets),
    }
    return Audit(tables, smallest, comparisons)


def _months(wears: pl.DataFrame) -> pl.DataFrame:
    months = by_month(wears)
    if not len(months):
        return pl.DataFrame(schema={"year": pl.String, "month": pl.String})
    year = pl.col("month").dt.year().cast(pl.String).alias("year")
    return months.with_columns(year, pl.col("month").dt.strftime("%Y-%m")).select("year", pl.exclude("year"))


def _parts(wears: pl.DataFrame) -> pl.DataFrame:
    """One line for the service and for each station, role and kind, by year and over all."""
    lots = []
    year = pl.col("started").dt.year().cast(pl.String).alias("year")
    every = pl.lit(ALL).alias("year")
    for part in ("service", *PARTS):
        if part != "service" and (part not in wears.columns or not wears[part].null_count() < len(wears)):
            continue
        name = pl.lit(ALL) if part == "service" else pl.col(part).fill_null("not known")
        for period in (year, every):
            sums = sums_by(wears, name.alias("name"), period)
            lots.append(sums.select(pl.lit(part).alias("part"), pl.all()))
    return pl.concat(lots) if lots else pl.DataFrame(schema={"part": pl.String})


def _sets(wears: pl.DataFrame, set_events: pl.DataFrame) -> pl.DataFrame:
    return set_counts(wears, set_events).filter(pl.col("set_id").is_not_null())


def _hidden(
    measure: str,
    months: pl.DataFrame,
    parts: pl.DataFrame,
    sets: pl.DataFrame,
    smallest: int,
    no_wears: Mapping[str, np.ndarray[Any, Any]] | None,
) -> dict[str, np.ndarray[Any, Any]]:
    """Return which counts of one measure are withheld, for each table in the order of its lines.

    `no_wears` says whose wears are withheld: as many events would tell that there were as many wears.
    """
    counts: list[int] = []
    cells: dict[tuple[str, str, str], int] = {}

    def add(table: pl.DataFrame, keys: Sequence[tuple[str, str, str]]) -> slice:
        first = len(counts)
        for key, count in zip(keys, table[measure].to_list() if len(table) else [], strict=True):
            cells[key] = len(counts)
            counts.append(int(count))
        return slice(first, len(counts))

    of_parts = add(parts, [(r["part"], r["name"], r["year"]) for r in parts.iter_rows(named=True)])
    of_months = add(months, [("month", r["month"], r["year"]) for r in months.iter_rows(named=True)])
    with_sets = measure == "wears" and len(sets)
    of_sets = add(sets, [("set", name, ALL) for name in sets["set_id"]]) if with_sets else slice(0, 0)
    sums = list(_sums(cells))
    also = None if no_wears is None else np.concatenate([no_wears["by_part"], no_wears["by_month"]])
    mask = withheld(counts, sums, smallest, also) if counts else np.zeros(0, dtype=bool)
    return {"by_part": mask[of_parts], "by_month": mask[of_months], "sets": mask[of_sets]}


def _sums(cells: Mapping[tuple[str, str, str], int]) -> list[Sum]:
    """Return every relation among the published counts: parts to years, years to the whole."""
    found: dict[int, dict[str, list[int]]] = {}

    def tie(total: tuple[str, str, str], what: str, cell: int) -> None:
        if total in cells:
            found.setdefault(cells[total], {}).setdefault(what, []).append(cell)

    for (part, name, year), cell in cells.items():
        if part == "service":
            if year != ALL:
                tie(("service", ALL, ALL), "years", cell)
            continue
        tie(("service", ALL, year), part, cell)
        if year != ALL and part != "month":
            tie((part, name, ALL), "years", cell)
    return [Sum(total, tuple(parts)) for total, ways in found.items() for parts in ways.values()]


def _shown(table: pl.DataFrame, hidden: Mapping[str, Mapping[str, Any]], name: str) -> pl.DataFrame:
    """Add rates, and empty what is withheld and what would tell it."""
    if not len(table):
        return table
    rows = []
    for row in table.iter_rows(named=True):
        for event in EVENTS:
            exposure, per = RATES[event]
            rate = rate_per(row[event], row[exposure], per)
            for end in ("rate", "low", "high"):
                row[f"{event}_{end}"] = getattr(rate, end) if rate else None
        rows.append(row)
    shown = pl.DataFrame(rows, schema={**table.schema, **dict.fromkeys(RATE_COLUMNS, pl.Float64)})
    no_wears = pl.Series(hidden["wears"][name])
    any_hidden = no_wears
    for event in EVENTS:
        events = pl.Series(hidden[event][name])
        any_hidden = any_hidden | events
        shown = shown.with_columns(
            pl.when(events).then(None).otherwise(pl.col(event)).alias(event),
            *(
                pl.when(events | no_wears).then(None).otherwise(pl.col(column)).alias(column)
                for column in (f"{event}_{end}" for end in ("rate", "low", "high"))
            ),
        )
    with_wears = ("wears", "hours", *AMOUNTS)
    shown = shown.with_columns(
        pl.when(no_wears).then(None).otherwise(pl.col(column)).alias(column) for column in with_wears
    )
    # The sum of doses beside their mean would tell how many wears had a sensor, a count of its own.
    mean = (pl.col("heat_dose") / pl.col("heat_dose_wears")).fill_nan(None).alias("heat_dose_a_wear")
    return shown.with_columns(mean, any_hidden.alias("withheld")).drop(
        "wearers", "heat_dose_wears", "heat_dose"
    )


def _planning(wears: pl.DataFrame, smallest: int) -> pl.DataFrame:
    """Median, 90th and 95th percentile by task; a task of few wears has no line of its own."""
    rates = planning_rates(wears)
    sizes = {one.task: one.wears for one in rates}
    tasks = [task for task in sizes if task]
    schema = {
        "task": pl.String,
        "quantile": pl.Float64,
        "wears": pl.Int64,
        "rate_l_min": pl.Float64,
        "low_l_min": pl.Float64,
        "high_l_min": pl.Float64,
    }
    if not rates:
        return pl.DataFrame(schema=schema)
    # What is left over (no task, or one too rare to be listed) is a part of the whole as well.
    rest = sizes[""] - sum(sizes[task] for task in tasks)
    counts = [sizes[""], *(sizes[task] for task in tasks), rest]
    mask = withheld(counts, [Sum(0, tuple(range(1, len(counts))))], smallest)
    away = {task for task, gone in zip(["", *tasks], mask, strict=False) if gone}
    rows = [
        (one.task or ALL, one.quantile, one.wears, one.rate_l_min, one.low_l_min, one.high_l_min)
        for one in rates
        if one.task not in away and one.quantile in QUANTILES
    ]
    return pl.DataFrame(rows, schema=schema, orient="row")


def _sets_shown(sets: pl.DataFrame, hidden: np.ndarray[Any, Any]) -> pl.DataFrame:
    """Sets whose wears are withheld keep only whether something was found, not how often."""
    away = pl.Series(hidden)
    some = pl.any_horizontal(pl.col(name) > 0 for name in SET_MEASURES).alias("something_found")
    numbers = ("wears", "silent_min", "decline", *SET_MEASURES)
    return sets.select(
        "set_id",
        some,
        *(pl.when(away).then(None).otherwise(pl.col(name)).alias(name) for name in numbers),
        away.alias("withheld"),
    )


def _forecasts(account: list[Ahead], smallest: int) -> pl.DataFrame:
    width = len(AHEAD_COUNTS)
    counts = [getattr(one, name) for one in account for name in AHEAD_COUNTS]
    place = {name: number for number, name in enumerate(AHEAD_COUNTS)}
    sums = []
    for line in range(len(account)):
        at = {name: line * width + number for name, number in place.items()}
        sums.append(Sum(at["known"], (at["inside"], at["early"], at["late"])))
        sums.append(Sum(at["of_early"], (at["not_early"], at["early"])))
    if len(account) > 1:
        sums += [
            Sum(number, tuple(line * width + number for line in range(1, len(account))))
            for number in place.values()
        ]
    mask = withheld(counts, sums, smallest)
    rows = []
    for line, one in enumerate(account):
        gone = mask[line * width : (line + 1) * width]
        shown = [None if away else getattr(one, name) for away, name in zip(gone, AHEAD_COUNTS, strict=True)]
        told = None if gone[place["known"]] else one.error_min
        rows.append((ALL if one.ahead_min == 0 else str(one.ahead_min), *shown, told, bool(gone.any())))
    names = ("ahead_min", *AHEAD_COUNTS, "median_error_min", "withheld")
    types = [pl.String, *[pl.Int64] * width, pl.Float64, pl.Boolean]
    return pl.DataFrame(rows, schema=dict(zip(names, types, strict=True)), orient="row")


def _rest(wears: pl.DataFrame, profile: Profile, smallest: int) -> pl.DataFrame:
    found = short_rests(wears, profile.rest)
    rows = []
    for name, rule in rules_in_force(profile.rest).items():
        count = sum(one.rule == name for one in found)
        small = 0 < count < smallest
        rows.append((name, rule.rest_min, None if small else count, small, rule.from_memory, rule.source))
    names = ("rule", "rest_min", "too_short", "withheld", "from_memory", "source")
    types = (pl.String, pl.Float64, pl.Int64, pl.Boolean, pl.Boolean, pl.String)
    return pl.DataFrame(rows, schema=dict(zip(names, types, strict=True)), orient="row")


def _standing_out(
    found: Sequence[Signal], parts: pl.DataFrame, hidden_sets: np.ndarray[Any, Any], sets: pl.DataFrame
) -> pl.DataFrame:
    """What stands out, persons left out; its figures only where the line that they come from is shown."""
    names_of_hidden_sets = set(sets["set_id"].filter(pl.Series(hidden_sets))) if len(sets) else set()
    rows = []
    for one in found:
        if one.part == "wearer":
            continue
        shown = one.name not in names_of_hidden_sets
        if one.part != "set":
            # Its own figure and that of the rest together give the whole: all three are shown, or none.
            lines = parts.filter(
                (pl.col("year") == ALL)
                & (
                    ((pl.col("part") == one.part) & (pl.col("name") == (one.name or ALL)))
                    | (pl.col("part") == "service")
                )
            )
            column = one.measure if one.measure in lines.columns else "wears"
            shown = bool(len(lines)) and not lines[column].null_count()
        rows.append(
            (
                one.part,
                one.name or None,
                one.measure,
                one.how,
                one.value if shown else None,
                one.rest if shown else None,
                # To one figure: from an exact chance the count behind it could be found.
                float(f"{max(one.false_rate, 1e-4):.0e}") if shown else None,
                not shown,
            )
        )
    names = ("part", "name", "measure", "how", "value", "rest", "false_rate", "withheld")
    types = (pl.String, pl.String, pl.String, pl.String, pl.Float64, pl.Float64, pl.Float64, pl.Boolean)
    return pl.DataFrame(rows, schema=dict(zip(names, types, strict=True)), orient="row")
