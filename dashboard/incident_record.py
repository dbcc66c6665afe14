"""One incident as pages, report and case have it: its line in the list, its tables and its messages."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import polars as pl

from analysis.clocks.clocks import Clocks, fit_clocks
from analysis.incident import Analysed, analysed
from analysis.pieces.batch_messages import LightMessages
from analysis.pieces.identity import incident_id_of
from analysis.profile import Profile
from analysis.records import NUMBERS, PowerUp
from analysis.same_id import with_own_sets
from analysis.tables import Results
from ingest.contract.frames import Messages
from ingest.contract.kinds import KINDS, SET_KINDS

TIME = pl.Datetime("us", "UTC")
VALUE = {kind: names[0] for kind, names in NUMBERS.items()}


@dataclass(frozen=True)
class LightRecord(Mapping[str, pl.DataFrame]):
    """Messages with `at`; readings become a frame when they are asked for."""

    held: Messages  # every kind; of `readings` without rows
    readings: Mapping[str, list[PowerUp]]

    def __getitem__(self, kind: str) -> pl.DataFrame:
        if not self.readings.get(kind):
            return self.held[kind]
        name = VALUE[kind]
        parts = [
            pl.DataFrame(
                {
                    "boot": np.full(len(channel), one.boot),
                    "seq": channel.seq,
                    name: channel.numbers[name],
                    "received": channel.received_us,
                    "at": channel.at_us,
                }
            ).select(
                pl.lit(one.said_as or one.name).alias("set_id"),
                "boot",
                "seq",
                pl.col(name).fill_nan(None),
                pl.col("received", "at").cast(TIME),
                pl.lit(one.name).alias("own_set"),
            )
            for one in self.readings[kind]
            for channel in (one.channels[kind],)
        ]
        return pl.concat(parts)

    def __contains__(self, kind: object) -> bool:
        return kind in self.held

    def __iter__(self) -> Iterator[str]:
        return iter(self.held)

    def __len__(self) -> int:
        return len(self.held)


INCIDENT_COLUMNS: dict[str, Any] = {
    **dict.fromkeys(("key", "incident_id", "name", "place", "type"), pl.String),
    **dict.fromkeys(("started", "ended"), TIME),
    **dict.fromkeys(("wears", "wearers", "alarms", "serious", "cautions"), pl.Int64),
    "problem": pl.String,
}


@dataclass(frozen=True)
class IncidentRecord:
    """One incident: its line in the list, its result tables and the messages behind them."""

    about: dict[str, Any]  # one row of `ResultsStore.incidents`
    results: Results  # every table of `analysis.tables`, only this incident's rows
    # Messages of the sets and desks of that time, with `at`, the time on the reconciled clock.
    messages: Mapping[str, pl.DataFrame]
    version: int  # changes when the figures behind it were made again
    light: LightMessages | None = None  # where the readings were read bare: who has their topics and payloads

    def verbatim(self, kind: str, chosen: pl.DataFrame) -> pl.DataFrame:
        """Return chosen rows of `messages[kind]` (few, near in time) with topic and payload."""
        if self.light is None or "payload" in chosen.columns or kind not in self.light.readings:
            return chosen
        said = self.light.verbatim(kind, chosen)
        identity = ["set_id", "boot", "seq", "received"]
        return chosen.select(*identity, "at").join(said, on=identity, maintain_order="left")


def row_of(results: Results, desk: pl.DataFrame, key: str, incident_id: str | None) -> dict[str, Any]:
    """Return an incident's line in the list: `INCIDENT_COLUMNS`, and `people`, who went in, heard or not."""
    wears, severities = results["wears"], results["findings"]["severity"]
    said = desk.filter(pl.col("incident_id").eq_missing(pl.lit(incident_id))).sort("at")
    last_said = {name: said[name].drop_nulls().tail(1).to_list() for name in ("name", "place", "type")}
    moments = [wears["started"].min(), wears["ended"].max(), said["at"].min(), said["at"].max()]
    known = [moment for moment in moments if isinstance(moment, datetime)]
    heard = wears.select(pl.coalesce("wearer_id", "set_id")).to_series()
    people = pl.concat([heard, results["entries"]["wearer_id"].drop_nulls()]).unique().to_list()
    return {
        "key": key,
        "incident_id": incident_id,
        **{name: values[0] if values else None for name, values in last_said.items()},
        "started": min(known) if known else None,
        "ended": max(known) if known else None,
        "wears": len(wears),
        "wearers": len(people),
        "people": people,
        "alarms": int((results["alarms"]["source"] != "derived").sum()),  # those that sets reported
        "serious": int((severities == "serious").sum()),
        "cautions": int((severities == "caution").sum()),
        "problem": None,
    }


