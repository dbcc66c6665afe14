"""What stands out: every comparison that the page makes, by the method of `analysis.trends.naming`.

Each question (stations and roles, wearers, sets, trends) is a family of its own; at most its share of what is
named may be chance (Benjamini and Hochberg 1995). The shares were found by simulation so that a ledger
without any difference names somebody in at most 1 of 20. What counts as an event, and how many wears a part
needs, are our own rules.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import date
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.trends.ledger import falls_between_wears
from analysis.trends.measures import (
    FLAGS,
    MEANS,
    SILENT_WEAR_MIN,
    by_month,
    flags_of,
    monthly_mean,
    monthly_rate,
)
from analysis.trends.naming import (
    INCIDENT,
    Judged,
    SmallestEffect,
    codes_of,
    expected_of,
    incident_of,
    judged_groups,
    judged_ones,
    level_of_others,
    smallest_effect,
    strata_of,
)
from analysis.trends.statistics import (
    MannKendall,
    false_discovery_rates,
    interval_of_a_mean,
    interval_of_a_rank_correlation,
    rate_per,
)

QUESTIONS = {"group": 0.015, "wearer": 0.020, "set": 0.010, "service": 0.005}
"""At most this part of what each question names may be chance."""
QUESTION_OF = {"station": "group", "role": "group", "wearer": "wearer", "set": "set", "service": "service"}
FEWEST_WEARS = 20
"""A station, role, wearer or set with fewer wears is not compared."""
FEWEST_WEARERS = 5
"""Nor is a station or role of fewer people, where one person would be the station."""
RECENT_WEARS = 12
SIGNAL_AMOUNTS = ("under_air_min", "hard_min", "heat_dose", "mean_l_min")
"""Amounts that are compared; silence is drawn with its events (`analysis.trends.false_marks`)."""
BATTERY_CODES = ("battery_refused", "battery_low_at_start")
CLOCK_CODES = ("clock_wrong", "clock_stepped")
SET_MEASURES = ("readings_stuck", "clock", "battery", "silent_wears", "pressure_fell_closed")
PEOPLE_FLAGS = FLAGS[:3]
"""Silence is the set's."""
PER_WEARS = 1000.0


@dataclass(frozen=True)
class Signal:
    """One thing that stands out.

    Attributes
    ----------
    part : str
        ``service``, ``station``, ``role``, ``wearer`` or ``set``.
    name : str
        Which one; empty for the service.
    measure : str
    how : str
        ``more`` than expected, ``rise`` or ``fall`` over the months, ``higher`` than its own earlier wears.
    chance : float
        Chance of so much or more if nothing were behind it.
    value, rest : float
        What it has and what the rest has, not adjusted: wears with the event per 1000 wears, mean a wear, or,
        for a trend, change a year and mean level.
    events : int
        Wears with the event.
    wears : int
    low, high : float
        95 % interval of `value`, taken by itself: exact Poisson for counts, over people or incidents
        (whichever is wider) for means, Welch's for a change, of Sen's slope for a trend.
    false_rate : float
        `chance`, adjusted for all comparisons of its question.
    expected : float
        Wears with the event that its kinds and tasks lead to expect; NaN for what is no count.
    """

    part: str
    name: str
    measure: str
    how: str
    chance: float
    value: float
    rest: float
    events: int
    wears: int
    low: float = math.nan
    high: float = math.nan
    false_rate: float = 1.0
    expected: float = math.nan


class Standing(NamedTuple):
    """What stands out, of how many comparisons, and the smallest effect that would have been seen by part."""

    found: list[Signal]
    comparisons: int
    smallest: dict[str, SmallestEffect | None]


def nothing_compared() -> Standing:
    """Return what stands out of no wears."""
    return Standing([], 0, {})


@dataclass
class _Asked:
    """All comparisons, and what each question's smallest effect is judged by."""

    signals: list[Signal] = field(default_factory=list)
    sizes: dict[str, tuple[Judged, NDArray[np.bool_]]] = field(default_factory=dict)


