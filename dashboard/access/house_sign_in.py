"""Sign-in by the service's identity provider: a reverse proxy authenticates the visitor and names the groups.

The proxy (with OpenID Connect, SAML or Kerberos behind it) is the well-kept part. underair takes its word
only with a secret that the two share, and maps groups to its own roles.
"""

import hmac
from pathlib import Path
from typing import Annotated

import flask
from msgspec import Meta, Struct

from dashboard.access import words
from dashboard.access.accounts import ROLES, AccountFile
from dashboard.access.roles import Visitor
from dashboard.access.sign_in import SignIn
from ingest.archive.store import ArchivePath
from ingest.contract.errors import BadSettings
from ingest.contract.kinds import ID_WORDS
from ingest.toml_faults import struct_in

EXAMPLE = Path(__file__).with_name("house_sign_in.example.toml")
SHORTEST_SECRET = 32
_HEADER = Annotated[str, Meta(pattern=r"\A[A-Za-z][A-Za-z0-9-]{0,63}\Z")]
_LONGEST_NAME = 80


class HouseSettings(Struct, frozen=True, forbid_unknown_fields=True):
    """Which headers the proxy sets, and which of its groups has which roles."""

    secret_file: str
    roles: dict[str, list[str]]
    secret_header: _HEADER = "X-Underair-Proxy"  # noqa: S105  # the header's name
    user_header: _HEADER = "X-Forwarded-User"
    groups_header: _HEADER = "X-Forwarded-Groups"
    separator: Annotated[str, Meta(min_length=1, max_length=1)] = ","


def load_house(path: Path) -> HouseSettings:
    """Read the settings.

    Raises `BadSettings` with the place, the value and what was expected.
    """
    settings = struct_in(path, HouseSettings, EXAMPLE.name)
    for group, given in settings.roles.items():
        for role in given:
            if role not in ROLES:
                raise BadSettings(
                    f"settings {path}: roles of {group!r}: expected {', '.join(ROLES)}, got {role!r}"
                )
    return settings


class HouseSignIn(SignIn):
    """Visitors whom the proxy names. Sessions and the access log work as with accounts of our own.

    `path`: the settings file; sessions are kept beside it.

    Raises `BadSettings` when the settings or the secret cannot be used.
    """

    def __init__(self, path: Path, archive: ArchivePath, *, over_tls: bool) -> None:
        super().__init__(AccountFile(path.with_name(f"{path.name}.accounts")), archive, over_tls=over_tls)
        self._settings = load_house(path)
        self._secret = _secret(Path(self._settings.secret_file))

    def visitor_of(self, request: flask.Request) -> tuple[Visitor | None, str]:
        """Return who makes a request: whom the proxy names, in the session that began as the same."""
        named, why = self._named(request)
        if named is None:
            return None, why
        token = request.cookies.get(self.cookie)
        if not token:
            return None, ""
        session, why = self.sessions.of(token, request.user_agent.string)
        if session is None:
            return None, why
        if session.account != named.account:
            self.sessions.end(session.key)
            return None, f"the session of {session.account} ended: the proxy names another visitor"
        return Visitor(named.account, named.roles, session.name, token), ""

    def _form(self, problem: str = "", wanted: str = "", status: int = 403) -> flask.Response:
        named, why = self._named(flask.request)
        if named is None:
            flask.g.refusal = why
            page = flask.render_template("sign_in.html", title=words.TITLE, problem=words.HOUSE_FIRST)
            return flask.make_response(page, status)
        return self._begin(named.account, wanted)

    def _try(self) -> flask.Response:
        flask.g.refusal = "a password was sent, but the proxy signs visitors in"
        return self._form()

    def _named(self, request: flask.Request) -> tuple[Visitor | None, str]:
        given = request.headers.get(self._settings.secret_header, "")
        if not hmac.compare_digest(given.encode(), self._secret):
            return None, "the request lacks the secret of the proxy"
        if not request.is_secure:  # the server takes X-Forwarded-Proto from the proxy's address only
            return None, "the request did not come from the proxy's address, or not over TLS to it"
        user = request.headers.get(self._settings.user_header, "").strip()
        if not user or len(user) > _LONGEST_NAME or not user.isprintable():
            return None, f"the proxy names nobody; expected a name of {ID_WORDS} or an address"
        groups = request.headers.get(self._settings.groups_header, "").split(self._settings.separator)
        found = {role for group in groups for role in self._settings.roles.get(group.strip(), ())}
        if not found:
            return None, f"no group of {user} has a role here"
        return Visitor(user, frozenset(found)), ""


def _secret(path: Path) -> bytes:
    try:
        mode = path.stat().st_mode
        secret = path.read_bytes().strip()
    except OSError as error:
        raise BadSettings(f"secret_file {path} cannot be read: {error.strerror}") from error
    if mode & 0o077:
        raise BadSettings(f"secret_file {path} can be read by others than its owner; run: chmod 600 {path}")
    if len(secret) < SHORTEST_SECRET:
        raise BadSettings(
            f"secret_file {path} must hold at least {SHORTEST_SECRET} characters, got {len(secret)}"
        )
    return secret
