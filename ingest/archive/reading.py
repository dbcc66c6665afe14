"""Read an archive: sealed parts and the unsealed tail through one reader, so that live and review agree."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TypeVar

import polars as pl

from ingest.archive.expected import being_sealed, part_name
from ingest.archive.folder import require_known_format
from ingest.archive.journal import journal_folders, segments
from ingest.archive.journal_frames import BytesOfFile, Damage, Record, SegmentReader, opened
from ingest.archive.mapped_journal import mapper_before
from ingest.archive.parts import part_files, scan_parts
from ingest.archive.store import ArchivePath, place, place_of, until_whole
from ingest.archive.store_chains import listeners
from ingest.contract.columns import TABLES
from ingest.contract.errors import ArchiveProblem
from ingest.contract.frames import FrameBuilder, Messages, concat, drop_duplicates, heard_of, no_messages
from ingest.contract.times import EPOCH, micros
from ingest.mapping.mapper import Mapper

Frame = TypeVar("Frame", pl.DataFrame, pl.LazyFrame)
_MTIME_SETTLES_NS = 100_000_000
STORE_LOOK_S = 5.0
_NOTHING: Mapping[str, Sequence[str]] = {}


class Archive:
    """An archive folder; one that is not there yet is empty.

    Raises `ArchiveProblem` when a newer underair wrote there.
    """

    def __init__(self, folder: str | ArchivePath) -> None:
        self.folder = place(folder)
        require_known_format(self.folder)

    def scan(self, kind: str) -> pl.LazyFrame:
        """Return the sealed parts of a kind (or of ``refused``) as a lazy frame, in no promised order.

        Messages that two listeners heard, or that came again long after, may be in it twice; `messages`
        keeps each once.
        """
        return scan_parts(kind, part_files(self.folder, kind))

    def collected(self, frame: pl.LazyFrame) -> pl.DataFrame:
        """Return the rows of what was made of `scan`.

        Raises `StoreProblem` when the archive's store does not answer, or refuses.
        """
        try:
            return frame.collect()
        except OSError as error:
            place_of(self.folder).complain(self.folder, error)
            raise
        except (pl.exceptions.PolarsError, pl.exceptions.PanicException) as error:
            # The bytes are those that were sealed: a fault of ours or of the library, not of the archive.
            what = str(error).partition("\n")[0]
            raise ArchiveProblem(f"the archive {self.folder} could not be read: {what}") from error

    def messages(
        self,
        since: datetime | None = None,
        until: datetime | None = None,
        only: Mapping[str, pl.Expr] | None = None,
        bare: Mapping[str, Sequence[str]] = _NOTHING,
    ) -> Messages:
        """Return what was received from `since` up to but not including `until`, sealed or not.

        - `since` and `until`: aware; on the listener's clock.
        - `only`: only these kinds, and of each only the rows for which its expression is true; parts are read
          no further than that needs.
        - `bare`: kinds of which to hand over only these columns (topic and payload are nine tenths of all
          bytes), in no order, and each message as often as it was received: the caller finds duplicates
          by their identity.

        Returns each kind by time of receipt, duplicates removed.
        """

        def read() -> tuple[Messages, Messages]:
            # Journals first: a segment is deleted only when its parts are there, so nothing is between the
            # two.
            tail, names = self._unsealed(since, until, TABLES if only is None else only)
            return tail, self._sealed(since, until, names, only, bare)

        tail, sealed = until_whole(self.folder, read)
        chosen = {
            kind: frame.filter(only.get(kind, pl.lit(False))) if only is not None and frame.height else frame
            for kind, frame in tail.items()
        }
        both = concat([sealed, {kind: _asked(frame, bare.get(kind)) for kind, frame in chosen.items()}])
        whole = {
            kind: frame.sort("received", maintain_order=True) if frame.height else frame
            for kind, frame in both.items()
            if kind not in bare
        }
        return {**both, **drop_duplicates(whole)}

    def follow(self) -> Follower:
        """Return a follower of what the listeners receive from now on."""
        return Follower(self.folder)

    def unsealed(self) -> Messages:
        """Return what the journals hold: received, and not yet in any part."""
        return until_whole(self.folder, lambda: self._unsealed(None, None, TABLES)[0])

    def _unsealed(
        self, since: datetime | None, until: datetime | None, only: Collection[str]
    ) -> tuple[Messages, set[str]]:
        first = 0 if since is None else micros(since)
        last = sys.maxsize if until is None else micros(until)
        lots = [no_messages()]
        names = set()
        for folder in journal_folders(self.folder):
            listed = segments(folder)
            mapper = mapper_before(self.folder, listed[0], only_sound=True) if listed else None
            builder = FrameBuilder(mapper, only)
            for segment in listed:
                # The last one may be in the middle of a write.
                for record in _records(segment, open_tail=segment == listed[-1]):
                    if first <= record.received_us < last:  # before it is decoded: that is what costs time
                        builder.add(*record)
                    elif mapper is not None and mapper.knows(record.topic):
                        mapper.take(heard_of(record))  # for what it must remember
                names.add(part_name(segment))
            lots.append(builder.frames())
        return concat(lots), names | being_sealed(self.folder)  # by other machines

    def _sealed(
        self,
        since: datetime | None,
        until: datetime | None,
        unsealed: set[str],
        only: Mapping[str, pl.Expr] | None,
        bare: Mapping[str, Sequence[str]],
    ) -> Messages:
        first = since.astimezone(UTC).date() if since is not None else None
        last = until.astimezone(UTC).date() if until is not None else None
        within = _within(since, until)
        lots = {kind: _asked(frame, bare.get(kind)) for kind, frame in no_messages().items()}
        for kind in TABLES if only is None else only:
            files = [path for path in part_files(self.folder, kind, first, last) if path.stem not in unsealed]
            if files:  # collecting nothing takes its time too
                chosen = within if only is None else within & only[kind]
                lots[kind] = self.collected(_asked(scan_parts(kind, files).filter(chosen), bare.get(kind)))
        return lots


def _asked(frame: Frame, columns: Sequence[str] | None) -> Frame:
    return frame if columns is None else frame.select(columns)


def _within(since: datetime | None, until: datetime | None) -> pl.Expr:
    within = pl.lit(True)
    if since is not None:
        within &= pl.col("received") >= since
    if until is not None:
        within &= pl.col("received") < until
    return within


def _records(segment: Path, *, open_tail: bool) -> Iterator[Record]:
    with opened(segment) as data:
        for found in SegmentReader().read(data, open_tail=open_tail):
            if not isinstance(found, Damage):
                yield from found


class Follower:
    """Hands on what the journals receive: each message once, none left out.

    Segments are held open, so that one that is sealed and deleted between two calls is still read to its end;
    one that came and went between two calls is read from its parts. Redelivered messages come again: callers
    that keep messages remove duplicates by identity.
    """

    def __init__(self, folder: str | ArchivePath) -> None:
        self._folder = place(folder)
        self._open: dict[Path, tuple[int, SegmentReader]] = {}  # segment: file handle, how far it is read
        self._seen: set[str] = set()
        self._mtimes: dict[Path, int] = {}
        self._mappers: dict[Path, Mapper | None] = {}
        self._first_us = micros(datetime.now(UTC))
        self._look_again_at = 0.0
        for segment, record in self._read_journals():
            mapper = self._mapper_of(segment)
            if mapper is not None and mapper.knows(record.topic):
                mapper.take(heard_of(record))
        self._seen |= {path.stem for path in self._recent_parts()}

    def new_messages(self) -> Messages:
        """Return what came since the last call (or since the follower was made), by time of receipt."""
        builders: dict[Path, FrameBuilder] = {}
        changed = self._folders_changed()
        for segment, record in self._read_journals():
            builder = builders.get(segment.parent)
            if builder is None:
                builder = builders[segment.parent] = FrameBuilder(self._mapper_of(segment))
            builder.add(*record)
        lots = [no_messages(), *(builder.frames() for builder in builders.values())]
        if changed:
            lots.append(self._missed())
            # A mapping that came meanwhile reads what comes from now on.
            self._mappers = {folder: mapper for folder, mapper in self._mappers.items() if mapper is not None}
        return drop_duplicates(
            {kind: frame.sort("received", maintain_order=True) for kind, frame in concat(lots).items()}
        )

    def close(self) -> None:
        """Let go of the segments."""
        for handle, _ in self._open.values():
            os.close(handle)
        self._open.clear()

    def _mapper_of(self, segment: Path) -> Mapper | None:
        folder = segment.parent
        if folder not in self._mappers:
            self._mappers[folder] = mapper_before(self._folder, segment, only_sound=True)
        return self._mappers[folder]

    def _read_journals(self) -> Iterator[tuple[Path, Record]]:
        by_folder = [segments(folder) for folder in journal_folders(self._folder)]
        listed = {path for paths in by_folder for path in paths}
        may_grow = {paths[-1] for paths in by_folder if paths}
        for path in sorted(listed - self._open.keys()):
            try:
                self._open[path] = (os.open(path, os.O_RDONLY), SegmentReader())
            except FileNotFoundError:
                continue  # its parts are read instead
            self._seen.add(part_name(path))
        for path in sorted(self._open):
            handle, reader = self._open[path]
            for found in reader.read(BytesOfFile(handle), open_tail=path in may_grow):
                if not isinstance(found, Damage) and found:
                    self._first_us = min(self._first_us, found[0].received_us)
                    yield from ((path, record) for record in found)
            if path not in listed:
                os.close(handle)
                del self._open[path]

    def _folders_changed(self) -> bool:
        """Return whether a segment may have come or gone since the last look.

        On a store also now and then: what listeners on other machines sealed is found there, and only there.
        """
        changed = False
        if place_of(self._folder).is_shared and time.monotonic() >= self._look_again_at:
            self._look_again_at = time.monotonic() + STORE_LOOK_S
            changed = True
        for folder in journal_folders(self._folder):
            now = folder.stat().st_mtime_ns
            if self._mtimes.get(folder) != now:
                changed = True
                # Two changes within one tick of the file system's clock have the same time: look again.
                settled = datetime.now(UTC).timestamp() * 1e9 - now > _MTIME_SETTLES_NS
                self._mtimes[folder] = now if settled else -1
        return changed

    def _recent_parts(self) -> list[ArchivePath]:
        writers = [folder.name for folder in journal_folders(self._folder)]
        writers += listeners(self._folder / "manifest")  # those of other machines, too
        moving = being_sealed(self._folder)
        prefixes = tuple(f"{name}-" for name in writers)
        # A listener's clock may be days behind the machine's, or the machine's may have been set back.
        day = min(EPOCH + timedelta(microseconds=self._first_us), datetime.now(UTC)).date()
        return [
            path
            for kind in TABLES
            for path in part_files(self._folder, kind, since=day)
            if path.name.startswith(prefixes) and path.stem not in moving
        ]

    def _missed(self) -> Messages:
        found: dict[str, list[ArchivePath]] = {kind: [] for kind in TABLES}
        names = set()
        for path in self._recent_parts():
            if path.stem not in self._seen:
                found[path.parent.parent.name].append(path)
                names.add(path.stem)
        self._seen |= names
        return {kind: scan_parts(kind, files).collect() for kind, files in found.items()}