def signals(
    wears: pl.DataFrame,
    set_events: pl.DataFrame,
    falls: pl.DataFrame | None = None,
    running: date | None = None,
) -> Standing:
    """Return what stands out, the surest first.

    Parameters
    ----------
    wears : DataFrame
        The ledger's wears with `station` and `role` (`analysis.trends.roster`).
    set_events : DataFrame
        The ledger's events of sets.
    falls : DataFrame, optional
        As in `set_counts`.
    running : date, optional
        First day of the month that is not over: no part of a trend.
    """
    wears = wears.filter(pl.col("started").is_not_null())
    if not len(wears):
        return nothing_compared()
    asked = _Asked()
    named = _groups(asked, wears)
    _wearers(asked, wears, named)
    asked.signals += [*_own_history(wears), *_months(wears, running)]
    _sets(asked, wears, set_events, falls)
    found: list[Signal] = []
    for question, level in QUESTIONS.items():
        family = [one for one in asked.signals if QUESTION_OF[one.part] == question]
        rates = false_discovery_rates([one.chance for one in family])
        judged = (replace(one, false_rate=float(rate)) for one, rate in zip(family, rates, strict=True))
        found += [one for one in judged if one.false_rate <= level]
    found.sort(key=lambda one: (one.chance, one.part, one.name, one.measure))
    smallest = {}
    for part, (size, chosen) in asked.sizes.items():
        family_size = sum(QUESTION_OF[one.part] == QUESTION_OF[part] for one in asked.signals)
        smallest[part] = smallest_effect(size, chosen, QUESTIONS[QUESTION_OF[part]] / max(family_size, 1))
    return Standing(found, len(asked.signals), smallest)


def events_of(set_events: pl.DataFrame, wears: pl.DataFrame, part: pl.DataFrame) -> pl.DataFrame:
    """Return the events of sets that belong to a part of the wears: each to its set's nearest wear.

    All events over a part of the wears would make a set stand out that is seldom worn in that part.
    """
    starts = wears.drop_nulls(["set_id", "started"]).select(
        "set_id", pl.col("started").alias("at"), "wear_id"
    )
    nearest = set_events.sort("at").join_asof(
        starts.sort("at"), on="at", by="set_id", strategy="nearest", check_sortedness=False
    )
    return nearest.filter(pl.col("wear_id").is_in(part["wear_id"].implode())).drop("wear_id")


def set_counts(
    wears: pl.DataFrame, set_events: pl.DataFrame, falls: pl.DataFrame | None = None
) -> pl.DataFrame:
    """Return one line a set: `wears`, `silent_min`, the counts of `SET_MEASURES`, battery's `decline`.

    `falls` are those of `falls_between_wears` where `wears` is a part of all: between two wears of a part
    others may lie, which used the air. None: `wears` is the whole.

    `decline` is the rank correlation of the charge at the start with time (negative: falling), null below
    `FEWEST_WEARS` known charges.
    """
    found = pl.concat([set_events, falls_between_wears(wears) if falls is None else falls])
    code = pl.col("code")
    events = found.group_by("set_id").agg(
        (code == "readings_stuck").sum().alias("readings_stuck"),
        code.is_in(CLOCK_CODES).sum().alias("clock"),
        code.is_in(BATTERY_CODES).sum().alias("battery"),
        (code == "pressure_fell_closed").sum().alias("pressure_fell_closed"),
    )
    known = pl.col("battery_fraction").is_not_null()
    charge, when = pl.col("battery_fraction").filter(known), pl.col("started").filter(known)
    sums = wears.group_by("set_id").agg(
        pl.len().alias("wears"),
        pl.col("started").max().alias("last"),
        pl.col("silent_min").sum(),
        (pl.col("silent_min") >= SILENT_WEAR_MIN).sum().alias("silent_wears"),
        pl.when(known.sum() >= FEWEST_WEARS)
        .then(pl.corr(charge, when.cast(pl.Int64), method="spearman"))
        .alias("decline"),
        known.sum().alias("charges"),
    )
    joined = sums.join(events, on="set_id", how="full", coalesce=True)
    counts = [*SET_MEASURES, "wears", "charges"]
    return joined.with_columns(
        *(pl.col(name).fill_null(0).cast(pl.Int64) for name in counts),
        pl.col("silent_min").fill_null(0.0),
        pl.col("decline").fill_nan(None),
    ).sort("set_id")


