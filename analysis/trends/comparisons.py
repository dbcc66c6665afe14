"""What stands out: every comparison that the page makes, by the method of `analysis.trends.naming`.

Each question (stations and roles, wearers, sets, trends) is a family of its own; at most its share of what is
named may be chance (Benjamini and Hochberg 1995). The shares were found by simulation so that a ledger
without any difference names somebody in at most 1 of 20. What counts as an event, and how many wears a part
needs, are our own rules.
"""

import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import date
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.trends.measures import (
    FLAGS,
    MEANS,
    PER_WEARS,
    by_month,
    flags_of,
    monthly,
)
from analysis.trends.naming import (
    Codes,
    Floats,
    JudgedUnits,
    SmallestEffect,
    codes_of,
    expected_of,
    gone,
    incident_of,
    judged,
    level_of_others,
    numbered,
    numbers_of,
    smallest_effect,
    strata_of,
)
from analysis.trends.sets import FEWEST_WEARS, charges_of, set_flags
from analysis.trends.statistics import (
    false_discovery_rates,
    interval_of_a_mean,
    interval_of_a_rank_correlation,
    mann_whitney_of_groups,
    poisson_interval,
)

QUESTIONS = {"group": 0.015, "wearer": 0.020, "set": 0.010, "service": 0.005}
"""At most this part of what each question names may be chance."""
QUESTION_OF = {"station": "group", "role": "group", "wearer": "wearer", "set": "set", "service": "service"}
FEWEST_WEARERS = 5
"""Nor is a station or role of fewer people, where one person would be the station."""
RECENT_WEARS = 12
SIGNAL_AMOUNTS = ("under_air_min", "hard_min", "heat_dose", "mean_l_min")
"""Amounts that are compared; silence is drawn with its events (`analysis.trends.false_marks`)."""
SIZED_BY = {"station": "low_air_exits", "wearer": "low_air_exits", "set": "silent_wears"}
"""What the smallest effect of a question is told by."""
PEOPLE_FLAGS = FLAGS[:3]
"""Silence is the set's."""


@dataclass(frozen=True)
class Signal:
    """One thing that stands out."""

    part: str  # ``service``, ``station``, ``role``, ``wearer`` or ``set``
    name: str  # which one; empty for the service
    measure: str
    # ``more`` than expected, ``rise`` or ``fall`` over the months, ``higher`` than its own earlier wears.
    how: str
    chance: float  # chance of so much or more if nothing were behind it
    # `value`, `rest`: what it has and what the rest has, not adjusted: wears with the event per 1000 wears,
    # mean a wear, or, for a trend, change a year and mean level
    value: float
    rest: float
    events: int  # wears with the event
    wears: int
    # `low`, `high`: 95 % interval of `value` alone: exact Poisson for counts, over people or
    # incidents (whichever is wider) for means, Welch's for a change, of Sen's slope for a trend
    low: float = math.nan
    high: float = math.nan
    false_rate: float = 1.0  # `chance`, adjusted for all comparisons of its question
    # Wears with the event that its kinds and tasks lead to expect; NaN for what is no count.
    expected: float = math.nan


class Standing(NamedTuple):
    """What stands out, of how many comparisons, and the smallest effect that would have been seen by part."""

    found: list[Signal]
    comparisons: int
    smallest: dict[str, SmallestEffect | None]


@dataclass
class _Asked:
    """The wears, all comparisons of them, and what each question's smallest effect is judged by.

    A comparison whose chance alone is above its question's level is only counted: it can never be named,
    however many others there are.
    """

    wears: pl.DataFrame
    # `strata`, `incidents`: number of each wear's kind and task, and of its incident
    strata: Codes
    incidents: Codes
    flags: dict[str, Floats]  # as `flags_of`
    signals: list[Signal] = field(default_factory=list)
    likely: Counter[str] = field(default_factory=Counter)
    sizes: dict[str, tuple[JudgedUnits, NDArray[np.bool_]]] = field(default_factory=dict)

    def unlikely(self, part: str, chance: Floats) -> list[int]:
        """Return the places that may be named; of the others it is kept that they were asked."""
        places = np.flatnonzero(chance <= QUESTIONS[QUESTION_OF[part]])
        self.likely[QUESTION_OF[part]] += len(chance) - len(places)
        return [int(at) for at in places]


