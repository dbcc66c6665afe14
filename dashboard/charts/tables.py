"""The review's tables as listings, and the findings as items that jump to their moment."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any
from urllib.parse import urlencode

import polars as pl
from dash import html

from dashboard.charts import words
from dashboard.charts.clock import SECOND_MS, UTC_CLOCK, Clock
from dashboard.charts.desk_notes import DeskNote
from dashboard.charts.drawing import Window
from dashboard.listing import cell, listing
from dashboard.units import METRIC, Quantity, Units

AROUND_A_FINDING_S = 60.0
SEVERITY_ORDER = ["serious", "caution", "note"]


@dataclass(frozen=True)
class Setting:
    """What the tables of a bench depend on.

    Attributes
    ----------
    owner : dict of str to str
        Wear to person.
    whole : Window
        The incident's extent.
    units : Units
    shown : Clock
        The clock that is shown.
    policy : str
        The turn-back policy in force.
    """

    owner: dict[str, str]
    whole: Window
    units: Units = METRIC
    shown: Clock = UTC_CLOCK
    policy: str = ""

    def time(self, moment: datetime | None, wear_id: str | None = None) -> Any:
        """A moment as a button that jumps there, to the wearer whom it is about."""
        if moment is None:
            return "–"
        return self.jump(self.clock(moment), moment, wear_id)

    def clock(self, moment: datetime) -> str:
        """Return the time of day on the shown clock."""
        return self.shown.time(moment)

    def jump(self, text: str, moment: datetime, wear_id: str | None) -> Any:
        """Return a cell that jumps to a moment."""
        at = moment.timestamp() * SECOND_MS
        found: dict[str, Any] = {"at": at, **around(at, at, self.whole)}
        person = self.owner.get(wear_id or "")
        return cell(text, value=at, jump=found if person is None else found | {"person": person})

    def who(self, row: dict[str, Any]) -> str:
        """Return the person of a row, or its set."""
        if row["wear_id"] in self.owner:
            return self.owner[row["wear_id"]]
        return f"{words.SET} {row['set_id']}" if row["set_id"] else "–"


def around(start: float, end: float, whole: Window) -> dict[str, list[float]]:
    """Return a window with room on both sides, inside the incident."""
    margin = max(AROUND_A_FINDING_S * SECOND_MS, (end - start) * 0.25)
    return {"window": [max(start - margin, whole.start), min(end + margin, whole.end)]}


def _day_and_time(moment: datetime | None) -> Any:
    return "–" if moment is None else cell(f"{moment:%Y-%m-%d %H:%M}", value=moment.timestamp() * SECOND_MS)


def _amount(value: float | None, units: Units, quantity: Quantity) -> Any:
    return "–" if value is None else cell(units.text(quantity, value), value=value)


def _number(value: float | None, unit: str, places: int = 0) -> Any:
    return "–" if value is None else cell(f"{value:z,.{places}f} {unit}", value=value)


def _seconds(value: float | None) -> Any:
    return "–" if value is None else cell(words.duration_text(value), value=value)


def incident_listing(incidents: pl.DataFrame) -> html.Div:
    """Return the list of incidents, each leading to its bench."""
    rows = []
    for row in incidents.iter_rows(named=True):
        if row["problem"]:
            # Its line says so; the others stand.
            told = words.NOT_ANALYSED.format(problem=row["problem"])
            rows.append([told, "–", _day_and_time(row["started"]), *["–"] * 5])
            continue
        name = row["name"] or row["incident_id"] or words.UNTALLIED_NAME
        title = f"{name} ({row['incident_id']})" if row["name"] and row["incident_id"] else name
        seconds = (row["ended"] - row["started"]).total_seconds() if row["started"] and row["ended"] else None
        graver = [(row["serious"], words.SEVERITY["serious"]), (row["cautions"], words.SEVERITY["caution"])]
        findings = (
            ", ".join(f"{count} {text}".replace(" ", "\N{NO-BREAK SPACE}") for count, text in graver if count)
            or words.NO_ROWS
        )
        rows.append(
            [
                cell(title, href="/review?" + urlencode({"incident": row["key"]})),
                row["place"] or "–",
                _day_and_time(row["started"]),
                _seconds(seconds),
                cell(str(row["wearers"]), value=row["wearers"]),
                cell(str(row["wears"]), value=row["wears"]),
                cell(str(row["alarms"]), value=row["alarms"]),
                cell(findings, value=1000 * row["serious"] + row["cautions"]),
            ]
        )
    return listing(
        "review-incidents",
        words.INCIDENTS,
        words.INCIDENT_HEADS,
        rows,
        empty=words.NO_INCIDENTS,
        search=(words.FIND, words.FIND_INCIDENT_HINT),
        numeric=(4, 5, 6),
    )


def wear_listing(wears: pl.DataFrame, name: str, setting: Setting | None = None) -> html.Div:
    """Return a table of wears: of the whole archive, or of one incident, then jumping in it."""
    units = setting.units if setting else METRIC
    rows = []
    for row in wears.sort("started", descending=setting is None).iter_rows(named=True):
        key = row["incident_id"] or row.get("incident_key") or "–"
        if setting is None:
            address = {
                "incident": row.get("incident_key") or key,
                "people": row["wearer_id"] or row["set_id"],
            }
            started = {**_day_and_time(row["started"]), "href": "/review?" + urlencode(address)}
        else:
            started = setting.time(row["started"], row["wear_id"])
        rows.append(
            [
                row["wearer_id"] or "–",
                row["team"] or "–",
                row["set_id"],
                key if setting is None else row["wear_id"],
                started,
                _seconds((row["ended"] - row["started"]).total_seconds()),
                _amount(row["start_bar"], units, "pressure"),
                _amount(row["end_bar"], units, "pressure"),
                _amount(row["free_air_l"], units, "volume"),
                _amount(row["mean_l_min"], units, "rate"),
                _seconds(row["low_air_s"]),
                _seconds(row["gap_s"]),
            ]
        )
    heads = list(words.WEAR_HEADS)
    if setting is not None:
        heads[3:5] = [words.WEAR_ID, words.STARTED]
    return listing(
        name,
        words.WEARS,
        heads,
        rows,
        empty=words.NO_ROWS,
        search=(words.FIND, words.FIND_WEAR_HINT) if setting is None else None,
        numeric=(5, 6, 7, 8, 9, 10, 11),
    )


def finding_items(findings: pl.DataFrame, setting: Setting) -> list[dict[str, Any]]:
    """Return the findings for the page's script, gravest first, then by time."""
    items = []
    for row in findings.iter_rows(named=True):
        start = row["started"].timestamp() * SECOND_MS if row["started"] else setting.whole.start
        end = row["ended"].timestamp() * SECOND_MS if row["ended"] else start
        items.append(
            {
                "id": row["finding_id"],
                "severity": row["severity"],
                "sign": words.SEVERITY[row["severity"]],
                "who": setting.who(row),
                "when": setting.clock(row["started"]) if row["started"] else "",
                "statement": row["statement"],
                "person": setting.owner.get(row["wear_id"] or ""),
                "at": start,
                **around(start, end, setting.whole),
            }
        )
    return sorted(items, key=lambda item: (SEVERITY_ORDER.index(str(item["severity"])), item["at"]))


