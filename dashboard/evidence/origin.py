"""From what, by whom, why and with what a report or case was made."""

from __future__ import annotations

import re
from datetime import date, datetime, timedelta
from pathlib import Path

import msgspec
import polars as pl

from dashboard.evidence import provenance
from dashboard.evidence.case_messages import Counts, counts_of
from ingest.archive.verifying import verify
from ingest.contract.frames import Messages
from ingest.contract.kinds import KINDS

LATE = timedelta(days=1)
"""A part is filed by the day of receipt; what is read spans whole days."""


class ArchiveState(msgspec.Struct, frozen=True):
    """What verifying the archive found, for the days that were read.

    Attributes
    ----------
    heads : dict of str to str
        Of each of its chains.
    faults : tuple of str
        In sentences; none when it is whole.
    unsealed : int
        Messages in journals, in no chain yet.
    """

    heads: dict[str, str] = {}
    faults: tuple[str, ...] = ()
    unsealed: int = 0

    @property
    def whole(self) -> bool:
        """Whether everything that was sealed is there as it was sealed."""
        return not self.faults


class Origin(msgspec.Struct, frozen=True, kw_only=True):
    """From what, by whom, why and with what.

    Attributes
    ----------
    made : datetime
    sha256 : str
        Of the messages, as an uncompressed capture.
    kept, refused, conflicting : int
        Counts of messages: `Counts`.
    why : str
    account, machine : str
    archive : ArchiveState
    versions : dict of str to str
    commit, source_sha256 : str
    """

    made: datetime
    sha256: str
    kept: int
    refused: int = 0
    conflicting: int = 0
    why: str = ""
    account: str = ""
    machine: str = ""
    archive: ArchiveState = ArchiveState()
    versions: dict[str, str] = {}
    commit: str = provenance.NOT_KNOWN
    source_sha256: str = ""

    @property
    def messages(self) -> int:
        """All messages."""
        return self.kept + self.refused


def origin_of(messages: Messages, sha256: str, state: ArchiveState, made: datetime, why: str = "") -> Origin:
    """Return the origin of what is made here and now."""
    counts: Counts = counts_of(messages)
    return Origin(
        made=made,
        sha256=sha256,
        kept=counts.kept,
        refused=counts.refused,
        conflicting=counts.conflicting,
        why=why,
        account=provenance.account(),
        machine=provenance.machine(),
        archive=state,
        versions=provenance.versions(),
        commit=provenance.commit(),
        source_sha256=provenance.source_sha256(),
    )


def state_of(folder: Path, messages: Messages) -> ArchiveState:
    """Verify an archive and return its state, for the days that these messages were received on."""
    found = verify(folder)
    moments = pl.concat([messages[kind]["received"] for kind in KINDS])
    first, last = moments.min(), moments.max()
    faults = []
    for fault in found.faults:
        day = _day(fault.where)
        inside = isinstance(first, datetime) and isinstance(last, datetime) and day is not None
        if not inside or first.date() - LATE <= day <= last.date() + LATE:  # type: ignore[union-attr]
            faults.append(fault.sentence())
    return ArchiveState(found.heads, tuple(faults), found.unsealed)


def _day(where: str) -> date | None:
    """Return the day of receipt that a part's folder is for, None for what is no part."""
    found = re.search(r"/date=(\d{4}-\d\d-\d\d)/", where)
    return date.fromisoformat(found.group(1)) if found else None
