"""What was handed out: a line for each release of tables or of a summary, kept in the archive's folder.

Small counts are withheld within one release. Two releases over periods that overlap are not safe together:
their difference is the table of a shorter period, in which a withheld count may stand. A release that
overlaps an earlier one is therefore refused, unless its figures are the very same or somebody says that it
shall be made all the same; that is then noted too, and said on what is made. A summary is cut from the same
tables and counts as they do: its months, tasks and rests beside an export of another day would tell as much.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import IO

import msgspec
import polars as pl

from analysis.trends.audit import Audit
from analysis.trends.ledger import Ledger
from ingest.archive.store import sync_folder
from ingest.contract.errors import UnderairError, system_sentence

FILE_NAME = "releases.ndjson"


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


@contextmanager
def release(
    archive: Path, made: Audit, first: date, last: date, now: datetime, *, overlapping: bool = False
) -> Iterator[bool]:
    """Note that tables are handed out, when what is made ready meanwhile is ready; not when that fails.

    Parameters
    ----------
    archive : Path
    made : Audit
    first, last : date
        What they cover, both days inclusive.
    now : datetime
    overlapping : bool
        Make them although they overlap an earlier release.

    Yields
    ------
    bool
        Whether these figures overlap others that were handed out before them: not to leave the service.

    Raises
    ------
    OverlappingRelease
        When they overlap other tables that were handed out; nothing is noted then.
    UnderairError
        When the list cannot be read or written.
    """
    figures, path = _figures(made), archive / FILE_NAME
    with ExitStack() as held:
        with _noting(path):
            file = held.enter_context(path.open("a+b"))
            fcntl.flock(file, fcntl.LOCK_EX)  # the page and a verb, or two verbs, ask one after the other
            earlier = _read(file)
        same = next((one for one in earlier if one.figures == figures), None)
        if same is not None:
            yield same.overlapping
            return
        others = [one for one in earlier if one.first <= last and first <= one.last]
        if others and not overlapping:
            raise OverlappingRelease(_why_not(max(others, key=lambda one: one.last), first, last))
        yield bool(others)
        line = Release(first=first, last=last, made=now, figures=figures, overlapping=bool(others))
        with _noting(path):
            file.write(msgspec.json.encode(line) + b"\n")
            file.flush()
            os.fsync(file.fileno())
            sync_folder(archive)


@contextmanager
def _noting(path: Path) -> Iterator[None]:
    try:
        yield
    except (OSError, msgspec.DecodeError) as error:
        why = system_sentence(error) if isinstance(error, OSError) else str(error)
        raise UnderairError(f"cannot note in {path} that tables are handed out: {why}") from None


def _read(file: IO[bytes]) -> list[Release]:
    """Read the list; a last line without its end goes, for what it was to note was never handed out."""
    file.seek(0)
    text = file.read()
    whole = text.rfind(b"\n") + 1
    if whole < len(text):
        file.truncate(whole)
    return [msgspec.json.decode(line, type=Release) for line in text[:whole].splitlines()]


def _why_not(newest: Release, first: date, last: date) -> str:
    return (
        f"tables of {newest.first} to {newest.last} were handed out on {newest.made:%Y-%m-%d}; those "
        f"of {first} to {last} overlap them, and the difference of two tables can tell a withheld "
        "count. Choose a period that begins after the last one handed out, or hand out the earlier "
        "tables again"
    )


def _figures(made: Audit) -> str:
    text = "".join(f"{name}\n{table.write_ndjson()}" for name, table in sorted(made.tables.items()))
    return hashlib.sha256(text.encode()).hexdigest()[:16]