def signals(
    wears: pl.DataFrame,
    set_events: pl.DataFrame,
    running: date | None = None,
    months: pl.DataFrame | None = None,
) -> Standing:
    """Return what stands out, the surest first.

    - `wears`: the ledger's wears with `station` and `role` (`analysis.trends.roster`).
    - `set_events`: the ledger's events of sets, `with_falls`.
    - `running`: first day of the month that is not over: no part of a trend.
    - `months`: `by_month` of the wears, where the caller has them already.
    """
    if wears["started"].null_count():
        wears = wears.filter(pl.col("started").is_not_null())
    if not len(wears):
        return Standing([], 0, {})
    wears = wears.with_columns(wearer_id=pl.when(~gone(wears["wearer_id"])).then("wearer_id"))
    asked = _Asked(wears, strata_of(wears), numbers_of(incident_of(wears)), flags_of(wears))
    _wearers(asked, _groups(asked))
    _own_history(asked)
    asked.signals += _months(by_month(wears) if months is None else months, running)
    _sets(asked, set_flags(wears, set_events))
    found: list[Signal] = []
    families: Counter[str] = Counter()
    for question, level in QUESTIONS.items():
        family = [one for one in asked.signals if QUESTION_OF[one.part] == question]
        chances = [*(one.chance for one in family), *[1.0] * asked.likely[question]]
        families[question] = len(chances)
        rates = zip(family, false_discovery_rates(chances).tolist(), strict=False)
        found += [replace(one, false_rate=rate) for one, rate in rates if rate <= level]
    found.sort(key=lambda one: (one.chance, one.part, one.name, one.measure))
    smallest = {}
    for part, (size, chosen) in asked.sizes.items():
        question = QUESTION_OF[part]
        smallest[part] = smallest_effect(size, chosen, QUESTIONS[question] / max(families[question], 1))
    return Standing(found, families.total(), smallest)


def _groups(asked: _Asked) -> dict[str, list[str]]:
    """Compare stations and roles; return for each event the stations that may stand out."""
    wears = asked.wears
    people = numbers_of(wears["wearer_id"])
    above: dict[str, list[str]] = {}
    amounts = above_the_usual(wears, asked.strata)
    for part in ("station", "role"):
        if part not in wears.columns or wears[part].drop_nulls().n_unique() < 2:
            continue
        units, names = codes_of(wears[part])
        sizes = wears.group_by(part).agg(pl.col("wearer_id").n_unique().alias("people"))
        crowd = dict(sizes.drop_nulls(part).iter_rows())
        for measure in PEOPLE_FLAGS:
            flag = asked.flags[measure]
            found = judged(units, flag, expected_of(flag, asked.strata), asked.incidents, people)
            _more(asked, part, names, measure, found, np.array([crowd[n] >= FEWEST_WEARERS for n in names]))
            if part == "station":
                above[measure] = [names[at] for at in np.flatnonzero(found.chance <= 0.05)]
        asked.signals += _amounts(part, names, units, (people, asked.incidents), amounts)
    return above


def above_the_usual(wears: pl.DataFrame, strata: Codes) -> dict[str, tuple[Floats, Floats]]:
    """Return each amount of `MEANS`, and how far it is above its kind, task and quarter; NaN if unknown."""
    started = pl.col("started")
    quarter = wears.select(started.dt.year().cast(pl.Int64) * 4 + started.dt.quarter()).to_series().to_numpy()
    lot = numbered(quarter * (int(strata.max(initial=0)) + 1) + strata)
    found = {}
    for name in MEANS:
        values = wears[name].cast(pl.Float64).fill_null(np.nan).to_numpy()
        found[name] = (values, values - expected_of(values, lot))
    return found


