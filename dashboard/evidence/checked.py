"""What checking a case gives, whatever its form."""

from __future__ import annotations

from dataclasses import dataclass

from ingest.contract.errors import UnderairError


class CaseProblem(UnderairError):
    """A case folder that cannot be written or read."""


@dataclass(frozen=True)
class CaseChecked:
    """What checking a case found."""

    files: int
    head: str  # a hash of every byte of the case
    faults: tuple[str, ...]  # in words; none when the case is whole
    incident: str = ""
    made_with: str = ""  # version of underair
    # What else is worth knowing: signature, time stamp, custody, state of the archive then.
    said: tuple[str, ...] = ()
    signed: bool = False
    custody: str = ""  # hash of the last line of the custody log
