"""The case folder: one incident with all that a third party needs to check it, years later, without us.

A bag (BagIt 1.0, RFC 8493), written with the library `bagit`; `case_readme.txt` says what is in it. Beside
the bag's own tag files are ``custody.ndjson`` and, where they were made, ``tagmanifest-sha256.txt.sig`` and
``.tsr`` (signature and time stamp). The head of a case is the SHA-256 of ``tagmanifest-sha256.txt``.
"""

import hashlib
import json
import logging
import shutil
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib.resources import files
from operator import itemgetter
from pathlib import Path
from typing import Annotated, Any

import bagit
import msgspec
import polars as pl

from analysis.profile import Profile
from analysis.tables import Results, formula_safe, to_csv
from analysis.writing import write_results
from dashboard.evidence.case_messages import (
    MAPPINGS,
    ORIGINALS,
    hash_of,
    messages_of,
    write_messages,
    write_originals,
)
from dashboard.evidence.origin import (
    ArchiveState,
    Origin,
    account,
    machine,
    origin_of,
    state_of,
    wheel_name,
    write_wheel,
)
from dashboard.evidence.report import report_parts
from dashboard.evidence.signing import SIGNATURE, TAG_MANIFEST, sign
from dashboard.results_store import IncidentRecord, record_of
from ingest.archive.chained import NOTHING_BEFORE, read_chained
from ingest.archive.chained import hash_of as line_hash
from ingest.archive.durable import append_durably
from ingest.archive.sightings import Sighting, note_seen
from ingest.archive.store import ArchivePath
from ingest.contract.errors import UnderairError, system_sentence
from ingest.contract.times import EPOCH
from ingest.freed_memory import give_back

CAPTURE, REFUSED, ABOUT, REPORT = "messages.ndjson.gz", "refused.csv", "case.json", "report.html"
PROFILE, README, RESULTS, SCHEMAS = "profile.toml", "README.txt", "results", "schemas"
VERSIONS = "versions.txt"
PAGES = {
    "columns.md": ("analysis", "docs/tables.md"),
    "method.md": ("analysis", "docs/method.md"),
    "findings.md": ("analysis", "docs/findings.md"),
}
CUSTODY, LARGEST_CUSTODY_BYTES = "custody.ndjson", 64 * 1024 * 1024
FORM = 2
CSV_ROWS_AT_ONCE = 10_000
BAGIT_TXT = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
logging.getLogger("bagit").setLevel(logging.CRITICAL)  # what it finds is said by us, once


MAPPED = f"""\
  {ORIGINALS:<20} what these sets sent, verbatim: another maker's messages. messages.ndjson.gz has
                       what underair made of them, with topic, number, power-up and any value that
                       the mapping states itself, such as the cylinder
  {MAPPINGS + "/":<20} the mappings by which they were read:
"""
AS_BEFORE = "computed again from its messages: tables and report are the same"


class CaseProblem(UnderairError):
    """A case folder that cannot be written or read."""


@dataclass(frozen=True)
class CaseChecked:
    """What checking a case found, whatever its form."""

    files: int
    head: str  # a hash of every byte of the case
    faults: tuple[str, ...]  # in words; none when the case is whole
    incident: str = ""
    # What else is worth knowing: signature, time stamp, custody, state of the archive then.
    said: tuple[str, ...] = ()
    signed: bool = False
    custody: str = ""  # hash of the last line of the custody log


class About(msgspec.Struct, frozen=True, kw_only=True):
    """What ``data/case.json`` says: the form, the incident, and the origin of everything in the case."""

    case: int = FORM
    incident: str
    profile: str
    origin: Origin
    # Until when the archive went on; the sentence "never tallied out" depends on it. None up to 0.3.0.
    heard_until: Annotated[datetime, msgspec.Meta(tz=True)] | None = None

    @property
    def heard_until_us(self) -> int | None:
        """The same in microseconds since 1970."""
        return None if self.heard_until is None else (self.heard_until - EPOCH) // timedelta(microseconds=1)


