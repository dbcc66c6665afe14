"""What leaves the house: tables of counts and rates in which small counts are withheld.

Every count of one kind (wears, exits below the warning, ...) is one system: months add up to years, and so do
stations, roles and kinds; all years add up to the whole. Wears and exits are one together, since a wear ends
below the warning once at most. `analysis.trends.withholding` decides over each system together. Where the
wears of a line are not shown, nothing in it is; where those of the service are not, no count of another table
that is at most as many. Wearers do not appear.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

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
from analysis.trends.withholding import WITHHELD, Mask, Sum, Withheld, withheld

ALL, NOT_KNOWN = "all", "not known"
PARTS = ("station", "role", "kind")
COUNTS = ("wears", *EVENTS)
AT_MOST_ONCE = "low_air_exits"
"""A wear has one of these at most; the other events may come several times in a wear."""
RATE_COLUMNS = tuple(f"{event}_{end}" for event in EVENTS for end in ("rate", "low", "high"))
AHEAD_COUNTS = ("said", "known", "inside", "early", "late", "not_early", "of_early")


@dataclass(frozen=True)
class Audit:
    """Tables to be handed out.

    Attributes
    ----------
    tables : dict of str to DataFrame
        ``by_month``, ``by_part``, ``planning_rates``, ``sets``, ``forecasts``, ``rest``, ``standing_out``;
        a count that is not shown is null, and the column of its name with `_mark` has "<16" (small) or
        "withheld" (to protect others, or for its line's wears); `withheld` says whether its line has one.
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
    hidden = _hidden(months, parts, sets, smallest)
    no_total = any(
        mark is not None and (row["part"], row["year"]) == ("service", ALL)
        for mark, row in zip(hidden["wears"]["by_part"], parts.iter_rows(named=True), strict=True)
    )
    found, comparisons = signals(wears, ledger["set_events"]) if len(wears) else ([], 0)
    parts_shown, months_shown = _shown(parts, hidden, "by_part"), _shown(months, hidden, "by_month")
    tables = {
        "by_month": months_shown,
        "by_part": parts_shown,
        "planning_rates": _planning(wears, smallest, no_total=no_total),
        "sets": _sets_shown(sets, hidden["wears"].get("sets", [])),
        "forecasts": _forecasts(audited(ledger["forecasts"]), smallest, no_total=no_total),
        "rest": _rest(wears, profile, smallest, no_total=no_total),
        "standing_out": _standing_out(
            found, parts_shown, months_shown, hidden["wears"].get("sets", []), sets
        ),
    }
    return Audit(tables, smallest, comparisons)


def printed(table: pl.DataFrame) -> pl.DataFrame:
    """Return a table as it is printed: counts as text, each mark in the place of its count."""
    marked = [name for name in table.columns if f"{name}_mark" in table.columns]
    counts = (pl.coalesce(f"{name}_mark", pl.col(name).cast(pl.String)).alias(name) for name in marked)
    return table.with_columns(*counts).drop(f"{name}_mark" for name in marked)


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
        name = pl.lit(ALL) if part == "service" else pl.col(part).fill_null(NOT_KNOWN)
        for period in (year, every):
            sums = sums_by(wears, name.alias("name"), period)
            lots.append(sums.select(pl.lit(part).alias("part"), pl.all()))
    return pl.concat(lots) if lots else pl.DataFrame(schema={"part": pl.String})


def _sets(wears: pl.DataFrame, set_events: pl.DataFrame) -> pl.DataFrame:
    return set_counts(wears, set_events).filter(pl.col("set_id").is_not_null())


Marks = dict[str, list[str | None]]
"""For each table, what stands in place of a count of each line; None where it is shown."""


def _hidden(months: pl.DataFrame, parts: pl.DataFrame, sets: pl.DataFrame, smallest: int) -> dict[str, Marks]:
    """Return the marks of each measure."""
    wears = _System(months, parts, sets, ("wears", AT_MOST_ONCE))
    found, also = wears.decided(smallest, np.zeros(len(wears.counts), dtype=bool))
    while True:
        # Where wears are withheld, as many events would tell that there were as many wears.
        more = wears.of_the_same_line(also)
        if not (more & ~also).any():
            break
        found, also = wears.decided(smallest, more)
    hidden = {measure: wears.marks(found, measure, smallest) for measure in ("wears", AT_MOST_ONCE)}
    for event in EVENTS:
        if event != AT_MOST_ONCE:
            system = _System(months, parts, sets, (event,))
            no_wears = [
                mark is not None for name in ("by_part", "by_month") for mark in hidden["wears"][name]
            ]
            found, _ = system.decided(smallest, np.array(no_wears, dtype=bool))
            hidden[event] = system.marks(found, event, smallest)
    return hidden


class _System:
    """The counts of one or more measures in every table, in the order of their lines, and their relations."""

    def __init__(
        self, months: pl.DataFrame, parts: pl.DataFrame, sets: pl.DataFrame, measures: Sequence[str]
    ) -> None:
        self.counts: list[int] = []
        self._slices: dict[tuple[str, str], slice] = {}
        self._sums: list[Sum] = []
        self._pairs: list[tuple[int, int]] = []
        of_measure = []
        for measure in measures:
            cells: dict[tuple[str, str, str], int] = {}
            lots: list[tuple[str, pl.DataFrame, list[tuple[str, str, str]]]] = [
                ("by_part", parts, [(r["part"], r["name"], r["year"]) for r in parts.iter_rows(named=True)]),
                (
                    "by_month",
                    months,
                    [("month", r["month"], r["year"]) for r in months.iter_rows(named=True)],
                ),
            ]
            if measure == "wears" and len(sets):
                lots.append(("sets", sets, [("set", name, ALL) for name in sets["set_id"]]))
            for name, table, keys in lots:
                first = len(self.counts)
                for key, count in zip(keys, table[measure].to_list() if keys else [], strict=True):
                    cells[key] = len(self.counts)
                    self.counts.append(int(count))
                self._slices[measure, name] = slice(first, len(self.counts))
            self._sums += _sums(cells)
            of_measure.append(cells)
        for more in of_measure[1:]:
            self._pairs += [(of_measure[0][key], cell) for key, cell in more.items()]
        self._sums += [Sum(total, (part,), at_least=True) for total, part in self._pairs]

    def decided(self, smallest: int, also: Mask) -> tuple[Withheld, Mask]:
        """Return what is withheld when `also` is, and all that is hidden by it."""
        if not self.counts:
            nothing = np.zeros(0, dtype=bool)
            return Withheld(nothing, nothing), nothing
        found = withheld(self.counts, self._sums, smallest, also)
        return found, found.hidden

    def of_the_same_line(self, hidden: Mask) -> Mask:
        """Return `hidden` and the events, noughts apart, of every line whose wears are hidden."""
        more = hidden.copy()
        for wears, events in self._pairs:
            more[events] |= hidden[wears] and self.counts[events] > 0
        return more

    def marks(self, found: Withheld, measure: str, smallest: int) -> Marks:
        marks = found.marks(smallest)
        return {name: marks[place] for (of, name), place in self._slices.items() if of == measure}


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


def _shown(table: pl.DataFrame, hidden: Mapping[str, Marks], name: str) -> pl.DataFrame:
    """Add rates and marks, and empty what is withheld and what would tell it."""
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
    marks = {f"{count}_mark": pl.Series(hidden[count][name], dtype=pl.String) for count in COUNTS}
    shown = shown.with_columns(**marks)
    no_wears = pl.col("wears_mark").is_not_null()
    for event in EVENTS:
        away = pl.col(f"{event}_mark").is_not_null()
        ends = (f"{event}_{end}" for end in ("rate", "low", "high"))
        shown = shown.with_columns(_unless(away, event), *(_unless(away | no_wears, end) for end in ends))
    shown = shown.with_columns(_unless(no_wears, column) for column in ("wears", "hours", *AMOUNTS))
    # The sum of doses beside their mean would tell how many wears had a sensor, a count of its own.
    mean = (pl.col("heat_dose") / pl.col("heat_dose_wears")).fill_nan(None).alias("heat_dose_a_wear")
    some = pl.any_horizontal(pl.col(mark).is_not_null() for mark in marks).alias("withheld")
    return shown.with_columns(mean, some).drop("wearers", "heat_dose_wears", "heat_dose")


def _unless(away: pl.Expr, column: str) -> pl.Expr:
    return pl.when(away).then(None).otherwise(pl.col(column)).alias(column)


def _planning(wears: pl.DataFrame, smallest: int, *, no_total: bool) -> pl.DataFrame:
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
        "wears_mark": pl.String,
    }
    if not rates:
        return pl.DataFrame(schema=schema)
    # What is left over (no task, or one too rare to be listed) is a part of the whole as well.
    rest = sizes[""] - sum(sizes[task] for task in tasks)
    counts = [sizes[""], *(sizes[task] for task in tasks), rest]
    found = withheld(counts, [Sum(0, tuple(range(1, len(counts))))], smallest)
    away = {task for task, gone in zip(["", *tasks], found.hidden, strict=False) if gone}
    mark = WITHHELD if no_total else None
    rows = [
        (
            one.task or ALL,
            one.quantile,
            None if mark else one.wears,
            one.rate_l_min,
            one.low_l_min,
            one.high_l_min,
            mark,
        )
        for one in rates
        if one.task not in away and one.quantile in QUANTILES
    ]
    return pl.DataFrame(rows, schema=schema, orient="row")


