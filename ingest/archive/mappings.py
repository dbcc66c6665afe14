"""Mappings of an archive, each version kept for good. Light: the listener imports this.

``ARCHIVE/mappings/NAME-VERSION.toml``; the highest version of each name is in force. What an earlier one read
stays as it was: to read it again, import the archive's originals into a new archive with the new mapping.
`sha256.json` beside them says which must be there, and their SHA-256 (FIPS 180-4). One that is not in it was
put there by hand, and is taken as it is.
"""

import hashlib
import re
from collections.abc import Iterable, Iterator
from pathlib import Path

import msgspec

from ingest.archive.durable import make_folder, with_sha256, without_sha256, write_durably
from ingest.archive.store import ArchivePath, place_of, work_folder
from ingest.contract.errors import ArchiveProblem, BadSettings
from ingest.mapping.rules import Mapping, bytes_of, read_mapping

DIGESTS = "sha256.json"
_FILE = re.compile(r"([A-Za-z0-9._-]{1,40})-([1-9][0-9]*)\.toml")


def mappings_folder(archive: ArchivePath) -> Path:
    """Return where an archive keeps its mappings; on a store, this machine's work folder."""
    return work_folder(archive) / "mappings"


def mappings_of(archive: ArchivePath, *, only_sound: bool = False) -> list[Mapping]:
    """Return the mappings in force, by name.

    `only_sound`: leave out those that were altered, for readers: a desk must see the other sets, and
    `altered_mappings` is reported. Sealing must wait instead.

    Raises `BadSettings` or `ArchiveProblem` when one cannot be read.
    """
    altered = altered_mappings(archive)
    if altered and not only_sound:
        raise BadSettings(
            f"{altered[0]} was changed or is missing (its SHA-256 differs): give the same "
            "file to `underair listen --mapping` again, or restore it from a backup"
        )
    folder = mappings_folder(archive)
    newest: dict[str, tuple[int, Path]] = {}
    try:
        names = {path.name for path in folder.iterdir()} | {name.partition("/")[2] for name in altered}
    except (FileNotFoundError, NotADirectoryError):
        return []
    for file in sorted(names):
        named = _FILE.fullmatch(file)
        if named and int(named[2]) > newest.get(named[1], (0, folder))[0]:
            newest[named[1]] = int(named[2]), folder / file
    return [
        read_mapping(bytes_of(path), str(path))
        for _, path in newest.values()
        if f"{folder.name}/{path.name}" not in altered
    ]


def altered_mappings(archive: ArchivePath) -> list[str]:
    """Return mapping files that were changed or are missing, as paths below the archive's work folder."""
    folder = mappings_folder(archive)
    try:
        known = _digests(folder)
    except ValueError:
        return [f"{folder.name}/{DIGESTS}"]
    return [
        f"{folder.name}/{file}"
        for file, digest in sorted(known.items())
        if _FILE.fullmatch(file)
        and (not (folder / file).is_file() or _sha256(bytes_of(folder / file)) != digest)
    ]


def keep_mapping(archive: ArchivePath, source: Path) -> Mapping:
    """Put a mapping into an archive, in force from then on.

    Raises `BadSettings` when it cannot be read, another one of the same name and version is there, or one of
    another name reads the same topics: an object belongs to one mapping.
    """
    raw = bytes_of(source)
    mapping = read_mapping(raw, str(source))
    for other in mappings_of(archive, only_sound=True):
        for one in mapping.source if other.name != mapping.name else ():
            if any(one.meets(theirs) for theirs in other.source):
                raise BadSettings(
                    f"mapping {source}: {other.origin} of this archive already reads the topic "
                    f"{one.topic!r}; put all its sources into one mapping, {other.name} with a higher version"
                )
    folder = mappings_folder(archive)
    kept = folder / f"{mapping.name}-{mapping.version}.toml"
    try:
        make_folder(folder)
        try:
            known = _digests(folder)
        except ValueError:  # damaged: begun again with what is there
            known = {path.name: _sha256(bytes_of(path)) for path in folder.glob("*.toml")}
        there = bytes_of(kept) if kept.exists() else None
        # Altered on the disk and given again, it is put right.
        if there is not None and there != raw and known.get(kept.name) != _sha256(raw):
            raise BadSettings(
                f"mapping {source}: the archive has another {mapping.origin}; raise its version to "
                f"{mapping.version + 1}"
            )
        if there != raw:
            write_durably(kept, raw)
        if known.get(kept.name) != _sha256(raw):
            made = msgspec.json.encode({**known, kept.name: _sha256(raw)})
            write_durably(folder / DIGESTS, with_sha256(made))
    except OSError as error:
        raise ArchiveProblem(f"the mapping cannot be kept in {folder}: {error.strerror}") from error
    return mapping


def file_of(archive: ArchivePath, origin: str) -> str:
    """Return a mapping file of an archive as the manifest names it: ``NAME/VERSION sha256:DIGEST``."""
    path = mappings_folder(archive) / f"{origin.replace('/', '-')}.toml"
    return f"{origin} sha256:{_sha256(bytes_of(path))}"


def changed_files(archive: ArchivePath, named: Iterable[str]) -> Iterator[tuple[bool, str, str]]:
    """Yield each mapping file that is not what the manifest names: is it gone, its place, what is wrong.

    On a store only those that this machine has: its listener's or import's are kept beside the journal.
    """
    for each in named:
        origin, _, digest = each.partition(" sha256:")
        path = mappings_folder(archive) / f"{origin.replace('/', '-')}.toml"
        try:
            now = _sha256(path.read_bytes())
        except OSError:
            if not place_of(archive).is_shared:
                yield (True, f"mappings/{path.name}", "it is missing; messages were made with it")
            continue
        if now != digest:
            said = f"it changed after messages were made with it (SHA-256 was {digest[:16]}…, is {now[:16]}…)"
            yield False, f"mappings/{path.name}", said


def may_hold_mapped(archive: ArchivePath) -> bool:
    """Return whether messages of an archive may have been made by a mapping."""
    return (archive / "originals").is_dir() or mappings_folder(archive).is_dir()


def filters_of(archive: ArchivePath) -> list[str]:
    """Return the topic filters of an archive's mappings, each once."""
    return list(dict.fromkeys(source.filter for mapping in mappings_of(archive) for source in mapping.source))


def _digests(folder: Path) -> dict[str, str]:
    """Return the SHA-256 of each mapping that must be there; ValueError when they are damaged."""
    try:
        kept = (folder / DIGESTS).read_bytes()
    except (FileNotFoundError, NotADirectoryError):
        return {}
    return msgspec.json.decode(without_sha256(kept), type=dict[str, str])


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
