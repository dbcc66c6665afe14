"""Turn journal segments and captures into Parquet parts, without messages that the archive already has."""

import contextlib
import secrets
from copy import deepcopy
from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl

from ingest.archive.durable import make_folder, sync_folder
from ingest.archive.expected import SEALING, part_name, unsettled
from ingest.archive.folder import Counts as Counts
from ingest.archive.folder import create_archive as create_archive
from ingest.archive.journal_frames import Damage, SegmentReader, opened
from ingest.archive.mapped_journal import keep_state, mapper_before
from ingest.archive.mappings import file_of
from ingest.archive.parts import part_files, part_path, scan_parts, write_part
from ingest.archive.sealing_client import Outcome
from ingest.archive.sound import QUARANTINE
from ingest.archive.store import ArchivePath, place_of, work_folder
from ingest.contract.columns import APART, TABLES, empty_frame
from ingest.contract.errors import ArchiveProblem, RefusedMessage
from ingest.contract.fields import speaker_field
from ingest.contract.frames import FrameBuilder, Messages, first_of_each, message_key
from ingest.contract.kinds import KINDS, MAX_PAYLOAD_BYTES
from ingest.plurals import counted

LARGEST_KEPT_BYTES = 16_000_000  # damaged bytes in one row of `refused`: sealing has them in memory


class Recent:
    """The last messages that a listener sealed, so that it need not look through the archive each time.

    What MQTT delivers twice comes soon. What comes late, with a new session, is looked up in the archive.

    - `archive`: remember what was sealed there last, because after a restart the broker delivers again what
      was not acknowledged. Parts of segments that are still in a journal do not count: they will be written
      again.
    - `rows`: how many of each kind to remember at least.
    """

    def __init__(self, archive: ArchivePath | None = None, rows: int = 50_000) -> None:
        self._rows = rows
        self._keys: dict[str, pl.DataFrame] = {}
        self._archive = archive
        if archive is not None and not place_of(archive).is_shared:
            self.look_up()

    def look_up(self) -> None:
        """Read the archive, unless that is done; a store may be unreachable when a listener begins.

        Raises `StoreProblem` when the store does not answer: it is looked up the next time.
        """
        archive = self._archive
        if archive is None:
            return
        unsealed = unsettled(archive)
        keys: dict[str, pl.DataFrame] = {}
        for kind in KINDS:
            files = [path for path in part_files(archive, kind) if path.stem not in unsealed]
            lots: list[pl.DataFrame] = []
            found = 0
            for path in sorted(files, key=_written_ns, reverse=True):
                if found >= self._rows:
                    break
                try:
                    lots.append(scan_parts(kind, [path]).select(message_key(kind)).tail(self._rows).collect())
                except pl.exceptions.PolarsError:  # `verify` names it
                    continue
                except OSError as error:
                    place_of(path).complain(path, error)
                    continue
                found += lots[-1].height
            if lots:
                keys[kind] = pl.concat(reversed(lots))
        for kind, known in keys.items():
            self.add(kind, known)
        self._archive = None

    def keys(self, kind: str) -> pl.DataFrame:
        """Return the keys of the messages of a kind."""
        return self._keys.get(kind, empty_frame(kind).select(message_key(kind)))

    def add(self, kind: str, frame: pl.DataFrame) -> None:
        """Remember messages by their keys."""
        self._keys[kind] = pl.concat([self.keys(kind), frame]).tail(self._rows)


def _written_ns(path: ArchivePath) -> int:
    try:
        return path.stat().st_mtime_ns
    except FileNotFoundError:
        return 0  # merged into another in this very moment


def _mark_sealing(archive: ArchivePath, name: str, *, done: bool) -> None:
    """On a store, mark a segment's parts as being written, so that no reader counts them yet."""
    if place_of(archive).is_shared:
        mark = archive / SEALING / name
        if done:
            mark.unlink(missing_ok=True)
        else:
            place_of(mark).put(mark, datetime.now(UTC).isoformat().encode())


