"""Check a case: bag, lists, what it says about itself, signature, custody, and a new computation."""

import hashlib
import json
import tempfile
import zipfile
from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from functools import partial
from operator import itemgetter
from pathlib import Path
from typing import Any

import bagit
import msgspec
import polars as pl

from analysis.profile import Profile, parse_profile
from analysis.records import NUMBERS
from analysis.tables import TABLES
from analysis.writing import write_results
from dashboard.evidence import case as made
from dashboard.evidence import origin
from dashboard.evidence.case import AS_BEFORE, CaseChecked, CaseProblem
from dashboard.evidence.case_messages import MAPPINGS, ORIGINALS, capture_sha256, counts_of
from dashboard.evidence.signing import SIGNATURE, TAG_MANIFEST, TIME_STAMP, check_signature, check_time_stamp
from dashboard.results_store import record_of
from ingest.archive.sealing import made_by_a_mapping
from ingest.archive.sightings import Sighting, note_seen, seen_before, state_file
from ingest.archive.store import file_sha256
from ingest.contract.captures import read_capture
from ingest.contract.errors import UnderairError
from ingest.contract.frames import Messages, frames_from_heard
from ingest.mapping.mapper import Mapper
from ingest.mapping.rules import read_mapping
from ingest.plurals import counted

MANIFEST, BAG_INFO, BAGIT = "manifest-sha256.txt", "bag-info.txt", "bagit.txt"
LISTED = (MANIFEST, BAG_INFO, BAGIT)
UNLISTED = (TAG_MANIFEST, SIGNATURE, TIME_STAMP, made.CUSTODY)
OF_THE_BAG = {"Payload-Oxum"}
OLDER_SUMS = "SHA256SUMS"
MOST_OTHERS = 5
_SECOND = "%Y-%m-%d %H:%M:%S"
UNANCHORED = (
    "Nothing outside of this folder was compared: whoever has underair can make such a folder. "
    "Use --expect HEAD or --signers FILE"
)


def is_case(folder: Path) -> bool:
    """Return whether a folder is a case, or the remains of one, and not an archive."""
    names = (*LISTED, TAG_MANIFEST, made.ABOUT, OLDER_SUMS, made.CAPTURE)
    return any((folder / name).is_file() for name in names)


def verify_case(
    folder: Path,
    again: bool = False,
    expect: str | None = None,
    signers: Path | None = None,
    authority: Path | None = None,
) -> CaseChecked:
    """Check a case; each file altered, missing or added is named. Writes nothing: see `note_opened`.

    - `again`: also compute tables, report and everything else again from the case's messages, and compare.
    - `expect`: the head that was noted elsewhere.
    - `signers`: allowed-signers file of OpenSSH; the case must be signed by one of them.
    - `authority`: root certificates (PEM) of the time-stamping authority; the case must have its stamp.

    Raises `CaseProblem` when the list itself cannot be read.
    """
    expect = expect.strip().lower() if expect else None
    unanchored = () if expect or signers or authority else (UNANCHORED,)
    if (folder / BAGIT).is_file() or (folder / TAG_MANIFEST).is_file():
        found = _verify_bag(folder, again, expect, signers, authority)
        return replace(found, said=(*found.said, *unanchored))
    found = _verify_older(folder, again)
    faults = list(found.faults)
    if expect and expect != found.head:
        faults.append(_other_head(expect, found.head))
    if signers:
        faults.append("not signed: cases of underair up to 0.3.0 have no signature")
    return replace(found, faults=tuple(faults), said=(*found.said, *unanchored))


def _other_head(expected: str, head: str) -> str:
    return f"head: expected {expected}, but this case's is {head}: it is not the case that was noted"


