"""The long view, measured: ``python -m tests.benchmarks.trends [seeds [wears]]``.

Prints how often the three planted truths are found and how much else is named, over many seeds; how long the
page takes over 100,000 wears; and how many wears a second the first computation works out.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl

from analysis.profile import Profile
from analysis.simulation.shipped_years import read_three_years
from analysis.trends.cells import Published
from analysis.trends.comparisons import signals
from analysis.trends.measures import by_month
from analysis.trends.publishing import due
from analysis.trends.roster import with_station_and_role
from dashboard.app import create_app
from dashboard.context import PageContext
from dashboard.pages import trends as trends_page
from dashboard.trends.outside import tables
from dashboard.trends.view import keeper_of
from dashboard.trends.wear_ledger import WearLedger, bring_in
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.contract.frames import frames_from_heard
from sample_logs.simulation.past_year import build_past_incident
from tests.three_years import Planted, three_years

NOTHING = Planted(heat_growth_a_year=0.0, station_factor=1.0, set_fails=False)
WEARS = 100_000


def planted_and_false(seeds: int) -> None:
    """Print what is found of what was planted, and what is named without a reason."""
    for title, planted in (("three truths planted", Planted()), ("nothing planted", NOTHING)):
        found = {"heat": 0, "station": 0, "set": 0}
        false, seeds_with_false = 0, 0
        for seed in range(seeds):
            ledger, roster = three_years(seed, planted)
            named, _, _ = signals(with_station_and_role(ledger["wears"], roster), ledger["set_events"])
            truths = {
                "heat": [s for s in named if (s.part, s.measure, s.how) == ("service", "heat_dose", "rise")],
                "station": [s for s in named if (s.part, s.name) == ("station", Planted().station)],
                "set": [s for s in named if (s.part, s.name) == ("set", Planted().set_id)],
            }
            for name, those in truths.items():
                found[name] += bool(those)
            others = len(named) - sum(map(len, truths.values()))
            false, seeds_with_false = false + others, seeds_with_false + bool(others)
        print(f"{title}, {seeds} seeds: found {found}; else named {false}, in {seeds_with_false} seeds")


def opening(wears: int = WEARS) -> None:
    """Print how long the page takes over many wears, from what is kept on disk and again, and its memory.

    The ratio is to a plain polars group-by of the same wears by month: every sum that the page has, no more.
    """
    ledger, roster = read_three_years()
    copies = -(-wears // ledger["wears"].height)
    many: dict[str, pl.DataFrame] = {}
    for name, frame in ledger.items():
        lots = []
        for copy in range(copies):
            names = [c for c in ("wear_id", "incident_id", "wearer_id", "set_id") if c in frame.columns]
            lots.append(frame.with_columns(pl.col(c) + f"-{copy}" for c in names))
        many[name] = pl.concat(lots)
    people = pl.concat([roster.with_columns(pl.col("wearer_id") + f"-{copy}") for copy in range(copies)])
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        bring_in(folder, "many", many)
        days = [pl.lit(None, dtype=pl.Date).alias(name) for name in ("from", "until")]
        people.with_columns(days).rename({"wearer_id": "wearer"}).write_csv(folder / "roster.csv")
        del many, people
        # A process of its own: memory is that of the page alone.
        subprocess.run([sys.executable, "-m", "tests.benchmarks.trends", "page", str(folder)], check=True)


def page_over(folder: Path) -> None:
    """Print what the page, its memory and an export cost over a folder's ledger."""
    context = PageContext(archive=Archive(folder), profile=Profile.default())
    create_app(context, pages={"/trends": trends_page})
    keeper = keeper_of(context)
    started, busy = time.perf_counter(), time.process_time()
    assert keeper.when_new is not None
    keeper.when_new(keeper.look())
    cpu = time.process_time() - busy
    print(
        f"made ready in the background: {time.perf_counter() - started:.2f} s, {cpu:.2f} s of processor time"
    )
    kept = keeper.look().ledger["wears"]
    plain = min(_processor(lambda: _plain_sums(kept)) for _ in range(3))
    print(f"plain group-by of them all: {plain:.3f} s of processor time")
    looks = ({}, {"year": "2029"}, {"year": "2029"}, {"station": "Station 4"})
    for look, query in zip(("all", "another year", "that year again", "a station"), looks, strict=True):
        started, busy = time.perf_counter(), time.process_time()
        trends_page.layout(context, dict(query))
        took, cpu = time.perf_counter() - started, time.process_time() - busy
        told = f"{took:.2f} s, {cpu:.2f} s of processor time, {cpu / plain:.1f} times the plain group-by"
        print(f"{len(kept):,} wears, {look}: {told}", flush=True)
    sums = min(_processor(lambda: by_month(kept)) for _ in range(3))
    print(f"by_month: {sums / plain:.1f} times the plain group-by")
    print(f"highest memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB", flush=True)
    made: list[Published] = []
    cpu = _processor(lambda: made.extend(due(kept, datetime(2031, 1, 1, tzinfo=UTC).date(), {})))
    print(f"{len(made)} periods published at once: {cpu:.2f} s of processor time, {cpu / plain:.1f} times")
    print(f"highest memory with them {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")
    cpu = _processor(lambda: tables({one.period: one for one in made}))
    print(f"their tables for export: {cpu:.2f} s of processor time")


def _processor(call: Callable[[], object]) -> float:
    started = time.process_time()
    call()
    return time.process_time() - started


def _plain_sums(wears: pl.DataFrame) -> pl.DataFrame:
    amounts = ("under_air_min", "hard_min", "heat_dose", "silent_min", "low_air_exits")
    month = pl.col("started").dt.truncate("1mo").alias("month")
    return wears.group_by(month).agg(pl.len(), pl.col("wearer_id").n_unique(), pl.col(amounts).sum())


def first_computation(incidents: int = 12) -> None:
    """Print how many wears a second are worked out from messages, with one core."""
    now = datetime(2031, 6, 1, tzinfo=UTC)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        for number in range(1, incidents + 1):
            heard = build_past_incident(number, now).heard
            seal_messages(folder, frames_from_heard(heard), f"past-{number}")
        WearLedger(Archive(folder), Profile.default()).update(now + timedelta(days=400))  # compiles
        for path in sorted((folder / "derived").rglob("*"), reverse=True):
            path.unlink() if path.is_file() else path.rmdir()
        ledger = WearLedger(Archive(folder), Profile.default())
        started, busy = time.perf_counter(), time.process_time()
        ledger.update(now + timedelta(days=400))
        took, cpu = time.perf_counter() - started, time.process_time() - busy
        wears = ledger.tables()["wears"]
        minutes = wears["under_air_min"].mean()
        print(
            f"{wears.height} wears of {minutes:.0f} min: {wears.height / took:.0f} a second, "
            f"{wears.height / cpu:.0f} a second of one core (load {os.getloadavg()[0]:.1f})"
        )


if __name__ == "__main__":
    if sys.argv[1:2] == ["page"]:
        page_over(Path(sys.argv[2]))
    elif len(sys.argv) > 2:
        opening(int(sys.argv[2]))
    else:
        first_computation()
        opening()
        planted_and_false(int(sys.argv[1]) if len(sys.argv) > 1 else 20)
