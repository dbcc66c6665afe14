"""One wearer's record as arrays on the reconciled clock, ready to be thinned and drawn lane by lane.

Times are float64 milliseconds since 1970 (UTC), which plotly takes as typed arrays on a linear axis.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.air.forecast import EARLY_END_ONLY_S
from analysis.clocks.links import LATE_S, SILENCE_INTERVALS
from analysis.findings.late import not_yet_known
from analysis.records import Ints, floats, micros
from analysis.same_id import own_set
from analysis.tables import Results
from dashboard.incident_record import LightRecord
from dashboard.review import words
from dashboard.units import Quantity
from dashboard.words import ALARMS, shortened

Floats = NDArray[np.float64]
MILLISECONDS = 1000.0
Readings = tuple[Ints, Ints, Floats]
"""When, on the reconciled clock, and in its order; when received (microseconds since 1970); values."""
AROUND_A_WEAR_S = 180.0
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
    spoken: Series  # the gauge as it was read by voice: never joined
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
    unknown: list[Span] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)

    def title(self, room: int = 1000) -> str:
        """Return the heading of the lanes; long names share the letters that there is room for."""
        names = [(words.WEARER, self.wearer_id) if self.wearer_id else ("", words.NOT_TALLIED.capitalize())]
        names += [(words.TEAM, self.team)] if self.team else []
        names.append((words.SET, ", ".join(self.set_ids)))
        left = room - sum(len(what) + 1 for what, _ in names) - 3 * (len(names) - 1)
        if sum(len(name) for _, name in names) > left:
            share = max(left // len(names), 8)
            names = [(what, shortened(name, share)) for what, name in names]
        return " · ".join(f"{what} {name}".strip() for what, name in names)

    @property
    def alarm_kinds(self) -> list[str]:
        """Kinds of alarm, reported or derived, in the order of the contract."""
        present = {span.what for span in self.reported + self.derived}
        return [kind for kind in ALARM_ORDER if kind in present]


READINGS: dict[str, tuple[str, Quantity]] = {
    "pressure": ("pressure_bar", "pressure"),
    "motion": ("motion_m_s2", "motion"),
    "temperature": ("temperature_c", "temperature"),
}
"""Kind, which is the field of `PersonLanes` too: its column, and the quantity in which people read it."""
ALARM_ORDER = tuple(ALARMS)
PRESSURE_BAR, SPREAD_BAR = pl.col("pressure_bar"), 1.645 * pl.col("pressure_sd_bar")
"""The estimate, and its 90 % band: 1.645 standard deviations to each side."""
AGE_S = (pl.col("time") - pl.col("time").min().over("wear_id")).dt.total_seconds()
"""How long a wear has lasted at each row of a table on the 1 s grid."""
# The line breaks where the set was silent; the band goes on and shows how little is known.
RATE_WHERE_HEARD = pl.when("heard").then("rate_l_min")


def to_ms(frame: pl.DataFrame, column: str) -> Floats:
    """Return a time column as float64 milliseconds since 1970, NaN where null."""
    made: Floats = frame[column].cast(pl.Int64).to_numpy() / MILLISECONDS
    return made


def people_of(results: Results) -> pl.DataFrame:
    """Return one row a person of the incident: key, wearer_id, team, sets, wears, started, ended.

    The key is the wearer, or the set where nobody tallied it. A wearer who had two sets at once has a row for
    each, with both names as its key: readings of two cylinders are no line. Somebody who was never heard has
    no wear.
    """
    wears = results["wears"].select("wearer_id", "team", "set_id", "wear_id", "started", "ended")
    until_now = pl.col("ended").cum_max().shift(1).over("wearer_id", order_by="started")
    at_once = (pl.col("started") < until_now).any().over("wearer_id")
    both = pl.when(at_once & pl.col("wearer_id").is_not_null()).then(
        pl.format("{} · {}", "wearer_id", "set_id")
    )
    never = unheard_of(results).join(wears, on="wearer_id", how="anti").explode("set_id")
    return (
        pl.concat([wears, never.drop("told")], how="diagonal")
        .with_columns(pl.coalesce(both, "wearer_id", "set_id").alias("key"))
        .group_by("key")
        .agg(
            pl.col("wearer_id").first(),
            pl.col("team").drop_nulls().first(),
            pl.col("set_id").unique().sort().alias("set_ids"),
            pl.col("wear_id").sort_by("started").drop_nulls().alias("wear_ids"),
            pl.col("started").min(),
            pl.col("ended").max(),
        )
        .sort("team", "key", nulls_last=True)
    )


def chosen_of(people: pl.DataFrame, asked: Sequence[str]) -> list[str]:
    """Return the keys of the people (rows of `people_of`) that a link asks for by key or by wearer."""
    return people.filter(pl.col("key").is_in(asked) | pl.col("wearer_id").is_in(asked))["key"].to_list()


def unheard_of(results: Results) -> pl.DataFrame:
    """Return the entries of which no set was heard: wearer_id, team, set_id (all), started, ended, told.

    From the tally in until a person's word, or until the record ends.
    """
    elsewhere = pl.format(words.NOT_HEARD_HERE.replace("{incident}", "{}"), "other_incident_id")
    return (
        results["entries"]
        .filter(pl.col("wear_ids").list.len() == 0)
        .select(
            "wearer_id",
            "team",
            pl.col("set_ids").alias("set_id"),
            pl.col("tallied_in").alias("started"),
            (pl.col("tallied_in") + pl.duration(microseconds=pl.col("unheard_s").fill_null(0.0) * 1e6)).alias(
                "ended"
            ),
            pl.coalesce(elsewhere, pl.lit(words.NEVER_HEARD)).alias("told"),
        )
    )


def owners_of(people: pl.DataFrame) -> dict[str, str]:
    """Return the person of each wear, and of each set whose wearer was never heard."""
    rows = people.to_dicts()
    had = Counter(set_id for row in rows for set_id in row["set_ids"])
    return {wear: row["key"] for row in rows for wear in row["wear_ids"]} | {
        set_id: row["key"]
        for row in rows
        for set_id in row["set_ids"]
        if not row["wear_ids"] and had[set_id] == 1
    }


def unknown_of(
    results: Results, messages: Mapping[str, pl.DataFrame], people: pl.DataFrame
) -> Iterator[list[Span]]:
    """Yield for each person (rows of `people_of`) the stretches that the desk did not yet know."""
    sets = set(people["set_ids"].explode())
    readings = _by_set(messages, "pressure", READINGS["pressure"][0], sets)
    windows = owned_windows(results["wears"])
    for wear_ids in people["wear_ids"]:
        yield _not_yet_known(
            _owned(readings, _bounds(windows.filter(pl.col("wear_id").is_in(list(wear_ids)))))
        )


def lanes_of(results: Results, messages: Mapping[str, pl.DataFrame], person: dict[str, Any]) -> PersonLanes:
    """Gather the lanes of one person (a row of `people_of`), from messages with `at`, the reconciled time."""
    return next(lanes_of_each(results, messages, [person]))


def lanes_of_each(
    results: Results, messages: Mapping[str, pl.DataFrame], people: Iterable[dict[str, Any]]
) -> Iterator[PersonLanes]:
    """Yield the lanes of every person (rows of `people_of`), one at a time.

    Readings and estimates are dealt to their sets and wears once: looking through all of them for each of
    sixty people took four times as long.
    """
    people = list(people)
    sets = {set_id for person in people for set_id in person["set_ids"]}
    readings = {kind: _by_set(messages, kind, column, sets) for kind, (column, _) in READINGS.items()}
    estimates = {name: _by_wear(results[name]) for name in ("air", "heat")}
    windows, unheard = owned_windows(results["wears"]), unheard_of(results)
    outside = bool(results["alarms"]["wear_id"].null_count())
    for person in people:
        of_wears = pl.col("wear_id").is_in(list(person["wear_ids"]))
        wears = results["wears"].filter(of_wears).sort("started")
        owned = windows.filter(of_wears)
        air, heat = (
            pl.concat([results[name].clear(), *(of[wear] for wear in wears["wear_id"] if wear in of)])
            for name, of in estimates.items()
        )
        air, heat = (each if each["time"].is_sorted() else each.sort("time") for each in (air, heat))
        of_person = of_wears
        if outside:
            whose = pl.col("wearer_id")
            known = whose == (person["wearer_id"] or "")
            of_person |= pl.col("wear_id").is_null() & (
                known | (whose.is_null() & _inside_owned(owned, "raised", pl.col("set_id")))
            )
        alarms = results["alarms"].filter(of_person)
        gaps = results["gaps"].filter(of_wears)
        started, ended = (person[name].timestamp() * MILLISECONDS for name in ("started", "ended"))
        never = unheard.filter(pl.col("wearer_id") == (person["wearer_id"] or ""))
        reported, derived = _alarm_spans(alarms, ended)
        bounds = _bounds(owned)
        pressure = _owned(readings["pressure"], bounds)
        yield PersonLanes(
            **{name: person[name] for name in ("key", "wearer_id", "team")},
            set_ids=tuple(person["set_ids"]),
            wear_ids=tuple(person["wear_ids"]),
            started=started,
            ended=ended,
            rated_bar=_highest(wears, "rated_bar"),
            low_air_bar=_highest(wears, "low_air_bar"),
            pressure=_series(pressure),
            motion=_series(_owned(readings["motion"], bounds)),
            temperature=_series(_owned(readings["temperature"], bounds)),
            spoken=_spoken(messages.get("gauge", pl.DataFrame()), person),
            air=_band(air, PRESSURE_BAR, PRESSURE_BAR - SPREAD_BAR, PRESSURE_BAR + SPREAD_BAR),
            rate=_band(air, RATE_WHERE_HEARD, "rate_lo_l_min", "rate_hi_l_min"),
            surroundings=_band(heat, "ambient_c", "ambient_lo_c", "ambient_hi_c"),
            forecast=_band(
                air, _unless_young("low_air_min"), "low_air_lo_min", _unless_young("low_air_hi_min")
            ),
            if_hardest_min=floats(air["low_air_hardest_min"]),
            hardest_l_min=floats(air["hardest_l_min"]),
            thermal_class=floats(heat["thermal_class"]),
            dose=floats(heat["dose"]),
            reported=reported,
            derived=derived,
            silences=[
                Span(told, begin, end)
                for of, told in ((gaps, [words.SILENT] * len(gaps)), (never, never["told"]))
                for told, begin, end in zip(told, to_ms(of, "started"), to_ms(of, "ended"), strict=True)
            ],
            unknown=_not_yet_known(pressure),
            marks=_marks(wears),
        )


def _by_set(
    messages: Mapping[str, pl.DataFrame], kind: str, column: str, sets: Collection[str]
) -> dict[str, Readings]:
    """Return the readings of each of some sets in the order of the reconciled clock."""
    lots: dict[str, list[Readings]] = {}
    if isinstance(messages, LightRecord) and kind in messages.readings:
        for one in messages.readings[kind]:
            channel = one.channels[kind]
            if one.name in sets:
                own = (channel.at_us, channel.received_us, channel.numbers[column])
                lots.setdefault(one.name, []).append(own)
    else:
        own_id = own_set(messages[kind])
        columns = messages[kind].select(own_id.alias("set_id"), "at", "received", column)
        columns = columns.filter(pl.col("set_id").is_in(list(sets)))
        for (set_id,), part in columns.partition_by("set_id", as_dict=True).items():
            lots[str(set_id)] = [(micros(part["at"]), micros(part["received"]), floats(part[column]))]
    return {set_id: _joined(parts) for set_id, parts in lots.items()}


def _joined(parts: list[Readings]) -> Readings:
    """Return readings as one, in the order of the reconciled clock.

    A message of motion may say only how long the wearer has been still: that is no reading.
    """
    joined = parts[0] if len(parts) == 1 else tuple(map(np.concatenate, zip(*parts, strict=True)))
    at_us, received_us, values = joined
    if (measured := ~np.isnan(values)).sum() < len(values):
        at_us, received_us, values = at_us[measured], received_us[measured], values[measured]
    if np.any(at_us[1:] < at_us[:-1]):
        order = np.argsort(at_us, kind="stable")
        return at_us[order], received_us[order], values[order]
    return at_us, received_us, values


def _by_wear(frame: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Return each wear's rows without a copy: tables on the 1 s grid have them one after the other."""
    runs = frame["wear_id"].rle().struct.unnest()
    if runs["value"].n_unique() < len(runs):
        return {str(key[0]): part for key, part in frame.partition_by("wear_id", as_dict=True).items()}
    ends = runs["len"].cum_sum()
    return {
        wear: frame.slice(end - count, count)
        for count, wear, end in zip(runs["len"], runs["value"], ends, strict=True)
    }


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


