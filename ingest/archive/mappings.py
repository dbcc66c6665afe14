"""Mappings of an archive, each version kept for good. Light: the listener imports this.

``ARCHIVE/mappings/NAME-VERSION.toml``; the highest version of each name is in force. What an earlier one read
stays as it was: to read it again, import the archive's originals into a new archive with the new mapping.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator
from pathlib import Path

from ingest.archive.store import StorePath, work_folder
from ingest.contract.errors import ArchiveProblem, BadSettings
from ingest.mapping.rules import LARGEST_FILE_BYTES, Mapping, read_mapping

_FILE = re.compile(r"([A-Za-z0-9._-]{1,40})-([1-9][0-9]*)\.toml")


def mappings_folder(archive: Path) -> Path:
    """Return where an archive keeps its mappings; on a store, this machine's work folder."""
    return work_folder(archive) / "mappings"


def mappings_of(archive: Path) -> list[Mapping]:
    """Return the mappings in force, by name.

    Raises
    ------
    BadSettings, ArchiveProblem
        When one cannot be read.
    """
    newest: dict[str, tuple[int, Path]] = {}
    try:
        paths = sorted(mappings_folder(archive).iterdir())
    except (FileNotFoundError, NotADirectoryError):
        return []
    for path in paths:
        named = _FILE.fullmatch(path.name)
        if named and int(named[2]) > newest.get(named[1], (0, path))[0]:
            newest[named[1]] = int(named[2]), path
    return [read_mapping(_bytes_of(path), str(path)) for _, path in newest.values()]


def keep_mapping(archive: Path, source: Path) -> Mapping:
    """Put a mapping into an archive, in force from then on.

    Raises
    ------
    BadSettings
        When it cannot be read, or another one of the same name and version is there.
    """
    raw = _bytes_of(source)
    mapping = read_mapping(raw, str(source))
    folder = mappings_folder(archive)
    kept = folder / f"{mapping.name}-{mapping.version}.toml"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        try:
            with kept.open("xb") as file:
                file.write(raw)
        except FileExistsError:
            if kept.read_bytes() != raw:
                raise BadSettings(
                    f"mapping {source}: the archive has another {mapping.origin}; raise its version to "
                    f"{mapping.version + 1}"
                ) from None
    except OSError as error:
        raise ArchiveProblem(f"the mapping cannot be kept in {folder}: {error.strerror}") from error
    return mapping


def file_of(archive: Path, origin: str) -> str:
    """Return a mapping file of an archive as the manifest names it: ``NAME/VERSION sha256:DIGEST``."""
    path = mappings_folder(archive) / f"{origin.replace('/', '-')}.toml"
    return f"{origin} sha256:{hashlib.sha256(_bytes_of(path)).hexdigest()}"


def changed_files(archive: Path, named: Iterable[str]) -> Iterator[tuple[bool, str, str]]:
    """Yield each mapping file that is not what the manifest names: is it gone, its place, what is wrong.

    On a store only those that this machine has: its listener's or import's are kept beside the journal.
    """
    for each in named:
        origin, _, digest = each.partition(" sha256:")
        path = mappings_folder(archive) / f"{origin.replace('/', '-')}.toml"
        try:
            now = hashlib.sha256(path.read_bytes()).hexdigest()
        except OSError:
            if not isinstance(archive, StorePath):
                yield (
                    True,
                    f"mappings/{path.name}",
                    "it is missing; messages were made with it",
                )
            continue
        if now != digest:
            said = f"it changed after messages were made with it (SHA-256 was {digest[:16]}…, is {now[:16]}…)"
            yield False, f"mappings/{path.name}", said


def may_hold_mapped(archive: Path) -> bool:
    """Return whether messages of an archive may have been made by a mapping."""
    return (archive / "originals").is_dir() or mappings_folder(archive).is_dir()


def filters_of(archive: Path) -> list[str]:
    """Return the topic filters of an archive's mappings, each once."""
    return list(dict.fromkeys(source.filter for mapping in mappings_of(archive) for source in mapping.source))


def _bytes_of(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(LARGEST_FILE_BYTES + 1)
    except OSError as error:
        raise BadSettings(f"mapping {path} cannot be read: {error.strerror}") from error
