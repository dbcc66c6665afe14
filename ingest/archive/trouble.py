"""Describe what of an archive cannot be read: altered, missing and foreign files."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime

from ingest.archive.manifest import Line
from ingest.plurals import counted, listed
from ingest.shown_text import shown

ALTERED, MISSING, FOREIGN, MANIFEST, DAMAGED = "altered", "missing", "foreign", "manifest", "damaged"
_MOST_SAID = 5


@dataclass(frozen=True)
class Fault:
    """One file that is not as it was sealed."""

    # ``altered``, ``missing``, ``foreign``, ``manifest`` (a chain of it is damaged), ``damaged`` (a journal
    # or a note) or ``unfinished``.
    what: str
    where: str  # the file, below the archive
    statement: str  # what is wrong with it
    kind: str = ""  # of its messages; empty if it has none, or not known
    rows: int = 0  # how many messages answers leave out; 0 if not known
    first: datetime | None = None  # from when to when they were received
    last: datetime | None = None  # from when to when they were received
    speakers: tuple[str, ...] = ()  # sets or desks that they are of, as far as the manifest names them
    more_speakers: int = 0  # how many it does not name

    def __str__(self) -> str:
        return shown(f"{self.what}: {self.where}: {self.statement}")

    def sentence(self) -> str:
        """Return it as a sentence for readers of an answer made from the archive."""
        if self.what == MANIFEST:
            return f"The manifest `{self.where}` is damaged: {self.statement}."
        if self.what == FOREIGN:
            return f"`{self.where}` is not read: {self.statement}."
        said = f"Cannot read `{self.where}`: {self.statement}."
        if not self.rows:
            return said
        who = [*self.speakers, *([f"{self.more_speakers} more"] if self.more_speakers else [])]
        of = f" of {listed(who)}" if who else ""
        return f"{said} Left out: {counted(self.rows, f'{self.kind} message')}{of}{self._when()}."

    def _when(self) -> str:
        if self.first is None or self.last is None:
            return ""
        first, last = self.first.astimezone(UTC), self.last.astimezone(UTC)
        end = f"{last:%H:%M:%S}" if last.date() == first.date() else f"{last:%Y-%m-%d %H:%M:%S}"
        return f", received {first:%Y-%m-%d %H:%M:%S} to {end} UTC"

    def concerns(self, first: datetime, last: datetime) -> bool:
        """Return whether it may concern what was received in a time; also when nobody knows."""
        return self.first is None or self.last is None or (self.first <= last and self.last >= first)


@dataclass(frozen=True)
class Trouble:
    """All faults of an archive that are known; false when there is none."""

    archive: str
    faults: tuple[Fault, ...] = field(default=())

    def __bool__(self) -> bool:
        return bool(self.faults)

    def __iter__(self) -> Iterator[Fault]:
        return iter(self.faults)

    def within(self, first: datetime, last: datetime) -> Trouble:
        """Return what concerns messages received in a time, or may."""
        return Trouble(self.archive, tuple(fault for fault in self.faults if fault.concerns(first, last)))

    def sentences(self) -> list[str]:
        """Return the first faults in words, and what to do; nothing when all is well."""
        if not self.faults:
            return []
        said = [fault.sentence() for fault in self.faults[:_MOST_SAID]]
        if (more := len(self.faults) - _MOST_SAID) > 0:
            said.append(f"{counted(more, 'more file')} of the archive cannot be trusted.")
        return [
            *said,
            f"Run `underair verify {self.archive}` for details, or restore the files from a backup.",
        ]


def fault_of_line(what: str, line: Line, statement: str) -> Fault:
    """Return the fault of a part that the manifest knows."""
    return Fault(
        what,
        line.part,
        statement,
        line.part.partition("/")[0],
        line.rows,
        line.first,
        line.last,
        tuple(line.speakers),
        line.more_speakers,
    )
