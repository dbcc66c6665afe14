"""Who may sign in: accounts in one file, their passwords as Argon2id hashes (RFC 9106, by argon2-cffi).

The file is made and changed by `underair account`; a server that runs notices the change at its next request,
so that a removed account, a lost role or an ended session holds at once. Passwords are never stored, logged
or shown.
"""

import fcntl
import functools
import hashlib
import os
import re
import secrets
import threading
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import msgspec
from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from ingest.archive.durable import write_durably
from ingest.contract.errors import UnderairError

ROLES: dict[str, str] = {
    "watch": "sees the live page",
    "desk": "sees the live page; sends tallies, notes and orders",
    "review": "sees incidents, every wearer's record, and the trends; exports them",
    "audit": "sees published figures; no person, incident or message",
    "health": "occupational health: reads the exposure register",
    "admin": "sees who has an account, who is signed in and who did what; ends sessions",
}
# NIST SP 800-63B-4 (2025), 3.1.1.2: at least 15 characters where the password is the only factor, no rules of
# composition (from memory). The upper end keeps a megabyte of password from being hashed.
SHORTEST_PASSWORD = 15
LONGEST_PASSWORD = 256
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}")
# A hash takes 64 MiB while it is computed: only so many at once.
_hashing = threading.BoundedSemaphore(2)
_MOST_WAITING = threading.BoundedSemaphore(4)  # others would hold the server's threads
_hasher = PasswordHasher()


class BadAccounts(UnderairError):
    """The file of accounts cannot be used, or a change to it makes no sense."""


class TooBusy(UnderairError):
    """More passwords are being looked at than this machine takes on at once."""