def incident_of_archive(
    folder: ArchivePath, profile: Profile, incident_id: str, made: datetime
) -> tuple[IncidentRecord, Origin]:
    """Return an incident's record and its origin, for a report straight from the archive.

    Raises `ArchiveProblem` when the archive has no such incident; the text names those that it has.
    """
    messages, heard_until_us = messages_of(folder, incident_id)
    origin = origin_of(messages, hash_of(messages), state_of(folder, messages), made)
    give_back()
    record = record_of(messages, profile, incident_id, heard_until_us)
    give_back()
    return record, origin


def write_case(
    archive: ArchivePath,
    profile: Profile,
    incident_id: str,
    out: Path,
    made: datetime | None = None,
    why: str = "",
    key: Path | None = None,
) -> tuple[str, ArchiveState]:
    """Write a case folder; return its head and the state of the archive that it was read from.

    - `out`: folder to make; it must not be there or be empty.
    - `why`: for what purpose, in the exporter's words.
    - `key`: private key of OpenSSH to sign with.

    Raises `CaseProblem` when the folder holds something already; `SigningProblem` when it cannot be signed;
    nothing is left behind then.
    """
    made = made or datetime.now(UTC)
    if out.exists() and any(out.iterdir()):
        raise CaseProblem(
            f"{out} is not empty; a case needs a folder of its own, so that nothing is mixed in"
        )
    messages, heard_until_us = messages_of(archive, incident_id)
    state = state_of(archive, messages)
    aside = None
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        # A folder of our own: what another program left beside it is not ours to remove.
        aside = Path(tempfile.mkdtemp(prefix=f"{out.name}.", suffix=".part", dir=out.parent))
        aside.chmod(0o755)
        origin = origin_of(messages, write_messages(aside / CAPTURE, messages), state, made, why)
        write_originals(aside, archive, messages)
        heard_until = EPOCH + timedelta(microseconds=heard_until_us)
        about = About(incident=incident_id, profile=profile.name, origin=origin, heard_until=heard_until)
        write_payload(aside, messages, profile, about)
        write_wheel(aside)
        make_bag(aside, about)
        head = head_of(aside)
        if key is not None:
            sign(aside, key)
        last = add_entry(aside, "made", why, head, made)
        if out.exists():
            out.rmdir()
        aside.rename(out)
    except OSError as error:
        raise CaseProblem(f"cannot write the case into {out}: {system_sentence(error)}") from None
    finally:
        if aside is not None:
            shutil.rmtree(aside, ignore_errors=True)
    note_seen(
        Sighting(made, subject(incident_id), head, last, (out / SIGNATURE).is_file(), str(out.resolve()))
    )
    return head, state


def subject(incident_id: str) -> str:
    """Return the name under which this machine keeps the heads of an incident's cases."""
    return f"case {incident_id}"


def write_payload(folder: Path, messages: Mapping[str, pl.DataFrame], profile: Profile, about: About) -> None:
    """Write everything that follows from a case's messages, its profile and its origin into a folder."""
    record = record_of(messages, profile, about.incident, about.heard_until_us)
    give_back()
    write_tables(record.results, folder / RESULTS, about)
    with (folder / REPORT).open("w", encoding="utf-8") as file:
        file.writelines(report_parts(record, profile, about.origin))
    (folder / REFUSED).write_text(refused_csv(messages), encoding="utf-8")
    (folder / PROFILE).write_text(profile_toml(profile), encoding="utf-8")
    (folder / README).write_text(readme(about), encoding="utf-8")
    (folder / VERSIONS).write_text(constraints(about.origin.versions), encoding="utf-8")
    (folder / ABOUT).write_bytes(msgspec.json.format(msgspec.json.encode(about), indent=2) + b"\n")
    for name, (package, path) in PAGES.items():
        (folder / name).write_bytes(files(package).joinpath(path).read_bytes())
    (folder / SCHEMAS).mkdir()
    for schema in files("ingest.contract").joinpath("schemas").iterdir():
        if schema.name.endswith(".json"):
            (folder / SCHEMAS / schema.name).write_bytes(schema.read_bytes())


