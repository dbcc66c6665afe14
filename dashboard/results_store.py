"""Incidents and wears of an archive, each analysed once and kept in memory while the archive stays as it is.

The archive is cut into periods (`analysis.pieces.from_archive.heard_periods`), each read and analysed on its
own. Of every period its lines in the lists stay in memory; tables and messages only of the few that were
looked at last. A growing archive (a live incident) costs only its last period.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time as monotonic_time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any
from weakref import WeakKeyDictionary

import polars as pl

from analysis.clocks.clocks import fit_clocks
from analysis.incident import analyse
from analysis.pieces.from_archive import NOTES_AROUND, Period, heard_periods, period_messages
from analysis.pieces.incident_uses import incident_id_of
from analysis.profile import Profile
from analysis.tables import TABLES, Results
from dashboard.access.log import FOLDER as ACCESS_LOG
from dashboard.context import Context
from ingest.archive.reading import Archive
from ingest.archive.sound import trouble_lately
from ingest.contract.errors import ArchiveProblem, UnderairError
from ingest.contract.frames import Messages
from ingest.contract.kinds import KINDS

GROWING_IS_KEPT_S = 10.0
MOST_CONTENTS = 4
INCIDENT_COLUMNS: dict[str, Any] = {
    "key": pl.String,
    "incident_id": pl.String,
    "name": pl.String,
    "place": pl.String,
    "type": pl.String,
    "started": pl.Datetime("us", "UTC"),
    "ended": pl.Datetime("us", "UTC"),
    "wears": pl.Int64,
    "wearers": pl.Int64,
    "alarms": pl.Int64,
    "serious": pl.Int64,
    "cautions": pl.Int64,
    "problem": pl.String,
}


# What damaged data can raise; a fault of the program itself is to be seen.
FAULTS = (UnderairError, OSError, ValueError, ArithmeticError, pl.exceptions.PolarsError)


class PeriodProblem(UnderairError):
    """A period of the archive that could not be analysed."""


class UnknownIncident(UnderairError):
    """No incident of that key in the archive."""


@dataclass(frozen=True)
class IncidentRecord:
    """One incident: its line in the list, its result tables and the messages behind them.

    Attributes
    ----------
    about : dict
        One row of `ResultsStore.incidents`.
    results : dict of str to DataFrame
        Every table of `analysis.tables`, only this incident's rows.
    messages : dict of str to DataFrame
        Messages of the sets and desks of that time, with `at`, the time on the reconciled clock.
    version : int
        Changes when the figures behind it were made anew.
    """

    about: dict[str, Any]
    results: Results
    messages: Messages
    version: int


@dataclass(frozen=True)
class _Lines:
    """What stays in memory of a period: its lines in the lists."""

    period: Period
    incidents: list[dict[str, Any]]
    wears: pl.DataFrame
    made: float
    version: int
    later_notes: int
    failed: bool = False


@dataclass(frozen=True)
class _Contents:
    """What a period holds: kept while it is looked at."""

    results: Results
    messages: Messages


def store_of(context: Context) -> ResultsStore:
    """Return the one store of a context's archive, shared by all pages."""
    with _stores_lock:
        if context.archive not in _stores:
            _stores[context.archive] = ResultsStore(context.archive, context.profile)
        return _stores[context.archive]


