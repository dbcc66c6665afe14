"""Puts one incident (or a whole archive) together: messages in, every table of the results out.

Pure and deterministic: the same messages, in any order and in any parts, give the same tables to the bit.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from analysis.alarms.alarms import Alarm, find_alarms, give_entries
from analysis.alarms.rates import Flood, floods
from analysis.assemble import results_of
from analysis.clocks.clocks import Clocks, reconcile
from analysis.clocks.links import links_down
from analysis.findings.ends import close_ends, give_not_due
from analysis.findings.examined import Examined, early_ends, examine
from analysis.findings.finding import Context
from analysis.findings.sensors import offsets_of
from analysis.live.last_heard import give_last_heard
from analysis.profile import Profile
from analysis.records import PowerUp, by_set, grouped, micros, power_ups
from analysis.refused import note_refused, of_incident, read_refused
from analysis.same_id import apart
from analysis.services import told_apart
from analysis.tables import Results
from analysis.wears.calls import answers, read_calls
from analysis.wears.corrections import of_those_in, read_resolved
from analysis.wears.entries import find_entries
from analysis.wears.gauges import read_gauges
from analysis.wears.tally import (
    FORGOTTEN_AFTER_US,
    Keys,
    TallyEntry,
    read_tallies,
    two_at_once,
    written_then,
)
from analysis.wears.teams import give_team_moments, turns_of
from analysis.wears.turn_back import read_notes
from analysis.wears.unbroken import all_unbroken
from analysis.wears.wears import Wear, find_wears
from ingest.archive.index import STORED_AFTER

Progress = Callable[[int, int], None]
EARLIER_US = 3600 * 1_000_000
"""A set may be on for so long before a desk first speaks of its incident. Our own rule."""


@dataclass(frozen=True)
class Scope:
    """What a piece of an archive answers for; messages beyond it are knowledge, not its subject."""

    incidents: frozenset[str]  # its incidents; desks may speak of others too
    of_desk: bool  # whether it is a desk's own record; only that shows what is wrong with the record itself
    heard_until_us: int  # until when the whole archive goes on, microseconds since 1970
    tallied: bool  # whether anybody is tallied in the whole archive
    # By incident_id: from when each use of it was spoken of (receipt), and what that is asked for by.
    keys: Keys = field(default_factory=dict)


@dataclass(frozen=True)
class Analysed:
    """What was made of messages."""

    results: Results  # every table of `analysis.tables.TABLES`, by name
    # How the times of those who were read map onto the listener's clock; None where a part of what they said
    # was left out.
    clocks: Clocks | None
    records: list[PowerUp]  # what they said, on the reconciled clock
    others: bool  # whether what was read has wears of no incident, or of another one


def analyse(
    messages: Mapping[str, pl.DataFrame],
    profile: Profile,
    incident_id: str | None = None,
    progress: Progress | None = None,
    scope: Scope | None = None,
    heard_until_us: int | None = None,
) -> Results:
    """Return every table of the results.

    - `messages`: from the archive's reader or a capture; any order, duplicates allowed.
    - `profile`: the doctrine by which wears are judged.
    - `incident_id`: only the wears, alarms and sets of this incident.
    - `progress`: callable (done, total), optional: called after each wear.
    - `scope`: when the messages are a piece of a larger archive.
    - `heard_until_us`: in place of a scope: until when the archive goes on. Without either, until the last
      message.

    Returns every table of `analysis.tables.TABLES`, by name.
    """
    return analysed(messages, profile, incident_id, progress, scope, heard_until_us).results


def analysed(
    messages: Mapping[str, pl.DataFrame],
    profile: Profile,
    incident_id: str | None = None,
    progress: Progress | None = None,
    scope: Scope | None = None,
    heard_until_us: int | None = None,
    key: str | None = None,
) -> Analysed:
    """Return every table and the clocks; parameters as for `analyse`.

    `key`: what the incident is asked for by, in place of a scope.
    """
    messages = told_apart(messages)
    keys = scope.keys if scope is not None else {}
    if incident_id is not None and key is not None:
        keys = {incident_id: [(0, key)]}
    sets = sets_of(messages, incident_id) if incident_id is not None else None
    records = power_ups(messages, sets)
    everything = len(records)
    if incident_id is not None:
        records = _without_other_uses(records, spoken(messages, incident_id))
    is_whole = len(records) == everything
    refused = read_refused(messages)
    if incident_id is not None and sets is not None:
        refused = of_incident(refused, incident_id, sets, spoken(messages, incident_id))
    if scope is not None:
        named = pl.col("incident_id")
        refused = refused.filter(named.is_null() | named.is_in(list(scope.incidents)))
    note_refused(records, refused)
    clocks = reconcile(records)
    for record in records:
        record.forget_own_times()
    records = apart(records)
    book = read_tallies(records)
    resolved = of_those_in(read_resolved(records), [word.row for word in book.words])
    notes = read_notes(records)
    if scope is not None:
        book = book.within(scope.incidents)
        notes = [note for note in notes if note.incident_id in scope.incidents]
    wears = find_wears(records, book.tallies, profile)
    doubled = two_at_once(book.tallies)
    others = any(wear.tally is None or wear.tally.incident_id != incident_id for wear in wears)
    alarms = find_alarms(records, wears, profile, resolved=resolved)
    window = None
    if incident_id is not None:
        # Only now: what belongs to another incident, a wear or an alarm in it, must not fall to this one.
        book = book.within({incident_id})
        doubled = [pair for pair in doubled if incident_id in (pair[0].incident_id, pair[1].incident_id)]
        its = [wear for wear in wears if wear.tally is not None and wear.tally.incident_id == incident_id]
        window = since_us, until_us = _window(incident_id, records, book.tallies, its)
        names = {wear.wear_id for wear in its} | {
            wear.wear_id
            for wear in wears
            if wear.tally is None and wear.started_us <= until_us and wear.ended_us >= since_us
        }
        wears = [wear for wear in wears if wear.wear_id in names]
        alarms = [one for one in alarms if one.wear is None or one.wear.wear_id in names]
        alarms = [one for one in alarms if since_us <= one.raised_us <= until_us]
    gauges = read_gauges(records)
    found: dict[str, Examined] = {}
    for unbroken in all_unbroken(wears):
        for one in examine(unbroken, profile, gauges):
            found[one.wear.wear_id] = one
            if progress is not None:
                progress(min(len(found), len(wears)), len(wears))
    examined = [found[wear.wear_id] for wear in wears]
    of_sets = by_set(records)
    entries = find_entries(
        wears, book.stays, notes, profile, early=early_ends(examined), gauges=gauges, keys=keys, sets=of_sets
    )
    close_ends(entries, examined, of_sets, gauges)
    give_last_heard(entries, examined, profile)
    give_team_moments(entries, profile.turn_back.policy)
    give_not_due(entries, examined)
    give_entries(alarms, entries)
    turns = turns_of(entries)
    evacuate = [one for one in alarms if one.alarm == "evacuate"]
    acknowledged = grouped(
        (one.set_id, one.acknowledged_us) for one in evacuate if one.acknowledged_us is not None
    )
    calls = read_calls(records)
    called, shared_names = answers(calls, entries, acknowledged), calls.shared_names()
    its_incidents = scope.incidents if scope is not None else None
    if incident_id is not None:
        its_incidents = frozenset({incident_id})
    if its_incidents is not None:
        called = [one for one in called if one.call.incident_id in its_incidents]
        shared_names = [one for one in shared_names if one.incident_id in its_incidents]
    if scope is not None:
        heard_until_us = scope.heard_until_us
    desks = records if scope is None or scope.of_desk else []
    context = Context(
        profile=profile,
        sets=[one for one in records if one.role == "set"],
        desks=[one.without_words() for one in desks if one.role == "desk"],
        clocks=clocks,
        book=book,
        doubled=doubled,
        notes=notes,
        gauges=[one for one in gauges if scope is None or one.incident_id in scope.incidents],
        answers=called,
        shared_names=shared_names,
        examined=examined,
        alarms=alarms,
        entries=entries,
        offsets=offsets_of(examined, alarms),
        turns=turns,
        floods=_floods(alarms, profile),
        window_us=window,
        heard_until_us=_heard_until(records) if heard_until_us is None else heard_until_us,
        tallied=scope.tallied if scope is not None else bool(book.tallies),
        links_down=links_down(messages),
        refused=refused,
    )
    return Analysed(results_of(context), clocks if is_whole else None, records, others)


def _heard_until(records: Sequence[PowerUp]) -> int:
    return max(
        (int(channel.at_us[-1]) for record in records for channel in record.channels.values()), default=0
    )


def sets_of(messages: Mapping[str, pl.DataFrame], incident_id: str) -> list[str]:
    """Return the sets of an incident: tallied, or refused to start, or of nobody, while it lasted."""
    tallied = messages["tally"].filter(pl.col("incident_id") == incident_id)
    said = spoken(messages, incident_id)
    then = pl.col("received").is_between(said.min(), said.max())
    stored = pl.col("received") - pl.col("time") >= STORED_AFTER
    then |= stored & pl.col("time").is_between(said.min(), said.max())
    power = messages["power"].filter((pl.col("state") == "refused") & then)
    # Whoever is inside without a tally is on the desk's board: an inquiry must find them too. Messages whose
    # readings are not in memory name their sets; those of one incident are chosen already.
    speakers = getattr(messages, "speakers", None)
    kinds = ("pressure", "alarm") if speakers is None else ("alarm",)
    heard = [messages[kind].filter(then & ~pl.col("retained"))["set_id"] for kind in kinds]
    heard += [] if speakers is None else [speakers["set_id"]]
    of_nobody = pl.concat(heard).filter(~pl.concat(heard).is_in(messages["tally"]["set_id"].implode()))
    return pl.concat([tallied["set_id"], power["set_id"], of_nobody]).unique().sort().to_list()


def spoken(messages: Mapping[str, pl.DataFrame], incident_id: str) -> pl.Series:
    """Return when desks spoke of an incident, by receipt."""
    about = pl.col("incident_id") == incident_id
    said = [messages["incident"], messages["tally"], messages["note"].filter(written_then())]
    return pl.concat([frame.filter(about)["received"] for frame in said])


def _without_other_uses(records: list[PowerUp], spoken: pl.Series) -> list[PowerUp]:
    """Leave out what a set said at another time under a boot number that it used again.

    Else the count of its wears, and so their names, would follow from what else was read.
    """
    again = {record.key[:3] for record in records if record.use}
    if not again:
        return records
    heard_us = micros(spoken)
    since_us, until_us = int(heard_us.min()) - EARLIER_US, int(heard_us.max()) + FORGOTTEN_AFTER_US
    return [
        record
        for record in records
        if record.key[:3] not in again
        or any(
            bool(((one.received_us >= since_us) & (one.received_us <= until_us)).any())
            for one in record.channels.values()
        )
    ]


def _window(
    incident_id: str,
    records: Sequence[PowerUp],
    tallies: Sequence[TallyEntry],
    wears: Sequence[Wear],
) -> tuple[int, int]:
    """Return from when to when an incident lasted: its open and close, and all its wears and tallies."""
    starts = [wear.started_us for wear in wears] + [tally.in_us for tally in tallies]
    ends = [wear.ended_us for wear in wears] + [tally.out_us or tally.in_us for tally in tallies]
    for channel in (one.channels["incident"] for one in records if "incident" in one.channels):
        for at_us, row in zip(channel.at_us.tolist(), channel.rows, strict=True):
            if row["incident_id"] == incident_id:
                (starts if row["action"] == "open" else ends).append(at_us)
    return (min(starts), max(ends)) if starts and ends else (0, 0)


def _floods(alarms: Sequence[Alarm], profile: Profile) -> list[Flood]:
    raised = np.array([one.raised_us for one in alarms if one.reported is not None], dtype=np.int64)
    return floods(raised, profile.alarms.flood_count, profile.alarms.flood_window_min * 60.0)