def write_tables(results: Results, folder: Path, about: About) -> None:
    """Write every table as Parquet, with its units, and beside it as CSV."""
    told = {"underair": about.origin.versions.get("underair", ""), "profile": about.profile}
    write_results(results, folder, "parquet", told | {"incident": about.incident})
    for name, table in results.items():
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            file.write(to_csv(name, table.clear()))
            for rows in table.iter_slices(CSV_ROWS_AT_ONCE):  # as text they take ten times the memory
                file.write(to_csv(name, rows).split("\n", 1)[1])


def refused_csv(messages: Mapping[str, pl.DataFrame]) -> str:
    """Return the refused messages with their reasons, as CSV; their bytes are in the capture."""
    rows = messages["refused"].select(
        pl.col("received").dt.strftime("%Y-%m-%dT%H:%M:%S.%6fZ"),
        "topic",
        "reason",
        "path",
        pl.col("payload").bin.size().alias("payload_bytes"),
        "retained",
    )
    return formula_safe(rows).write_csv(null_value="")


def profile_toml(profile: Profile) -> str:
    """Return a profile as TOML that `parse_profile` reads back as the same.

    A JSON string, number, boolean or list of these is one in TOML too (TOML 1.0.0), except what JSON escapes
    with surrogates: such a character is left as it is.
    """

    def written(value: Any) -> str:
        if isinstance(value, dict):
            inside = ", ".join(f"{written(name)} = {written(part)}" for name, part in value.items())
            return "{ " + inside + " }"
        if isinstance(value, list | tuple):
            return "[" + ", ".join(written(part) for part in value) + "]"
        return json.dumps(value, ensure_ascii=False)

    parts = msgspec.to_builtins(profile)
    lines = [f"{name} = {written(value)}" for name, value in parts.items() if not isinstance(value, dict)]
    for name, part in parts.items():
        if isinstance(part, dict):
            lines += ["", f"[{name}]"]
            lines += [f"{inner} = {written(value)}" for inner, value in part.items() if value is not None]
    return "\n".join(lines) + "\n"


def constraints(versions: Mapping[str, str]) -> str:
    """Return the versions of all libraries as pip's constraints (pip documentation, "Constraints Files")."""
    lines = [f"{name}=={number}" for name, number in versions.items() if name not in ("underair", "python")]
    return "\n".join([f"# Python {versions.get('python', '')}", *lines, ""])


def readme(about: About) -> str:
    """Return the case's README, for a reader who knows nothing of underair."""
    origin = about.origin
    state = "whole" if origin.archive.whole else "NOT WHOLE. " + " ".join(origin.archive.faults)
    text = files("dashboard.evidence").joinpath("case_readme.txt").read_text(encoding="utf-8")
    said = msgspec.structs.asdict(origin) | {"why": origin.why or "not said", "state": state}
    versions = {name: origin.versions.get(name, "") for name in ("underair", "python")}
    mapped = "".join(f"{' ' * 23}{one}\n" for one in origin.archive.mappings)
    said["mapped"] = MAPPED + mapped if mapped else ""
    program = wheel_name(versions["underair"])
    return text.format(incident=about.incident, program=program, **said, **versions)


