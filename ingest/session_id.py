"""The id of a listener's session at its broker: kept beside the journal, and told to nobody."""

import secrets
from pathlib import Path

from ingest.archive.durable import write_durably
from ingest.settings import BrokerSettings

SESSION_FILE = "session-id"
_OLD_SESSION_FILE = "client-id"  # of 0.3: the id, unless the settings named another


def session_id(folder: Path, settings: BrokerSettings) -> tuple[bool, str]:
    """Return whether the broker may have a session of a listener already, and the session's id.

    Whoever knows the id and may connect can take the session over, and with it the messages that wait there.
    So it has a random end even when the settings name its beginning, and it is in no topic and no status.

    - `folder`: of the listener's journal, where the id is kept.
    - `settings`: `client_id` is the id's beginning, or all of it when `client_id_random` is off. After an
      upgrade from 0.3 the id stays as it was: messages may wait for it at the broker.
    """
    path = folder / SESSION_FILE
    named = settings.client_id
    old = folder / _OLD_SESSION_FILE
    kept = _text_of(path) if path.exists() else (named or _text_of(old)) if old.exists() else ""
    if named and not settings.client_id_random:
        wanted = named
    elif kept and kept.startswith(named or "underair-"):
        wanted = kept
    else:
        wanted = f"{named or 'underair'}-{secrets.token_hex(8)}"
    if not path.exists() or kept != wanted:
        write_durably(path, f"{wanted}\n".encode())
    return kept == wanted, wanted


def _text_of(path: Path) -> str:
    return path.read_bytes().decode(errors="replace").strip()  # a damaged id is another id
