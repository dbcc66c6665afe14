"""An incident's tables and findings as neutral rows, in the order in which page and report have them."""

from collections.abc import Sequence
from collections.abc import Set as AnySet
from dataclasses import replace
from datetime import timedelta
from typing import Any

import polars as pl

from analysis.policies import POLICY_WORDS
from analysis.tables import Results
from dashboard.results_store import IncidentRecord
from dashboard.review import words
from dashboard.review.clock import SECOND_MS
from dashboard.review.desk_tables import (
    DeskNote,
    answers_table,
    desk_acts,
    desk_table,
    note_table,
    refused_table,
    table,
    tally_table,
)
from dashboard.review.setting import Setting, around, cells, duration_text, reworded, seconds
from dashboard.rows import Table, cell, number, text_of
from dashboard.words import ALARMS
from ingest.plurals import counted

SEVERITY_ORDER = ["serious", "caution", "note"]
SPREAD_90 = 1.645  # standard deviations on each side of nine in ten of a normal distribution
THERMAL_CLASSES = (1, 2, 3, 4)
EVERY_MIN = 5
"""The table lists one forecast in so many minutes: few lines, but some even for the hardest work."""


def incident_tables(
    record: IncidentRecord, notes: list[DeskNote], setting: Setting, may_withdraw: bool = False
) -> list[Table]:
    """Return the tables of one incident: the page shows them as lists, the report prints them."""
    results, messages, incident_id = record.results, record.messages, record.about["incident_id"]
    sets = set(results["wears"]["set_id"])
    return [
        entry_table(results["entries"], setting, begun_unheard(results)),
        alarm_table(results["alarms"], results["alarm_rates"], setting),
        turn_back_table(results, setting),
        wear_table(results["wears"], never_heard(results), setting, begun_unheard(results)),
        forecast_table(results, setting),
        heat_table(results, setting),
        silence_table(results, setting),
        refused_table(results["refused"], setting),
        tally_table(messages, incident_id, setting),
        answers_table(results["answers"], setting),
        desk_table(desk_acts(messages, incident_id, sets, setting), setting),
        note_table(notes, setting, may_withdraw),
        clock_table(results["clocks"]),
    ]


def begun_unheard(results: Results) -> set[str]:
    """Return the wears whose beginning nobody heard: their times are at least what was heard."""
    return set(results["findings"].filter(pl.col("code") == "beginning_not_heard")["wear_id"])


def entry_table(entries: pl.DataFrame, setting: Setting, begun: AnySet[str] = frozenset()) -> Table:
    """Return one row an entry: what a person did, over restarts, drop-outs and second cylinders."""
    rows = []
    for row in entries.sort("first_heard", "tallied_in", nulls_last=True).iter_rows(named=True):
        wear_id = next(iter(row["wear_ids"] or []), None)
        least = "" if begun.isdisjoint(row["wear_ids"]) else words.LEAST
        rows.append(
            [
                *setting.cells(row, "wearer_id", unknown=words.NOT_TALLIED),
                *setting.cells(row, "team", "set_ids", "tallied_in", of=wear_id),
                setting.time(row["first_heard"], wear_id) if wear_id else not_heard(row),
                *setting.cells(row, "entry_bar"),
                _due(row, wear_id, setting),
                _noted(row, wear_id, setting),
                _late_by(row),
                *setting.cells(row, "lowest_bar", "tallied_out", of=wear_id),
                _ended(row, setting),
                seconds(row["under_air_s"], least) if wear_id else not_heard(row),
                *setting.cells(row, "unheard_s"),
            ]
        )
    return table("entries", rows, (5, 8, 9, 12, 13))


def _due(entry: dict[str, Any], wear_id: str | None, setting: Setting) -> Any:
    """Return when turn-back was due; where nobody heard it fall due, between which moments."""
    at, since = entry["turn_back_at"], entry["turn_back_not_before"]
    if since is None:
        return setting.time(at, wear_id)
    pattern = words.AS_LAST_HEARD if entry["turn_back_as_last_heard"] else words.BETWEEN
    said = pattern.format(first=setting.clock(since), last=setting.clock(at))
    return setting.jump(said, at, wear_id)


