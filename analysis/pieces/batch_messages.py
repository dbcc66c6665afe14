"""The messages of a batch of pieces: read at once, handed out piece by piece."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta

import numpy as np
import polars as pl

from analysis.incident import Scope
from analysis.pieces.identity import KNOWN_AFTER, ONE_STRETCH
from analysis.pieces.pieces import AFTER, BEFORE, Pieces, overlaps
from analysis.records import NUMBERS, Ints, grouped, micros
from analysis.refused import whose
from ingest.archive.index import LATER, later_note
from ingest.archive.mappings import may_hold_mapped
from ingest.archive.parts import is_archive, require_archive
from ingest.archive.reading import Archive
from ingest.archive.store import ArchivePath
from ingest.contract.errors import ArchiveProblem
from ingest.contract.frames import Messages, drop_duplicates, no_messages
from ingest.contract.kinds import DESK_KINDS, SET_KINDS
from ingest.contract.times import EPOCH

MICROSECOND = timedelta(microseconds=1)
_NOT_COUNTED: Mapping[str, int] = {}
VERBATIM = ("set_id", "boot", "seq", "time", "received", "topic", "payload", "retained")


@dataclass(frozen=True)
class LightMessages(Mapping[str, pl.DataFrame]):
    """Messages of one piece by kind; those of `readings` are read again, and bare, each time.

    Topic and payload are nine tenths of what a big incident holds, and no figure needs them. They can be had
    stretch by stretch (`stretches`), or of chosen messages (`verbatim`).
    """

    kept: Messages  # every kind; of `readings` without rows, but with every column
    # dict of str to array of int: when each message of these kinds was received, microseconds since 1970, in
    # order. No two of them have the same identity.
    readings: Mapping[str, Ints]
    archive: Archive
    piece: Pieces

    def __getitem__(self, kind: str) -> pl.DataFrame:
        if kind not in self.readings:
            return self.kept[kind]
        return self._read({kind: BARE[kind]}, due={kind: len(self.readings[kind])})[kind]

    def __contains__(self, kind: object) -> bool:
        return kind in self.kept

    def __iter__(self) -> Iterator[str]:
        return iter(self.kept)

    def __len__(self) -> int:
        return len(self.kept)

    def only(self, kept: Messages, wanted: pl.Expr) -> "LightMessages":
        """Return these messages with others in place of those held, and only readings of some `set_id`."""
        power_ups = self.piece.power_ups.filter(wanted)
        if len(power_ups) == len(self.piece.power_ups):
            return replace(self, kept=kept)
        chosen = replace(self, kept=kept, piece=replace(self.piece, power_ups=power_ups))
        received = {kind: np.sort(micros(chosen[kind]["received"])) for kind in self.readings}
        return replace(chosen, readings=received)

    def stretches(self, messages: int) -> Iterator[Messages]:
        """Yield everything in the order received, about so many messages at a time.

        Readings have only the columns `VERBATIM`: what the set said is in their payloads.

        Raises `ArchiveProblem` when the archive does not hold the same readings any more.
        """
        heard = {kind: micros(frame["received"]) for kind, frame in self.kept.items()} | dict(self.readings)
        moments = np.sort(np.concatenate(list(heard.values())))
        edges = np.unique(moments[::messages])
        for first, last in zip(edges.tolist(), [*edges[1:].tolist(), None], strict=True):
            since = EPOCH + first * MICROSECOND
            until = None if last is None else EPOCH + last * MICROSECOND
            inside = pl.col("received") >= since
            if until is not None:
                inside &= pl.col("received") < until
            lot = {kind: frame.filter(inside) for kind, frame in self.kept.items()}
            due = {}
            for kind, received in self.readings.items():
                low = np.searchsorted(received, first)
                high = len(received) if last is None else np.searchsorted(received, last)
                due[kind] = int(high - low)
            lot |= self._read(dict.fromkeys(self.readings, VERBATIM), (since, until), due=due)
            for kind, count in due.items():
                if lot[kind].height != count:
                    raise ArchiveProblem(
                        f"messages of {since:%Y-%m-%d %H:%M} were added or removed while the archive was "
                        "read: try again"
                    )
            yield lot

    def verbatim(self, kind: str, chosen: pl.DataFrame) -> pl.DataFrame:
        """Return chosen messages of a kind as they were received, with topic and payload, in no order.

        `chosen`: with set_id, boot, seq and received; few rows, near each other in time, cost least.
        """
        identity = ["set_id", "boot", "seq", "received"]
        first, last = chosen["received"].min(), chosen["received"].max()
        if kind not in self.readings or not isinstance(first, datetime) or not isinstance(last, datetime):
            return self.kept[kind].join(chosen.select(identity), on=identity, how="semi")
        heard_then = pl.col("received").is_in(chosen["received"].implode())
        said = self._read({kind: VERBATIM}, (first, last + MICROSECOND), heard_then)[kind]
        return said.join(chosen.select(identity), on=identity, how="semi")

    def _read(
        self,
        columns: Mapping[str, Sequence[str]],
        received: tuple[datetime | None, datetime | None] = (None, None),
        only: pl.Expr | None = None,
        due: Mapping[str, int] = _NOT_COUNTED,
    ) -> Messages:
        """Read columns of kinds; if a kind has as many messages as are due, all belong to the piece."""
        said = _said(self.archive, self.piece, list(columns), columns, received, only)
        return {
            kind: said[kind]
            if said[kind].height == due.get(kind)
            else _live_of(said[kind], self.piece, said[kind].columns)
            for kind in columns
        }


_RECEIVED_THEN = pl.col("received").is_between(pl.col("received_first"), pl.col("received_last"))
_READINGS = tuple(kind for kind in SET_KINDS if kind != "setup")
_SEQ_BITS = 32
_WHOLE: Mapping[str, Sequence[str]] = {}
BARE = {
    kind: ("set_id", "boot", "seq", "time", "uptime_s", *numbers, "received", "retained")
    for kind, numbers in NUMBERS.items()
}
"""The columns of readings that the analysis needs."""


def messages_of(
    folder: ArchivePath, batch: Pieces, bare: bool = False, left_out: Collection[str] = ()
) -> Iterator[tuple[Messages, Scope]]:
    """Read a batch of pieces at once, and yield the messages of each, with what it answers for.

    - `folder`: the archive's.
    - `batch`: from `Pieces.batches`.
    - `bare`: of readings only the columns that the analysis needs, as far as none came twice.
    - `left_out`: kinds that are not read.

    Raises `ArchiveProblem` when a part is damaged, or nothing at all of the batch is there (a folder that is
    not mounted).
    """
    rows, since = int(batch.table["rows"].sum()), batch.table["since"].min()
    if isinstance(since, datetime) and folder.is_dir() and not is_archive(folder):
        raise nothing_is_there(folder, rows, since)
    archive = open_archive(folder)
    readings = [kind for kind in _READINGS if kind not in left_out]
    # A mapping's messages are read whole: only payloads show whose losses cannot be counted. So are stored
    # ones, which may have come by radio before.
    bare = bare and not batch.stored.height and not may_hold_mapped(folder)
    without = {kind: columns for kind, columns in BARE.items() if bare and kind in readings}
    said = _said(archive, batch, [*readings, *DESK_KINDS, "refused"], without)
    by_piece: dict[str, dict[int, pl.DataFrame]] = {}
    for kind in readings:
        if kind != "link" and said[kind].height:
            mine = _of_power_ups(said[kind], batch)
            if kind in without and _twice(mine):
                # Only their payloads decide which of them counts: read them whole.
                mine = _of_power_ups(_said(archive, batch, [kind])[kind], batch)
            by_piece[kind] = _by_piece(_live(mine))
    for kind, chosen in (("link", _links), ("refused", _refused)):
        if said[kind].height:
            by_piece[kind] = _by_piece(chosen(said[kind], batch))
    by_piece["setup"] = _by_piece(_setups(archive, batch))
    desks = {kind: _of_desks(said[kind], batch) for kind in DESK_KINDS}
    later = {kind: _by_piece(frame) for kind, frame in _later(archive, batch).items()}
    lots = (*by_piece.values(), *later.values())
    everything = [*desks.values(), *(list(one.values()) for one in lots)]
    if (
        rows
        and isinstance(since, datetime)
        and not any(one.height for frames in everything for one in frames)
    ):
        raise nothing_is_there(folder, rows, since)
    keys: dict[int, dict[str, list[tuple[int, str]]]] = {}
    uses = batch.incidents.sort("piece", "incident_id", "incident_use").with_columns(
        pl.col("first").dt.epoch("us")
    )
    for piece, name, first_us, key in uses.select("piece", "incident_id", "first", "key").iter_rows():
        keys.setdefault(piece, {}).setdefault(name, []).append((first_us, key))
    nothing = no_messages()
    ends = micros(batch.table["until"] + KNOWN_AFTER)
    for number, (piece, of_desk) in enumerate(batch.table.select("piece", "of_desk").iter_rows()):
        messages = {**nothing}
        for kind, of_pieces in by_piece.items():
            messages[kind] = of_pieces.get(piece, nothing[kind])
        for kind in DESK_KINDS:
            messages[kind] = desks[kind][number]
        if not of_desk and messages["note"].height:
            messages["note"] = messages["note"].filter(~later_note())
        for kind, of_pieces in later.items():
            if piece in of_pieces and not of_desk:
                messages[kind] = pl.concat([messages[kind], of_pieces[piece]])
        heard_until_us = min(batch.heard_until_us, int(ends[number]))
        own = keys.get(piece, {})
        yield messages, Scope(frozenset(own), of_desk, heard_until_us, batch.tallied, own)


def light_messages_of(folder: ArchivePath, piece: Pieces) -> tuple[Mapping[str, pl.DataFrame], Scope]:
    """Return the messages of one piece with readings that are read when asked for, and what it answers for.

    Where an identity came twice, all messages of its kind are held, with their payloads: these decide. Where
    any were stored, all messages are held.

    Raises `ArchiveProblem` as `messages_of`.
    """
    again = piece.power_ups.select(pl.struct("set_id", "boot").is_duplicated().any()).item()
    if again or piece.stored.height or may_hold_mapped(folder):
        ((whole, scope),) = messages_of(folder, piece)
        return whole, scope
    archive, light = open_archive(folder), dict[str, Ints]()
    for kind in NUMBERS:
        columns = {kind: ("set_id", "boot", "seq", "received")}
        mine = _live_of(_said(archive, piece, [kind], columns)[kind], piece, ["power_up", "seq", "received"])
        if not _twice(mine):
            light[kind] = np.sort(micros(mine["received"]))
    ((kept, scope),) = messages_of(folder, piece, left_out=list(light))

    return LightMessages(kept, light, archive, piece), scope


def nothing_is_there(folder: ArchivePath, messages: int, since: datetime) -> ArchiveProblem:
    """Return what to say when of `messages` received from `since` on none can be read."""
    return ArchiveProblem(
        f"none of the {messages:,} messages of {since:%Y-%m-%d} and after can be seen in {folder}: is the "
        "whole archive there, and mounted? Workers must see it under the name that the command uses"
    )


def _said(
    archive: Archive,
    batch: Pieces,
    kinds: list[str],
    bare: Mapping[str, Sequence[str]] = _WHOLE,
    received: tuple[datetime | None, datetime | None] = (None, None),
    also: pl.Expr | None = None,
) -> Messages:
    """Read what sets and desks said in the time of a batch, or in a part of it; setups apart.

    `also` is what else must be true of what sets said.
    """
    since, until = batch.table["since"].min(), batch.table["until"].max()
    sets = batch.power_ups["set_id"].unique().sort()
    desks = batch.desks["desk_id"].unique().sort()
    if not isinstance(since, datetime) or not isinstance(until, datetime):
        return no_messages()
    of_sets = pl.col("set_id").is_in(sets.implode()) & pl.col("received").is_between(since, until)
    if also is not None:
        of_sets &= also
    only = {kind: of_sets for kind in kinds if kind in SET_KINDS and len(sets)}
    only |= {kind: pl.col("desk_id").is_in(desks.implode()) for kind in kinds if kind in DESK_KINDS}
    only |= {kind: pl.lit(value=True) for kind in kinds if kind == "refused"}
    low, high = since - BEFORE, until + AFTER
    low, high = max(low, received[0] or low), min(high, received[1] or high)
    said = archive.messages(low, high, only, bare)
    for (day,), stored in batch.stored.group_by("day", maintain_order=True):
        midnight = datetime.combine(day, time(), UTC)
        of_them = pl.col("set_id").is_in(stored["set_id"].unique().to_list())
        of_them &= ~pl.col("received").is_between(since, until)
        wanted = dict.fromkeys((kind for kind in only if kind in SET_KINDS), of_them)
        more = archive.messages(midnight, midnight + timedelta(days=1), wanted)
        both = {
            kind: pl.concat([said[kind], more[kind]]).sort("received", maintain_order=True) for kind in wanted
        }
        said |= drop_duplicates(both)
    return said


def _of_power_ups(said: pl.DataFrame, batch: Pieces) -> pl.DataFrame:
    """Return what was said in the power-ups of a batch, with piece, ends and number of each."""
    power_ups = batch.power_ups.drop("first", "last").with_row_index("power_up")
    return said.join(power_ups, on=["set_id", "boot"], maintain_order="left")


def _live(said: pl.DataFrame) -> pl.DataFrame:
    """Leave out retained copies that came again later, and what came since the pieces were found."""
    return said.filter(_RECEIVED_THEN).drop("received_first", "received_last", "power_up")


def _live_of(said: pl.DataFrame, piece: Pieces, columns: Sequence[str]) -> pl.DataFrame:
    """Return `_live` of what one piece's power-ups said, in no order, bit by bit: no second copy of it."""
    power_ups = piece.power_ups.with_row_index("power_up").lazy()
    mine = said.lazy().join(power_ups, on=["set_id", "boot"])
    mine = mine.filter(_RECEIVED_THEN)
    return mine.select(columns).collect(engine="streaming")


