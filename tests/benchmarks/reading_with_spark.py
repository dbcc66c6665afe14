"""Spark reads an archive and the results: `python reading_with_spark.py ARCHIVE RESULTS`, kept as an example.

Needs `pip install pyspark` and a Java run-time, which the tests do not ask for. The partitions by day
(`date=`) are found by Spark itself: a question about some days opens only their parts.
"""

from __future__ import annotations

import sys

from pyspark.sql import SparkSession
from pyspark.sql import functions as F  # noqa: N812


def main() -> None:
    """Print the lowest pressure and the litres of each wear's set, by day and incident."""
    archive, results = sys.argv[1:3]
    spark = (
        SparkSession.builder.master("local[2]")
        .config("spark.ui.enabled", "false")
        .config("spark.driver.bindAddress", "127.0.0.1")
        .config("spark.driver.host", "127.0.0.1")
        .config("spark.sql.session.timeZone", "UTC")
        .getOrCreate()
    )
    spark.sparkContext.setLogLevel("ERROR")
    pressure = spark.read.parquet(f"{archive}/pressure")
    by_day = pressure.groupBy("date").agg(
        F.count("*").alias("messages"), F.min("pressure_bar").alias("lowest_bar")
    )
    for row in by_day.orderBy("date").collect():
        print(f"{row.date}: {row.messages} pressure readings, lowest {row.lowest_bar:g} bar")
    wears = spark.read.parquet(f"{results}/wears.parquet")
    air = spark.read.parquet(f"{results}/air.parquet")
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
