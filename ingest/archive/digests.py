"""The digest of rows: of every column, the same in whatever order the rows are.

Our own rule: merging sorts rows again, and the digests of parts add up to the digest of the whole.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from typing import Any

import msgspec
import numpy as np
import polars as pl

DIGESTS = 1 << 128
_BYTES = 16
_WORD = np.dtype("<u8")
_EMPTY = hashlib.blake2b(digest_size=_BYTES)


def rows_digest(frame: pl.DataFrame) -> int:
    """Return the sum modulo 2^128 of the BLAKE2b digests (RFC 7693) of all rows.

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
    # Rows with the same cells are laid out side by side: most parts have one or two such kinds of row.
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
    """Return 64 bits of each value; whatever of a null."""
    if values.null_count() == len(values):
        return np.zeros(len(values), _WORD)
    if isinstance(values.dtype, pl.List | pl.Struct):
        values = pl.Series([msgspec.json.encode(_said(value)).decode() for value in values.to_list()])
    if values.dtype in (pl.String, pl.Binary):
        filled = values.fill_null("" if values.dtype == pl.String else b"") if values.null_count() else values
        coded = filled.cast(pl.Binary).to_arrow().dictionary_encode()  # few values, many rows
        known = np.array([_word(value) for value in coded.dictionary.to_pylist()], _WORD)
        # Arrow's own way to an array loads pandas, which each sealing process would wait for.
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
