from __future__ import annotations

import contextlib
import re
import tomllib
from pathlib import Path

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.broker.mqtt import Login
from ingest.contract.errors import BadSettings
from ingest.settings import EXAMPLE, BrokerSettings, Settings, load_settings, login_of


def test_example_documents_every_option_with_its_default() -> None:
    text = EXAMPLE.read_text()
    assert tomllib.loads(text) == msgspec.to_builtins(Settings())
    assert load_settings(EXAMPLE) == Settings()
    lines = text.splitlines()
    for number, line in enumerate(lines):
        if re.match(r"\w+ = ", line):
            assert lines[number - 1].startswith("#"), f"{line} has no comment"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("nmae = 'x'", "unknown field `nmae`"),
        ("[seal]\nrow = 5", r"unknown field `row` - at `\$.seal`"),
        ("[seal]\nrows = 0", r">= 1 - at `\$.seal.rows`"),
        ("[seal]\nrows = '5'", r"Expected `int`, got `str` - at `\$.seal.rows`"),
        ("[broker]\nprotocol = '4'", r"Invalid enum value '4' - at `\$.broker.protocol`"),
        ("name = 'a/b'", r"at `\$.name`"),
        ("name = 'import-x'", r"at `\$.name`"),
        ("name = ", "is not TOML"),
    ],
)
def test_wrong_option_is_named_with_its_path(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "settings.toml"
    path.write_text(text)
    with pytest.raises(BadSettings, match=said):
        load_settings(path)


def test_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(BadSettings, match="cannot be read: No such file"):
        load_settings(tmp_path / "none.toml")


def test_password_comes_from_a_file(tmp_path: Path) -> None:
    (tmp_path / "password").write_text("se cret\n")
    settings = BrokerSettings(username="listener", password_file=str(tmp_path / "password"))
    assert login_of(settings) == Login("listener", "se cret")
    assert login_of(BrokerSettings()) == Login()
    with pytest.raises(BadSettings, match=r"broker.password_file .* cannot be read"):
        login_of(BrokerSettings(password_file=str(tmp_path / "none")))


@given(body=st.binary(max_size=200))
def test_any_bytes_are_settings_or_an_error_with_a_sentence(
    body: bytes, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("settings") / "settings.toml"
    path.write_bytes(body)
    with contextlib.suppress(BadSettings):
        load_settings(path)
