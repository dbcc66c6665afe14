"""How a verb ends when part of its archive cannot be read: a sentence on stderr, and exit code 3."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ingest.shown_text import echo

if TYPE_CHECKING:
    from ingest.archive.trouble import Trouble

INCOMPLETE = 3
"""Exit code: done, but some input was left out."""


def say_trouble(trouble: Trouble) -> None:
    """Say on stderr what of an archive was left out."""
    for sentence in trouble.sentences():
        echo(f"underair: {sentence}", err=True)
