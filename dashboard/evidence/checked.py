"""What checking a case gives, whatever its form."""

from __future__ import annotations

from dataclasses import dataclass

from ingest.contract.errors import UnderairError


class CaseProblem(UnderairError):
    """A case folder that cannot be written or read."""


@dataclass(frozen=True)
class CaseChecked:
    """What checking a case found.

    Attributes
    ----------
    files : int
    head : str
        A hash of every byte of the case.
    faults : tuple of str
        In words; none when the case is whole.
    incident : str
    made_with : str
        Version of underair.
    said : tuple of str
        What else is worth knowing: signature, time stamp, custody, state of the archive then.
    signed : bool
    custody : str
        Hash of the last line of the custody log.
    """

    files: int
    head: str
    faults: tuple[str, ...]
    incident: str = ""
    made_with: str = ""
    said: tuple[str, ...] = ()
    signed: bool = False
    custody: str = ""