def _verify_bag(
    folder: Path, again: bool, expect: str | None, signers: Path | None, authority: Path | None
) -> CaseChecked:
    faults = list(_links(folder))
    if faults:  # nothing is read through a link
        return CaseChecked(0, "", tuple(faults))
    try:
        bag = bagit.Bag(str(folder))
    except (bagit.BagError, OSError, ValueError, LookupError) as error:
        raise CaseProblem(f"{folder} cannot be read as a bag (RFC 8493): {error}") from None
    faults += _lists(folder, bag)
    intact = not faults
    head = made.head_of(folder)
    if expect and expect != head:
        faults.append(_other_head(expect, head))
    about = _about(folder)
    faults += _words_of_the_bag(bag, about)
    faults += _messages_hash(folder, about)
    signed, signature_faults = check_signature(folder, signers)
    stamp, stamp_faults = check_time_stamp(folder, authority)
    entries, custody_faults, last = made.read_custody(folder)
    faults += signature_faults + stamp_faults + custody_faults
    begins = bool(entries) and entries[0].what == "made" and entries[0].head == head
    if not begins and (entries or not custody_faults):  # an emptied log has no fault of its own
        faults.append(f"{made.CUSTODY}: does not begin with the making of this case")
    said = [signed, stamp, f"custody log: {counted(len(entries), 'line')}"]
    has_signature = (folder / SIGNATURE).is_file()
    faults += _against_memory(folder, about.incident, head, has_signature, said)
    if not about.origin.archive.whole:
        said += ["the archive was incomplete when the case was made:", *about.origin.archive.faults]
    if again and intact:
        faults += _made_again(folder, about, said)
    files = len(bag.payload_entries())
    return CaseChecked(files, head, tuple(faults), about.incident, tuple(said), has_signature, last)


def _links(folder: Path) -> Iterator[str]:
    """Name whatever is neither file nor folder, without following it."""
    for path in sorted(folder.rglob("*")):
        if path.is_symlink() or not (path.is_file() or path.is_dir()):
            yield f"{path.relative_to(folder).as_posix()!r}: neither a file nor a folder; a case has no links"


def _lists(folder: Path, bag: bagit.Bag) -> list[str]:
    """Compare the folder with the bag's lists: by ourselves, to name every file, then by the library."""
    faults = []
    listed = {name: digests.get("sha256", "") for name, digests in bag.entries.items()}
    faults += [f"{name}: in no tag manifest" for name in LISTED if name not in listed]
    if not (folder / TAG_MANIFEST).is_file():
        raise CaseProblem(f"{folder} has no {TAG_MANIFEST}: a case of underair has one")
    if (folder / "fetch.txt").exists():
        faults.append("fetch.txt: a case is complete and fetches nothing")
    faults += _against_list(folder, sorted(listed.items()), UNLISTED)
    if not faults:
        try:
            bag.validate()
        except (bagit.BagError, OSError, ValueError) as error:
            faults.append(f"not a valid bag (RFC 8493): {error}")
    return faults


def _against_list(
    folder: Path, listed: Sequence[tuple[str, str]], unlisted: Collection[str]
) -> Iterator[str]:
    """Yield which files of a list (name, SHA-256) are missing, altered, outside the case, or added."""
    for name, digest in listed:
        path = folder / name
        if ".." in Path(name).parts or not path.resolve().is_relative_to(folder.resolve()):
            yield f"{name!r}: named in the list, but not inside the case"
        elif not path.is_file():
            yield f"{name}: missing"
        elif file_sha256(path) != digest.lower():
            yield f"{name}: altered (SHA-256 is not that of the list)"
    for name in sorted(_files(folder) - dict(listed).keys() - set(unlisted)):
        yield f"{name!r}: added, in no list"


def _about(folder: Path) -> made.About:
    path = folder / "data" / made.ABOUT
    try:
        return msgspec.json.decode(path.read_bytes(), type=made.About)
    except (OSError, msgspec.MsgspecError, ValueError, RecursionError) as error:
        raise CaseProblem(f"{path} cannot be read as the description of a case: {error}") from None


def _words_of_the_bag(bag: bagit.Bag, about: made.About) -> list[str]:
    """Compare bag-info.txt with case.json, from which it was made."""
    told = {name: value for name, value in bag.info.items() if name not in OF_THE_BAG}
    # The library returns a tag that occurs once as a text.
    meant = {name: _once(value) for name, value in made.bag_info(about).items()}
    different = sorted(name for name in {*told, *meant} if told.get(name) != meant.get(name))
    return [f"{BAG_INFO}: {name} is not what data/{made.ABOUT} says" for name in different]


