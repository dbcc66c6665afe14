"""How often chance alone names somebody here: the service's own wears, drawn again without any difference.

Wears, people, sets, stations, kinds, tasks, incidents and months stay as they are. Events and amounts are
drawn again, so that no person, set, station or year differs from another, while incidents cluster, months are
alike and seasons turn as much as in the record. What is then named or marked is false.

The spread between incidents and months is found by moments: the variance of their counts, less what
independent wears would give, over the squares of the expected counts (variance components; our own choice of
estimator).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.trends.comparisons import SIGNAL_AMOUNTS, signals
from analysis.trends.measures import SILENT_WEAR_MIN, WearLots, flags_of, judged_months, lots_of
from analysis.trends.naming import (
    Codes,
    Floats,
    expected_of,
    known_places,
)
from analysis.trends.prediction import FEWEST_FOR_A_SEASON, alike, logs_of, season_of, seasonal_fit
from analysis.trends.statistics import binomial_rate

DRAWS = 200
MOST_LIKELY = 0.95


@dataclass(frozen=True)
class FalseMarks:
    """What was named or marked in ledgers without a difference."""

    drawn: int = 0  # how many ledgers
    naming: int = 0  # those in which a station, role, wearer or set was named
    marking: int = 0  # those in which a chart had a mark, or a steady rise or fall was listed

    def shares(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Return the share that named, and that marked, each with the upper end of its 95 % interval."""
        told = []
        for count in (self.naming, self.marking):
            rate = binomial_rate(count, self.drawn, 1.0)
            told.append((rate.rate, rate.high) if rate else (0.0, 1.0))
        return told[0], told[1]


def false_marks(wears: pl.DataFrame, set_events: pl.DataFrame, running: date) -> Iterator[FalseMarks]:
    """Yield the counts after each ledger that is drawn, without an end.

    - `wears`: the ledger's wears with `station` and `role`.
    - `set_events`: as in `analysis.trends.comparisons.signals`.
    - `running`: first day of the month that is not over.
    """
    wears = wears.filter(pl.col("started").is_not_null())
    rng = np.random.default_rng(0)
    draw = Redrawn(wears)
    count = FalseMarks()
    while len(wears):
        made = draw.wears(rng)
        found = signals(made, draw.events(set_events, rng), running).found
        named = any(one.part != "service" for one in found)
        marked = any(one.part == "service" for one in found) or any(
            one.marks for one in judged_months(made, running).values()
        )
        count = FalseMarks(count.drawn + 1, count.naming + named, count.marking + marked)
        yield count


