"""A table as the bytes of a Parquet file."""

import hashlib
import io
from typing import Any

import polars as pl
import pyarrow.parquet as pq

_SEAL = b"SHA2"


def parquet_bytes(table: pl.DataFrame, **options: Any) -> memoryview:
    """Return the bytes of a table's Parquet file; `options` are those of `polars.DataFrame.write_parquet`.

    The caller writes them: when polars itself writes into a file, it makes an error of the format out of
    a full disk.
    """
    made = io.BytesIO()
    table.write_parquet(made, **options)
    return made.getbuffer()


def arrow_bytes(table: Any) -> bytes:
    """Return the bytes of a `pyarrow.Table`'s Parquet file, with the metadata of its columns."""
    made = io.BytesIO()
    pq.write_table(table, made, compression="zstd")
    return made.getvalue()


def sealed(made: bytes | memoryview) -> bytes:
    """Return the bytes of a file that only underair reads, with a SHA-256 (FIPS 180-4) behind them."""
    return bytes(made) + hashlib.sha256(made).digest() + _SEAL


def unsealed(kept: bytes) -> bytes:
    """Return what `sealed` was given.

    Raises `ValueError` when a byte is another one.
    """
    made, digest = kept[: -32 - len(_SEAL)], kept[-32 - len(_SEAL) : -len(_SEAL)]
    if not kept.endswith(_SEAL) or hashlib.sha256(made).digest() != digest:
        raise ValueError("its SHA-256 differs")
    return made
