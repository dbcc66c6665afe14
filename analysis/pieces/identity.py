"""The stable name of a piece, and what shows that it must be analysed again.

The key is an incident with the day on which it began, else a set with its first power-up. The digest is made
from the index: of the piece's power-ups, of what desks said of it and of where its sets said what they are,
summed over the parts of the archive, so that sealing and merging change nothing and a message that came late,
or replaces another, changes its own piece alone.
"""

from __future__ import annotations

from datetime import timedelta

import polars as pl

from analysis.wears.tally import FORGOTTEN_AFTER_US

ONE_STRETCH = timedelta(minutes=65)
"""Power-ups of a set so close belong together: findings link wears up to an hour apart."""
FORGOTTEN = timedelta(microseconds=FORGOTTEN_AFTER_US)
KNOWN_AFTER = FORGOTTEN + timedelta(hours=1)
"""No rule asks whether the archive goes on for longer than this after a piece (a tally counts for 12 h)."""
_STEP = timedelta(minutes=10)
"""Findings about an open tally depend on the archive's end: it is analysed again so often. Our own rule."""


def named(table: pl.DataFrame, power_ups: pl.DataFrame, incidents: pl.DataFrame) -> pl.DataFrame:
    """Return a table of pieces with `key`.

    - `table`: piece.
    - `power_ups`: piece, set_id, boot, first.
    - `incidents`: piece, incident_id, first.
    """

    def first(lot: pl.DataFrame, order: list[str], name: pl.Expr) -> pl.DataFrame:
        return lot.sort(order).group_by("piece").first().select("piece", name)

    day = pl.col("first").dt.date()
    by_incident = pl.format("{}@{}", "incident_id", day).alias("by_incident")
    of_incidents = first(incidents, ["first", "incident_id"], by_incident)
    of_sets = first(power_ups, ["first", "set_id", "boot"], pl.format("{}/{}", "set_id", "boot").alias("key"))
    for lot in (of_incidents, of_sets):
        table = table.join(lot, on="piece", how="left", maintain_order="left")
    return table.with_columns(pl.coalesce("by_incident", "key").alias("key")).drop("by_incident")


def with_ends(table: pl.DataFrame, said: pl.DataFrame) -> pl.DataFrame:
    """Return a table of pieces with `tally_open` and `settled`.

    Until when a tally counts that nobody closed (null without one), and until when the piece may still go on:
    as long as that, and its sets for an hour.

    - `table`: piece, until.
    - `said`: what desks said about each piece: the columns of the index with `piece` and `incident_use`.
    """
    of = ["piece", "incident_id", "incident_use"]
    closed = (
        said.filter(pl.col("kind") == "incident")
        .group_by(of)
        .agg((pl.col("ins").sum() <= pl.col("outs").sum()).alias("closed"))
    )
    inside = (
        said.filter((pl.col("kind") == "tally") & ~pl.col("later"))
        .group_by(*of, "set_id")
        .agg(
            pl.col("last").max(),
            (pl.col("ins").sum() > pl.col("outs").sum()).alias("inside"),
        )
        .join(closed, on=of, how="left")
        .filter(pl.col("inside") & ~pl.col("closed").fill_null(value=False))
        .group_by("piece")
        .agg((pl.col("last").max() + FORGOTTEN).alias("tally_open"))
    )
    found = table.join(inside, on="piece", how="left", maintain_order="left")
    return found.with_columns(pl.max_horizontal(pl.col("until") + ONE_STRETCH, "tally_open").alias("settled"))


def digests(
    table: pl.DataFrame,
    power_ups: pl.DataFrame,
    said: pl.DataFrame,
    setups: pl.DataFrame,
    incidents: pl.DataFrame,
    heard_until_us: int,
    tallied: bool,
) -> pl.Series:
    """Return the digest of each piece, in the order of `table`.

    - `table`: piece, until, tally_open.
    - `power_ups`: piece, set_id, boot, first, last, said_rows, said_digest.
    - `said`: as for `with_ends`.
    - `setups`: piece, set_id, boot, day, live_rows, digest: from the index, part by part.
    - `incidents`: piece, key.
    - `heard_until_us`: the end of the whole record, microseconds since 1970.
    - `tallied`: whether anybody is tallied in the whole archive: else nobody's tally is missed.
    """
    if table.is_empty():
        return pl.Series("digest", [], pl.UInt64)
    live = pl.col("live_rows") > 0
    whose = ["desk_id", "boot", "kind", "incident_id", "set_id", "wearer_id", "later"]
    desks = said.group_by("piece", *whose).agg(
        pl.col("first").min(), pl.col("last").max(), pl.col("rows").sum(), pl.col("digest").sum()
    )
    known = setups.group_by("piece", "set_id", "boot").agg(
        pl.when(live.any()).then(pl.col("digest").filter(live).sum()).otherwise(pl.col("digest").sum())
    )
    end = pl.lit(heard_until_us).cast(table.schema["until"])
    # Findings about an open tally depend on the archive's end; nothing else does.
    moving = table.filter(pl.col("tally_open") > end).select(
        "piece", pl.min_horizontal(end, pl.col("until") + KNOWN_AFTER).dt.truncate(_STEP)
    )
    flag = table.select("piece", pl.lit(tallied))
    lots = [power_ups, desks, known, incidents.select("piece", "key"), moving, flag]
    hashed = pl.concat(
        [lot.select("piece", pl.struct(pl.exclude("piece")).hash().alias("digest")) for lot in lots]
    )
    sums = hashed.group_by("piece").agg(pl.col("digest").sum())
    return table.join(sums, on="piece", how="left", maintain_order="left")["digest"]
