"""A table as the bytes of a Parquet file."""

from __future__ import annotations

import io
from typing import Any

import polars as pl


def parquet_bytes(table: pl.DataFrame, **options: Any) -> memoryview:
    """Return the bytes of a table's Parquet file; `options` are those of `polars.DataFrame.write_parquet`.

    To be written by who asks: when polars itself writes into a file, it makes an error of the format out of
    a full disk.
    """
    made = io.BytesIO()
    table.write_parquet(made, **options)
    return made.getbuffer()
