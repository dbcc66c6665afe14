"""How underair starts a module of its own as a process."""

from __future__ import annotations

import sys


def command_of(module: str, *arguments: str) -> list[str]:
    """Return the command line that runs a module of ours.

    With ``-P``, because Python otherwise looks for modules in the current folder first: a folder that holds
    an ``ingest/`` or a ``msgspec.py`` would run foreign code in our place.
    """
    return [sys.executable, "-P", "-m", module, *arguments]
