"""The pieces of an archive: what can be analysed by itself, with the same numbers.

A piece is an incident with all the power-ups of its sets, or the power-ups of one set outside incidents.
What belongs together stays together: a set's power-ups less than an hour apart (one may go on where the
other ended), a set and the incidents that it was tallied to, incidents that tallied one wearer at once. An
incident's name that is given again is another incident. A desk's own record is a piece too: the other pieces
take from it only what is about them.

Found from the archive's index, in vectors: nothing here reads a message.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.clocks.steps import STORED_FASTER, STORED_FROM_S
from analysis.pieces.identity import (
    FORGOTTEN,
    ONE_STRETCH,
    digests,
    in_their_time,
    incident_uses,
    named,
    with_ends,
)
from analysis.records import Ints, micros

Positions = NDArray[np.intp]


def overlaps(asked: pl.DataFrame, there: pl.DataFrame, by: str) -> pl.DataFrame:
    """Join two frames on a name and on stretches of time that touch.

    Sorted and searched, so that time and memory follow what is found: a set with a thousand wears and a
    thousand tallies has a thousand pairs, not a million.

    - `asked`: with `by`, `low` and `high` (UTC, microseconds); bounds count as inside.
    - `there`: with `by`, ``first`` and ``last``; stretches of one name that hardly overlap each other.

    Returns the columns of `asked`, then those of `there` except `by`; rows in the order of `asked`.
    """
    names = pl.concat([asked[by], there[by]]).rank("dense").cast(pl.Int64).to_numpy()
    of_asked, of_there = names[: asked.height], names[asked.height :]
    mine, other = _pairs(
        (of_asked, micros(asked["low"]), micros(asked["high"])),
        (of_there, micros(there["first"]), micros(there["last"])),
    )
    return pl.concat([asked[mine], there.drop(by)[other]], how="horizontal")


def _pairs(asked: tuple[Ints, Ints, Ints], there: tuple[Ints, Ints, Ints]) -> tuple[Positions, Positions]:
    # Ranks in place of times: with the name in front they fit one integer, whatever the years between.
    moments, ranks = np.unique(np.concatenate([*asked[1:], *there[1:]]), return_inverse=True)
    width, (many, few) = len(moments) + 1, (len(asked[0]), len(there[0]))
    low, high, first, last = np.split(ranks, [many, 2 * many, 2 * many + few])
    order = np.lexsort((first, there[0]))
    name = there[0][order] * width
    starts = name + first[order]
    reach = np.maximum.accumulate(name + last[order]) if few else starts
    since = np.searchsorted(reach, asked[0] * width + low, side="left")
    until = np.searchsorted(starts, asked[0] * width + high, side="right")
    count = np.maximum(until - since, 0)
    mine = np.repeat(np.arange(many), count)
    other = order[
        np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + np.repeat(since, count)
    ]
    touch = last[other] >= low[mine]
    return mine[touch], other[touch]


BEFORE, AFTER = timedelta(hours=1), timedelta(hours=2)
"""What desks said so long before and after is read with a piece. Our own rule."""
NOTED = timedelta(minutes=10)
_INCIDENT = ["incident_id", "incident_use"]
BATCH_ROWS = 400_000
BATCH_PIECES = 200
BATCH_SPAN = timedelta(days=2)
"""A batch is read at once: so many messages at most (or one piece), in so short a time."""


@dataclass(frozen=True)
class Pieces:
    """Pieces in order of time, each by its number in the column `piece`."""

    # piece, since, until (receipt), rows, of_desk; key, which names it for good. Where it is none of a desk:
    # digest, which changes when anything does that its tables are made from, and settled, until when it may
    # still go on.
    table: pl.DataFrame
    # piece, set_id, boot, first, last, and received_first, received_last (later, where it was stored): what
    # the piece answers for.
    power_ups: pl.DataFrame
    # piece, set_id, first, last: its power-ups, and sets that were tallied in, whether heard or not.
    sets: pl.DataFrame
    # piece, incident_id, incident_use (from 1 for the first use of a name), key, first (see `incident_uses`).
    incidents: pl.DataFrame
    desks: pl.DataFrame  # piece, desk_id, boot: the desk records that say something about it
    # piece, incident_id, kind, day, low, high: days on which notes about it were brought in afterwards, or
    # corrections came, and the moments that make them be about this use of the name.
    later: pl.DataFrame
    # piece, set_id, boot, day: where its sets said what they are, which may be long before.
    setups: pl.DataFrame
    # piece, set_id, boot, day: where what its sets had stored was received, which may be long after.
    stored: pl.DataFrame
    heard_until_us: int  # the end of the whole record, microseconds since 1970
    tallied: bool  # whether desks tally in this archive at all

    def batches(self) -> Iterator["Pieces"]:
        """Yield the pieces a few at a time, in their order: what one reading brings in."""
        since, until = micros(self.table["since"]), micros(self.table["until"])
        rows, of_desk = self.table["rows"].to_list(), self.table["of_desk"].to_list()
        span_us = int(BATCH_SPAN.total_seconds() * 1e6)
        first, held, latest = 0, 0, 0
        for number, size in enumerate(rows):
            if number > first and (
                held + size > BATCH_ROWS
                or number - first >= BATCH_PIECES
                or max(latest, int(until[number])) - int(since[first]) > span_us
                or of_desk[number] != of_desk[first]
            ):
                yield self._part(first, number)
                first, held, latest = number, 0, 0
            held += size
            latest = max(latest, int(until[number]))
        if len(rows) > first:
            yield self._part(first, len(rows))

    def only(self, wanted: pl.Expr) -> "Pieces":
        """Return the pieces of which an expression over `table` is true."""
        table = self.table.filter(wanted)

        def mine(frame: pl.DataFrame) -> pl.DataFrame:
            return frame.filter(pl.col("piece").is_in(table["piece"].implode()))

        return self._with(table, mine)

    def _part(self, first: int, last: int) -> "Pieces":
        def part(frame: pl.DataFrame) -> pl.DataFrame:
            # All are sorted by piece, so only the ends need a look.
            low, high = np.searchsorted(frame["piece"].to_numpy(), ends).tolist()
            return frame[low:high]

        ends = [self.table["piece"][first], self.table["piece"][last - 1] + 1]
        return self._with(self.table[first:last], part)

    def _with(self, table: pl.DataFrame, chosen: Callable[[pl.DataFrame], pl.DataFrame]) -> "Pieces":
        names = ("power_ups", "sets", "incidents", "desks", "later", "setups", "stored")
        frames: dict[str, Any] = {name: chosen(getattr(self, name)) for name in names}
        return replace(self, table=table, **frames)


def find_pieces(
    sets: pl.DataFrame, desks: pl.DataFrame, setups: pl.DataFrame, before: Pieces | None = None
) -> Pieces:
    """Find the pieces of an archive, without those of desks (`with_desks`).

    - `sets`, `desks`, `setups`: from `ingest.archive.index`: who spoke when, what desks said about whom (by
      `with_uses`), where sets said what they are.
    - `before`: the pieces of the rest of the archive, when these are a part of its rows.

    They are in the order of the time at which each begins.
    """
    sets = with_moments(sets)
    power_ups = _power_ups(sets)
    uses = incident_uses(desks).with_row_index("node")
    ends = np.r_[
        micros(power_ups["received_last"]), micros(desks["last"]), before.heard_until_us if before else 0
    ]
    desks = in_their_time(desks, uses)
    about = desks.filter(~pl.col("later"))
    node = uses.select("incident_id", "incident_use", "node")
    about = about.join(node, on=["incident_id", "incident_use"], how="left", maintain_order="left")
    stretches = power_ups.group_by("stretch", "set_id").agg(pl.col("first").min(), pl.col("last").max())
    tallied, wearers = _tallied(about, stretches), _same_wearer(about)
    nodes = uses.height + stretches.height
    a = np.r_[tallied["node"].to_numpy(), wearers["node"].to_numpy()]
    b = np.r_[uses.height + tallied["stretch"].to_numpy(), wearers["other"].to_numpy()]
    label = joined(nodes, a.astype(np.int64), b.astype(np.int64))
    of_incidents = uses.select(*_INCIDENT, "key", "first", pl.Series("label", label[: uses.height], pl.Int64))
    power_ups = power_ups.with_columns(
        pl.Series("label", label[uses.height + power_ups["stretch"].to_numpy()])
    )
    any_tallied = bool((about["ins"] > 0).any()) or (before is not None and before.tallied)
    stored = sets.filter("stored").select("set_id", "boot", "day").unique()
    return _numbered(power_ups, of_incidents, desks, setups, stored, int(ends.max()), any_tallied)


def with_desks(pieces: Pieces, desks: pl.DataFrame) -> Pieces:
    """Return pieces followed by one for each power-up of a desk: what it said of no set and no incident."""
    own = (
        desks.group_by("desk_id", "boot")
        .agg(pl.col("first").min().alias("since"), pl.col("last").max().alias("until"), pl.col("rows").sum())
        .sort("since", "desk_id", "boot")
        .with_row_index("piece", offset=pieces.table.height)
        .with_columns(of_desk=pl.lit(value=True), key=pl.format("desk {}/{}", "desk_id", "boot"))
    )
    return replace(
        pieces,
        table=pl.concat([pieces.table, own.drop("desk_id", "boot")], how="diagonal"),
        desks=pl.concat([pieces.desks, own.select(pieces.desks.columns)]),
    )


def joined(nodes: int, a: Ints, b: Ints) -> Ints:
    """Return for each of so many nodes the least of those that edges, a to b, join it to, itself included.

    Source: Shiloach and Vishkin, "An O(log n) parallel connectivity algorithm", 1982, in vectors. scipy has
    this too, but importing it takes 0.2 s and 23 MB of every verb that reads an archive.
    """
    least = np.arange(nodes)
    while True:
        one, other = least[a], least[b]
        low, high = np.minimum(one, other), np.maximum(one, other)
        if np.array_equal(low, high):
            return least
        np.minimum.at(least, high, low)
        while not np.array_equal(shorter := least[least], least):
            least = shorter


def with_moments(sets: pl.DataFrame) -> pl.DataFrame:
    """Return what sets said (`ArchiveIndex.sets`) with `stored`, and its moments in `since` and `until`.

    A set may send its whole wear afterwards, or its memory may be read out. Such messages count at the set's
    own time. Otherwise the time of receipt counts: messages that came at the pace at which they were made
    show a slow clock. The reconciled time is only known when the messages are read.
    """
    at_once = ["set_id", "boot", "day", pl.col("said_first").dt.date()]
    said, took = (
        (pl.col(last).max() - pl.col(first).min()).over(at_once)
        for first, last in (("said_first", "said_last"), ("first", "last"))
    )
    by_radio = pl.col("first").filter(pl.col("said_first").is_null() & (pl.col("live_rows") > 0)).min()
    stored = (said >= timedelta(seconds=STORED_FROM_S)) & (said >= STORED_FASTER * took)
    stored |= pl.col("said_first") >= by_radio.over("set_id", "boot") - ONE_STRETCH
    return sets.with_columns(stored.fill_null(value=False).alias("stored")).with_columns(
        pl.when("stored").then(f"said_{name}").otherwise(name).alias(moment)
        for name, moment in (("first", "since"), ("last", "until"))
    )


def _power_ups(sets: pl.DataFrame) -> pl.DataFrame:
    """Return one row a power-up, numbered by the stretch to which it belongs; `sets`: by `with_moments`."""
    live = pl.col("live_rows") > 0
    ends = {"first": "since", "last": "until", "received_first": "first", "received_last": "last"}
    return (
        sets.group_by("set_id", "boot")
        .agg(
            *(
                pl.coalesce(one(pl.col(of).filter(live)), one(pl.col(of))).alias(name)
                for (name, of), one in zip(ends.items(), (pl.Expr.min, pl.Expr.max) * 2, strict=True)
            ),
            pl.col("rows").sum(),
            # A retained copy that comes again is no news.
            *(
                pl.when(live.any())
                .then(pl.col(name).filter(live).sum())
                .otherwise(pl.col(name).sum())
                .alias(f"said_{name}")
                for name in ("rows", "digest")
            ),
            pl.col("since").filter(live & (pl.col("kind") == "pressure")).min().alias("first_pressure"),
        )
        .sort("set_id", "first", "boot")
        .with_columns(
            (
                pl.col("first") - pl.col("last").cum_max().shift(1).over("set_id", order_by=["first", "boot"])
                <= ONE_STRETCH
            )
            .fill_null(False)
            .not_()
            .cum_sum()
            .cast(pl.Int64)
            .alias("stretch")
            - 1
        )
    )


def said_from() -> pl.Expr:
    """Return from when a desk's words are about: they may have waited for a while to be sent."""
    waited = pl.col("first") - pl.col("first_said")
    return pl.when(waited.is_between(timedelta(0), FORGOTTEN)).then("first_said").otherwise("first")


