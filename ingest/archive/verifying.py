"""Checking an archive against its manifest: what was altered, is missing, or was added."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from ingest.archive.archive import SEALING, unsettled
from ingest.archive.journal import journal_folders, read_frames, segments
from ingest.archive.manifest import Line, chains, digest_text, file_sha256, read_chain
from ingest.archive.parts import MERGED, SUFFIX, day_folders, read_merged
from ingest.archive.store import StorePath, place, work_folder
from ingest.contract.columns import TABLES
from ingest.contract.errors import ArchiveProblem
from ingest.plurals import counted

_SEALED_WITHIN = timedelta(hours=1)


@dataclass(frozen=True)
class Fault:
    """One thing that is not as it was sealed.

    Attributes
    ----------
    what : str
        ``altered``, ``missing``, ``added``, ``truncated``, ``damaged`` or ``unfinished``.
    where : str
        The file, below the archive.
    statement : str
    """

    what: str
    where: str
    statement: str

    def __str__(self) -> str:
        return f"{self.what}: {self.where}: {self.statement}"


@dataclass(frozen=True)
class Verified:
    """What verifying found.

    Attributes
    ----------
    parts, rows : int
        That are as they were sealed.
    unsealed : int
        Messages in journals, waiting to be sealed.
    faults : list of Fault
    heads : dict of str to str
        The hash of each chain's last line. Noted elsewhere, it shows later that no line was cut off the end.
    """

    parts: int
    rows: int
    unsealed: int
    faults: list[Fault]
    heads: dict[str, str]


def verify(archive: str | Path) -> Verified:
    """Compare every part with its line in the manifest.

    Raises
    ------
    ArchiveProblem
        When there is no such archive.
    """
    folder = place(archive)
    if not folder.is_dir():
        raise ArchiveProblem(f"there is no archive {folder}")
    faults: list[Fault] = []
    heads: dict[str, str] = {}
    latest: dict[str, Line] = {}
    every: dict[str, list[Line]] = {}
    moving = unsettled(folder)  # first: what is sealed while we look has its line before its part
    for writer, path in chains(folder):
        lines, chain_faults, heads[writer] = read_chain(path)
        where = path.relative_to(folder).as_posix()
        faults += [Fault("altered", where, fault) for fault in chain_faults]
        for line in lines:
            latest[line.part] = line
            every.setdefault(line.part, []).append(line)
    on_disk = {
        path.relative_to(folder).as_posix()
        for kind in TABLES
        for day_folder in day_folders(folder, kind)
        for path in day_folder.iterdir()
        if path.name.endswith(SUFFIX) and not path.name.startswith(".")
    }
    replaced = _replaced(latest, on_disk)
    parts = rows = 0
    lost: set[str] = set()  # what only a merged part held that is gone: that one is named, not all of these
    for line in latest.values():
        if line.part not in on_disk | replaced and not _merge_never_done(line, on_disk | replaced):
            lost.update(line.replaces)
    replaced |= lost - on_disk
    for name, line in sorted(latest.items()):
        faults += _digests_that_do_not_add_up(line, every)
        if name in on_disk:
            fault = _compare(folder / name, name, line)
            if fault is not None:
                faults.append(fault)
            elif name not in replaced:
                parts += 1
                rows += line.rows
        elif (
            name not in replaced
            and Path(name).stem not in moving
            and not _merge_never_done(line, (on_disk | replaced) - lost)
        ):
            faults.append(Fault("missing", name, f"sealed with {counted(line.rows, 'row')}, and not there"))
    faults += [Fault("added", name, "in no line of the manifest") for name in sorted(on_disk - latest.keys())]
    faults += _notes_that_cannot_be_read(folder)
    faults += _seals_that_broke_off(folder)
    unsealed, journal_faults = _journals(folder)
    return Verified(parts, rows, unsealed, faults + journal_faults, heads)


def _notes_that_cannot_be_read(archive: Path) -> list[Fault]:
    faults = []
    for day_folder in (each for kind in TABLES for each in day_folders(archive, kind)):
        try:
            read_merged(day_folder)
        except FileNotFoundError:
            continue
        except ArchiveProblem as problem:
            where = (day_folder / MERGED).relative_to(archive).as_posix()
            faults.append(Fault("damaged", where, str(problem)))
    return faults


def _seals_that_broke_off(archive: Path) -> list[Fault]:
    """On a store: segments of which some parts are there, and whose listener is not back for the rest."""
    if not isinstance(archive, StorePath):
        return []
    late = datetime.now(UTC) - _SEALED_WITHIN
    return [
        Fault(
            "unfinished",
            mark.relative_to(archive).as_posix(),
            f"its sealing began at {datetime.fromtimestamp(mark.stat().st_mtime, UTC):%Y-%m-%d %H:%M} "
            "UTC and has not ended, and its parts are not read: the listener has the rest in its journal, "
            f"start it. If that machine is gone for good, delete {mark}: what did come is read then",
        )
        for mark in StorePath(f"{archive}/{SEALING}").below()
        if mark.stat().st_mtime < late.timestamp()
    ]


def _replaced(latest: dict[str, Line], on_disk: set[str]) -> set[str]:
    """Return the parts that stand merged in another, which is there or was itself merged on."""
    replaced: set[str] = set()
    while True:
        valid = [line for line in latest.values() if line.part in on_disk or line.part in replaced]
        # A name may be free again after a merge, and another part be sealed under it: that one counts.
        more = {
            name
            for line in valid
            for name in line.replaces
            if name not in on_disk or latest[name].written <= line.written
        } - replaced
        if not more:
            return replaced
        replaced |= more


def _merge_never_done(line: Line, accounted_for: set[str]) -> bool:
    """Return whether a merge was announced and killed: what it would have replaced is all still there."""
    return bool(line.replaces) and accounted_for.issuperset(line.replaces)


def _compare(path: Path, name: str, line: Line) -> Fault | None:
    if file_sha256(path) == line.sha256:
        return None
    try:
        with path.opened() if isinstance(path, StorePath) else path.open("rb") as file:
            rows = pq.read_metadata(file).num_rows
    except (pa.ArrowInvalid, OSError):
        return Fault("truncated", name, "its footer cannot be read: cut off, or altered at the end")
    if rows != line.rows:
        return Fault("altered", name, f"holds {counted(rows, 'row')}, was sealed with {line.rows}")
    return Fault("altered", name, "its bytes are not those that were sealed")


def _digests_that_do_not_add_up(line: Line, every: dict[str, list[Line]]) -> list[Fault]:
    """Check that a merged part holds what it replaced, less the duplicates that its line names."""
    if not line.replaces:
        return []
    unknown = [name for name in line.replaces if name not in every]
    if unknown:
        return [Fault("missing", line.part, f"replaces {unknown[0]}, which is in no line of the manifest")]
    then = [[each for each in every[name] if each.written <= line.written] for name in line.replaces]
    before = sum(
        int((lines or every[name])[-1].rows_digest, 16)
        for name, lines in zip(line.replaces, then, strict=True)
    )
    after = int(line.rows_digest, 16) + int(line.dropped_digest or "0", 16)
    mask = (1 << 4 * len(line.rows_digest)) - 1
    if before & mask == after & mask:
        return []
    return [
        Fault(
            "altered",
            line.part,
            f"its rows ({digest_text(after & mask)}) are not those of the parts it replaced "
            f"({digest_text(before & mask)})",
        )
    ]


def _journals(archive: Path) -> tuple[int, list[Fault]]:
    messages = 0
    faults = []
    for folder in journal_folders(archive):
        for segment in segments(folder):
            frames = read_frames(segment.read_bytes())
            messages += len(frames.records)
            faults += [
                Fault(
                    "damaged",
                    segment.relative_to(work_folder(archive)).as_posix(),
                    damage.sentence(),
                )
                for damage in frames.damages
            ]
    return messages, faults