def seal_segment(archive: ArchivePath, segment: Path, recent: Recent | None = None) -> Outcome:
    """Turn a closed journal segment into parts, then delete it.

    After a crash it writes the same parts again. Damaged bytes become rows of ``refused``, even at the end: a
    torn frame there may be an interrupted write, or an acknowledged frame that was damaged since, and nothing
    distinguishes the two. If more is damaged than a row should hold, the segment is kept in quarantine.

    `recent`: look for duplicates there, and add what is sealed; otherwise look in the whole archive.
    """
    mapper = mapper_before(archive, segment)
    before = None if mapper is None else deepcopy(mapper.state)
    builder = FrameBuilder(mapper)
    damages: list[Damage] = []
    first_us = None
    kept_aside = None
    with opened(segment) as data:
        for found in SegmentReader().read(data):
            if isinstance(found, Damage):
                damages.append(found)
                continue
            for record in found:
                builder.add(*record)
            first_us = found[0].received_us if found and first_us is None else first_us
        for damage in damages:
            reason = f"journal {segment.name}: {damage.sentence()}"
            length = damage.end - damage.start
            if damage.torn_tail:
                reason += "; they are its end: not acknowledged if a write broke off there"
            if length > LARGEST_KEPT_BYTES:
                kept_aside = f"{QUARANTINE}/journal/{segment.parent.name}/{segment.name}"
                length = MAX_PAYLOAD_BYTES
                reason += f"; the first {length:,} bytes are kept here, all in {kept_aside}"
            moment = segment.stat().st_mtime_ns // 1000 if first_us is None else first_us
            builder.refuse(moment, "", data.at(damage.start, length), False, RefusedMessage(reason))
    if recent is not None:
        recent.look_up()
    _mark_sealing(archive, part_name(segment), done=False)
    counts = seal_messages(
        archive,
        builder.frames(),
        part_name(segment),
        writer=segment.parent.name,
        recent=recent,
        overwrite=True,
    )
    _mark_sealing(archive, part_name(segment), done=True)
    if mapper is not None and before is not None:
        keep_state(segment, before, mapper)
    if kept_aside is not None:
        make_folder((work_folder(archive) / kept_aside).parent)
        segment.rename(work_folder(archive) / kept_aside)
        sync_folder((work_folder(archive) / kept_aside).parent)
    else:
        segment.unlink()
    sync_folder(segment.parent)
    return Outcome(counts, damages)


def seal_messages(
    archive: ArchivePath,
    messages: Messages,
    name: str,
    *,
    writer: str = "import",
    recent: Recent | None = None,
    overwrite: bool = False,
) -> Counts:
    """Write messages into parts, leaving out what the archive holds already.

    - `messages`: in the order of receipt.
    - `name`: of the parts; without `overwrite` random digits follow it.
    - `recent`: as in `seal_segment`.
    - `overwrite`: parts of this name come from the same messages: do not compare with them, write them again.

    Each refused message counts each time; a row of ``refused`` that is archived already (same
    receipt, topic and payload, as often) is counted but not stored again. An object that a mapping read
    counts once, however many messages were made of it: refused when a value of it could not be mapped.
    """
    # Random, so that no other part ever has this name.
    part = name if overwrite else f"{name}-{secrets.token_hex(8)}"
    received = kept = refused = 0
    sealed: dict[str, pl.DataFrame] = {}
    made = made_by_a_mapping(messages["originals"])
    files = {
        origin: file_of(archive, origin) for origin in messages["originals"]["mapping"].unique().to_list()
    }
    for kind in TABLES:
        frame = messages[kind]
        if frame.is_empty():
            continue
        received += frame.height
        if kind in APART:
            # A listener receives each refused message once; a capture may be imported twice.
            fresh = frame if overwrite else _anew(frame, kind, part_files(archive, kind))
            if kind == "refused":
                refused += frame.height - int(messages["originals"]["faults"].sum())
            else:
                received -= int(frame["messages"].sum()) + int(frame["faults"].sum())
                fresh = fresh.filter(pl.col("messages").is_not_null())
                refused += frame.filter(pl.col("faults") > 0).height
                kept += fresh.filter(pl.col("faults") == 0).height
        else:
            frame = frame.filter(first_of_each(kind))
            if recent is None:
                parts = [path for path in part_files(archive, kind) if not (overwrite and path.stem == name)]
                fresh = _without(frame, kind, _archived_keys(kind, frame, parts))
            else:
                fresh = _without(frame, kind, recent.keys(kind))
            kept += fresh.height if made is None else fresh.filter(~made).height
            sealed[kind] = fresh
        for (day,), rows in fresh.group_by(pl.col("received").dt.date(), maintain_order=True):
            if not isinstance(day, date):
                raise ArchiveProblem(f"a message of kind {kind} without the date of its receipt")
            if overwrite and kind not in APART:
                _require_all_of_before(part_path(archive, kind, day, part), kind, frame)
            used = [
                file for origin, file in files.items() if rows.select(_read_by(origin, kind).any()).item()
            ]
            write_part(archive, kind, day, part, rows, writer, again=overwrite, mappings=used)
    if recent is not None:
        for kind, fresh in sealed.items():
            recent.add(kind, fresh.select(message_key(kind)))
    return Counts(received, kept, received - kept - refused, refused)


