"""The digest of rows: of every column, the same in whatever order the rows are.

Our own rule: merging sorts rows anew, and the digests of parts add up to the digest of the whole.
"""

from __future__ import annotations

import hashlib
from typing import Any

import msgspec
import numpy as np
import polars as pl

DIGESTS = 1 << 128
_BYTES = 16
_WORD = np.dtype("<u8")


def rows_digest(frame: pl.DataFrame) -> int:
    """Return the sum modulo 2^128 of the BLAKE2b digests (RFC 7693) of all rows.

    A row is hashed as its cells that are not null, each as a hash of its column's name and a hash (or the
    bits) of its value, and then its payload. A column that a later contract adds changes no digest while it
    is empty.

    Parameters
    ----------
    frame : polars.DataFrame
        With `payload`; its columns may have any order.
    """
    if frame.is_empty():
        return 0
    names = sorted(name for name in frame.columns if name != "payload")
    cells = np.empty((frame.height, len(names), 2), _WORD)
    present = np.empty((frame.height, len(names)), np.bool_)
    for place, name in enumerate(names):
        cells[:, place, 0] = _word(name.encode())
        present[:, place] = frame[name].is_not_null().to_numpy()
        cells[:, place, 1] = _words(frame[name])
    packed = cells[present].tobytes()
    ends = (np.cumsum(present.sum(axis=1)) * cells.itemsize * 2).tolist()
    total, start = 0, 0
    for end, payload in zip(ends, frame["payload"].cast(pl.Binary), strict=True):
        row = packed[start:end] + payload
        total += int.from_bytes(hashlib.blake2b(row, digest_size=_BYTES).digest(), "big")
        start = end
    return total % DIGESTS


def digest_text(digest: int) -> str:
    """Return a digest of rows as a line of the manifest has it."""
    return f"{digest:0{2 * _BYTES}x}"


def _words(values: pl.Series) -> np.ndarray[Any, Any]:
    """Return 64 bits of each value; whatever of a null."""
    if isinstance(values.dtype, pl.List | pl.Struct):
        values = pl.Series([msgspec.json.encode(_said(value)).decode() for value in values.to_list()])
    if values.dtype in (pl.String, pl.Binary):
        said = values.to_frame("value").with_columns(place=pl.col("value").rank("dense") - 1)
        each = said.unique("value").drop_nulls().sort("place")["value"].cast(pl.Binary)
        known = np.array([*(_word(value) for value in each), 0], _WORD)
        found: np.ndarray[Any, Any] = known[said["place"].fill_null(len(known) - 1).to_numpy()]
        return found
    if values.dtype == pl.Float64:
        return values.fill_null(0.0).to_numpy().view(_WORD)
    return values.to_physical().cast(pl.Int64).fill_null(0).to_numpy().view(_WORD)


def _said(value: Any) -> Any:
    """Return a nested value without what is null in it: a later contract may add members."""
    if isinstance(value, dict):
        return {name: _said(one) for name, one in value.items() if one is not None}
    return [_said(one) for one in value] if isinstance(value, list) else value


def _word(value: bytes) -> int:
    return int.from_bytes(hashlib.blake2b(value, digest_size=8).digest(), "little")