def _groups(asked: _Asked, wears: pl.DataFrame) -> dict[str, list[str]]:
    """Compare stations and roles; return for each event the stations that may stand out."""
    strata = strata_of(wears)
    incidents, _ = codes_of(incident_of(wears))
    people, _ = codes_of(wears["wearer_id"])
    flags = flags_of(wears)
    above: dict[str, list[str]] = {}
    rest = _above_the_usual(wears)
    for part in ("station", "role"):
        if part not in wears.columns or wears[part].drop_nulls().n_unique() < 2:
            continue
        units, names = codes_of(wears[part])
        sizes = wears.group_by(part).agg(pl.col("wearer_id").n_unique().alias("people"))
        crowd = dict(sizes.drop_nulls(part).iter_rows())
        for measure in PEOPLE_FLAGS:
            flag = flags[measure]
            judged = judged_groups(units, flag, expected_of(flag, strata), incidents, people)
            chosen = (judged.wears >= FEWEST_WEARS) & np.array([crowd[n] >= FEWEST_WEARERS for n in names])
            asked.signals += _more(part, names, measure, judged, chosen)
            if part == "station":
                if measure == "low_air_exits":
                    asked.sizes[part] = (judged, chosen)
                above[measure] = [names[at] for at in np.flatnonzero(judged.chance <= 0.05)]
        asked.signals += _amounts_of_parts(rest, part)
    return above


def _more(
    part: str, names: list[str], measure: str, judged: Judged, chosen: NDArray[np.bool_]
) -> Iterator[Signal]:
    """Yield a signal for each unit that is compared, with its crude figure and that of the rest."""
    total, size = float(judged.observed.sum()), float(judged.wears.sum())
    for at in np.flatnonzero(chosen & (judged.expected > 0)) if total else ():
        own = rate_per(int(judged.observed[at]), float(judged.wears[at]), PER_WEARS)
        others = size - float(judged.wears[at])
        if own is None or others <= 0:
            continue
        yield Signal(
            part,
            names[at],
            measure,
            "more",
            float(judged.chance[at]),
            own.rate,
            PER_WEARS * (total - own.events) / others,
            own.events,
            int(judged.wears[at]),
            own.low,
            own.high,
            expected=float(judged.expected[at]),
        )


def _above_the_usual(wears: pl.DataFrame) -> pl.DataFrame:
    """Add what each amount is above the mean of its kind, task and quarter of a year."""
    lot = [pl.col("kind").fill_null(""), pl.col("task").fill_null(""), pl.col("started").dt.truncate("1q")]
    return wears.with_columns(
        (pl.col(name) - pl.col(name).mean().over(*lot)).alias(f"{name}_above") for name in MEANS
    )


def _amounts_of_parts(wears: pl.DataFrame, part: str) -> Iterator[Signal]:
    """Compare each part's amounts above the usual, by people and by incidents; the weaker of the two counts.

    Wears of one person are alike, and so are wears at one fire: neither are independent observations.
    """
    # Half a second to import: only when it is needed.
    from scipy.stats import mannwhitneyu  # type: ignore[attr-defined]

    above = [f"{name}_above" for name in MEANS]
    needed = (part, "wearer_id", "incident_id", "started", *MEANS, *above)
    known = wears.select(needed).drop_nulls([part, "wearer_id"])
    units = (pl.col("wearer_id").alias("unit"), INCIDENT.alias("unit"))
    lots = [known.group_by(part, unit).agg(pl.col(above).mean()) for unit in units]
    both = (pl.col(MEANS).sum().name.suffix("_sum"), pl.col(MEANS).count().name.suffix("_size"))
    summed = [known.group_by(part, unit).agg(both) for unit in units]
    size = known.group_by(part).agg(
        pl.len().alias("wears"), pl.col("wearer_id").n_unique().alias("people"), pl.col(MEANS).mean()
    )
    for row in size.sort(part).iter_rows(named=True):
        if row["wears"] < FEWEST_WEARS or row["people"] < FEWEST_WEARERS:
            continue
        inside = pl.col(part) == row[part]
        for measure in MEANS:
            chances = []
            for means in lots:
                own, others = (
                    means.filter(inside)[f"{measure}_above"].drop_nulls(),
                    means.filter(~inside)[f"{measure}_above"].drop_nulls(),
                )
                if len(own) >= FEWEST_WEARERS and len(others) >= FEWEST_WEARERS:
                    chances.append(float(mannwhitneyu(own, others, alternative="greater").pvalue))
            rest = known.filter(~inside)[measure].mean()
            if len(chances) == len(lots) and isinstance(rest, float):
                ends = [
                    interval_of_a_mean(own[f"{measure}_sum"], own[f"{measure}_size"])
                    for own in (sums.filter(inside) for sums in summed)
                ]
                low, high = max(ends, key=lambda both: both[1] - both[0])
                value, size_ = row[measure], row["wears"]
                yield Signal(
                    part, row[part], measure, "more", max(chances), value, rest, 0, size_, max(low, 0.0), high
                )


