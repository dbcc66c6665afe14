"""What the manifest says must be there: of each folder of parts, which count, which are missing or foreign.

A process reads each chain once, and then only what is added. It remembers where a line is, not the line: an
archive of years has more lines than parts.
"""

from __future__ import annotations

import hashlib
import os
import re
import threading
from array import array
from collections import OrderedDict
from collections.abc import Collection
from dataclasses import dataclass, field
from pathlib import Path

import msgspec

from ingest.archive import store_chains
from ingest.archive.chained import NOTHING_BEFORE
from ingest.archive.folder import require_known
from ingest.archive.journal import journal_folders, segments
from ingest.archive.manifest import HASH_LENGTH, SUFFIX, Line, decode_line
from ingest.archive.store import ArchivePath, local, place_of

SEALING = "sealing"
_PART = b'"part":"'
_BEFORE = b',"before":"%s",'
_BEFORE_LENGTH = len(_BEFORE) - 2 + 64
_IS_BEFORE = re.compile(rb'"before":"([0-9a-f]{64})"')
_COMPACTING = ("tidy", "retention")
_FOLDERS_KEPT = 4096
_BLOCK = 1 << 23
_LONGEST_LINE = 1 << 24


def part_name(segment: Path) -> str:
    """Return the name of the parts of a journal segment: listener and segment."""
    return f"{segment.parent.name}-{segment.stem}"


def unsettled(archive: ArchivePath) -> set[str]:
    """Return the names of parts that will be written again, because their segments are still in a journal.

    On a store, marks say so for the journals of other machines.
    """
    names = {part_name(path) for folder in journal_folders(archive) for path in segments(folder)}
    return names | being_sealed(archive)


def being_sealed(archive: ArchivePath) -> set[str]:
    """Return the names of parts that are being uploaded: they count when all of them are there."""
    return {mark.name for mark in place_of(archive).below(archive / SEALING)}


@dataclass(frozen=True)
class Settled:
    """What counts among the parts of one folder, or of an archive. All names are paths below the archive."""

    counting: dict[str, Line]  # on the disk, and not merged into another
    replaced: set[str]  # merged into another that is there
    missing: list[Line]  # neither there nor merged; a merged part, not what it replaced
    foreign: list[str]  # on the disk, and in no line


def settle(latest: dict[str, Line], on_disk: Collection[str]) -> Settled:
    """Compare the last line of each part with what is there.

    `on_disk`: without parts that are known to be altered: what those replaced counts, if it is still there.
    """
    replaced = _replaced(latest, on_disk)
    there = replaced | set(on_disk)
    gone = [
        line
        for line in latest.values()
        # But not if a merge was killed after its line: all that it would have replaced is still there.
        if line.part not in there and not (line.replaces and there.issuperset(line.replaces))
    ]
    lost = {name for line in gone for name in line.replaces}
    return Settled(
        {name: line for name, line in latest.items() if name in on_disk and name not in replaced},
        replaced,
        sorted((line for line in gone if line.part not in lost), key=lambda line: line.part),
        sorted(set(on_disk) - latest.keys()),
    )


def _replaced(latest: dict[str, Line], on_disk: Collection[str]) -> set[str]:
    """Return the parts that were merged into a part that is there, or was merged itself."""
    replaced: set[str] = set()
    while True:
        valid = [line for line in latest.values() if line.part in on_disk or line.part in replaced]
        # In form 1 another part could get the name of a merged one.
        more = {
            name
            for line in valid
            for name in line.replaces
            if name not in on_disk or name not in latest or latest[name].written <= line.written
        } - replaced
        if not more:
            return replaced
        replaced |= more