def _require_all_of_before(path: ArchivePath, kind: str, frame: pl.DataFrame) -> None:
    """Refuse to replace a part by fewer messages: its segment may have been cut since it was sealed.

    Messages that a mapping made do not count: a later version makes others from the same original.
    """
    if path.exists():
        said = ~pl.col("payload").str.contains('"origin":"', literal=True)
        held = scan_parts(kind, [path]).filter(said).collect()
        lost = _without(held, kind, frame.select(message_key(kind))).height
        if lost:
            raise ArchiveProblem(
                f"{path} is not written again: {counted(lost, 'message')} that it holds are not in the "
                "segment any more. Restore the segment, or move it out of the archive and keep it"
            )


def _archived_keys(kind: str, frame: pl.DataFrame, files: list[ArchivePath]) -> pl.DataFrame:
    who = speaker_field(kind)
    speakers = frame[who].unique().to_list()
    boots = frame["boot"].unique().to_list()

    def keys(of: list[ArchivePath]) -> pl.DataFrame:
        return (
            scan_parts(kind, of)
            .filter(pl.col(who).is_in(speakers), pl.col("boot").is_in(boots, nulls_equal=True))
            .select(message_key(kind))
            .collect()
        )

    try:
        return keys(files)
    except (OSError, pl.exceptions.PolarsError) as error:
        if isinstance(error, OSError):
            place_of(files[0]).complain(files[0], error)
        # One damaged part must not keep everything else from being sealed; `verify` names it.
        readable = [keys([])]
        for file in files:
            with contextlib.suppress(OSError, pl.exceptions.PolarsError):
                readable.append(keys([file]))
        return pl.concat(readable)


def _without(frame: pl.DataFrame, kind: str, known: pl.DataFrame) -> pl.DataFrame:
    return frame.join(
        known,
        left_on=[key.meta.undo_aliases() for key in message_key(kind)],
        right_on=known.columns,
        how="anti",
        nulls_equal=True,
        maintain_order="left",
    )


def made_by_a_mapping(originals: pl.DataFrame) -> pl.Expr | None:
    """Return the expression that is true for messages which a mapping made; None when there are none."""
    if originals.is_empty():
        return None
    return pl.any_horizontal(_made_by(mapping) for mapping in originals["mapping"].unique())


def _made_by(origin: str) -> pl.Expr:
    return pl.col("payload").cast(pl.Binary).bin.contains(f'"origin":"{origin}"'.encode())


def _read_by(origin: str, table: str) -> pl.Expr:
    if table == "originals":
        return pl.col("mapping") == origin
    return pl.lit(False) if table == "refused" else _made_by(origin)


def _anew(frame: pl.DataFrame, table: str, files: list[ArchivePath]) -> pl.DataFrame:
    if not files:
        return frame
    key = ["received", "topic", "payload"]
    known = (
        scan_parts(table, files)
        .filter(pl.col("received").is_between(frame["received"].min(), frame["received"].max()))
        .group_by(key)
        .len("times")
        .collect()
    )
    return (
        frame.with_columns(pl.int_range(pl.len()).over(key).alias("occurrence"))
        .join(known, on=key, how="left", maintain_order="left")
        .filter(pl.col("occurrence") >= pl.col("times").fill_null(0))
        .select(frame.columns)
    )