def _once(value: str | list[str]) -> str | list[str]:
    return value[0] if isinstance(value, list) and len(value) == 1 else value


def _messages_hash(folder: Path, about: made.About) -> list[str]:
    try:
        if capture_sha256(folder / "data" / made.CAPTURE) == about.origin.sha256:
            return []
    except UnderairError as error:
        return [f"data/{made.CAPTURE}: {error}"]
    return [f"data/{made.CAPTURE}: not the messages whose SHA-256 data/{made.ABOUT} has"]


def _against_memory(folder: Path, incident: str, head: str, signed: bool, said: list[str]) -> Iterator[str]:
    """Compare a case with what this machine has seen of it: yield faults, add what else it says to `said`."""
    looks = seen_before(made.subject(incident))
    same = [look for look in looks if look.head == head]
    if same:
        said.append(f"this machine saw this head first on {same[0].at:{_SECOND}} UTC")
        if any(look.signed for look in same) and not signed:
            yield f"{SIGNATURE}: was there when this machine saw this case, and is missing now"
        log, here = folder / made.CUSTODY, str(folder.resolve())
        lines = log.read_bytes().splitlines() if log.is_file() else []
        known = {hashlib.sha256(line).hexdigest() for line in lines}
        if not known.issuperset(look.custody for look in same if look.custody and look.where == here):
            yield f"{made.CUSTODY}: a line that this machine has seen is missing: shortened or rewritten"
        apart = [look for look in same if look.custody and look.where != here]
        if apart and apart[-1].custody not in known:
            said.append(
                f"custody log: the copy in {apart[-1].where} has other lines, seen on "
                f"{apart[-1].at:{_SECOND}} UTC. Compare them: a hand-over may be missing here"
            )
    else:
        said.append("this machine has not seen this head before")
    others = {look.head: look.at for look in looks if look.head != head}
    said += [
        f"another case of this incident, seen on {at:{_SECOND}} UTC, has the head {other}"
        for other, at in sorted(others.items(), key=itemgetter(1))[-MOST_OTHERS:]
    ]
    if len(others) > MOST_OTHERS:
        said.append(f"and {len(others) - MOST_OTHERS} earlier ones: see {state_file()}")


def note_opened(folder: Path, found: CaseChecked, at: datetime) -> str:
    """Write into the custody log, and on this machine, that a case was checked; return why not."""
    result = "whole" if not found.faults else f"{len(found.faults)} faults: {found.faults[0]}"
    problem, last = "", found.custody
    if (folder / made.CUSTODY).is_file():
        try:
            last = made.add_entry(folder, "opened", result, found.head, at)
        except OSError as error:
            problem = f"not noted in {made.CUSTODY}: {error.strerror}"
    if found.head and not found.faults:
        note_seen(
            Sighting(at, made.subject(found.incident), found.head, last, found.signed, str(folder.resolve()))
        )
    return problem


def _made_again(folder: Path, about: made.About, said: list[str]) -> list[str]:
    """Make everything again from the case's messages, profile and origin.

    Returns what differs as faults; what else is worth knowing is added to `said`. Of a case of another
    program the tables count, in the columns that both make: its texts are that program's own.
    """
    data = folder / "data"
    messages = frames_from_heard(read_capture(data / made.CAPTURE), of_a_case=True)
    mappings, faults = _mappings(data, about)
    if mappings and not faults:
        faults = _mapped_anew(data, messages, mappings)
    if any(getattr(about.origin, name) != count for name, count in counts_of(messages).items()):
        faults.append(f"data/{made.ABOUT}: its counts of messages are not those of the capture")
    try:
        profile = parse_profile((data / made.PROFILE).read_text(encoding="utf-8"), made.PROFILE)
    except (UnderairError, OSError, UnicodeDecodeError) as error:
        return [*faults, f"data/{made.PROFILE}: {error}"]
    program = origin.wheel_name(about.origin.versions.get("underair", ""))
    if (data / program).is_file() and _source_in(data / program) != about.origin.source_sha256:
        faults.append(f"data/{program}: not the program that data/{made.ABOUT} names")
    with tempfile.TemporaryDirectory() as name:
        fresh = Path(name)
        made.write_payload(fresh, messages, profile, about)
        if about.origin.source_sha256 != origin.source_sha256():
            then = f"{about.origin.versions.get('underair')} (commit {about.origin.commit})"
            return faults + _by_another_program(folder, "data/", fresh, then, said)
        expected = _files(fresh)
        more = sorted(_files(data) - expected - {made.CAPTURE, program} - mappings)
        faults += [f"data/{each}: not what a case holds" for each in more]
        for each in sorted(expected):
            if not (data / each).is_file():
                faults.append(f"data/{each}: missing, but computing it again makes it")
            elif not _same(data / each, fresh / each):
                faults.append(f"data/{each}: computing it again from the messages gives another file")
    said += [] if faults else [AS_BEFORE]
    return faults