@dataclass(eq=False)
class _Chain:
    writer: str
    path: ArchivePath
    known: tuple[int, ...] = ()
    end: int = 0
    lines: int = 0
    first: str = ""  # hash of the first line
    before: str = NOTHING_BEFORE
    last: tuple[int, int] = (0, 0)  # where the last line begins and ends
    faults: list[str] = field(default_factory=list)
    text: bytes = b""  # of a chain on a store only
    objects: list[tuple[str, int, int]] = field(default_factory=list)  # likewise: name, size, time of change
    folders: dict[str, array[int]] = field(default_factory=dict)  # of each: where its lines begin and end
    doubtful: tuple[int, int, str] | None = None  # the last line, if its own hash does not fit it

    def add(self, start: int, data: bytes) -> None:
        """Read the lines from `start` on; a last line without an end is read later."""
        at = 0
        while (end := data.find(b"\n", at)) >= 0:
            self._line(data[at:end], start + at)
            at = end + 1
        self.end = start + at

    def _line(self, text: bytes, at: int) -> None:
        self.lines += 1
        own = hashlib.sha256(text[:-HASH_LENGTH]).hexdigest()
        before = text[-HASH_LENGTH - _BEFORE_LENGTH + 1 : -HASH_LENGTH + 1]
        follows = before == _BEFORE % self.before.encode()
        if self.doubtful is not None:
            if follows:  # only what the line says of itself was altered: the next line vouches for the rest
                self._remember(*self.doubtful)
            self.doubtful = None
        if not follows:
            self.faults.append(
                f"line {self.lines} does not follow from the one before: altered, or one removed"
            )
        name_at = text.find(_PART) + len(_PART)
        name = text[name_at : text.find(b'"', name_at)].decode(errors="replace")
        require_known(text, self.path.parent.parent)
        if name_at < len(_PART) or not text.endswith(b',"hash":"%s"}' % own.encode()):
            self.faults.append(f"line {self.lines} was altered: its hash differs")
            self.doubtful = (at, at + len(text), name)
        else:
            self._remember(at, at + len(text), name)
        self.first = self.first or own
        self.before, self.last = own, (at, at + len(text))

    def ends_as_before(self) -> bool:
        """Return whether the last line that was read is still there, so that the chain has only grown."""
        start, end = self.last
        with local(self.path).open("rb") as file:
            text = os.pread(file.fileno(), end + 1 - start, start)
        return end == 0 or (
            text[-1:] == b"\n" and hashlib.sha256(text[: -HASH_LENGTH - 1]).hexdigest() == self.before
        )

    def _remember(self, start: int, end: int, name: str) -> None:
        self.folders.setdefault(name.rpartition("/")[0], array("Q")).extend((start, end))

    def said_of(self, folder: str, since: int = 0) -> list[Line]:
        """Return the lines about parts of a folder, in their order, without the places `since` knows."""
        places = self.folders.get(folder, array("Q"))[since:]
        if not places:
            return []
        pairs = list(zip(places[::2], places[1::2], strict=True))
        if self.text:
            texts = [self.text[start:end] for start, end in pairs]
        else:
            with local(self.path).open("rb") as file:
                texts = [os.pread(file.fileno(), end - start, start) for start, end in pairs]
        found = []
        for text in texts:
            try:
                found.append(decode_line(text))
            except (msgspec.MsgspecError, UnicodeDecodeError):
                continue  # the file was exchanged while we read: said when it is read again
        return found


