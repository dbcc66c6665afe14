"""One wearer's record as arrays on the reconciled clock, ready to be thinned and drawn lane by lane.

Times are float64 milliseconds since 1970 (UTC), which plotly takes as typed arrays on a linear axis.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.air.forecast import EARLY_END_ONLY_S
from analysis.tables import Results

Floats = NDArray[np.float64]
MILLISECONDS = 1000.0
AROUND_A_WEAR_S = 180.0
USUAL_GAP_FACTOR = 3.0
SHORTEST_GAP_S = 5.0


@dataclass(frozen=True)
class Series:
    """Measured values in time order; `gap_ms` is the distance beyond which neighbours are not joined."""

    x: Floats
    y: Floats
    gap_ms: float


@dataclass(frozen=True)
class Band:
    """An estimate with its low and high end on the 1 s grid."""

    x: Floats
    middle: Floats
    low: Floats
    high: Floats


@dataclass(frozen=True)
class Span:
    """Something that lasted: an alarm or a silence."""

    what: str
    started: float
    ended: float


@dataclass(frozen=True)
class Mark:
    """A moment with a word."""

    at: float
    text: str
    value: float = float("nan")


@dataclass(frozen=True)
class PersonLanes:
    """Everything that is drawn for one wearer (or for one set that nobody tallied)."""

    key: str
    wearer_id: str | None
    team: str | None
    set_ids: tuple[str, ...]
    wear_ids: tuple[str, ...]
    started: float
    ended: float
    rated_bar: float
    low_air_bar: float
    pressure: Series
    motion: Series
    temperature: Series
    air: Band
    rate: Band
    surroundings: Band
    forecast: Band
    if_hardest_min: Floats
    hardest_l_min: Floats
    thermal_class: Floats
    dose: Floats
    reported: list[Span] = field(default_factory=list)
    derived: list[Span] = field(default_factory=list)
    silences: list[Span] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)

    @property
    def alarm_kinds(self) -> list[str]:
        """Kinds of alarm, reported or derived, in the order of the contract."""
        present = {span.what for span in self.reported + self.derived}
        return [kind for kind in ALARM_ORDER if kind in present]


READINGS = {"pressure": "pressure_bar", "motion": "motion_m_s2", "temperature": "temperature_c"}
ALARM_ORDER = (
    "distress",
    "no_motion",
    "no_motion_prealarm",
    "low_air",
    "heat",
    "evacuate",
    "battery",
    "fault",
)


def to_ms(frame: pl.DataFrame, column: str) -> Floats:
    """Return a time column as float64 milliseconds since 1970, NaN where null."""
    return frame.select((pl.col(column).dt.epoch("us") / MILLISECONDS).cast(pl.Float64))[column].to_numpy(
        allow_copy=True
    )


def people_of(results: Results) -> pl.DataFrame:
    """Return one row a person of the incident: key, wearer_id, team, sets, wears, started, ended.

    The key is the wearer, or the set where nobody tallied it.
    """
    return (
        results["wears"]
        .with_columns(pl.coalesce("wearer_id", "set_id").alias("key"))
        .group_by("key")
        .agg(
            pl.col("wearer_id").first(),
            pl.col("team").drop_nulls().first(),
            pl.col("set_id").unique().sort().alias("set_ids"),
            pl.col("wear_id").sort_by("started").alias("wear_ids"),
            pl.col("started").min(),
            pl.col("ended").max(),
        )
        .sort("team", "key", nulls_last=True)
    )


def lanes_of(results: Results, messages: dict[str, pl.DataFrame], person: dict[str, Any]) -> PersonLanes:
    """Gather one person's lanes.

    Parameters
    ----------
    results : dict of str to DataFrame
        The incident's tables.
    messages : dict of str to DataFrame
        Messages with `at`, the reconciled time.
    person : dict
        One row of `people_of`.
    """
    wear_ids = list(person["wear_ids"])
    wears = results["wears"].filter(pl.col("wear_id").is_in(wear_ids)).sort("started")
    owned = owned_windows(results["wears"]).filter(pl.col("wear_id").is_in(wear_ids))
    air = results["air"].filter(pl.col("wear_id").is_in(wear_ids)).sort("time")
    heat = results["heat"].filter(pl.col("wear_id").is_in(wear_ids)).sort("time")
    alarms = results["alarms"].filter(
        pl.col("wear_id").is_in(wear_ids) | (pl.col("wear_id").is_null() & _inside_owned(owned, "raised"))
    )
    gaps = results["gaps"].filter(pl.col("wear_id").is_in(wear_ids))
    started, ended = to_ms(wears, "started"), to_ms(wears, "ended")
    reported, derived = _alarm_spans(alarms, float(ended.max()))
    return PersonLanes(
        key=str(person["key"]),
        wearer_id=person["wearer_id"],
        team=person["team"],
        set_ids=tuple(person["set_ids"]),
        wear_ids=tuple(wear_ids),
        started=float(started.min()),
        ended=float(ended.max()),
        rated_bar=_highest(wears, "rated_bar"),
        low_air_bar=_highest(wears, "low_air_bar"),
        pressure=_readings(messages["pressure"], owned, "pressure_bar"),
        motion=_readings(messages["motion"], owned, "motion_m_s2"),
        temperature=_readings(messages["temperature"], owned, "temperature_c"),
        air=_air_band(air),
        rate=_rate_band(air),
        surroundings=_band(heat, "ambient_c", "ambient_lo_c", "ambient_hi_c"),
        forecast=_forecast_band(air),
        if_hardest_min=_column(air, "low_air_hardest_min"),
        hardest_l_min=_column(air, "hardest_l_min"),
        thermal_class=_column(heat, "thermal_class"),
        dose=_column(heat, "dose"),
        reported=reported,
        derived=derived,
        silences=[
            Span("silence", begin, end)
            for begin, end in zip(to_ms(gaps, "started"), to_ms(gaps, "ended"), strict=True)
        ],
        marks=_marks(wears),
    )


def lanes_of_each(
    results: Results, messages: dict[str, pl.DataFrame], people: pl.DataFrame
) -> Iterator[PersonLanes]:
    """Yield the lanes of every person (rows of `people_of`), one at a time.

    Readings and estimates are dealt to their sets and wears once: looking through all of them for each of
    sixty people took four times as long.
    """
    of_sets = {
        kind: messages[kind].select("set_id", "at", column).partition_by("set_id", as_dict=True)
        for kind, column in READINGS.items()
    }
    of_wears = {name: results[name].partition_by("wear_id", as_dict=True) for name in ("air", "heat")}
    for person in people.iter_rows(named=True):
        own = dict(messages)
        for kind, column in READINGS.items():
            none = messages[kind].select("set_id", "at", column).clear()
            parts = [of_sets[kind].get((set_id,), none) for set_id in person["set_ids"]]
            own[kind] = pl.concat(parts)
        its = dict(results)
        for name, frames in of_wears.items():
            its[name] = pl.concat([frames.get((wear,), results[name].clear()) for wear in person["wear_ids"]])
        yield lanes_of(its, own, person)


def owned_windows(wears: pl.DataFrame) -> pl.DataFrame:
    """Return for each wear the stretch of its set's time that belongs to its wearer.

    From a little before the wear to a little after it, and never into the set's wear before or after:
    half of the time in between goes to each.
    """
    margin = pl.duration(milliseconds=int(AROUND_A_WEAR_S * MILLISECONDS))
    half_before = (pl.col("started") - pl.col("ended").shift(1).over("set_id")) / 2
    half_after = (pl.col("started").shift(-1).over("set_id") - pl.col("ended")) / 2
    return wears.sort("set_id", "started").select(
        "wear_id",
        "set_id",
        (pl.col("started") - pl.min_horizontal(half_before, margin)).alias("owned_from"),
        (pl.col("ended") + pl.min_horizontal(half_after, margin)).alias("owned_until"),
    )


def _inside_owned(owned: pl.DataFrame, column: str) -> pl.Expr:
    inside = pl.lit(value=False)
    for row in owned.iter_rows(named=True):
        inside = inside | (
            (pl.col("set_id") == row["set_id"])
            & pl.col(column).is_between(row["owned_from"], row["owned_until"])
        )
    return inside


def owned_messages(frame: pl.DataFrame, owned: pl.DataFrame) -> pl.DataFrame:
    """Return the messages of the owned stretches, in the order of the reconciled clock."""
    return frame.filter(_inside_owned(owned, "at")).sort("at")


def _readings(frame: pl.DataFrame, owned: pl.DataFrame, column: str) -> Series:
    own = owned_messages(frame, owned)
    x = to_ms(own, "at")
    y = own[column].cast(pl.Float64).fill_null(float("nan")).to_numpy()
    usual = float(np.median(np.diff(x))) if len(x) > 2 else 0.0
    return Series(x, y, max(USUAL_GAP_FACTOR * usual, SHORTEST_GAP_S * MILLISECONDS))


def _column(frame: pl.DataFrame, name: str) -> Floats:
    return frame[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()


def _band(frame: pl.DataFrame, middle: str, low: str, high: str) -> Band:
    return Band(to_ms(frame, "time"), _column(frame, middle), _column(frame, low), _column(frame, high))


def _air_band(air: pl.DataFrame) -> Band:
    """90 % band of the estimated pressure: 1.645 standard deviations to each side."""
    middle, spread = _column(air, "pressure_bar"), 1.645 * _column(air, "pressure_sd_bar")
    return Band(to_ms(air, "time"), middle, middle - spread, middle + spread)


def _rate_band(air: pl.DataFrame) -> Band:
    """Break the rate's line where the set was silent; its band goes on and shows how little is known."""
    band = _band(air, "rate_l_min", "rate_lo_l_min", "rate_hi_l_min")
    heard = air["heard"].fill_null(value=False).to_numpy()
    return Band(band.x, np.where(heard, band.middle, np.nan), band.low, band.high)