def _late_by(entry: dict[str, Any]) -> Any:
    """Return how late the turn or exit was: the least and the most of it, as far as they are known."""
    bound, late_s, since = (entry[f"turn_back_{name}"] for name in ("late_bound", "late_s", "not_before"))
    if since is None or late_s is None:
        return seconds(late_s, f"{bound} " if bound else "")
    noted_at = entry["turn_back_noted_at"]
    most_s = late_s + (entry["turn_back_at"] - since).total_seconds()
    if noted_at is not None:
        most_s = max((noted_at - since).total_seconds(), 0.0)
    if bound == "not known":
        return seconds(most_s, words.MOST)
    if noted_at is None:
        return seconds(late_s, words.LEAST)
    return cell(words.FROM_TO.format(least=duration_text(late_s), most=duration_text(most_s)), value=most_s)


def _ended(entry: dict[str, Any], setting: Setting) -> str:
    """Return how an entry ended, and where else its wearer was in with no `out` in between."""
    said = words.ENDED_HOW[entry["ended_how"]]
    if entry["other_incident_id"] is None:
        return said
    when = setting.clock(entry["other_tallied_in"])
    return words.ALSO_IN.format(said=said, incident=entry["other_incident_id"], when=when)


def _noted(entry: dict[str, Any], wear_id: str | None, setting: Setting) -> Any:
    """Return when the turn was noted, and the note: its words decide that it counts as one."""
    at = entry["turn_back_noted_at"]
    if at is None:
        return "–"
    return setting.jump(f"{setting.clock(at)} “{entry['turn_back_note']}”", at, wear_id)


def never_heard(results: Results) -> list[dict[str, Any]]:
    """Return the entries of people who were never heard: tables of wears name them last, without figures."""
    entries = results["entries"].filter(pl.col("wear_ids").list.len() == 0)
    return entries.sort("tallied_in", "wearer_id").to_dicts()


def not_heard(entry: dict[str, Any]) -> str:
    """Say that no wear counts for an entry; a wear of its wearer may count for another incident."""
    other = entry["other_incident_id"]
    return words.NOT_HEARD if other is None else words.NOT_HEARD_HERE.format(incident=other)


def wear_table(
    wears: pl.DataFrame, unheard: list[dict[str, Any]], setting: Setting, begun: AnySet[str] = frozenset()
) -> Table:
    """Return one row a wear: who, when, cylinder, air and rate; then one of each entry `never_heard`."""
    units = setting.units
    rows = []
    for row in wears.sort("started").iter_rows(named=True):
        used = "–"
        if row["free_air_l"] is not None:
            spread = SPREAD_90 * (row["free_air_sd_l"] or 0.0) * units.factor["volume"]
            shown = units.shown("volume", row["free_air_l"])
            places, label = units.decimals["volume"], units.label["volume"]
            used = cell(f"{shown:,.{places}f} ± {spread:,.{places}f} {label}", value=row["free_air_l"])
        least = words.LEAST if row["wear_id"] in begun else ""
        rows.append(
            [
                *setting.cells(row, "wearer_id", "team", "set_id", "started", "ended"),
                seconds((row["ended"] - row["started"]).total_seconds(), least),
                _cylinder(row, setting),
                *setting.cells(row, "start_bar", "end_bar"),
                used,
                *setting.cells(row, "mean_l_min", "peak_l_min", "low_air_s", "gap_s"),
            ]
        )
    for row in unheard:
        who = setting.cells(row, "wearer_id", "team", "set_ids")
        rows.append([*who, not_heard(row), *["–"] * 9, *setting.cells(row, "unheard_s")])
    return table("wears", rows, range(7, 14))


