"""The lists of the review's first page: incidents and wears of the whole archive, each with its bench."""

from __future__ import annotations

from urllib.parse import urlencode

import polars as pl
from dash import html

from dashboard.elements import listing
from dashboard.review import words
from dashboard.review.setting import amount, day_and_time, seconds
from dashboard.rows import cell
from dashboard.units import METRIC


def incident_listing(incidents: pl.DataFrame) -> html.Div:
    """Return the list of incidents, each leading to its bench."""
    rows = []
    for row in incidents.iter_rows(named=True):
        if row["problem"]:
            # Its line says so; the others are unaffected.
            told = words.NOT_ANALYSED.format(problem=row["problem"])
            rows.append([told, "–", day_and_time(row["started"]), *["–"] * 5])
            continue
        name = row["name"] or row["incident_id"] or words.UNTALLIED_NAME
        title = f"{name} ({row['incident_id']})" if row["name"] and row["incident_id"] else name
        lasted = (row["ended"] - row["started"]).total_seconds() if row["started"] and row["ended"] else None
        graver = [(row["serious"], words.SEVERITY["serious"]), (row["cautions"], words.SEVERITY["caution"])]
        findings = (
            ", ".join(f"{count} {text}".replace(" ", "\N{NO-BREAK SPACE}") for count, text in graver if count)
            or words.NO_ROWS
        )
        rows.append(
            [
                cell(title, href="/review?" + urlencode({"incident": row["key"]})),
                row["place"] or "–",
                day_and_time(row["started"]),
                seconds(lasted),
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


def wear_listing(wears: pl.DataFrame) -> html.Div:
    """Return the table of the wears of the whole archive."""
    rows = []
    for row in wears.sort("started", descending=True).iter_rows(named=True):
        key = row["incident_id"] or row.get("incident_key") or "–"
        address = {"incident": row.get("incident_key") or key, "people": row["wearer_id"] or row["set_id"]}
        rows.append(
            [
                row["wearer_id"] or "–",
                row["team"] or "–",
                row["set_id"],
                key,
                {**day_and_time(row["started"]), "href": "/review?" + urlencode(address)},
                seconds((row["ended"] - row["started"]).total_seconds()),
                amount(row["start_bar"], METRIC, "pressure"),
                amount(row["end_bar"], METRIC, "pressure"),
                amount(row["free_air_l"], METRIC, "volume"),
                amount(row["mean_l_min"], METRIC, "rate"),
                seconds(row["low_air_s"]),
                seconds(row["gap_s"]),
            ]
        )
    return listing(
        "review-wears",
        words.WEARS,
        words.WEAR_HEADS,
        rows,
        empty=words.NO_ROWS,
        search=(words.FIND, words.FIND_WEAR_HINT),
        numeric=(5, 6, 7, 8, 9, 10, 11),
    )
