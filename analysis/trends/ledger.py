"""The ledger: one line a wear with all that the long view needs, made once when an incident has ended.

Three tables. `wears` has one line a wear, and one for each person who was tallied in and never heard under
air (`was_heard`); `set_events` what was found about a set; `forecasts` what the
forecast of the low-air warning said when it first came down to so many minutes, and what happened.
"""

import re
from collections.abc import Mapping
from typing import Any, Literal

import polars as pl
import polars.selectors as cs

from analysis.services import told_apart
from analysis.trends.marks import MARKS, marks_of

VERSION = 10
"""Of the meaning of the columns: a ledger of another version is rebuilt."""
HARD_BREATHING_L_MIN = 60.0
"""Above the band that marine training calls heavy work (40 to 60 L/min, marinegyaan.com)."""
LEAST_BREATHING_L_MIN = 5.0
"""Over a whole wear nobody uses less: an adult at rest breathes 6 to 8 L/min. Common practice, no source."""
THERMAL_CLASSES = (1, 2, 3, 4)
FORECAST_MINUTES = (5, 10, 15, 20, 30)
"""How far ahead forecasts are looked at, once a wear each: when the median first came down to so many."""
SET_CODES = ("readings_stuck", "clock_wrong", "clock_stepped", "battery_refused", "battery_low_at_start")
KIND_WORDS = {
    **dict.fromkeys(("drill", "drills", "exercise", "exercises"), "drill"),
    **dict.fromkeys(("training", "trainings", "course", "courses"), "training"),
}
"""The last words of a desk's type or name that make it a drill or training; all else is an incident. Our own
rule."""
_PARTS = re.compile(r"[,;:()/]| - ")
_WHERE = re.compile(r"\b(?:at|in|on|of|with|for|near|by|from|to|during|after|no|nr)\b")
_WHEN = {"day", "days", "night", "evening", "morning", "session", "week"}
_COURSES = {"training", "refresher", "ba"}  # other courses are places: a golf course
LEAST_FALL_BAR = 10.0
"""A fall between two wears below this is cooling, or the gauge. Our own rule."""
MOST_FALL_PART = 0.3
"""A lower start than this part below the last end is another cylinder. Our own rule."""
STANDS_AT_MOST_H = 24.0
TIME = pl.Datetime("us", "UTC")

_CLASSES = tuple(f"class_{number}_s" for number in THERMAL_CLASSES)


def _schema(*columns: tuple[Any, tuple[str, ...]]) -> pl.Schema:
    """Return a schema from types, each with its columns."""
    return pl.Schema([(name, dtype) for dtype, names in columns for name in names])


MEASURED = _schema(
    (pl.String, ("wear_id", "incident_id", "kind", "wearer_id", "team", "task", "set_id")),
    (TIME, ("started", "ended")),
    (pl.Float64, ("cylinder_l", "rated_bar", "start_bar", "end_bar")),
    (pl.Float64, ("under_air_min", "hard_min", "free_air_l", "mean_l_min", "heat_dose", *_CLASSES)),
    (pl.Int64, ("low_air_exits", "no_motion_alarms", "distress_alarms")),
    (pl.Float64, ("silent_min", "battery_fraction")),
)
"""`kind` is incident, drill or training; counts are what happened in the wear, each once an entry.

`low_air_exits` is null where nobody knows: the end was not heard, and the last reading was above the warning.
"""

NOTED = pl.Schema({"service": pl.String(), "entry_id": pl.String(), **MARKS})
"""Its service and entry, and what notes say (`analysis.trends.marks`); lines of before 0.4 lack them."""
WEARS = pl.Schema({**MEASURED, **NOTED})

SET_EVENTS = pl.Schema([("set_id", pl.String), ("at", TIME), ("code", pl.String)])

FORECASTS = _schema(
    (pl.String, ("wear_id",)),
    (TIME, ("at",)),
    (pl.Int64, ("ahead_min",)),
    (pl.Float64, ("said_min", "early_min", "late_min", "happened_min", "watched_min")),
)
"""`happened_min` is null when the wear ended before the warning; it was then watched for `watched_min`."""