def _amounts(
    part: str,
    names: list[str],
    units: Codes,
    alike: tuple[Codes, Codes],
    amounts: dict[str, tuple[Floats, Floats]],
) -> Iterator[Signal]:
    """Compare each part's amounts above the usual, by people and by incidents; the weaker of the two counts.

    Wears of one person are alike, and so are wears at one fire: neither are independent observations.

    - `alike`: number of each wear's person (-1: none) and of its incident.
    - `amounts`: as `above_the_usual` has them.
    """
    known = (units >= 0) & (alike[0] >= 0)
    lots = [_lots(units[known], of[known]) for of in alike]
    size = np.bincount(units[known], minlength=len(names))
    crowd = np.bincount(lots[0][1], minlength=len(names))
    compared = np.flatnonzero((size >= FEWEST_WEARS) & (crowd >= FEWEST_WEARERS))
    for measure, (values, above) in amounts.items():
        sums = [_sums(place, of, values[known]) for place, of in lots]
        chances = []
        for place, of in lots:
            total, count = _sums(place, of, above[known])
            means = np.divide(total, count, out=np.full(len(of), np.nan), where=count > 0)
            own = np.bincount(of[count > 0], minlength=len(names))
            enough = (own >= FEWEST_WEARERS) & (own.sum() - own >= FEWEST_WEARERS)
            chances.append(np.where(enough, mann_whitney_of_groups(means, of, len(names)), np.nan))
        whole, sizes = (np.bincount(lots[0][1], each, minlength=len(names)) for each in sums[0])
        for at in compared:
            chance, others = float(np.max([each[at] for each in chances])), sizes.sum() - sizes[at]
            if not math.isfinite(chance) or not others:
                continue
            ends = [
                interval_of_a_mean(each[of == at], count[of == at])
                for (each, count), (_, of) in zip(sums, lots, strict=True)
            ]
            low, high = max(ends, key=lambda both: both[1] - both[0])
            value, rest = float(whole[at] / sizes[at]), float((whole.sum() - whole[at]) / others)
            figures = (chance, value, rest, 0, int(size[at]), max(low, 0.0), high)
            yield Signal(part, names[at], measure, "more", *figures)


def _lots(units: Codes, of: Codes) -> tuple[Codes, Codes]:
    """Return the lot of each wear (its part and person, or part and incident), and the part of each lot."""
    place = numbered(units * (int(of.max(initial=0)) + 1) + of)
    part = np.zeros(int(place.max(initial=-1)) + 1, dtype=np.int64)
    part[place] = units
    return place, part


def _sums(place: Codes, part: Codes, values: Floats) -> tuple[Floats, Floats]:
    """Return each lot's sum of known values, and how many are known."""
    known = np.isfinite(values)
    total = np.bincount(place[known], values[known], minlength=len(part)).astype(np.float64)
    return total, np.bincount(place[known], minlength=len(part)).astype(np.float64)


def _more(
    asked: _Asked,
    part: str,
    names: list[str],
    measure: str,
    found: JudgedUnits,
    enough: NDArray[np.bool_] | bool = True,
) -> None:
    """Ask of each unit that is compared whether it has more than expected; its figures are the crude ones.

    `enough`: which units have enough people to be compared.
    """
    chosen = (found.wears >= FEWEST_WEARS) & enough
    if SIZED_BY.get(part) == measure:
        asked.sizes[part] = (found, chosen)
    total, size = float(found.observed.sum()), float(found.wears.sum())
    places = np.flatnonzero(chosen & (found.expected > 0) & (found.wears < size))
    for at in places[asked.unlikely(part, found.chance[places])] if total else ():
        events, wears = int(found.observed[at]), int(found.wears[at])
        rate, rest = PER_WEARS * events / wears, PER_WEARS * (total - events) / (size - wears)
        low, high = (PER_WEARS * end / wears for end in poisson_interval(events))
        chance, expected = float(found.chance[at]), float(found.expected[at])
        figures = (chance, rate, rest, events, wears, low, high)
        asked.signals.append(Signal(part, names[at], measure, "more", *figures, expected=expected))


def _wearers(asked: _Asked, above: dict[str, list[str]]) -> None:
    """Compare each wearer with all others; at a station that stands out itself, with its own level."""
    wears = asked.wears
    units, names = codes_of(wears["wearer_id"])
    for measure in PEOPLE_FLAGS:
        flag = asked.flags[measure]
        expected = expected_of(flag, asked.strata)
        if above.get(measure):
            there = wears["station"].is_in(above[measure]).fill_null(value=False).to_numpy()
            level = level_of_others(codes_of(wears["station"])[0], units, flag, expected)
            expected = np.where(there, np.clip(expected * level, 0.0, 1.0), expected)
        _more(asked, "wearer", names, measure, judged(units, flag, expected))


