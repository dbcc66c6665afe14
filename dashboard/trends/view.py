"""The data of the trends page: the kept ledger with its roster, and the choice in the address."""

import logging
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, fields, replace
from datetime import UTC, date, datetime
from itertools import islice
from typing import Any
from urllib.parse import urlencode
from weakref import WeakKeyDictionary

import polars as pl

from analysis.profile import Rest
from analysis.trends.comparisons import Standing, signals
from analysis.trends.false_marks import DRAWS, FalseMarks, false_marks
from analysis.trends.forecast_audit import ForecastLines, lines_of
from analysis.trends.ledger import Ledger, empty_ledger, was_heard, with_falls
from analysis.trends.planning import ShortRest, short_rests
from analysis.trends.roster import (
    CSV_NAME,
    EQUIPMENT,
    FILE_NAMES,
    KEPT_NAME,
    BadRoster,
    equipment_beside,
    no_roster,
    roster_beside,
    with_station_and_role,
)
from analysis.trends.sets import events_of
from dashboard.context import PageContext
from dashboard.once import Once
from dashboard.trends.wear_ledger import WearLedger, utc_now
from dashboard.units import METRIC, UNITS, Units
from ingest.archive.reading import Archive
from ingest.archive.store import work_folder
from ingest.contract.any_error import ANY_ERROR

log = logging.getLogger("underair.trends")

NOT_SHOWN = ("team", "service", "entry_id", "rated_bar", "cylinder_l")
"""Columns of the ledger that no page asks for."""
NO_FORECASTS = empty_ledger()["forecasts"]
LOOKED_AFTER_EVERY_S = 60.0
FIRST_LOOK_AFTER_S = 20.0
AGAIN_AFTER_S = 5.0
PATIENCE_S = 2.0
"""A look waits so long for what is new; what takes longer is shown as work in progress."""
CHANCE_AGAIN_AFTER_S = 24 * 3600.0
"""What a day adds changes the figure little."""
RESTS = 3.0
"""After each ledger that is drawn its thread rests so many times as long: the live page comes first."""
CYLINDERS = ((1, 6.0, 300.0), (1, 6.8, 300.0), (1, 9.0, 300.0), (2, 6.8, 300.0))
KINDS = ("incident", "drill", "training")


@dataclass(frozen=True)
class TrendsLook:
    """The ledger at one moment."""

    # `wears`, with `station` and `role`, and `set_events`, `with_falls`; coded (`analysis.trends.ledger`).
    ledger: Ledger
    roster_problem: str  # why the roster could not be read; empty when it could
    # (done, total) in messages, or None when everything that has ended is worked out
    working: tuple[int, int] | None
    version: int  # changes when the ledger or the roster does
    # The ledger's; the wears' column `row` has the numbers that they are known by.
    forecasts: ForecastLines = field(default_factory=lambda: lines_of(NO_FORECASTS, empty_ledger()["wears"]))
    there: dict[str, list[str]] = field(default_factory=dict)  # as `known_of`
    # Entries of people who were never heard under air, as `wears`.
    never_heard: pl.DataFrame = field(
        default_factory=lambda: with_station_and_role(empty_ledger()["wears"], no_roster())
    )
    # Worked out when it is first asked for: what stands out in a `Choice`, the page's sections of a choice on
    # a day, rests that were too short ("rests") and the service's own tables ("audit"), over all wears.
    made: Once[Any, Any] = field(default_factory=Once)
    update_problem: str = ""  # why what is new could not be worked out; empty when it could
    # `roster`, `equipment`: who is where, and which tests are due; empty without a roster
    roster: pl.DataFrame = field(default_factory=no_roster)
    equipment: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=EQUIPMENT))

    @property
    def whole(self) -> bool:
        """Whether everything that has ended is in it, each wear with its station."""
        return self.working is None and not self.update_problem and not self.roster_problem


def known_of(*lots: pl.DataFrame) -> dict[str, list[str]]:
    """Return the values of each part of a choice over all lots of wears together; years newest first."""
    columns = ("kind", "station", "role", pl.col("started").dt.year().alias("year"), "near_miss")
    every = pl.concat([wears.select(columns) for wears in lots], rechunk=False)
    found = {name: every[name].drop_nulls().unique().cast(pl.String).to_list() for name in every.columns}
    return {
        "year": sorted(found["year"], reverse=True),
        "kind": [kind for kind in KINDS if kind in found["kind"]],
        "station": sorted(found["station"]),
        "role": sorted(found["role"]),
        "near": ["only"] if found["near_miss"] else [],
    }


@dataclass(frozen=True)
class Choice:
    """What the address chooses; an empty text chooses everything."""

    year: str = ""
    kind: str = ""
    station: str = ""
    role: str = ""
    near: str = ""
    cylinder: int = 1
    units: str = METRIC.name
    since: str = ""

    @property
    def display(self) -> Units:
        """The units that figures are shown in."""
        return UNITS[self.units]

    def address(self, **changed: str | int) -> str:
        """Return the page's address with some of the choice changed."""
        one = replace(self, **changed)  # type: ignore[arg-type]
        every = {part.name: (getattr(one, part.name), part.default) for part in fields(one)}
        said = {name: value for name, (value, usual) in every.items() if value != usual}
        return "/trends" + (f"?{urlencode(said)}" if said else "")


