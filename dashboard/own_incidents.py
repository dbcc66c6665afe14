"""Which incidents a desk may write into: those that it sees. A reviewer sees them all.

Somebody who may only work the live page must neither write into an older record nor learn which there are.
"""

from collections.abc import Mapping
from typing import Any

import polars as pl

from analysis.live.rows import Snapshot
from dashboard.access.roles import REVIEW, visitor
from dashboard.context import PageContext
from dashboard.live import words
from ingest.archive.index import ArchiveIndex


def sees_incident(context: PageContext, incident_id: str) -> bool:
    """Return whether who asks sees an incident: each on the review page, those of now on the live page."""
    snapshot = _snapshot(context)
    return visitor().may(REVIEW) or (snapshot is not None and incident_id in snapshot.incident_services)


def why_not_sent(context: PageContext, kind: str, fields: Mapping[str, Any]) -> str | None:
    """Return why who asks may not send a desk message, None when he may.

    `fields`: what the page filled in; what breaks the contract is refused elsewhere.
    """
    if visitor().may(REVIEW):
        return None
    corrected = fields.get("corrects")
    if corrected and _identity(corrected) not in _shown(context):
        return words.NOT_YOUR_TALLY
    incident_id = fields.get("incident_id")
    if not isinstance(incident_id, str) or sees_incident(context, incident_id):
        return None
    if kind != "incident" or fields.get("action") != "open":
        return words.NOT_YOUR_INCIDENT
    said = ArchiveIndex(context.archive.folder).desks()
    return words.USED_BEFORE if said.filter(pl.col("incident_id") == incident_id).height else None


def _snapshot(context: PageContext) -> Snapshot | None:
    return context.feed.snapshot if context.feed is not None else None


def _shown(context: PageContext) -> set[str]:
    """Return what the page offers to correct: the latest messages, and what rows and exits rest on."""
    snapshot = _snapshot(context)
    if snapshot is None:
        return set()
    found = {*snapshot.desk_heard, *(row.gauge.identity for row in snapshot.rows if row.gauge is not None)}
    found |= {row.tally_identity for row in snapshot.rows if row.tally_identity is not None}
    return found | {one.ended_by for one in snapshot.came_out if one.ended_by is not None}


def _identity(corrected: Any) -> str:
    if not isinstance(corrected, dict):
        return ""
    return "/".join(str(corrected.get(name)) for name in ("desk_id", "boot", "seq"))