def _inside_owned(owned: pl.DataFrame, column: str, of_set: pl.Expr) -> pl.Expr:
    inside = pl.lit(value=False)
    for row in owned.iter_rows(named=True):
        inside = inside | (
            (of_set == row["set_id"]) & pl.col(column).is_between(row["owned_from"], row["owned_until"])
        )
    return inside


def owned_messages(frame: pl.DataFrame, owned: pl.DataFrame) -> pl.DataFrame:
    """Return the messages of the owned stretches, in the order of the reconciled clock."""
    return frame.filter(_inside_owned(owned, "at", own_set(frame))).sort("at")


def _bounds(owned: pl.DataFrame) -> list[tuple[str, int, int]]:
    ends_us = pl.col("owned_from", "owned_until").to_physical()
    return list(owned.sort("owned_from").select("set_id", ends_us).iter_rows())


def _owned(by_set: dict[str, Readings], bounds: list[tuple[str, int, int]]) -> Readings:
    """Return the readings of the owned stretches, in the order of the reconciled clock."""
    nothing: Readings = (np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0))
    parts = [nothing]
    for set_id, first_us, last_us in bounds:
        at_us, received_us, values = by_set.get(set_id, nothing)
        mine = slice(np.searchsorted(at_us, first_us), np.searchsorted(at_us, last_us, side="right"))
        parts.append((at_us[mine], received_us[mine], values[mine]))
    return _joined(parts)  # two sets worn at once, by what the desk said, overlap


