"""Learn the interval of the forecast from wears whose end is known, score it on others, keep it in a file.

Each end is a linear quantile regression (Koenker and Bassett 1978, Econometrica 46:33-50) of
ln(said / happened) on the terms of `IntervalEnds`. A wear counts once within its lot, however long it was; a
lot (the service's own wears, real breathing, simulated wears) counts by its weight. `folds_by_person` keeps a
person's wears together, so that what is reported was never learnt from the people it is reported on.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, NamedTuple

import msgspec
import numpy as np
import polars as pl
from msgspec import Meta
from numpy.typing import NDArray

from analysis.air.breathing import reconstruct
from analysis.air.forecast import EARLY_TERMS, LATE_TERMS, SHIPPED, EarlyWeights, IntervalEnds, LateWeights
from analysis.air.gas import Cylinder, FloatArray
from ingest.contract.errors import UnderairError
from ingest.plurals import counted

EARLY_SHARE, LATE_SHARE = 0.04, 0.06
"""Shares of truths outside each end: 90 % inside, the smaller share on the dangerous side. Our own rule."""
ROUNDED = 0.03
"""The corner of the loss is rounded over so much of ln(said / happened), so that it can be descended."""
RIDGE = 0.001
FEWEST_PEOPLE = 10
HARD_WORK_L_MIN = 60.0
FROM_S, UNTIL_S, EVERY_S = 180, 24.0, 10
"""What is learnt from and judged of a wear: its first and last moments are left out."""
MISS_COSTS = 20.0
"""Winkler's score: width + 2/0.1 for each minute outside (Winkler 1972, J. Am. Stat. Assoc. 67:187-191)."""


@dataclass(frozen=True)
class Forecasts:
    """Forecasts beside what happened; arrays of shape (n,), one row each."""

    # `said_min`, `expected_l_min`, `hardest_l_min`, `easiest_l_min`, `age_min`: as in `IntervalEnds.terms`
    said_min: FloatArray
    expected_l_min: FloatArray
    hardest_l_min: FloatArray
    easiest_l_min: FloatArray
    age_min: FloatArray
    happened_min: FloatArray  # minutes that it took
    # `wear`, `person`: array of int: whose forecast it was
    wear: NDArray[np.intp]
    person: NDArray[np.intp]
    wear_l_min: FloatArray  # the wear's mean rate until the warning

    def where(self, chosen: NDArray[np.bool_]) -> "Forecasts":
        """Return the rows chosen."""
        return Forecasts(*(getattr(self, name)[chosen] for name in self.__dataclass_fields__))

    def terms(self, ends: IntervalEnds) -> FloatArray:
        """Return the terms of `ends`, shape (n, 9)."""
        rates = (self.expected_l_min, self.hardest_l_min, self.easiest_l_min)
        return ends.terms(self.said_min, *rates, self.age_min)

    @property
    def once_a_wear(self) -> FloatArray:
        """Weights that let each wear count once."""
        _, place, rows = np.unique(self.wear, return_inverse=True, return_counts=True)
        weights: FloatArray = 1.0 / rows[place]
        return weights


def joined(parts: list[Forecasts]) -> Forecasts:
    """Return the rows of all parts."""
    names = Forecasts.__dataclass_fields__
    return Forecasts(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))


