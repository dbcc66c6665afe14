"""The manifest on a store: nothing can be appended there, so each line of a chain is an object of its own.

``manifest/{writer}/{number}.ndjson``, numbered from 0. `fold` puts what has gathered into one object,
``manifest/{writer}.ndjson``, and then deletes it: a line that is in both counts once.

A chain has one writer: each listener its own (``manifest/{writer}.owner`` says which machine), each import
one of its own, and tidying is done by one at a time.
"""

import contextlib
import secrets
from collections.abc import Callable

from ingest.archive.durable import make_folder, write_durably
from ingest.archive.store import STORE, ArchivePath, place_of, until_whole, work_folder
from ingest.contract.errors import ArchiveProblem

_SUFFIX = ".ndjson"
OWNER = ".owner"
_SHARED = ("import", "tidy", "retention")  # the last two: one at a time
_RUN = secrets.token_hex(6)  # of this process: its imports have a chain of their own
_next: dict[tuple[str, str], tuple[int, bytes | None]] = {}


def append(archive: ArchivePath, writer: str, line: Callable[[bytes | None], bytes]) -> None:
    """Add a line to a chain.

    - `writer`: ``import`` becomes this process's own.
    - `line`: makes the line, given the one before; None for the first.

    Raises `ArchiveProblem` when the chain belongs to a listener on another machine, or the store does not
    take the line.
    """
    if writer == "import":
        writer = f"import-{_RUN}"
    folder = archive / "manifest"
    if writer not in _SHARED and not writer.startswith("import-"):
        _claim(folder / f"{writer}{OWNER}", writer, archive)
    key = (str(archive), writer)
    # Looked up for a first line, after a line that may not have arrived, and for tidying, which may have run
    # elsewhere.
    number, last = _next.pop(key) if key in _next else _end(folder / f"{writer}{_SUFFIX}")
    made = line(last)
    STORE.put(folder / writer / f"{number:010d}{_SUFFIX}", made)
    if writer not in _SHARED:
        _next[key] = (number + 1, made)


def listeners(folder: ArchivePath) -> list[str]:
    """Return which of the chains are of listeners: each has an owner."""
    return [
        path.name.removesuffix(OWNER) for path in place_of(folder).inside(folder) if path.name.endswith(OWNER)
    ]


def read(chain: ArchivePath, known: dict[str, bytes]) -> bytes:
    """Return all lines of a chain, as they would be in one file.

    `known`: single lines that were read before; what is read now is added.
    """

    def lines() -> bytes:
        _, folded, more = _both(chain)
        return folded + b"".join(
            known.get(str(path)) or known.setdefault(str(path), path.read_bytes()) for _, path in more
        )

    return until_whole(chain, lines)


def fold(archive: ArchivePath) -> None:
    """Put the lines of every chain into one object a chain."""
    folder = archive / "manifest"
    names = [str(path).removeprefix(f"{folder}/") for path in STORE.below(folder)]
    writers = {name.partition("/")[0].removesuffix(_SUFFIX) for name in names if not name.endswith(OWNER)}
    for writer in sorted(writers):
        chain = folder / f"{writer}{_SUFFIX}"
        single, folded, more = _both(chain)
        # A line that is missing must stay visible: nothing is folded over a gap.
        whole = [path for place, (number, path) in enumerate(more) if number == folded.count(b"\n") + place]
        texts = [path.read_bytes() for path in whole]
        if any(text.count(b"\n") != 1 or not text.endswith(b"\n") for text in texts):
            continue  # altered: `verify` names it
        if texts:
            STORE.put(chain, folded + b"".join(texts))
        kept = {path for _, path in more} - set(whole)
        for _, path in single:
            if path not in kept:
                path.unlink(missing_ok=True)


def _lines(chain: ArchivePath) -> list[tuple[int, ArchivePath]]:
    folder = chain.with_name(chain.name.removesuffix(_SUFFIX))
    found = []
    for path in STORE.below(folder):
        with contextlib.suppress(ValueError):
            found.append((int(path.name.removesuffix(_SUFFIX)), path))
    return sorted(found)


def _both(chain: ArchivePath) -> tuple[list[tuple[int, ArchivePath]], bytes, list[tuple[int, ArchivePath]]]:
    """Return the single lines, the folded ones, and which single ones are not folded yet."""
    # Single ones first: they go only when the folded object holds them.
    single, folded = _lines(chain), b""
    with contextlib.suppress(FileNotFoundError):
        folded = chain.read_bytes()
    return single, folded, [one for one in single if one[0] >= folded.count(b"\n")]


def _end(chain: ArchivePath) -> tuple[int, bytes | None]:
    _, folded, more = _both(chain)
    if more:
        return more[-1][0] + 1, more[-1][1].read_bytes()
    return folded.count(b"\n"), next(reversed(folded.splitlines()), None)


def _claim(owner: ArchivePath, writer: str, archive: ArchivePath) -> None:
    """Make a listener's chain this machine's; two that write one chain would tear it."""
    ours = machine_name(archive)
    try:
        theirs = owner.read_bytes().decode(errors="replace")
    except FileNotFoundError:
        # Read back: a store that does not know conditional requests may have written over another's name.
        STORE.put_new(owner, ours.encode())
        theirs = owner.read_bytes().decode(errors="replace")
    if theirs != ours:
        raise ArchiveProblem(
            f"a listener named {writer!r} on another machine writes into {archive}; give this one another "
            f"name in its settings. If that machine is gone for good, delete {owner}"
        )


def machine_name(archive: ArchivePath) -> str:
    """Return the name that this machine's folder for the archive has given itself."""
    file = work_folder(archive) / "machine"
    try:
        return file.read_text(encoding="utf-8").strip()
    except FileNotFoundError:
        make_folder(file.parent)
        write_durably(file, secrets.token_hex(12).encode())
        return file.read_text(encoding="utf-8").strip()