class ResultsStore:
    """Analyses periods on demand, and answers by incident.

    Parameters
    ----------
    archive : Archive
        The reader (`ingest.archive.reading`).
    profile : Profile
        The service's doctrine.
    """

    def __init__(
        self, archive: Archive, profile: Profile, analyse_messages: Callable[..., Results] = analyse
    ) -> None:
        self._folder = archive.folder
        self.profile = profile
        self._analyse = analyse_messages
        self._lines: dict[datetime, _Lines] = {}
        self._contents: OrderedDict[datetime, _Contents] = OrderedDict()
        self._files: frozenset[tuple[str, int]] | None = None
        self._versions = 0
        self._complete = False
        self._lock = threading.Lock()  # for what is kept above; never held while anything is analysed
        self._refreshing = threading.Lock()
        self._periods: dict[datetime, threading.Lock] = {}  # held while that period is analysed

    def incidents(self) -> pl.DataFrame:
        """Return one row an incident, newest first; wears without a tally form one row a period.

        A period that cannot be analysed has one row, whose `problem` says why; the others stand.
        """
        rows = [row for lines in self._up_to_date() for row in lines.incidents]
        if not rows:
            return pl.DataFrame(schema=INCIDENT_COLUMNS)
        return pl.DataFrame(rows, schema=INCIDENT_COLUMNS).sort("started", descending=True, nulls_last=True)

    def wears(self) -> pl.DataFrame:
        """Return every wear of the archive (`analysis.tables`), with `incident_key`, newest first."""
        schema = pl.Schema([*TABLES["wears"].items(), ("incident_key", pl.String)])
        frames = [lines.wears for lines in self._up_to_date()]
        return pl.concat([pl.DataFrame(schema=schema), *frames]).sort("started", descending=True)

    def table(self, name: str) -> pl.DataFrame:
        """Return one result table over the whole archive; periods not in memory are analysed again for it."""
        read = self._up_to_date(wait=True)
        for problem in (lines.incidents[0]["problem"] for lines in read if lines.failed):
            raise PeriodProblem(problem)
        frames = [self._contents_of(lines.period).results[name] for lines in read]
        return pl.concat([pl.DataFrame(schema=TABLES[name]), *frames])

    def incident(self, key: str, following: bool = False) -> IncidentRecord:
        """Return one incident by its key; `following` a page, as it was when the page was made.

        Raises
        ------
        UnknownIncident
            When the archive has none of that key; the text says what it has.
        PeriodProblem
            When it is the line of a period that could not be analysed.
        """
        found = self._found(key)
        if found is not None and not following:
            # Only its own period: another that is being analysed just now keeps nobody waiting.
            found = self._found(key) if self._is_renewed(found[0].period.since) else None
        if found is None:
            self._up_to_date(wait=True)
            found = self._found(key)
        if found is None:
            known = ", ".join(self.incidents()["key"].head(10)) or "none"
            raise UnknownIncident(f"the archive has no incident {key!r}; it has: {known}")
        lines, row = found
        if row["problem"]:
            raise PeriodProblem(row["problem"])
        contents = self._contents_of(lines.period)
        results = _results_of(contents.results, row["incident_id"])
        return IncidentRecord(row, results, contents.messages, lines.version)

    def is_ready(self, key: str | None = None) -> bool:
        """Return whether the lists, or one incident's tables, can be had at once, with nothing to analyse.

        An incident that is not there is ready: its absence can be told at once.
        """
        files = _fingerprint(self._folder)
        with self._lock:
            if files != self._files:
                return False
            found = [
                lines.period.since
                for lines in self._lines.values()
                if any(row["key"] == key for row in lines.incidents)
            ]
            return not found or found[0] in self._contents

    def _found(self, key: str) -> tuple[_Lines, dict[str, Any]] | None:
        """Return the lines that an incident stands in, and its row."""
        for lines in self._in_order():
            for row in lines.incidents:
                if row["key"] == key:
                    return lines, row
        return None

    def _in_order(self) -> list[_Lines]:
        with self._lock:
            return [self._lines[since] for since in sorted(self._lines)]

    def _up_to_date(self, wait: bool = False) -> list[_Lines]:
        """Return the periods' lines, made anew where the archive has grown.

        While another visitor has that done, they are returned as they were, unless they were never complete
        or somebody must `wait`.
        """
        if not self._refreshing.acquire(blocking=wait or not self._complete):
            return self._in_order()
        try:
            files = _fingerprint(self._folder)
            if files != self._files:
                # Only once everything is made: after a fault the next call must look again, not list a part.
                self._files = None
                if self._refresh():
                    self._files = files
                self._complete = True
        finally:
            self._refreshing.release()
        return self._in_order()

    def _refresh(self) -> bool:
        """Make what is new; return whether everything is as new as the archive."""
        whole = True
        periods = self._periods_and_notes()
        for period, notes in periods.values():
            whole &= self._renew(period, notes)
        with self._lock:
            self._lines = {since: lines for since, lines in self._lines.items() if since in periods}
        return whole

    def _is_renewed(self, since: datetime) -> bool:
        """Make one period anew where it has grown; return whether it is still there."""
        if _fingerprint(self._folder) != self._files:
            periods = self._periods_and_notes()
            if since not in periods:
                return False
            self._renew(*periods[since])
        return True

    def _periods_and_notes(self) -> dict[datetime, tuple[Period, int]]:
        """Return the archive's periods by their beginning, each with the number of notes about it.

        A note about it that came in later stands in another period: it is news all the same.
        """
        periods = _periods_of(self._folder)
        if not periods:
            return {}
        moments = _moments_of_notes(self._folder)
        return {
            period.since: (
                period,
                int(moments.is_between(period.since - NOTES_AROUND, period.until + NOTES_AROUND).sum()),
            )
            for period in periods
        }

    def _renew(self, period: Period, notes: int) -> bool:
        """Make a period's lines where they are not as new as the archive; return whether they are then."""
        with self._period_lock(period):
            known = self._lines.get(period.since)
            if known is not None:
                if not known.failed and known.period == period and known.later_notes == notes:
                    return True
                grows = known.failed or known.period != period
                if grows and monotonic_time.monotonic() - known.made < GROWING_IS_KEPT_S:
                    return False  # it has grown since: look again next time
            try:
                lines = self._made(period, notes)
            except FAULTS as fault:
                lines = self._failed(period, notes, fault)
            with self._lock:
                self._lines[period.since] = lines
        return not lines.failed  # perhaps a disk that comes back: look again

    def _period_lock(self, period: Period) -> threading.Lock:
        with self._lock:
            return self._periods.setdefault(period.since, threading.Lock())

    def _next_version(self) -> int:
        with self._lock:
            self._versions += 1
            return self._versions

    def _made(self, period: Period, later_notes: int) -> _Lines:
        contents = self._read(period)
        untallied = f"untallied-{period.since:%Y%m%dT%H%MZ}"
        wears = contents.results["wears"].with_columns(
            pl.coalesce("incident_id", pl.lit(untallied)).alias("incident_key")
        )
        rows = _incident_rows(contents, untallied)
        return _Lines(period, rows, wears, monotonic_time.monotonic(), self._next_version(), later_notes)

    def _failed(self, period: Period, later_notes: int, fault: Exception) -> _Lines:
        """Return the one line of a period that cannot be analysed."""
        span = f"{period.since:%Y-%m-%d %H:%M} to {period.until:%Y-%m-%d %H:%M} UTC"
        problem = (
            f"what was received from {span} could not be analysed: {fault}; it is tried again, and "
            "`underair verify` says what of the archive is damaged"
        )
        row = dict.fromkeys(INCIDENT_COLUMNS) | {
            "key": f"failed-{period.since:%Y%m%dT%H%MZ}",
            "started": period.since,
            "ended": period.until,
            "problem": problem,
        }
        wears = pl.DataFrame(schema=pl.Schema([*TABLES["wears"].items(), ("incident_key", pl.String)]))
        now = monotonic_time.monotonic()
        return _Lines(period, [row], wears, now, self._next_version(), later_notes, failed=True)

    def _read(self, period: Period) -> _Contents:
        """Analyse a period, and forget the one that nobody looked at for longest."""
        messages = period_messages(self._folder, period)
        contents = _Contents(self._analyse(messages, self.profile), _with_reconciled_times(messages))
        with self._lock:
            self._contents[period.since] = contents
            self._contents.move_to_end(period.since)
            while len(self._contents) > MOST_CONTENTS:
                self._contents.popitem(last=False)
        return contents

    def _contents_of(self, period: Period) -> _Contents:
        with self._period_lock(period):
            with self._lock:
                if period.since in self._contents:
                    self._contents.move_to_end(period.since)
                    return self._contents[period.since]
            return self._read(period)


