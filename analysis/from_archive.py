"""What the analysis reads from an archive: all of it, or what one incident needs and no more."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl

from analysis.tally import written_then
from ingest.errors import ArchiveProblem
from ingest.frames import Messages, concat, drop_duplicates
from ingest.reading import Archive

ABOUT_INCIDENTS = ("incident", "tally", "note")
BEFORE = timedelta(hours=1)
"""Sets are switched on before anybody opens the incident. Our own rule."""
AFTER = timedelta(hours=2)
"""A wear may go on after the desk's last word about the incident. Our own rule."""
TAIL = timedelta(days=2)
"""What a listener has not sealed yet is minutes old; two days are on the safe side."""


def archive_messages(folder: Path) -> Messages:
    """Return everything in an archive.

    Raises
    ------
    ArchiveProblem
        When the folder holds no message.
    """
    messages = _archive(folder).messages()
    if not any(frame.height for kind, frame in messages.items() if kind != "refused"):
        raise ArchiveProblem(
            f"the archive {folder} holds no message; bring a capture in with "
            f"`underair import LOG --archive {folder}`, or listen to a broker with `underair listen`"
        )
    return messages


def incidents_in(folder: Path) -> pl.DataFrame:
    """Return the incidents that desks spoke of: incident_id, first and last (received), sets.

    Sealed parts are read by column; of what is not sealed yet, the newest two days.
    """
    archive = _archive(folder)
    tail = archive.messages(since=datetime.now(UTC) - TAIL)
    columns = ["incident_id", "set_id", "received"]
    lots = []
    for kind in ABOUT_INCIDENTS:
        for frame in (archive.scan(kind), tail[kind].lazy()):
            names = frame.collect_schema().names()
            wanted = [name for name in columns if name in names]
            during = frame.filter(written_then()) if kind == "note" else frame
            lots.append(during.select(wanted).collect())
    spoken = (
        pl.concat([lot for lot in lots if lot.height], how="diagonal")
        if any(lot.height for lot in lots)
        else lots[0]
    )
    if "set_id" not in spoken.columns:
        spoken = spoken.with_columns(pl.lit(None, dtype=pl.String).alias("set_id"))
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
    """Return what one incident needs: its time with a margin, and every setup of its sets before it.

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
    archive = _archive(folder)
    first, last = row["first"][0] - BEFORE, row["last"][0] + AFTER
    messages = archive.messages(since=first, until=last)
    messages = {**messages, "note": _with_later_notes(archive, messages["note"], incident_id)}
    setups = archive.scan("setup").filter(
        pl.col("set_id").is_in(row["sets"][0].to_list()) & (pl.col("received") < first)
    )
    earlier = setups.collect()
    if not earlier.height:
        return messages
    with_earlier = concat([{**messages, "setup": earlier.select(messages["setup"].columns)}, messages])
    return drop_duplicates({**messages, "setup": with_earlier["setup"]})


def _with_later_notes(archive: Archive, notes: pl.DataFrame, incident_id: str) -> pl.DataFrame:
    """Add what was brought in about the incident afterwards, such as a radio log."""
    about_it = (pl.col("incident_id") == incident_id) & ~written_then()
    later = archive.scan("note").filter(about_it).collect().select(notes.columns)
    return pl.concat([notes.filter(~about_it), later])


def _archive(folder: Path) -> Archive:
    if not folder.is_dir():
        raise ArchiveProblem(
            f"there is no archive at {folder}; make one with `underair import LOG --archive {folder}`, or "
            "with `underair listen`"
        )
    return Archive(folder)
