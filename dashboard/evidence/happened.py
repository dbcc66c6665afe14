"""What befell people and what was done, for a reader who was not there: grave alarms and emergency teams."""

from __future__ import annotations

from typing import Any

import polars as pl

from analysis.alarms.kinds import GRAVEST
from dashboard.incident_record import IncidentRecord
from dashboard.review import words
from dashboard.review.desk_notes import of_incident, said
from dashboard.review.setting import Setting, duration_text
from dashboard.words import ALARMS

MOST_LINES = 20
TEAM_DID = {"committed": "was sent in", "stood_down": "was stood down"}


def happened(record: IncidentRecord, setting: Setting) -> list[str]:
    """Return sentences in order of time: each grave alarm that a set reported, each emergency team sent in.

    An alarm has who, from when to when, who saw it and with which words it was closed. Of more than
    `MOST_LINES` the last line says how many there are.
    """
    grave = record.results["alarms"].filter(pl.col("alarm").is_in(GRAVEST), pl.col("source") != "derived")
    about = of_incident(record.about["incident_id"])
    closed = said(record.messages, "resolved", about & pl.col("alarm").is_in(GRAVEST))
    lines = [(row["raised"], _alarm(row, closed, setting)) for row in grave.to_dicts()]
    lines += [
        (row["moment"], f"emergency team {row['team']} {TEAM_DID[row['state']]}.")
        for row in said(record.messages, "standby", about & pl.col("state").is_in(list(TEAM_DID)))
    ]
    lines.sort()
    told = [f"{setting.clock(at)}: {text}" for at, text in lines[:MOST_LINES]]
    more = len(lines) - len(told)
    return [*told, *[f"{more:,} more: see the tables of alarms and of the desk."] * (more > 0)]


def _alarm(row: dict[str, Any], closed: list[dict[str, Any]], setting: Setting) -> str:
    what = (row["set_id"], row["alarm"])
    by = next(
        (one for one in closed if (one["set_id"], one["alarm"]) == what and one["moment"] >= row["raised"]),
        None,
    )
    did = [f"cleared at {setting.clock(row['cleared'])}" if row["cleared"] else "never cleared at the set"]
    if row["acknowledged"] is not None:
        did.append(f"acknowledged at the set at {setting.clock(row['acknowledged'])}")
    if row["seen"] is None:
        did.append("no desk marked it as seen or closed it")
    elif by is None or row["seen"] < by["moment"]:
        after = duration_text((row["seen"] - row["raised"]).total_seconds())
        did.append(f"seen by a desk at {setting.clock(row['seen'])}, {after} later")
    if by is not None:
        did.append(f"closed by desk {by['desk_id']} at {setting.clock(by['at'])} (“{by['text']}”)")
    who = setting.who(row)
    worn = "" if who.endswith(row["set_id"]) else f" with {words.SET.lower()} {row['set_id']}"
    return f"{ALARMS[row['alarm']]}, {who}{worn}; {'; '.join(did)}."
