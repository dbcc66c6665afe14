"""The manifest: a line for every part says what it contained when it was sealed; the lines are chained.

``DIR/manifest/{writer}.ndjson``, one chain for each listener, one for imports and one for merging. A line
ends with its ``hash``, the SHA-256 (FIPS 180-4) of everything before it, and repeats that of the line
before. On a store, where nothing can be appended, `ingest.archive.store_chains` keeps the lines.
"""

import fcntl
import hashlib
import os
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import polars as pl

from ingest.archive import store_chains
from ingest.archive.chained import hash_of
from ingest.archive.durable import make_folder, sync_folder
from ingest.archive.folder import FORMAT, last_line, require_known
from ingest.archive.store import ArchivePath, file_sha256, local, place_of
from ingest.contract.errors import ArchiveProblem

SUFFIX = ".ndjson"
_HASH = b',"hash":"%s"}'
HASH_LENGTH = len(_HASH) - 2 + 64
_SPEAKERS_NAMED = 12
DIGESTS = 1 << 128
_BYTES = 16
_WORD = np.dtype("<u8")
_EMPTY = hashlib.blake2b(digest_size=_BYTES)


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
    # Of the contents of the rows in any order (`rows_digest`): of every column; in form 1 of time of receipt,
    # topic and payload.
    rows_digest: str
    speakers: list[str] = []  # sets or desks that speak in it, at most 12; form 1 does not say
    more_speakers: int = 0  # how many there are beyond those
    replaces: list[str] = []  # the parts that were merged into this one
    dropped_rows: int = 0  # duplicates that merging left out
    # Of these duplicates. The digests of the replaced parts are the sum of this and the part's own.
    dropped_digest: str = ""
    # The profile by whose rule names were dropped. Then `dropped_rows` counts the rewritten messages, and
    # `dropped_digest` is that of the old ones less that of the new ones.
    unnamed_by: str = ""
    # Which mapping files made messages of it: ``NAME/VERSION sha256:DIGEST``, the digest of the file.
    mappings: list[str] = []
    # A line in form 2 for a part of form 1, after its bytes were compared with the older line.
    restates: bool = False
    written: datetime
    before: str  # hash of the line before; this line's own hash follows it


_encode = msgspec.json.Encoder().encode
decode_line = msgspec.json.Decoder(Line).decode


@dataclass
class Held:
    """A digest of rows, added up piece by piece, so that they need not all be in memory."""

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
        """Return the fields of a line that describe the rows."""
        speakers = sorted(self.speakers)
        return {
            "rows_digest": digest_text(self.digest),
            "speakers": speakers[:_SPEAKERS_NAMED],
            "more_speakers": max(len(speakers) - _SPEAKERS_NAMED, 0),
        }