def _incident_rows(contents: _Contents, untallied: str) -> list[dict[str, Any]]:
    """Return a period's lines in the list of incidents, in the order of `INCIDENT_COLUMNS`."""
    wears, desk = contents.results["wears"], contents.messages["incident"]
    named = {key for key in (*wears["incident_id"], *desk["incident_id"]) if key is not None}
    keys: list[tuple[str, str | None]] = [(key, key) for key in sorted(named)]
    if wears["incident_id"].null_count():
        keys.append((untallied, None))
    return [
        _row(_results_of(contents.results, incident_id), desk, key, incident_id) for key, incident_id in keys
    ]


def _row(results: Results, desk: pl.DataFrame, key: str, incident_id: str | None) -> dict[str, Any]:
    wears = results["wears"]
    said = desk.filter(pl.col("incident_id").eq_missing(pl.lit(incident_id))).sort("at")
    about = {name: _last_said(said, name) for name in ("name", "place", "type")}
    moments = [wears["started"].min(), wears["ended"].max(), said["at"].min(), said["at"].max()]
    known = [moment for moment in moments if isinstance(moment, datetime)]
    severities = results["findings"]["severity"]
    return {
        "key": key,
        "incident_id": incident_id,
        **about,
        "started": min(known) if known else None,
        "ended": max(known) if known else None,
        "wears": len(wears),
        "wearers": wears.select(pl.coalesce("wearer_id", "set_id").n_unique()).item(),
        "alarms": int((results["alarms"]["source"] != "derived").sum()),
        "serious": int((severities == "serious").sum()),
        "cautions": int((severities == "caution").sum()),
        "problem": None,
    }