def _sets_shown(sets: pl.DataFrame, marks: Sequence[str | None]) -> pl.DataFrame:
    """Sets whose wears are withheld keep only whether something was found, not how often."""
    mark = pl.Series("wears_mark", marks, dtype=pl.String)
    away = mark.is_not_null()
    some = pl.any_horizontal(pl.col(name) > 0 for name in SET_MEASURES).alias("something_found")
    numbers = ("wears", "silent_min", "decline", *SET_MEASURES)
    return sets.select(
        "set_id",
        some,
        *(pl.when(away).then(None).otherwise(pl.col(name)).alias(name) for name in numbers),
        mark,
        away.alias("withheld"),
    )


def _forecasts(account: list[Ahead], smallest: int, *, no_total: bool) -> pl.DataFrame:
    width = len(AHEAD_COUNTS)
    counts = [getattr(one, name) for one in account for name in AHEAD_COUNTS]
    place = {name: number for number, name in enumerate(AHEAD_COUNTS)}
    sums = []
    for line in range(len(account)):
        at = {name: line * width + number for name, number in place.items()}
        sums.append(Sum(at["known"], (at["inside"], at["early"], at["late"])))
        sums.append(Sum(at["of_early"], (at["not_early"], at["early"])))
        sums.append(Sum(at["said"], (at["of_early"],), at_least=True))
        sums.append(Sum(at["of_early"], (at["known"],), at_least=True))
    if len(account) > 1:
        sums += [
            Sum(number, tuple(line * width + number for line in range(1, len(account))))
            for number in place.values()
        ]
    also = np.full(len(counts), no_total)
    every = withheld(counts, sums, smallest, also).marks(smallest)
    rows = []
    for line, one in enumerate(account):
        marks = every[line * width : (line + 1) * width]
        shown = [None if mark else getattr(one, name) for mark, name in zip(marks, AHEAD_COUNTS, strict=True)]
        told = None if marks[place["known"]] else one.error_min
        rows.append((ALL if one.ahead_min == 0 else str(one.ahead_min), *shown, told, *marks, any(marks)))
    marked = [f"{name}_mark" for name in AHEAD_COUNTS]
    names = ("ahead_min", *AHEAD_COUNTS, "median_error_min", *marked, "withheld")
    types = [pl.String, *[pl.Int64] * width, pl.Float64, *[pl.String] * width, pl.Boolean]
    return pl.DataFrame(rows, schema=dict(zip(names, types, strict=True)), orient="row")


