"""The demo's three simulated years, as they ship; `python -m tests.three_years` makes them."""

from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from analysis.trends.ledger import SCHEMAS, Ledger, completed
from analysis.trends.roster import ROSTER

FIRST_YEAR, YEARS = 2028, 3
FOLDER = Path(__file__).parent / "three_years_of_wears"
TIMES = ("started", "ended", "at")


def read_three_years(now: datetime | None = None) -> tuple[Ledger, pl.DataFrame]:
    """Return three years of the shipped ledger, and its roster.

    `now`: they end here and begin with the month that was three years before; moved by whole years, so that
    summer stays summer. Without it: the first three as they were made.
    """
    since, until = datetime(FIRST_YEAR, 1, 1, tzinfo=UTC), datetime(FIRST_YEAR + YEARS, 1, 1, tzinfo=UTC)
    moved = 0
    if now is not None:
        since, until = datetime(now.year - YEARS, now.month, 1, tzinfo=UTC), now
        moved = now.year - (FIRST_YEAR + YEARS)
    ledger = {}
    for name, schema in SCHEMAS.items():
        frame = completed(pl.read_parquet(FOLDER / f"{name}.parquet"), schema)
        times = [column for column in TIMES if column in frame.columns]
        frame = frame.with_columns(pl.col(each).dt.offset_by(f"{moved}y") for each in times)
        ledger[name] = frame.filter(pl.col(times[0]) >= since, pl.col(times[-1]) < until)
    ledger["forecasts"] = ledger["forecasts"].join(ledger["wears"], on="wear_id", how="semi")
    return ledger, pl.read_csv(FOLDER / "roster.csv", schema=ROSTER)
