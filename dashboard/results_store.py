"""Incidents and wears of an archive, each analysed once and kept in memory while the archive stays as it is.

The archive is cut as everywhere (`analysis.pieces.pieces`). Of every piece its lines in the lists stay in
memory; tables and messages only of the few incidents that were looked at last. What is new costs only the
pieces that it changed. An incident is read and analysed as for the report and the case, so that they agree.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time as monotonic_time
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any
from weakref import WeakKeyDictionary

import polars as pl

from analysis.clocks.clocks import fit_clocks
from analysis.incident import Analysed, Scope, analysed, sets_of, spoken
from analysis.pieces.archive_pieces import cut, light_incident_piece
from analysis.pieces.batch_messages import messages_of
from analysis.pieces.identity import asked_for
from analysis.pieces.pieces import Pieces
from analysis.profile import Profile
from analysis.tables import TABLES, Results
from dashboard.access.log import FOLDER as ACCESS_LOG
from dashboard.context import PageContext
from dashboard.incident_record import INCIDENT_COLUMNS, row_of, with_reconciled_times, without_tally
from dashboard.incident_record import IncidentRecord as IncidentRecord
from dashboard.incident_record import record_of as record_of
from dashboard.once import Once
from ingest.archive.expected import SEALING
from ingest.archive.parts import is_archive
from ingest.archive.reading import Archive
from ingest.archive.sound import trouble_lately
from ingest.archive.store import ArchivePath, place_of, work_folder
from ingest.contract.errors import ArchiveProblem, UnderairError
from ingest.contract.frames import Messages, concat, drop_duplicates
from ingest.freed_memory import give_back

GROWING_IS_KEPT_S = 10.0
MOST_RECORDS = 4
MOST_BESIDE = 1000
MOST_DRAWN = 200
UNTALLIED, FAILED = "untallied-", "failed-"
# Errors that damaged data can cause; errors of the program itself must stay visible.
FAULTS = (UnderairError, OSError, ValueError, ArithmeticError, pl.exceptions.PolarsError)


class PieceProblem(UnderairError):
    """A piece of the archive that could not be analysed."""


class UnknownIncident(UnderairError):
    """No incident of that key in the archive."""


@dataclass(frozen=True)
class _Lines:
    """What stays in memory of a piece: its lines in the lists, and when its sets refused to start."""

    digest: int
    incidents: list[dict[str, Any]]
    wears: pl.DataFrame
    made: float
    failed: bool = False
    # Since when and until when sets of it were heard that may belong to an incident of another piece: they
    # refused to start, or nobody tallied them in.
    strays: tuple[datetime, datetime] | None = None


@dataclass(frozen=True)
class _Kept:
    record: IncidentRecord
    digests: list[int]
    heard: list[tuple[Any, ...]]
    made: float


def store_of(context: PageContext) -> ResultsStore:
    """Return the one store of a context's archive, shared by all pages."""
    with _stores_lock:
        if context.archive not in _stores:
            _stores[context.archive] = ResultsStore(context.archive, context.profile)
        return _stores[context.archive]


