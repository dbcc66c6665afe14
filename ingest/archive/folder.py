"""Make an archive's folder, and check its form.

An archive that a newer underair wrote is neither read nor written. The form's number is in the lines of the
manifest. This module is light: the listener imports it, and no Parquet.
"""

from __future__ import annotations

import os
from dataclasses import astuple, dataclass
from operator import add
from typing import BinaryIO

import msgspec

from ingest.archive.durable import make_folder
from ingest.archive.store import ArchivePath, local, place, place_of, work_folder
from ingest.contract.errors import ArchiveProblem

FORMAT = 2
_STEP = 1 << 16


class _Form(msgspec.Struct):
    format: int = 1  # lines of form 1 do not name it


_decode = msgspec.json.Decoder(_Form).decode


def last_line(file: BinaryIO) -> tuple[bytes | None, int]:
    """Return the last whole line of a file, without its end, and where whole lines end."""
    at = end = file.seek(0, os.SEEK_END)
    tail = b""
    while at > 0:
        step = min(at, _STEP)
        at -= step
        file.seek(at)
        tail = file.read(step) + tail
        whole = tail[: tail.rfind(b"\n") + 1]
        if whole.count(b"\n") >= 2 or at == 0:
            lines = whole.splitlines()
            return lines[-1] if lines else None, end - (len(tail) - len(whole))
    return None, 0


def require_known_format(archive: ArchivePath) -> None:
    """Refuse an archive in whose manifest a newer underair has written.

    The last line of each chain decides: a newer underair writes its form into every line, and an older one
    adds none after that. On a store this costs requests: there each reader and writer of a chain calls
    `require_known` for its lines.

    `archive`: may be missing.

    Raises `ArchiveProblem`.
    """
    folder = archive / "manifest"
    if place_of(folder).is_shared or not folder.is_dir():
        return
    for chain in sorted(local(folder).glob("*.ndjson")):
        with chain.open("rb") as file:
            line, _ = last_line(file)
        if line is not None:
            require_known(line, archive)


def require_known(line: bytes, where: ArchivePath) -> None:
    """Refuse a line of a newer form; what cannot be read at all is for `verify` to name.

    Raises `ArchiveProblem`.
    """
    try:
        form = _decode(line).format
    except (msgspec.MsgspecError, UnicodeDecodeError):
        return
    if form > FORMAT:
        raise ArchiveProblem(
            f"{where} has form {form}: a newer underair wrote there, and this one knows no form above "
            f"{FORMAT}. Nothing is changed; install the newer underair, or take a backup from before its "
            "upgrade"
        )


@dataclass(frozen=True)
class Counts:
    """What became of what was received; always ``received == kept + duplicates + refused``."""

    received: int = 0
    kept: int = 0
    duplicates: int = 0
    refused: int = 0

    def __add__(self, other: Counts) -> Counts:
        return Counts(*map(add, astuple(self), astuple(other)))


def create_archive(folder: str | ArchivePath) -> ArchivePath:
    """Make an archive's folder when it is not there, and return its path; a store needs none.

    Raises `ArchiveProblem` when it cannot be made, is not a folder, or a newer underair wrote there.
    """
    path = place(folder)
    try:
        make_folder(work_folder(path))
    except OSError as error:
        raise ArchiveProblem(f"the archive {path} cannot be made: {error.strerror}") from error
    require_known_format(path)
    return path
