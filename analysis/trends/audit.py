"""The service's own tables: exact counts and rates for those who may see people. They must not leave it.

What may leave it is in `analysis.trends.cells`. Units and meanings of both are made of `columns.toml`.
"""

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from importlib.resources import files
from typing import Any

import polars as pl

from analysis.profile import Profile
from analysis.tables import Notes, Told
from analysis.trends.comparisons import Standing, signals
from analysis.trends.false_marks import FalseMarks
from analysis.trends.forecast_audit import ForecastLines, audited, lines_of
from analysis.trends.ledger import Ledger
from analysis.trends.measures import FLAGS, MONTH, PER_WEARS, every_month, rates_of, sums_by, with_never_heard
from analysis.trends.planning import PlanningRate, planning_rates, rules_in_force, short_rests, training_of
from analysis.trends.sets import set_counts

ALL, NOT_KNOWN = "all", "not known"
PARTS = ("station", "role", "kind")
# What the tables of planning rates, forecasts, signals and smallest effects show of each.
PLANNING: dict[str, type] = {"quantile": float, "wears": int}
PLANNING |= dict.fromkeys(("rate_l_min", "low_l_min", "high_l_min"), float)
FORECAST: dict[str, type] = dict.fromkeys(("said", "known", "inside", "early", "late"), int)
FORECAST |= {"not_early": int, "of_early": int, "error_min": float}
STANDING_OUT: dict[str, type] = {"name": str, "measure": str, "how": str}
STANDING_OUT |= {"value": float, "rest": float, "false_rate": float}
SMALLEST: dict[str, type] = {"expected": float, "count": int, "ratio": float}


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
) -> Audit:
    """Return the tables of a ledger whose wears have `station` and `role`, and its events `with_falls`.

    - `unheard`: entries of people who were never heard under air, as the wears (`ledger.was_heard`).
    - `forecasts`: the ledger's, where the caller has them already.
    """
    if forecasts is None:
        forecasts = lines_of(ledger["forecasts"], ledger["wears"])
    wears = ledger["wears"].filter(pl.col("started").is_not_null())
    standing, rates = signals(wears, ledger["set_events"]), planning_rates(wears)
    months = every_month(with_never_heard(sums_by(wears, MONTH), unheard, MONTH))
    planned = [(task or ALL, one) for task, of_task in rates.items() for one in of_task]
    forecast = [(str(one.ahead_min or ALL), one) for one in audited(forecasts)]
    found = _table([(one.part, one) for one in standing.found], "part", STANDING_OUT)
    seen = _table([(part, one) for part, one in standing.smallest.items() if one], "part", SMALLEST)
    tables = {
        "by_month": _with_rates(months.with_columns(pl.col("month").dt.strftime("%Y-%m"))),
        "by_part": _with_rates(_parts(wears, unheard)),
        "planning_rates": _table(planned, "task", PLANNING),
        "sets": set_counts(wears, ledger["set_events"]).filter(pl.col("set_id").is_not_null()),
        "forecasts": _table(forecast, "ahead_min", FORECAST).rename({"error_min": "median_error_min"}),
        "rest": _rest(wears, profile),
        "standing_out": found.with_columns(pl.col("name").replace("", None)),
        "smallest_effects": seen.rename({"ratio": "times_expected"}),
    }
    return Audit(tables, standing, rates)


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
    for flag in FLAGS:
        rates = rates_of(table, flag)
        table = table.hstack(rates.rename({end: f"{flag}_{end}" for end in rates.columns}))
    mean = (pl.col("heat_dose") / pl.col("heat_dose_wears")).fill_nan(None).alias("heat_dose_a_wear")
    return table.with_columns(mean)


def _table(things: Iterable[tuple[str, Any]], of: str, columns: Mapping[str, type]) -> pl.DataFrame:
    """Return a line a thing: what it is of, then what the columns name of it."""
    rows = [(name, *(getattr(one, column) for column in columns)) for name, one in things]
    return pl.DataFrame(rows, schema={of: str, **columns}, orient="row")


def _rest(wears: pl.DataFrame, profile: Profile) -> pl.DataFrame:
    found = short_rests(wears, profile.rest)
    rows = [
        (name, rule.rest_min, sum(one.rule == name for one in found), rule.from_memory, rule.source)
        for name, rule in rules_in_force(profile.rest).items()
    ]
    columns = {"rule": str, "rest_min": float, "too_short": int, "from_memory": bool, "source": str}
    return pl.DataFrame(rows, schema=columns, orient="row")


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
    columns = {"what": str, "ledgers": int, "drawn": int, "share": float, "at_most": float}
    return pl.DataFrame(rows, schema=columns, orient="row")


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