class ResultsStore:
    """Analyses pieces of an archive on demand, and answers by incident.

    `analyse`: in place of `analysis.incident.analysed`, for tests.
    """

    def __init__(
        self, archive: Archive, profile: Profile, analyse: Callable[..., Analysed] = analysed
    ) -> None:
        self._folder = archive.folder
        self.profile = profile
        self._analyse = analyse
        self._lines: dict[str, _Lines] = {}
        self._records: OrderedDict[str, _Kept] = OrderedDict()
        self._beside: Once[tuple[str, tuple[int, ...]], dict[str, Any]] = Once(MOST_BESIDE)
        # What pages draw of a record, by its incident, its version and the person.
        self.drawn: Once[tuple[str, int, str], Any] = Once(MOST_DRAWN)
        self._files: frozenset[tuple[str, int]] | None = None
        self._found: tuple[frozenset[tuple[str, int]], Pieces] | None = None
        self._complete = False
        self._lock = threading.Lock()  # for what is kept above; never held while anything is analysed
        self._refreshing = threading.Lock()
        self._opening: dict[str, threading.Lock] = {}  # held while that incident is analysed

    def incidents(self) -> pl.DataFrame:
        """Return one row an incident, newest first; wears without a tally form one row a day.

        A piece of the archive that cannot be analysed has one row, whose `problem` says why.
        """
        lots = self._up_to_date()
        rows = [self._with_strays(row, lines, lots) for lines in lots for row in lines.incidents]
        people = {"people": pl.List(pl.String)}
        several = ("started", "ended", "wears", "wearers", "alarms", "serious", "cautions")
        return (
            pl.DataFrame(rows, schema=INCIDENT_COLUMNS | people)
            .group_by("key", maintain_order=True)
            .agg(
                pl.exclude(*several, "people").first(),
                pl.col("started").min(),
                pl.col("ended").max(),
                pl.col("people").explode().drop_nulls().n_unique().cast(pl.Int64).alias("wearers"),
                pl.col("wears", "alarms", "serious", "cautions").sum(),
            )
            .select(list(INCIDENT_COLUMNS))
            .sort("started", descending=True, nulls_last=True)
        )

    def wears(self) -> pl.DataFrame:
        """Return every wear of the archive (`analysis.tables`), with `incident_key`, newest first."""
        frames = [lines.wears for lines in self._up_to_date()]
        return pl.concat([_no_wears(), *frames]).sort("started", descending=True)

    def incident(self, key: str, following: bool = False) -> IncidentRecord:
        """Return one incident by its key; `following` a page, as it was when the page was made.

        Raises `UnknownIncident` when the archive has none of that key, or several of that name; the text says
        which it has; `PieceProblem` when what it needs cannot be analysed.
        """
        with self._lock:
            kept = self._records.get(key)
            opening = self._opening.setdefault(key, threading.Lock())
        if kept is not None and following:
            return kept.record
        # Only this one: do not wait for another that is being analysed.
        with opening:
            pieces = self._pieces_of(key)
            digests, heard = pieces.table["digest"].to_list(), pieces.table.select("until", "rows").rows()
            now = monotonic_time.monotonic()
            with self._lock:
                kept = self._records.get(key)
                if kept is not None and (
                    kept.digests == digests
                    # A note about it that was brought in later is shown at once.
                    or (kept.heard != heard and now - kept.made < GROWING_IS_KEPT_S)
                ):
                    self._records.move_to_end(key)
                    return kept.record
            try:
                record = self._made(key, pieces, digests)
            except FAULTS as fault:
                raise PieceProblem(_problem(pieces, fault)) from fault
            with self._lock:
                self._records[key] = _Kept(record, digests, heard, now)
                self._records.move_to_end(key)
                while len(self._records) > MOST_RECORDS:
                    self._records.popitem(last=False)
            return record

    def is_ready(self, key: str | None = None) -> bool:
        """Return whether the lists, or one incident's tables, are ready without analysing anything.

        A missing incident is ready: nothing has to be analysed to say so.
        """
        if key is None:
            return self._files is not None and _fingerprint(self._folder) == self._files
        try:
            digests = self._pieces_of(key, wait=False).table["digest"].to_list()
        except UnderairError:
            return True
        with self._lock:
            kept = self._records.get(key)
        return kept is not None and kept.digests == digests

    def _cut(self) -> Pieces | None:
        files = _fingerprint(self._folder)
        with self._lock:
            found = self._found
        if found is None or found[0] != files:
            if not is_archive(self._folder):
                return None
            found = (files, cut(self._folder))
            with self._lock:
                self._found = found
        return found[1]

    def _pieces_of(self, key: str, wait: bool = True) -> Pieces:
        pieces = self._cut()
        if pieces is None:
            raise UnknownIncident(f"the archive has no incident {key!r}; it has: none")
        if key.startswith((UNTALLIED, FAILED)):
            lots = self._up_to_date(wait=True) if wait else list(self._lines.values())
            rows = [row for lines in lots for row in lines.incidents if row["key"] == key]
            if rows and rows[0]["problem"]:
                raise PieceProblem(rows[0]["problem"])
            mine = [
                name
                for name, lines in self._lines.items()
                if any(row["key"] == key for row in lines.incidents)
            ]
            if mine:
                return pieces.only(pl.col("key").is_in(mine))
        try:
            (piece,) = asked_for(pieces.incidents, key, "the archive")["piece"]
        except ArchiveProblem as problem:
            raise UnknownIncident(str(problem)) from None
        return pieces.only(pl.col("piece") == piece)

    def _made(self, key: str, pieces: Pieces, digests: list[int]) -> IncidentRecord:
        version = hash(tuple(digests))  # forgotten and made again, it is the same
        if not key.startswith(UNTALLIED):
            light, scope = light_incident_piece(self._folder, key)
            record = record_of(light, self.profile, key, scope.heard_until_us, self._analyse, version)
            give_back()
            return record
        tables: list[Results] = []
        lots: list[Messages] = []
        for batch in pieces.batches():
            for messages, scope in messages_of(self._folder, batch):
                tables.append(without_tally(self._analyse(messages, self.profile, scope=scope).results))
                lots.append(with_reconciled_times(messages))
        results = {name: pl.concat([table[name] for table in tables]) for name in TABLES}
        together = drop_duplicates(concat(lots))
        return IncidentRecord(row_of(results, together["incident"], key, None), results, together, version)

    def _up_to_date(self, wait: bool = False) -> list[_Lines]:
        """Return the pieces' lines, rebuilt where the archive has grown.

        While another visitor has that done, they are returned as they were, unless they were never complete
        or somebody must `wait`.
        """
        if self._refreshing.acquire(blocking=wait or not self._complete):
            try:
                files = _fingerprint(self._folder)
                if files != self._files:
                    # Only once everything is made: after a fault the next call must look again.
                    self._files = None
                    if self._refresh():
                        self._files = files
                    self._complete = True
            finally:
                self._refreshing.release()
        with self._lock:
            return list(self._lines.values())

    def _refresh(self) -> bool:
        """Make what is new; return whether everything is as new as the archive."""
        try:
            pieces = self._cut()
        except FAULTS as fault:
            with self._lock:
                # Nobody can say what the archive holds.
                self._lines = {"": _failed(0, key=f"{FAILED}archive", problem=str(fault))}
            return False
        if pieces is None:
            return True
        due, whole, now = [], True, monotonic_time.monotonic()
        for key, digest in pieces.table.select("key", "digest").iter_rows():
            known = self._lines.get(key)
            if known is not None and not known.failed and known.digest == digest:
                continue
            if known is not None and now - known.made < GROWING_IS_KEPT_S:
                whole = False  # it has grown since: look again next time
                continue
            due.append(key)
        for batch in pieces.only(pl.col("key").is_in(due)).batches():
            self._work_out(batch)
        with self._lock:
            self._lines = {key: self._lines[key] for key in pieces.table["key"] if key in self._lines}
            return whole and not any(lines.failed for lines in self._lines.values())

    def _work_out(self, batch: Pieces) -> None:
        """Make the lines of a batch; what cannot be read or analysed keeps no other from its lines."""
        done = 0
        try:
            for done, (messages, scope) in enumerate(messages_of(self._folder, batch, bare=True)):
                piece = batch.only(pl.col("key") == batch.table["key"][done])
                self._keep(piece, self._lines_of(piece, messages, scope))
            return
        except FAULTS as fault:
            pieces = [batch.only(pl.col("key") == key) for key in batch.table["key"][done:]]
            if len(batch.table) == 1:
                of_it = batch.table.row(0, named=True)
                said = {"started": of_it["since"], "ended": of_it["until"], "problem": _problem(batch, fault)}
                self._keep(batch, _failed(of_it["digest"], key=f"{FAILED}{of_it['key']}", **said))
                return
        for piece in pieces:
            self._work_out(piece)

    def _keep(self, piece: Pieces, lines: _Lines) -> None:
        with self._lock:
            self._lines[piece.table["key"][0]] = lines

    def _lines_of(self, piece: Pieces, messages: Messages, scope: Scope) -> _Lines:
        desk = fit_clocks(messages).reconciled(messages["incident"])
        keys: dict[str | None, str] = dict(piece.incidents.select("incident_id", "key").iter_rows())
        refused = messages["power"].filter((pl.col("state") == "refused") & ~pl.col("retained"))
        # An incident alone in its piece is analysed once; else the piece's other wears are needed too.
        rows, wears, everything = [], [], len(keys) != 1 or bool(refused.height)
        for name, key in keys.items():
            own = self._analyse(messages, self.profile, name, heard_until_us=scope.heard_until_us, key=key)
            said = spoken(messages, str(name))
            row = row_of(own.results, desk, key, name)
            rows.append(row | {"spoken": (said.min(), said.max())})
            wears.append(own.results["wears"].filter(pl.col("incident_id").is_not_null()))
            more = set(piece.power_ups["set_id"]) - set(sets_of(messages, str(name)))
            everything = everything or own.others or bool(more)
        results = (self._analyse(messages, self.profile, scope=scope) if everything else own).results
        wears += [results["wears"].filter(pl.col("incident_id").is_null())]
        if wears[-1].height:
            keys[None] = f"{UNTALLIED}{piece.table['since'][0]:%Y%m%d}"
            rows.append(row_of(without_tally(results), desk, keys[None], None))
        key_of = pl.col("incident_id").replace_strict(
            list(keys), list(keys.values()), default=pl.col("incident_id"), return_dtype=pl.String
        )
        of_piece = pl.concat(wears).with_columns(key_of.alias("incident_key"))
        outside = bool(refused.height) or bool(of_piece["incident_id"].null_count())
        outside = outside or bool(results["alarms"]["wear_id"].null_count())
        span = (piece.table["since"][0], piece.table["until"][0]) if outside else None
        return _Lines(piece.table["digest"][0], rows, of_piece, monotonic_time.monotonic(), strays=span)

    def _with_strays(self, row: dict[str, Any], lines: _Lines, lots: Sequence[_Lines]) -> dict[str, Any]:
        """Return an incident's line; with sets of other pieces it is that of its record."""
        first, last = row.get("spoken", (None, None))
        others = [
            one.digest
            for one in lots
            if one is not lines and one.strays and first and one.strays[0] <= last and one.strays[1] >= first
        ]
        if not others:
            return row
        key = str(row["key"])

        def made() -> dict[str, Any]:
            with contextlib.suppress(*FAULTS):  # else its own piece's line stays
                light, scope = light_incident_piece(self._folder, key)
                return row | record_of(light, self.profile, key, scope.heard_until_us, self._analyse).about
            return row

        return self._beside.get((key, (lines.digest, *others)), made)