def bag_info(about: About) -> dict[str, str | list[str]]:
    """Return a bag's metadata, under RFC 8493's names where it has them."""
    origin, archive = about.origin, about.origin.archive
    underair = f"underair {origin.versions.get('underair', '')}"
    info: dict[str, str | list[str]] = {
        "External-Identifier": about.incident,
        "External-Description": f"Messages, results and report of incident {about.incident}",
        "Bagging-Date": f"{origin.made:%Y-%m-%d}",
        "Bag-Software-Agent": f"{underair}, commit {origin.commit}",
        "Made": origin.made.isoformat(),
        "Exported-By": origin.account,
        "Exported-On-Machine": origin.machine,
        "Exported-Why": origin.why or "not said",
        "Archive-State": "whole" if archive.whole else "not whole",
        "Archive-Fault": list(archive.faults),
        "Archive-Head": [f"{writer} {head}" for writer, head in sorted(archive.heads.items())],
        "Imported-Capture": list(archive.captures),
        "Read-By-Mapping": list(archive.mappings),
        "Listener-Clock": list(archive.clocks),
        "Capture-File": f"data/{CAPTURE}, SHA-256 of its lines {origin.sha256}",
        "Messages-Kept": str(origin.kept),
        "Messages-Refused": str(origin.refused),
        "Messages-Conflicting": str(origin.conflicting),
        "Messages-Duplicate": "0, the archive keeps each message once",
        "Profile": about.profile,
        "Underair-Commit": origin.commit,
        "Underair-Source-SHA256": origin.source_sha256,
        "Version": [f"{name} {number}" for name, number in origin.versions.items()],
    }
    return {
        # A tag is a line.
        name: " ".join(value.split()) if isinstance(value, str) else [" ".join(one.split()) for one in value]
        for name, value in info.items()
        if value
    }


def make_bag(folder: Path, about: About) -> None:
    """Turn a folder into a bag, in place."""
    bagit.make_bag(str(folder), bag_info(about), checksums=["sha256"])
    # The library writes the form of the draft of 2013, which keeps the rules of RFC 8493 as well.
    (folder / "bagit.txt").write_text(BAGIT_TXT, encoding="utf-8")
    bagit.Bag(str(folder)).save()
    # In one order, and with the two spaces that `sha256sum --check` asks for; both are free in a bag.
    listed = [line.split(maxsplit=1) for line in (folder / TAG_MANIFEST).read_text("utf-8").splitlines()]
    text = "".join(f"{digest}  {name}\n" for digest, name in sorted(listed, key=itemgetter(1)))
    (folder / TAG_MANIFEST).write_text(text, encoding="utf-8")


def head_of(folder: Path) -> str:
    """Return a case's head."""
    return hashlib.sha256((folder / TAG_MANIFEST).read_bytes()).hexdigest()


class CustodyLine(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One line of the custody log: a making, an opening by `verify`, a hand-over; chained to the one before.

    The log is beside the bag's tag files and in none of its lists, since it grows. The chain shows the order
    of its lines. What each machine keeps of the cases that it has seen (`ingest.archive.sightings`) shows
    that the log was not rewritten whole.
    """

    at: datetime
    what: str  # ``made``, ``opened`` or ``noted``
    text: str  # why it was made, what `verify` found, or what the note says
    account: str
    machine: str
    head: str  # the case's head at that moment
    before: str  # SHA-256 of the line before, without its line end


def read_custody(case: Path) -> tuple[list[CustodyLine], list[str], str]:
    """Return the log's entries, its faults in words, and the hash of its last line."""
    path = case / CUSTODY
    if not path.is_file() or path.is_symlink():
        return [], [f"{CUSTODY}: missing"], NOTHING_BEFORE
    if path.stat().st_size > LARGEST_CUSTODY_BYTES:
        return [], [f"{CUSTODY}: larger than {LARGEST_CUSTODY_BYTES} bytes"], NOTHING_BEFORE
    return read_chained(path.read_bytes(), CustodyLine, CUSTODY)


def add_entry(case: Path, what: str, text: str, head: str, at: datetime) -> str:
    """Append a line and sync it; return its hash.

    Raises `OSError` when the folder cannot be written.
    """
    _, _, before = read_custody(case)
    line = msgspec.json.encode(CustodyLine(at, what, text, account(), machine(), head, before))
    append_durably(case / CUSTODY, line + b"\n")
    return line_hash(line)
