"""A large archive made quickly: whole days of incidents, written as tidied parts, for the benchmarks.

A day has 28 incidents of five wearers, 40 minutes each, three readings a second (a wear: 7,200 messages; a
day: a million). The readings are plain (a steady breather), since only sizes and times are measured here;
payloads are whole messages of the contract, so that the parts compress as real ones do.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pyarrow.parquet as pq

from ingest.archive.manifest import Held, add_line
from ingest.contract.columns import FRAME_SCHEMAS, arrow_table

FIRST_DAY = date(2031, 1, 1)
SETS = 30_000
WEARERS_AN_INCIDENT, INCIDENTS_A_DAY = 5, 28
WEARS_A_DAY = WEARERS_AN_INCIDENT * INCIDENTS_A_DAY
SECONDS = 2400
APART_S = 3000
READINGS = ("pressure", "motion", "temperature")
MESSAGES_A_DAY = WEARS_A_DAY * (SECONDS * len(READINGS) + 2)
ROW_GROUP_ROWS = 25_000  # as `underair tidy` writes


def incident_id(day: int, number: int) -> str:
    """Return the name of incident `number` of day `day`, both from 0."""
    return f"I-{day:04d}-{number:02d}"


def add_days(archive: Path, first: int, last: int) -> None:
    """Write days `first` to `last` - 1 (from 0) into an archive."""
    for day in range(first, last):
        for kind, frame in _day(day).items():
            _write(archive, kind, FIRST_DAY + timedelta(days=day), frame)


def _write(archive: Path, kind: str, day: date, frame: pl.DataFrame) -> None:
    folder = archive / kind / f"date={day.isoformat()}"
    folder.mkdir(parents=True, exist_ok=True)
    speaker = "desk_id" if "desk_id" in frame.columns else "set_id"
    pq.write_table(
        arrow_table(kind, frame.sort(speaker, "received")),
        folder / "day-0.parquet",
        compression="zstd",
        compression_level=3,
        row_group_size=ROW_GROUP_ROWS,
        write_page_checksum=True,
    )
    name_part(archive, folder / "day-0.parquet")


def name_part(archive: Path, part: Path) -> None:
    """Add a part to the manifest, without a digest of its rows: readers pass over what it does not name."""
    times = pl.scan_parquet(part).select(
        pl.len(), first=pl.col("received").min(), last=pl.col("received").max()
    )
    add_line(archive, "tidy", part, Held(*times.collect().row(0)), part)


def _day(day: int) -> dict[str, pl.DataFrame]:
    opened = datetime.combine(FIRST_DAY, datetime.min.time(), UTC) + timedelta(days=day)
    rng = np.random.default_rng([day, 7])
    wears = pl.DataFrame({"wear": np.arange(WEARS_A_DAY)}).select(
        pl.format("S-{}", ((pl.col("wear") + day * WEARS_A_DAY) % SETS).cast(pl.String).str.zfill(5)).alias(
            "set_id"
        ),
        (pl.lit(day * 1000 + 1) + pl.col("wear")).alias("boot"),
        (pl.col("wear") // WEARERS_AN_INCIDENT).alias("incident"),
        (pl.col("wear") // WEARERS_AN_INCIDENT * APART_S + pl.col("wear") % 5 * 20 + 60).alias("starts_s"),
        pl.format("W-{}", pl.col("wear") + 1).alias("wearer_id"),
        pl.format("team-{}", pl.col("wear") % WEARERS_AN_INCIDENT // 3 + 1).alias("team"),
        pl.lit(0.085 + 0.02 * rng.random(WEARS_A_DAY)).alias("bar_s"),
    )
    second = pl.DataFrame({"second": np.arange(SECONDS)})
    grid = wears.join(second, how="cross")
    frames = {}
    for place, kind in enumerate(READINGS):
        jitter = rng.exponential(55_000.0, grid.height).astype(np.int64) + 40_000
        value = {
            "pressure": (300.0 - pl.col("second") * pl.col("bar_s")).round(0),
            "motion": pl.Series(np.round(rng.lognormal(0.0, 0.3, grid.height), 2)),
            "temperature": (35.0 + 15.0 * (pl.col("second") / 300.0).sin()).round(1),
        }[kind]
        field = {"pressure": "pressure_bar", "motion": "motion_m_s2", "temperature": "temperature_c"}[kind]
        said = grid.with_columns(
            (1 + len(READINGS) * pl.col("second") + place).alias("seq"),
            _time(opened, pl.col("starts_s") + pl.col("second"), place * 50_000).alias("time"),
            (pl.col("second") + 60.0).alias("uptime_s"),
            value.alias(field),
        )
        frames[kind] = _heard(kind, "set", said, jitter, ["uptime_s", field])
    once = np.full(wears.height, 60_000)
    first = wears.with_columns(
        pl.lit(0).alias("seq"), _time(opened, pl.col("starts_s") - 2, 0).alias("time"), uptime_s=58.0
    )
    cylinders = {"count": 1, "water_volume_l": 6.8, "rated_bar": 300.0}
    setup = first.with_columns(
        pl.Series("cylinders", [cylinders] * wears.height),
        low_air_bar=55.0,
        no_motion_prealarm_s=20.0,
        no_motion_alarm_s=30.0,
        heat_start_c=150.0,
    )
    frames["setup"] = _heard("setup", "set", setup, once, ["uptime_s", "low_air_bar"])
    off = first.with_columns(
        pl.lit(len(READINGS) * SECONDS + 1).alias("seq"),
        _time(opened, pl.col("starts_s") + SECONDS, 0).alias("time"),
        uptime_s=SECONDS + 60.0,
        state=pl.lit("off"),
    )
    frames["power"] = _heard("power", "set", off, once, ["uptime_s", "state"])
    frames |= _desks(day, opened, wears)
    return frames


def _desks(day: int, opened: datetime, wears: pl.DataFrame) -> dict[str, pl.DataFrame]:
    desk = wears.with_columns(
        pl.format("D-{}", pl.col("incident")).alias("desk_id"),
        pl.lit(day + 1).alias("boot"),
        pl.format(
            "I-{}-{}",
            pl.lit(day).cast(pl.String).str.zfill(4),
            pl.col("incident").cast(pl.String).str.zfill(2),
        ).alias("incident_id"),
        pl.lit(None, pl.Float64).alias("uptime_s"),
    )
    number = pl.col("set_id").cum_count().over("incident")
    tallies = pl.concat(
        [
            desk.with_columns(
                (number + (0 if action == "in" else WEARERS_AN_INCIDENT)).alias("seq"),
                _time(opened, pl.col("starts_s") + after_s, 0).alias("time"),
                pl.lit(action).alias("action"),
            )
            for action, after_s in (("in", 5), ("out", SECONDS - 5))
        ]
    )
    ends = desk.unique("incident_id", keep="first", maintain_order=True)
    incidents = pl.concat(
        [
            ends.with_columns(
                pl.lit(seq).alias("seq"),
                _time(opened, pl.col("starts_s") + after_s, 0).alias("time"),
                pl.lit(action).alias("action"),
            )
            for action, after_s, seq in (("open", 0, 0), ("close", SECONDS + 120, 99))
        ]
    )
    return {
        "tally": _heard(
            "tally",
            "desk",
            tallies,
            np.full(tallies.height, 60_000),
            ["incident_id", "action", "set_id", "wearer_id", "team"],
        ),
        "incident": _heard(
            "incident", "desk", incidents, np.full(incidents.height, 60_000), ["incident_id", "action"]
        ),
    }


def _time(opened: datetime, seconds: pl.Expr, micros: int) -> pl.Expr:
    return pl.lit(opened).dt.cast_time_unit("us") + pl.duration(seconds=seconds, microseconds=micros)


def _heard(kind: str, role: str, said: pl.DataFrame, delay_us: np.ndarray, fields: list[str]) -> pl.DataFrame:
    """Give messages their receipt, topic and payload, in the columns of the archive."""
    name = f"{role}_id"
    quoted = [
        pl.format('"' + field + '":"{}"' if said.schema[field] == pl.String else '"' + field + '":{}', field)
        for field in fields
    ]
    payload = pl.concat_str(
        [
            pl.lit('{"kind":"' + kind + '","' + name + '":"'),
            pl.col(name),
            pl.lit('","boot":'),
            pl.col("boot").cast(pl.String),
            pl.lit(',"seq":'),
            pl.col("seq").cast(pl.String),
            pl.lit(',"time":"'),
            pl.col("time").dt.strftime("%Y-%m-%dT%H:%M:%S%.6fZ"),
            pl.lit('",'),
            pl.concat_str(quoted, separator=","),
            pl.lit("}"),
        ]
    )
    whole = said.with_columns(
        pl.lit("national").alias("service"),
        (pl.col("time") + pl.Series(delay_us).cast(pl.Duration("us"))).alias("received"),
        pl.format("underair/v1/national/" + role + "/{}/" + kind, name).alias("topic"),
        payload.alias("payload"),
        pl.lit(False).alias("retained"),
    )
    return whole.select(
        pl.col(column).cast(dtype) if column in whole.columns else pl.lit(None, dtype).alias(column)
        for column, dtype in FRAME_SCHEMAS[kind].items()
    )