def choice_of(query: dict[str, str], there: dict[str, list[str]]) -> Choice:
    """Return the choice that a query makes; what the ledger does not have is not chosen."""
    cylinder = query.get("cylinder", "")
    known = {**there, "kind": list(KINDS), "near": ["only"]}
    return Choice(
        **{name: query[name] for name, values in known.items() if query.get(name) in values},
        since=str(day_of(query.get("since", "")) or ""),
        units=query.get("units", "") if query.get("units") in UNITS else METRIC.name,
        cylinder=int(cylinder) if cylinder.isdecimal() and int(cylinder) < len(CYLINDERS) else 1,
    )


def day_of(word: str) -> date | None:
    """Return the day that a word of the address names; None where it names none."""
    try:
        return date.fromisoformat(word)
    except ValueError:
        return None


def chosen(wears: pl.DataFrame, choice: Choice) -> pl.DataFrame:
    """Return the wears of a choice."""
    if choice.year:
        begin, end = (datetime(int(choice.year) + more, 1, 1, tzinfo=UTC) for more in (0, 1))
        wears = wears.filter((pl.col("started") >= begin) & (pl.col("started") < end))
    for name in ("kind", "station", "role"):
        if getattr(choice, name):
            wears = wears.filter(pl.col(name) == getattr(choice, name))
    if choice.near:
        wears = wears.filter(pl.col("near_miss").is_not_null())
    return wears


def events_in(look: TrendsLook, choice: Choice) -> pl.DataFrame:
    """Return what was found about sets in a choice's wears."""
    events = look.ledger["set_events"]
    if choice.kind or choice.station or choice.role or choice.near:
        every = look.ledger["wears"]
        events = events_of(events, every, chosen(every, replace(choice, year="")))
    return events.filter(pl.col("at").dt.year() == int(choice.year)) if choice.year else events


def standing_out(
    look: TrendsLook, choice: Choice, wears: pl.DataFrame | None = None, months: pl.DataFrame | None = None
) -> Standing:
    """Return what stands out in a choice; worked out once while the ledger stays as it is.

    `wears` are those of the choice, and `months` their sums, where the caller has them already.
    """

    def work_out() -> Standing:
        those = chosen(look.ledger["wears"], choice) if wears is None else wears
        return signals(those, events_in(look, choice), running_month(), months)

    found: Standing = look.made.get(choice, work_out)
    return found


def rests_in(look: TrendsLook, wears: pl.DataFrame, rules: Rest) -> list[ShortRest]:
    """Return the rests that were too short before some of the wears.

    A rest is judged by all wears: a drill may follow an incident too soon, also where only drills are shown.
    """
    every = look.ledger["wears"]
    found: list[ShortRest] = look.made.get("rests", lambda: short_rests(every, rules))
    if len(wears) == len(every):
        return found
    ids = wears.select("wear_id").filter(pl.col("wear_id").is_in([one.wear_id for one in found]))
    own = set(ids["wear_id"])
    return [one for one in found if one.wear_id in own]


def running_month() -> date:
    """Return the first day of the month that is not over (UTC)."""
    return utc_now().date().replace(day=1)


def keeper_of(context: PageContext) -> "Keeper":
    """Return the one keeper of a context's archive."""
    with _keepers_lock:
        if context.archive not in _keepers:
            _keepers[context.archive] = Keeper(context)
        return _keepers[context.archive]