def record_of(messages: Messages, profile: Profile, incident: str) -> IncidentRecord:
    """Analyse one incident's messages and return its record, as the report and the case need it."""
    incident_id = incident_id_of(incident)
    results = analyse(messages, profile, incident_id)
    with_at = _with_reconciled_times(messages)
    return IncidentRecord(_row(results, with_at["incident"], incident, incident_id), results, with_at, 0)


def _last_said(said: pl.DataFrame, column: str) -> str | None:
    values = said[column].drop_nulls()
    return str(values[-1]) if len(values) else None


def _results_of(everything: Results, incident_id: str | None) -> Results:
    """Return a period's tables with only the rows of one incident (None: of wears without a tally)."""
    of_incident = (
        pl.col("incident_id").is_null() if incident_id is None else pl.col("incident_id") == incident_id
    )
    wears = everything["wears"].filter(of_incident)
    if len(wears) == len(everything["wears"]):
        return everything
    wear_ids, set_ids = wears["wear_id"].implode(), wears["set_id"].unique().implode()
    of_wear = pl.col("wear_id").is_in(wear_ids)
    of_set = pl.col("set_id").is_in(set_ids)
    chosen: Results = {}
    for name, frame in everything.items():
        if name == "wears":
            chosen[name] = wears
        elif "incident_id" in frame.columns:
            chosen[name] = frame.filter(of_incident)
        elif "wear_id" in frame.columns and "set_id" in frame.columns:
            # What stands outside every wear (a start refused, a battery alarm) belongs to its set.
            chosen[name] = frame.filter(of_wear | (pl.col("wear_id").is_null() & of_set))
        elif "wear_id" in frame.columns:
            chosen[name] = frame.filter(of_wear)
        elif "set_id" in frame.columns:
            chosen[name] = frame.filter(of_set)
        else:
            chosen[name] = frame
    return chosen


def _fingerprint(folder: Path) -> frozenset[tuple[str, int]]:
    """Return the names and lengths of the folder's files: nothing new has come while they hold."""
    # What is altered or missing may be restored with the length that it had.
    found = {(f"{fault.what}: {fault.where}", 0) for fault in trouble_lately(folder)}
    for place, folders, names in os.walk(folder):
        folders[:] = [name for name in folders if name not in (ACCESS_LOG, "derived")]  # no news
        for name in names:
            path = f"{place}/{name}"
            with contextlib.suppress(FileNotFoundError):  # sealed and removed in this very moment
                found.add((path, Path(path).stat().st_size))
    return frozenset(found)


def _periods_of(folder: Path) -> list[Period]:
    """Return the archive's periods; none where there is nothing yet."""
    try:
        return heard_periods(folder)
    except ArchiveProblem:
        return []


def _moments_of_notes(folder: Path) -> pl.Series:
    """Return the moments that the archive's notes are about, where they name one."""
    return Archive(folder).messages(only={"note": pl.col("at").is_not_null()})["note"]["at"]


def _with_reconciled_times(messages: Messages) -> Messages:
    """Add `at`, the reconciled time; an own `at` (the moment that a message is about) becomes `about`."""
    clocks = fit_clocks(messages)
    return {
        kind: clocks.reconciled(frame.rename({"at": "about"}, strict=False)) if kind in KINDS else frame
        for kind, frame in messages.items()
    }


_stores: WeakKeyDictionary[Archive, ResultsStore] = WeakKeyDictionary()
_stores_lock = threading.Lock()