SCHEMAS: dict[str, pl.Schema] = {"wears": WEARS, "set_events": SET_EVENTS, "forecasts": FORECASTS}
Ledger = dict[str, pl.DataFrame]
"""The three tables of `SCHEMAS`, always all."""


def empty_ledger() -> Ledger:
    """Return the three tables without a line."""
    return {name: pl.DataFrame(schema=schema) for name, schema in SCHEMAS.items()}


def ledger_of(results: Mapping[str, pl.DataFrame], messages: Mapping[str, pl.DataFrame]) -> Ledger:
    """Return the ledger's lines of one stretch of time.

    - `results`: every table of `analysis.tables`.
    - `messages`: those that the results were made from: the desk's word on task and kind, and the sets'
      batteries.
    """
    wears = pl.concat([_wears(results), _never_heard(results)], how="diagonal_relaxed")
    if not len(wears):
        return {**empty_ledger(), "set_events": _set_events(results)}
    messages = told_apart(messages)  # as the results have the names
    tallied = _tallied(wears, messages["tally"])
    for column, found in (
        ("service", tallied["service"]),
        ("task", _tasks(tallied)),
        ("kind", _kinds(wears, messages["incident"])),
        ("battery_fraction", _batteries(wears, messages["power"])),
    ):
        wears = wears.with_columns(found.alias(column))
    wears = pl.concat([wears, marks_of(wears, messages["note"])], how="horizontal")
    return {
        "wears": wears.select(pl.col(name).cast(dtype) for name, dtype in WEARS.items()),
        "set_events": _set_events(results),
        "forecasts": _forecasts(results),
    }


def was_heard() -> pl.Expr:
    """Tell the ledger's wears from the entries of which no set was heard under air: nothing of them is known.

    They are in no rate and no mean, for which they would be wears without an event.
    """
    return pl.col("under_air_min").is_not_null() | pl.col("started").is_null()


def kind_of(*words: str | None) -> str:
    """Return incident, drill or training from the desk's words, such as type and name.

    The last word before "at", "in", "of" and the like decides, without numbers, single letters and words such
    as "day": a fire at a training centre is no training. After a comma or in brackets, it must be the only
    word. "Exercise" also counts as the first one, as in "Exercise Red Lion".

    Examples
    --------
    >>> kind_of("Building fire"), kind_of("radio drill 3"), kind_of("Training, hot house")
    ('incident', 'drill', 'training')
    >>> kind_of("drilling rig fire"), kind_of("fire at training centre", "Training ground")
    ('incident', 'incident')
    """
    kinds = {
        _kind_of_part(part, alone=number > 0)
        for text in words
        if text
        for number, part in enumerate(_PARTS.split(text.lower()))
    }
    return "training" if "training" in kinds else "drill" if "drill" in kinds else "incident"


def _kind_of_part(part: str, *, alone: bool) -> str | None:
    head = re.findall(r"[^\W\d_]{2,}", _WHERE.split(part, maxsplit=1)[0])
    while head and head[-1] in _WHEN:
        head.pop()
    if not head or (alone and len(head) > 1):
        return None
    if head[0] == "exercise":
        return "drill"
    is_place = head[-1].startswith("course") and len(head) > 1 and head[-2] not in _COURSES
    return None if is_place else KIND_WORDS.get(head[-1])


