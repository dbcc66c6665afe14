"""With what a case or report was made: underair's version, commit, source and wheel; Python; libraries."""

from __future__ import annotations

import base64
import getpass
import hashlib
import io
import json
import platform
import re
import subprocess
import zipfile
from collections.abc import Collection, Iterable, Iterator
from functools import cache
from importlib.metadata import PackageNotFoundError, distribution, version
from importlib.resources import files
from pathlib import Path

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
