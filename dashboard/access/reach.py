"""Who can reach the pages: this machine only; or others, through a proxy with TLS and signed in.

The server (waitress) speaks no TLS. That is left to a proxy: every service has one or can install it, its
distribution mends it, and it renews certificates automatically. TLS here would be one more thing to guard.
"""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from dashboard.access import words
from ingest.contract.errors import BadSettings

LOOPBACK = ("127.0.0.1", "localhost", "::1")
# Bigger than any page or form of ours sends.
LARGEST_BODY_BYTES = 256 * 1024


@dataclass(frozen=True)
class Reach:
    """How the pages are reached; `checked` refuses what is unsafe."""

    host: str = "127.0.0.1"  # the address that is listened on
    accounts: Path | None = None  # file of accounts; with one, nobody sees anything without signing in
    public_url: str | None = None  # ``https://NAME`` where the reverse proxy is reached
    proxy: str | None = None  # address from which the proxy reaches us; only its word on who asks is taken
    house: Path | None = None  # settings of a sign-in by the house, in place of accounts of our own

    def checked(self) -> Reach:
        """Return it when it is safe.

        Raises `BadSettings` with what is missing and what to do.
        """
        from dashboard.access.accounts import AccountFile

        if self.public_url is not None:
            _public_host(self.public_url)
        elif self.proxy is not None:
            raise BadSettings("--proxy has no meaning without --public-url https://NAME")
        if self.host not in LOOPBACK or self.public_url is not None:
            missing = []
            if self.accounts is None and self.house is None:
                missing.append("sign-in (--accounts) is needed")
            if self.public_url is None:
                missing.append("TLS by a declared reverse proxy (--public-url) is needed")
            elif self.proxy is None and self.host not in LOOPBACK:
                missing.append("the proxy's address (--proxy) is needed")
            if missing:
                raise BadSettings(words.BEYOND_LOOPBACK.format(host=self.host, missing=" and ".join(missing)))
        if self.proxy is not None:
            try:
                ipaddress.ip_address(self.proxy)
            except ValueError as error:
                raise BadSettings(f"--proxy must be one IP address, got {self.proxy!r}") from error
        if self.house is not None and self.accounts is not None:
            raise BadSettings(
                "--accounts and --house-sign-in exclude each other: give the one that signs visitors in"
            )
        if self.house is not None and self.public_url is None:
            raise BadSettings("--house-sign-in needs the proxy that signs in: --public-url https://NAME")
        if self.accounts is not None and not AccountFile(self.accounts).accounts():
            raise BadSettings(
                f"--accounts {self.accounts} holds no account, so nobody could sign in; make one with "
                f"`underair account add NAME --role ROLE --accounts {self.accounts}`"
            )
        return self

    @property
    def hosts(self) -> list[str]:
        """The names that a request may be addressed to; another is refused (DNS rebinding)."""
        if self.public_url is not None:
            return [_public_host(self.public_url)]
        return ["127.0.0.1", "localhost", "[::1]"]

    @property
    def proxy_options(self) -> dict[str, Any]:
        """What the server knows of the proxy; without one, forwarded headers are thrown away."""
        if self.public_url is None:
            return {"clear_untrusted_proxy_headers": True}
        return {
            "trusted_proxy": self.proxy or ("::1" if self.host == "::1" else "127.0.0.1"),
            "trusted_proxy_count": 1,
            "trusted_proxy_headers": {"x-forwarded-for", "x-forwarded-host", "x-forwarded-proto"},
            "clear_untrusted_proxy_headers": True,
        }


def _public_host(url: str) -> str:
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError as error:
        raise BadSettings(
            f"--public-url cannot be read: {error}; write it like https://air.example"
        ) from None
    plain = parts.path in ("", "/") and not parts.query and not parts.fragment and parts.username is None
    if parts.scheme != "https" or not parts.hostname or not plain:
        told = f"got {url!r}" if parts.username is None else "without a user or password in it"
        raise BadSettings(f"--public-url must be https://NAME or https://NAME:PORT, {told}")
    return parts.hostname if port in (None, 443) else f"{parts.hostname}:{port}"
