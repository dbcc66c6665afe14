"""What the live board must be given to know who is in: the last hours, and what is still open from before.

Whoever was tallied in and not out is in, however long ago that was: nobody leaves the board because it was
started again.
"""

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from analysis.alarms.kinds import GRAVEST
from analysis.records import power_ups
from analysis.wears.tally import read_tallies
from ingest.archive.reading import Archive
from ingest.contract.columns import INCIDENT_KINDS
from ingest.contract.errors import UnderairError
from ingest.contract.frames import Messages
from ingest.contract.kinds import DESK_KINDS, SET_KINDS

CATCH_UP = timedelta(hours=12)
"""As long as a tally claims its set: an outage of hours is inside it. Our own rule."""
LONGEST_ENTRY = timedelta(days=31)
"""So far back setups, open entries and open alarms are looked for. Our own rule."""
SAME_INCIDENT = timedelta(days=3)
"""Of an incident with an open entry so much before that entry is read. Our own rule."""
BEFORE_TALLY = timedelta(minutes=30)
"""A set may be on for so long before its wearer is tallied in. Our own rule."""
BEFORE_ALARM = timedelta(hours=2)
"""A wear may have begun so long before an alarm that nobody closed. Our own rule."""
UNREADABLE = (UnderairError, OSError, pl.exceptions.PolarsError)
EVERY_SECOND = ("pressure", "motion", "temperature")
READ_AT_ONCE = timedelta(minutes=30)  # of the past, so that memory follows half an hour and not six
TAKEN_AT_ONCE = 5000  # messages; a tenth of a second's work between two words on how far it is


def received_until(archive: Archive, at: datetime, until: datetime) -> Iterator[tuple[Messages, float]]:
    """Yield what a board needs for a moment, in order of receipt, with when the last of it was received.

    `at` and `until`: the moment, and the end of what is read (excluded).
    """
    since = at - CATCH_UP
    every = {kind: pl.lit(value=True) for kind in (*DESK_KINDS, "setup")}
    grave = every | {"alarm": pl.col("alarm").is_in(GRAVEST)}
    words = archive.messages(since - LONGEST_ENTRY, since, grave)
    setups = words["setup"].unique(["service", "set_id"], keep="last", maintain_order=True)
    if setups.height:  # a set that was switched on a day before said it then, and only then
        nothing = {kind: frame.clear() for kind, frame in words.items()}
        yield nothing | {"setup": setups}, since.timestamp()
    for first, last, only in _still_open(words, since):
        yield from _read(archive, first, min(last, since), only)
    yield from _read(archive, since, until, None)


def _read(
    archive: Archive, since: datetime, until: datetime, only: Mapping[str, pl.Expr] | None
) -> Iterator[tuple[Messages, float]]:
    while since < until:
        reached = min(since + READ_AT_ONCE, until)
        for part, _, at_s in in_parts(archive.messages(since, reached, only)):
            yield part, at_s
        since = reached


def _still_open(words: Messages, until: datetime) -> Iterator[tuple[datetime, datetime, dict[str, pl.Expr]]]:
    """Yield from when to when to read, and what, for entries and alarms that were open at a moment.

    `words`: what desks said before it, and the gravest alarms.
    """
    tallies = words["tally"]
    desks = {kind: frame if kind in DESK_KINDS else frame.clear() for kind, frame in words.items()}
    stays = read_tallies(power_ups(desks)).stays if tallies.height else []
    # *Who came out* keeps those who were in at its close for 12 h longer than the row, as without a restart.
    told_us = (until - CATCH_UP).timestamp() * 1e6
    stays = [
        one
        for one in stays
        if one.ended_us is None or (one.ended_how == "incident_closed" and one.ended_us >= told_us)
    ]
    for incident_id in sorted({stay.incident_id for stay in stays}):
        own = [stay for stay in stays if stay.incident_id == incident_id]
        first = _moment(min(stay.in_us for stay in own)) - SAME_INCIDENT
        last = _moment(max(stay.tallies[-1].in_us for stay in own))
        of_incident = tallies.filter((pl.col("incident_id") == incident_id) & (pl.col("received") >= first))
        began = of_incident["received"].min()
        if isinstance(began, datetime):
            sets = of_incident["set_id"].unique().to_list()
            yield from _kinds(began - BEFORE_TALLY, last, until, sets, [incident_id])
    for set_id, raised in _crying(words).items():
        named = tallies.filter((pl.col("set_id") == set_id) & (pl.col("received") >= raised - CATCH_UP))
        incidents = named["incident_id"].unique().to_list()
        yield from _kinds(raised - BEFORE_ALARM, raised, until, [set_id], incidents)


def _kinds(
    first: datetime, last: datetime, until: datetime, sets: list[str], incidents: list[str]
) -> Iterator[tuple[datetime, datetime, dict[str, pl.Expr]]]:
    """Yield what sets said every second while a tally claims them, and all else until the moment."""
    of_sets, of_incidents = pl.col("set_id").is_in(sets), pl.col("incident_id").is_in(incidents)
    yield first, last + CATCH_UP, dict.fromkeys(EVERY_SECOND, of_sets)
    rest = {kind: of_sets for kind in SET_KINDS if kind not in EVERY_SECOND}
    rest |= {kind: of_incidents if kind in INCIDENT_KINDS else of_sets for kind in DESK_KINDS}
    yield first - (CATCH_UP if incidents else timedelta(0)), until, rest


def _crying(words: Messages) -> dict[str, datetime]:
    """Return the sets with an alarm of the gravest kind that nobody closed, and when it was raised."""
    found: dict[str, datetime] = {}
    for (set_id, alarm), own in words["alarm"].group_by("set_id", "alarm", maintain_order=True):
        raised = own.filter(pl.col("state") == "raised")["received"].max()
        if not isinstance(raised, datetime):
            raised = own["received"].max()
        if not isinstance(raised, datetime):
            continue
        about = (pl.col("set_id") == set_id) & (pl.col("alarm") == alarm) & (pl.col("received") >= raised)
        cleared = own["state"][-1] == "cleared" and words["seen"].filter(about).height
        if not cleared and not words["resolved"].filter(about).height:
            found[str(set_id)] = min(raised, found.get(str(set_id), raised))
    return found


def _moment(at_us: int) -> datetime:
    return datetime.fromtimestamp(at_us * 1e-6, UTC)


def in_parts(messages: Messages, most: int = TAKEN_AT_ONCE) -> Iterator[tuple[Messages, float, float]]:
    """Yield messages in the order of receipt, some thousands at a time.

    `most`: messages of all kinds together in a part; more where many were received in one microsecond.

    Yields (messages, fraction, at): a part; how far it goes, up to 1; when its last message was received,
    seconds since 1970.
    """
    received = np.sort(pl.concat([frame["received"] for frame in messages.values()]).to_physical().to_numpy())
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