class Account(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One account."""

    password: str  # Argon2id hash
    roles: tuple[str, ...]  # out of `ROLES`
    made: datetime
    sessions_from: datetime  # a session that began before this is over
    # SHA-256 of the token of a program that reads; such an account has no password. A token is 256 random
    # bits, so that a slow hash would add nothing.
    token: str = ""


class _File(msgspec.Struct, forbid_unknown_fields=True):
    accounts: dict[str, Account] = {}


class AccountFile:
    """The accounts of one file, read again when the file has changed.

    `path`: need not be there yet. Only its owner may read it.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._state: tuple[int, int, int] | None = None
        self._accounts: dict[str, Account] = {}
        self._lock = threading.Lock()

    def accounts(self) -> dict[str, Account]:
        """Return every account by its name.

        Raises `BadAccounts` when the file is damaged, or others than its owner can read it.
        """
        with self._lock:
            try:
                stat = self.path.stat()
                state = (stat.st_mtime_ns, stat.st_size, stat.st_ino)
                if state != self._state:
                    if stat.st_mode & 0o077:
                        raise BadAccounts(
                            f"accounts file {self.path} can be read or written by others than its owner "
                            f"(mode {stat.st_mode & 0o777:o}); run: chmod 600 {self.path}"
                        )
                    self._accounts = msgspec.json.decode(self.path.read_bytes(), type=_File).accounts
                    self._state = state
            except FileNotFoundError:
                return {}
            except OSError as error:
                raise BadAccounts(f"accounts file {self.path} cannot be read: {error.strerror}") from error
            except msgspec.MsgspecError as error:
                # The text of the file itself must not reach a log: it holds hashes.
                told = f"accounts file {self.path} is damaged: {error}; restore it from a backup"
                raise BadAccounts(told) from None
            return self._accounts

    def add(self, name: str, password: str, roles: tuple[str, ...]) -> None:
        """Add an account.

        Raises `BadAccounts` when the name is taken or malformed, a role unknown, or the password too easy.
        """
        self._add(name, _hash(name, password), roles)

    def add_token(self, name: str, roles: tuple[str, ...]) -> str:
        """Add an account for a program that reads, and return its token, which is kept nowhere.

        Raises `BadAccounts` as `add`; and for the role admin, which no program needs.
        """
        if "admin" in roles:
            raise BadAccounts("a token cannot have the role admin: the interface only reads")
        token = secrets.token_urlsafe(32)
        self._add(name, "", roles, digest_of(token))
        return token

    def of_token(self, token: str) -> tuple[str, Account] | None:
        """Return the name and account of a token, None when there is none."""
        digest = digest_of(token)
        found = [(name, one) for name, one in self.accounts().items() if one.token == digest]
        return found[0] if found else None

    def _add(self, name: str, hashed: str, roles: tuple[str, ...], token: str = "") -> None:
        if not _NAME.fullmatch(name):
            raise BadAccounts(
                "an account's name is 1 to 40 of A-Z a-z 0-9 . _ - and begins with a letter or digit, "
                f"got {name!r}"
            )
        unknown = sorted(set(roles) - set(ROLES))
        if unknown or not roles:
            raise BadAccounts(f"roles are {', '.join(ROLES)}; got {', '.join(unknown) or 'none'}")
        now = datetime.now(UTC)
        with self._changing() as accounts:
            if name in accounts:
                raise BadAccounts(
                    f"there is an account {name} already; remove it first, or choose another name"
                )
            chosen = tuple(role for role in ROLES if role in roles)
            accounts[name] = Account(hashed, chosen, now, now, token)

    def set_password(self, name: str, password: str) -> None:
        """Give an account another password; its sessions end."""
        self.end_sessions(name, password=_hash(name, password))

    def end_sessions(self, name: str, **also: str) -> None:
        """End every session of an account; `also`: fields that change with it."""
        with self._changing() as accounts:
            old, now = _known(accounts, name), datetime.now(UTC)
            accounts[name] = msgspec.structs.replace(old, sessions_from=now, **also)

    def remove(self, name: str) -> None:
        """Remove an account; its sessions end."""
        with self._changing() as accounts:
            _known(accounts, name)
            del accounts[name]

    def verify(self, name: str, password: str) -> bool:
        """Return whether this is the account's password; an unknown name takes as long as a known one.

        Raises `TooBusy` when four are waiting already.
        """
        account = self.accounts().get(name)
        if len(password) > LONGEST_PASSWORD:
            return False
        if not _MOST_WAITING.acquire(blocking=False):
            raise TooBusy("too many sign-ins at this moment; try again")
        try:
            with _hashing:
                _hasher.verify(account.password if account else _nobody(), _normal(password))
        except (VerificationError, InvalidHashError):
            return False
        finally:
            _MOST_WAITING.release()
        return account is not None

    @contextmanager
    def _changing(self) -> Iterator[dict[str, Account]]:
        """Give the accounts to change, and write them aside, synced, renamed; a second writer waits."""
        try:
            with Path(f"{self.path}.lock").open("a") as lock:
                fcntl.flock(lock, fcntl.LOCK_EX)
                accounts = dict(self.accounts())
                yield accounts
                write_durably(self.path, msgspec.json.format(msgspec.json.encode(_File(accounts))), 0o600)
        except OSError as error:
            raise BadAccounts(f"accounts file {self.path} cannot be written: {error.strerror}") from error


def digest_of(secret: str) -> str:
    """Return what is kept of a token, of a browser's name, or of what somebody typed: its SHA-256."""
    return hashlib.sha256(secret.encode(errors="replace")).hexdigest()


def _known(accounts: dict[str, Account], name: str) -> Account:
    if name not in accounts:
        raise BadAccounts(f"there is no account {name!r}; there are: {', '.join(sorted(accounts)) or 'none'}")
    return accounts[name]


def _hash(name: str, password: str) -> str:
    normal = _normal(password)
    if not SHORTEST_PASSWORD <= len(normal) <= LONGEST_PASSWORD:
        raise BadAccounts(
            f"a password has {SHORTEST_PASSWORD} to {LONGEST_PASSWORD} characters, this one has "
            f"{len(normal)}; four or five unrelated words are easy to remember and long enough"
        )
    rest = re.sub(f"{re.escape(name)}|underair|password", "", normal, flags=re.IGNORECASE)
    if len(set(rest)) < 5:
        raise BadAccounts(
            "this password is too easy to guess: apart from the account's name it repeats a few characters"
        )
    with _hashing:
        return _hasher.hash(normal)


def _normal(password: str) -> str:
    return unicodedata.normalize("NFC", password)


@functools.cache
def _nobody() -> str:
    """Return a hash that no password fits, of the same cost as a real one."""
    return _hasher.hash(os.urandom(24).hex())
