"""Writes the demo's three simulated years: ``python -m analysis.simulation.make_three_years``.

Every wear is simulated second by second and analysed, which takes some minutes; the same seed gives the same
lines. Who changes the simulation or the estimator runs it again and commits what it wrote.
"""

from __future__ import annotations

from pathlib import Path

import polars as pl

from analysis.simulation.three_years import simulated_wear, three_years
from analysis.trends.ledger import SCHEMAS, Ledger
from analysis.trends.roster import ROSTER

SEED = 2031
FOLDER = Path(__file__).parent / "three_years_of_wears"


def read_three_years() -> tuple[Ledger, pl.DataFrame]:
    """Return the shipped ledger and its roster."""
    ledger = {
        name: pl.read_parquet(FOLDER / f"{name}.parquet").cast(dict(schema.items()))
        for name, schema in SCHEMAS.items()
    }
    return ledger, pl.read_csv(FOLDER / "roster.csv", schema=ROSTER)


def write_three_years() -> int:
    """Make and write them; return the bytes written."""
    ledger, roster = three_years(SEED, make_wear=simulated_wear)
    FOLDER.mkdir(exist_ok=True)
    for name, frame in ledger.items():
        small = frame.with_columns(
            pl.col(column).round(4).cast(pl.Float32)
            for column, dtype in frame.schema.items()
            if dtype == pl.Float64
        )
        small.write_parquet(FOLDER / f"{name}.parquet", compression="zstd", compression_level=19)
    roster.write_csv(FOLDER / "roster.csv")
    return sum(path.stat().st_size for path in FOLDER.iterdir())


if __name__ == "__main__":
    write_three_years()