def _twice(said: pl.DataFrame) -> bool:
    """Return whether an identity may be there twice."""
    if said.is_empty():
        return False
    seq = said["seq"].to_numpy()
    if seq.min() < 0 or seq.max() >> _SEQ_BITS:
        return True  # no room for the power-up beside it: read in full, and found there
    identity = (said["power_up"].to_numpy().astype(np.int64) << _SEQ_BITS) | seq
    if np.all(identity[1:] > identity[:-1]):
        return False
    identity.sort(kind="stable")  # long runs are in order already
    return bool(np.any(identity[1:] == identity[:-1]))


def _of_desks(said: pl.DataFrame, batch: Pieces) -> list[pl.DataFrame]:
    """Return what the desks of each piece said around its time, piece by piece in their order.

    A desk speaks of many incidents: looked up by time and taken at once.
    """
    if said.is_empty():
        return [said] * batch.table.height
    desks = batch.desks.select("desk_id", "boot").unique(maintain_order=True).with_row_index("desk")
    received = micros(said["received"])
    speaker = (
        said.select("desk_id", "boot")
        .join(desks, on=["desk_id", "boot"], how="left", maintain_order="left")["desk"]
        .fill_null(desks.height)
        .to_numpy()
    )
    both = batch.desks.join(desks, on=["desk_id", "boot"]).select("piece", "desk")
    of_piece: dict[int, list[int]] = grouped(both.iter_rows())
    before, after = (int(span.total_seconds() * 1e6) for span in (BEFORE, AFTER))
    alone = batch.table["of_desk"].to_numpy()
    low = np.searchsorted(received, micros(batch.table["since"]) - np.where(alone, 0, before), side="left")
    high = np.searchsorted(received, micros(batch.table["until"]) + np.where(alone, 0, after), side="right")
    rows: list[Ints] = []
    for piece, since, until in zip(batch.table["piece"], low.tolist(), high.tolist(), strict=True):
        rows.append(since + np.flatnonzero(np.isin(speaker[since:until], of_piece.get(piece, []))))
    ends = np.cumsum([len(one) for one in rows]).tolist()
    taken = said[np.concatenate(rows)]
    return [taken[end - len(one) : end] for one, end in zip(rows, ends, strict=True)]


