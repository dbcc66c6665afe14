"""The manifest: for every part a line that says what it held when it was sealed, chained to the line before.

``DIR/manifest/{writer}.ndjson``, one chain for each listener, one for imports and one for merging. A line
ends with its ``hash``, the SHA-256 (FIPS 180-4) of everything before it, and repeats that of the line
before. On a store, where nothing can be appended, `ingest.archive.store_chains` keeps the lines.
"""

from __future__ import annotations

import fcntl
import os
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec
import polars as pl

from ingest.archive import store_chains
from ingest.archive.chained import hash_of
from ingest.archive.digests import DIGESTS, digest_text, rows_digest
from ingest.archive.durable import make_folder, sync_folder
from ingest.archive.folder import FORMAT, last_line, require_known
from ingest.archive.store import file_sha256, place_of
from ingest.contract.errors import ArchiveProblem

SUFFIX = ".ndjson"
_HASH = b',"hash":"%s"}'
HASH_LENGTH = len(_HASH) - 2 + 64
_SPEAKERS_NAMED = 12


class Line(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One line: a part that was sealed or merged."""

    # Of the archive, since this line: see `ingest.archive.folder`. Lines of form 1 do not name it.
    format: int = 1
    part: str  # path below the archive, with ``/``
    rows: int
    first: datetime  # of receipt
    last: datetime  # of receipt
    sha256: str  # of the file
    size: int = 0  # of the file, in bytes; 0 in form 1, which does not say
    # Of what the rows hold, whatever their order: see `ingest.archive.digests`. Lines of form 1 have that of
    # time of receipt, topic and payload; since form 2 it covers every column.
    rows_digest: str
    speakers: list[str] = []  # sets or desks that speak in it, at most 12; form 1 does not say
    more_speakers: int = 0  # how many there are beyond those
    replaces: list[str] = []  # the parts that were merged into this one
    dropped_rows: int = 0  # duplicates that merging left out
    # Theirs; the digests of what was replaced are together the digests of what was kept and of what was
    # dropped.
    dropped_digest: str = ""
    # By which profile's rule wearers' names were dropped. `dropped_rows` are then the messages as they were
    # before, and `dropped_digest` theirs less that of the messages as they are now.
    unnamed_by: str = ""
    # Which mapping files made messages of it: ``NAME/VERSION sha256:DIGEST``, the digest of the file.
    mappings: list[str] = []
    # The part was sealed before; this says in form 2 what it holds, after its bytes were compared with the
    # line of before.
    restates: bool = False
    written: datetime
    before: str  # hash of the line before; the line's own follows it


_encode = msgspec.json.Encoder().encode
decode_line = msgspec.json.Decoder(Line).decode


@dataclass
class Held:
    """What rows hold, added up as they go by: never all of them need be in memory."""

    rows: int = 0
    first: datetime | None = None
    last: datetime | None = None
    digest: int = 0
    speakers: set[str] = field(default_factory=set)

    def add(self, frame: pl.DataFrame) -> None:
        """Add rows."""
        if frame.is_empty():
            return
        first, last = frame["received"].min(), frame["received"].max()
        if not isinstance(first, datetime) or not isinstance(last, datetime):
            raise ArchiveProblem("rows without a time of receipt cannot be sealed")
        self.rows += frame.height
        self.first = first if self.first is None else min(self.first, first)
        self.last = last if self.last is None else max(self.last, last)
        self.digest = (self.digest + rows_digest(frame)) % DIGESTS
        for who in ("set_id", "desk_id"):
            if who in frame.columns:
                self.speakers.update(frame[who].drop_nulls().unique())
                break

    def said(self) -> dict[str, Any]:
        """Return the fields of a line that say what the rows hold."""
        speakers = sorted(self.speakers)
        return {
            "rows_digest": digest_text(self.digest),
            "speakers": speakers[:_SPEAKERS_NAMED],
            "more_speakers": max(len(speakers) - _SPEAKERS_NAMED, 0),
        }


def add_line(
    archive: Path,
    writer: str,
    path: Path,
    held: Held,
    file: Path,
    *,
    replaces: list[str] | None = None,
    dropped: Held | None = None,
    unnamed_by: str = "",
    mappings: list[str] | None = None,
) -> None:
    """Add the line of a part, durably.

    - `path`: the part, which may not have its name yet.
    - `held`: of its rows; not empty.
    - `file`: where its bytes are now.
    - `replaces`, `dropped`, `unnamed_by`, `mappings`: as in `Line`.
    """
    first, last = held.first, held.last
    if first is None or last is None:
        raise ArchiveProblem(f"{path} would hold nothing")
    _add(
        archive,
        writer,
        Line(
            format=FORMAT,
            part=path.relative_to(archive).as_posix(),
            rows=held.rows,
            first=first,
            last=last,
            sha256=file_sha256(file),
            size=file.stat().st_size,
            **held.said(),
            replaces=replaces or [],
            dropped_rows=0 if dropped is None else dropped.rows,
            dropped_digest=digest_text(dropped.digest) if dropped is not None and dropped.rows else "",
            unnamed_by=unnamed_by,
            mappings=mappings or [],
            written=datetime.now(UTC),
            before="",
        ),
    )


def restate(archive: Path, part: Path, held: Held, line: Line) -> None:
    """Say again in this form what a part of an older form holds; its bytes are those of the older line."""
    now = {"size": part.stat().st_size, "written": datetime.now(UTC), **held.said()}
    _add(archive, "tidy", msgspec.structs.replace(line, format=FORMAT, restates=True, **now))


def _add(archive: Path, writer: str, said: Line) -> None:
    def line(last: bytes | None) -> bytes:
        if last is not None:
            require_known(last, archive)
        before = hash_of((last or b"").rstrip(b"\n")[:-HASH_LENGTH])
        body = _encode(msgspec.structs.replace(said, before=before))[:-1]
        return body + _HASH % hash_of(body).encode() + b"\n"

    (store_chains.append if place_of(archive).is_shared else _append)(archive, writer, line)


def _append(archive: Path, writer: str, line: Callable[[bytes | None], bytes]) -> None:
    folder = archive / "manifest"
    make_folder(folder)
    manifest = folder / f"{writer}{SUFFIX}"
    new = not manifest.exists()
    with manifest.open("a+b") as file:
        fcntl.flock(file, fcntl.LOCK_EX)  # two imports at once share a chain
        last, end = last_line(file)
        made = line(last)
        file.truncate(end)  # a line that a crash tore
        file.write(made)
        file.flush()
        os.fsync(file.fileno())
    if new:
        sync_folder(folder)
