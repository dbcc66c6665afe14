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
        ("nmae = 'x'", r"unknown key 'nmae' \(at \$.nmae\)"),
        ("[seal]\nrow = 5", r"unknown key 'row' \(at \$.seal.row\)"),
        ("[seal]\nrows = 0", r"expected a whole number >= 1, got 0 \(at \$.seal.rows\)"),
        ("[seal]\nrows = '5'", r"expected a whole number, got '5' \(at \$.seal.rows\)"),
        ("[merge]\nfinished_days = 'no'", r"expected true or false, got 'no' \(at \$.merge.finished_days\)"),
        ("[broker]\nkeepalive_s = 2", r"expected a whole number >= 5 s, got 2 \(at \$.broker.keepalive_s\)"),
        (
            "[broker]\nprotocol = '4'",
            r"""expected one of "3.1.1", "5", got '4' \(at \$.broker.protocol\); settings.example""",
        ),
        ("name = 'a/b'", r"expected 1 to 40 letters, digits, . _ or -, .* got 'a/b' \(at \$.name\)"),
        ("name = 'import-x'", r"not beginning with import-, got 'import-x' \(at \$.name\)"),
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