def _links(said: pl.DataFrame, batch: Pieces) -> pl.DataFrame:
    """Return what was said of links; a last will names no power-up, and counts in the time of one."""
    columns = ["piece", *said.columns]
    asked = said.with_columns(pl.col("received").alias("low"), pl.col("received").alias("high"))
    wills = overlaps(asked.filter(pl.col("boot").is_null()), batch.power_ups.drop("boot"), by="set_id")
    named = _live(_of_power_ups(said, batch))
    both = pl.concat([wills.select(columns), named.select(columns)])
    return both.unique(maintain_order=True).sort("received", maintain_order=True)


def _refused(said: pl.DataFrame, batch: Pieces) -> pl.DataFrame:
    """Return what was refused of the sets and desks of each piece, in their time.

    A desk may have spoken of any of its incidents: the analysis looks whether the payload names one.
    """
    named = whose(said).with_row_index("row")
    asked = named.select(
        "row",
        pl.format("{}/{}", "role", "speaker").alias("name"),
        pl.col("received").alias("low"),
        pl.col("received").alias("high"),
    )
    spans = batch.table.filter(~pl.col("of_desk")).select("piece", "since", "until")
    of_desks = batch.desks.join(spans, on="piece").select(
        "piece", pl.format("desk/{}", "desk_id").alias("name"), first="since", last="until"
    )
    of_sets = batch.sets.select(
        "piece",
        pl.format("set/{}", "set_id").alias("name"),
        # Half of what parts two pieces of a set: what is refused between them is of the nearer one.
        (pl.col("first") - ONE_STRETCH / 2).alias("first"),
        (pl.col("last") + ONE_STRETCH / 2).alias("last"),
    )
    there = pl.concat([of_sets, of_desks.select(of_sets.columns)])
    mine = overlaps(asked, there, by="name").select("row", "piece").unique(maintain_order=True)
    return mine.join(named, on="row", maintain_order="left").select("piece", *said.columns)


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


