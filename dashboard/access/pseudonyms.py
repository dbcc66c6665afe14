"""A second pseudonym: what the role `audit` sees in place of the desk's `wearer_id`.

The desk's own pseudonym is known to everybody who tallies. Who only looks at the long view gets another, by
HMAC-SHA-256 (RFC 2104) under a key that is kept beside the accounts and never in the archive: whoever has
only the archive, or only the page, cannot lead the one back to the other. The same wearer keeps the same
name in one archive, and has another in the next.
"""

from __future__ import annotations

import base64
import hmac
import os
import re
import secrets
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import polars as pl

from analysis.trends.comparisons import Signal
from dashboard.access.roles import Visitor
from ingest.contract.errors import BadSettings

COLUMN = "wearer_id"
KEY_BYTES = 32
# 50 bits: among 10,000 wearers two share a name once in 20 million archives.
_LETTERS = 10
_KEY = re.compile(r"[0-9a-f]{64}\n?")


class Pseudonyms:
    """The names of one archive's wearers under one key.

    Parameters
    ----------
    key : bytes
    archive : str
        Tells archives apart: the same wearer has another name in another.
    """

    def __init__(self, key: bytes, archive: str = "") -> None:
        self._key = hmac.digest(key, f"underair audit {archive}".encode(), "sha256")

    @classmethod
    def beside(cls, accounts: Path, archive: Path) -> Pseudonyms:
        """Return the names under the key that lies beside a file of accounts; made when it is not there.

        Parameters
        ----------
        accounts : Path
            The file of accounts; the key is ``{accounts}.audit-key``.
        archive : Path
            Its resolved path tells it apart: an archive that was moved has other names.

        Raises
        ------
        BadSettings
            When the key cannot be made or read, others than its owner can read it, or it is none.
        """
        path = accounts.with_name(f"{accounts.name}.audit-key")
        try:
            _make_if_missing(path)
            mode, text = path.stat().st_mode, path.read_text(encoding="ascii", errors="replace")
        except OSError as error:
            raise BadSettings(
                f"the key of the audit role's pseudonyms {path} cannot be made or read: {error.strerror}; "
                "the folder of the accounts must be writable for the service"
            ) from error
        if mode & 0o077:
            raise BadSettings(
                f"the key {path} can be read or written by others than its owner (mode {mode & 0o777:o}); "
                f"run: chmod 600 {path}"
            )
        if not _KEY.fullmatch(text):
            raise BadSettings(
                f"the key {path} must be {2 * KEY_BYTES} hexadecimal digits and is not; delete it, and the "
                "audit role sees other names from then on"
            )
        return cls(bytes.fromhex(text.strip()), str(archive.resolve()))

    def of(self, wearer_id: str) -> str:
        """Return the name of a wearer."""
        digest = hmac.digest(self._key, wearer_id.encode(), "sha256")
        return "P-" + base64.b32encode(digest).decode().lower()[:_LETTERS]

    def in_frame(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Return a table with the names in place of its `wearer_id`; nobody stays nobody."""
        known = frame[COLUMN].drop_nulls().unique().to_list()
        names = {wearer_id: self.of(wearer_id) for wearer_id in known}
        return frame.with_columns(pl.col(COLUMN).replace_strict(names, default=None, return_dtype=pl.String))

    def in_signals(self, found: Iterable[Signal]) -> list[Signal]:
        """Return what stands out, wearers under their names here."""
        return [replace(one, name=self.of(one.name)) if one.part == "wearer" else one for one in found]


def sees_wearers(visitor: Visitor) -> bool:
    """Return whether a visitor may know wearers by the desk's own pseudonym."""
    return "review" in visitor.roles


def _make_if_missing(path: Path) -> None:
    """Write a new key, whole or not at all; another server that does so at once wins or loses as a whole."""
    if path.exists():
        return
    aside = path.with_name(f".{path.name}.{secrets.token_hex(8)}")
    descriptor = os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        with os.fdopen(descriptor, "w", encoding="ascii") as file:
            file.write(secrets.token_hex(KEY_BYTES) + "\n")
            file.flush()
            os.fsync(file.fileno())
        try:
            os.link(aside, path)
        except FileExistsError:
            return
    finally:
        aside.unlink(missing_ok=True)
