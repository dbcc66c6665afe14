"""An archive read period by period; `analysis.pieces.archive_pieces` reads one incident, or all of them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from analysis.pieces.batch_messages import open_archive
from analysis.records import micros
from ingest.archive.changing import looked_again
from ingest.archive.reading import Archive
from ingest.contract.errors import ArchiveProblem
from ingest.contract.frames import Messages
from ingest.contract.kinds import KINDS

TAIL = timedelta(days=2)
"""What a listener has not sealed yet is newer than this before the newest sealed message."""
SILENCE = timedelta(hours=6)
LONGEST_PAUSE = timedelta(days=1)
"""An incident that desks speak of again so soon goes on; later its name was given again. Our own rule."""
LONGEST_JOINED = timedelta(days=7)
"""No more is read at once for an incident that never ends. Our own rule."""
NOTES_AROUND = SILENCE / 2
"""So far outside of a period a note's moment may be and still be about it: a call comes before the sets."""


@dataclass(frozen=True, slots=True)
class Period:
    """A stretch of time in which something was heard, and how many messages (without retained copies)."""

    since: datetime
    until: datetime
    messages: int


@looked_again
def heard_periods(folder: Path) -> list[Period]:
    """Cut an archive where nothing at all was heard for six hours; nobody is under air for so long.

    Each period is read and analysed on its own, so that memory follows the longest of them and not the
    archive. Where desks go on with an incident after the silence, within a day, it is not cut.

    Raises
    ------
    ArchiveProblem
        When the folder holds no message.
    """
    archive = open_archive(folder)
    sealed = archive.collected(pl.concat([_minutes(archive.scan(kind)) for kind in KINDS]))
    newest = sealed["minute"].max()
    cut = newest - TAIL if isinstance(newest, datetime) else None
    # What is not sealed yet is newer than that: read it, and the days before only by their counts.
    recent = archive.messages(since=cut)
    counted = pl.concat([_minutes(recent[kind].lazy()) for kind in KINDS]).collect()
    if cut is not None:
        counted = pl.concat([sealed.filter(pl.col("minute") < cut), counted])
    if not counted.height:
        raise ArchiveProblem(
            f"the archive {folder} holds no message; bring a capture in with "
            f"`underair import LOG --archive {folder}`, or listen to a broker with `underair listen`"
        )
    minutes = counted.group_by("minute").agg(pl.col("count").sum()).sort("minute")
    number = (pl.col("minute").diff() > SILENCE).fill_null(value=False).cum_sum().alias("number")
    rows = minutes.group_by(number).agg(
        pl.col("minute").min().alias("since"), pl.col("minute").max().alias("last"), pl.col("count").sum()
    )
    stretches = rows.sort("since").with_columns(pl.col("last") + timedelta(minutes=1))
    goes_on = _goes_on(stretches, _spoken_of_incidents(archive, recent))
    periods: list[Period] = []
    for row, joined in zip(stretches.iter_rows(named=True), goes_on, strict=True):
        if joined and row["last"] - periods[-1].since <= LONGEST_JOINED:
            before = periods.pop()
            periods.append(Period(before.since, row["last"], before.messages + row["count"]))
        else:
            periods.append(Period(row["since"], row["last"], row["count"]))
    return periods


def _spoken_of_incidents(archive: Archive, recent: Messages) -> pl.DataFrame:
    """Return from when to when desks spoke of an incident with no pause of a day: first, last."""
    kinds = ("incident", "tally")
    heard = pl.concat(
        frame.filter(~pl.col("retained")).select("incident_id", "received")
        for kind in kinds
        for frame in (archive.scan(kind), recent[kind].lazy())
    )
    ordered = archive.collected(heard).sort("incident_id", "received")
    paused = pl.col("received").diff().over("incident_id") > LONGEST_PAUSE
    return (
        ordered.group_by("incident_id", paused.fill_null(value=False).cum_sum().alias("number"))
        .agg(pl.col("received").min().alias("first"), pl.col("received").max().alias("last"))
        .select("first", "last")
    )


def _goes_on(stretches: pl.DataFrame, spoken: pl.DataFrame) -> list[bool]:
    """Return of each stretch, in order of time, whether an incident of the one before goes on in it."""
    begins_in = np.searchsorted(micros(stretches["last"]), micros(spoken["first"]), side="right")
    ends_in = np.searchsorted(micros(stretches["since"]), micros(spoken["last"]), side="right") - 1
    change = np.zeros(stretches.height + 2, np.int64)
    reaches_on = ends_in > begins_in
    np.add.at(change, begins_in[reaches_on] + 1, 1)
    np.add.at(change, ends_in[reaches_on] + 1, -1)
    found: list[bool] = (np.cumsum(change)[: stretches.height] > 0).tolist()
    return found


@looked_again
def period_messages(folder: Path, period: Period) -> Messages:
    """Return what was heard in a period, with the last setup of each set before it: knowledge, no event.

    Notes about a moment of the period that were brought in at another time belong to it too.
    """
    archive = open_archive(folder)
    about = pl.col("at").is_between(period.since - NOTES_AROUND, period.until + NOTES_AROUND)
    return _with_notes(archive, _with_setups_before(archive, period.since, period.until), about)


def _minutes(frame: pl.LazyFrame) -> pl.LazyFrame:
    return (
        frame.filter(~pl.col("retained"))
        .group_by(pl.col("received").dt.truncate("1m").alias("minute"))
        .agg(pl.len().alias("count"))
    )


def _with_setups_before(archive: Archive, since: datetime, until: datetime) -> Messages:
    messages = archive.messages(since=since, until=until)
    earlier = archive.collected(archive.scan("setup").filter(pl.col("received") < since))
    if not earlier.height:
        return messages
    setups = messages["setup"]
    ordered = earlier.sort("received", "seq").select(setups.columns)
    last = ordered.group_by("set_id", maintain_order=True).last().select(setups.columns)
    # And whose number is used again here: that it was used before must be said of this period too.
    used = ordered.join(setups, on=["set_id", "boot", "seq"], how="semi").unique("set_id", keep="last")
    known = pl.concat([last, used]).unique("payload", maintain_order=True)
    # As if the broker had kept it: else a power-up of another day would get a clock and findings here.
    kept = known.with_columns(pl.lit(value=True).alias("retained"))
    return {**messages, "setup": pl.concat([kept, setups])}


def _with_notes(archive: Archive, messages: Messages, about: pl.Expr) -> Messages:
    """Add the notes that `about` names and that were received at another time (a radio log of that day)."""
    notes = messages["note"]
    named = archive.messages(only={"note": about})["note"].select(notes.columns)
    later = named.join(notes, on=["desk_id", "boot", "seq"], how="anti")
    return {**messages, "note": pl.concat([notes, later])} if later.height else messages