def alarm_listing(alarms: pl.DataFrame, rates: pl.DataFrame, setting: Setting) -> html.Div:
    """Return the alarms, reported and derived, with the response; and how fast they came."""
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
                words.ALARMS.get(row["alarm"], row["alarm"]),
                *(
                    setting.time(row[name], row["wear_id"])
                    for name in ("raised", "acknowledged", "cleared", "seen")
                ),
                _seconds(row["response_s"]),
                source,
            ]
        )
    return listing(
        "review-alarms",
        words.ALARM_TABLE,
        words.ALARM_HEADS,
        rows,
        note=words.alarm_rate_text(rate),
        empty=words.NO_ALARMS,
        numeric=(6,),
    )


def turn_back_listing(turn_back: pl.DataFrame, wears: pl.DataFrame, setting: Setting) -> html.Div:
    """Return one row a wear: when each policy would have turned it back, and with how much."""
    replayed = {(row["wear_id"], row["policy"]): row for row in turn_back.iter_rows(named=True)}
    policies = [policy for policy in words.POLICIES if any(key[1] == policy for key in replayed)]
    rows = []
    for wear in wears.sort("started").iter_rows(named=True):
        wear_id = wear["wear_id"]
        team = (replayed.get((wear_id, setting.policy)) or {}).get("team_at")
        cells: list[Any] = [setting.who(wear), setting.time(wear["started"], wear_id)]
        cells.append(words.NOT_REACHED if team is None else setting.time(team, wear_id))
        cells += [_policy_cell(replayed.get((wear_id, policy)), setting) for policy in policies]
        cells += [setting.time(wear["ended"], wear_id), _amount(wear["end_bar"], setting.units, "pressure")]
        rows.append(cells)
    heads = [*words.TURN_BACK_FIRST, *words.policy_heads(policies, setting.policy), *words.TURN_BACK_LAST]
    return listing(
        "review-turn-back", words.TURN_BACK, heads, rows, note=words.TURN_BACK_NOTE, empty=words.NO_ROWS
    )