def _problem(pieces: Pieces, fault: Exception) -> str:
    since, until = pieces.table["since"].sort()[0], pieces.table["until"].sort()[-1]
    return (
        f"what was received from {since:%Y-%m-%d %H:%M} to {until:%Y-%m-%d %H:%M} UTC could not be analysed: "
        f"{fault}; it is tried again, and `underair verify` says what of the archive is damaged"
    )


def _failed(digest: int, **said: Any) -> _Lines:
    row = dict.fromkeys(INCIDENT_COLUMNS) | said
    return _Lines(digest, [row], _no_wears(), monotonic_time.monotonic(), failed=True)


def _no_wears() -> pl.DataFrame:
    return pl.DataFrame(schema=pl.Schema([*TABLES["wears"].items(), ("incident_key", pl.String)]))


def _fingerprint(folder: ArchivePath) -> frozenset[tuple[str, int]]:
    """Return the names and lengths of the folder's files: nothing new has come while they hold."""
    # What is altered or missing may be restored with the length that it had.
    found = {(f"{fault.what}: {fault.where}", 0) for fault in trouble_lately(folder)}
    for name in ("manifest", SEALING):  # a part counts from its line on, and when its seal is over
        found |= {(str(path), path.stat().st_size) for path in place_of(folder).below(folder / name)}
    for place, folders, names in os.walk(work_folder(folder)):
        folders[:] = [name for name in folders if name not in (ACCESS_LOG, "derived")]  # no news
        for name in names:
            path = f"{place}/{name}"
            with contextlib.suppress(FileNotFoundError):  # sealed and removed in this very moment
                found.add((path, Path(path).stat().st_size))
    return frozenset(found)


_stores: WeakKeyDictionary[Archive, ResultsStore] = WeakKeyDictionary()
_stores_lock = threading.Lock()
