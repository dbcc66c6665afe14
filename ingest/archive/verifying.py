"""Check an archive against its manifest: what was altered, is missing, or was added."""

import contextlib
import os
import re
import stat
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

from ingest.archive.expected import SEALING, Expected, unsettled
from ingest.archive.imports import FILE, FOLDER, read_imports
from ingest.archive.manifest import DIGESTS, Line, digest_text
from ingest.archive.mappings import changed_files
from ingest.archive.sound import CHANGED, DayFolder, day_folders_expected, journals, sha256_of
from ingest.archive.store import ArchivePath, file_sha256, place, place_of, work_folder
from ingest.archive.trouble import ALTERED, FOREIGN, MANIFEST, MISSING, Fault, fault_of_line
from ingest.contract.errors import ArchiveProblem

_SEALED_WITHIN, _LISTED_WITHIN = timedelta(hours=1), timedelta(minutes=5)
_IMPORTED = re.compile(r".*/import-([0-9a-f]{16})-[^/]*")


@dataclass(frozen=True)
class Verified:
    """What verifying found."""

    parts: int  # that are as they were sealed
    rows: int  # that are as they were sealed
    unsealed: int  # messages in journals, waiting to be sealed
    faults: list[Fault]
    # The hash of each chain's last line. Noted elsewhere, it shows later that no line was cut off the end.
    heads: dict[str, str]


def verify(archive: str | ArchivePath) -> Verified:
    """Compare every part with its line in the manifest.

    Raises `ArchiveProblem` when there is no such archive.
    """
    folder = place(archive)
    if not folder.is_dir():
        raise ArchiveProblem(f"there is no archive {folder}")
    parts = rows = 0
    moving = unsettled(folder)  # first: what is sealed while we look has its line before its part
    expected = Expected(folder).refresh()  # again: what this process read before is no proof
    faults = [Fault(MANIFEST, where, statement) for where, statement in expected.faults(to_the_end=True)]
    made_with: set[str] = set()
    imported: list[Line] = []
    sealed: Counter[str] = Counter()
    for day_folder in day_folders_expected(folder, expected):
        day = DayFolder(day_folder, expected=expected, hashing=partial(sha256_of, anew=True))
        day.sound()
        parts += len(day.settled.counting)
        rows += sum(line.rows for line in day.settled.counting.values())
        faults += day.faults(moving)
        sealed += day.sealed_of(moving)
        # Merged, not deleted yet, and not what was merged.
        faults += [
            fault_of_line(ALTERED, day.latest[name], CHANGED)
            for name in day.leftovers()
            if file_sha256(day.path(name)) != day.latest[name].sha256
        ]
        every = expected.every(day.name)
        for line in (line for lines in every.values() for line in lines):
            faults += _digests_that_do_not_add_up(line, every)
            made_with.update(line.mappings)
        imported += [lines[0] for part, lines in every.items() if _IMPORTED.fullmatch(part)]
        faults += [
            Fault(MANIFEST, lines[-1].part, "two lines of the manifest give it different contents")
            for lines in every.values()
            if lines[-1].restates and len(lines) > 1 and lines[-1].sha256 != lines[-2].sha256
        ]
    unsealed, journal_faults = journals(folder, sealed)
    named = {fault.where for fault in journal_faults}
    faults += [
        Fault(MISSING if gone else ALTERED, where, what)
        for gone, where, what in changed_files(folder, sorted(made_with))
        if where not in named
    ]
    faults += _imports_that_do_not_add_up(folder, imported)
    faults += _seals_that_broke_off(folder)
    faults += odd_entries(folder)
    faults.sort(key=lambda fault: (fault.what != MANIFEST, fault.where))
    return Verified(parts, rows, unsealed, faults + journal_faults, expected.heads())


