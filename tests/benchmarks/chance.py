"""Simulated services with and without a difference: ``python -m tests.benchmarks.chance [200]``.

Prints how many of so many null ledgers name an innocent station, role, wearer or set, how many pages of
charts have a mark, and how often planted effects are found. Alarms come in runs, incidents differ, months are
alike, seasons turn, and stations attend different incidents. The design is that of the design study (36
months, 6 stations of 20 wearers and 15 sets, about 32 incidents a month).
"""

from __future__ import annotations

import sys
from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl

from analysis.trends.comparisons import signals
from analysis.trends.ledger import SET_EVENTS, WEARS
from analysis.trends.measures import judged_months

STATIONS, WEARERS, SETS, MONTHS = 6, 20, 15, 36
KINDS = ("incident", "drill", "training")
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
FIRST = datetime(2028, 1, 1, tzinfo=UTC)
RUNNING = date(2031, 1, 1)


def ledger(
    seed: int,
    *,
    incidents_vary: float = 1.0,
    level: float = 0.15,
    planted: dict[str, float] | None = None,
    late: float = 1.0,
) -> pl.DataFrame:
    """Return wears with station and role.

    `planted` multiplies the exits of ``station`` (Station 2) or ``wearer`` (W-025), or the silence of ``set``
    (S-040); `late` multiplies all exits of the last twelve months.
    """
    rng, planted = np.random.default_rng(seed), planted or {}
    walk, levels = 0.0, []
    for _ in range(MONTHS):
        walk = 0.5 * walk + level * np.sqrt(1 - 0.25) * rng.standard_normal()
        levels.append(np.exp(walk))
    mix = rng.dirichlet([8, 4, 3], STATIONS)
    rows = []
    for month in range(MONTHS):
        season = 1 + 0.25 * np.cos(2 * np.pi * month / 12)
        day0 = datetime(FIRST.year + month // 12, month % 12 + 1, 1, tzinfo=UTC)
        for number in range(rng.poisson(32 * season)):
            station = int(rng.integers(STATIONS))
            kind = KINDS[int(rng.choice(3, p=mix[station]))]
            day = day0 + timedelta(days=float(rng.uniform(0, 28)))
            bad = rng.gamma(1 / incidents_vary, incidents_vary) if incidents_vary else 1.0
            crew = rng.choice(WEARERS, size=int(rng.integers(2, 7)), replace=False)
            heat = rng.lognormal(0, 0.5)
            for one in crew:
                wearer, task = f"W-{20 * station + int(one):03d}", str(rng.choice(TASKS[kind]))
                set_id = f"S-{15 * station + int(rng.integers(SETS)):03d}"
                rates = [rate * levels[month] * bad for rate in RATE[kind][:3]] + [RATE[kind][3] * bad]
                rates[0] *= late if month >= MONTHS - 12 else 1.0
                rates[0] *= planted.get("station", 1.0) if station == 1 else 1.0
                rates[0] *= planted.get("wearer", 1.0) if wearer == "W-025" else 1.0
                rates[3] *= planted.get("set", 1.0) if set_id == "S-040" else 1.0
                y = rng.random(4) < np.minimum(rates, 0.9)
                runs = rng.geometric(1 / 3, 2)
                minutes = float(np.clip(rng.normal(22, 6), 4, 60))
                rows.append(
                    {
                        "wear_id": f"{len(rows)}",
                        "incident_id": f"{month}-{number}",
                        "kind": kind,
                        "wearer_id": wearer,
                        "task": task,
                        "set_id": set_id,
                        "started": day,
                        "ended": day + timedelta(minutes=minutes),
                        "under_air_min": minutes,
                        "hard_min": float(heat * rng.gamma(2, 2)),
                        "mean_l_min": float(rng.lognormal(3.7, 0.25)),
                        "heat_dose": float(0.05 * heat * rng.lognormal(0, 0.4)),
                        "low_air_exits": int(y[0]),
                        "no_motion_alarms": int(y[1]) * int(runs[0]),
                        "distress_alarms": int(y[2]) * int(runs[1]),
                        "silent_min": 3.0 * float(y[3]),
                        "station": f"Station {station + 1}",
                        "role": ("firefighter", "crew commander", "trainee")[int(one) % 3],
                    }
                )
    schema = {**WEARS, "station": pl.String, "role": pl.String}
    time = pl.Datetime("us", "UTC")
    made = pl.DataFrame(rows, schema_overrides={"started": time, "ended": time})
    absent = [name for name in schema if name not in made.columns]
    made = made.with_columns(pl.lit(None, dtype=schema[name]).alias(name) for name in absent)
    return made.select(pl.col(name).cast(kind) for name, kind in schema.items())


def named(wears: pl.DataFrame) -> set[tuple[str, str]]:
    """Return the stations, roles, wearers and sets that are named."""
    found = signals(wears, pl.DataFrame(schema=SET_EVENTS)).found
    return {(one.part, one.name) for one in found if one.part != "service"}


def marked(wears: pl.DataFrame) -> bool:
    """Return whether any chart has a mark."""
    return any(one.marks for one in judged_months(wears, RUNNING).values())


def main(ledgers: int) -> None:
    """Print all shares."""
    for title, vary in (("incidents vary by 1", 1.0), ("incidents vary by 3", 3.0), ("independent", 0.0)):
        names = marks = 0
        for seed in range(ledgers):
            one = ledger(seed, incidents_vary=vary)
            names, marks = names + bool(named(one)), marks + marked(one)
        shares = f"names anybody {names / ledgers:.3f}; marks a chart {marks / ledgers:.3f}"
        print(f"no difference, {title}, {ledgers} ledgers: {shares}", flush=True)
    few = max(ledgers // 2, 1)
    planted = (("station", "Station 2", (1.5, 2, 3)), ("wearer", "W-025", (5, 8)), ("set", "S-040", (4, 7)))
    for part, name, ratios in planted:
        for ratio in ratios:
            found = sum((part, name) in named(ledger(1000 + s, planted={part: ratio})) for s in range(few))
            print(f"{part} x{ratio}, {few} ledgers: found in {found / few:.2f}", flush=True)
    for ratio in (2.0, 0.5, 3.0):
        found = sum(step_seen(ledger(2000 + s, late=ratio)) for s in range(few))
        print(f"last 12 months x{ratio}, {few} ledgers: marked in {found / few:.2f}", flush=True)


def step_seen(wears: pl.DataFrame) -> bool:
    """Return whether the exits' chart has a mark."""
    return bool(judged_months(wears, RUNNING)["low_air_exits"].marks)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
