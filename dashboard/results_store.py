"""Incidents and wears of an archive, each analysed once and kept in memory while the archive stays as it is.

The archive is cut into periods: stretches of time in which something was heard, apart by half an hour of
silence or more. A period is read and analysed on its own, so that memory and time follow what is looked at,
and a growing archive (a live incident) costs only its last period.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time as monotonic_time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from weakref import WeakKeyDictionary

import polars as pl

from analysis.clocks import fit_clocks
from analysis.incident import analyse
from analysis.profile import Profile
from analysis.tables import TABLES, Results
from dashboard.access_log import FOLDER as ACCESS_LOG
from dashboard.context import Context
from ingest.errors import UnderairError
from ingest.frames import Messages
from ingest.kinds import KINDS
from ingest.reading import Archive

LAST_DAY = timedelta(days=1)
SILENCE_BETWEEN_PERIODS = timedelta(minutes=30)
GROWING_IS_KEPT_S = 10.0
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
}


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
class _Period:
    since: datetime
    until: datetime
    state: object
    results: Results
    messages: Messages
    made: float
    version: int


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
        The reader (`ingest.reading`).
    profile : Profile
        The service's doctrine.
    """

    def __init__(
        self, archive: Archive, profile: Profile, analyse_messages: Callable[..., Results] = analyse
    ) -> None:
        self._archive = archive
        self._profile = profile
        self._analyse = analyse_messages
        self._periods: dict[datetime, _Period] = {}
        self._files: frozenset[tuple[str, int]] | None = None
        self._versions = 0
        self._lock = threading.Lock()

    def incidents(self) -> pl.DataFrame:
        """Return one row an incident, newest first; wears without a tally form one row a period."""
        rows = [row for period in self._up_to_date() for row in _incident_rows(period)]
        if not rows:
            return pl.DataFrame(schema=INCIDENT_COLUMNS)
        return pl.DataFrame(rows, schema=INCIDENT_COLUMNS).sort("started", descending=True, nulls_last=True)

    def wears(self) -> pl.DataFrame:
        """Return every wear of the archive (`analysis.tables`), with `incident_key`, newest first."""
        frames = [
            period.results["wears"].with_columns(
                pl.coalesce("incident_id", pl.lit(_untallied_key(period))).alias("incident_key")
            )
            for period in self._up_to_date()
        ]
        schema = pl.Schema([*TABLES["wears"].items(), ("incident_key", pl.String)])
        return pl.concat([pl.DataFrame(schema=schema), *frames]).sort("started", descending=True)

    def table(self, name: str) -> pl.DataFrame:
        """Return one result table over the whole archive."""
        empty = pl.DataFrame(schema=TABLES[name])
        return pl.concat([empty, *(period.results[name] for period in self._up_to_date())])

    def incident(self, key: str, following: bool = False) -> IncidentRecord:
        """Return one incident by its key; `following` a page, as it was when the page was made.

        Raises
        ------
        UnknownIncident
            When the archive has none of that key; the text says what it has.
        """
        for period in self._known() if following else self._up_to_date():
            for row in _incident_rows(period):
                if row["key"] == key:
                    results = _results_of(period, row["incident_id"])
                    return IncidentRecord(row, results, period.messages, period.version)
        known = ", ".join(self.incidents()["key"].head(10)) or "none"
        raise UnknownIncident(f"the archive has no incident {key!r}; it has: {known}")

    def _known(self) -> list[_Period]:
        """Return the periods as they were made last, for what follows a page (cursor, zoom, messages)."""
        with self._lock:
            if self._periods:
                return [self._periods[since] for since in sorted(self._periods)]
        return self._up_to_date()

    def _up_to_date(self) -> list[_Period]:
        with self._lock:
            files = _fingerprint(self._archive.folder)
            if files != self._files:
                self._files = files
                self._refresh()
            return [self._periods[since] for since in sorted(self._periods)]

    def _refresh(self) -> None:
        found = _periods_heard(self._archive)
        for since, until, state in found:
            known = self._periods.get(since)
            if known is not None and known.state == state:
                continue
            if known is not None and monotonic_time.monotonic() - known.made < GROWING_IS_KEPT_S:
                self._files = None  # it has grown since: look again next time
                continue
            self._periods[since] = self._made(since, until, state)
        current = {since for since, _, _ in found}
        self._periods = {since: period for since, period in self._periods.items() if since in current}

    def _made(self, since: datetime, until: datetime, state: object) -> _Period:
        messages = _messages_of_period(self._archive, since, until)
        results = self._analyse(messages, self._profile)
        with_at = _with_reconciled_times(messages)
        self._versions += 1
        return _Period(
            since,
            until,
            state,
            results,
            with_at,
            monotonic_time.monotonic(),
            self._versions,
        )


def _untallied_key(period: _Period) -> str:
    return f"untallied-{period.since:%Y%m%dT%H%MZ}"