def forecasts_of_wear(
    said_min: FloatArray,
    hardest_l_min: FloatArray,
    easiest_l_min: FloatArray,
    hardest_min: FloatArray,
    reached_s: float,
    wear: int,
    person: int,
    wear_l_min: float,
) -> Forecasts:
    """Return a wear's forecasts every 10 s, from its fourth minute until 24 s before the warning.

    - `said_min`, `hardest_l_min`, `easiest_l_min`, `hardest_min`: array, shape (n,): on the 1 s grid, as
      `AirTrack` and the table `air` have them; `hardest_min` is `low_air_hardest_min`.
    - `reached_s`: when the warning was reached, seconds since the wear's start.
    - `wear_l_min`: mean rate until then.
    """
    seconds = np.arange(FROM_S, min(reached_s - UNTIL_S, said_min.size), EVERY_S).astype(np.intp)
    seconds = seconds[(said_min[seconds] > 0.0) & np.isfinite(hardest_min[seconds])]
    said, hardest = said_min[seconds], hardest_l_min[seconds]
    # The scenario's minutes are the litres still to use over the hardest rate (at least 1 L/min).
    to_use_l = hardest_min[seconds] * np.maximum(hardest, 1.0)
    age_min = seconds / 60.0
    return Forecasts(
        said,
        to_use_l / said,
        hardest,
        easiest_l_min[seconds],
        age_min,
        reached_s / 60.0 - age_min,
        np.full(seconds.size, wear),
        np.full(seconds.size, person),
        np.full(seconds.size, wear_l_min),
    )


class Lot(NamedTuple):
    """Forecasts that are learnt from together, with their weight at the early and at the late end."""

    forecasts: Forecasts
    early_weight: float = 1.0
    late_weight: float = 1.0


class Score(NamedTuple):
    """How an interval did; shares of forecasts with each wear counting once, minutes."""

    wears: int
    held: float
    early: float
    late: float
    width_min: float
    winkler_min: float


def learn_ends(
    lots: list[Lot],
    name: str,
    *,
    shares: tuple[float, float] = (EARLY_SHARE, LATE_SHARE),
    like: IntervalEnds = SHIPPED,
) -> IntervalEnds:
    """Return the ends that these lots teach.

    - `shares`: (float, float): of truths before the early end, and after the late end.
    """
    terms = np.vstack([lot.forecasts.terms(like) for lot in lots])
    ratio = np.concatenate([np.log(lot.forecasts.said_min / lot.forecasts.happened_min) for lot in lots])
    found = []
    for level, column, used in (
        (1.0 - shares[0], "early_weight", EARLY_TERMS),
        (shares[1], "late_weight", LATE_TERMS),
    ):
        weight = np.concatenate(
            [getattr(lot, column) * lot.forecasts.once_a_wear / _wears(lot.forecasts) for lot in lots]
        )
        found.append(quantile_regression(terms[:, used], ratio, weight, level))
    early, late = found
    return replace(like, name=name, early=early, late=late)  # type: ignore[arg-type]


def quantile_regression(
    terms: FloatArray, values: FloatArray, weight: FloatArray, level: float
) -> tuple[float, ...]:
    """Return the weights of `terms` that put a share `level` of the values below their sum.

    - `terms`: array, shape (n, k): the first column is 1.
    - `values` and `weight`: array, shape (n,).
    - `level`: between 0 and 1.
    """
    from scipy.optimize import minimize
    from scipy.special import expit

    centre, scale = terms[:, 1:].mean(axis=0), terms[:, 1:].std(axis=0)
    scale = np.where(scale > 0.0, scale, 1.0)
    standard = np.column_stack([np.ones(len(terms)), (terms[:, 1:] - centre) / scale])
    part = weight / weight.sum()

    def loss(beta: FloatArray) -> tuple[float, FloatArray]:
        over = values - standard @ beta
        rounded = level * over + ROUNDED * np.logaddexp(0.0, -over / ROUNDED)
        slope = -standard.T @ (part * (level - expit(-over / ROUNDED)))
        ridge = RIDGE * np.concatenate([[0.0], beta[1:]])
        return float(part @ rounded + 0.5 * ridge @ beta), slope + ridge

    start = np.concatenate([[float(np.average(values, weights=part))], np.zeros(terms.shape[1] - 1)])
    found_at = minimize(loss, start, jac=True, method="L-BFGS-B", options={"maxiter": 500})
    beta: FloatArray = found_at.x
    weights = beta[1:] / scale
    return float(beta[0] - weights @ centre), *weights.tolist()


