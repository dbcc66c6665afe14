"""What was published: a line for each period in the archive's folder, chained, written once and kept.

Cells that are never worked out again cannot differ from those that somebody has, so a release is never
refused. A correction is the exception: only the role admin, or somebody on the machine itself, can make
one; it needs a reason and is a line of its own. Each line carries the SHA-256 of the line before it;
`underair verify` checks the chain.
"""

import fcntl
import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import polars as pl

from analysis.trends.cells import Published
from analysis.trends.publishing import due
from analysis.trends.wear_arrays import FEWEST_PEOPLE
from ingest.archive.chained import hash_of, read_chained, with_own
from ingest.archive.durable import sync_folder
from ingest.archive.sightings import Sighting, note_seen, seen_before
from ingest.contract.errors import UnderairError, system_sentence

FILE_NAME = "releases.ndjson"


class ReleaseLine(msgspec.Struct, frozen=True, kw_only=True):
    """One line; those of underair 0.3 have no `published` and count for the chain only."""

    made: datetime
    published: Published | None = None
    reason: str = ""  # why it replaces an earlier line of the same period; empty for the first
    by: str = ""  # who replaced it, as they said
    before: str = ""  # SHA-256 of the line before
    # SHA-256 of this line without it, for the last line has none behind it; lines of before 0.4 have none.
    own: str = ""


class BadReleases(UnderairError):
    """The list of what was published cannot be read or written, or a change to it makes no sense."""


def publish(
    archive: Path,
    wears: pl.DataFrame,
    now: datetime,
    fewest: int = FEWEST_PEOPLE,
    reason: str = "",
    by: str = "",
) -> dict[str, Published]:
    """Publish every period that is over, and return all that was ever published, by period.

    - `archive`: where the list is: the archive's folder (of one on a store its work folder).
    - `wears`: the ledger's, with `station` and `role`, complete until `now`.
    - `fewest`: people that a group must have.
    - `reason` and `by`: why periods may be published again although lines that this machine wrote are lost,
      and who decided it.

    Raises `BadReleases` when the list cannot be read or written, or lacks such lines without a reason;
    nothing is published then.
    """
    with _list(archive, reason) as (lines, add):
        known = _by_period(lines)
        for one in due(wears, now.date(), known, fewest):
            add(ReleaseLine(made=now, published=one, reason=reason, by=by))
            known[one.period] = one
        return known


def published(archive: Path) -> dict[str, Published]:
    """Return what was published, by period; publishes nothing."""
    path = archive / FILE_NAME
    try:
        return _by_period(_decoded(path.read_bytes())) if path.is_file() else {}
    except (OSError, ValueError) as error:
        raise _cannot(path, error) from None


def replace(
    archive: Path,
    wears: pl.DataFrame,
    period: str,
    reason: str,
    by: str,
    now: datetime,
    fewest: int = FEWEST_PEOPLE,
) -> Published:
    """Publish one period again, from the ledger as it is now.

    Somebody who has the earlier cells can compare the two: that is why this asks for a reason.

    Raises `BadReleases` when the period was never published, or nothing is left to make it of.
    """
    with _list(archive) as (lines, add):
        known: Mapping[str, Published] = _by_period(lines)
        if period not in known:
            raise BadReleases(
                f"{period} was never published; expected one of {', '.join(sorted(known)) or 'none yet'}"
            )
        others = {name: one for name, one in known.items() if name != period}
        made = due(wears, now.date(), others, fewest, again=period)
        new = next((one for one in made if one.period == period), None)
        if new is None:
            raise BadReleases(f"{period} cannot be published again: no wear before its end is in the archive")
        add(ReleaseLine(made=now, published=new, reason=reason, by=by))
        return new


def faults(archive: Path) -> tuple[int, list[str]]:
    """Return how many lines the list has, and what is wrong with its chain; nothing where it is whole."""
    path = archive / FILE_NAME
    if not path.is_file():
        return 0, []
    text = path.read_bytes()
    return len(text.splitlines()), _read(text)[1]


def _read(text: bytes) -> tuple[list[ReleaseLine], list[str]]:
    """Return the lines of the list that can be read, and what is wrong with it."""
    # Those of underair 0.3 know no line before them.
    lines, found, _ = read_chained(
        text, ReleaseLine, FILE_NAME, starts_anew=lambda line: not line.before and line.published is None
    )
    return lines, found


def _by_period(lines: list[ReleaseLine]) -> dict[str, Published]:
    return {line.published.period: line.published for line in lines if line.published is not None}


def _decoded(text: bytes) -> list[ReleaseLine]:
    lines, found = _read(text)
    if found:
        raise ValueError(f"{found[0]}. Restore the file from a backup: published figures must not change")
    return lines


@contextmanager
def _list(
    archive: Path, if_lost: str = ""
) -> Iterator[tuple[list[ReleaseLine], Callable[[ReleaseLine], None]]]:
    """Yield what the list has and what adds to it, alone; what is added is written when all went well."""
    path = archive / FILE_NAME
    try:
        with path.open("a+b") as file:
            fcntl.flock(file, fcntl.LOCK_EX)  # a page and a verb ask one after the other
            file.seek(0)
            text = file.read()
            whole = text.rfind(b"\n") + 1
            if whole < len(text):  # torn by a crash, so it was never handed out
                file.truncate(whole)
            lines = text[:whole].splitlines()
            subject = f"releases {archive.resolve()}"
            _know_all(seen_before(subject), lines, if_lost)
            made: list[bytes] = []

            def add(line: ReleaseLine) -> None:
                last = (made or lines or [b""])[-1]
                made.append(
                    msgspec.json.encode(with_own(msgspec.structs.replace(line, before=hash_of(last))))
                )

            yield _decoded(text[:whole]), add
            if made:
                file.write(b"".join(line + b"\n" for line in made))
                file.flush()
                os.fsync(file.fileno())
                sync_folder(archive)
                note_seen(Sighting(datetime.now(UTC), subject, hash_of(made[-1])))
    except (OSError, ValueError) as error:
        raise _cannot(path, error) from None


def _know_all(seen: list[Sighting], lines: list[bytes], if_lost: str) -> None:
    """Raise `ValueError` when a line that this machine wrote is lost and nobody said why, or the reverse."""
    there = {hash_of(line) for line in lines}
    lost = next((look for look in seen if look.head not in there), None)
    if if_lost and lost is None:
        raise ValueError("the list is complete; give a reason only with --replace, or if the list was lost")
    if (
        lost is not None
        and not if_lost
        and not any(look.at > lost.at and look.head in there for look in seen)
    ):
        raise ValueError(
            f"this machine published on {lost.at:%Y-%m-%d %H:%M:%S} UTC, and that line (SHA-256 {lost.head}) "
            "is missing. Restore the file from a backup: what is published again can be compared with what "
            "was handed out, and the difference may be one person. If there is no backup: underair audit "
            "--reason TEXT"
        )


def _cannot(path: Path, error: Exception) -> BadReleases:
    why = system_sentence(error) if isinstance(error, OSError) else str(error)
    return BadReleases(f"cannot use {path}, the list of what was published: {why}")
