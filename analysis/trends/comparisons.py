"""What stands out: every comparison that the page makes, judged together.

A page that compares six stations, four roles, a hundred wearers and as many sets over a dozen measures finds
something odd by chance at every look. All its comparisons are therefore one family, and only those are named
that hold when at most one in twenty of what is named may be chance (Benjamini and Hochberg 1995). What counts
as an event, and how many wears a part needs, are our own rules.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import polars as pl

from analysis.trends.ledger import falls_between_wears
from analysis.trends.measures import (
    EVENTS,
    MEANS,
    RATES,
    SILENT_WEAR_MIN,
    by_month,
    monthly_mean,
    monthly_rate,
)
from analysis.trends.statistics import (
    MannKendall,
    Rate,
    chance_of_so_many,
    false_discovery_rates,
    interval_of_a_mean,
    interval_of_a_rank_correlation,
    poisson_intervals,
    rate_per,
)

MOST_FALSE = 0.05
"""At most this part of what is named may be chance."""
FEWEST_WEARS = 20
"""A station, role, wearer or set with fewer wears is not compared."""
FEWEST_WEARERS = 5
"""Nor is a station or role of fewer people, where one person would be the station."""
RECENT_WEARS = 12
BATTERY_CODES = ("battery_refused", "battery_low_at_start")
CLOCK_CODES = ("clock_wrong", "clock_stepped")
SET_MEASURES = ("readings_stuck", "clock", "battery", "silent_wears", "pressure_fell_closed")


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
        ``more`` than the rest, ``rise`` or ``fall`` over the months, ``higher`` than its own earlier wears.
    chance : float
        Chance of so much or more if nothing were behind it.
    false_rate : float
        The same, adjusted for all comparisons of the page.
    value, rest : float
        What it has and what the rest has: events per exposure, mean a wear, or, for a trend, change a year
        and mean level.
    low, high : float
        95 % interval of `value`, taken by itself: exact Poisson for counts, over people or incidents
        (whichever is wider) for means, Welch's for a change, of Sen's slope for a trend.
    events : int
    wears : int
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


def signals(
    wears: pl.DataFrame,
    set_events: pl.DataFrame,
    falls: pl.DataFrame | None = None,
    running: date | None = None,
) -> tuple[list[Signal], int]:
    """Return what stands out, the surest first, and how many comparisons were made.

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
    compared = list(_compared(wears, set_events, falls, running))
    rates = false_discovery_rates([one.chance for one in compared])
    judged = [replace(one, false_rate=float(rate)) for one, rate in zip(compared, rates, strict=True)]
    found = [one for one in judged if one.false_rate <= MOST_FALSE]
    return sorted(found, key=lambda one: (one.chance, one.part, one.name, one.measure)), len(compared)


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


def _compared(
    wears: pl.DataFrame, set_events: pl.DataFrame, falls: pl.DataFrame | None, running: date | None
) -> Iterator[Signal]:
    for part in ("station", "role"):
        if part in wears.columns and wears[part].drop_nulls().n_unique() > 1:
            yield from _events_of_parts(wears, part)
            yield from _amounts_of_parts(wears, part)
    yield from _events_of_wearers(wears)
    yield from _own_history(wears)
    yield from _months(wears, running)
    yield from _sets(set_counts(wears, set_events, falls))


def _events_of_parts(wears: pl.DataFrame, part: str) -> Iterator[Signal]:
    """Compare each part's events with the rest's, counts thinned by how much people and incidents differ."""
    known = wears.filter(pl.col(part).is_not_null())
    hours = pl.col("under_air_min").sum() / 60.0
    groups = [part, pl.coalesce("wearer_id", "set_id").alias("who")]
    people = known.group_by(groups).agg(hours.alias("hours"), pl.len().alias("wears"), pl.col(EVENTS).sum())
    parts = people.group_by(part).agg(pl.col("hours", "wears", *EVENTS).sum(), pl.len().alias("people"))
    parts = parts.sort(part)
    for measure in EVENTS:
        exposure, per = RATES[measure]
        total, exposed = int(parts[measure].sum()), float(parts[exposure].sum())
        if not total or exposed <= 0:
            continue
        # How much more counts differ between people of one station than Poisson counts would.
        own = people.join(parts.select(part, (pl.col(measure) / pl.col(exposure)).alias("level")), on=part)
        expected = (own[exposure] * own["level"]).to_numpy()
        solid = expected > 0
        freedom = max(int(solid.sum()) - len(parts), 1)
        spread = ((own[measure].to_numpy()[solid] - expected[solid]) ** 2 / expected[solid]).sum() / freedom
        thinner = max(1.0, float(spread))
        for row in parts.iter_rows(named=True):
            if row["wears"] < FEWEST_WEARS or row["people"] < FEWEST_WEARERS:
                continue
            own_rate = rate_per(row[measure], row[exposure], per)
            rest = rate_per(total - row[measure], exposed - row[exposure], per)
            if own_rate is None or rest is None:
                continue
            share = row[exposure] / exposed
            chance = float(chance_of_so_many(row[measure] / thinner, total / thinner, share))
            yield _more(part, row[part], measure, chance, own_rate, rest.rate, row["wears"])