def _mappings(data: Path, about: made.About) -> tuple[set[str], list[str]]:
    """Return what a case holds beside its messages if a mapping made them, and what is wrong with it."""
    named, faults = set[str](), []
    for said in about.origin.archive.mappings:
        name, _, digest = said.partition(": ")[0].partition(" sha256:")
        file = f"{MAPPINGS}/{name.replace('/', '-')}.toml"
        named |= {file, ORIGINALS}
        if not (data / file).is_file() or file_sha256(data / file) != digest:
            faults.append(f"data/{file}: not the mapping that data/{made.ABOUT} names")
    if named and not (data / ORIGINALS).is_file():
        faults.append(f"data/{ORIGINALS}: missing, but sets were read by a mapping")
    return named, faults


def _mapped_anew(data: Path, messages: Messages, files: set[str]) -> list[str]:
    """Apply a case's mappings to its originals, and return what differs from its readings.

    The mapper begins afresh: numbers and power-ups follow from what it remembered, but no reading does.
    """
    texts = [data / file for file in sorted(files - {ORIGINALS})]
    mapper = Mapper([read_mapping(file.read_bytes(), file.name) for file in texts])
    anew = frames_from_heard(read_capture(data / ORIGINALS), mapper=mapper)
    of_them, differs = made_by_a_mapping(anew["originals"]), 0
    for kind, (value, *_) in NUMBERS.items():
        mapped = messages[kind].filter(False if of_them is None else of_them)
        same = ["set_id", "received", value]
        differs += mapped.join(anew[kind], on=same, how="anti", nulls_equal=True).height
    what = f"data/{made.CAPTURE}: {counted(differs, 'reading')} unlike what the mapping makes of"
    return [f"{what} data/{ORIGINALS}"] if differs else []