def _seals_that_broke_off(archive: ArchivePath) -> list[Fault]:
    """On a store: segments whose sealing was interrupted and not continued."""
    late = datetime.now(UTC) - _SEALED_WITHIN
    return [
        Fault(
            "unfinished",
            mark.relative_to(archive).as_posix(),
            f"its sealing began at {datetime.fromtimestamp(mark.stat().st_mtime, UTC):%Y-%m-%d %H:%M} "
            "UTC and has not ended, and its parts are not read: the listener has the rest in its journal, "
            f"start it. If that machine is gone for good, delete {mark}: then what it has is read",
        )
        for mark in place_of(archive).below(archive / SEALING)
        if mark.stat().st_mtime < late.timestamp()
    ]


def _imports_that_do_not_add_up(archive: ArchivePath, imported: list[Line]) -> Iterator[Fault]:
    """Compare the list of imports with their parts, by the first line of each part."""
    rows: Counter[str] = Counter()
    latest: dict[str, datetime] = {}
    for line in imported:
        capture = _IMPORTED.sub(r"\1", line.part)
        rows[capture] += line.rows
        if line.format > 1:  # the versions that wrote form 1 kept no list
            latest[capture] = max(latest.get(capture, line.written), line.written)
    brought = read_imports(archive)[0]
    for one in brought:
        sealed = rows[one.sha256[:16]]
        if sealed < one.kept:  # what was refused may have been there before, and is not stored again
            yield Fault(
                MISSING,
                "manifest/import.ndjson",
                f"it has {sealed:,} messages of {one.file}, and {FOLDER}/{FILE} says {one.kept:,} were kept",
            )
    # An import writes its line last. The list of an archive on a store is on the machine that imported.
    late = datetime.now(UTC) - _LISTED_WITHIN
    for capture in latest.keys() - {one.sha256[:16] for one in brought}:
        if latest[capture] < late and not place_of(archive).is_shared:
            yield Fault(
                MISSING,
                f"{FOLDER}/{FILE}",
                f"it has no capture {capture}, of which {rows[capture]:,} messages were imported: a line was "
                "removed, or the import broke off. Import the capture again",
            )


def _digests_that_do_not_add_up(line: Line, every: dict[str, list[Line]]) -> Iterator[Fault]:
    if not line.replaces or line.restates:  # a line that restates has the same bytes as the line before
        return
    unknown = [name for name in line.replaces if name not in every]
    if unknown:
        yield Fault(MISSING, line.part, f"it replaces {unknown[0]}, which is in no line of the manifest")
        return
    before = 0
    for name in line.replaces:
        # Only lines of this form: other forms' digests cover other columns, and form 1 could reuse a name.
        alike = [each for each in every[name] if each.format == line.format]
        then = [each for each in alike if each.written <= line.written] or alike or every[name]
        before += int(then[-1].rows_digest, 16)
    after = int(line.rows_digest, 16) + int(line.dropped_digest or "0", 16)
    if (before - after) % DIGESTS:
        now, sealed = digest_text(after % DIGESTS), digest_text(before % DIGESTS)
        yield Fault(ALTERED, line.part, f"its rows ({now}) are not those of the parts it replaced ({sealed})")


def odd_entries(archive: ArchivePath) -> list[Fault]:
    """Return links and special files in an archive's folder (on a store: its work folder).

    Their bytes are elsewhere, and can change without a trace here.
    """
    here, found = work_folder(archive), []

    def unreadable(error: OSError) -> None:
        if not isinstance(error, FileNotFoundError | NotADirectoryError):  # else gone in this very moment
            raise error

    for folder, folders, files in os.walk(here, onerror=unreadable):
        for path in (Path(folder, name) for name in (*folders, *files)):
            where = path.relative_to(here).as_posix()
            with contextlib.suppress(FileNotFoundError):  # gone in this very moment
                mode = path.lstat().st_mode
                if stat.S_ISLNK(mode):
                    told = f"it is a symbolic link to {path.readlink()}, which is outside the archive"
                    found.append(Fault(FOREIGN, where, told))
                elif not stat.S_ISREG(mode) and not stat.S_ISDIR(mode):
                    found.append(Fault(FOREIGN, where, "it is a pipe, socket or device, not a file"))
    return found