def score(
    forecasts: Forecasts,
    ends: IntervalEnds = SHIPPED,
    *,
    early_late: tuple[FloatArray, FloatArray] | None = None,
) -> Score:
    """Return how `ends`, or the early and late ends given in minutes, would have done on these forecasts."""
    if early_late is None:
        early_late = ends.around(forecasts.said_min, forecasts.terms(ends))
    early_min, late_min = early_late
    if forecasts.said_min.size == 0:
        return Score(0, 0.0, 0.0, 0.0, 0.0, 0.0)
    happened, weight = forecasts.happened_min, forecasts.once_a_wear
    early = float(np.average(happened < early_min, weights=weight))
    late = float(np.average(happened > late_min, weights=weight))
    outside = np.maximum(early_min - happened, 0.0) + np.maximum(happened - late_min, 0.0)
    winkler = float(np.average(late_min - early_min + MISS_COSTS * outside, weights=weight))
    widths = [np.median((late_min - early_min)[forecasts.wear == wear]) for wear in np.unique(forecasts.wear)]
    return Score(len(widths), 1.0 - early - late, early, late, float(np.median(widths)), winkler)


def folds_by_person(person: NDArray[np.intp], folds: int = 5) -> Iterator[NDArray[np.bool_]]:
    """Yield, fold by fold, which rows are of the people left out; each person is left out once."""
    people = np.unique(person)
    for fold in range(min(folds, people.size)):
        yield np.isin(person, people[fold::folds])


def _wears(forecasts: Forecasts) -> int:
    return int(np.unique(forecasts.wear).size)


FORMAT = 2
Share = Annotated[float, Meta(ge=0, le=1)]


class LearntLine(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How one interval did on one group of wears, each wear counting once."""

    # `learnt` (each person judged by constants learnt from the others) or the name of those in force.
    interval: str
    group: str  # `all` or `above 60 L/min`
    wears: int
    held: Share
    early: Share
    late: Share
    width_min: float
    winkler_min: float


class Learnt(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What a service's own wears taught."""

    format: int
    version: Annotated[str, Meta(min_length=1, max_length=200)]  # named by profile, page, review and report
    made: str  # when, UTC
    # `people`, `wears`: how many the constants rest on
    people: Annotated[int, Meta(ge=FEWEST_PEOPLE)]
    wears: int
    # `early`, `late`: tuple of 8 and of 7 floats: see `analysis.air.forecast.IntervalEnds`
    early: EarlyWeights
    late: LateWeights
    adopted: bool  # truths before the early end fell and Winkler's score did not rise, on people left out
    proof: tuple[LearntLine, ...]

    def ends(self) -> IntervalEnds:
        """Return the constants for the filter."""
        return IntervalEnds(name=self.version, early=self.early, late=self.late)


def learnt_bytes(learnt: Learnt) -> bytes:
    """Return what the file holds, one field a line."""
    return msgspec.json.format(msgspec.json.encode(learnt), indent=1) + b"\n"


def read_learnt(path: Path) -> Learnt:
    """Read a file of `learnt_bytes`.

    Raises `ValueError` when it cannot be read, is of another format, or was not adopted; the sentence says
    which.
    """
    try:
        learnt = msgspec.json.decode(path.read_bytes(), type=Learnt, strict=True)
    except OSError as error:
        raise ValueError(f"cannot read {path}: {error.strerror}") from None
    except msgspec.MsgspecError as error:
        raise ValueError(f"{path} is not a file written by `underair learn`: {error}") from None
    if learnt.format != FORMAT:
        raise ValueError(f"{path} has format {learnt.format}, this underair reads format {FORMAT}")
    if not learnt.adopted:
        raise ValueError(
            f"{path} was not adopted: on people left out it was no better than the constants that ship"
        )
    return learnt


SIMULATED = Path(__file__).parents[1] / "simulation" / "wears_to_learn_from.parquet"
"""Readings every second of simulated wears: seven kinds of work, and work until the air is gone (`hot`)."""
LOT_WEIGHTS = {"own": (2.0, 5.0), "simulated": (1.0, 2.0), "hot": (0.5, 0.5)}
"""At the early end and at the late end. Our own rule: the service's own wears count most."""


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
