"""What a merged archive of many messages costs: bytes a message, and one set's 30 s out of it.

Run by hand: ``python tests/benchmarks/archive_reads.py [million messages]``. The parts are made straight
from columns: what is measured is reading.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from ingest.archive.folder import create_archive
from ingest.archive.parts import write_part
from ingest.archive.reading import Archive
from ingest.archive.tidying import tidy
from ingest.contract.columns import FRAME_SCHEMAS

SETS = 200
START = datetime(2031, 5, 4, tzinfo=UTC)


def pressures(first: int, rows: int, chance: np.random.Generator) -> pl.DataFrame:
    """Return rows as 200 sets send them, two a second each, with their payloads."""
    number = np.arange(first, first + rows)
    jitter_us = chance.integers(0, 400_000, rows)
    frame = pl.DataFrame(
        {
            "set": number % SETS,
            "seq": number // SETS,
            "at": number // SETS * 500_000 + jitter_us,
            "bar": np.round(300 - (number // SETS) % 4000 * 0.06 + chance.normal(0, 0.2, rows), 1).clip(
                0, 500
            ),
        }
    ).with_columns(
        set_id=pl.format("S-{}", pl.col("set").cast(pl.String).str.zfill(3)),
        time=pl.lit(START) + pl.duration(microseconds=pl.col("at")),
    )
    text = pl.col("time").dt.strftime("%Y-%m-%dT%H:%M:%S%.6fZ")
    return frame.select(
        pl.lit("demo").alias("service"),
        "set_id",
        pl.lit(17).alias("boot").cast(pl.Int64),
        "seq",
        "time",
        pl.lit(None, pl.Float64).alias("uptime_s"),
        pl.col("bar").alias("pressure_bar"),
        pl.lit(None, pl.Float64).alias("gas_temperature_c"),
        pl.lit(None, pl.Float64).alias("shown_low_air_min"),
        (pl.col("time") + pl.duration(milliseconds=35)).alias("received"),
        pl.format("underair/v1/demo/set/{}/pressure", "set_id").alias("topic"),
        pl.concat_str(
            pl.lit('{"kind":"pressure","set_id":"'),
            "set_id",
            pl.lit('","boot":17,"seq":'),
            "seq",
            pl.lit(',"time":"'),
            text,
            pl.lit('","pressure_bar":'),
            "bar",
            pl.lit("}"),
        ).alias("payload"),
        pl.lit(False).alias("retained"),
    ).cast(dict(FRAME_SCHEMAS["pressure"]))  # type: ignore[arg-type]


def main() -> None:
    """Measure and print."""
    millions = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    rows_in_all = int(millions * 1e6)
    chance = np.random.default_rng(20310504)
    with tempfile.TemporaryDirectory() as folder:
        archive = create_archive(folder)
        for first in range(0, rows_in_all, 50_000):
            rows = pressures(first, min(50_000, rows_in_all - first), chance)
            for (day,), part in rows.group_by(pl.col("received").dt.date()):
                write_part(archive, "pressure", day, f"one-{first:010d}", part, "one")  # type: ignore[arg-type]
        began = time.perf_counter()
        done = tidy(archive, datetime(2040, 1, 1, tzinfo=UTC), grace_s=0)
        took_s = time.perf_counter() - began
        size = sum(path.stat().st_size for path in Path(folder).rglob("*.parquet"))
        print(f"merged {done.parts_before} parts into {done.parts_after} in {took_s:.1f} s")
        print(f"{size / rows_in_all:.1f} bytes a message, payload and all")
        took_ms = []
        last_s = rows_in_all / SETS / 2
        for _ in range(15):
            since = START + timedelta(seconds=float(chance.uniform(0, last_s - 60)))
            set_id = f"S-{chance.integers(SETS):03d}"
            began = time.perf_counter()
            found = (
                Archive(archive)
                .scan("pressure")
                .filter(
                    pl.col("set_id") == set_id,
                    pl.col("received") >= since,
                    pl.col("received") < since + timedelta(seconds=30),
                )
                .collect()
            )
            took_ms.append((time.perf_counter() - began) * 1e3)
            if not 55 <= found.height <= 65:
                raise RuntimeError(f"{found.height} rows instead of about 60")
        print(f"one set's 30 s out of {millions:g} million: median {statistics.median(took_ms):.1f} ms")


if __name__ == "__main__":
    main()
