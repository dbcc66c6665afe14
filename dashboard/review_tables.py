"""The review's tables as listings, and the findings as items that jump to their moment."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from urllib.parse import urlencode

import polars as pl
from dash import html

from dashboard import review_words as words
from dashboard.listing import cell, listing
from dashboard.review_drawing import SECOND_MS, Window
from dashboard.units import METRIC

AROUND_A_FINDING_S = 60.0
SEVERITY_ORDER = ["serious", "caution", "note"]
Owner = dict[str, str]


def _time(moment: datetime | None, whole: Window | None = None, person: str | None = None) -> Any:
    """A moment; inside a bench it is a button that jumps there, to the wearer whom it is about."""
    if moment is None:
        return "–"
    at = moment.timestamp() * SECOND_MS
    if whole is None:
        return cell(f"{moment:%Y-%m-%d %H:%M}", value=at)
    return cell(f"{moment:%H:%M:%S}", value=at, jump=_jump(at, whole, person))


def _jump(at: float, whole: Window, person: str | None) -> dict[str, Any]:
    found: dict[str, Any] = {"at": at, **_around(at, at, whole)}
    return found if person is None else found | {"person": person}


def _around(start: float, end: float, whole: Window) -> dict[str, list[float]]:
    margin = max(AROUND_A_FINDING_S * SECOND_MS, (end - start) * 0.25)
    return {"window": [max(start - margin, whole.start), min(end + margin, whole.end)]}


def _number(value: float | None, unit: str, places: int = 0) -> Any:
    return "–" if value is None else cell(f"{value:,.{places}f} {unit}", value=value)


def _seconds(value: float | None) -> Any:
    return "–" if value is None else cell(words.duration_text(value), value=value)


def _who(wear_id: str | None, set_id: str | None, owner: Owner) -> str:
    if wear_id in owner:
        return owner[wear_id]
    return f"{words.SET} {set_id}" if set_id else "–"


def incident_listing(incidents: pl.DataFrame) -> html.Div:
    """Return the list of incidents, each leading to its bench."""
    rows = []
    for row in incidents.iter_rows(named=True):
        name = row["name"] or row["incident_id"] or words.UNTALLIED_NAME
        title = f"{name} ({row['incident_id']})" if row["name"] and row["incident_id"] else name
        seconds = (row["ended"] - row["started"]).total_seconds() if row["started"] and row["ended"] else None
        graver = [(row["serious"], words.SEVERITY["serious"]), (row["cautions"], words.SEVERITY["caution"])]
        findings = ", ".join(f"{count} {text}" for count, text in graver if count) or words.NO_ROWS
        rows.append(
            [
                cell(title, href="/review?" + urlencode({"incident": row["key"]})),
                row["place"] or "–",
                _time(row["started"]),
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
        search=(words.FIND, words.FIND_HINT),
        numeric=(4, 5, 6),
    )


def wear_listing(
    wears: pl.DataFrame, name: str, owner: Owner | None = None, whole: Window | None = None
) -> html.Div:
    """Return a table of wears: of the whole archive, or of one incident, then jumping in it."""
    rows = []
    for row in wears.sort("started", descending=owner is None).iter_rows(named=True):
        key = row["incident_id"] or row.get("incident_key") or "–"
        address = {"incident": row.get("incident_key") or key, "people": row["wearer_id"] or row["set_id"]}
        started = _time(row["started"], whole, (owner or {}).get(row["wear_id"]))
        if whole is None:
            started = {**started, "href": "/review?" + urlencode(address)}
        seconds = (row["ended"] - row["started"]).total_seconds()
        rows.append(
            [
                row["wearer_id"] or "–",
                row["team"] or "–",
                row["set_id"],
                key if owner is None else row["wear_id"],
                started,
                _seconds(seconds),
                _number(row["start_bar"], METRIC.label["pressure"]),
                _number(row["end_bar"], METRIC.label["pressure"]),
                _number(row["free_air_l"], METRIC.label["volume"]),
                _number(row["mean_l_min"], METRIC.label["rate"]),
                _seconds(row["low_air_s"]),
                _seconds(row["gap_s"]),
            ]
        )
    heads = list(words.WEAR_HEADS)
    if owner is not None:
        heads[3] = words.WEAR_ID
    return listing(
        name,
        words.WEARS,
        heads,
        rows,
        empty=words.NO_ROWS,
        search=(words.FIND, words.FIND_HINT) if owner is None else None,
        numeric=(5, 6, 7, 8, 9, 10, 11),
    )


def finding_items(findings: pl.DataFrame, owner: Owner, whole: Window) -> list[dict[str, Any]]:
    """Return the findings for the page's script, gravest first, then by time."""
    items = []
    for row in findings.iter_rows(named=True):
        start = row["started"].timestamp() * SECOND_MS if row["started"] else whole.start
        end = row["ended"].timestamp() * SECOND_MS if row["ended"] else start
        items.append(
            {
                "id": row["finding_id"],
                "severity": row["severity"],
                "sign": words.SEVERITY[row["severity"]],
                "who": _who(row["wear_id"], row["set_id"], owner),
                "when": f"{row['started']:%H:%M:%S}" if row["started"] else "",
                "statement": row["statement"],
                "person": owner.get(row["wear_id"] or ""),
                "at": start,
                **_around(start, end, whole),
            }
        )
    return sorted(items, key=lambda item: (SEVERITY_ORDER.index(str(item["severity"])), item["at"]))


