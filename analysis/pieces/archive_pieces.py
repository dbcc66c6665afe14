"""Where the pieces of an archive are, and one incident read alone.

The index says which parts to look into; what is read is read from the parts, and from the journals what is
not sealed yet.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import polars as pl

from analysis.incident import Scope
from analysis.pieces.batch_messages import light_messages_of, messages_of, open_archive
from analysis.pieces.closed_days import growing_cut_of, whole_index
from analysis.pieces.identity import asked_for, incident_uses, with_uses
from analysis.pieces.pieces import AFTER, BEFORE, Pieces, find_pieces, with_desks
from analysis.wears.valve import OPEN_ABOVE_BAR
from ingest.archive.index import (
    ArchiveIndex,
    days_between,
    summary_of_tail,
)
from ingest.archive.reading import Archive
from ingest.archive.store import ArchivePath, until_whole
from ingest.contract.errors import ArchiveProblem
from ingest.contract.frames import Messages
from ingest.contract.kinds import DESK_KINDS, SET_KINDS

SILENCE = timedelta(hours=6)
"""A set that is still on speaks again before so long. Our own rule."""


def cut(folder: ArchivePath) -> Pieces:
    """Return the pieces of an archive, from its index and what is not sealed yet; none when it is empty.

    Without those of desks; asked again, only where the archive grew (`analysis.pieces.closed_days`).
    """
    open_archive(folder)
    return until_whole(folder, growing_cut_of(folder.absolute()).pieces)


def pieces_of(folder: ArchivePath) -> Pieces:
    """Return the pieces of an archive, those of its desks last.

    Raises `ArchiveProblem` when the folder holds no message.
    """

    def found() -> Pieces:
        archive, index = open_archive(folder), ArchiveIndex(folder)
        # The tail first: what is sealed in between is then in both, which does no harm.
        tail = archive.unsealed()
        rows = whole_index(index, *(summary_of_tail(tail, kinds) for kinds in (SET_KINDS, DESK_KINDS)))
        return with_desks(find_pieces(*rows), rows[1])

    pieces = until_whole(folder, found)
    if pieces.table.is_empty():
        raise ArchiveProblem(
            f"the archive {folder} holds no message; bring a capture in with "
            f"`underair import LOG --archive {folder}`, or listen to a broker with `underair listen`"
        )
    return pieces


def desks_of(folder: ArchivePath) -> pl.DataFrame:
    """Return what desks said about whom, from the index and what is not sealed yet, as `with_uses`."""
    return until_whole(folder, lambda: _desks(open_archive(folder).unsealed(), ArchiveIndex(folder)))


def incidents_in(folder: ArchivePath) -> pl.DataFrame:
    """Return the incidents that desks spoke of, as `analysis.pieces.identity.incident_uses`."""
    return incident_uses(desks_of(folder))


def incident_piece(folder: ArchivePath, incident: str) -> tuple[Messages, Scope]:
    """Return what one incident needs: all that its sets said in their power-ups, and desks about it.

    - `folder`: the archive's.
    - `incident`: its key or id, of `incidents_in`.

    Returns the messages, and the scope that their analysis answers for.

    Raises `ArchiveProblem` when there is no such incident, with the names of those there are, or several of
    one name.
    """
    return until_whole(folder, lambda: next(messages_of(folder, _piece_of(folder, incident))))


def light_incident_piece(folder: ArchivePath, incident: str) -> tuple[Mapping[str, pl.DataFrame], Scope]:
    """Return what one incident needs, as `incident_piece`, but readings are read when asked for.

    Of a big incident that is nine tenths of the memory; see `analysis.pieces.batch_messages`.
    """
    return until_whole(folder, lambda: light_messages_of(folder, _piece_of(folder, incident)))


def _piece_of(folder: ArchivePath, incident: str) -> Pieces:
    archive, index = open_archive(folder), ArchiveIndex(folder)
    tail = archive.unsealed()
    desks = _desks(tail, index)
    uses = incident_uses(desks)
    (row,) = asked_for(uses, incident, f"the archive {folder}").iter_rows(named=True)
    first, last = row["first"], row["last"]
    at_once = uses.filter((pl.col("first") <= last) & (pl.col("last") >= first))
    tallied = at_once["sets"].explode().unique().to_list()
    refusing = {"power": (pl.col("state") == "refused") & pl.col("received").is_between(first, last)}
    refused = archive.messages(first, last + timedelta(seconds=1), refusing)["power"]["set_id"].to_list()
    of_tail = summary_of_tail(tail, SET_KINDS)
    stored = pl.concat([index.stored(), of_tail.filter(pl.col("said_first").is_not_null())])
    then = stored.filter(
        (pl.col("said_first") <= last)
        & (pl.col("said_last") >= first)
        & pl.col("kind").is_in(["pressure", "alarm"])
        & ~pl.col("set_id").is_in(tallied)
    )
    also = [*refused, *_of_nobody(archive, index, of_tail, tallied, first, last), *then["set_id"].unique()]
    of_set = pl.col("set_id").is_in([*row["sets"], *also])
    sets = _sets_around(index, first - BEFORE, last + AFTER, of_set, of_tail)
    sets = pl.concat([sets, stored.filter(of_set)]).unique(maintain_order=True)
    setups = pl.concat([index.setups(), of_tail.filter(pl.col("kind") == "setup")]).filter(of_set)
    of_it = pl.col("key") == row["key"]
    pieces = find_pieces(sets, desks.filter(of_it | _near(pl.col("first"), first, last)), setups)
    piece = _one_piece(pieces, row["key"], also, first, last)
    newest = max([piece.heard_until_us, *_ends(index, of_tail, desks)])
    return replace(piece, heard_until_us=newest)


def _of_nobody(
    archive: Archive,
    index: ArchiveIndex,
    of_tail: pl.DataFrame,
    tallied: Sequence[str],
    first: datetime,
    last: datetime,
) -> list[str]:
    """Return the sets under air, or in alarm, between two moments that nobody tallied in for any incident."""
    on = pl.concat([index.sets(days_between(first.date(), last.date())), of_tail]).filter(
        (pl.col("first") <= last) & (pl.col("last") >= first) & ~pl.col("set_id").is_in(tallied)
    )
    named = on.filter(pl.col("kind").is_in(["pressure", "alarm"]))["set_id"].drop_nulls().unique()
    if not len(named):
        return []
    then = pl.col("set_id").is_in(named.implode()) & pl.col("received").is_between(first, last)
    then &= ~pl.col("retained")
    wanted = {"pressure": then & (pl.col("pressure_bar") > OPEN_ABOVE_BAR), "alarm": then}
    found = archive.messages(first, last + timedelta(seconds=1), wanted)
    return pl.concat([found[kind]["set_id"] for kind in wanted]).unique().sort().to_list()


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


def _one_piece(pieces: Pieces, key: str, refused: list[str], first: datetime, last: datetime) -> Pieces:
    """Return an incident's piece alone, with sets that refused to start, or nobody tallied, meanwhile."""
    number = pieces.incidents.filter(pl.col("key") == key)["piece"][0]
    also = pieces.power_ups.filter(
        pl.col("set_id").is_in(refused) & (pl.col("first") <= last) & (pl.col("last") >= first)
    )
    mine, that = pl.col("piece") == number, pl.lit(number, pl.UInt32).alias("piece")

    def with_refused(frame: pl.DataFrame, on: Sequence[str] = ("piece", "set_id")) -> pl.DataFrame:
        found = pl.concat([frame.filter(mine), frame.join(also, on=on, how="semi", maintain_order="left")])
        return found.with_columns(that).unique(maintain_order=True)

    power_ups = with_refused(pieces.power_ups, ("piece", "set_id", "boot"))
    of_it = pieces.table.filter(mine)
    span = power_ups.select(pl.col("first").min(), pl.col("last").max())
    return replace(
        pieces,
        table=of_it.with_columns(
            pl.min_horizontal("since", pl.lit(span["first"][0], of_it.schema["since"])),
            pl.max_horizontal("until", pl.lit(span["last"][0], of_it.schema["until"])),
        ),
        power_ups=power_ups,
        sets=with_refused(pieces.sets).sort(pl.all()),
        incidents=pieces.incidents.filter(mine),
        desks=pieces.desks.filter(mine),
        later=pieces.later.filter(mine),
        setups=with_refused(pieces.setups),
        stored=with_refused(pieces.stored, ("piece", "set_id", "boot")),
    )


def _ends(index: ArchiveIndex, of_tail: pl.DataFrame, desks: pl.DataFrame) -> list[int]:
    """Return until when the archive goes on, microseconds since 1970."""
    days = index.days()
    newest = [index.sets(days[-1:])["last"], of_tail["last"], desks["last"]]
    return [value for times in newest if isinstance(value := times.to_physical().max(), int)]


def _desks(tail: Messages, index: ArchiveIndex) -> pl.DataFrame:
    return with_uses(pl.concat([index.desks(), summary_of_tail(tail, DESK_KINDS)]))


def _near(moment: pl.Expr, since: datetime, until: datetime) -> pl.Expr:
    return moment.is_between(since - BEFORE, until + AFTER)