class Redrawn:
    """Draws a ledger's wears again; what does not change from draw to draw is worked out once."""

    def __init__(self, wears: pl.DataFrame) -> None:
        self._wears = wears
        lots = lots_of(wears)
        flags = flags_of(wears)
        self._known = {name: known_places(flag) for name, flag in flags.items()}
        self._flags = {
            name: _Likely(flags[name][known], lots.only(known)) for name, known in self._known.items()
        }
        self._amounts = {
            name: _Spread(wears[name].cast(pl.Float64).fill_null(np.nan).to_numpy(), lots)
            for name in SIGNAL_AMOUNTS
        }

    def wears(self, rng: np.random.Generator) -> pl.DataFrame:
        """Return the wears with events and amounts drawn again."""
        drawn = {name: likely.draw(rng) for name, likely in self._flags.items()}
        exits = np.full(len(self._wears), np.nan)
        exits[self._known["low_air_exits"]] = drawn["low_air_exits"]
        columns = [
            pl.Series("low_air_exits", exits).fill_nan(None).cast(pl.Int64),
            self._counts("no_motion_alarms", drawn["no_motion_wears"], rng),
            self._counts("distress_alarms", drawn["distress_wears"], rng),
            self._silence(drawn["silent_wears"], rng),
        ]
        columns += [
            pl.Series(name, spread.draw(rng)).fill_nan(None) for name, spread in self._amounts.items()
        ]
        made = self._wears.with_columns(columns)
        return made.with_columns(
            pl.col("battery_fraction").shuffle(seed=int(rng.integers(1 << 31))).over("set_id")
        )

    def events(self, events: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
        """Return as many events of sets, each given to any wear's set."""
        worn = self._wears.drop_nulls(["set_id", "started"])
        if not len(events) or not len(worn):
            return events
        chosen = worn[rng.integers(len(worn), size=len(events)).tolist()]
        return events.with_columns(chosen["set_id"], chosen["started"].alias("at"))

    def _counts(self, name: str, has: NDArray[np.bool_], rng: np.random.Generator) -> pl.Series:
        known = self._wears[name].fill_null(0).to_numpy()
        runs = known[known > 0]
        counts = np.zeros(len(known), dtype=np.int64)
        if len(runs):
            counts[has] = rng.choice(runs, int(has.sum()))
        return pl.Series(name, counts)

    def _silence(self, has: NDArray[np.bool_], rng: np.random.Generator) -> pl.Series:
        known = self._wears["silent_min"].fill_null(0.0).to_numpy()
        made = np.zeros(len(known))
        for side, those in ((has, known >= SILENT_WEAR_MIN), (~has, known < SILENT_WEAR_MIN)):
            if those.any():
                made[side] = rng.choice(known[those], int(side.sum()))
        return pl.Series("silent_min", made)


class _Likely:
    """How likely each wear is to have an event, and by how much incidents and months differ."""

    def __init__(self, flag: Floats, lots: WearLots) -> None:
        self._lots = lots
        due = expected_of(flag, lots.strata)
        size = int(lots.months.max(initial=0)) + 1
        observed = np.bincount(lots.months, flag, minlength=size).astype(np.float64)
        offset = np.bincount(lots.months, due, minlength=size).astype(np.float64)
        self._season: Floats = np.zeros(size)
        if flag.sum() >= FEWEST_FOR_A_SEASON and size >= 24:
            x = _season_and_trend(size, lots.first)
            self._season = x[:, 1:3] @ seasonal_fit(x, observed, np.maximum(offset, 1e-9))[1:3]
        self._due = np.clip(due * np.exp(self._season)[lots.months], 0.0, MOST_LIKELY)
        alone = float((self._due * (1 - self._due)).sum())
        by_incident, pairs = _beyond(lots.incidents, flag, self._due)
        self._between_incidents = max(0.0, by_incident - alone) / pairs if pairs > 0 else 0.0
        expected = np.bincount(lots.months, self._due, minlength=size).astype(np.float64)
        # A rise or fall over the years is a difference, and none is to be left: it is no spread of months.
        rise: Floats = _season_and_trend(size, lots.first)[:, [0, 3]]
        gaps = observed - expected * np.exp(rise @ seasonal_fit(rise, observed, np.maximum(expected, 1e-9)))
        shared = alone + self._between_incidents * pairs
        squares = float((expected**2).sum())
        self._between_months = max(0.0, float((gaps**2).sum()) - shared) / squares if squares else 0.0
        self._alike = alike(gaps / np.sqrt(np.maximum(expected, 1e-9)))

    def draw(self, rng: np.random.Generator) -> NDArray[np.bool_]:
        lots, likely = self._lots, self._due.copy()
        spread = self._between_incidents
        if spread > 0:
            factor = rng.gamma(1 / spread, spread, int(lots.incidents.max()) + 1)
            likely *= factor[lots.incidents]
        sd = np.sqrt(np.log1p(self._between_months))
        level = np.exp(_walk(rng, len(self._season), float(sd), self._alike) - sd**2 / 2)
        drawn: NDArray[np.bool_] = rng.random(len(likely)) < np.minimum(
            likely * level[lots.months], MOST_LIKELY
        )
        return drawn


class _Spread:
    """An amount's logarithms in parts: kind and task, season, incident, and the wear itself."""

    def __init__(self, values: Floats, lots: WearLots) -> None:
        self._values = values
        self._usable = np.isfinite(values) & (values >= 0)
        logs, self._small = logs_of(values[self._usable])
        if not self._small:
            return
        strata = lots.strata[self._usable]
        self._months, unit = lots.months[self._usable], lots.incidents[self._usable]
        self._usual = expected_of(logs, strata)
        rest = logs - self._usual
        size = int(self._months.max()) + 1
        wears = np.bincount(self._months, minlength=size).astype(float)
        mean = np.divide(np.bincount(self._months, rest, minlength=size), np.maximum(wears, 1.0))
        x = _season_and_trend(size, lots.first)
        root = np.sqrt(wears)
        b, *_ = np.linalg.lstsq(x * root[:, None], mean * root, rcond=None)
        self._season = x[:, 1:3] @ b[1:3] if size >= 24 else np.zeros(size)
        gap = mean - x @ b
        places, self._unit = np.unique(unit, return_inverse=True)
        rest = rest - self._season[self._months]
        self._incident = np.bincount(self._unit, rest) / np.bincount(self._unit)
        self._own = rest - self._incident[self._unit]
        # A month's mean varies by its incidents' anyway; only what is beyond that is the month's own.
        months_of = np.zeros(len(places), dtype=np.int64)
        months_of[self._unit] = self._months
        lot = np.bincount(self._unit)
        weight = np.bincount(months_of, lot.astype(float) ** 2, minlength=size) / np.maximum(wears, 1.0) ** 2
        chance = float(self._incident.var()) * weight
        has = wears > 0
        self._sd = float(np.sqrt(max(0.0, float((gap[has] ** 2 - chance[has]).mean())))) if has.any() else 0.0
        self._alike = alike(gap[has])

    def draw(self, rng: np.random.Generator) -> Floats:
        if not self._small:
            return self._values
        level = _walk(rng, len(self._season), self._sd, self._alike) + self._season
        logs = self._usual + level[self._months]
        logs = logs + rng.permutation(self._incident)[self._unit] + rng.permutation(self._own)
        made = self._values.copy()
        made[self._usable] = np.maximum(np.exp(logs) - self._small, 0.0)
        return made


def _season_and_trend(months: int, first: int) -> Floats:
    """Return constant, cosine, sine and a rise from 0 to 1, a row a month."""
    return np.column_stack([season_of(np.arange(months), first), np.linspace(0.0, 1.0, months)])


def _beyond(clusters: Codes, flag: Floats, due: Floats) -> tuple[float, float]:
    """Return the squared gaps of clusters' counts, and the sum over pairs of wears of one cluster."""
    gaps, sums = np.bincount(clusters, flag - due), np.bincount(clusters, due)
    return float((gaps**2).sum()), float((sums**2).sum() - (due**2).sum())


def _walk(rng: np.random.Generator, months: int, sd: float, r: float) -> Floats:
    """Return a level by month of this standard deviation whose neighbours are alike by `r`."""
    steps = rng.standard_normal(months) * sd
    level = np.zeros(months)
    for month in range(months):
        level[month] = steps[month] if not month else r * level[month - 1] + np.sqrt(1 - r * r) * steps[month]
    return level
