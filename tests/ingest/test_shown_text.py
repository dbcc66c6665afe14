"""Nothing that a verb prints can move the cursor, hide text or break a line by a name."""

from __future__ import annotations

import re
import unicodedata
from pathlib import Path

import pytest

from ingest.shown_text import echo, shown
from tests.verbs import underair

ROOT = Path(__file__).parents[2]
# Controls, separators and surrogates; a test below goes through all signs.
UNSEEN = [*map(chr, (*range(0x20), *range(0x7F, 0xA0), 0x2028, 0x2029, *range(0xD800, 0xE000)))]
TURNING = [
    *"\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
]  # UAX 9, 2: all there are


@pytest.mark.parametrize("sign", [*UNSEEN[:70], *UNSEEN[-3:], *TURNING])
def test_sign_that_cannot_be_seen_is_escaped(sign: str) -> None:
    assert sign not in shown(f"a{sign}b")
    assert shown(f"a{sign}b").isprintable()


def test_all_of_them_are_escaped_and_what_people_write_is_not() -> None:
    signs = map(chr, range(0x110000))
    assert [one for one in signs if unicodedata.category(one) in ("Cc", "Zl", "Zp", "Cs")] == UNSEEN
    assert shown("".join(UNSEEN)).isascii()
    words = "Zoë Ünal 消防 حريق 50 °C – W-07 👩‍🚒".replace("\u200d", "")
    assert shown(words) == words


def test_echo_keeps_lines_and_tabs(capsys: pytest.CaptureFixture[str]) -> None:
    echo("one\ttwo\nthree\x1b[31m")
    assert capsys.readouterr().out == "one\ttwo\nthree\\x1b[31m\n"


def test_every_verb_prints_through_it() -> None:
    found = [
        f"{path.relative_to(ROOT)}: {line.strip()}"
        for package in ("ingest", "analysis", "dashboard")
        for path in (ROOT / package).rglob("*.py")
        if path.name not in ("shown_text.py", "talk.py")
        for line in path.read_text().splitlines()
        if re.search(r"\bclick\.(echo|secho)\(", line) and "noqa" not in line and ">>>" not in line
    ]
    assert found == []


def test_error_with_an_escape_sequence_in_a_name_reaches_no_terminal(tmp_path: Path) -> None:
    log = tmp_path / "a\x1b]0;owned\x07.ndjson"
    done = underair("import", log, "--archive", tmp_path / "archive")
    assert done.returncode != 0
    assert "owned" in done.stderr
    assert "\x1b" not in done.stdout + done.stderr
    assert "\x07" not in done.stdout + done.stderr