def falls_between_wears(wears: pl.DataFrame) -> pl.DataFrame:
    """Return where a set's pressure fell between two wears, with the valve closed, as `SET_EVENTS`.

    The same cylinder, within a day: it started lower than it had ended, by more than cooling explains and
    less than a change of cylinder would. Our own rule.
    """
    needed = ("set_id", "started", "ended", "start_bar", "end_bar", "cylinder_l")
    ordered = wears.select(needed).drop_nulls(["set_id", "started", "ended"]).sort("set_id", "started")
    before = {name: pl.col(name).shift(1).over("set_id") for name in ("ended", "end_bar", "cylinder_l")}
    fall = before["end_bar"] - pl.col("start_bar")
    stood_h = (pl.col("started") - before["ended"]).dt.total_minutes() / 60.0
    fell = (
        (fall >= LEAST_FALL_BAR)
        & (fall <= MOST_FALL_PART * before["end_bar"])
        & (before["cylinder_l"] == pl.col("cylinder_l"))
        & stood_h.is_between(0.0, STANDS_AT_MOST_H)
    )
    return ordered.filter(fell).select(
        "set_id", pl.col("started").alias("at"), pl.lit("pressure_fell_closed").alias("code")
    )


def with_falls(set_events: pl.DataFrame, wears: pl.DataFrame) -> pl.DataFrame:
    """Return the events of sets with those of `falls_between_wears`; `wears` are all: a part has gaps."""
    return pl.concat([set_events, falls_between_wears(wears).cast(set_events.schema)])