def alarm_listing(alarms: pl.DataFrame, owner: Owner, whole: Window) -> html.Div:
    """Return the alarms, reported and derived, with the response."""
    rows = []
    for row in alarms.sort("raised", nulls_last=True).iter_rows(named=True):
        source = words.SOURCES[row["source"]]
        if row["source"] == "both" and row["lead_s"] is not None and abs(row["lead_s"]) >= 1:
            wording = words.SET_LATE if row["lead_s"] > 0 else words.SET_EARLY
            source = wording.format(seconds=f"{abs(row['lead_s']):.0f}")
        rows.append(
            [
                _who(row["wear_id"], row["set_id"], owner),
                words.ALARMS.get(row["alarm"], row["alarm"]),
                *(
                    _time(row[name], whole, owner.get(row["wear_id"] or ""))
                    for name in ("raised", "acknowledged", "cleared", "seen")
                ),
                _seconds(row["response_s"]),
                source,
            ]
        )
    return listing(
        "review-alarms", words.ALARM_TABLE, words.ALARM_HEADS, rows, empty=words.NO_ALARMS, numeric=(6,)
    )


def turn_back_listing(turn_back: pl.DataFrame, wears: pl.DataFrame, owner: Owner, whole: Window) -> html.Div:
    """Return one row a wear: when each policy would have turned it back, and with how much."""
    replayed = {(row["wear_id"], row["policy"]): row for row in turn_back.iter_rows(named=True)}
    policies = [policy for policy in words.POLICIES if any(key[1] == policy for key in replayed)]
    rows = []
    for wear in wears.sort("started").iter_rows(named=True):
        person = owner.get(wear["wear_id"])
        cells: list[Any] = [person or wear["set_id"], _time(wear["started"], whole, person)]
        cells += [_policy_cell(replayed.get((wear["wear_id"], policy)), whole, person) for policy in policies]
        cells += [_time(wear["ended"], whole, person), _number(wear["end_bar"], METRIC.label["pressure"])]
        rows.append(cells)
    heads = [*words.TURN_BACK_FIRST, *(words.POLICIES[policy] for policy in policies), *words.TURN_BACK_LAST]
    return listing(
        "review-turn-back", words.TURN_BACK, heads, rows, note=words.TURN_BACK_NOTE, empty=words.NO_ROWS
    )


def _policy_cell(row: dict[str, Any] | None, whole: Window, person: str | None) -> Any:
    if row is None or row["at"] is None:
        return words.NOT_REACHED
    parts = [f"{row['at']:%H:%M:%S}", f"{row['pressure_bar']:.0f} bar"]
    if row["minutes_in_hand_low_air"] is not None:
        parts.append(words.BEFORE_LOW_AIR.format(minutes=f"{row['minutes_in_hand_low_air']:.1f}"))
    at = row["at"].timestamp() * SECOND_MS
    return cell(" · ".join(parts), value=at, jump=_jump(at, whole, person))


def silence_listing(gaps: pl.DataFrame, owner: Owner, whole: Window) -> html.Div:
    """Return the silences inside wears."""
    rows = [
        [
            _who(row["wear_id"], row["set_id"], owner),
            row["set_id"],
            _time(row["started"], whole, owner.get(row["wear_id"] or "")),
            _time(row["ended"], whole, owner.get(row["wear_id"] or "")),
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
