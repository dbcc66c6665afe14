"""Cases that underair up to 0.3.0 made: ``case.json``, a list of our own, and no bag. Checked, never made.

The chain begins with the hash of what `case.json` says about itself; each file's entry then hashes the entry
before it, the file's name and its SHA-256, so that one value, the last, covers all.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import msgspec
import polars as pl

from analysis.profile import Profile
from dashboard.evidence.case import CaseChecked, CaseProblem
from dashboard.evidence.case_messages import capture_sha256
from dashboard.results_store import record_of
from ingest.archive.store import file_sha256
from ingest.contract.captures import read_capture
from ingest.contract.frames import frames_from_heard

CAPTURE = "messages.ndjson.gz"
MANIFEST = "case.json"
SUMS = "SHA256SUMS"


def is_older_case(folder: Path) -> bool:
    """Say whether a folder is a case of that form, if only what is left of one."""
    return any((folder / name).is_file() for name in (MANIFEST, SUMS, CAPTURE))


def verify_older_case(folder: Path, again: bool = False) -> CaseChecked:
    """Compare a case with its list: each file altered, missing or added is named.

    `again`: also analyse the case's capture again and compare every table to the bit.

    Raises `CaseProblem` when the list itself cannot be read.
    """
    try:
        manifest: dict[str, Any] = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
        entries = [(str(e["file"]), str(e["sha256"]), str(e["chain"])) for e in manifest["files"]]
        head, incident_id = str(manifest["head"]), str(manifest["incident"])
        about = {name: value for name, value in manifest.items() if name not in ("files", "head")}
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise CaseProblem(f"{folder / MANIFEST} cannot be read as the list of a case: {error}") from None
    faults, before = [], hashlib.sha256(json.dumps(about, sort_keys=True).encode()).hexdigest()
    for name, sha256, chain in entries:
        before = hashlib.sha256(f"{before} {name} {sha256}".encode()).hexdigest()
        if before != chain:
            faults.append(f"{MANIFEST}: the chain is broken at {name}: the list itself was altered")
            before = chain
        path = folder / name
        if not path.resolve().is_relative_to(folder.resolve()):
            faults.append(f"{name}: named in the list, but not inside the case")
        elif not path.is_file():
            faults.append(f"{name}: missing")
        elif file_sha256(path) != sha256:
            faults.append(f"{name}: altered (SHA-256 is not that of the list)")
    if before != head:
        faults.append(f"{MANIFEST}: its head is not that of its chain")
    there = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    added = there - {MANIFEST, SUMS} - {entry[0] for entry in entries}
    faults += [f"{name}: added, not in the list" for name in sorted(added)]
    sums = "".join(f"{sha256}  {name}\n" for name, sha256, _ in entries)
    if not (folder / SUMS).is_file() or (folder / SUMS).read_text(encoding="utf-8") != sums:
        faults.append(f"{SUMS}: does not agree with {MANIFEST}")
    if not faults and capture_sha256(folder / CAPTURE) != about.get("messages_sha256"):
        faults.append(f"{CAPTURE}: not the messages whose SHA-256 {MANIFEST} has")
    made_with = str(about.get("versions", {}).get("underair", "an older underair"))
    if again and not faults:
        faults += _compared_again(folder, incident_id, made_with)
    said = ("computed again from its messages: all its tables are the same",) if again and not faults else ()
    return CaseChecked(len(entries), head, tuple(faults), incident_id, said)


def _compared_again(folder: Path, incident_id: str, made_with: str) -> list[str]:
    profile = msgspec.json.decode((folder / "profile.json").read_bytes(), type=Profile)
    messages = frames_from_heard(read_capture(folder / CAPTURE))
    made = record_of(messages, profile, incident_id, None).results
    faults = []
    for path in sorted((folder / "results").glob("*.parquet")):
        kept = pl.read_parquet(path)
        table = made.get(path.stem)
        common = [] if table is None else [name for name in kept.columns if name in table.columns]
        if table is None or not table.select(common).equals(kept.select(common)):
            faults.append(
                f"results/{path.name}: analysing the capture with this version gives another table; "
                f"the case was made by underair {made_with}, check it again with that"
            )
    return faults