def record_of(
    messages: Mapping[str, pl.DataFrame],
    profile: Profile,
    incident: str,
    heard_until_us: int | None,
    analyse: Callable[..., Analysed] = analysed,
    version: int = 0,
) -> IncidentRecord:
    """Analyse one incident's messages and return its record, for page, report and case alike.

    - `messages`: from `analysis.pieces.archive_pieces` (`incident_piece` or `light_incident_piece`), or as
      the case keeps them; nothing else, so that a case gives the same without its archive.
    - `incident`: its key or id.
    - `heard_until_us`: until when the archive goes on, from the incident's scope: else page, report and case
      would not say "never tallied out" when the tables do. None when these messages are all there is.
    - `analyse`: in place of `analysis.incident.analysed`, for tests.
    """
    incident_id = incident_id_of(incident)
    found = analyse(messages, profile, incident_id, heard_until_us=heard_until_us, key=incident)
    results, clocks = found.results, found.clocks
    light = messages if isinstance(messages, LightMessages) else None
    with_at: Mapping[str, pl.DataFrame]
    if light is not None and clocks is not None:
        held = with_reconciled_times(light.kept, _with_others(clocks, light))
        sets = [one for one in found.records if one.role == "set"]
        readings = {kind: [one for one in sets if kind in one.channels] for kind in light.readings}
        with_at = LightRecord(with_own_sets(held, found.records), readings)
    else:
        with_at = with_reconciled_times(messages, clocks and _with_others(clocks, messages))
        with_at = with_own_sets(with_at, found.records)
    about = row_of(results, with_at["incident"], incident, incident_id)
    return IncidentRecord(about, results, with_at, version, light)


def without_tally(everything: Results) -> Results:
    """Return a piece's tables with only the rows of wears without a tally, and of their sets."""
    wears = everything["wears"].filter(pl.col("incident_id").is_null())
    if len(wears) == len(everything["wears"]):
        return everything
    wear_ids, set_ids = wears["wear_id"].implode(), wears["set_id"].unique().implode()
    of_wear = pl.col("wear_id").is_in(wear_ids)
    of_set = pl.col("set_id").is_in(set_ids)
    chosen: Results = {}
    for name, frame in everything.items():
        if "incident_id" in frame.columns:
            chosen[name] = frame.filter(pl.col("incident_id").is_null())
        elif "wear_id" in frame.columns and "set_id" in frame.columns:
            # What is outside every wear (a start refused, a battery alarm) belongs to its set.
            chosen[name] = frame.filter(of_wear | (pl.col("wear_id").is_null() & of_set))
        elif "wear_id" in frame.columns:
            chosen[name] = frame.filter(of_wear)
        elif "set_id" in frame.columns:
            chosen[name] = frame.filter(of_set)
        else:
            chosen[name] = frame
    return chosen


def with_reconciled_times(messages: Mapping[str, pl.DataFrame], known: Clocks | None = None) -> Messages:
    """Add `at`, the reconciled time; an own `at` (the moment that a message is about) becomes `about`.

    `known`: fitted to them already: fitting is what costs.
    """
    clocks = fit_clocks(messages) if known is None else known
    timed = {}
    for kind in messages:
        frame = messages[kind]
        if kind in KINDS:
            frame = clocks.reconciled(frame.rename({"at": "about"}, strict=False))
        if isinstance(messages, LightMessages) and kind in messages.readings:
            frame = frame.drop("time", "uptime_s", "retained")
        timed[kind] = frame
    return timed


def _with_others(known: Clocks, messages: Mapping[str, pl.DataFrame]) -> Clocks:
    held = messages.kept if isinstance(messages, LightMessages) else messages
    speakers = [held[kind].filter(~pl.col("retained")).select("set_id", "boot") for kind in SET_KINDS]
    named = {
        set_id
        for set_id, boot in pl.concat(speakers).drop_nulls().unique().iter_rows()
        if ("set", set_id, boot) not in known.begins
    }
    if not named:
        return known
    of_others = pl.col("set_id").is_in(list(named))
    others = fit_clocks({kind: messages[kind].filter(of_others) for kind in SET_KINDS})
    return Clocks(
        {**others.fits, **known.fits},
        known.table,
        {**others.begins, **known.begins},
        {**others.stood, **known.stood},
    )
