"""Which parts can be read: those in the manifest whose bytes did not change since they were sealed.

A process hashes a part when it first reads it, and again when size, time of change or inode of the file
change: hashing takes time, and polars does not check page checksums.
"""

import contextlib
import functools
import os
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from ingest.archive.expected import Expected, Settled, expected_of, part_name, settle, unsettled
from ingest.archive.journal import foreign_segments, journal_folders, segments
from ingest.archive.journal_frames import Damage, SegmentReader, opened
from ingest.archive.manifest import Line
from ingest.archive.mapped_journal import STATE, state_is_damaged
from ingest.archive.mappings import altered_mappings
from ingest.archive.store import ArchivePath, asides, file_sha256, work_folder
from ingest.archive.trouble import ALTERED, DAMAGED, FOREIGN, MANIFEST, MISSING, Fault, Trouble, fault_of_line
from ingest.contract.columns import APART, TABLES
from ingest.plurals import counted

SUFFIX = ".parquet"
QUARANTINE = "quarantine"
CHANGED = "its contents changed after it was written (SHA-256 differs from the manifest)"
_DATE = "date="
_AT_ONCE = min(os.cpu_count() or 1, 4)
_LATELY_S = 5.0
_WRITTEN_WITHIN_S = 0.2
_Print = tuple[int, ...]
Altered = dict[str, tuple[_Print, str]]
_checked: dict[str, tuple[_Print, str]] = {}  # by file: its state when hashed, and its SHA-256

_altered: set[str] = set()
_lately: dict[str, tuple[float, Trouble]] = {}


def archive_of(part: ArchivePath) -> ArchivePath:
    """Return the archive of a part."""
    return part.parent.parent.parent


def below(part: ArchivePath) -> str:
    """Return a part's path below its archive, as the manifest has it."""
    return "/".join(part.parts[-3:])


def aside_folder(folder: ArchivePath) -> Path:
    """Return where a day folder's parts are made: in it, for a store on this machine."""
    return asides(folder.parent.parent) / folder.parent.name / folder.name


def aside_of(part: ArchivePath) -> Path:
    """Return where a part is made: readers pass over its name."""
    return aside_folder(part.parent) / f".{part.name}.tmp"


def sha256_of(part: ArchivePath, *, anew: bool = False) -> str:
    """Return the SHA-256 of a file; remembered while the file stays as it is.

    Raises `FileNotFoundError`.
    """
    print_, key = _print(part), _key(part)
    known = _checked.get(key)
    if anew or known is None or known[0] != print_:
        known = (print_, file_sha256(part))
        _checked[key] = known
    return known[1]


def _hash_side_by_side(parts: list[ArchivePath]) -> None:
    """Hash those that are not known yet, on all cores: hashing releases Python's lock."""
    new = [part for part in parts if (known := _checked.get(_key(part))) is None or known[0] != _print(part)]
    if len(new) > 1:
        with ThreadPoolExecutor(_AT_ONCE) as pool:
            list(pool.map(sha256_of, new))


def altered_here() -> Altered:
    """Return what this process found to be altered, for `remember_altered` in the one that asked for it."""
    return {key: _checked[key] for key in _altered if key in _checked}


def remember_altered(found: Altered) -> None:
    """Remember what another process found to be altered."""
    _checked.update(found)


def _key(part: ArchivePath) -> str:
    return f"{_real(part.parent)}/{part.name}"


@functools.lru_cache(65_536)
def _real(folder: ArchivePath) -> str:
    """Return a folder's real path: workers may use other names for it."""
    return str(folder.resolve())


def _print(part: ArchivePath) -> _Print:
    stat = part.stat()
    return (stat.st_size, stat.st_mtime_ns, stat.st_ctime_ns, stat.st_ino)


def _known_altered(part: ArchivePath, line: Line, *, trusting: bool) -> str:
    """Return what is wrong with a part without reading it; empty if nothing shows.

    `trusting` takes the word of what was read before: a store dates objects by the second, so that one which
    was put right at once looks unchanged.
    """
    try:
        print_ = _print(part)
    except FileNotFoundError:
        return ""
    if line.size and print_[0] != line.size:
        was = f"it has {print_[0]:,} bytes, {line.size:,} were sealed"
        return f"its contents changed after it was written ({was})"
    known = _checked.get(_key(part)) if trusting else None
    return CHANGED if known is not None and known[0] == print_ and known[1] != line.sha256 else ""