def add_line(
    archive: ArchivePath,
    writer: str,
    path: ArchivePath,
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


def restate(archive: ArchivePath, part: ArchivePath, held: Held, line: Line) -> None:
    """Write a line in this form for a part of an older form; its bytes are those of the older line."""
    now = {"size": part.stat().st_size, "written": datetime.now(UTC), **held.said()}
    _add(archive, "tidy", msgspec.structs.replace(line, format=FORMAT, restates=True, **now))


def _add(archive: ArchivePath, writer: str, said: Line) -> None:
    def line(last: bytes | None) -> bytes:
        if last is not None:
            require_known(last, archive)
        before = hash_of((last or b"").rstrip(b"\n")[:-HASH_LENGTH])
        body = _encode(msgspec.structs.replace(said, before=before))[:-1]
        return body + _HASH % hash_of(body).encode() + b"\n"

    (store_chains.append if place_of(archive).is_shared else _append)(archive, writer, line)


def _append(archive: ArchivePath, writer: str, line: Callable[[bytes | None], bytes]) -> None:
    folder = local(archive) / "manifest"
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


def rows_digest(frame: pl.DataFrame) -> int:
    """Return the sum modulo 2^128 of the BLAKE2b digests (RFC 7693) of all rows.

    Our own rule: merging sorts rows again, and the digests of parts add up to the digest of the whole.

    A row is hashed as its cells that are not null, each as a hash of its column's name and a hash (or the
    bits) of its value, and then its payload. A column that a later contract adds changes no digest while it
    is empty.

    `frame`: with `payload`; its columns may have any order.
    """
    if frame.is_empty():
        return 0
    names = sorted(name for name in frame.columns if name != "payload")
    words = [_words(frame[name]) for name in names]
    heads = [_word(name.encode()) for name in names]
    present = frame.select(pl.col(names).is_not_null()).to_numpy()
    payloads = frame["payload"].cast(pl.Binary)
    total = 0
    # Rows with the same cells are hashed together: most parts have one or two such kinds of row.
    for cells, rows in _alike(present):
        row_words = np.empty((len(rows), len(cells), 2), _WORD)
        for place, cell in enumerate(cells):
            row_words[:, place, 0] = heads[cell]
            row_words[:, place, 1] = words[cell] if len(rows) == frame.height else words[cell][rows]
        packed = row_words.reshape(len(rows), -1).view(f"V{2 * _WORD.itemsize * len(cells)}").ravel().tolist()
        own = payloads if len(rows) == frame.height else payloads.gather(rows)
        total += _sum_of(
            _row_digest(row, payload) for row, payload in zip(packed, own.to_list(), strict=True)
        )
    return total % DIGESTS


def _row_digest(cells: bytes, payload: bytes) -> bytes:
    digest = _EMPTY.copy()  # quicker than a new one
    digest.update(cells + payload)
    return digest.digest()


def _alike(present: np.ndarray[Any, Any]) -> Iterator[tuple[list[int], np.ndarray[Any, Any]]]:
    """Yield which cells are not null, and the rows of which that is true."""
    if (present == present[0]).all():
        yield np.flatnonzero(present[0]).tolist(), np.arange(len(present))
        return
    patterns, of_row = np.unique(np.packbits(present, axis=1), axis=0, return_inverse=True)
    for number in range(len(patterns)):
        rows = np.flatnonzero(of_row.reshape(-1) == number)
        yield np.flatnonzero(present[rows[0]]).tolist(), rows


def _sum_of(digests: Iterable[bytes]) -> int:
    parts = np.frombuffer(b"".join(digests), ">u4").reshape(-1, _BYTES // 4).sum(axis=0, dtype=np.uint64)
    return sum(int(part) << 32 * place for place, part in enumerate(reversed(parts.tolist())))


def digest_text(digest: int) -> str:
    """Return a digest of rows as a line of the manifest has it."""
    return f"{digest:0{2 * _BYTES}x}"


def _words(values: pl.Series) -> np.ndarray[Any, Any]:
    """Return 64 bits of each value; those of a null have no meaning."""
    if values.null_count() == len(values):
        return np.zeros(len(values), _WORD)
    if isinstance(values.dtype, pl.List | pl.Struct):
        values = pl.Series([msgspec.json.encode(_said(value)).decode() for value in values.to_list()])
    if values.dtype in (pl.String, pl.Binary):
        filled = values.fill_null("" if values.dtype == pl.String else b"") if values.null_count() else values
        coded = filled.cast(pl.Binary).to_arrow().dictionary_encode()  # few values, many rows
        known = np.array([_word(value) for value in coded.dictionary.to_pylist()], _WORD)
        # Arrow's own conversion loads pandas, and each sealing process would wait for that.
        found: np.ndarray[Any, Any] = known[np.frombuffer(coded.indices.buffers()[1], np.int32, len(coded))]
        return found
    numbers = values if values.dtype == pl.Float64 else values.to_physical().cast(pl.Int64)
    return (numbers.fill_null(0) if numbers.null_count() else numbers).to_numpy().view(_WORD)


def _said(value: Any) -> Any:
    """Return a nested value without its nulls: a later contract may add members."""
    if isinstance(value, dict):
        return {name: _said(one) for name, one in value.items() if one is not None}
    return [_said(one) for one in value] if isinstance(value, list) else value


def _word(value: bytes) -> int:
    return int.from_bytes(hashlib.blake2b(value, digest_size=8).digest(), "little")
