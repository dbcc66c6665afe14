"""The demo's simulated crew: fills in what happened before, then publishes over MQTT in real time.

It plays recordings of two simulated incidents, moved to now; `sample_logs/make_sample_logs.py` makes them.
"""

import re
import time
from collections.abc import Callable, Collection, Iterable
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import msgspec

from ingest.archive.sealing import Recent, seal_messages
from ingest.contract.captures import Heard, read_capture
from ingest.contract.frames import frames_from_heard
from ingest.contract.kinds import RETAINED_KINDS

RUNNING = 7
RECORDED = {number: Path(__file__).parent / "recordings" / f"{number}.ndjson.gz" for number in (6, RUNNING)}
RECORDED_AT = datetime(2031, 5, 4, 19, 12, tzinfo=UTC)
# Two incidents of one demo differ in their names.
PLACES = (
    ("Ropewalk, Sallow Lane", "Sallow Lane 31"),
    ("Cooperage, Fellmire Quay", "Fellmire Quay 7"),
    ("Drying loft, Oxmere Lock", "Oxmere Lock 2"),
)
# Just before one set falls silent, then a distress, then a burst of heat: something happens at once.
STARTS_INTO_INCIDENT = timedelta(minutes=13, seconds=40)
EARLIER_BY = timedelta(hours=26)  # the finished incident: yesterday, so the live page need not know it
PAUSE_BETWEEN_INCIDENTS = timedelta(seconds=20)
# What depends on when a message was said: times to the second, the incident's id, the power-up's number.
_MOVED = re.compile(rb'(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d)|(TH-\d{8}-\d{4})|(?<="boot":)(\d+)')

Publish = Callable[[str, bytes, bool], object]


def played(number: int, opened: datetime, sets: Collection[str] = ()) -> list[Heard]:
    """Return a recorded incident in the order received, as if it was opened at another moment.

    - `number`: recordings take turns by it, and so do places; no two incidents of a minute may share a set.
    - `opened`: UTC, time-zone aware; its seconds are kept, what is shorter is not.
    - `sets`: only these and what the desk said of them; empty for all.
    """
    recordings = [*RECORDED.values()]
    later = timedelta(seconds=round((opened - RECORDED_AT).total_seconds()))
    minutes = int(opened.timestamp()) // 60
    about = dict(zip(("name", "place"), PLACES[number % len(PLACES)], strict=True))
    incident = f"TH-{opened:%Y%m%d-%H%M}".encode()

    @cache
    def moved_time(text: bytes) -> bytes:
        return f"{datetime.fromisoformat(text.decode()) + later:%Y-%m-%dT%H:%M:%S}".encode()

    def moved(found: re.Match[bytes]) -> bytes:
        time, _, boot = found.groups()
        return moved_time(time) if time else str(int(boot) + minutes).encode() if boot else incident

    heard = []
    for one in read_capture(recordings[number % len(recordings)]):
        *_, role, speaker, kind = one.topic.split("/")
        if role == "set":
            chosen = speaker in sets
        else:
            chosen = kind == "incident" or any(f'"{set_id}"'.encode() in one.payload for set_id in sets)
        if sets and not chosen:
            continue
        payload = _MOVED.sub(moved, one.payload)
        if kind == "incident" and b'"name"' in payload:
            payload = msgspec.json.encode(msgspec.json.decode(payload, type=dict[str, object]) | about)
        heard.append(Heard(one.received + later, one.topic, payload))
    return heard


def write_history(archive: Path, now: datetime) -> int:
    """Write an earlier, finished incident into the archive; return how many messages it has."""
    return _write(archive, played(RUNNING - 1, now - EARLIER_BY), "demo-earlier")


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
    heard = played(RUNNING, now - STARTS_INTO_INCIDENT)
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
    number = RUNNING
    while True:
        publish_in_real_time(rest, publish)
        time.sleep(PAUSE_BETWEEN_INCIDENTS.total_seconds())
        number += 1
        rest = played(number, datetime.now(UTC))