def _policy_cell(row: dict[str, Any] | None, setting: Setting) -> Any:
    if row is None or row["at"] is None:
        return words.NOT_REACHED
    parts = [setting.clock(row["at"]), setting.units.text("pressure", row["pressure_bar"])]
    if row["minutes_in_hand_low_air"] is not None:
        parts.append(words.BEFORE_LOW_AIR.format(minutes=f"{row['minutes_in_hand_low_air']:.1f}"))
    return setting.jump(" · ".join(parts), row["at"], row["wear_id"])


def silence_listing(gaps: pl.DataFrame, setting: Setting) -> html.Div:
    """Return the silences inside wears."""
    rows = [
        [
            setting.who(row),
            row["set_id"],
            setting.time(row["started"], row["wear_id"]),
            setting.time(row["ended"], row["wear_id"]),
            _seconds(row["seconds"]),
            cell(str(row["lost_messages"]), value=row["lost_messages"]),
        ]
        for row in gaps.sort("started").iter_rows(named=True)
    ]
    return listing(
        "review-silences",
        words.SILENCES,
        words.SILENCE_HEADS,
        rows,
        note=words.SILENCES_NOTE,
        empty=words.NOTHING_SILENT,
        numeric=(4, 5),
    )


def note_listing(notes: list[DeskNote], setting: Setting, may_withdraw: bool) -> html.Div:
    """Return an incident's notes; who may write notes may take one back."""
    rows = []
    for note in notes:
        withdrawn: Any = "–"
        if note.withdrawn is not None:
            withdrawn = words.WITHDRAWN_AT.format(when=f"{note.withdrawn:%Y-%m-%d %H:%M}")
        elif note.withdraws is not None:
            withdrawn = words.A_WITHDRAWAL
        elif may_withdraw:
            withdrawn = cell(words.WITHDRAW, jump={"withdraw": note.identity, "text": note.text})
        rows.append(
            [
                setting.time(note.at),
                note.source,
                note.text,
                note.set_id or "–",
                words.CERTAINTIES.get(note.certainty, note.certainty),
                _day_and_time(note.received),
                withdrawn,
            ]
        )
    return listing(
        "review-notes", words.NOTES, words.NOTE_HEADS, rows, note=words.NOTES_NOTE, empty=words.NO_NOTES
    )


def clock_listing(clocks: pl.DataFrame) -> html.Div:
    """Return each set's clock and what was done about it."""
    rows = [
        [
            row["set_id"],
            str(row["boot"]),
            _number(row["offset_s"], "s", 2),
            _number(row["offset_sd_s"], "s", 2),
            _number(row["drift_ppm"], "ppm"),
            cell(str(row["steps"]), value=row["steps"]),
        ]
        for row in clocks.sort("set_id", "boot").iter_rows(named=True)
    ]
    return listing(
        "review-clocks",
        words.CLOCKS_TITLE,
        words.CLOCK_HEADS,
        rows,
        note=words.CLOCKS_NOTE,
        empty=words.NO_ROWS,
        numeric=(2, 3, 4, 5),
    )
