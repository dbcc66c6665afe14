"""What the analysis reads from an archive: all of it, or what one incident needs and no more."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import polars as pl

from analysis.tally import written_then
from ingest.errors import ArchiveProblem
from ingest.frames import Messages
from ingest.kinds import KINDS
from ingest.reading import Archive

ABOUT_INCIDENTS = ("incident", "tally", "note")
BEFORE = timedelta(hours=1)
"""Sets are switched on before anybody opens the incident. Our own rule."""
AFTER = timedelta(hours=2)
"""A wear may go on after the desk's last word about the incident. Our own rule."""
TAIL = timedelta(days=2)
"""What a listener has not sealed yet is newer than this before the newest sealed message."""
SILENCE = timedelta(hours=6)


@dataclass(frozen=True, slots=True)
class Period:
    """A stretch of time in which something was heard, and how many messages (without retained copies)."""

    since: datetime
    until: datetime
    messages: int


def heard_periods(folder: Path) -> list[Period]:
    """Cut an archive where nothing at all was heard for six hours; nobody is under air for so long.

    Each period is read and analysed on its own, so that memory follows the longest of them and not the
    archive.

    Raises
    ------
    ArchiveProblem
        When the folder holds no message.
    """
    archive = _archive(folder)
    sealed = pl.concat([_minutes(archive.scan(kind)) for kind in KINDS]).collect()
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
    return [
        Period(row["since"], row["last"] + timedelta(minutes=1), row["count"])
        for row in rows.sort("since").iter_rows(named=True)
    ]


def period_messages(folder: Path, period: Period) -> Messages:
    """Return what was heard in a period, with the last setup of each set before it: knowledge, no event.

    Notes about a moment of the period that were brought in at another time belong to it too.
    """
    archive = _archive(folder)
    about = pl.col("at").is_between(period.since, period.until)
    return _with_notes(archive, _with_setups_before(archive, period.since, period.until), about)


def _minutes(frame: pl.LazyFrame) -> pl.LazyFrame:
    return (
        frame.filter(~pl.col("retained"))
        .group_by(pl.col("received").dt.truncate("1m").alias("minute"))
        .agg(pl.len().alias("count"))
    )


def _with_setups_before(archive: Archive, since: datetime, until: datetime) -> Messages:
    messages = archive.messages(since=since, until=until)
    earlier = archive.scan("setup").filter(pl.col("received") < since).collect()
    if not earlier.height:
        return messages
    last = earlier.sort("received", "seq").group_by("set_id", maintain_order=True).last()
    # As if the broker had kept it: else a power-up of another day would get a clock and findings here.
    kept = last.with_columns(pl.lit(value=True).alias("retained")).select(messages["setup"].columns)
    return {**messages, "setup": pl.concat([kept, messages["setup"]])}


def _with_notes(archive: Archive, messages: Messages, about: pl.Expr) -> Messages:
    """Add the notes that `about` names and that were received at another time (a radio log of that day)."""
    notes = messages["note"]
    named = archive.scan("note").filter(about).collect().select(notes.columns)
    later = named.join(notes, on=["desk_id", "boot", "seq"], how="anti")
    return {**messages, "note": pl.concat([notes, later])} if later.height else messages


def incidents_in(folder: Path) -> pl.DataFrame:
    """Return the incidents that desks spoke of: incident_id, first and last (received), sets.

    Sealed parts are read by column; what is not sealed yet is looked for in the newest two days.
    """
    archive = _archive(folder)
    columns = ["incident_id", "set_id", "received"]
    during = {"note": written_then()}
    sealed = [archive.scan(kind).filter(during.get(kind, True)) for kind in ABOUT_INCIDENTS]
    newest = pl.concat([frame.select("received") for frame in sealed]).max().collect().item()
    tail = archive.messages(since=newest - TAIL if newest is not None else None)
    lots = [
        frame.select(columns if kind == "tally" else ["incident_id", "received"]).collect()
        for kind, scanned in zip(ABOUT_INCIDENTS, sealed, strict=True)
        for frame in (scanned, tail[kind].lazy().filter(during.get(kind, True)))
    ]
    spoken = pl.concat(lots, how="diagonal")
    return (
        spoken.group_by("incident_id")
        .agg(
            pl.col("received").min().alias("first"),
            pl.col("received").max().alias("last"),
            pl.col("set_id").drop_nulls().unique().sort().alias("sets"),
        )
        .sort("first", "incident_id")
    )


def incident_messages(folder: Path, incident_id: str) -> Messages:
    """Return what one incident needs: its time with a margin, and the last setup of each set before it.

    Raises
    ------
    ArchiveProblem
        When there is no such incident, with the names of those there are.
    """
    known = incidents_in(folder)
    row = known.filter(pl.col("incident_id") == incident_id)
    if not row.height:
        names = known["incident_id"].to_list()
        there = ", ".join(names[-20:]) if names else "none; without --incident everything is analysed, by set"
        raise ArchiveProblem(f"no incident {incident_id} in the archive {folder}; there are: {there}")
    first, last = row["first"][0] - BEFORE, row["last"][0] + AFTER
    archive = _archive(folder)
    about = pl.col("incident_id") == incident_id
    return _with_notes(archive, _with_setups_before(archive, first, last), about)


def _archive(folder: Path) -> Archive:
    if not folder.is_dir():
        raise ArchiveProblem(
            f"there is no archive at {folder}; make one with `underair import LOG --archive {folder}`, or "
            "with `underair listen`"
        )
    return Archive(folder)