class Expected:
    """What the manifest of one archive says, renewed by `refresh`."""

    def __init__(self, archive: ArchivePath) -> None:
        self._archive = archive
        self._chains: dict[str, _Chain] = {}
        self._decoded: OrderedDict[str, tuple[list[tuple[_Chain, int]], dict[str, Line]]] = OrderedDict()
        self._objects: dict[str, bytes] = {}  # of a store: single lines, which are never written again
        self._lock = threading.Lock()

    def refresh(self) -> Expected:
        """Read what the chains have grown by, and return itself.

        Raises `ArchiveProblem` when a newer underair wrote a line.
        """
        folder = self._archive / "manifest"
        with self._lock:
            if place_of(folder).is_shared:
                self._refresh_from_store(folder)
                return self
            found = {path.name.removesuffix(SUFFIX): path for path in local(folder).glob(f"*{SUFFIX}")}
            self._chains = {
                writer: self._renewed(self._chains.get(writer) or _Chain(writer, found[writer]))
                for writer in sorted(found, key=_compacting_last)
            }
        return self

    def _refresh_from_store(self, folder: ArchivePath) -> None:
        listed: dict[str, list[tuple[str, int, int]]] = {}
        for path in place_of(folder).below(folder):
            name = str(path).removeprefix(f"{folder}/")
            if not name.endswith(store_chains.OWNER):
                stat = path.stat()
                writer = name.partition("/")[0].removesuffix(SUFFIX)
                listed.setdefault(writer, []).append((name, stat.st_size, stat.st_mtime_ns))
        found: dict[str, _Chain] = {}
        for writer in sorted(listed, key=_compacting_last):
            objects, before = sorted(listed[writer]), self._chains.get(writer)
            if before is None or before.objects != objects:
                path = folder / f"{writer}{SUFFIX}"
                text = store_chains.read(path, self._objects)
                if before is None or before.text != text:
                    before = _Chain(writer, path, text=text)
                    before.add(0, text)
                before.objects = objects
                before.known = (len(text),)
            found[writer] = before
        self._chains = found

    def _renewed(self, chain: _Chain) -> _Chain:
        path = chain.path
        try:
            stat = path.stat()
        except FileNotFoundError:
            return _Chain(chain.writer, path)
        known = (stat.st_size, stat.st_ino, stat.st_mtime_ns, stat.st_ctime_ns)
        if known == chain.known:
            return chain
        grown = bool(chain.known) and stat.st_ino == chain.known[1] and stat.st_size > chain.known[0]
        if not grown or not chain.ends_as_before():
            chain = _Chain(chain.writer, path)
        with local(path).open("rb") as file:
            file.seek(chain.end)
            rest = b""
            while block := file.read(_BLOCK):
                start = chain.end
                rest += block
                chain.add(start, rest)
                rest = rest[chain.end - start :]
                if len(rest) > _LONGEST_LINE:
                    chain.faults.append(f"line {chain.lines + 1} has no end within {_LONGEST_LINE:,} bytes")
                    break
        chain.known = known
        return chain

    def faults(self, *, to_the_end: bool = False) -> list[tuple[str, str]]:
        """Return the faults of the chains themselves: file below the archive, and statement.

        `to_the_end`: also name a last line without an end; a line that is being written has none either.
        """
        with self._lock:
            found = []
            for _, chain in sorted(self._chains.items()):
                where = chain.path.relative_to(self._archive).as_posix()
                found += [(where, fault) for fault in chain.faults]
                # Of two chains that begin with the same line, the later name is the copy.
                others = [other for other in self._chains.values() if other.writer < chain.writer]
                twin = next((other for other in others if other.first and other.first == chain.first), None)
                if twin is not None:
                    found.append((where, f"it begins as `{twin.path.name}` does: one is a copy of the other"))
                if to_the_end and chain.known and chain.end < chain.known[0]:
                    found.append((where, f"line {chain.lines + 1} has no end: torn, or altered"))
            return found

    def heads(self) -> dict[str, str]:
        """Return the hash of each chain's last line, by writer."""
        with self._lock:
            return {writer: chain.before for writer, chain in sorted(self._chains.items())}

    def lines(self) -> dict[str, int]:
        """Return how many lines each chain has, by writer."""
        with self._lock:
            return {writer: chain.lines for writer, chain in sorted(self._chains.items())}

    def every_head(self) -> set[str]:
        """Return every hash that is or once was the head of a chain."""
        with self._lock:
            texts = [chain.text or chain.path.read_bytes() for chain in self._chains.values()]
            found = {chain.before for chain in self._chains.values()}
        return found | {each.decode() for text in texts for each in _IS_BEFORE.findall(text)}

    def folders(self) -> set[str]:
        """Return the folders that any line names, as paths below the archive."""
        with self._lock:
            return {folder for chain in self._chains.values() for folder in chain.folders}

    def lines_about(self) -> dict[str, tuple[tuple[str, int], ...]]:
        """Return for each folder how many places each chain (by its first line's hash) has for it."""
        found: dict[str, tuple[tuple[str, int], ...]] = {}
        with self._lock:
            for chain in self._chains.values():
                for folder, places in chain.folders.items():
                    found[folder] = (*found.get(folder, ()), (chain.first, len(places)))
        return found

    def every(self, folder: str) -> dict[str, list[Line]]:
        """Return all lines about each part of a folder, in their order."""
        found: dict[str, list[Line]] = {}
        with self._lock:
            for chain in self._chains.values():
                for line in chain.said_of(folder):
                    found.setdefault(line.part, []).append(line)
        return found

    def latest(self, folder: str) -> dict[str, Line]:
        """Return the last line of each part of a folder, by its path below the archive."""
        with self._lock:
            chains = [chain for chain in self._chains.values() if folder in chain.folders]
            state = [(chain, len(chain.folders[folder])) for chain in chains]
            before, latest = self._decoded.get(folder, ([], {}))
            if before == state:
                return latest
            # Reading continues a chain that only grew; a chain that was rewritten is another object.
            read = dict(before) if [chain for chain, _ in before] == chains[: len(before)] else {}
            latest = dict(latest) if read else {}
            for chain in chains:
                latest |= {line.part: line for line in chain.said_of(folder, read.get(chain, 0))}
            self._decoded[folder] = (state, latest)
            self._decoded.move_to_end(folder)
            while len(self._decoded) > _FOLDERS_KEPT:
                self._decoded.popitem(last=False)
            return latest


def _compacting_last(writer: str) -> tuple[bool, str]:
    """Order chains so that what compacting says of a part comes after what its writer said."""
    return writer in _COMPACTING, writer


_known: dict[str, Expected] = {}
_known_lock = threading.Lock()


def expected_of(archive: ArchivePath) -> Expected:
    """Return what an archive's manifest says now."""
    key = str(archive.absolute())
    with _known_lock:
        expected = _known.setdefault(key, Expected(archive))
    return expected.refresh()
