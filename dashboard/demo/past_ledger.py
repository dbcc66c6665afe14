"""The demo's long view: three simulated years put into its archive's ledger, with their roster."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import polars as pl

from analysis.simulation.shipped_years import read_three_years
from dashboard.trends.wear_ledger import bring_in


def bring_in_three_years(archive: Path, now: datetime) -> int:
    """Put the three years before `now` into the archive's ledger; return how many wears they have."""
    ledger, roster = read_three_years(now)
    # The roster first: a look between the two sees nobody, not wears without their stations.
    since = roster.with_columns(pl.lit(None, dtype=pl.Date).alias(name) for name in ("from", "until"))
    since.rename({"wearer_id": "wearer"}).write_csv(archive / "roster.csv")
    bring_in(archive, "three-years", ledger)
    return ledger["wears"].height