class DayFolder:
    """The parts of one kind and day: which can be read, and what is wrong with the others.

    - `there`: its contents by name, if they were just listed.
    - `expected`: what the manifest said a moment ago; it is read again if that does not fit.
    - `hashing`: instead of `sha256_of`, which remembers.
    """

    def __init__(
        self,
        folder: ArchivePath,
        there: dict[str, ArchivePath] | None = None,
        expected: Expected | None = None,
        hashing: Callable[[ArchivePath], str] | None = None,
    ) -> None:
        self.folder = folder
        self._archive = folder.parent.parent
        self._hashing = hashing or sha256_of
        self.name = f"{folder.parent.name}/{folder.name}"
        # Listed first: a part's line is there before the part is.
        self._there = _listed(folder) if there is None else there
        fresh = expected is None
        expected = expected_of(self._archive) if expected is None else expected
        self.latest = expected.latest(self.name)
        self.altered: dict[str, str] = {}
        self._settle()
        if not fresh and (self.settled.foreign or self.settled.missing):
            self._there = _listed(folder)
            self.latest = expected.refresh().latest(self.name)
            self._settle()

    def _settle(self) -> None:
        while True:
            names = {
                f"{self.name}/{name}"
                for name in self._there
                if name.endswith(SUFFIX) and not name.startswith(".")
            }
            self.settled: Settled = settle(self.latest, names - self.altered.keys())
            found = {
                name: why
                for name, line in self.settled.counting.items()
                if (why := _known_altered(self.path(name), line, trusting=self._hashing is sha256_of))
            }
            if not found:
                return
            self.altered |= found  # what it replaced counts again, if it is still there

    def path(self, name: str) -> ArchivePath:
        """Return the file of a part, given its path below the archive."""
        file = name.rpartition("/")[2]
        return self._there.get(file) or self.folder / file

    def parts(self) -> list[ArchivePath]:
        """Return the parts that count (known, and not merged into another), by name; not read yet."""
        return [self.path(name) for name in sorted(self.settled.counting)]

    def sound(self) -> list[ArchivePath]:
        """Return the parts that count and have the SHA-256 that they were sealed with.

        Raises `FileNotFoundError` when one disappears meanwhile.
        """
        while True:
            if self._hashing is sha256_of:
                _hash_side_by_side(self.parts())
            bad = {
                name: CHANGED
                for name, line in self.settled.counting.items()
                if self._hashing(self.path(name)) != line.sha256
            }
            if not bad:
                return self.parts()
            self.altered |= bad
            _altered.update(_key(self.path(name)) for name in bad)
            self._settle()

    def leftovers(self) -> list[str]:
        """Return what is merged into another part and is still there, as paths below the archive."""
        return sorted(
            name
            for name in self.settled.replaced & self.latest.keys()
            if name.rpartition("/")[2] in self._there
        )

    def sealed_of(self, moving: set[str]) -> Counter[str]:
        """Return how many messages of `moving` parts were sealed, without those that a mapping may make."""
        if not moving or self.folder.parent.name in APART:
            return Counter()
        named = ((name.rpartition("/")[2].removesuffix(SUFFIX), line) for name, line in self.latest.items())
        return Counter({stem: line.rows for stem, line in named if stem in moving and not line.mappings})

    def faults(self, moving: set[str]) -> Iterator[Fault]:
        """Yield what is wrong here.

        `moving`: names of parts that are being written, or will be written again.
        """
        for name, why in self.altered.items():
            if name not in self.settled.replaced and Path(name).stem not in moving:
                yield fault_of_line(ALTERED, self.latest[name], why)
        for line in self.settled.missing:
            path = self.path(line.part)
            if line.part in self.altered or path.stem in moving:
                continue
            with contextlib.suppress(FileNotFoundError):
                if file_sha256(aside_of(path)) == line.sha256:
                    continue  # it is being written, or `parts.complete` will put it there
            if path.exists():
                continue
            kept = self._archive / QUARANTINE / line.part
            if kept.exists():
                moved = f"{CHANGED}, and it was moved to `{QUARANTINE}/{line.part}`"
                yield fault_of_line(ALTERED, line, moved)
            else:
                yield fault_of_line(MISSING, line, "it was sealed and is missing")
        for name in self.settled.foreign:
            if name not in self.altered:
                yield Fault(FOREIGN, name, "no line of the manifest names it", name.partition("/")[0])


def _listed(folder: ArchivePath) -> dict[str, ArchivePath]:
    try:
        return {path.name: path for path in folder.iterdir()}
    except FileNotFoundError:
        return {}


def sound_parts(files: Iterable[ArchivePath]) -> list[ArchivePath]:
    """Return those of some parts that can be read, in their order: known to the manifest, and not altered.

    Raises `FileNotFoundError` when one is gone.
    """
    files = list(files)
    _hash_side_by_side(files)
    by_archive: dict[ArchivePath, Expected] = {}
    sound = []
    for file in files:
        archive = archive_of(file)
        if archive not in by_archive:
            by_archive[archive] = expected_of(archive)
        line = _line_of(file, by_archive[archive])
        if line is not None and sha256_of(file) == line.sha256:
            sound.append(file)
        elif line is not None:
            _altered.add(_key(file))
    return sound


