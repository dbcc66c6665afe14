"""The listener's settings, one TOML file; `settings.example.toml` beside this module has every option."""

from pathlib import Path
from typing import Annotated, Any, Literal

from msgspec import Meta, Struct

from ingest.broker.mqtt import Login, credentials
from ingest.contract.errors import BadSettings
from ingest.toml_faults import struct_in

_ID = "1 to 40 letters, digits, . _ or -"
_EXPECTED = {
    "$.name": f"{_ID}, not beginning with import-",
    "$.broker.protocol": 'one of "3.1.1", "5"',
    "$.broker.shared_group": _ID,
}
EXAMPLE = Path(__file__).with_name("settings.example.toml")


class BrokerSettings(Struct, frozen=True, forbid_unknown_fields=True):
    """How to speak to the broker; user and password may come from the environment instead."""

    protocol: Literal["3.1.1", "5"] = "3.1.1"
    client_id: Annotated[str, Meta(max_length=100)] = ""
    client_id_random: bool = True
    keepalive_s: Annotated[int, Meta(ge=5, le=3600)] = 10
    session_expiry_s: Annotated[int, Meta(ge=60, le=2**32 - 1)] = 604_800
    username: str = ""
    password_file: str = ""
    ca_file: str = ""
    certificate_file: str = ""
    key_file: str = ""
    shared_group: Annotated[str, Meta(pattern=r"\A[A-Za-z0-9._-]{0,40}\Z")] = ""


class JournalSettings(Struct, frozen=True, forbid_unknown_fields=True):
    """What waits in memory before it is on disk."""

    queue_messages: Annotated[int, Meta(ge=100, le=1_000_000)] = 20_000


class SealSettings(Struct, frozen=True, forbid_unknown_fields=True):
    """When a journal segment becomes Parquet: at the first of the two."""

    rows: Annotated[int, Meta(ge=1, le=10_000_000)] = 50_000
    seconds: Annotated[float, Meta(ge=0.1, le=86_400)] = 30.0


class MergeSettings(Struct, frozen=True, forbid_unknown_fields=True):
    """What becomes of the small parts of finished days."""

    finished_days: bool = True


class LimitSettings(Struct, frozen=True, forbid_unknown_fields=True):
    """From when on somebody is named as speaking too much; nothing is thrown away for it."""

    messages_per_s_of_one: Annotated[float, Meta(ge=1, le=100_000)] = 50.0


class Settings(Struct, frozen=True, forbid_unknown_fields=True):
    """All settings of a listener."""

    # A name is part of file names; "import-" begins the parts that no listener made.
    name: Annotated[str, Meta(pattern=r"\A(?!import\b)[A-Za-z0-9._-]{1,40}\Z")] = "listener"
    broker: BrokerSettings = BrokerSettings()
    journal: JournalSettings = JournalSettings()
    seal: SealSettings = SealSettings()
    merge: MergeSettings = MergeSettings()
    limits: LimitSettings = LimitSettings()
    options: dict[str, dict[str, Any]] = {}  # of verbs: `ingest.shared_options`


def load_settings(path: str | Path) -> Settings:
    """Read a settings file; `BadSettings` names the key that is unknown, of another type or out of range."""
    settings = struct_in(path, Settings, EXAMPLE.name, _EXPECTED)
    if settings.broker.shared_group and settings.broker.protocol != "5":
        raise BadSettings(f'settings {path}: broker.shared_group needs broker.protocol = "5"')
    return settings


def login_of(settings: BrokerSettings) -> Login:
    """Return who we are: user and password each as the environment says, else as the settings say."""
    username, password = credentials()
    if password is None and settings.password_file:
        try:
            password = Path(settings.password_file).read_text(encoding="utf-8").rstrip("\r\n")
        except (OSError, UnicodeDecodeError) as error:
            raise BadSettings(
                f"broker.password_file {settings.password_file} cannot be read: {error}"
            ) from error
    return Login(
        username or settings.username or None,
        password,
        settings.ca_file or None,
        settings.certificate_file or None,
        settings.key_file or None,
    )


def load_login(path: str | Path | None) -> Login:
    """Return who a settings file says that we are; without a file, who the environment says."""
    return Login() if path is None else login_of(load_settings(path).broker)