def _rest(wears: pl.DataFrame, profile: Profile, smallest: int, *, no_total: bool) -> pl.DataFrame:
    found = short_rests(wears, profile.rest)
    rows = []
    for name, rule in rules_in_force(profile.rest).items():
        count = sum(one.rule == name for one in found)
        mark = withheld([count], [], smallest, np.array([no_total])).marks(smallest)[0]
        shown = None if mark else count
        rows.append((name, rule.rest_min, shown, mark, mark is not None, rule.from_memory, rule.source))
    names = ("rule", "rest_min", "too_short", "too_short_mark", "withheld", "from_memory", "source")
    types = (pl.String, pl.Float64, pl.Int64, pl.String, pl.Boolean, pl.Boolean, pl.String)
    return pl.DataFrame(rows, schema=dict(zip(names, types, strict=True)), orient="row")


def _standing_out(
    found: Sequence[Signal],
    parts: pl.DataFrame,
    months: pl.DataFrame,
    marks_of_sets: Sequence[str | None],
    sets: pl.DataFrame,
) -> pl.DataFrame:
    """What stands out, persons left out; its figures only where the line that they come from is shown."""
    names_of_hidden_sets = {name for name, mark in zip(sets["set_id"], marks_of_sets, strict=True) if mark}
    rows = []
    for one in found:
        if one.part == "wearer":
            continue
        shown = one.name not in names_of_hidden_sets
        if one.part != "set":
            # Its own figure and that of the rest together give the whole, and what is left of the service has
            # no known part: all of them are shown, or none.
            lines = parts.filter(
                (pl.col("year") == ALL)
                & (
                    ((pl.col("part") == one.part) & pl.col("name").is_in([one.name or ALL, NOT_KNOWN]))
                    | (pl.col("part") == "service")
                )
            )
            column = one.measure if one.measure in COUNTS else "wears"
            shown = bool(len(lines)) and not lines[column].null_count()
            if one.part == "service":  # a slope of two months tells their counts
                shown = shown and not months[column].null_count()
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
