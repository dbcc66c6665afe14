"""The ledger with its names as numbers: a third of the memory, and groups are found by number, not by text.

A name is a categorical of polars: it is shown, compared and sorted as its text. Each answer is the same as
from texts; `plain` gives these back, for files.
"""

from __future__ import annotations

import polars as pl
import polars.selectors as cs

NAMES = pl.Categorical()
OWN = ("wear_id", "entry_id")
"""Every wear has its own: as numbers they would take more than as texts."""


def coded(frame: pl.DataFrame) -> pl.DataFrame:
    """Return a table of the ledger, its texts as numbers."""
    texts = [name for name, dtype in frame.schema.items() if dtype == pl.String and name not in OWN]
    return frame.with_columns(pl.col(texts).cast(NAMES)) if texts else frame


def plain(frame: pl.DataFrame) -> pl.DataFrame:
    """Return a table of the ledger, its numbers as texts."""
    return frame.with_columns(cs.categorical().cast(pl.String))


def as_in(frame: pl.DataFrame, other: pl.DataFrame, name: str) -> pl.DataFrame:
    """Return a table whose column has the type that it has in another, so that the two can be joined."""
    return frame.with_columns(pl.col(name).cast(other.schema[name]))
