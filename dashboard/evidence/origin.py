"""From what, by whom, why and with what a report or case was made."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import msgspec
import polars as pl

from dashboard.evidence import provenance
from dashboard.evidence.case_messages import Counts, counts_of
from ingest.archive.manifest import chains, read_chain
from ingest.archive.reading import Archive
from ingest.archive.store import place
from ingest.contract.frames import Messages
from ingest.contract.kinds import KINDS

LATE = timedelta(hours=12)
"""Around an incident more is read than its own messages: power-ups that began before and ended after it."""


class ArchiveState(msgspec.Struct, frozen=True):
    """What verifying the archive found, for the days that were read.

    Attributes
    ----------
    heads : dict of str to str
        Of each of its chains.
    faults : tuple of str
        In sentences; none when it is whole.
    """

    heads: dict[str, str] = {}
    faults: tuple[str, ...] = ()

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
    """Return the state of what was read of an archive: call it after reading, contents are checked then.

    A part that was altered, is missing or was put there is said when it is of the time of these messages, or
    may be.
    """
    moments = pl.concat([messages[kind]["received"] for kind in KINDS])
    first, last = moments.min(), moments.max()
    trouble = Archive(folder).trouble()
    if isinstance(first, datetime) and isinstance(last, datetime):
        trouble = trouble.within(first - LATE, last + LATE)
    heads = {writer: read_chain(path)[2] for writer, path in chains(place(folder))}
    return ArchiveState(heads, tuple(fault.sentence() for fault in trouble))