def _incident_rows(period: _Period) -> list[dict[str, Any]]:
    """Return the period's lines in the list of incidents, in the order of `INCIDENT_COLUMNS`."""
    wears, desk = period.results["wears"], period.messages["incident"]
    keys = wears["incident_id"].to_list() + desk["incident_id"].to_list()
    rows = []
    for incident_id in sorted({key for key in keys if key is not None}):
        rows.append(_incident_row(period, incident_id, incident_id))
    if wears["incident_id"].null_count():
        rows.append(_incident_row(period, _untallied_key(period), None))
    return rows


def _incident_row(period: _Period, key: str, incident_id: str | None) -> dict[str, Any]:
    return _row(_results_of(period, incident_id), period.messages["incident"], key, incident_id)


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
    }


def record_of(messages: Messages, profile: Profile, incident_id: str) -> IncidentRecord:
    """Analyse one incident's messages and return its record, as the report and the case need it."""
    results = analyse(messages, profile, incident_id)
    with_at = _with_reconciled_times(messages)
    return IncidentRecord(_row(results, with_at["incident"], incident_id, incident_id), results, with_at, 0)


def _last_said(said: pl.DataFrame, column: str) -> str | None:
    values = said[column].drop_nulls()
    return str(values[-1]) if len(values) else None


def _results_of(period: _Period, incident_id: str | None) -> Results:
    """Return the period's tables with only the rows of one incident (None: of wears without a tally)."""
    everything = period.results
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
    found = set()
    for place, folders, names in os.walk(folder):
        folders[:] = [name for name in folders if name not in (ACCESS_LOG, "derived")]  # no news
        for name in names:
            path = f"{place}/{name}"
            with contextlib.suppress(FileNotFoundError):  # sealed and removed in this very moment
                found.add((path, Path(path).stat().st_size))
    return frozenset(found)


def _periods_heard(archive: Archive) -> list[tuple[datetime, datetime, object]]:
    """Return start, end and state of each period, in time order.

    Older days are counted in the sealed parts without reading their messages; the last day, which may have an
    unsealed tail, is read. Retained messages tell no time.
    """
    sealed = pl.concat([_minutes(archive.scan(kind)) for kind in KINDS]).collect()
    newest = sealed["minute"].max()
    cut = newest - LAST_DAY if isinstance(newest, datetime) else None
    recent = archive.messages(since=cut)
    minutes = pl.concat([_minutes(recent[kind].lazy()) for kind in KINDS]).collect()
    if cut is not None:
        minutes = pl.concat([sealed.filter(pl.col("minute") < cut), minutes])
    minutes = minutes.group_by("minute").agg(pl.col("count").sum()).sort("minute")
    new_period = pl.col("minute").diff() > SILENCE_BETWEEN_PERIODS
    periods = minutes.group_by(new_period.fill_null(value=False).cum_sum().alias("period")).agg(
        pl.col("minute").min().alias("since"), pl.col("minute").max().alias("last"), pl.col("count").sum()
    )
    return [
        (row["since"], row["last"] + timedelta(minutes=1), row["count"])
        for row in periods.sort("since").iter_rows(named=True)
    ]


def _minutes(frame: pl.LazyFrame) -> pl.LazyFrame:
    return (
        frame.filter(~pl.col("retained"))
        .group_by(pl.col("received").dt.truncate("1m").alias("minute"))
        .agg(pl.len().alias("count"))
    )


def _messages_of_period(archive: Archive, since: datetime, until: datetime) -> Messages:
    """Read the period, with the last setup of each set from before it: knowledge, not an event."""
    messages: Messages = dict(archive.messages(since=since, until=until))
    earlier = archive.scan("setup").filter(pl.col("received") < since).collect()
    last_of_set = earlier.sort("received").group_by("set_id", maintain_order=True).last()
    # As if the broker had kept it: else a power-up of another day would get a clock and findings here.
    kept = last_of_set.with_columns(pl.lit(value=True).alias("retained")).select(messages["setup"].columns)
    messages["setup"] = pl.concat([kept, messages["setup"]])
    # A radio log that was brought in later stands where it belongs, not where it was received.
    notes = messages["note"]
    belong_here = pl.col("at").is_between(since, until) & ~pl.col("received").is_between(since, until)
    later = archive.scan("note").filter(belong_here).collect().select(notes.columns)
    messages["note"] = pl.concat([notes, later])
    return messages


def _with_reconciled_times(messages: Messages) -> Messages:
    """Add `at`, the reconciled time; a note's own `at` (the moment it is about) becomes `about`."""
    clocks = fit_clocks(messages)
    renamed = {**messages, "note": messages["note"].rename({"at": "about"})}
    return {kind: clocks.reconciled(frame) if kind in KINDS else frame for kind, frame in renamed.items()}


_stores: WeakKeyDictionary[Archive, ResultsStore] = WeakKeyDictionary()
_stores_lock = threading.Lock()