def _wears(results: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    hard = (
        results["air"]
        .lazy()
        .filter(pl.col("rate_l_min") >= HARD_BREATHING_L_MIN)
        .group_by("wear_id")
        .agg((pl.len() / 60.0).alias("hard_min"))
        .collect()
    )
    alarms = _counted(_reported(results), "wear_id")
    table = results["wears"].join(hard, on="wear_id", how="left").join(alarms, on="wear_id", how="left")
    for number in THERMAL_CLASSES:
        seconds = results["exposure"].filter(pl.col("thermal_class") == number)
        seconds = seconds.select("wear_id", pl.col("seconds").alias(f"class_{number}_s"))
        table = table.join(seconds, on="wear_id", how="left")
    rated = results["air"].filter(pl.col("rate_l_min").is_not_null())["wear_id"].unique()
    # Known to be none only where it was measured.
    measured = {"hard_min": pl.col("wear_id").is_in(rated.implode())}
    measured |= dict.fromkeys(_CLASSES, pl.col("heat_dose").is_not_null())
    left_below = results["findings"].filter(pl.col("code") == "left_below_warning")["wear_id"]
    unheard = results["findings"].filter(pl.col("code") == "end_not_heard")["wear_id"]
    below = (pl.col("end_bar") < pl.col("low_air_bar")) | pl.col("wear_id").is_in(left_below.implode())
    lasted_min = (pl.col("ended") - pl.col("started")).dt.total_microseconds() / 60e6
    silent_min = pl.col("gap_s").fill_null(0.0) / 60.0
    # Nobody breathes so little: the silence was no part of the wear.
    rest = (pl.col("mean_l_min") < LEAST_BREATHING_L_MIN) & (silent_min < lasted_min)
    table = table.with_columns(
        (lasted_min - pl.when(rest).then(silent_min).otherwise(0.0)).alias("under_air_min"),
        # Of who fell silent above the warning nobody knows how they left.
        pl.when(below | ~pl.col("wear_id").is_in(unheard.implode()))
        .then(below.cast(pl.Int64))
        .alias("low_air_exits"),
        silent_min.alias("silent_min"),
        (pl.col("cylinder_count") * pl.col("water_volume_l")).alias("cylinder_l"),
        *(pl.col(name).fill_null(0) for name in ("no_motion_alarms", "distress_alarms")),
        *(pl.when(known).then(pl.col(name).fill_null(0.0)).alias(name) for name, known in measured.items()),
    )
    return _once_an_entry(table)


def _reported(results: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """Return the alarms that sets reported, each with the wear of its entry that is nearest."""
    own = results["wears"].select("entry_id", "started", last="wear_id").drop_nulls().sort("started")
    reported = results["alarms"].filter(pl.col("source") != "derived").sort("raised")
    found = reported.join_asof(
        own,
        left_on="raised",
        right_on="started",
        by="entry_id",
        strategy="nearest",
        check_sortedness=False,
    )
    return found.with_columns(wear_id=pl.coalesce("last", "wear_id"))


def _counted(alarms: pl.DataFrame, of: str) -> pl.DataFrame:
    return alarms.group_by(of).agg(
        (pl.col("alarm") == alarm).sum().cast(pl.Int64).alias(f"{alarm}_alarms")
        for alarm in ("no_motion", "distress")
    )


def _never_heard(results: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """Return a line for each entry of a person without a wear; its name holds no person's.

    A pressure by voice shows who left below the warning; alarms of the set while they were in are
    theirs. Without these it is unknown, never 0.
    """
    entries = results["entries"].filter(
        (pl.col("wear_ids").list.len() == 0)
        & pl.col("wearer_id").is_not_null()
        & pl.col("tallied_in").is_not_null()
    )
    counts = _counted(results["alarms"].filter(pl.col("source") != "derived"), "entry_id")
    return entries.join(counts, on="entry_id", how="left", maintain_order="left").select(
        "incident_id",
        "wearer_id",
        "team",
        "entry_id",
        "no_motion_alarms",
        "distress_alarms",
        wear_id=pl.format("{}/-/{}", pl.col("set_ids").list.first(), pl.col("tallied_in").dt.epoch("s")),
        set_id=pl.col("set_ids").list.first(),
        started="tallied_in",
        ended="tallied_out",
        low_air_exits=pl.when(pl.col("low_air_at").is_not_null()).then(pl.lit(1, pl.Int64)),
        silent_min=(pl.col("tallied_out") - pl.col("tallied_in")).dt.total_microseconds() / 60e6,
    )


def _once_an_entry(wears: pl.DataFrame) -> pl.DataFrame:
    """Count each event once for each entry: a restarted set or a closed valve makes no second person.

    Leaving below the warning belongs to the last wear that ended so, alarms to the first wear that had one.
    It is unknown where the entry's last wear does not show it.
    """
    entry, started = pl.coalesce("entry_id", "wear_id"), pl.col("started")
    low = (pl.col("low_air_exits") > 0).fill_null(value=False)
    last = low & (started == started.filter(low).max().over(entry)).fill_null(value=False)
    open_end = pl.col("low_air_exits").is_null() & (started == started.max().over(entry))
    unknown = open_end & ~low.any().over(entry)
    counted = [pl.when(~unknown).then(last.cast(pl.Int64)).alias("low_air_exits")]
    for name in ("no_motion_alarms", "distress_alarms"):
        has = pl.col(name) > 0
        first = has & (started == started.filter(has).min().over(entry))
        whole = pl.col(name).sum().over(entry)
        counted.append(pl.when(first).then(whole).otherwise(0).cast(pl.Int64).alias(name))
    return wears.with_columns(counted)


def completed(frame: pl.DataFrame, schema: pl.Schema) -> pl.DataFrame:
    """Return a kept table in this schema; what notes say is null in lines of before 0.4.

    Raises `polars.exceptions.ColumnNotFoundError` when any other column is missing.
    """
    later = [name for name in schema if name in NOTED and name not in frame.columns]
    whole = frame.with_columns(pl.lit(None, dtype=NOTED[name]).alias(name) for name in later)
    return whole.select(pl.col(name).cast(dtype) for name, dtype in schema.items())


def _tallied(wears: pl.DataFrame, tally: pl.DataFrame) -> pl.DataFrame:
    """Return service and task of each wear: of its set's and wearer's `in` that is nearest to its start."""
    entries = tally.filter(pl.col("action") == "in").select(
        "incident_id", "set_id", "wearer_id", "service", "task", pl.col("received").alias("at")
    )
    return _told_at_start(wears, entries, ["incident_id", "set_id", "wearer_id"], "nearest")


def _tasks(found: pl.DataFrame) -> pl.Series:
    # "attack, ground floor" and "attack, stairs" are both an attack.
    words = found["task"].str.split(",").list.first().str.strip_chars().str.to_lowercase()
    return words.replace("", None)


def _kinds(wears: pl.DataFrame, incidents: pl.DataFrame) -> pl.Series:
    said: dict[str, str] = {}
    for row in incidents.sort("received").select("incident_id", "type", "name").iter_rows(named=True):
        if row["type"] or row["name"]:
            said[row["incident_id"]] = kind_of(row["type"], row["name"])
    kinds = [said.get(incident, "incident") if incident else None for incident in wears["incident_id"]]
    return pl.Series("kind", kinds, dtype=pl.String)


def _batteries(wears: pl.DataFrame, power: pl.DataFrame) -> pl.Series:
    """The charge that the set had reported when the wear began; null without a report."""
    told = power.filter(pl.col("battery_fraction").is_not_null()).select(
        "set_id", "battery_fraction", pl.col("received").alias("at")
    )
    return _told_at_start(wears, told, ["set_id"], "backward")["battery_fraction"]


def _told_at_start(
    wears: pl.DataFrame, told: pl.DataFrame, keys: list[str], strategy: Literal["nearest", "backward"]
) -> pl.DataFrame:
    """Return for each wear what was told nearest to its start, or last before it (column `at`)."""
    starts = wears.with_row_index("_row").select("_row", *keys, pl.col("started").alias("at")).sort("at")
    found = starts.join_asof(told.sort("at"), on="at", by=keys, strategy=strategy, check_sortedness=False)
    return found.sort("_row")


def _set_events(results: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    found = results["findings"].filter(pl.col("code").is_in(SET_CODES) & pl.col("set_id").is_not_null())
    return found.select("set_id", pl.col("started").alias("at"), "code").cast(dict(SET_EVENTS.items()))


def _forecasts(results: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """One line a wear and `FORECAST_MINUTES`: the first second at which the median came down to so many."""
    ends = results["wears"].select("wear_id", "low_air_at", "ended")
    spoken = (
        results["air"]
        .filter(pl.col("heard") & pl.col("low_air_min").is_finite() & (pl.col("low_air_min") > 0))
        .join(ends, on="wear_id", how="left")
        .filter(pl.col("low_air_at").is_null() | (pl.col("time") < pl.col("low_air_at")))
    )
    lots = [pl.DataFrame(schema=FORECASTS)]
    for ahead in FORECAST_MINUTES:
        came = pl.col("low_air_min") <= ahead
        # A wear that begins with less than this ahead of it never said so many minutes.
        crossing = came & ~came.shift(1, fill_value=True).over("wear_id")
        first = spoken.filter(crossing).group_by("wear_id", maintain_order=True).first()
        lots.append(
            first.select(
                "wear_id",
                at="time",
                ahead_min=pl.lit(ahead, dtype=pl.Int64),
                said_min="low_air_min",
                early_min="low_air_lo_min",
                late_min="low_air_hi_min",
                happened_min=(pl.col("low_air_at") - pl.col("time")).dt.total_microseconds() / 60e6,
                watched_min=(pl.col("ended") - pl.col("time")).dt.total_microseconds() / 60e6,
            ).cast(dict(FORECASTS.items()))
        )
    return pl.concat(lots)


NAMES = pl.Categorical()
"""In memory the ledger has its names as numbers: a third of the memory, and groups are found by number.

Such a name is shown, compared and sorted as its text, and each answer is the same as from texts.
"""
OWN = ("wear_id", "entry_id")
"""Every wear has its own: as numbers they would take more than as texts."""


def coded(frame: pl.DataFrame) -> pl.DataFrame:
    """Return a table of the ledger, its texts as numbers."""
    texts = [name for name, dtype in frame.schema.items() if dtype == pl.String and name not in OWN]
    return frame.with_columns(pl.col(texts).cast(NAMES)) if texts else frame


def plain(frame: pl.DataFrame) -> pl.DataFrame:
    """Return a table of the ledger, its numbers as texts."""
    return frame.with_columns(cs.categorical().cast(pl.String))


def as_in(frame: pl.DataFrame, other: pl.DataFrame, name: str) -> pl.DataFrame:
    """Return a table whose column has the type that it has in another, so that the two can be joined."""
    return frame.with_columns(pl.col(name).cast(other.schema[name]))