class Keeper:
    """Keeps the ledger up to date: on a thread of its own while the pages are served, and at every look."""

    def __init__(self, context: PageContext) -> None:
        self._archive = context.archive
        self._ledger = WearLedger(context.archive, context.profile)
        self._lock = threading.Lock()
        self._joining = threading.Lock()
        self._join_again_at = -1e9
        self._worker: threading.Thread | None = None
        self._looked = -1e9
        self._progress = (0, 0)
        self._stop = threading.Event()
        self._roster: tuple[object, pl.DataFrame, str] = (None, no_roster(), "")
        self._equipment = pl.DataFrame(schema=EQUIPMENT)
        self.chance = FalseMarks()  # the newest figure of how often chance names somebody here
        self._measured_at = -CHANCE_AGAIN_AFTER_S
        self.when_new: Callable[[TrendsLook], object] | None = None
        self._joined: tuple[tuple[object, object], TrendsLook] | None = None
        self._version = 0
        self._problem = ""

    def start(self) -> None:
        """Look after the ledger until `stop`."""
        threading.Thread(target=self._look_after, name="ledger", daemon=True).start()

    def stop(self) -> None:
        """Look after it no more."""
        self._stop.set()

    def look(self, patience_s: float = PATIENCE_S) -> TrendsLook:
        """Return the ledger; what is new is worked out meanwhile, and waited for a moment."""
        worker = self._work()
        if worker is not None:
            worker.join(patience_s)
        return self._look()

    def everybody(self) -> pl.DataFrame:
        """Return the ledger's wears with those who were never heard."""
        return self._ledger.everybody()

    def progress(self) -> tuple[int, int] | None:
        """Return how much of what is new is worked out, (0, 0) before that is known; None when all is."""
        return self._progress if self._worker is not None and self._worker.is_alive() else None

    def _work(self) -> threading.Thread | None:
        with self._lock:
            if self._worker is not None and self._worker.is_alive():
                return self._worker
            if time.monotonic() - self._looked < AGAIN_AFTER_S:
                return None
            self._looked = time.monotonic()
            self._progress = (0, 0)
            self._worker = threading.Thread(target=self._update, name="ledger-update", daemon=True)
            self._worker.start()
            return self._worker

    def _update(self) -> None:
        def note(done: int, total: int) -> None:
            self._progress = (done, total)

        try:
            self._ledger.update(utc_now(), note)
            self._problem = ""
        except ANY_ERROR as error:
            # Whatever it is, the page goes on with what is kept and says so; a look after this tries again.
            log.exception("the ledger of wears could not be brought up to date")
            self._problem = f"{type(error).__name__}: {error}"
        self._looked = time.monotonic()  # a page that waited for a long update is loaded again at its end

    def _look_after(self) -> None:
        wait_s, seen = FIRST_LOOK_AFTER_S, -1
        while not self._stop.wait(wait_s):
            wait_s = LOOKED_AFTER_EVERY_S
            try:
                look = self.look()
                # What the page compares is ready before somebody asks: the slowest part of a first look.
                if self.when_new is not None and look.version != seen and look.working is None:
                    self.when_new(look)
                    seen = look.version
                    self.measure_chance(look)
            except ANY_ERROR:
                log.exception("the ledger of wears could not be looked after; the next try is in a minute")

    def measure_chance(self, look: TrendsLook) -> None:
        """Count on a thread of its own how often chance names somebody, unless that began within a day."""
        wears, events = look.ledger["wears"], look.ledger["set_events"]
        if time.monotonic() - self._measured_at < CHANCE_AGAIN_AFTER_S or not len(wears):
            return
        self._measured_at = time.monotonic()
        counts = islice(false_marks(wears, events, running_month()), DRAWS)
        threading.Thread(target=self._measure, args=(counts,), name="chance", daemon=True).start()

    def _measure(self, counts: Iterator[FalseMarks]) -> None:
        try:
            began = time.monotonic()
            for count in counts:
                # A first figure is shown as it grows; a later one when it says as much as the one before.
                if count.drawn >= self.chance.drawn:
                    self.chance = count
                if self._stop.wait(RESTS * (time.monotonic() - began)):
                    return
                began = time.monotonic()
        except ANY_ERROR:
            log.exception("how often chance names somebody could not be measured; the next try is tomorrow")

    def _look(self) -> TrendsLook:
        with self._joining:
            # Before the lines are taken: an update that ends in between would make old lines look whole.
            working = self.progress()
            print_, roster, problem = self._read_roster()
            state = (self._ledger.state(), print_)
            # While lines come by the second, viewers see those of a moment ago: joining takes its time too.
            soon = time.monotonic() < self._join_again_at and working is not None
            if self._joined is None or (self._joined[0] != state and not soon):
                tables = self._ledger.coded()
                # The largest table goes first: what follows needs room, too.
                everybody = tables.pop("wears")
                unheard = everybody.filter(~was_heard())
                heard = everybody if unheard.is_empty() else everybody.filter(was_heard())
                del everybody
                wears = heard.with_row_index("row").cast({"row": pl.Int32})
                del heard
                lines = lines_of(tables.pop("forecasts"), wears)
                tables["set_events"] = with_falls(tables["set_events"], wears)
                wears = with_station_and_role(wears.drop(NOT_SHOWN), roster)
                unheard = with_station_and_role(unheard, roster)
                tables["wears"] = wears
                self._version += 1
                there = known_of(wears, unheard)
                look = TrendsLook(tables, "", None, self._version, lines, there, unheard)
                self._joined = (state, look)
                self._join_again_at = time.monotonic() + AGAIN_AFTER_S
            return replace(
                self._joined[1],
                roster=roster,
                equipment=self._equipment,
                roster_problem=problem,
                working=working,
                update_problem=self._problem,
            )

    def _read_roster(self) -> tuple[object, pl.DataFrame, str]:
        """Return the roster's version, the roster, and why it could not be read; read when it changed."""
        folder = work_folder(self._archive.folder)
        files = [folder / name for name in (*FILE_NAMES, KEPT_NAME, CSV_NAME)]
        now = tuple(
            (path.name, path.stat().st_mtime_ns, path.stat().st_size) for path in files if path.is_file()
        )
        if self._roster[0] != now:
            try:
                self._roster = (now, roster_beside(folder), "")
                self._equipment = equipment_beside(folder)
            except BadRoster as error:
                self._roster = (now, no_roster(), str(error))
        return self._roster


_keepers: WeakKeyDictionary[Archive, Keeper] = WeakKeyDictionary()
_keepers_lock = threading.Lock()
