"""How many sign-in attempts are allowed: too few for guessing, and no stranger locks everybody out."""

from __future__ import annotations

import ipaddress
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from dashboard.access.accounts import digest_of


@dataclass(frozen=True)
class Limit:
    """The most failed attempts within a time."""

    failures: int
    within_s: float


# Our own rule. One account from one place is held soonest; an account as a whole last, because wrong
# passwords from elsewhere must not lock out the desk (NIST SP 800-63B, 5.2.2, allows up to 100).
ACCOUNT_FROM_HERE = Limit(5, 900.0)
FROM_HERE = Limit(20, 900.0)
ACCOUNT = Limit(100, 3600.0)
MOST_KEYS = 10_000
_NO_ACCOUNT = "\0"  # in no account's name


class Attempts:
    """Failures by account, by place, and by both.

    `clock`: seconds, never going back.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._failures: dict[tuple[str, str], deque[float]] = {}
        self._lock = threading.Lock()

    def begin(self, name: str, address: str, *, known: bool) -> float:
        """Count an attempt, and return 0; or count nothing and return the seconds to wait before the next.

        It counts before the password is checked, so that eight attempts at once count as eight.

        - `known`: whether there is such an account. A name without one is held just as a name with one:
          otherwise the answer would show which names are accounts.
        """
        now = self._clock()
        with self._lock:
            # A digest: people type passwords into the wrong field, and a name may be of any length.
            keys = self._keys(name if known else _NO_ACCOUNT + digest_of(name), address)
            wait_s = max(self._wait_s(key, limit, now) for key, limit in keys)
            if wait_s <= 0.0:
                for key, _ in keys:
                    # The latest comes last, so that the oldest is forgotten when there is no room.
                    self._failures[key] = self._failures.pop(key, deque())
                    self._failures[key].append(now)
                if len(self._failures) > MOST_KEYS:
                    self._forget_old(now)
            return max(0.0, wait_s)

    def succeeded(self, account: str, address: str) -> None:
        """Take back the attempt just counted, and forget this account's failures from this place."""
        with self._lock:
            for key, limit in self._keys(account, address):
                if limit is ACCOUNT_FROM_HERE:
                    self._failures.pop(key, None)
                elif self._failures.get(key):
                    self._failures[key].pop()

    def _keys(self, account: str, address: str) -> list[tuple[tuple[str, str], Limit]]:
        place = network(address)
        return [(("", place), FROM_HERE), ((account, place), ACCOUNT_FROM_HERE), ((account, ""), ACCOUNT)]

    def _wait_s(self, key: tuple[str, str], limit: Limit, now: float) -> float:
        failures = self._failures.get(key)
        if failures is None:
            return 0.0
        while failures and now - failures[0] >= limit.within_s:
            failures.popleft()
        return failures[0] + limit.within_s - now if len(failures) >= limit.failures else 0.0

    def _forget_old(self, now: float) -> None:
        longest = max(limit.within_s for limit in (ACCOUNT_FROM_HERE, FROM_HERE, ACCOUNT))
        recent = {k: times for k, times in self._failures.items() if times and now - times[-1] < longest}
        # Somebody with thousands of addresses fills no memory; what an account has against it stays. A
        # quarter at once, else each attempt from then on would look through them all.
        places = [key for key in recent if key[1] or key[0].startswith(_NO_ACCOUNT)]
        for key in places[: max(0, len(recent) - MOST_KEYS * 3 // 4)]:
            del recent[key]
        self._failures = recent


def network(address: str) -> str:
    """Return the place of an address: itself, or its /64, because one IPv6 line has a whole /64."""
    try:
        known = ipaddress.ip_address(address)
    except ValueError:
        return "unknown"
    if known.version == 6:
        return str(ipaddress.ip_network((known, 64), strict=False))
    return str(known)
