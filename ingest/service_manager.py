"""Tells a service manager (systemd's ``Type=notify``) that we are ready and that we live.

The protocol is one datagram of ``NAME=VALUE`` lines to the socket that ``NOTIFY_SOCKET`` names: sd_notify(3).
Without that variable nothing happens.
"""

import contextlib
import os
import socket
import time


class ServiceManager:
    """Who started us, if it wants to know how we are."""

    def __init__(self) -> None:
        address = os.environ.get("NOTIFY_SOCKET", "")
        # A leading @ is Linux's abstract namespace.
        self._address = "\0" + address[1:] if address.startswith("@") else address
        limit_s = int(os.environ.get("WATCHDOG_USEC", "0") or 0) / 1e6
        self._every_s = limit_s / 3
        self._told_s = 0.0
        self._ready = False

    def ready(self) -> None:
        """Say once that we do our work."""
        if not self._ready:
            self._ready = True
            self._tell("READY=1")

    def alive(self, why_not: str = "") -> None:
        """Say that we live, as often as the watchdog asks; not while there is a reason why not.

        Without this the watchdog restarts us.
        """
        now_s = time.monotonic()
        if self._every_s and not why_not and now_s - self._told_s >= self._every_s:
            self._told_s = now_s
            self._tell("WATCHDOG=1")

    def _tell(self, line: str) -> None:
        if not self._address:
            return
        # A manager that does not listen must not keep us from our work.
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
            out.sendto(line.encode(), self._address)