def _cylinder(row: dict[str, Any], setting: Setting) -> str:
    if row["water_volume_l"] is None or row["rated_bar"] is None:
        return words.NOT_KNOWN
    rated = setting.units.text("pressure", row["rated_bar"])
    return f"{row['cylinder_count']} × {row['water_volume_l']:g} L, {rated}"  # water volume: always litres


def finding_items(
    findings: pl.DataFrame, setting: Setting, notes: Sequence[DeskNote] = ()
) -> list[dict[str, Any]]:
    """Return the findings, gravest first, then by time; `evidence` names the messages.

    `looked` says who looked at one and when, by the notes that say so and were not withdrawn.
    """
    looked: dict[str, list[str]] = {}
    for note in notes:
        if note.looks_at and note.withdrawn is None:
            when, whom = f"{note.received:%Y-%m-%d %H:%M} UTC", note.account or note.source
            said = note.text.partition("” ")[2]
            told = words.LOOKED_BY.format(when=when, whom=whom) + (f": {said}" if said else "")
            looked.setdefault(note.looks_at, []).append(told)
    items = []
    for row in findings.iter_rows(named=True):
        near = row["started"] or row["ended"]
        start = row["started"].timestamp() * SECOND_MS if row["started"] else setting.whole.start
        end = row["ended"].timestamp() * SECOND_MS if row["ended"] else start
        items.append(
            {
                "id": row["finding_id"],
                "code": row["code"],
                "severity": row["severity"],
                "sign": words.SEVERITY[row["severity"]],
                "who": setting.who(row),
                "when": setting.clock(row["started"]) if row["started"] else "",
                "statement": reworded(row["statement"], near, setting.units, setting.shown),
                "person": setting.owner.get(row["wear_id"] or row["set_id"] or ""),
                "evidence": list(row["evidence"] or []),
                "looked": looked.get(row["finding_id"], []),
                "at": start,
                **around(start, end, setting.whole),
            }
        )
    return sorted(items, key=lambda item: (SEVERITY_ORDER.index(str(item["severity"])), item["at"]))


def alarm_rate_text(rate: dict[str, Any] | None) -> str:
    """Say how often alarms came, and which published limits that exceeds; empty without an alarm."""
    if rate is None or not rate["alarms"]:
        return ""
    limits = words.BEYOND_LIMITS if rate["beyond"] else words.WITHIN_LIMITS
    return words.ALARM_RATES.format(count=counted(rate["alarms"], "alarm"), **rate) + limits.format(**rate)


def alarm_table(alarms: pl.DataFrame, rates: pl.DataFrame, setting: Setting) -> Table:
    """Return the alarms, reported and derived: raised, heard, answered, and how fast they came."""
    rate = next(rates.iter_rows(named=True), None)
    rows = []
    for row in alarms.sort("raised", nulls_last=True).iter_rows(named=True):
        source = words.SOURCES[row["source"]]
        if row["source"] == "both" and row["lead_s"] is not None and abs(row["lead_s"]) >= 1:
            wording = words.SET_LATE if row["lead_s"] > 0 else words.SET_EARLY
            source = wording.format(seconds=f"{abs(row['lead_s']):.0f}")
        rows.append(
            [
                setting.who(row),
                ALARMS.get(row["alarm"], row["alarm"]),
                *setting.cells(row, "raised"),
                setting.heard(row.get("heard"), row["raised"]),
                *setting.cells(row, "acknowledged", "cleared", "seen", "response_s"),
                source,
            ]
        )
    return table("alarms", rows, (7,), note=alarm_rate_text(rate))


def _unheard_after(results: Results, setting: Setting) -> dict[str, str]:
    """Return since when each wear whose end was not heard was silent: it may have reached a pressure then."""
    wears = results["wears"]
    silent = wears.join(
        results["gaps"], left_on=["wear_id", "ended"], right_on=["wear_id", "started"], how="semi"
    )
    told = results["findings"].filter(pl.col("code") == "end_not_heard")["wear_id"]
    unheard = {*silent["wear_id"], *told}
    return {
        row["wear_id"]: words.NOT_HEARD_AFTER.format(
            when=setting.clock(row["ended"]), pressure=setting.units.text("pressure", row["end_bar"])
        )
        for row in wears.filter(pl.col("wear_id").is_in(list(unheard))).iter_rows(named=True)
    }


