"""Spark reads an archive and the results: `python reading_with_spark.py ARCHIVE RESULTS`, kept as an example.

Needs `pip install pyspark polars` and a Java run-time, which the tests do not ask for. Every kind and every
table is read by path alone and compared with polars: rows, columns, times, lists, and the sum of each number.
The partitions by day (`date=`) are found by Spark itself: a question about some days opens only their parts.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import Any

import polars as pl
from pyspark.sql import DataFrame, SparkSession
from pyspark.sql import functions as F  # noqa: N812


def compared(name: str, theirs: DataFrame, ours: pl.DataFrame) -> str:
    """Return what was the same; raise on the first difference."""
    numbers = [column for column, dtype in ours.schema.items() if dtype.is_numeric()]
    times = [column for column, dtype in ours.schema.items() if dtype == pl.Datetime]
    lists = [column for column, dtype in ours.schema.items() if dtype == pl.List]
    asked = [F.count("*").alias("rows")]
    asked += [F.sum(F.col(column).cast("double")).alias(f"sum {column}") for column in numbers]
    asked += [F.sum(F.unix_micros(column).cast("decimal(38,0)")).alias(f"time {column}") for column in times]
    asked += [F.sum(F.size(column)).alias(f"items {column}") for column in lists]
    said = theirs.agg(*asked).collect()[0].asDict()
    wanted: dict[str, Any] = {"rows": ours.height}
    wanted |= {f"sum {column}": ours[column].cast(pl.Float64).sum() for column in numbers}
    wanted |= {f"time {column}": sum(ours[column].drop_nulls().to_physical().to_list()) for column in times}
    wanted |= {f"items {column}": ours[column].list.len().sum() for column in lists}
    for what, value in wanted.items():
        here = float(said[what] or 0)
        if not math.isclose(here, float(value), rel_tol=1e-12, abs_tol=1e-9):
            raise SystemExit(f"{name}: {what} is {said[what]} in Spark and {value} in polars")
    columns = [column for column in theirs.columns if column != "date"]
    if columns != ours.columns:
        raise SystemExit(f"{name}: the columns are {columns} in Spark and {ours.columns} in polars")
    return (
        f"{name:12} {ours.height:7,} rows; the same: {len(columns)} columns, {len(numbers)} sums, "
        f"{len(times)} times, {len(lists)} lists"
    )


def main() -> None:
    """Compare everything, and answer two questions."""
    archive, results = (Path(word) for word in sys.argv[1:3])
    spark = (
        SparkSession.builder.master("local[2]")
        .config("spark.ui.enabled", "false")
        .config("spark.driver.bindAddress", "127.0.0.1")
        .config("spark.driver.host", "127.0.0.1")
        .config("spark.sql.session.timeZone", "UTC")
        .getOrCreate()
    )
    spark.sparkContext.setLogLevel("ERROR")
    print(f"Spark {spark.version}, polars {pl.__version__}")
    for kind in sorted({path.parent.parent.name for path in archive.glob("*/date=*/*.parquet")}):
        ours = pl.read_parquet(f"{archive}/{kind}/date=*/*.parquet", hive_partitioning=False)
        print(compared(kind, spark.read.parquet(f"{archive}/{kind}"), ours))
    for path in sorted(results.glob("*.parquet")):
        print(compared(path.stem, spark.read.parquet(str(path)), pl.read_parquet(path)))
    pressure = spark.read.parquet(f"{archive}/pressure")
    by_day = pressure.groupBy("date").agg(
        F.count("*").alias("messages"), F.min("pressure_bar").alias("lowest_bar")
    )
    for row in by_day.orderBy("date").collect():
        print(f"{row.date}: {row.messages} pressure readings, lowest {row.lowest_bar:g} bar")
    day = by_day.orderBy("date").first().date
    opened = pressure.where(F.col("date") == day).select(F.input_file_name()).distinct().count()
    print(f"asking about {day} opens {opened} of {len(pressure.inputFiles())} parts")
    wears, air = (spark.read.parquet(f"{results}/{name}.parquet") for name in ("wears", "air"))
    per_incident = (
        air.groupBy("wear_id")
        .agg(F.count("*").alias("under_air_s"))
        .join(wears, "wear_id")
        .groupBy("incident_id")
        .agg(F.sum("free_air_l").alias("litres"), F.sum("under_air_s").alias("under_air_s"))
    )
    for row in per_incident.orderBy("incident_id").collect():
        print(f"{row.incident_id}: {row.litres:.0f} L in {row.under_air_s} s under air")
    spark.stop()


if __name__ == "__main__":
    main()
