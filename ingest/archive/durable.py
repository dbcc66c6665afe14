"""Write files here that survive a power cut: whole or not at all, or appended and synced."""

import hashlib
import os
import threading
from pathlib import Path


def sync_folder(folder: Path) -> None:
    """Make the names in a folder durable."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def make_folder(folder: Path) -> None:
    """Make a folder and those above it, durably: else a power cut takes what is in it, synced or not."""
    made = []
    missing = folder
    while not missing.is_dir() and missing != missing.parent:
        made.append(missing)
        missing = missing.parent
    folder.mkdir(parents=True, exist_ok=True)
    for each in made:
        sync_folder(each.parent)


def write_durably(path: Path, data: bytes | memoryview, mode: int = 0o666) -> None:
    """Write a file so that it is there as a whole or not at all, and stays; the last writer wins."""
    aside = path.with_name(f".{path.name}.{os.getpid()}.{threading.get_ident()}.tmp")
    aside.unlink(missing_ok=True)
    try:
        with os.fdopen(os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode), "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        aside.replace(path)
    finally:
        aside.unlink(missing_ok=True)
    sync_folder(path.parent)


def with_sha256(made: bytes) -> bytes:
    """Return a text with a last line that says its SHA-256 (FIPS 180-4)."""
    return made + b"\n" + hashlib.sha256(made).hexdigest().encode()


def without_sha256(kept: bytes) -> bytes:
    """Return the text that `with_sha256` was given; ValueError when it has changed."""
    made = kept.rpartition(b"\n")[0]
    if with_sha256(made) != kept:
        raise ValueError("its SHA-256 differs")
    return made


def append_durably(path: Path, data: bytes) -> None:
    """Append to a file, made if missing, and sync what it holds."""
    with path.open("ab") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