def lines_of(parts: Iterable[ArchivePath]) -> list[Line]:
    """Return what the manifest says of parts that it knows."""
    said = (_line_of(part, expected_of(archive_of(part))) for part in parts)
    return [line for line in said if line is not None]


def _line_of(part: ArchivePath, expected: Expected) -> Line | None:
    name = below(part)
    return expected.latest(name.rpartition("/")[0]).get(name)


def day_folders_expected(archive: ArchivePath, expected: Expected) -> list[ArchivePath]:
    """Return the folders of parts that are there, or that the manifest names."""
    there = {
        f"{kind}/{folder.name}"
        for kind in TABLES
        for folder in _listed(archive / kind).values()
        if folder.name.startswith(_DATE)
    }
    known = {name for name in expected.folders() if name.count("/") == 1}
    return [archive / name for name in sorted(there | known)]


def journals(archive: ArchivePath, sealed: Mapping[str, int] | None = None) -> tuple[int, list[Fault]]:
    """Return how many messages are not sealed yet, and what of journals or mappings is damaged."""
    messages, here = 0, work_folder(archive)
    unread = "it was changed after it was given, so the JSON of those sets cannot be read"
    faults = [
        Fault(ALTERED if (here / name).exists() else MISSING, name, unread)
        for name in altered_mappings(archive)
    ]

    def add(what: str, path: Path, statement: str) -> None:
        faults.append(Fault(what, path.relative_to(here).as_posix(), statement))

    for folder in journal_folders(archive):
        for path in foreign_segments(folder):
            add(FOREIGN, path, "no listener gives a journal segment this name")
        if state_is_damaged(folder):
            again = "alarms of mapped sets may be raised again, and their messages numbered anew"
            add(DAMAGED, folder / STATE, again)
        for segment in segments(folder):
            try:
                count, damages, length = _counted(segment)
                if any(damage.torn_tail for damage in damages):
                    time.sleep(_WRITTEN_WITHIN_S)  # perhaps a frame that is being written
                    if segment.stat().st_size != length:
                        count, damages, _ = _counted(segment)
            except FileNotFoundError:
                continue  # sealed meanwhile
            messages += count
            for damage in damages:
                add(DAMAGED, segment, damage.sentence())
            before = (sealed or {}).get(part_name(segment), 0)
            if before > count:
                of = f"{count:,} of the {counted(before, 'message')} that were sealed of it"
                add(DAMAGED, segment, f"it has {of}, which are not read while it is there")
    return messages, faults


def _counted(segment: Path) -> tuple[int, list[Damage], int]:
    """Return how many messages a segment has, what of it is damaged, and its length."""
    count = 0
    damages = []
    with opened(segment) as data:
        for found in SegmentReader().read(data):
            if isinstance(found, Damage):
                damages.append(found)
            else:
                count += len(found)
        return count, damages, data.length


def trouble_of(archive: ArchivePath) -> Trouble:
    """Return what of an archive cannot be read as it was received, as far as is known.

    Missing and foreign parts, changed sizes and damage of the manifest are known at once; changed contents
    only of parts that this process has read.

    `archive`: one that is not there has no trouble.
    """
    if not archive.is_dir():
        return Trouble(str(archive))
    moving = unsettled(archive)  # first: what is sealed while we look has its line before its part
    expected = expected_of(archive)
    faults = [Fault(MANIFEST, where, statement) for where, statement in expected.faults()]
    sealed: Counter[str] = Counter()
    for folder in day_folders_expected(archive, expected):
        day = DayFolder(folder, expected=expected)
        faults += day.faults(moving)
        sealed += day.sealed_of(moving)
    faults += journals(archive, sealed)[1]
    return Trouble(str(archive), tuple(faults))


def trouble_lately(archive: ArchivePath) -> Trouble:
    """Return `trouble_of`, cached for a few seconds, for pages that ask again and again."""
    key, now = str(archive), time.monotonic()
    known = _lately.get(key)
    if known is None or now - known[0] > _LATELY_S:
        known = (now, trouble_of(archive))
        _lately[key] = known
    return known[1]


def check_all(archive: ArchivePath, *, anew: bool = False, stopping: threading.Event | None = None) -> None:
    """Read every part that counts, so that `trouble_of` knows of all that is altered.

    - `archive`: may be missing.
    - `anew`: also those that this process has read: a disk can lose a bit without a change of the file's
      time.
    - `stopping`: set, it ends the search before the next part.
    """
    if not archive.is_dir():
        return
    expected = expected_of(archive)
    for folder in day_folders_expected(archive, expected):
        day = DayFolder(folder, expected=expected)
        for part in day.parts():
            if stopping is not None and stopping.is_set():
                return
            with contextlib.suppress(FileNotFoundError):  # merged meanwhile
                sha256_of(part, anew=anew)