def _spans(about: pl.DataFrame, *of: str | pl.Expr) -> pl.DataFrame:
    """Return from when to when desks spoke of the same in an incident: low, high, forgotten (still in)."""
    return about.group_by("node", *of).agg(
        said_from().min().alias("low"),
        pl.col("last").max().alias("high"),
        (pl.col("ins").sum() > pl.col("outs").sum()).alias("forgotten"),
    )


def _tallied(about: pl.DataFrame, stretches: pl.DataFrame) -> pl.DataFrame:
    """Return which stretches of which sets belong to which incidents: node, stretch."""
    tally = (pl.col("kind") == "tally").alias("tally")
    spans = _spans(about.drop_nulls(["node", "set_id"]), "set_id", tally).with_columns(
        pl.col("low") - pl.when("tally").then(BEFORE).otherwise(NOTED),
        pl.col("high") + pl.when("forgotten").then(FORGOTTEN).when("tally").then(BEFORE).otherwise(NOTED),
    )
    return overlaps(spans, stretches, by="set_id").select("node", "stretch")


def _same_wearer(about: pl.DataFrame) -> pl.DataFrame:
    """Return pairs of incidents that tallied one wearer at once: node, other."""
    until = pl.col("high") + pl.when("forgotten").then(FORGOTTEN).otherwise(timedelta(0))
    spans = _spans(about.drop_nulls(["node", "wearer_id"]), "wearer_id").with_columns(until)
    return (
        spans.sort("wearer_id", "low", "node")
        .with_columns(
            pl.col("node").shift(1).over("wearer_id").alias("other"),
            pl.col("high").cum_max().shift(1).over("wearer_id").alias("until"),
        )
        .filter(pl.col("low") <= pl.col("until"))
        .select("node", "other")
    )


