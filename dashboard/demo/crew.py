"""The demo's simulated crew: fills in what happened before, then publishes over MQTT in real time."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from analysis.simulation.past_year import INCIDENTS, build_past_incident
from analysis.simulation.scenario import build_incident
from ingest.archive.sealing import Recent, seal_messages
from ingest.contract.captures import Heard
from ingest.contract.frames import frames_from_heard
from ingest.contract.kinds import RETAINED_KINDS

SEED = 7
# Just before one set falls silent, then a distress, then a burst of heat: something happens at once.
STARTS_INTO_INCIDENT = timedelta(minutes=13, seconds=40)
EARLIER_BY = timedelta(hours=26)  # the finished incident: yesterday, so the live page need not know it
PAUSE_BETWEEN_INCIDENTS = timedelta(seconds=20)

Publish = Callable[[str, bytes, bool], object]


def write_history(archive: Path, now: datetime) -> int:
    """Write an earlier, finished incident into the archive; return how many messages it has."""
    heard = build_incident(SEED - 1, now - EARLIER_BY).heard
    return _write(archive, heard, "demo-earlier")


def write_past_year(archive: Path, now: datetime) -> int:
    """Write smaller incidents of the year before, so that the trends have months to show."""
    return sum(
        _write(archive, build_past_incident(number, now).heard, f"demo-past-{number}")
        for number in range(1, INCIDENTS + 1)
    )


def bring_in_three_years(archive: Path, now: datetime) -> int:
    """Put the three years before `now` into the archive's ledger; return how many wears they have."""
    import polars as pl

    from analysis.simulation.shipped_years import read_three_years
    from dashboard.trends.wear_ledger import bring_in

    ledger, roster = read_three_years(now)
    # The roster first: a reader between the two must not see wears without their stations.
    since = roster.with_columns(pl.lit(None, dtype=pl.Date).alias(name) for name in ("from", "until"))
    since.rename({"wearer_id": "wearer"}).write_csv(archive / "roster.csv")
    bring_in(archive, "three-years", ledger)
    return ledger["wears"].height


def begin(archive: Path, now: datetime) -> list[Heard]:
    """Open the running incident in the past, write what was heard of it until now, and return the rest."""
    heard = build_incident(SEED, now - STARTS_INTO_INCIDENT).heard
    past = [one for one in heard if one.received <= now]
    _write(archive, past, "demo-so-far")
    return heard[len(past) :]


def _write(archive: Path, heard: list[Heard], name: str) -> int:
    return seal_messages(archive, frames_from_heard(heard), name, recent=Recent()).received


def publish_in_real_time(heard: Iterable[Heard], publish: Publish) -> None:
    """Publish each message at the moment at which the simulated radio delivered it."""
    for one in heard:
        ahead_s = (one.received - datetime.now(UTC)).total_seconds()
        if ahead_s > 0.0:
            time.sleep(ahead_s)
        publish(one.topic, one.payload, one.topic.rsplit("/", 1)[1] in RETAINED_KINDS)


def go_on_for_ever(rest: list[Heard], publish: Publish) -> None:
    """Publish the rest of the running incident, then one incident after the other."""
    seed = SEED
    while True:
        publish_in_real_time(rest, publish)
        time.sleep(PAUSE_BETWEEN_INCIDENTS.total_seconds())
        seed += 1
        rest = build_incident(seed, datetime.now(UTC)).heard
