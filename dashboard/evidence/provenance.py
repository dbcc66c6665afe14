"""With what a case or report was made: underair's version, commit and source, Python, every library."""

from __future__ import annotations

import getpass
import hashlib
import json
import platform
import re
import subprocess
from functools import cache
from importlib.metadata import PackageNotFoundError, distribution, requires, version
from importlib.resources import files
from pathlib import Path

PACKAGES = ("ingest", "analysis", "dashboard")
NOT_KNOWN = "not known"
_GIT_WAIT_S = 10
_NAME = re.compile(r"^[A-Za-z0-9._-]+")


@cache
def versions() -> dict[str, str]:
    """Return the versions of underair, of Python and of every library that underair needs, by name."""
    found = {"underair": version("underair"), "python": platform.python_version()}
    return found | dict(sorted(_libraries("underair", set()).items()))


def _libraries(name: str, seen: set[str]) -> dict[str, str]:
    """Return the versions of what a distribution needs, and of what that needs; extras left out."""
    found: dict[str, str] = {}
    for line in requires(name) or ():
        match = _NAME.match(line)
        needed = re.sub(r"[-_.]+", "-", match.group()).lower() if match else ""
        if not needed or "extra ==" in line or needed in seen:
            continue
        seen.add(needed)
        try:
            found[needed] = version(needed)
        except PackageNotFoundError:
            continue  # for another system or Python
        found |= _libraries(needed, seen)
    return found


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
