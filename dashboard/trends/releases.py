"""What was handed out: a line for each release of tables, kept in the archive's folder.

Small counts are withheld within one release. Two releases over periods that overlap are not safe together:
their difference is the table of a shorter period, in which a withheld count may stand. A release that
overlaps an earlier one is therefore refused, unless its figures are the very same or somebody says that it
shall be made all the same; that is then noted too.
"""

from __future__ import annotations

import hashlib
import os
import threading
from datetime import date, datetime
from pathlib import Path

import msgspec
import polars as pl

from analysis.trends.audit import Audit
from analysis.trends.ledger import Ledger
from ingest.contract.errors import UnderairError

FILE_NAME = "releases.ndjson"
_writing = threading.Lock()


class Release(msgspec.Struct, frozen=True, kw_only=True):
    """One line: the days that tables cover (UTC, both inclusive), when made, and what tells them apart."""

    first: date
    last: date
    made: datetime
    figures: str
    overlapping: bool = False


class OverlappingRelease(UnderairError):
    """The tables would tell withheld counts beside tables that were handed out before."""


def finished_months(ledger: Ledger, now: datetime) -> Ledger:
    """Leave the running month out: its tables would be other ones tomorrow."""
    return {
        name: frame.filter(
            pl.col("started" if name == "wears" else "at").dt.strftime("%Y-%m") != f"{now:%Y-%m}"
        )
        for name, frame in ledger.items()
    }


def days_of(ledger: Ledger) -> tuple[date, date] | None:
    """Return the first and the last day with wears; None without any."""
    days = ledger["wears"]["started"].drop_nulls().dt.date()
    first, last = days.min(), days.max()
    return (first, last) if isinstance(first, date) and isinstance(last, date) else None


def note_release(
    archive: Path, made: Audit, first: date, last: date, now: datetime, *, overlapping: bool = False
) -> None:
    """Note that tables are handed out.

    Parameters
    ----------
    archive : Path
    made : Audit
    first, last : date
        What they cover, both days inclusive.
    now : datetime
    overlapping : bool
        Make them although they overlap an earlier release.

    Raises
    ------
    OverlappingRelease
        When they overlap other tables that were handed out; nothing is noted then.
    UnderairError
        When the list cannot be read or written.
    """
    figures = _figures(made)
    with _writing:
        path = archive / FILE_NAME
        try:
            lines = path.read_bytes().splitlines() if path.exists() else []
            earlier = [msgspec.json.decode(line, type=Release) for line in lines]
        except (OSError, msgspec.DecodeError) as error:
            raise UnderairError(f"cannot read {path}, the list of tables handed out: {error}") from None
        if any(one.figures == figures for one in earlier):
            return
        others = [one for one in earlier if one.first <= last and first <= one.last]
        if others and not overlapping:
            newest = max(others, key=lambda one: one.last)
            raise OverlappingRelease(
                f"tables of {newest.first} to {newest.last} were handed out on {newest.made:%Y-%m-%d}; those "
                f"of {first} to {last} overlap them, and the difference of two tables can tell a withheld "
                "count. Choose a period that begins after the last one handed out, or hand out the earlier "
                "tables again"
            )
        line = Release(first=first, last=last, made=now, figures=figures, overlapping=bool(others))
        try:
            with path.open("ab") as file:
                file.write(msgspec.json.encode(line) + b"\n")
                file.flush()
                os.fsync(file.fileno())
        except OSError as error:
            raise UnderairError(f"cannot note in {path} that tables are handed out: {error}") from None


def _figures(made: Audit) -> str:
    text = "".join(f"{name}\n{table.write_ndjson()}" for name, table in sorted(made.tables.items()))
    return hashlib.sha256(text.encode()).hexdigest()[:16]
