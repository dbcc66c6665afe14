"""Who did what (sign-ins, actions, exports, views of a record), as a hash-chained table in the archive.

``DIR/access/YYYY-MM-DD.ndjson`` by the day (UTC). Each line carries the SHA-256 (FIPS 180-4) of the line
before it, over the days, so that a line altered, taken out or put in between shows. Lines cut off the end
show only against a hash noted elsewhere: `underair account log` prints it.
"""

import fcntl
import logging
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec
import polars as pl

from ingest.archive.chained import NOTHING_BEFORE, hash_of, read_chained, with_own
from ingest.archive.durable import append_durably
from ingest.archive.folder import last_line
from ingest.archive.store import ArchivePath, work_folder

FOLDER = "access"
SAME_AGAIN_S = 600.0  # looking on at the same is one look
LONGEST_TARGET = 500
_MOST_REMEMBERED = 10_000

log = logging.getLogger(__name__)


class LogEntry(msgspec.Struct, frozen=True, omit_defaults=True, forbid_unknown_fields=True):
    """One line."""

    at: datetime
    # Empty for a sign-in under a name that is no account: people type passwords into the wrong field.
    account: str
    roles: tuple[str, ...]
    session: str  # name of the session
    address: str  # where the request came from, as the server or the declared proxy saw it
    # ``sign-in``, ``sign-out``, ``page``, ``view``, ``export``, ``send``, ``end-session`` or
    # ``publish-anew``.
    action: str
    target: str  # what it was about
    outcome: str  # ``done`` or ``refused``
    before: str  # SHA-256 of the line before
    # SHA-256 of this line without it, for the last line has none behind it; lines of before 0.4 have none.
    own: str = ""

    def as_row(self) -> dict[str, Any]:
        """Return it for people and for tables, without the chain."""
        said = {name: getattr(self, name) for name in _SHOWN}
        return said | {"at": f"{self.at:%Y-%m-%dT%H:%M:%S.%fZ}", "roles": " ".join(self.roles)}


_SHOWN = LogEntry.__struct_fields__[:-2]


class AccessLog:
    """Writes the log of one archive.

    - `folder`: its name in the archive, for a log of something else.
    """

    def __init__(
        self, archive: ArchivePath, clock: Callable[[], float] = time.time, *, folder: str = FOLDER
    ) -> None:
        self._folder = work_folder(archive) / folder
        self._clock = clock
        self._lock = threading.Lock()
        self._written: OrderedDict[tuple[str, ...], float] = OrderedDict()

    def write(
        self,
        action: str,
        target: str,
        *,
        account: str,
        roles: tuple[str, ...] = (),
        session: str = "",
        address: str = "",
        outcome: str = "done",
        once: bool = False,
    ) -> bool:
        """Write one line, durably, and return whether that worked.

        - `action`, `target`, `account`, `roles`, `session`, `address`, `outcome`: as in `LogEntry`.
        - `once`: not again when the same session has had the same line within ten minutes.
        """
        now = self._clock()
        at, target = datetime.fromtimestamp(now, UTC), target[:LONGEST_TARGET]
        key = (session, account, address, action, target, outcome)
        with self._lock:
            if once and now - self._written.get(key, -SAME_AGAIN_S) < SAME_AGAIN_S:
                return True
            try:
                self._append(LogEntry(at, account, roles, session, address, action, target, outcome, ""))
            except OSError as error:
                log.error("the access log cannot be written: %s (%s)", error.strerror, self._folder)
                return False
            if once:
                self._written[key] = now
                self._written.move_to_end(key)
                while len(self._written) > _MOST_REMEMBERED:
                    self._written.popitem(last=False)
        return True

    def _append(self, entry: LogEntry) -> None:
        self._folder.parent.mkdir(parents=True, exist_ok=True)
        self._folder.mkdir(mode=0o700, exist_ok=True)
        with (self._folder / ".lock").open("a") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)  # another server on the same archive continues the same chain
            path = self._folder / f"{entry.at:%Y-%m-%d}.ndjson"
            files = _files(self._folder)
            path = max([path, *files])  # a clock set back must not put it before lines that are there
            last, torn = _last_line(files)
            before = hash_of(last)
            line = msgspec.json.encode(with_own(msgspec.structs.replace(entry, before=before))) + b"\n"
            append_durably(path, b"\n" + line if torn else line)


def read_log(archive: ArchivePath, folder: str = FOLDER) -> tuple[list[LogEntry], list[str]]:
    """Read the whole log.

    Returns:

    - `entries`: in the order written; what cannot be read is left out and named.
    - `faults`: what is wrong with the chain; empty when it holds.
    """
    entries: list[LogEntry] = []
    faults: list[str] = []
    before = NOTHING_BEFORE
    for path in _files(work_folder(archive) / folder):
        lines, wrong, before = read_chained(path.read_bytes(), LogEntry, f"{folder}/{path.name}", before)
        entries += lines
        faults += wrong
    return entries, faults


def head(archive: ArchivePath, folder: str = FOLDER) -> str:
    """Return the hash of the last line: noted elsewhere, it shows later that nothing was cut off the end."""
    return hash_of(_last_line(_files(work_folder(archive) / folder))[0])


def access_table(archive: ArchivePath) -> pl.DataFrame:
    """Return the log as a table, one row an entry, for exports."""
    entries, _ = read_log(archive)
    return pl.DataFrame([entry.as_row() for entry in entries], schema=dict.fromkeys(_SHOWN, pl.String))


def _files(folder: Path) -> list[Path]:
    return sorted(folder.glob("*.ndjson"))


def _last_line(files: list[Path]) -> tuple[bytes, bool]:
    """Return the last line of the log, and whether a crash tore its end off."""
    if not files:
        return b"", False
    with files[-1].open("rb") as file:
        whole, end = last_line(file)
        file.seek(end)
        torn = file.read()
    return torn or whole or b"", bool(torn)
