"""The heads of an archive's chains, compared with those that this machine has seen."""

import hashlib
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from ingest.archive.expected import expected_of
from ingest.archive.sightings import Sighting, note_seen, seen_before
from ingest.archive.store import ArchivePath, place, work_folder

HEADS_TOPIC = "underair/heads/v1"
LISTS = {"imports": "imports/imports.ndjson", "releases": "releases.ndjson"}
"""What was brought in, and what was published. No line after the last one vouches for it."""


class Head(msgspec.Struct, frozen=True):
    """The head of one of an archive's chains, to be published."""

    made: datetime
    chain: str  # the writer whose chain it is
    head: str  # hash of the chain's last line: one value for everything that the writer sealed until now
    lines: int

    def sentence(self) -> str:
        """Return it as a line to print or send."""
        return f"{self.made:%Y-%m-%dT%H:%M:%SZ}  {self.head}  {self.lines} lines  {self.chain}"


def heads_of(archive: ArchivePath, made: datetime) -> list[Head]:
    """Return the heads of an archive's chains, by writer, then those of its other lists."""
    expected = expected_of(place(archive))
    lines = expected.lines()
    found = [Head(made, writer, head, lines[writer]) for writer, head in expected.heads().items()]
    return found + [
        Head(made, name, hashes[-1], len(hashes)) for name, hashes in _lists(place(archive)).items() if hashes
    ]


def _lists(folder: ArchivePath) -> dict[str, list[str]]:
    """Return the hash of each line of an archive's lists beside the manifest: they only grow, too."""
    found = {}
    for name, file in LISTS.items():
        path = work_folder(folder) / file
        lines = path.read_bytes().splitlines() if path.is_file() else []
        found[name] = [hashlib.sha256(line).hexdigest() for line in lines]
    return found


def compared_with_memory(archive: ArchivePath, expect: str | None) -> tuple[list[str], list[str]]:
    """Compare an archive's chains with heads known before; return sentences and faults.

    A chain only grows: a head that once was its last line is still one of its lines. An archive rolled back
    to an older copy, or written again, lacks it.

    `expect`: a head that was noted elsewhere.
    """
    folder = place(archive)
    expected = expected_of(folder)
    lists = _lists(folder)
    heads = [*expected.heads().values(), *(hashes[-1] for hashes in lists.values() if hashes)]
    there = expected.every_head().union(*lists.values())
    faults, said = [], []
    wanted = expect.strip().lower() if expect else None
    if wanted and wanted not in there:
        faults.append(
            f"head: expected {wanted}, and no line of this archive has it: rolled back or exchanged"
        )
    subject = f"archive {folder if '://' in str(folder) else Path(str(folder)).resolve()}"
    looks = seen_before(subject)
    gone = {look.head: look.at for look in looks if look.head not in there}
    faults += [
        f"head: {head}, seen on this machine on {at:%Y-%m-%d %H:%M:%S} UTC, is in no chain: "
        "rolled back or exchanged"
        for head, at in gone.items()
    ]
    known = {look.head for look in looks}
    if looks:
        said.append(f"this machine saw this archive last on {looks[-1].at:%Y-%m-%d %H:%M:%S} UTC")
    now = datetime.now(UTC)
    for head in heads:
        if head not in known and not faults:
            note_seen(Sighting(now, subject, head))
    return said, faults