def _amounts_of_parts(wears: pl.DataFrame, part: str) -> Iterator[Signal]:
    """Compare each part's amounts with the rest's, by people and by incidents; the weaker of the two counts.

    Wears of one person are alike, and so are wears at one fire: neither are independent observations.
    """
    # Half a second to import: only when it is needed.
    from scipy.stats import mannwhitneyu  # type: ignore[attr-defined]

    known = wears.filter(pl.col(part).is_not_null() & pl.col("wearer_id").is_not_null())
    incident = pl.coalesce("incident_id", pl.col("started").dt.date().cast(pl.String)).alias("unit")
    units = (pl.col("wearer_id").alias("unit"), incident)
    lots = [known.group_by(part, unit).agg(pl.col(MEANS).mean()) for unit in units]
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
                    means.filter(inside)[measure].drop_nulls(),
                    means.filter(~inside)[measure].drop_nulls(),
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


def _events_of_wearers(wears: pl.DataFrame) -> Iterator[Signal]:
    """Compare each wearer with the others of the same station, or of the service where no roster says."""
    home = pl.col("station") if "station" in wears.columns else pl.lit(None, dtype=pl.String)
    for _, colleagues in wears.group_by(home.alias("home"), maintain_order=True):
        yield from _among_colleagues(colleagues)


def _among_colleagues(wears: pl.DataFrame) -> Iterator[Signal]:
    people = (
        wears.filter(pl.col("wearer_id").is_not_null())
        .group_by("wearer_id")
        .agg(
            (pl.col("under_air_min").sum() / 60.0).alias("hours"),
            pl.len().alias("wears"),
            pl.col(EVENTS).sum(),
        )
        .sort("wearer_id")
    )
    for measure in EVENTS:
        exposure, per = RATES[measure]
        yield from _against_the_rest(people, "wearer", "wearer_id", measure, exposure, per)


def _sets(counts: pl.DataFrame) -> Iterator[Signal]:
    for measure in SET_MEASURES:
        yield from _against_the_rest(counts, "set", "set_id", measure, "wears", 100.0)
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


def _against_the_rest(
    table: pl.DataFrame, part: str, key: str, measure: str, exposure: str, per: float
) -> Iterator[Signal]:
    counts, exposed = table[measure].to_numpy(), table[exposure].to_numpy().astype(float)
    total, size = int(counts.sum()), float(exposed.sum())
    if not total or size <= 0:
        return
    chances = chance_of_so_many(counts, total, np.clip(exposed / size, 1e-12, 1.0))
    lows, highs = poisson_intervals(counts)
    for row, chance, low, high in zip(table.iter_rows(named=True), chances, lows, highs, strict=True):
        others = size - row[exposure]
        if row["wears"] < FEWEST_WEARS or row[exposure] <= 0 or others <= 0:
            continue
        scale, events = per / row[exposure], row[measure]
        rest = per * (total - events) / others
        yield _more(
            part,
            row[key],
            measure,
            float(chance),
            Rate(events, row[exposure], per, scale * events, scale * low, scale * high),
            rest,
            row["wears"],
        )


def _more(part: str, name: str, measure: str, chance: float, own: Rate, rest: float, wears: int) -> Signal:
    return Signal(part, name, measure, "more", chance, own.rate, rest, own.events, wears, own.low, own.high)


def _own_history(wears: pl.DataFrame) -> Iterator[Signal]:
    """Compare each wearer's breathing in the last wears with the same wearer's earlier ones.

    Each wear is first set against the mean of its task, so that a change of work is no change of the person.
    """
    from scipy.special import stdtr, stdtrit

    known = wears.filter(pl.col("wearer_id").is_not_null() & (pl.col("mean_l_min") > 0))
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
    for measure in EVENTS:
        exposure, per = RATES[measure]
        rate = monthly_rate(months, measure, exposure, per, running)
        if rate.trend is not None and rate.total is not None:
            yield _trend_of(measure, rate.trend, rate.total[2], rate.total[0], size)


def _trend_of(measure: str, trend: MannKendall, level: float, events: int, wears: int) -> Signal:
    """Return a trend of the service; months are its steps, a year its unit."""
    slope, low, high = (12 * step for step in (trend.slope_per_step, trend.slope_low, trend.slope_high))
    how = "rise" if trend.s > 0 else "fall"
    return Signal("service", "", measure, how, trend.p_two_sided, slope, level, events, wears, low, high)