def _later(archive: Archive, batch: Pieces) -> Messages:
    """Return notes that were brought in later, and corrections that came after the time of their piece."""
    found: dict[str, list[pl.DataFrame]] = {}
    wanted = batch.later.join(batch.table.select("piece", "until"), on="piece", maintain_order="left")
    for (kind, day), days in wanted.group_by("kind", "day", maintain_order=True):
        note, midnight = kind == "note", datetime.combine(day, time(), UTC)
        only = later_note() if note else pl.col("corrects").is_not_null()
        only &= pl.col("incident_id").is_in(days["incident_id"].unique().to_list())
        said = archive.messages(midnight, midnight + timedelta(days=1), {kind: only})[kind]
        about = said.join(days.drop("kind", "day"), on="incident_id", maintain_order="left")
        # Of one name, but about another use of it: not of this piece.
        moment = pl.col("at") if note else pl.col("received") - LATER
        mine = moment.is_between(pl.col("low"), pl.col("high"), closed="left")
        if not note:
            mine &= pl.col("received") > pl.col("until") + AFTER
        found.setdefault(kind, []).append(about.filter(mine).drop("low", "high", "until"))
    return {kind: pl.concat(frames) for kind, frames in found.items()}


def _by_piece(frame: pl.DataFrame) -> dict[int, pl.DataFrame]:
    parts = frame.partition_by("piece", as_dict=True, include_key=False, maintain_order=True)
    return {int(key[0]): part for key, part in parts.items()}


def open_archive(folder: ArchivePath) -> Archive:
    """Return the archive in a folder.

    Raises `ArchiveProblem` when there is no such folder, it is no archive, or a newer underair wrote there.
    """
    if not folder.is_dir():
        raise ArchiveProblem(
            f"there is no archive at {folder}; make one with `underair import LOG --archive {folder}`, or "
            "with `underair listen`"
        )
    require_archive(folder)
    return Archive(folder)
