"""Sessions: who is signed in, on which browser, until when. Kept beside the accounts, so that a restart of
the server in the middle of an incident signs nobody out; only hashes of the tokens are kept.
"""

from __future__ import annotations

import hmac
import logging
import secrets
import threading
import time
from collections.abc import Callable
from pathlib import Path

import msgspec

from dashboard.access.accounts import digest_of
from ingest.archive.durable import write_durably

LASTS_S = 12 * 3600.0  # a shift
IDLE_S = 30 * 60.0  # an open page asks all the time: this is a closed one, or a laptop asleep
MOST_AN_ACCOUNT = 20
_FOR_FORMS = b"underair form token"

log = logging.getLogger(__name__)


class Session(msgspec.Struct):
    """One browser that is signed in; moments in seconds since 1970."""

    key: str  # SHA-256 of the token, which only the browser has
    account: str
    browser: str  # SHA-256 of what the browser calls itself
    begun: float
    seen: float

    @property
    def name(self) -> str:
        """What the session is called where people choose one to end; it opens nothing."""
        return self.key[:12]


class Sessions:
    """All sessions.

    - `path`: where they are kept; only the owner can read it.
    """

    def __init__(self, path: Path, clock: Callable[[], float] = time.time) -> None:
        self._path = path
        self._clock = clock
        self._lock = threading.Lock()
        self._sessions: dict[str, Session] = {}
        try:
            kept = msgspec.json.decode(path.read_bytes(), type=list[Session])
        except (OSError, msgspec.MsgspecError):
            kept = []
        now = clock()
        # When each was last seen is not written at every request: one that has not run out counts as seen
        # now.
        self._sessions = {
            one.key: msgspec.structs.replace(one, seen=now) for one in kept if now - one.begun < LASTS_S
        }

    def begin(self, account: str, browser: str) -> str:
        """Begin a session and return its token, which only this browser gets and nothing keeps."""
        token = secrets.token_urlsafe(32)
        now = self._clock()
        with self._lock:
            self._forget_old(now)
            own = sorted(
                (one for one in self._sessions.values() if one.account == account), key=lambda s: s.seen
            )
            for one in own[: max(0, len(own) - MOST_AN_ACCOUNT + 1)]:
                del self._sessions[one.key]
            session = Session(digest_of(token), account, digest_of(browser), now, now)
            self._sessions[session.key] = session
            self._write()
        return token

    def of(self, token: str, browser: str) -> tuple[Session | None, str]:
        """Return the session of a token, or None and why there is none.

        A token that comes from another browser than the one it was given to has been stolen: its session
        ends.
        """
        now = self._clock()
        with self._lock:
            session = self._sessions.get(digest_of(token))
            if session is None:
                return None, "no such session"
            expired = now - session.begun >= LASTS_S or now - session.seen >= IDLE_S
            if expired or not hmac.compare_digest(session.browser, digest_of(browser)):
                del self._sessions[session.key]
                self._write()
                stolen = f"the session of {session.account} came from another browser; ended"
                return None, "the session has expired" if expired else stolen
            session.seen = now
            return session, ""

    def end(self, key: str) -> Session | None:
        """End the session of this key or name; return it."""
        with self._lock:
            for one in list(self._sessions.values()):
                if key in (one.key, one.name):
                    del self._sessions[one.key]
                    self._write()
                    return one
        return None

    def all(self) -> list[Session]:
        """Return the sessions that have not run out, the latest first."""
        with self._lock:
            self._forget_old(self._clock())
            return sorted(self._sessions.values(), key=lambda one: -one.begun)

    def _forget_old(self, now: float) -> None:
        for one in list(self._sessions.values()):
            if now - one.begun >= LASTS_S or now - one.seen >= IDLE_S:
                del self._sessions[one.key]

    def _write(self) -> None:
        try:
            write_durably(self._path, msgspec.json.encode(list(self._sessions.values())), 0o600)
        except OSError as error:  # a full disk must not sign anybody out
            log.warning(
                "sessions are not kept over a restart: %s cannot be written: %s", self._path, error.strerror
            )


def form_token(token: str) -> str:
    """Return what must come with every change in the session of `token`, by HMAC-SHA-256 (RFC 2104)."""
    return hmac.digest(token.encode(), _FOR_FORMS, "sha256").hex()
