"""What the live board must be given to know who is in: the last hours, and all of incidents still open.

Whoever was tallied in and not out is in, however long ago that was: nobody leaves the board because it was
started anew.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from analysis.records import power_ups
from analysis.wears.tally import read_tallies
from ingest.archive.reading import Archive
from ingest.contract.columns import INCIDENT_KINDS
from ingest.contract.frames import Messages
from ingest.contract.kinds import DESK_KINDS, SET_KINDS

CATCH_UP = timedelta(hours=12)
"""As long as a tally claims its set: an outage of hours is inside it. Our own rule."""
LONGEST_ENTRY = timedelta(days=3)
"""So far back somebody who was never tallied out is looked for. Our own rule."""
BEFORE_TALLY = timedelta(minutes=30)
"""A set may be on for so long before its wearer is tallied in. Our own rule."""
READ_AT_ONCE = timedelta(minutes=30)  # of the past, so that memory follows half an hour and not six
TAKEN_AT_ONCE = 5000  # messages; a tenth of a second's work between two words on how far it is


def received_until(archive: Archive, at: datetime, until: datetime) -> Iterator[tuple[Messages, float]]:
    """Yield what a board needs for a moment, in order of receipt, with when the last of it was received.

    `at` and `until`: the moment, and the end of what is read (excluded).
    """
    since = at - CATCH_UP
    for first, only in _of_open_incidents(archive, since):
        yield from _read(archive, first, since, only)
    yield from _read(archive, since, until, None)


def _read(
    archive: Archive, since: datetime, until: datetime, only: Mapping[str, pl.Expr] | None
) -> Iterator[tuple[Messages, float]]:
    while since < until:
        reached = min(since + READ_AT_ONCE, until)
        for part, _, at_s in in_parts(archive.messages(since, reached, only)):
            yield part, at_s
        since = reached


def _of_open_incidents(archive: Archive, until: datetime) -> Iterator[tuple[datetime, dict[str, pl.Expr]]]:
    """Yield from when to read, and what, for the incidents in which somebody was in at a moment."""
    every = {kind: pl.lit(value=True) for kind in DESK_KINDS}
    desks = archive.messages(until - LONGEST_ENTRY, until, every)
    if desks["tally"].is_empty():
        return
    stays = read_tallies(power_ups(desks)).stays
    incidents = sorted({stay.incident_id for stay in stays if stay.ended_us is None})
    tallies = desks["tally"].filter(pl.col("incident_id").is_in(incidents))
    first = tallies["received"].min()
    if not isinstance(first, datetime):
        return
    of_sets = pl.col("set_id").is_in(tallies["set_id"].unique().to_list())
    only = dict.fromkeys(SET_KINDS, of_sets)
    for kind in DESK_KINDS:
        only[kind] = pl.col("incident_id").is_in(incidents) if kind in INCIDENT_KINDS else of_sets
    yield first - BEFORE_TALLY, only


def in_parts(messages: Messages, most: int = TAKEN_AT_ONCE) -> Iterator[tuple[Messages, float, float]]:
    """Yield messages in the order of receipt, some thousands at a time.

    - `messages`: a frame a kind.
    - `most`: messages of all kinds together in a part; more where many were received in one microsecond.

    Yields (messages, fraction, at): a part; how far it goes, up to 1; when its last message was received,
    seconds since 1970.
    """
    received = np.sort(
        np.concatenate(
            [
                np.zeros(0, np.int64),
                *(frame["received"].dt.epoch("us").to_numpy() for frame in messages.values()),
            ]
        )
    )
    begin = None
    for last in range(most - 1, len(received) + most - 1, most):
        place = min(last, len(received) - 1)
        end = int(received[place])
        if begin is not None and end <= begin:
            continue
        moment = pl.col("received").dt.epoch("us")
        within = moment <= end if begin is None else (moment > begin) & (moment <= end)
        part = {kind: frame.filter(within) for kind, frame in messages.items()}
        yield part, (place + 1) / len(received), end / 1e6
        begin = end