def _numbered(
    power_ups: pl.DataFrame,
    of_incidents: pl.DataFrame,
    desks: pl.DataFrame,
    setups: pl.DataFrame,
    stored: pl.DataFrame,
    heard_until_us: int,
    tallied: bool,
) -> Pieces:
    """Give the pieces their numbers, in order of time, and gather what belongs to each."""
    spoken = desks.filter(~pl.col("later")).join(of_incidents, on=_INCIDENT)
    # Only notes that were brought in afterwards: the incident has no other time.
    alone = of_incidents.join(spoken, on="label", how="anti").join(desks, on=_INCIDENT)
    lots = ((power_ups, "set_id"), (spoken, "incident_id"), (alone, "incident_id"))
    spans = pl.concat([lot.select("label", "first", "last", "rows", name=name) for lot, name in lots])
    table = (
        spans.group_by("label")
        .agg(
            pl.col("first").min().alias("since"),
            pl.col("last").max().alias("until"),
            pl.col("rows").sum(),
            pl.col("name").min(),
        )
        .sort("since", "name", "label")
        .with_row_index("piece")
    )
    number = table.select("piece", "label")
    mine = power_ups.join(number, on="label").sort("piece", "set_id", "boot")
    incidents = of_incidents.join(number, on="label").sort("piece", *_INCIDENT)
    said, setups = _said_of(desks, incidents, mine), _setups_of(mine, setups)
    table = with_ends(named(table, mine, incidents), said)
    spoken_in = mine.select("piece", "set_id", "boot", "first", "last", "said_rows", "said_digest")
    digest = digests(table, spoken_in, said, setups, incidents, heard_until_us, tallied)
    on_air = ("piece", "set_id", "first", "last")
    tallied_in = said.filter(pl.col("kind") == "tally")
    return Pieces(
        table=table.select(
            "piece", "since", "until", "rows", pl.lit(value=False).alias("of_desk"), "key", digest, "settled"
        ),
        power_ups=mine.select("piece", "set_id", "boot", "first", "last", "received_first", "received_last"),
        sets=pl.concat([mine.select(on_air), tallied_in.select(on_air)]).unique().sort(pl.all()),
        incidents=incidents.select("piece", *_INCIDENT, "key", "first"),
        desks=said.filter(~pl.col("later")).select("piece", "desk_id", "boot").unique().sort(pl.all()),
        later=said.filter(pl.col("later") | pl.col("late"))
        .select("piece", "incident_id", "kind", "day", "low", "high")
        .unique()
        .sort(pl.all()),
        setups=setups.select("piece", "set_id", "boot", "day").unique().sort(pl.all()),
        stored=mine.select("piece", "set_id", "boot").join(stored, on=["set_id", "boot"]).sort(pl.all()),
        heard_until_us=heard_until_us,
        tallied=tallied,
    )


