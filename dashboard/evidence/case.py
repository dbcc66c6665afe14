"""The case folder: messages, tables, report, profile and versions of one incident, each with its hash.

Layout::

    messages.ndjson.gz    what was heard, verbatim, in the order received
    results/*.parquet     every table, computed from that capture and nothing else
    report.html           for a reader who was not there
    profile.json          the doctrine by which the wears were judged
    case.json             incident, versions, when and from what it was made, and the hash chain
    SHA256SUMS            the same hashes for `sha256sum --check`

The chain begins with the hash of what `case.json` says about itself; each file's entry then hashes the entry
before it, the file's name and its SHA-256, so that one value, the last, stands for all. Noted elsewhere, it
shows later that nothing was exchanged together with its list.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec
import polars as pl

from analysis.pieces.archive_pieces import incident_messages
from analysis.pieces.incident_uses import incident_id_of
from analysis.profile import Profile
from analysis.tables import Results
from analysis.writing import write_results
from dashboard.evidence.report import Origin, hash_of, report_html, versions
from dashboard.results_store import IncidentRecord, record_of
from ingest.contract.captures import Heard, capture_line, read_capture, write_capture
from ingest.contract.columns import INCIDENT_KINDS
from ingest.contract.errors import ArchiveProblem, UnderairError, system_sentence
from ingest.contract.frames import Messages, frames_from_heard
from ingest.contract.kinds import KINDS

CAPTURE = "messages.ndjson.gz"
MANIFEST = "case.json"
SUMS = "SHA256SUMS"


class CaseProblem(UnderairError):
    """A case folder that cannot be written or read."""


def heard_in(messages: Messages, sets: set[str], incident_id: str) -> Iterator[Heard]:
    """Yield an incident's messages as they were heard, in the order received.

    Those of its sets, those of desks about it, and the desks' words about its sets' alarms; and who wore its
    sets at other incidents: for want of that a wear of theirs would fall to this one.
    """
    of_its_sets = pl.col("set_id").is_in(list(sets))
    its_sets_at = messages["tally"].filter(of_its_sets)["incident_id"]
    about: dict[str, pl.Expr] = {
        **{kind: pl.col("incident_id") == incident_id for kind in INCIDENT_KINDS},
        "incident": pl.col("incident_id").is_in([incident_id, *its_sets_at]),
        "tally": (pl.col("incident_id") == incident_id) | of_its_sets,
    }
    parts = []
    for kind in KINDS:
        frame = messages[kind]
        wanted = about.get(kind, of_its_sets)
        seq = pl.col("seq").cast(pl.Int64)
        parts.append(frame.filter(wanted).select("received", "topic", seq, "payload", "retained"))
    # Topic, number and payload settle the order of what came in the same microsecond: same bytes every time.
    lot = pl.concat(parts).sort("received", "topic", "seq", "payload")
    for received, topic, _, payload, retained in lot.iter_rows():
        yield Heard(received, topic, payload.encode(), bool(retained))


def incident_of_archive(
    folder: Path, profile: Profile, incident_id: str, made: datetime
) -> tuple[IncidentRecord, Origin]:
    """Return an incident's record and the hash of its messages, for a report straight from the archive.

    Raises
    ------
    ArchiveProblem
        When the archive has no such incident; the text names those that it has.
    """
    heard = _heard_of_archive(folder, incident_id)
    return _analysed(heard, profile, incident_id, made)


def _heard_of_archive(folder: Path, incident: str) -> list[Heard]:
    messages, incident_id = incident_messages(folder, incident), incident_id_of(incident)
    sets = set(messages["tally"].filter(pl.col("incident_id") == incident_id)["set_id"])
    refused = messages["power"].filter(pl.col("state") == "refused")["set_id"]
    heard = list(heard_in(messages, sets | set(refused), incident_id))
    if not heard:
        raise ArchiveProblem(f"the archive {folder} holds no message of incident {incident!r}")
    return heard


def _analysed(
    heard: list[Heard], profile: Profile, incident_id: str, made: datetime
) -> tuple[IncidentRecord, Origin]:
    record = record_of(frames_from_heard(heard), profile, incident_id)
    count, digest = hash_of(capture_line(one) for one in heard)
    return record, Origin(count, digest, made)


def write_case(
    archive: Path, profile: Profile, incident_id: str, out: Path, made: datetime | None = None
) -> str:
    """Write a case folder; return the head of its chain.

    Parameters
    ----------
    archive : Path
        Folder of the archive.
    profile : Profile
    incident_id : str
    out : Path
        Folder to make; it must not be there or be empty.
    made : datetime, optional
        When (now).

    Raises
    ------
    CaseProblem
        When the folder holds something already.
    """
    made = made or datetime.now(UTC)
    if out.exists() and any(out.iterdir()):
        raise CaseProblem(
            f"{out} is not empty; a case needs a folder of its own, so that nothing is mixed in"
        )
    heard = _heard_of_archive(archive, incident_id)
    aside = None
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        # A folder of our own: what another program left beside it is not ours to remove.
        aside = Path(tempfile.mkdtemp(prefix=f"{out.name}.", suffix=".part", dir=out.parent))
        aside.chmod(0o755)
        write_capture(aside / CAPTURE, heard)
        # From the capture's own bytes: what the case holds is what its tables were made of.
        record, origin = _analysed(list(read_capture(aside / CAPTURE)), profile, incident_id, made)
        about = {"underair": versions()["underair"], "profile": profile.name, "incident": incident_id}
        write_results(record.results, aside / "results", "parquet", about)
        (aside / "report.html").write_text(report_html(record, profile, origin), encoding="utf-8")
        (aside / "profile.json").write_bytes(
            msgspec.json.format(msgspec.json.encode(profile), indent=2) + b"\n"
        )
        head = _write_manifest(aside, incident_id, origin)
        if out.exists():
            out.rmdir()
        aside.rename(out)
    except OSError as error:
        raise CaseProblem(f"cannot write the case into {out}: {system_sentence(error)}") from None
    finally:
        if aside is not None:
            shutil.rmtree(aside, ignore_errors=True)
    return head


def _files(folder: Path) -> list[str]:
    """Every file of a case but the two that hold the hashes, by its name from the folder, in order."""
    names = (path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
    return sorted(name for name in names if name not in (MANIFEST, SUMS))


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _link(before: str, name: str, sha256: str) -> str:
    return hashlib.sha256(f"{before} {name} {sha256}".encode()).hexdigest()


def _start(about: dict[str, Any]) -> str:
    """The first link: what the manifest says beside its files."""
    return hashlib.sha256(json.dumps(about, sort_keys=True).encode()).hexdigest()


def _write_manifest(folder: Path, incident_id: str, origin: Origin) -> str:
    about = {
        "case": 1,
        "incident": incident_id,
        "made": origin.made.isoformat(),
        "messages": origin.messages,
        "messages_sha256": origin.sha256,
        "versions": versions(),
    }
    chain, before = [], _start(about)
    for name in _files(folder):
        path = folder / name
        sha256 = _sha256(path)
        before = _link(before, name, sha256)
        chain.append({"file": name, "bytes": path.stat().st_size, "sha256": sha256, "chain": before})
    manifest = {**about, "files": chain, "head": before}
    (folder / MANIFEST).write_text(json.dumps(manifest, indent=2) + "\n", encoding="utf-8")
    sums = "".join(f"{entry['sha256']}  {entry['file']}\n" for entry in chain)
    (folder / SUMS).write_text(sums, encoding="utf-8")
    return before


@dataclass(frozen=True)
class CaseChecked:
    """What checking a case found: how many files, the head of its chain, and each fault in words."""

    files: int
    head: str
    faults: tuple[str, ...]


def is_case(folder: Path) -> bool:
    """Say whether a folder is a case, if only what is left of one, and not an archive."""
    return any((folder / name).is_file() for name in (MANIFEST, SUMS, CAPTURE))


def verify_case(folder: Path, again: bool = False) -> CaseChecked:
    """Compare a case with its list: each file altered, missing or added is named.

    Parameters
    ----------
    folder : Path
    again : bool
        Also analyse the case's capture anew and compare every table to the bit.

    Raises
    ------
    CaseProblem
        When the list itself cannot be read.
    """
    try:
        manifest: dict[str, Any] = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
        entries = [(str(e["file"]), str(e["sha256"]), str(e["chain"])) for e in manifest["files"]]
        head, incident_id = str(manifest["head"]), str(manifest["incident"])
        about = {name: value for name, value in manifest.items() if name not in ("files", "head")}
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise CaseProblem(f"{folder / MANIFEST} cannot be read as the list of a case: {error}") from None
    faults, before = [], _start(about)
    for name, sha256, chain in entries:
        before = _link(before, name, sha256)
        if before != chain:
            faults.append(f"{MANIFEST}: the chain does not hold at {name}: the list itself was altered")
            before = chain
        path = folder / name
        if not path.resolve().is_relative_to(folder.resolve()):
            faults.append(f"{name}: named in the list, but not inside the case")
        elif not path.is_file():
            faults.append(f"{name}: missing")
        elif _sha256(path) != sha256:
            faults.append(f"{name}: altered (SHA-256 is not that of the list)")
    if before != head:
        faults.append(f"{MANIFEST}: its head is not that of its chain")
    faults += [
        f"{name}: added, not in the list" for name in _files(folder) if name not in {e[0] for e in entries}
    ]
    sums = "".join(f"{sha256}  {name}\n" for name, sha256, _ in entries)
    if not (folder / SUMS).is_file() or (folder / SUMS).read_text(encoding="utf-8") != sums:
        faults.append(f"{SUMS}: does not agree with {MANIFEST}")
    if again and not faults:
        faults += _compared_again(folder, incident_id)
    return CaseChecked(len(entries), head, tuple(faults))


def _compared_again(folder: Path, incident_id: str) -> list[str]:
    profile = msgspec.json.decode((folder / "profile.json").read_bytes(), type=Profile)
    messages = frames_from_heard(read_capture(folder / CAPTURE))
    made: Results = record_of(messages, profile, incident_id).results
    faults = []
    for name, table in made.items():
        if not table.equals(pl.read_parquet(folder / "results" / f"{name}.parquet").select(table.columns)):
            faults.append(f"results/{name}.parquet: analysing the capture again gives another table")
    return faults