def _wearers(asked: _Asked, wears: pl.DataFrame, above: dict[str, list[str]]) -> None:
    """Compare each wearer with all others; at a station that stands out itself, with its own level."""
    units, names = codes_of(wears["wearer_id"])
    strata = strata_of(wears)
    flags = flags_of(wears)
    for measure in PEOPLE_FLAGS:
        flag = flags[measure]
        expected = expected_of(flag, strata)
        if above.get(measure):
            there = wears["station"].is_in(above[measure]).fill_null(value=False).to_numpy()
            level = level_of_others(codes_of(wears["station"])[0], units, flag, expected)
            expected = np.where(there, np.clip(expected * level, 0.0, 1.0), expected)
        judged = judged_ones(units, flag, expected)
        chosen = judged.wears >= FEWEST_WEARS
        asked.signals += _more("wearer", names, measure, judged, chosen)
        if measure == "low_air_exits":
            asked.sizes["wearer"] = (judged, chosen)


def _sets(asked: _Asked, wears: pl.DataFrame, set_events: pl.DataFrame, falls: pl.DataFrame | None) -> None:
    units, names = codes_of(wears["set_id"])
    strata = strata_of(wears)
    for measure, flag in _set_flags(wears, set_events, falls).items():
        judged = judged_ones(units, flag, expected_of(flag, strata))
        chosen = judged.wears >= FEWEST_WEARS
        asked.signals += _more("set", names, measure, judged, chosen)
        if measure == "silent_wears":
            asked.sizes["set"] = (judged, chosen)
    asked.signals += _declining(set_counts(wears, set_events, falls))


def _set_flags(
    wears: pl.DataFrame, set_events: pl.DataFrame, falls: pl.DataFrame | None
) -> dict[str, NDArray[np.float64]]:
    """Return which wears had each finding about their set: each finding belongs to its set's nearest wear."""
    found = pl.concat([set_events, falls_between_wears(wears) if falls is None else falls])
    starts = wears.drop_nulls("set_id").select("set_id", pl.col("started").alias("at"), "wear_id")
    nearest = found.sort("at").join_asof(
        starts.sort("at"), on="at", by="set_id", strategy="nearest", check_sortedness=False
    )
    code = pl.col("code")
    kinds = {
        "readings_stuck": code == "readings_stuck",
        "clock": code.is_in(CLOCK_CODES),
        "battery": code.is_in(BATTERY_CODES),
        "pressure_fell_closed": code == "pressure_fell_closed",
    }
    flags = {
        name: wears["wear_id"].is_in(nearest.filter(kind)["wear_id"].drop_nulls().implode())
        for name, kind in kinds.items()
    }
    flags["silent_wears"] = (wears["silent_min"] >= SILENT_WEAR_MIN).fill_null(value=False)
    return {name: flag.to_numpy().astype(np.float64) for name, flag in flags.items()}