def _forecast_band(air: pl.DataFrame) -> Band:
    """Return the forecast; while a wear is young only its early end is worth showing, as on the live page."""
    band = _band(air, "low_air_min", "low_air_lo_min", "low_air_hi_min")
    age = (pl.col("time") - pl.col("time").min().over("wear_id")).dt.total_seconds()
    young = air.select(age < EARLY_END_ONLY_S).to_series().to_numpy()
    return Band(band.x, np.where(young, np.nan, band.middle), band.low, np.where(young, np.nan, band.high))


def _highest(frame: pl.DataFrame, column: str) -> float:
    value = frame[column].max()
    return float(value) if isinstance(value, int | float) else float("nan")


def _alarm_spans(alarms: pl.DataFrame, end_of_record: float) -> tuple[list[Span], list[Span]]:
    """Return reported and derived spans; a derived partner stands `lead_s` before the reported one."""
    reported, derived = [], []
    raised, cleared = to_ms(alarms, "raised"), to_ms(alarms, "cleared")
    for row, begin, end in zip(alarms.iter_rows(named=True), raised, cleared, strict=True):
        until = end if np.isfinite(end) else max(end_of_record, begin)
        span = Span(row["alarm"], float(begin), float(until))
        if row["source"] in ("reported", "both"):
            reported.append(span)
        if row["source"] == "derived":
            derived.append(span)
        elif row["source"] == "both":
            shift = MILLISECONDS * (row["lead_s"] or 0.0)
            derived.append(Span(span.what, span.started - shift, span.ended))
    return reported, derived


def _marks(wears: pl.DataFrame) -> list[Mark]:
    """Return the moments that stand on the air lane: turn-back and low-air warning reached."""
    marks = []
    for kind, pressure in (("turn_back", "turn_back_bar"), ("low_air", "low_air_bar")):
        moments = to_ms(wears, f"{kind}_at")
        for moment, value in zip(moments, _column(wears, pressure), strict=True):
            if np.isfinite(moment):
                marks.append(Mark(float(moment), kind, float(value)))
    return marks