def _spoken(gauges: pl.DataFrame, person: dict[str, Any]) -> Series:
    """Return the gauges of a person's sets that were read by voice, without those that were corrected."""
    if "at" not in gauges.columns:
        return Series(np.empty(0), np.empty(0), 0.0)
    margin = timedelta(seconds=AROUND_A_WEAR_S)
    told = gauges.filter(
        pl.col("set_id").is_in(list(person["set_ids"])),
        pl.col("at").is_between(person["started"] - margin, person["ended"] + margin),
    ).sort("at")
    corrected = gauges["corrects"].struct.unnest().select("desk_id", "boot", "seq").drop_nulls()
    told = told.join(corrected, on=["desk_id", "boot", "seq"], how="anti", maintain_order="left")
    return Series(to_ms(told, "at"), floats(told["pressure_bar"]), 0.0)


def _series(readings: Readings) -> Series:
    at_us, _, values = readings
    x = at_us / MILLISECONDS
    usual = float(np.median(np.diff(x))) if len(x) > 2 else 0.0
    return Series(x, values, max(SILENCE_INTERVALS * usual, SHORTEST_GAP_S * MILLISECONDS))


def _not_yet_known(readings: Readings) -> list[Span]:
    at_us, received_us, _ = readings
    return [
        Span("late", first_us / MILLISECONDS, until_us / MILLISECONDS)
        for first_us, until_us in not_yet_known(at_us, received_us, LATE_S)
    ]


