"""From what, by whom, why and with what a report or case was made: archive, program, wheel, libraries."""

import base64
import getpass
import hashlib
import io
import json
import platform
import re
import subprocess
import zipfile
from collections.abc import Collection, Iterable, Iterator, Mapping
from datetime import datetime, timedelta
from functools import cache
from importlib.metadata import PackageNotFoundError, distribution, version
from importlib.resources import files
from pathlib import Path

import msgspec
import numpy as np
import polars as pl

from dashboard.evidence.case_messages import counts_of, mappings_said, received_of
from ingest.archive.expected import expected_of
from ingest.archive.imports import Brought, read_imports
from ingest.archive.sound import trouble_of
from ingest.archive.store import ArchivePath, place
from ingest.contract.kinds import KINDS
from ingest.contract.times import EPOCH, micros, rfc3339
from ingest.receipt_clock import read_clock_sets

PACKAGES = ("ingest", "analysis", "dashboard")
NOT_KNOWN = "not known"
SOURCES = (".py", ".toml", ".j2", ".css", ".txt", ".md", ".json")
_GIT_WAIT_S = 10
_WHEEL = b"Wheel-Version: 1.0\nGenerator: underair\nRoot-Is-Purelib: true\nTag: py3-none-any\n"
_NAME = re.compile(r"^[A-Za-z0-9._-]+")
_EXTRA = re.compile(r"""extra\s*==\s*["']([^"']+)""")
EXTRAS = ("analysis", "pages")
"""Extras of underair that bring the libraries which compute the tables and make report and bag."""


@cache
def versions() -> dict[str, str]:
    """Return the versions of underair, of Python and of every library that report and case need, by name."""
    found = {"underair": version("underair"), "python": platform.python_version()}
    libraries: dict[str, str] = {}
    _add_libraries("underair", libraries, EXTRAS)
    return found | {name: libraries[name] for name in sorted(libraries) if name != "underair"}


def _add_libraries(name: str, found: dict[str, str], extras: Collection[str] = ()) -> None:
    """Add the versions of a distribution and of all that it needs, including some extras."""
    try:
        metadata = distribution(name).metadata
    except PackageNotFoundError:
        return  # for another system or Python
    found[name] = metadata["Version"]
    for line in metadata.get_all("Requires-Dist") or ():
        match, extra = _NAME.match(line), _EXTRA.search(line)
        needed = re.sub(r"[-_.]+", "-", match.group()).lower() if match else ""
        if needed and needed not in found and (extra is None or extra.group(1) in extras):
            _add_libraries(needed, found)


@cache
def commit() -> str:
    """Return the commit of the running program, "… with local changes", or that it is not known.

    Either pip noted it (PEP 610), or the packages are in a git work tree. `source_sha256` pins the program
    also where neither is so.
    """
    noted = distribution("underair").read_text("direct_url.json")
    if noted:
        told = json.loads(noted).get("vcs_info", {}).get("commit_id")
        if told:
            return str(told)
    folder = Path(str(files("dashboard"))).parent
    if not (folder / ".git").exists():
        return NOT_KNOWN

    def git(*arguments: str) -> str:
        call = ["git", "-C", str(folder), *arguments]
        done = subprocess.run(call, capture_output=True, text=True, check=True, timeout=_GIT_WAIT_S)  # noqa: S603
        return done.stdout.strip()

    try:
        changed = git("status", "--porcelain", "--untracked-files=no", *PACKAGES)
        return git("rev-parse", "HEAD") + (" with local changes" if changed else "")
    except (OSError, subprocess.SubprocessError):
        return NOT_KNOWN


@cache
def source_sha256() -> str:
    """Return the SHA-256 of every source file of underair, by name, whatever it was installed from."""
    return sha256_of_sources((name, path.read_bytes()) for name, path in _program() if is_source(name))


def is_source(name: str) -> bool:
    """Return whether a file of the program makes tables and report what they are: code, words, templates."""
    return name.startswith(PACKAGES) and name.endswith(SOURCES)


def sha256_of_sources(sources: Iterable[tuple[str, bytes]]) -> str:
    """Return the SHA-256 over names and contents of sources, package by package, each by its name's parts."""
    digest = hashlib.sha256()
    for name, text in sources:
        digest.update(f"{name}\n".encode())
        digest.update(hashlib.sha256(text).digest())
    return digest.hexdigest()


def _program() -> Iterator[tuple[str, Path]]:
    for package in PACKAGES:
        top = Path(str(files(package)))
        for path in sorted(top.rglob("*")):
            if path.is_file() and "__pycache__" not in path.parts:
                yield f"{package}/{path.relative_to(top).as_posix()}", path


def wheel_name(number: str) -> str:
    """Return the name of the wheel of a version of underair."""
    return f"underair-{number}-py3-none-any.whl"


def write_wheel(folder: Path) -> None:
    """Write the running program as a wheel, for pip to install from (PyPA, "Binary distribution format").

    The same program gives the same bytes.
    """
    (folder / wheel_name(version("underair"))).write_bytes(_wheel())


