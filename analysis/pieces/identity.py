"""The stable name of a piece, and what shows that it must be analysed again.

The key is an incident with the day on which it began, else a set with its first power-up. The digest is made
from the index: of the piece's power-ups, of what desks said of it and of where its sets said what they are,
summed over the parts of the archive, so that sealing and merging change nothing and a message that came late,
or replaces another, changes its own piece alone.
"""

from datetime import UTC, datetime, timedelta

import polars as pl

from analysis.wears.tally import FORGOTTEN_AFTER_US, USED_AFTER_CLOSE_US, USED_AGAIN_US
from ingest.archive.index import LATER
from ingest.contract.errors import ArchiveProblem

LONGEST_PAUSE = timedelta(microseconds=USED_AGAIN_US)
"""Desks that open, or tally in, under a name so long after its last word begin another. Our own rule."""
PAUSE_AFTER_CLOSE = timedelta(microseconds=USED_AFTER_CLOSE_US)
"""And so long after every open was closed, when the name is opened again. Our own rule."""
CALLED = timedelta(hours=1)
"""A note may be written so long before the incident is opened. Our own rule."""
# Messages of the years 1969 to 2199 alone are read; archives made before 0.4.0 hold other years too.
_AT_ALL_TIMES = datetime.min.replace(tzinfo=UTC) + LATER, datetime.max.replace(tzinfo=UTC)


def with_uses(desks: pl.DataFrame) -> pl.DataFrame:
    """Return what desks said (`ArchiveIndex.desks`), each row with the use of its incident's name.

    They have `incident_use`, from 1 for the first use of a name; `key`, what the incident is asked for by
    (its id, with the day on which it began where the name was used again); `low` and `high` (not counted),
    between which the moment of a note must lie that is brought in later and is about it. All null where no
    incident is named.
    """
    late = pl.when("later").then(LATER).when(pl.col("kind") == "note").then(CALLED).otherwise(timedelta(0))
    moment = pl.when("later").then("first_said").otherwise("first") + late
    use = ["incident_id", "incident_use"]
    began = pl.coalesce(pl.col("first").filter(~pl.col("later")).min(), pl.col("first").min()).over(use)
    return (
        desks.with_columns(moment.alias("moment"))
        .with_row_index("row")
        .sort("moment")
        .join_asof(
            _uses_by_time(desks),
            left_on="moment",
            right_on="start",
            by="incident_id",
            check_sortedness=False,
        )
        .sort("row")
        .with_columns(
            pl.when(pl.col("uses") > 1)
            .then(pl.format("{}@{}", "incident_id", began.dt.date()))
            .otherwise("incident_id")
            .alias("key")
        )
        .drop("row", "moment", "start", "uses")
    )


def incident_uses(desks: pl.DataFrame) -> pl.DataFrame:
    """Return every incident, each use of a name being one, in order of time.

    `desks`: from `with_uses`.

    The columns are incident_id, incident_use, key, first, last (received), sets (tallied in it).
    """
    then = ~pl.col("later")
    # What was brought in later does not move an incident that has a time of its own, nor does a correction.
    moving = (then & ~pl.col("corrects"), then, pl.lit(value=True))
    return (
        desks.filter(pl.col("incident_id").is_not_null())
        .group_by("incident_id", "incident_use", "key")
        .agg(
            pl.coalesce(pl.col("first").filter(one).min() for one in moving).alias("first"),
            pl.coalesce(pl.col("last").filter(one).max() for one in moving).alias("last"),
            pl.col("set_id")
            .filter(then & (pl.col("kind") == "tally"))
            .drop_nulls()
            .unique()
            .sort()
            .alias("sets"),
        )
        .sort("first", "incident_id")
    )


