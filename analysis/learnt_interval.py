"""What a service's own wears teach about the interval of the forecast, and whether that is better."""

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import polars as pl

from analysis.air.breathing import reconstruct
from analysis.air.forecast import IntervalEnds
from analysis.air.gas import Cylinder
from analysis.air.learning import (
    FEWEST_PEOPLE,
    FORMAT,
    HARD_WORK_L_MIN,
    Forecasts,
    Learnt,
    LearntLine,
    Lot,
    folds_by_person,
    forecasts_of_wear,
    joined,
    learn_ends,
    score,
)
from ingest.contract.errors import UnderairError
from ingest.plurals import counted

SIMULATED = Path(__file__).parent / "simulation" / "wears_to_learn_from.parquet"
"""Readings every second of simulated wears: seven kinds of work, and work until the air is gone (`hot`)."""
LOT_WEIGHTS = {"own": (2.0, 5.0), "simulated": (1.0, 2.0), "hot": (0.5, 0.5)}
"""At the early end and at the late end. Our own rule: the service's own wears count most."""
LOW_AIR_BAR = 55.0


class NotEnough(UnderairError):
    """An archive does not hold what is needed to learn from it."""


def forecasts_of_results(
    results: Mapping[str, pl.DataFrame], people: dict[str, int], first_wear: int
) -> list[Forecasts]:
    """Return the forecasts of every wear whose wearer is known and that reached its warning.

    - `results`: the tables `wears` and `air`.
    - `people`: numbers given to wearers so far; it grows.
    - `first_wear`: number of the next wear.
    """
    found: list[Forecasts] = []
    wears = results["wears"].filter(
        pl.col("low_air_at").is_not_null()
        & pl.col("wearer_id").is_not_null()
        & pl.col("mean_l_min").is_not_null()
    )
    for wear in wears.iter_rows(named=True):
        air = results["air"].filter(pl.col("wear_id") == wear["wear_id"]).sort("time")
        reached_s = (wear["low_air_at"] - wear["started"]).total_seconds()
        names = ("low_air_min", "hardest_l_min", "easiest_l_min", "low_air_hardest_min")
        minutes, hardest, easiest, hardest_min = (air[name].to_numpy().astype(float) for name in names)
        until = air["rate_l_min"].to_numpy()[: max(int(reached_s), 1)]
        if until.size == 0:
            continue
        person = people.setdefault(wear["wearer_id"], len(people))
        rows = forecasts_of_wear(
            *(minutes, hardest, easiest, hardest_min),
            reached_s,
            first_wear + len(found),
            person,
            float(until.mean()),
        )
        if rows.said_min.size:
            found.append(rows)
    return found


def learn_interval(own: list[Forecasts], in_force: IntervalEnds, made: str) -> Learnt:
    """Learn from a service's own wears beside simulated ones, each person judged by the others.

    - `own`: one for each wear.
    - `in_force`: what the learnt constants are compared with.
    - `made`: when, UTC, for the version.

    Raises `NotEnough` with too few people, or when nobody worked hard.
    """
    people = len({int(rows.person[0]) for rows in own})
    if people < FEWEST_PEOPLE:
        raise NotEnough(
            f"to learn the interval, at least {FEWEST_PEOPLE} wearers must have reached the warning while "
            f"tallied in; there are {people}. Keep the constants that ship"
        )
    hardest = max(float(rows.wear_l_min[0]) for rows in own)
    if hardest <= HARD_WORK_L_MIN:
        raise NotEnough(
            f"nobody breathed more than {HARD_WORK_L_MIN:.0f} L/min over a wear (highest: {hardest:.0f}), "
            "so these wears say nothing about hard work. Keep the constants that ship"
        )
    all_own = joined(own)
    others = simulated_lots()
    version = f"learnt {made[:10]} from {counted(people, 'person', 'people')}, {counted(len(own), 'wear')}"
    early, late = np.empty(all_own.said_min.size), np.empty(all_own.said_min.size)
    for out in folds_by_person(all_own.person):
        ends = learn_ends([Lot(all_own.where(~out), *LOT_WEIGHTS["own"]), *others], version, like=in_force)
        left_out = all_own.where(out)
        early[out], late[out] = ends.around(left_out.said_min, left_out.terms(ends))
    now_early, now_late = in_force.around(all_own.said_min, all_own.terms(in_force))
    hard = all_own.wear_l_min > HARD_WORK_L_MIN
    proof = tuple(
        _line(name, group, all_own, chosen, first, last)
        for name, first, last in (("learnt", early, late), (in_force.name, now_early, now_late))
        for group, chosen in (("all", np.ones(hard.size, dtype=bool)), ("above 60 L/min", hard))
    )
    learnt_all, now_all = proof[0], proof[2]
    ends = learn_ends([Lot(all_own, *LOT_WEIGHTS["own"]), *others], version, like=in_force)
    return Learnt(
        format=FORMAT,
        version=version,
        made=made,
        people=people,
        wears=len(own),
        early=ends.early,
        late=ends.late,
        adopted=learnt_all.early < now_all.early and learnt_all.winkler_min <= now_all.winkler_min,
        proof=proof,
    )


def _line(
    name: str, group: str, forecasts: Forecasts, chosen: np.ndarray, early: np.ndarray, late: np.ndarray
) -> LearntLine:
    return LearntLine(name, group, *score(forecasts.where(chosen), early_late=(early[chosen], late[chosen])))


def simulated_lots() -> list[Lot]:
    """Return the simulated wears that ship, as lots to learn from beside a service's own."""
    lots: dict[str, list[Forecasts]] = {}
    for wear in pl.read_parquet(SIMULATED).iter_rows(named=True):
        bars = np.array(wear["reading_bar"], dtype=np.float64)
        air = reconstruct(np.arange(bars.size, dtype=np.float64), bars, Cylinder(), start_temperature_c=20.0)
        said = (air.low_air_min, air.hardest_l_min, air.easiest_l_min, air.low_air_hardest_min)
        rows = forecasts_of_wear(*said, wear["reached_s"], wear["number"], wear["number"], wear["mean_l_min"])
        if rows.said_min.size:
            lots.setdefault(wear["lot"], []).append(rows)
    return [Lot(joined(rows), *LOT_WEIGHTS[name]) for name, rows in lots.items()]