def _sets(asked: _Asked, flags: dict[str, Floats]) -> None:
    units, names = codes_of(asked.wears["set_id"])
    for measure, flag in flags.items():
        _more(asked, "set", names, measure, judged(units, flag, expected_of(flag, asked.strata)))
    _declining(asked)


def _declining(asked: _Asked) -> None:
    """Ask of each set whether its charge at the start falls with time."""
    declining = charges_of(asked.wears).filter(
        pl.col("decline").is_not_null() & (pl.col("charges") >= FEWEST_WEARS)
    )
    if not len(declining):
        return
    from scipy.special import stdtr

    rho, n = declining["decline"].to_numpy(), declining["charges"].to_numpy().astype(float)
    # The rank correlation's usual t approximation.
    t = rho * np.sqrt((n - 2) / np.maximum(1 - rho**2, 1e-9))
    chance = stdtr(n - 2, t)
    for at in asked.unlikely("set", chance):
        row = declining.row(at, named=True)
        ends = interval_of_a_rank_correlation(row["decline"], row["charges"])
        figures = (float(chance[at]), row["decline"], 0.0, 0, row["charges"], *ends)
        asked.signals.append(Signal("set", row["set_id"], "battery_charge", "fall", *figures))


def _own_history(asked: _Asked) -> None:
    """Compare each wearer's breathing in the last wears with the same wearer's earlier ones.

    Each wear is first set against the mean of its task, so that a change of work is no change of the person.
    """
    from scipy.special import stdtr, stdtrit

    known = asked.wears.select("wearer_id", "started", "task", "mean_l_min").filter(
        pl.col("wearer_id").is_not_null() & (pl.col("mean_l_min") > 0)
    )
    usual = pl.col("mean_l_min").log().mean().over(pl.col("task").fill_null(""))
    known = known.with_columns((pl.col("mean_l_min").log() - usual).alias("above"))
    known = known.filter(pl.len().over("wearer_id") >= 2 * RECENT_WEARS).sort("started")
    recent = pl.int_range(pl.len()).reverse() < RECENT_WEARS
    late, early = pl.col("above").filter(recent), pl.col("above").filter(~recent)
    moments = {"late": late.mean(), "late_var": late.var(), "early": early.mean(), "early_var": early.var()}
    people = known.group_by("wearer_id", maintain_order=True).agg(pl.len().alias("wears"), **moments)
    people = people.sort("wearer_id")
    if not len(people):
        return
    n, m = float(RECENT_WEARS), people["wears"].to_numpy() - float(RECENT_WEARS)
    a, b = people["late_var"].to_numpy() / n, people["early_var"].to_numpy() / m
    spread = np.maximum(a + b, 1e-12)
    t = (people["late"] - people["early"]).to_numpy() / np.sqrt(spread)
    freedom = spread**2 / np.maximum(a**2 / (n - 1) + b**2 / (m - 1), 1e-18)  # Welch 1947
    reach = stdtrit(freedom, 0.975) * np.sqrt(spread)
    chance = stdtr(freedom, -t)
    for at in asked.unlikely("wearer", chance):
        row, half = people.row(at, named=True), float(reach[at])
        change = row["late"] - row["early"]
        higher, low, high = (100.0 * (math.exp(x) - 1.0) for x in (change, change - half, change + half))
        figures = (float(chance[at]), higher, 0.0, 0, row["wears"], low, high)
        asked.signals.append(Signal("wearer", row["wearer_id"], "mean_l_min", "higher", *figures))


def _months(months: pl.DataFrame, running: date | None) -> Iterator[Signal]:
    """Yield the trends of the service; months are their steps, a year their unit."""
    for measure in (*MEANS, *PEOPLE_FLAGS):
        found = monthly(months, measure, running)
        trend = found.trend
        if trend is None or found.overall is None:
            continue
        events = int(found.table["events"].sum()) if measure in FLAGS else 0
        slope, low, high = (12 * step for step in (trend.slope_per_step, trend.slope_low, trend.slope_high))
        how, chance = "rise" if trend.s > 0 else "fall", trend.p_two_sided
        figures = (chance, slope, found.overall.rate, events, int(months["wears"].sum()), low, high)
        yield Signal("service", "", measure, how, *figures)
