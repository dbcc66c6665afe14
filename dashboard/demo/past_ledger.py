"""The demo's long view: three simulated years put into its archive's ledger, with their roster."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import polars as pl

from analysis.simulation.make_three_years import read_three_years
from analysis.simulation.three_years import FIRST_YEAR, YEARS
from dashboard.trends.wear_ledger import bring_in

TIMES = ("started", "ended", "at")


def bring_in_three_years(archive: Path, now: datetime) -> int:
    """Put the three years before this one into the archive's ledger; return how many wears they have.

    They are moved by whole years, so that summer stays summer.
    """
    ledger, roster = read_three_years()
    by = f"{now.year - (FIRST_YEAR + YEARS)}y"
    moved = {
        name: frame.with_columns(pl.col(each).dt.offset_by(by) for each in TIMES if each in frame.columns)
        for name, frame in ledger.items()
    }
    # The roster first: a look between the two sees nobody, not wears without their stations.
    since = roster.with_columns(pl.lit(None, dtype=pl.Date).alias(name) for name in ("from", "until"))
    since.rename({"wearer_id": "wearer"}).write_csv(archive / "roster.csv")
    bring_in(archive, "three-years", moved)
    return moved["wears"].height