def _band(frame: pl.DataFrame, *parts: str | pl.Expr) -> Band:
    """Return middle, low and high end of an estimate."""
    made = frame.select(middle=parts[0], low=parts[1], high=parts[2])
    return Band(to_ms(frame, "time"), *(floats(made[name]) for name in ("middle", "low", "high")))


def _unless_young(column: str) -> pl.Expr:
    """While a wear is young only the early end of its forecast is worth showing, as on the live page."""
    return pl.when(AGE_S >= EARLY_END_ONLY_S).then(column)


def _highest(frame: pl.DataFrame, column: str) -> float:
    value = frame[column].max()
    return float(value) if isinstance(value, int | float) else float("nan")


def _alarm_spans(alarms: pl.DataFrame, end_of_record: float) -> tuple[list[Span], list[Span]]:
    """Return reported and derived spans; a derived partner is `lead_s` before the reported one."""
    reported, derived = [], []
    columns = (alarms["alarm"], to_ms(alarms, "raised"), to_ms(alarms, "cleared"))
    told = zip(*columns, alarms["source"], alarms["lead_s"].fill_null(0.0), strict=True)
    for alarm, begin, end, source, lead_s in told:
        until = end if np.isfinite(end) else max(end_of_record, begin)
        if source in ("reported", "both"):
            reported.append(Span(alarm, float(begin), float(until)))
        if source in ("derived", "both"):
            shift = MILLISECONDS * lead_s if source == "both" else 0.0
            derived.append(Span(alarm, float(begin - shift), float(until)))
    return reported, derived


def _marks(wears: pl.DataFrame) -> list[Mark]:
    """Return the moments that the air lane shows: turn-back and low-air warning reached."""
    return [
        Mark(float(moment), kind)
        for kind in ("turn_back", "low_air")
        for moment in to_ms(wears, f"{kind}_at")
        if np.isfinite(moment)
    ]
