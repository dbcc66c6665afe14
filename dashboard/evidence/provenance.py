"""With what a case or report was made: underair's version, commit and source, Python, every library."""

from __future__ import annotations

import getpass
import hashlib
import json
import platform
import re
import subprocess
from collections.abc import Collection
from functools import cache
from importlib.metadata import PackageNotFoundError, distribution, version
from importlib.resources import files
from pathlib import Path

PACKAGES = ("ingest", "analysis", "dashboard")
NOT_KNOWN = "not known"
_GIT_WAIT_S = 10
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
    """Add the versions of a distribution, of what it needs, also by some extras, and of what that needs."""
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
    return _commit_of_work_tree(Path(str(files("dashboard"))).parent)


def _commit_of_work_tree(folder: Path) -> str:
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
    digest = hashlib.sha256()
    for package in PACKAGES:
        top = Path(str(files(package)))
        for path in sorted(top.rglob("*.py")):
            digest.update(f"{package}/{path.relative_to(top).as_posix()}\n".encode())
            digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()


def account() -> str:
    """Return the name of the account that runs this program."""
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return NOT_KNOWN


def machine() -> str:
    """Return this machine's name."""
    return platform.node() or NOT_KNOWN
