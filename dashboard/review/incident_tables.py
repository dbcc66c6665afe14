"""Every table of an incident in the order in which page and report have them."""

from __future__ import annotations

from dashboard.results_store import IncidentRecord
from dashboard.review.desk_notes import DeskNote
from dashboard.review.desk_tables import desk_table, note_table, refused_table, tally_table
from dashboard.review.forecast_table import forecast_table
from dashboard.review.setting import Setting
from dashboard.review.tables import (
    alarm_table,
    clock_table,
    entry_table,
    heat_table,
    silence_table,
    turn_back_table,
    wear_table,
)
from dashboard.rows import Table


def incident_tables(
    record: IncidentRecord, notes: list[DeskNote], setting: Setting, may_withdraw: bool = False
) -> list[Table]:
    """Return the tables of one incident: the page shows them as lists, the report prints them."""
    results, messages, incident_id = record.results, record.messages, record.about["incident_id"]
    sets = set(results["wears"]["set_id"])
    return [
        entry_table(results["entries"], setting),
        alarm_table(results["alarms"], results["alarm_rates"], setting),
        turn_back_table(results["turn_back"], results["wears"], setting),
        wear_table(results["wears"], setting),
        forecast_table(results, setting),
        heat_table(results, setting),
        silence_table(results["gaps"], setting),
        refused_table(results["refused"], setting),
        tally_table(messages, incident_id, setting),
        desk_table(messages, incident_id, sets, setting),
        note_table(notes, setting, may_withdraw),
        clock_table(results["clocks"]),
    ]