def turn_back_table(results: Results, setting: Setting) -> Table:
    """Return one row a wear: when each policy would have turned it back, and with how much."""
    replayed = {(row["wear_id"], row["policy"]): row for row in results["turn_back"].iter_rows(named=True)}
    policies = [policy for policy in POLICY_WORDS if any(key[1] == policy for key in replayed)]
    rows = []
    unheard = _unheard_after(results, setting)
    for wear in results["wears"].sort("started").iter_rows(named=True):
        wear_id = wear["wear_id"]
        never, ended = words.NOT_REACHED, setting.time(wear["ended"], wear_id)
        if wear_id in unheard:
            never = unheard[wear_id]
            last_heard = words.LAST_HEARD.format(when=setting.clock(wear["ended"]))
            ended = setting.jump(last_heard, wear["ended"], wear_id)
        team = (replayed.get((wear_id, setting.policy)) or {}).get("team_at")
        rows.append(
            [
                *(setting.who(wear), *setting.cells(wear, "started")),
                never if team is None else setting.time(team, wear_id),
                *(_policy_cell(replayed.get((wear_id, policy)), setting, never) for policy in policies),
                *(ended, *setting.cells(wear, "end_bar")),
            ]
        )
    for row in never_heard(results):
        rows.append([row["wearer_id"], "–", *[not_heard(row)] * (1 + len(policies)), "–", "–"])
    named = [POLICY_WORDS[policy] for policy in policies]
    if setting.policy in policies:
        place = policies.index(setting.policy)
        named[place] = words.IN_FORCE.format(policy=named[place])
    return table("turn-back", rows, heads=[*words.TURN_BACK_FIRST, *named, *words.TURN_BACK_LAST])


def _policy_cell(row: dict[str, Any] | None, setting: Setting, never: str) -> Any:
    if row is None or row["at"] is None:
        return never
    parts = [setting.clock(row["at"]), setting.units.text("pressure", row["pressure_bar"])]
    if row["minutes_in_hand_low_air"] is not None:
        parts.append(words.BEFORE_LOW_AIR.format(minutes=f"{row['minutes_in_hand_low_air']:.1f}"))
    return setting.jump(" · ".join(parts), row["at"], row["wear_id"])


LEAST_APART_S = 60.0
"""Silences outside wears that are so long together have a row. Our own rule."""


def silence_table(results: Results, setting: Setting) -> Table:
    """Return the silences of people who were in, what came in them and later, and who was never heard."""
    silences = pl.concat([results["gaps"], results["heard_later"]], how="diagonal")
    rows = [
        [
            setting.who(row),
            *setting.cells(row, "set_id", "started", "ended", "seconds"),
            *setting.cells(row, "lost_messages", unknown=words.UNCOUNTED),
            *setting.cells(row, "refused_messages"),
            counted(row["readings"], "reading") if row["readings"] else "–",
        ]
        for row in silences.sort("started").iter_rows(named=True)
    ]
    in_wears = dict(silences.group_by("wear_id").agg(pl.col("seconds").sum()).iter_rows())
    for row in results["entries"].filter(pl.col("wear_ids").list.len() > 0).iter_rows(named=True):
        row["unheard_s"] -= sum(in_wears.get(wear_id, 0.0) for wear_id in row["wear_ids"])
        if row["unheard_s"] >= LEAST_APART_S:
            found = setting.cells(row, "wearer_id", "set_ids")
            rows.append([*found, "–", "–", *setting.cells(row, "unheard_s"), "–", "–", words.UNHEARD_APART])
    for row in never_heard(results):
        if row["unheard_s"]:
            row["until"] = row["tallied_in"] + timedelta(seconds=row["unheard_s"])
            found = setting.cells(row, "wearer_id", "set_ids", "tallied_in", "until", "unheard_s")
            told = words.NEVER_HEARD if row["other_incident_id"] is None else not_heard(row)
            rows.append([*found, words.UNCOUNTED, "–", told])
    return table("silences", rows, (4, 5, 6))


