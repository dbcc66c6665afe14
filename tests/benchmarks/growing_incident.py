"""What a refresh costs while an incident grows: `python -m tests.benchmarks.growing_incident [wears [days]]`.

An archive of many wears; forty sets of today's incident go on talking into the journal. Printed are the cut
of the whole archive, the cut that keeps what is over, and all that the review's lists and the trends' ledger
do. Ratios within one run travel; absolute figures do not.
"""

from __future__ import annotations

import json
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from analysis.incident import Analysed, analysed
from analysis.pieces.archive_pieces import cut, pieces_of
from analysis.profile import Profile
from dashboard.results_store import ResultsStore
from dashboard.trends import wear_ledger
from dashboard.trends.wear_ledger import WearLedger
from ingest.archive.journal_frames import Record
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.contract.captures import Heard
from ingest.contract.frames import Messages, frames_from_heard
from tests.faults.journal_reading import segment_bytes

BEGAN = datetime(2031, 1, 1, 8, 0, tzinfo=UTC)
SETS = 20
"""In each incident."""
GROWING = 40
"""Sets in the incident that grows."""


class Speakers:
    """Numbers what sets and desks say."""

    def __init__(self) -> None:
        self._seq: dict[tuple[str, int], int] = {}

    def say(self, at: datetime, role: str, name: str, boot: int, kind: str, **fields: Any) -> Heard:
        """Return one message."""
        seq = self._seq[name, boot] = self._seq.get((name, boot), -1) + 1
        said = {"kind": kind, f"{role}_id": name, "boot": boot, "seq": seq, "time": at.isoformat(), **fields}
        return Heard(at, f"underair/v1/brigade/{role}/{name}/{kind}", json.dumps(said).encode())


def incident(
    speakers: Speakers, began: datetime, number: int, sets: int, seconds: Callable[[int], range]
) -> Iterator[Heard]:
    """Yield an incident in which each set reads its pressure at some seconds."""
    desk, name = ("desk", "D-1", number // 50), f"I-{number}"
    yield speakers.say(began, *desk, "incident", incident_id=name, action="open")
    for one in range(sets):
        set_id, at = f"S-{(number * sets + one) % 400:03d}", began + timedelta(seconds=one)
        of = {"incident_id": name, "set_id": set_id, "wearer_id": f"W-{(number * 7 + one) % 500}"}
        yield speakers.say(at, *desk, "tally", action="in", **of)
        for second in seconds(one):
            now = at + timedelta(seconds=second)
            yield speakers.say(now, "set", set_id, number, "pressure", pressure_bar=300.0 - second / 20)
        if sets == SETS:
            yield speakers.say(at + timedelta(minutes=30), *desk, "tally", action="out", **of)
    if sets == SETS:
        yield speakers.say(began + timedelta(minutes=31), *desk, "incident", incident_id=name, action="close")


def make(folder: Path, wears: int, days: int) -> None:
    """Seal an archive, a part a day and kind."""
    speakers, incidents = Speakers(), wears // SETS
    a_day = -(-incidents // days)
    for day in range(days):
        heard = [
            one
            for number in range(day * a_day, min((day + 1) * a_day, incidents))
            for one in incident(
                speakers,
                BEGAN + timedelta(days=day, minutes=90 * (number % a_day)),
                number,
                SETS,
                lambda _: range(0, 1800, 600),
            )
        ]
        seal_messages(folder, frames_from_heard(sorted(heard, key=lambda one: one.received)), f"day-{day}")


def journal(folder: Path, heard: list[Heard]) -> None:
    """Write what came into the journal."""
    place = folder / "journal" / "listener-1"
    place.mkdir(parents=True, exist_ok=True)
    records = [
        Record(int(one.received.timestamp() * 1e6), one.topic, one.payload, one.retained) for one in heard
    ]
    (place / f"{heard[0].received:%Y%m%dT%H%M%S}000000Z.journal").write_bytes(segment_bytes([records]))


def took_s(work: Callable[[], Any]) -> float:
    """Return the processor time of a call."""
    begun = time.process_time()
    work()
    return time.process_time() - begun


def main(wears: int, days: int) -> None:
    """Measure, and print."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make(folder, wears, days)
        measure(folder, wears, days)


def measure(folder: Path, wears: int, days: int) -> None:
    """Print what looks cost at an archive of `make` to which an incident is added."""
    today, profile = BEGAN + timedelta(days=days), Profile.default()
    grows = sorted(
        incident(Speakers(), today, wears, GROWING, lambda _: range(1800)), key=lambda one: one.received
    )

    def until(second: int) -> list[Heard]:
        return [one for one in grows if one.received < today + timedelta(seconds=second)]

    # A listener seals every half minute: no more than that is in the journal.
    seal_messages(folder, frames_from_heard(until(600)), "today")
    sealed = len(until(600))
    journal(folder, grows[sealed : len(until(605))])
    old: list[Analysed] = []

    def of_today(messages: Messages, profile: Profile, *more: Any, **named: Any) -> Analysed:
        """Analyse today's incident; what is over has the tables of the first, which cost nothing."""
        if messages["incident"]["incident_id"].eq(f"I-{wears}").any() or not old:
            old.append(analysed(messages, profile, *more, **named))
            return old[-1]
        return old[0]

    store, ledger = ResultsStore(Archive(folder), profile, of_today), WearLedger(Archive(folder), profile)
    wear_ledger.analyse = lambda *given, **named: of_today(*given, **named).results
    print(f"{wears:,} wears on {days} days; lists made first in {took_s(store.incidents):.0f} s,", end=" ")
    print(f"the ledger in {took_s(lambda: ledger.update(today)):.0f} s", flush=True)
    for second in range(610, 641, 10):
        journal(folder, grows[sealed : len(until(second))])
        time.sleep(10)
        whole_s, cut_s = took_s(lambda: pieces_of(folder)), took_s(lambda: cut(folder))
        print(
            f"from scratch {whole_s:.2f} s, the cut {cut_s:.2f} s (1/{whole_s / cut_s:.0f}), "
            f"lists {took_s(store.incidents):.2f} s, ledger {took_s(lambda: ledger.update(today)):.2f} s",
            flush=True,
        )


if __name__ == "__main__":
    main(*(int(word) for word in (*sys.argv[1:3], "100000", "1000")[:2]))