def _said_of(desks: pl.DataFrame, incidents: pl.DataFrame, power_ups: pl.DataFrame) -> pl.DataFrame:
    """Return what desks said about each piece: the index, with `piece`."""
    desks = desks.drop("key").with_row_index("row")
    seen = desks.filter((pl.col("kind") == "seen") & pl.col("set_id").is_not_null()).select(
        "row", "set_id", (pl.col("first") - AFTER).alias("low"), (pl.col("last") + BEFORE).alias("high")
    )
    of_sets = overlaps(seen, power_ups.select("set_id", "piece", "first", "last"), by="set_id")
    of_incidents = desks.join(incidents.select(*_INCIDENT, "piece"), on=_INCIDENT)
    whose = pl.concat([lot.select("row", "piece") for lot in (of_incidents, of_sets)])
    return desks.join(whose.unique(), on="row").drop("row")


def _setups_of(power_ups: pl.DataFrame, setups: pl.DataFrame) -> pl.DataFrame:
    """Return where the sets of each piece said what they are: piece, set_id, boot, day, live_rows, digest.

    In its own power-ups; the latest before a power-up's first reading; without one, the first after it.
    """
    said = setups.select("set_id", "boot", "day", "first").sort("set_id", "first", "boot", "day")
    own = power_ups.join(said, on=["set_id", "boot"]).select("piece", "set_id", "boot", "day")
    reading = power_ups.filter(pl.col("first_pressure").is_not_null()).sort(
        "set_id", "first_pressure", "boot"
    )
    found = [own]
    for strategy in ("backward", "forward"):
        near = reading.select("piece", "set_id", "first_pressure").join_asof(
            said,
            left_on="first_pressure",
            right_on="first",
            by="set_id",
            strategy=strategy,
            check_sortedness=False,
        )
        known = near.filter(pl.col("boot").is_not_null())
        found.append(known.select("piece", "set_id", "boot", "day"))
        reading = reading.join(known, on=["piece", "set_id", "first_pressure"], how="anti")
    where = ["set_id", "boot", "day"]
    parts = setups.select(*where, "live_rows", "digest")
    return pl.concat(found).unique().join(parts, on=where).sort("piece", *where)
