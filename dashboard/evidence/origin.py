"""From what, by whom, why and with what a report or case was made."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta

import msgspec
import numpy as np
import polars as pl

from dashboard.evidence import provenance
from dashboard.evidence.case_messages import counts_of, received_of
from ingest.archive.expected import expected_of
from ingest.archive.imports import Brought, read_imports
from ingest.archive.sound import trouble_of
from ingest.archive.store import ArchivePath, place
from ingest.contract.kinds import KINDS
from ingest.contract.times import EPOCH, rfc3339
from ingest.receipt_clock import read_clock_sets

LATE = timedelta(hours=12)
"""Around an incident more is read than its own messages: power-ups that began before and ended after it."""


class ArchiveState(msgspec.Struct, frozen=True):
    """What verifying the archive found, for the days that were read."""

    heads: dict[str, str] = {}  # of each of its chains
    faults: tuple[str, ...] = ()  # in sentences; none when it is whole
    # Captures of that time that were brought into it: name, SHA-256, and what its clock was found to be.
    captures: tuple[str, ...] = ()
    clocks: tuple[str, ...] = ()  # listeners' clocks that were set in that time, in sentences

    @property
    def whole(self) -> bool:
        """Whether everything that was sealed is there as it was sealed."""
        return not self.faults


class Origin(msgspec.Struct, frozen=True, kw_only=True):
    """From what, by whom, why and with what."""

    made: datetime
    sha256: str  # of the messages, as an uncompressed capture
    kept: int  # messages that keep the contract
    refused: int = 0  # that break it
    conflicting: int = 0  # beyond the first of each identity (set or desk, boot, seq)
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


def origin_of(
    messages: Mapping[str, pl.DataFrame], sha256: str, state: ArchiveState, made: datetime, why: str = ""
) -> Origin:
    """Return the origin of what is made here and now."""
    return Origin(
        made=made,
        sha256=sha256,
        **counts_of(messages),
        why=why,
        account=provenance.account(),
        machine=provenance.machine(),
        archive=state,
        versions=provenance.versions(),
        commit=provenance.commit(),
        source_sha256=provenance.source_sha256(),
    )


def state_of(folder: ArchivePath, messages: Mapping[str, pl.DataFrame]) -> ArchiveState:
    """Return the state of what was read of an archive: call it after reading, contents are checked then.

    A part that was altered, is missing or was put there is reported if it is, or may be, of the time of these
    messages.
    """
    moments = np.concatenate([received_of(messages, kind) for kind in KINDS])
    trouble, (brought, faults, _) = trouble_of(place(folder)), read_imports(place(folder))
    clock_sets, more = read_clock_sets(place(folder))
    if len(moments):
        first, last = (EPOCH + timedelta(microseconds=int(us)) for us in (moments.min(), moments.max()))
        trouble = trouble.within(first - LATE, last + LATE)
        brought = [
            one
            for one in brought
            if one.first and one.last and one.first <= last + LATE and one.last >= first - LATE
        ]
        clock_sets = [one for one in clock_sets if first - LATE <= one[1].at <= last + LATE]
    heads = expected_of(place(folder)).heads()
    captures = tuple(f"{one.file}, SHA-256 {one.sha256}{_clock_of(one)}" for one in brought)
    return ArchiveState(
        heads,
        (*(fault.sentence() for fault in trouble), *faults, *more),
        captures,
        tuple(line.sentence(listener) for listener, line in clock_sets),
    )


def _clock_of(brought: Brought) -> str:
    jumps = "".join(
        f", its listener's clock jumped by {by_s:+,.3f} s at {rfc3339(at)}: later receipt times corrected"
        for at, by_s in brought.jumps
    )
    if brought.placed:
        return f" ({brought.placed})"
    if not brought.moved or brought.clock_fast_s is None:
        return jumps
    moved = f"receipt times corrected by {-brought.clock_fast_s:+.3f} s"
    return f"{jumps}, {moved} ({brought.compared:,} messages that another listener heard too)"
