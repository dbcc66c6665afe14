"""What was found about each set: in which wears, how often, and how its battery's charge goes with time."""

from collections.abc import Collection

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.trends.ledger import as_in
from analysis.trends.measures import SILENT_WEAR_MIN

FEWEST_WEARS = 20
"""A station, role, wearer or set with fewer wears is not compared."""
CODES = {
    "readings_stuck": ("readings_stuck",),
    "clock": ("clock_wrong", "clock_stepped"),
    "battery": ("battery_refused", "battery_low_at_start"),
    "pressure_fell_closed": ("pressure_fell_closed",),
}
"""The findings about a set that a measure counts."""
SET_MEASURES = (*CODES, "silent_wears")


def events_of(set_events: pl.DataFrame, wears: pl.DataFrame, part: pl.DataFrame) -> pl.DataFrame:
    """Return the events of sets that belong to a part of the wears: each to its set's nearest wear.

    All events over a part of the wears would make a set stand out that is seldom worn in that part.
    """
    nearest = _with_nearest(as_in(set_events, wears, "set_id"), wears, "wear_id")
    asked = part.select("wear_id").filter(pl.col("wear_id").is_in(nearest["wear_id"].implode()))
    return nearest.join(asked, on="wear_id", how="semi", maintain_order="left").drop("wear_id")


def set_counts(
    wears: pl.DataFrame,
    set_events: pl.DataFrame,
    most: int | None = None,
    first: Collection[str] = (),
) -> pl.DataFrame:
    """Return one line a set: `wears`, `silent_min`, the counts of `SET_MEASURES`, battery's `decline`.

    `decline` is the rank correlation of the charge at the start with time (negative: falling), null below
    `FEWEST_WEARS` known charges.

    `most`: only so many sets, those of `first` before all, then those with the most findings.
    """
    events = (
        as_in(set_events, wears, "set_id")
        .group_by("set_id")
        .agg(pl.col("code").is_in(codes).sum().alias(name) for name, codes in CODES.items())
    )
    sums = wears.group_by("set_id").agg(
        pl.len().alias("wears"),
        pl.col("started").max().alias("last"),
        pl.col("silent_min").sum(),
        (pl.col("silent_min") >= SILENT_WEAR_MIN).sum().alias("silent_wears"),
    )
    joined = sums.join(events, on="set_id", how="full", coalesce=True).with_columns(
        *(pl.col(name).fill_null(0).cast(pl.Int64) for name in (*SET_MEASURES, "wears")),
        pl.col("silent_min").fill_null(0.0),
    )
    if most is not None:
        total = pl.sum_horizontal(pl.col(name) for name in SET_MEASURES)
        order = (pl.col("set_id").is_in(list(first)), total, "set_id")
        joined = joined.filter(pl.col("set_id").is_not_null())
        joined = joined.sort(*order, descending=[True, True, False]).head(most)
        wears = wears.select("set_id", "battery_fraction", "started")
        wears = wears.filter(pl.col("set_id").is_in(joined["set_id"].implode()))
    charges = joined.join(
        charges_of(wears), on="set_id", how="left", nulls_equal=True, maintain_order="left"
    ).with_columns(pl.col("charges").fill_null(0).cast(pl.Int64))
    return charges if most is not None else charges.sort("set_id")


def charges_of(wears: pl.DataFrame) -> pl.DataFrame:
    """Return `charges`, how many are known of each set, and `decline` as `set_counts` has it."""
    known = wears.select("set_id", "battery_fraction", "started").drop_nulls("battery_fraction")
    charge, when = pl.col("battery_fraction"), pl.col("started").cast(pl.Int64)
    counts = known.group_by("set_id").agg(pl.len().alias("charges"))
    enough = known.filter(pl.len().over("set_id") >= FEWEST_WEARS)
    decline = pl.corr(charge, when, method="spearman").fill_nan(None).alias("decline")
    declines = enough.group_by("set_id").agg(decline)
    return counts.join(declines, on="set_id", how="left", nulls_equal=True)


def set_flags(wears: pl.DataFrame, set_events: pl.DataFrame) -> dict[str, NDArray[np.float64]]:
    """Return which wears had each finding about their set: each finding belongs to its set's nearest wear."""
    rows = wears.select("set_id", "started").with_row_index("place")
    nearest = _with_nearest(as_in(set_events, wears, "set_id"), rows, "place")
    flags = {}
    for name, codes in CODES.items():
        flags[name] = np.zeros(len(wears))
        flags[name][nearest.filter(pl.col("code").is_in(codes))["place"].drop_nulls().to_numpy()] = 1.0
    silent = (wears["silent_min"] >= SILENT_WEAR_MIN).fill_null(value=False)
    return {**flags, "silent_wears": silent.to_numpy().astype(np.float64)}


def _with_nearest(events: pl.DataFrame, wears: pl.DataFrame, name: str) -> pl.DataFrame:
    """Return events of sets, each with what its set's nearest wear has in a column."""
    theirs = pl.col("set_id").is_in(events["set_id"].unique().implode())
    starts = wears.select("set_id", at="started", key=name).filter(theirs).drop_nulls("at")
    return events.sort("at").join_asof(
        starts.rename({"key": name}).sort("at"),
        on="at",
        by="set_id",
        strategy="nearest",
        check_sortedness=False,
    )