def in_their_time(desks: pl.DataFrame, uses: pl.DataFrame) -> pl.DataFrame:
    """Return what desks said, with `late`: a correction that came when all else of its incident was said.

    It is about any moment of the incident, whose `first` and `last` it then has (`uses`: `incident_uses`).
    """
    use = ["incident_id", "incident_use"]
    began, ended = pl.col("began"), pl.col("ended")
    spans = uses.select(*use, began=pl.col("first"), ended=pl.col("last"))
    late = (pl.col("corrects") & ~pl.col("later") & (pl.col("last") > ended)).fill_null(value=False)
    since = pl.min_horizontal("first", began)
    return (
        desks.join(spans, on=use, how="left", maintain_order="left")
        .with_columns(late.alias("late"))
        .with_columns(
            *(pl.when("late").then(since).otherwise(name).alias(name) for name in ("first", "first_said")),
            pl.when("late").then(ended).otherwise("last").alias("last"),
        )
        .drop("began", "ended")
    )


def incident_id_of(key: str) -> str:
    """Return the id in an incident's key; an id holds no ``@``.

    Examples
    --------
    >>> incident_id_of("DRILL@2031-05-04"), incident_id_of("TH-20310504-1912")
    ('DRILL', 'TH-20310504-1912')
    """
    return key.partition("@")[0]


def asked_for(uses: pl.DataFrame, asked: str, where: str) -> pl.DataFrame:
    """Return the one row of `incident_uses` that is asked for by key or id.

    Raises `ArchiveProblem` when there is none, or several of that name; the text says which there are.
    """
    found = uses.filter(pl.col("key") == asked)
    if not found.height:
        found = uses.filter(pl.col("incident_id") == asked)
    if found.height > 1:
        keys = ", ".join(found["key"].tail(20))
        raise ArchiveProblem(
            f"the name {asked} was given to {found.height} incidents in {where}, days apart; "
            f"say which: {keys}"
        )
    if not found.height:
        by_set = "none, no desk opened one; `underair analyse` without --incident works by set"
        there = ", ".join(uses["key"].tail(20)) or by_set
        raise ArchiveProblem(f"no incident {asked} in {where}; there are: {there}")
    return found


def _uses_by_time(desks: pl.DataFrame) -> pl.DataFrame:
    """Return from when on a name is another incident: incident_id, start, incident_use, uses, low, high."""
    at_desk = pl.col("kind") == "incident"
    # A correction is about what was said before, however late it comes: it begins nothing, and no pause ends.
    spoken = (
        desks.filter(
            pl.col("incident_id").is_not_null()
            & ~pl.col("later")
            & ~pl.col("corrects")
            & pl.col("kind").is_in(["incident", "tally"])
        )
        .sort("incident_id", "first", "last")
        .with_columns(
            (pl.col("first") - pl.col("last").cum_max().shift(1)).over("incident_id").alias("pause"),
            pl.when(at_desk)
            .then(pl.col("ins") - pl.col("outs"))
            .otherwise(0)
            .cum_sum()
            .shift(1)
            .over("incident_id")
            .alias("open"),
        )
    )
    anew = (pl.col("ins") > 0) & (
        (pl.col("pause") > LONGEST_PAUSE)
        | (at_desk & (pl.col("pause") > PAUSE_AFTER_CLOSE) & (pl.col("open") <= 0))
    )
    begun = spoken.filter(anew).select("incident_id", pl.col("first").alias("start"))
    names = desks.filter(pl.col("incident_id").is_not_null()).select("incident_id").unique()
    always = names.with_columns(pl.lit(_AT_ALL_TIMES[0], begun.schema["start"]).alias("start"))
    starts = pl.concat([always, begun]).sort("incident_id", "start")
    return starts.with_columns(
        pl.int_range(1, pl.len() + 1, dtype=pl.UInt32).over("incident_id").alias("incident_use"),
        pl.len().over("incident_id").alias("uses"),
        (pl.col("start") - LATER).alias("low"),
        (pl.col("start").shift(-1).over("incident_id") - LATER).fill_null(_AT_ALL_TIMES[1]).alias("high"),
    ).sort("start")


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