def _files(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


def _by_another_program(case: Path, within: str, fresh: Path, then: str, said: list[str]) -> list[str]:
    """Compare a case's tables with those that this other program makes: return faults, add to `said`."""
    data = case / within
    kept, made_now = ({name for name in _files(one) if _is_table(name)} for one in (data, fresh))
    both = sorted(kept & made_now)
    faults = [
        f"{within}{each}: this version computes other values from the same messages"
        for each in both
        if not _same_in_common(data / each, fresh / each)
    ]
    said += [
        f"made by underair {then}, checked by {origin.versions()['underair']} "
        f"({origin.commit()}): texts and report are each program's own, and were not compared",
        f"{len(both) - len(faults)} of {counted(len(both), 'table file')} are the same in every column that "
        "both programs make",
    ]
    for whose, names in (("this version makes", made_now - kept), ("that one made", kept - made_now)):
        if tables := sorted({Path(one).stem for one in names}):
            said.append(f"only {whose}: {', '.join(tables)}")
    if faults:
        program = ": the case holds that program" if within else ""
        faults.append(
            "the case's files are as its list says; other values may come from the other version alone. To "
            f"be sure, check with the version that made it{program}"
        )
    return faults


def _is_table(name: str) -> bool:
    return name.startswith("results/") or name == made.REFUSED


def _same_in_common(kept: Path, fresh: Path) -> bool:
    try:
        read = pl.read_parquet if kept.suffix == ".parquet" else partial(pl.read_csv, infer_schema=False)
        one, other = read(kept), read(fresh)
        common = [name for name in one.columns if name in other.columns]
        if "policy" in common:  # each version has its own ways to reckon a turn-back
            both = sorted({*one["policy"]} & {*other["policy"]})
            one, other = (each.filter(pl.col("policy").is_in(both)) for each in (one, other))
        return bool(common) and one.select(common).equals(other.select(common))
    except (pl.exceptions.PolarsError, OSError):
        return False


def _source_in(wheel: Path) -> str:
    try:
        with zipfile.ZipFile(wheel) as program:
            names = filter(origin.is_source, program.namelist())
            return origin.sha256_of_sources((name, program.read(name)) for name in names)
    except (OSError, zipfile.BadZipFile):
        return ""


def _same(kept: Path, fresh: Path) -> bool:
    """Compare two files: tables by contents (another library may pack them otherwise), the rest by byte."""
    if kept.suffix != ".parquet":
        return kept.read_bytes() == fresh.read_bytes()
    try:
        one, other = pl.read_parquet(kept), pl.read_parquet(fresh)
    except (pl.exceptions.PolarsError, OSError):
        return False
    return fresh.stem in TABLES and one.schema == other.schema and one.equals(other)


def _verify_older(folder: Path, again: bool) -> CaseChecked:
    """Check a case that underair up to 0.3.0 made: ``case.json``, a list of our own, and no bag.

    The chain begins with the hash of what `case.json` says about itself; each file's entry then hashes the
    entry before it, the file's name and its SHA-256, so that one value, the last, covers all.
    """
    try:
        manifest: dict[str, Any] = json.loads((folder / made.ABOUT).read_text(encoding="utf-8"))
        entries = [(str(e["file"]), str(e["sha256"]), str(e["chain"])) for e in manifest["files"]]
        head, incident_id = str(manifest["head"]), str(manifest["incident"])
        about = {name: value for name, value in manifest.items() if name not in ("files", "head")}
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise CaseProblem(f"{folder / made.ABOUT} cannot be read as the list of a case: {error}") from None
    faults, before = [], hashlib.sha256(json.dumps(about, sort_keys=True).encode()).hexdigest()
    for name, sha256, chain in entries:
        before = hashlib.sha256(f"{before} {name} {sha256}".encode()).hexdigest()
        if before != chain:
            faults.append(f"{made.ABOUT}: the chain is broken at {name}: the list itself was altered")
            before = chain
    if before != head:
        faults.append(f"{made.ABOUT}: its head is not that of its chain")
    listed = [(name, sha256) for name, sha256, _ in entries]
    faults += _against_list(folder, listed, (made.ABOUT, OLDER_SUMS))
    sums = "".join(f"{sha256}  {name}\n" for name, sha256 in listed)
    if not (folder / OLDER_SUMS).is_file() or (folder / OLDER_SUMS).read_text(encoding="utf-8") != sums:
        faults.append(f"{OLDER_SUMS}: does not agree with {made.ABOUT}")
    if not faults and capture_sha256(folder / made.CAPTURE) != about.get("messages_sha256"):
        faults.append(f"{made.CAPTURE}: not the messages whose SHA-256 {made.ABOUT} has")
    said: list[str] = []
    if again and not faults:
        made_with = str(about.get("versions", {}).get("underair"))
        faults += _older_made_again(folder, incident_id, made_with, said)
    return CaseChecked(len(entries), head, tuple(faults), incident_id, tuple(said))


def _older_made_again(folder: Path, incident_id: str, made_with: str, said: list[str]) -> list[str]:
    try:
        told = msgspec.json.decode((folder / "profile.json").read_bytes(), type=dict[str, Any])
        told.pop("withholding", None)  # how much was published then; no table depends on it
        profile = msgspec.convert(told, Profile)
    except (OSError, msgspec.MsgspecError, ValueError, RecursionError) as error:
        return [f"profile.json: this version cannot read it: {error}"]
    messages = frames_from_heard(read_capture(folder / made.CAPTURE), of_a_case=True)
    tables = record_of(messages, profile, incident_id, None).results
    with tempfile.TemporaryDirectory() as fresh:
        write_results(tables, Path(fresh) / made.RESULTS, "parquet", {})
        return _by_another_program(folder, "", Path(fresh), made_with, said)