def heat_table(results: Results, setting: Setting) -> Table:
    """Return the heat around each set: highest reading, time in each thermal class, not heard, dose.

    Every wear has a row: a wearer without a heat reading must not be taken for cool.
    """
    exposure = results["exposure"].select("wear_id", "thermal_class", "seconds").iter_rows()
    lasted = {(wear_id, class_): length for wear_id, class_, length in exposure}
    wears = results["wears"].sort("heat_dose", descending=True, nulls_last=True)
    rows = []
    for row in wears.iter_rows(named=True) if wears["peak_temperature_c"].count() else ():
        dose = number(row["heat_dose"], "", 3)
        in_classes = [lasted.get((row["wear_id"], class_)) for class_ in (*THERMAL_CLASSES, 0)]
        if in_classes[-1]:
            dose = cell(words.AT_LEAST.format(dose=text_of(dose)), value=row["heat_dose"])
        peak = setting.cells(row, "peak_temperature_c", unknown=words.NOT_MEASURED)
        rows.append([setting.who(row), row["set_id"], *peak, *map(seconds, in_classes), dose])
    return table("heat", rows, range(2, 9))


def clock_table(clocks: pl.DataFrame) -> Table:
    """Return each set's clock and what was done about it."""
    rows = [
        [
            row["set_id"],
            str(row["boot"]),
            number(row["offset_s"], "s", 2),
            number(row["offset_sd_s"], "s", 2),
            number(row["drift_ppm"], "ppm"),
            *cells(row, "steps"),
        ]
        for row in clocks.sort("set_id", "boot").iter_rows(named=True)
    ]
    return table("clocks", rows, range(2, 6))


def forecast_table(results: Results, setting: Setting) -> Table:
    """Return the forecasts every `EVERY_MIN` minutes of each wear: interval, scenario, and what happened."""
    name = ["wearer_id", "set_id", "started", "low_air_at"]
    age_s = (pl.col("time") - pl.col("time").min().over("wear_id")).dt.total_seconds()
    said = (
        results["air"]
        .with_columns(age_s=age_s)
        .filter((pl.col("age_s") > 0) & (pl.col("age_s") % (60 * EVERY_MIN) == 0))
        .unique(["wear_id", "age_s"])
        .join(results["wears"].select("wear_id", *name), on="wear_id")
        .filter((pl.col("low_air_min") > 0.0) & (pl.col("low_air_at") > pl.col("time")).fill_null(value=True))
        .sort("started", "wear_id", "age_s")
    )
    unheard = _unheard_after(results, setting)
    rows = [_forecast_line(row, setting, unheard) for row in said.iter_rows(named=True)]
    made = table("forecasts", rows, range(3, 8))
    return replace(made, note=made.note.format(step_min=EVERY_MIN, version=setting.forecast))


def _forecast_line(row: dict[str, Any], setting: Setting, unheard: dict[str, str]) -> list[Any]:
    hard: Any = "–"
    if row["low_air_hardest_min"] is not None:
        minutes, rate = row["low_air_hardest_min"], setting.units.text("rate", row["hardest_l_min"])
        hard = cell(words.IF_HARDEST.format(minutes=f"{minutes:.1f}", rate=rate), value=minutes)
    came: Any = unheard.get(row["wear_id"], words.NOT_REACHED)
    if row["low_air_at"] is not None:
        came = number((row["low_air_at"] - row["time"]) / timedelta(minutes=1), "min", places=1)
    low, high = row["low_air_lo_min"], row["low_air_hi_min"]
    return [
        *setting.cells(row, "wearer_id", "set_id", "time"),
        number(row["age_s"] / 60, "min"),
        number(row["low_air_min"], "min", places=1),
        cell(f"{low:.1f} to {high:.1f} min", value=low),
        hard,
        came,
    ]
