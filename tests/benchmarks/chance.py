"""Simulated services with and without a difference: ``python -m tests.benchmarks.chance [200]``.

``chance PART 200`` does one part: ``nulls``, ``differ`` (wearers who truly differ: who is named then),
``planted``, ``stated`` (effects of which the page states that it finds 8 in 10), ``steps`` or ``before``.

Prints how many of so many null ledgers name an innocent station, role, wearer or set, how many pages of
charts have a mark, and how often planted effects are found. Alarms come in runs, incidents differ, months are
alike, seasons turn, and stations attend different incidents. The design is that of the design study (36
months, 6 stations of 20 wearers and 15 sets, about 32 incidents a month).
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.trends.before_after import changes
from analysis.trends.comparisons import signals
from analysis.trends.ledger import SET_EVENTS, WEARS
from analysis.trends.measures import judged_months
from analysis.trends.statistics import share_interval

STATIONS, WEARERS, SETS, MONTHS = 6, 20, 15, 36
KINDS = ("incident", "drill", "training")
ROLES = ("firefighter", "crew commander", "trainee")
TASKS = {
    "incident": ("attack", "search", "standby"),
    "drill": ("search", "attack"),
    "training": ("training",),
}
RATE = {
    "incident": (0.055, 0.02, 0.012, 0.06),
    "drill": (0.02, 0.03, 0.006, 0.04),
    "training": (0.03, 0.01, 0.004, 0.05),
}
"""Share of wears with an exit below the warning, a no-motion alarm, a distress alarm, a minute of silence."""
MOST_LIKELY = 0.9
UNITS = {"station": 1, "wearer": 25, "set": 40}
"""Those to whom something is planted: Station 2, W-025 and S-040."""
FIRST = datetime(2028, 1, 1, tzinfo=UTC)
RUNNING = date(2031, 1, 1)


def ledger(
    seed: int,
    *,
    incidents_vary: float = 1.0,
    wearers_vary: float = 0.0,
    level: float = 0.15,
    planted: dict[str, float] | None = None,
    late: float = 1.0,
    late_months: int = 12,
    swing: float = 0.0,
    units: dict[str, int] = UNITS,
    truth: dict[str, float] | None = None,
) -> pl.DataFrame:
    """Return wears with station and role.

    `planted` is by how much more often the ``station`` or ``wearer`` of `units` leaves below the warning, or
    the ``set`` is silent; `late` multiplies all exits of the last `late_months`; exits swing by the part
    `swing` over the year. Incidents and wearers differ by gamma factors of these variances, months by an
    AR(1) level; `truth` is given each wearer's factor.
    """
    rng, planted = np.random.default_rng(seed), planted or {}
    step, levels = 0.0, np.ones(MONTHS)
    for month, draw in enumerate(rng.standard_normal(MONTHS)):
        step = 0.5 * step + level * np.sqrt(1 - 0.25) * draw
        levels[month] = np.exp(step)
    mix = rng.dirichlet([8, 4, 3], STATIONS)
    season = 1 + 0.25 * np.cos(2 * np.pi * np.arange(MONTHS) / 12)
    month = np.repeat(np.arange(MONTHS), rng.poisson(32 * season))
    incidents = len(month)
    station = rng.integers(STATIONS, size=incidents)
    kind = (rng.random(incidents)[:, None] > mix.cumsum(axis=1)[station][:, :2]).sum(axis=1)
    bad, of_wearer = _factors(rng, incidents_vary, incidents), _factors(rng, wearers_vary, STATIONS * WEARERS)
    if truth is not None:
        truth.update((f"W-{number:03d}", float(factor)) for number, factor in enumerate(of_wearer))
    heat = rng.lognormal(0, 0.5, incidents)
    day = rng.uniform(0, 28, incidents)
    crew = rng.integers(2, 7, incidents)
    order = rng.random((incidents, WEARERS)).argsort(axis=1)
    wear = np.repeat(np.arange(incidents), crew)
    one = order[wear, np.concatenate([np.arange(size) for size in crew])]
    count = len(wear)
    home, what, when = station[wear], kind[wear], month[wear]
    who, worn = WEARERS * home + one, SETS * home + rng.integers(SETS, size=count)
    widths = np.array([len(TASKS[name]) for name in KINDS])
    task = (rng.random(count) * widths[what]).astype(int)
    rates = np.array([RATE[name] for name in KINDS])[what] * bad[wear][:, None]
    rates[:, :3] *= (levels[when] * of_wearer[who])[:, None]
    rates[:, 0] *= np.where(when >= MONTHS - late_months, late, 1.0)
    rates[:, 0] *= 1 + swing * np.cos(2 * np.pi * when / 12)
    for part, of, event in (("station", home, 0), ("wearer", who, 0), ("set", worn, 3)):
        those = of == units[part]
        rates[those, event] = _times(rates[those, event], planted.get(part, 1.0))
    y = rng.random((count, 4)) < np.minimum(rates, MOST_LIKELY)
    runs = rng.geometric(1 / 3, (count, 2))
    minutes = np.clip(rng.normal(22, 6, count), 4, 60)
    starts = [datetime(FIRST.year + m // 12, m % 12 + 1, 1, tzinfo=UTC) for m in range(MONTHS)]
    started = [starts[m] + timedelta(days=float(day[i])) for m, i in zip(when, wear, strict=True)]
    made = pl.DataFrame(
        {
            "wear_id": [str(number) for number in range(count)],
            "incident_id": [f"I-{number}" for number in wear],
            "kind": [KINDS[number] for number in what],
            "wearer_id": [f"W-{number:03d}" for number in who],
            "task": [TASKS[KINDS[k]][t] for k, t in zip(what, task, strict=True)],
            "set_id": [f"S-{number:03d}" for number in worn],
            "started": started,
            "under_air_min": minutes,
            "hard_min": heat[wear] * rng.gamma(2, 2, count),
            "mean_l_min": rng.lognormal(3.7, 0.25, count),
            "heat_dose": 0.05 * heat[wear] * rng.lognormal(0, 0.4, count),
            "low_air_exits": y[:, 0].astype(int),
            "no_motion_alarms": y[:, 1] * runs[:, 0],
            "distress_alarms": y[:, 2] * runs[:, 1],
            "silent_min": 3.0 * y[:, 3],
            "station": [f"Station {number + 1}" for number in home],
            "role": [ROLES[number % 3] for number in one],
        },
        schema_overrides={"started": pl.Datetime("us", "UTC")},
    ).with_columns(ended=pl.col("started") + pl.duration(seconds=(60 * pl.col("under_air_min")).round()))
    schema = {**WEARS, "station": pl.String, "role": pl.String}
    absent = [name for name in schema if name not in made.columns]
    made = made.with_columns(pl.lit(None, dtype=schema[name]).alias(name) for name in absent)
    return made.select(pl.col(name).cast(kind) for name, kind in schema.items())


def _times(rates: NDArray[np.float64], ratio: float) -> NDArray[np.float64]:
    """Return rates whose sum is so many times as large, though none can be above `MOST_LIKELY`."""
    if ratio == 1.0:
        return rates
    wanted = ratio * np.minimum(rates, MOST_LIKELY).sum()
    low, high = ratio, 100 * ratio
    for _ in range(40):
        middle = (low + high) / 2
        enough = np.minimum(middle * rates, MOST_LIKELY).sum() >= wanted
        low, high = (low, middle) if enough else (middle, high)
    return high * rates


def _factors(rng: np.random.Generator, variance: float, count: int) -> NDArray[np.float64]:
    return rng.gamma(1 / variance, variance, count) if variance else np.ones(count)


def named(wears: pl.DataFrame) -> set[tuple[str, str]]:
    """Return the stations, roles, wearers and sets that are named."""
    found = signals(wears, pl.DataFrame(schema=SET_EVENTS)).found
    return {(one.part, one.name) for one in found if one.part != "service"}


def marked(wears: pl.DataFrame) -> bool:
    """Return whether any chart has a mark."""
    return any(one.marks for one in judged_months(wears, RUNNING).values())


NULLS: dict[str, dict[str, float]] = {
    "incidents vary by 1": {},
    "incidents vary by 3": {"incidents_vary": 3.0},
    "independent wears": {"incidents_vary": 0.0},
    "months alike by 0.25": {"level": 0.25},
}
DIFFER = 0.25
"""Variance of the factors of wearers who truly differ: no null ledger, since nobody is like another."""


def main(ledgers: int) -> None:
    """Print all shares."""
    for part in PARTS.values():
        part(ledgers)


def nulls(ledgers: int) -> None:
    """Print how many ledgers without a difference name somebody or mark a chart."""
    for title, design in NULLS.items():
        names = marks = 0
        for seed in range(ledgers):
            one = ledger(seed, **design)  # type: ignore[arg-type]
            names, marks = names + bool(named(one)), marks + marked(one)
        print(
            f"no difference, {title}: names anybody {_share(names, ledgers)}; marks {_share(marks, ledgers)}"
        )


def differ(ledgers: int) -> None:
    """Print who is named where wearers truly differ, and how much more often than others they do it."""
    naming = others = marks = 0
    factors: list[float] = []
    for seed in range(ledgers):
        truth: dict[str, float] = {}
        one = ledger(seed, wearers_vary=DIFFER, truth=truth)
        found = named(one)
        naming, marks = naming + bool(found), marks + marked(one)
        others += any(part != "wearer" for part, _ in found)
        ranks = sorted(truth.values(), reverse=True)
        for part, name in sorted(found):
            if part == "wearer":
                factors.append(truth[name])
                place = f"number {ranks.index(truth[name]) + 1} of {len(ranks)}"
                print(f"{name} named: truly x{truth[name]:.2f}, {place}")
    below = sum(factor <= 1 for factor in factors)
    print(
        f"wearers vary by {DIFFER}: names anybody {_share(naming, ledgers)}; marks {_share(marks, ledgers)}"
    )
    print(f"names a station, role or set {_share(others, ledgers)}")
    print(f"of {len(factors)} wearers named, {below} are truly no more often so than all")


def _share(count: int, of: int) -> str:
    low, high = share_interval(count, of)
    return f"{count} of {of} ({100 * count / of:.1f} %, 95 % interval {100 * low:.1f} to {100 * high:.1f})"


def planted(ledgers: int) -> None:
    """Print how often planted effects are named."""
    few = max(ledgers // 2, 1)
    effects = (("station", "Station 2", (1.5, 2, 3)), ("wearer", "W-025", (5, 8)), ("set", "S-040", (4, 7)))
    for part, name, ratios in effects:
        for ratio in ratios:
            found = sum((part, name) in named(ledger(1000 + s, planted={part: ratio})) for s in range(few))
            print(f"{part} x{ratio}, {few} ledgers: found in {found / few:.2f}", flush=True)


def steps(ledgers: int) -> None:
    """Print how often a change of the last year is marked."""
    few = max(ledgers // 2, 1)
    for ratio in (2.0, 0.5, 3.0):
        found = sum(step_seen(ledger(2000 + s, late=ratio)) for s in range(few))
        print(f"last 12 months x{ratio}, {few} ledgers: marked in {found / few:.2f}", flush=True)


def before(ledgers: int) -> None:
    """Print how often the interval of a change holds the truth."""
    for season, level in ((0.0, 0.15), (0.6, 0.15), (0.6, 0.25)):
        for ratio, months in ((1.0, 12), (1.0, 6), (0.5, 12), (0.5, 6)):
            held, clear = covered(ledgers, ratio, months, swing=season, level=level)
            told = f"x{ratio} for {months} months, season {season}, level {level}, {ledgers} ledgers"
            print(f"{told}: 95 % interval holds it in {held:.3f}, excludes 1 in {clear:.2f}", flush=True)


def stated(ledgers: int) -> None:
    """Print how often an effect is found of which the page states 8 in 10: in the unit that it speaks of."""
    nothing = pl.DataFrame(schema=SET_EVENTS)
    columns = {"station": "station", "wearer": "wearer_id", "set": "set_id"}
    found = dict.fromkeys(columns, 0)
    ratios: dict[str, list[float]] = {part: [] for part in columns}
    for seed in range(4000, 4000 + ledgers):
        wears = ledger(seed)
        smallest = signals(wears, nothing).smallest
        for part, column in columns.items():
            effect = smallest[part]
            if effect is None:
                continue
            ratios[part].append(effect.ratio)
            name = wears[column].unique().sort()[effect.place]
            unit = int(name.split()[-1]) - 1 if part == "station" else int(name.split("-")[1])
            with_it = ledger(seed, planted={part: effect.ratio}, units={**UNITS, part: unit})
            found[part] += (part, name) in named(with_it)
    for part, times in ratios.items():
        told = f"{part} x{np.median(times):.2f}, of which the page states 0.80, {len(times)} ledgers"
        print(f"{told}: found in {found[part] / max(len(times), 1):.3f}", flush=True)


def covered(ledgers: int, ratio: float, months: int, **design: float) -> tuple[float, float]:
    """Return how often the interval of a change in exits holds the truth, and how often it excludes 1."""
    first = 12 * RUNNING.year - months
    since = date(first // 12, first % 12 + 1, 1)
    held = clear = 0
    for seed in range(ledgers):
        wears = ledger(3000 + seed, late=ratio, late_months=months, **design)  # type: ignore[arg-type]
        found = next(one for one in changes(wears, since) if one.measure == "low_air_exits")
        held += found.low <= ratio <= found.high
        clear += found.clear
    return held / ledgers, clear / ledgers


def step_seen(wears: pl.DataFrame) -> bool:
    """Return whether the exits' chart has a mark."""
    return bool(judged_months(wears, RUNNING)["low_air_exits"].marks)


PARTS: dict[str, Callable[[int], None]] = {
    "nulls": nulls,
    "differ": differ,
    "planted": planted,
    "stated": stated,
    "steps": steps,
    "before": before,
}

if __name__ == "__main__":
    if sys.argv[1:2] and sys.argv[1] in PARTS:
        PARTS[sys.argv[1]](int(sys.argv[2]))
    else:
        main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
