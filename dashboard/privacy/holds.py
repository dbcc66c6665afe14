"""Incidents under hold: nothing of them is dropped until the hold is released.

``DIR/holds/YYYY-MM-DD.ndjson``, chained as the access log is: a line altered or taken out shows. On a store
they are objects there, since a hold counts on every machine; the lock of tidying keeps two from writing.
"""

import getpass
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from analysis.pieces.archive_pieces import incidents_in
from dashboard.access.log import LONGEST_TARGET, AccessLog, LogEntry, head, read_log
from ingest.archive.store import ArchivePath, local, place_of
from ingest.archive.tidying import only_one
from ingest.contract.errors import ArchiveProblem

HOLDS = "holds"
PLACE, RELEASE = "hold", "release"


def holds(archive: ArchivePath) -> dict[str, LogEntry]:
    """Return the incidents under hold, each with the line that says so.

    Raises `ArchiveProblem` when the chain is broken: a hold may have been taken out.
    """
    entries, faults, _ = hold_log(archive)
    if faults:
        raise ArchiveProblem(
            f"which incidents of {archive} are under hold is not known: {faults[0]}. Restore "
            f"{HOLDS}/ back from a backup"
        )
    held: dict[str, LogEntry] = {}
    for entry in entries:
        incident_id = entry.target.partition(": ")[0]
        if entry.action == PLACE:
            held[incident_id] = entry
        else:
            held.pop(incident_id, None)
    return held


def hold_log(archive: ArchivePath) -> tuple[list[LogEntry], list[str], str]:
    """Return the entries and faults as `read_log` has them, and the head of the chain."""
    with _at_hand(archive) as folder:
        return *read_log(folder, HOLDS), head(folder, HOLDS)


def set_hold(archive: ArchivePath, incident_id: str, reason: str, *, release: bool = False) -> None:
    """Put an incident under hold, or release it.

    Raises `ArchiveProblem` when no desk spoke of it, it is under hold already (or is not), names are being
    dropped right now, the reason is missing or too long, or the line cannot be written.
    """
    target, most = f"{incident_id}: {reason.strip()}", LONGEST_TARGET - len(incident_id) - 2
    with only_one(archive), _at_hand(archive) as folder:
        if (incident_id in holds(archive)) != release:
            state = "not under hold" if release else "under hold already"
            raise ArchiveProblem(f"{incident_id} is {state}; `underair hold` lists the holds")
        if not release and incident_id not in incidents_in(archive)["incident_id"]:
            raise ArchiveProblem(
                f"no desk mentioned an incident {incident_id!r} in {archive}; `underair incidents` lists them"
            )
        if not reason.strip() or len(target) > LONGEST_TARGET:
            raise ArchiveProblem(
                f"the reason must have from 1 to {most} characters, got {len(reason.strip())}"
            )
        action = RELEASE if release else PLACE
        if not AccessLog(folder, folder=HOLDS).write(action, target, account=getpass.getuser()):
            raise ArchiveProblem(f"{archive / HOLDS} cannot be written: nothing was changed")
        if folder != archive:
            for path in (folder / HOLDS).glob("*.ndjson"):
                place_of(archive).put(archive / HOLDS / path.name, path.read_bytes())


@contextmanager
def _at_hand(archive: ArchivePath) -> Iterator[Path]:
    """Give a folder of this machine with the holds in it: the archive's, or a copy of the store's."""
    if not place_of(archive).is_shared:
        yield local(archive)
        return
    with tempfile.TemporaryDirectory(prefix="underair-") as folder:
        (Path(folder) / HOLDS).mkdir()
        for path in place_of(archive).below(archive / HOLDS):
            (Path(folder) / HOLDS / path.name).write_bytes(path.read_bytes())
        yield Path(folder)
