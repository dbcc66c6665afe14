"""One incident as pages, report and case have it: its line in the list, its tables and its messages."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import polars as pl

from analysis.clocks.clocks import fit_clocks
from analysis.incident import analyse
from analysis.pieces.incident_uses import incident_id_of
from analysis.profile import Profile
from analysis.tables import Results
from ingest.contract.frames import Messages
from ingest.contract.kinds import KINDS

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


def row_of(results: Results, desk: pl.DataFrame, key: str, incident_id: str | None) -> dict[str, Any]:
    """Return an incident's line in the list: `INCIDENT_COLUMNS`, and `people`, who wore a set."""
    wears = results["wears"]
    said = desk.filter(pl.col("incident_id").eq_missing(pl.lit(incident_id))).sort("at")
    about = {name: _last_said(said, name) for name in ("name", "place", "type")}
    moments = [wears["started"].min(), wears["ended"].max(), said["at"].min(), said["at"].max()]
    known = [moment for moment in moments if isinstance(moment, datetime)]
    severities = results["findings"]["severity"]
    people = wears.select(pl.coalesce("wearer_id", "set_id")).to_series().unique().to_list()
    return {
        "key": key,
        "incident_id": incident_id,
        **about,
        "started": min(known) if known else None,
        "ended": max(known) if known else None,
        "wears": len(wears),
        "wearers": len(people),
        "people": people,
        "alarms": int((results["alarms"]["source"] != "derived").sum()),
        "serious": int((severities == "serious").sum()),
        "cautions": int((severities == "caution").sum()),
        "problem": None,
    }


def record_of(
    messages: Messages,
    profile: Profile,
    incident: str,
    analyse_messages: Callable[..., Results] = analyse,
    version: int = 0,
) -> IncidentRecord:
    """Analyse one incident's messages and return its record, for page, report and case alike.

    Parameters
    ----------
    messages
        From `analysis.pieces.archive_pieces.incident_piece`, or as the case keeps them; nothing else, so that
        a case gives the same without its archive.
    profile : Profile
    incident : str
        Its key or id.
    """
    incident_id = incident_id_of(incident)
    results = analyse_messages(messages, profile, incident_id)
    with_at = with_reconciled_times(messages)
    about = row_of(results, with_at["incident"], incident, incident_id)
    return IncidentRecord(about, results, with_at, version)


def _last_said(said: pl.DataFrame, column: str) -> str | None:
    values = said[column].drop_nulls()
    return str(values[-1]) if len(values) else None


def results_of(everything: Results, incident_id: str | None) -> Results:
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


def with_reconciled_times(messages: Messages) -> Messages:
    """Add `at`, the reconciled time; an own `at` (the moment that a message is about) becomes `about`."""
    clocks = fit_clocks(messages)
    return {
        kind: clocks.reconciled(frame.rename({"at": "about"}, strict=False)) if kind in KINDS else frame
        for kind, frame in messages.items()
    }