@cache
def _wheel() -> bytes:
    program = distribution("underair")
    about = f"underair-{program.version}.dist-info"
    contents = {name: path.read_bytes() for name, path in _program()}
    for name in ("METADATA", "entry_points.txt"):
        contents[f"{about}/{name}"] = (program.read_text(name) or "").encode()
    contents[f"{about}/WHEEL"] = _WHEEL
    lines = [
        f"{name},sha256={base64.urlsafe_b64encode(hashlib.sha256(data).digest()).decode().rstrip('=')},{len(data)}\n"
        for name, data in contents.items()
    ]
    contents[f"{about}/RECORD"] = "".join([*lines, f"{about}/RECORD,,\n"]).encode()
    with zipfile.ZipFile(whole := io.BytesIO(), "w") as wheel:
        for name, data in contents.items():
            wheel.writestr(zipfile.ZipInfo(name), data, zipfile.ZIP_DEFLATED)
    return whole.getvalue()


def account() -> str:
    """Return the name of the account that runs this program."""
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return NOT_KNOWN


def machine() -> str:
    """Return this machine's name."""
    return platform.node() or NOT_KNOWN


LATE = timedelta(hours=12)
"""Around an incident more is read than its own messages: power-ups that began before and ended after it."""


class ArchiveState(msgspec.Struct, frozen=True):
    """What verifying the archive found, for the days that were read."""

    heads: dict[str, str] = {}  # of each of its chains
    faults: tuple[str, ...] = ()  # in sentences; none when it is whole
    # Captures of that time that were brought into it: name, SHA-256, and what its clock was found to be.
    captures: tuple[str, ...] = ()
    clocks: tuple[str, ...] = ()  # listeners' clocks that were set in that time, in sentences
    # Mappings by which sets of other makers were read: name and version, SHA-256, and these sets.
    mappings: tuple[str, ...] = ()

    @property
    def whole(self) -> bool:
        """Whether everything that was sealed is there as it was sealed."""
        return not self.faults


class Origin(msgspec.Struct, frozen=True, kw_only=True):
    """From what, by whom, why and with what."""

    made: datetime
    sha256: str  # of the messages, as an uncompressed capture
    kept: int  # messages that keep the contract
    refused: int = 0  # that break it
    conflicting: int = 0  # beyond the first of each identity (set or desk, boot, seq)
    why: str = ""
    account: str = ""
    machine: str = ""
    archive: ArchiveState = ArchiveState()
    versions: dict[str, str] = {}
    commit: str = NOT_KNOWN
    source_sha256: str = ""

    @property
    def messages(self) -> int:
        """All messages."""
        return self.kept + self.refused


def origin_of(
    messages: Mapping[str, pl.DataFrame], sha256: str, state: ArchiveState, made: datetime, why: str = ""
) -> Origin:
    """Return the origin of what is made here and now."""
    return Origin(
        made=made,
        sha256=sha256,
        **counts_of(messages),
        why=why,
        account=account(),
        machine=machine(),
        archive=state,
        versions=versions(),
        commit=commit(),
        source_sha256=source_sha256(),
    )


def state_of(folder: ArchivePath, messages: Mapping[str, pl.DataFrame]) -> ArchiveState:
    """Return the state of what was read of an archive: call it after reading, contents are checked then.

    A part that was altered, is missing or was put there is reported if it is, or may be, of the time of these
    messages.
    """
    moments = np.concatenate([received_of(messages, kind) for kind in KINDS])
    trouble, (brought, faults, _) = trouble_of(place(folder)), read_imports(place(folder))
    clock_sets, more = read_clock_sets(place(folder))
    if len(moments):
        first, last = (EPOCH + timedelta(microseconds=int(us)) for us in (moments.min(), moments.max()))
        trouble, moments = trouble.within(first - LATE, last + LATE), np.sort(moments)

        def of_that_time(one: Brought) -> bool:
            """For messages that a set stored, the time in between does not count."""
            if one.first is None or one.last is None:
                return False
            since, until = micros(one.first - LATE), micros(one.last + LATE)
            return bool(np.searchsorted(moments, since) < np.searchsorted(moments, until, side="right"))

        brought = [one for one in brought if of_that_time(one)]
        clock_sets = [one for one in clock_sets if first - LATE <= one[1].at <= last + LATE]
    heads = expected_of(place(folder)).heads()
    captures = tuple(f"{one.file}, SHA-256 {one.sha256}{_clock_of(one)}" for one in brought)
    return ArchiveState(
        heads,
        (*(fault.sentence() for fault in trouble), *faults, *more),
        captures,
        tuple(line.sentence(listener) for listener, line in clock_sets),
        mappings_said(place(folder), messages),
    )


def _clock_of(brought: Brought) -> str:
    jumps = "".join(
        f", its listener's clock jumped by {by_s:+,.3f} s at {rfc3339(at)}: later receipt times corrected"
        for at, by_s in brought.jumps
    )
    if brought.placed:
        return f" ({brought.placed})"
    if not brought.moved or brought.clock_fast_s is None:
        return jumps
    moved = f"receipt times corrected by {-brought.clock_fast_s:+.3f} s"
    return f"{jumps}, {moved} ({brought.compared:,} messages that another listener heard too)"