def _declining(counts: pl.DataFrame) -> Iterator[Signal]:
    """Yield how each set's charge at the start goes with time."""
    declining = counts.filter(pl.col("decline").is_not_null() & (pl.col("charges") >= FEWEST_WEARS))
    if not len(declining):
        return
    from scipy.special import stdtr

    rho, n = declining["decline"].to_numpy(), declining["charges"].to_numpy().astype(float)
    # The rank correlation's usual t approximation.
    t = rho * np.sqrt((n - 2) / np.maximum(1 - rho**2, 1e-9))
    for row, chance in zip(declining.iter_rows(named=True), stdtr(n - 2, t), strict=True):
        low, high = interval_of_a_rank_correlation(row["decline"], row["charges"])
        yield Signal(
            "set",
            row["set_id"],
            "battery_charge",
            "fall",
            float(chance),
            row["decline"],
            0.0,
            0,
            row["charges"],
            low,
            high,
        )


def _own_history(wears: pl.DataFrame) -> Iterator[Signal]:
    """Compare each wearer's breathing in the last wears with the same wearer's earlier ones.

    Each wear is first set against the mean of its task, so that a change of work is no change of the person.
    """
    from scipy.special import stdtr, stdtrit

    known = wears.select("wearer_id", "started", "task", "mean_l_min").filter(
        pl.col("wearer_id").is_not_null() & (pl.col("mean_l_min") > 0)
    )
    usual = pl.col("mean_l_min").log().mean().over(pl.col("task").fill_null(""))
    known = known.sort("started").with_columns((pl.col("mean_l_min").log() - usual).alias("above"))
    recent = pl.int_range(pl.len()).reverse() < RECENT_WEARS
    above = pl.col("above")
    people = (
        known.group_by("wearer_id", maintain_order=True)
        .agg(
            pl.len().alias("wears"),
            above.filter(recent).mean().alias("late"),
            above.filter(recent).var().alias("late_var"),
            above.filter(~recent).mean().alias("early"),
            above.filter(~recent).var().alias("early_var"),
        )
        .filter(pl.col("wears") >= 2 * RECENT_WEARS)
        .sort("wearer_id")
    )
    if not len(people):
        return
    n, m = float(RECENT_WEARS), people["wears"].to_numpy() - float(RECENT_WEARS)
    a, b = people["late_var"].to_numpy() / n, people["early_var"].to_numpy() / m
    spread = np.maximum(a + b, 1e-12)
    t = (people["late"] - people["early"]).to_numpy() / np.sqrt(spread)
    freedom = spread**2 / np.maximum(a**2 / (n - 1) + b**2 / (m - 1), 1e-18)  # Welch 1947
    reach = stdtrit(freedom, 0.975) * np.sqrt(spread)
    for row, chance, half in zip(people.iter_rows(named=True), stdtr(freedom, -t), reach, strict=True):
        change = row["late"] - row["early"]
        higher, low, high = (100.0 * (math.exp(x) - 1.0) for x in (change, change - half, change + half))
        yield Signal(
            "wearer",
            row["wearer_id"],
            "mean_l_min",
            "higher",
            float(chance),
            higher,
            0.0,
            0,
            row["wears"],
            low,
            high,
        )


def _months(wears: pl.DataFrame, running: date | None) -> Iterator[Signal]:
    months = by_month(wears)
    if not len(months):
        return
    size = int(months["wears"].sum())
    for measure in MEANS:
        mean = monthly_mean(months, measure, running)
        if mean.trend is not None:
            yield _trend_of(measure, mean.trend, mean.overall, 0, size)
    for measure in PEOPLE_FLAGS:
        rate = monthly_rate(months, measure, running)
        if rate.trend is not None and rate.total is not None:
            yield _trend_of(measure, rate.trend, rate.total[2], rate.total[0], size)


def _trend_of(measure: str, trend: MannKendall, level: float, events: int, wears: int) -> Signal:
    """Return a trend of the service; months are its steps, a year its unit."""
    slope, low, high = (12 * step for step in (trend.slope_per_step, trend.slope_low, trend.slope_high))
    how = "rise" if trend.s > 0 else "fall"
    return Signal("service", "", measure, how, trend.p_two_sided, slope, level, events, wears, low, high)
