"""What the analysis reads from an archive: a few pieces at a time, or one incident and no more.

The index says which parts to look into; what is read is read from the parts, and from the journals what is
not sealed yet.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import Any

import polars as pl

from analysis.incident import Scope
from analysis.pieces.pieces import AFTER, BEFORE, Pieces, find_pieces
from ingest.archive.index import (
    DESK_KINDS,
    SET_KINDS,
    ArchiveIndex,
    days_between,
    later_note,
    summary_of_tail,
)
from ingest.archive.reading import Archive
from ingest.contract.errors import ArchiveProblem
from ingest.contract.frames import Messages, no_messages

_READINGS = tuple(kind for kind in SET_KINDS if kind != "setup")
SILENCE = timedelta(hours=6)
"""A set that is still on speaks again before so long. Our own rule."""


def pieces_of(folder: Path) -> Pieces:
    """Return the pieces of an archive, from its index and from what is not sealed yet.

    Raises
    ------
    ArchiveProblem
        When the folder holds no message.
    """
    archive, index = open_archive(folder), ArchiveIndex(folder)
    # The tail first: what is sealed in between is then in both, which does no harm.
    tail = archive.unsealed()
    sets = pl.concat([index.sets(index.days()), summary_of_tail(tail, SET_KINDS)])
    desks = pl.concat([index.desks(), summary_of_tail(tail, DESK_KINDS)])
    setups = pl.concat([index.setups(), summary_of_tail(tail, ["setup"])])
    if sets.is_empty() and desks.is_empty():
        raise ArchiveProblem(
            f"the archive {folder} holds no message; bring a capture in with "
            f"`underair import LOG --archive {folder}`, or listen to a broker with `underair listen`"
        )
    return find_pieces(sets, desks, setups)


def messages_of(folder: Path, batch: Pieces) -> Iterator[tuple[Messages, Scope]]:
    """Read a batch of pieces at once, and yield the messages of each, with what it answers for.

    Parameters
    ----------
    folder : Path
        The archive's.
    batch : Pieces
        From `Pieces.batches`.
    """
    archive = open_archive(folder)
    said = _said(archive, batch)
    by_piece: dict[str, dict[int, pl.DataFrame]] = {}
    for kind in _READINGS:
        mine = said[kind].join(batch.power_ups, on=["set_id", "boot"], maintain_order="left")
        # Retained copies may come again later, and new messages since the pieces were found: not of this.
        mine = mine.filter(pl.col("received").is_between(pl.col("first"), pl.col("last")))
        by_piece[kind] = _by_piece(mine.select("piece", *said[kind].columns))
    by_piece["link"] = _by_piece(_links(said["link"], batch))
    by_piece["setup"] = _by_piece(_setups(archive, batch))
    later = _by_piece(_later_notes(archive, batch, said["note"].schema))
    desks = _lists(batch.desks, ["desk_id", "boot"])
    incidents = _lists(batch.incidents, ["incident_id"])
    for piece, since, until, of_desk in batch.table.select("piece", "since", "until", "of_desk").iter_rows():
        messages = no_messages()
        for kind, lots in by_piece.items():
            messages[kind] = lots.get(piece, messages[kind])
        near = (
            pl.col("received").is_between(since, until)
            if of_desk
            else _near(pl.col("received"), since, until)
        )
        speakers = pl.DataFrame(desks.get(piece, []), {"desk_id": pl.String, "boot": pl.Int64}, orient="row")
        for kind in DESK_KINDS:
            messages[kind] = said[kind].filter(near).join(speakers, on=["desk_id", "boot"], how="semi")
        if not of_desk:
            during = messages["note"].filter(~later_note())
            messages["note"] = pl.concat([during, later.get(piece, during.clear())])
        names = frozenset(row[0] for row in incidents.get(piece, []))
        yield messages, Scope(names, of_desk, batch.heard_until_us, batch.tallied)


def incidents_in(folder: Path) -> pl.DataFrame:
    """Return the incidents that desks spoke of: incident_id, first and last (received), sets."""
    return _incidents(_desks(open_archive(folder), ArchiveIndex(folder)))


def incident_messages(folder: Path, incident_id: str) -> Messages:
    """Return what one incident needs: all that its sets said in their power-ups, and desks about it.

    Raises
    ------
    ArchiveProblem
        When there is no such incident, with the names of those there are.
    """
    return incident_piece(folder, incident_id)[0]


def incident_piece(folder: Path, incident_id: str) -> tuple[Messages, Scope]:
    """Return what one incident needs, and what its analysis answers for. As `incident_messages`."""
    archive, index = open_archive(folder), ArchiveIndex(folder)
    tail = archive.unsealed()
    desks = pl.concat([index.desks(), summary_of_tail(tail, DESK_KINDS)])
    known = _incidents(desks)
    row = known.filter(pl.col("incident_id") == incident_id)
    if not row.height:
        names = known["incident_id"].to_list()
        there = ", ".join(names[-20:]) if names else "none; without --incident everything is analysed, by set"
        raise ArchiveProblem(f"no incident {incident_id} in the archive {folder}; there are: {there}")
    first, last = row["first"][0], row["last"][0]
    refusing = {"power": (pl.col("state") == "refused") & pl.col("received").is_between(first, last)}
    refused = archive.messages(first, last + timedelta(seconds=1), refusing)["power"]["set_id"]
    of_set = pl.col("set_id").is_in([*row["sets"][0].to_list(), *refused])
    of_tail = summary_of_tail(tail, SET_KINDS)
    sets = _sets_around(index, first - BEFORE, last + AFTER, of_set, of_tail)
    setups = pl.concat([index.setups(), of_tail.filter(pl.col("kind") == "setup")]).filter(of_set)
    near = desks.filter((pl.col("incident_id") == incident_id) | _near(pl.col("first"), first, last))
    piece = _one_piece(find_pieces(sets, near, setups), incident_id, refused.to_list(), first, last)
    (found,) = messages_of(folder, piece)
    messages, scope = found
    newest = max([piece.heard_until_us, *_ends(index, of_tail, desks)])
    return messages, Scope(scope.incidents, scope.of_desk, newest, scope.tallied)


def _sets_around(
    index: ArchiveIndex, since: datetime, until: datetime, of_set: pl.Expr, of_tail: pl.DataFrame
) -> pl.DataFrame:
    """Return the index of some sets around a time, as far as power-ups reach that were on then."""
    low, high = since.date(), until.date()
    while True:
        found = pl.concat([index.sets(days_between(low, high)), of_tail]).filter(of_set)
        on = found.filter((pl.col("first") <= until) & (pl.col("last") >= since))
        earliest, latest = on["first"].min(), on["last"].max()
        if isinstance(earliest, datetime) and isinstance(latest, datetime):
            since, until = min(since, earliest), max(until, latest)
        wider = min(low, (since - SILENCE).date()), max(high, (until + SILENCE).date())
        if wider == (low, high):
            return found
        low, high = wider


def _one_piece(
    pieces: Pieces, incident_id: str, refused: list[str], first: datetime, last: datetime
) -> Pieces:
    """Return the piece of an incident alone, with the sets that refused to start while it lasted."""
    number = pieces.incidents.filter(pl.col("incident_id") == incident_id)["piece"][0]
    also = pieces.power_ups.filter(
        pl.col("set_id").is_in(refused) & (pl.col("first") <= last) & (pl.col("last") >= first)
    ).select("piece", "set_id", "boot")
    of_also = pl.struct("piece", "set_id").is_in(
        also.select(pl.struct("piece", "set_id")).to_series().implode()
    )
    mine, that = pl.col("piece") == number, pl.lit(number, pl.UInt32).alias("piece")
    power_ups = pieces.power_ups.filter(
        mine | pl.struct("piece", "set_id", "boot").is_in(also.to_struct().implode())
    )
    of_it = pieces.table.filter(mine)
    span = power_ups.select(pl.col("first").min(), pl.col("last").max())
    return Pieces(
        table=of_it.with_columns(
            pl.min_horizontal("since", pl.lit(span["first"][0], of_it.schema["since"])),
            pl.max_horizontal("until", pl.lit(span["last"][0], of_it.schema["until"])),
        ),
        power_ups=power_ups.with_columns(that),
        incidents=pieces.incidents.filter(mine),
        desks=pieces.desks.filter(mine),
        later=pieces.later.filter(mine),
        setups=pieces.setups.filter(mine | of_also).with_columns(that).unique(maintain_order=True),
        heard_until_us=pieces.heard_until_us,
        tallied=pieces.tallied,
    )


def _ends(index: ArchiveIndex, of_tail: pl.DataFrame, desks: pl.DataFrame) -> list[int]:
    """Return until when the archive goes on, microseconds since 1970."""
    days = index.days()
    newest = [index.sets(days[-1:])["last"], of_tail["last"], desks["last"]]
    return [value for times in newest if isinstance(value := times.to_physical().max(), int)]


def _desks(archive: Archive, index: ArchiveIndex) -> pl.DataFrame:
    tail = archive.unsealed()
    return pl.concat([index.desks(), summary_of_tail(tail, DESK_KINDS)])


def _incidents(desks: pl.DataFrame) -> pl.DataFrame:
    about = desks.filter(pl.col("incident_id").is_not_null())
    then = ~pl.col("later")
    return (
        about.group_by("incident_id")
        .agg(
            # What was brought in later does not move an incident that has a time of its own.
            pl.coalesce(pl.col("first").filter(then).min(), pl.col("first").min()).alias("first"),
            pl.coalesce(pl.col("last").filter(then).max(), pl.col("last").max()).alias("last"),
            pl.col("set_id")
            .filter(then & (pl.col("kind") == "tally"))
            .drop_nulls()
            .unique()
            .sort()
            .alias("sets"),
        )
        .sort("first", "incident_id")
    )


def _near(moment: pl.Expr, since: datetime, until: datetime) -> pl.Expr:
    return moment.is_between(since - BEFORE, until + AFTER)


def _said(archive: Archive, batch: Pieces) -> Messages:
    """Read what sets and desks said in the time of a batch; setups apart."""
    since, until = batch.table["since"].min(), batch.table["until"].max()
    sets = batch.power_ups["set_id"].unique().sort().to_list()
    desks = batch.desks["desk_id"].unique().sort().to_list()
    if not isinstance(since, datetime) or not isinstance(until, datetime):
        return no_messages()
    only = dict.fromkeys(
        _READINGS, pl.col("set_id").is_in(sets) & pl.col("received").is_between(since, until)
    )
    if not sets:
        only = {}
    only |= dict.fromkeys(DESK_KINDS, pl.col("desk_id").is_in(desks))
    return archive.messages(since - BEFORE, until + AFTER, only)


def _links(said: pl.DataFrame, batch: Pieces) -> pl.DataFrame:
    """Return what was said of links; a last will names no power-up, and counts in the time of one."""
    power_ups = batch.power_ups.rename({"boot": "of_boot"})
    mine = said.join(power_ups, on="set_id", maintain_order="left").filter(
        pl.col("received").is_between(pl.col("first"), pl.col("last"))
        & (pl.col("boot").is_null() | (pl.col("boot") == pl.col("of_boot")))
    )
    return mine.select("piece", *said.columns).unique(maintain_order=True)


def _setups(archive: Archive, batch: Pieces) -> pl.DataFrame:
    """Return what the sets of each piece said that they are; what is from before it as knowledge."""
    found = []
    for (day,), wanted in batch.setups.group_by("day", maintain_order=True):
        midnight = datetime.combine(day, time(), UTC)
        only = pl.col("set_id").is_in(wanted["set_id"].unique().to_list())
        said = archive.messages(midnight, midnight + timedelta(days=1), {"setup": only})["setup"]
        found.append(said.join(wanted.drop("day"), on=["set_id", "boot"], maintain_order="left"))
    if not found:
        return no_messages()["setup"].with_columns(pl.lit(0, pl.UInt32).alias("piece"))
    own = batch.power_ups.select("piece", "set_id", "boot", pl.lit(True).alias("own"))
    # As if the broker had kept it: else a power-up of another piece would get a clock here.
    return (
        pl.concat(found)
        .join(own, on=["piece", "set_id", "boot"], how="left", maintain_order="left")
        .with_columns(pl.col("retained") | pl.col("own").is_null())
        .drop("own")
    )


def _later_notes(archive: Archive, batch: Pieces, schema: pl.Schema) -> pl.DataFrame:
    found = [pl.DataFrame(schema={**schema, "piece": pl.UInt32})]
    for (day,), wanted in batch.later.group_by("day", maintain_order=True):
        midnight = datetime.combine(day, time(), UTC)
        only = later_note() & pl.col("incident_id").is_in(wanted["incident_id"].unique().to_list())
        notes = archive.messages(midnight, midnight + timedelta(days=1), {"note": only})["note"]
        found.append(notes.join(wanted.drop("day"), on="incident_id", maintain_order="left"))
    return pl.concat(found)


def _by_piece(frame: pl.DataFrame) -> dict[int, pl.DataFrame]:
    parts = frame.partition_by("piece", as_dict=True, include_key=False, maintain_order=True)
    return {int(key[0]): part for key, part in parts.items()}


def _lists(frame: pl.DataFrame, columns: list[str]) -> dict[int, list[tuple[Any, ...]]]:
    found: dict[int, list[tuple[Any, ...]]] = {}
    for piece, *values in frame.select("piece", *columns).iter_rows():
        found.setdefault(piece, []).append(tuple(values))
    return found


def open_archive(folder: Path) -> Archive:
    """Return the archive in a folder.

    Raises
    ------
    ArchiveProblem
        When there is no such folder.
    """
    if not folder.is_dir():
        raise ArchiveProblem(
            f"there is no archive at {folder}; make one with `underair import LOG --archive {folder}`, or "
            "with `underair listen`"
        )
    return Archive(folder)
