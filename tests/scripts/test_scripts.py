"""The scripts of the pages: TypeScript checks types, Node tests what they compute, and no word is missing."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from dashboard.live import words as live_words
from dashboard.live.commands import COLUMNS
from dashboard.review import words as review_words
from tests.conftest import missing

HERE = Path(__file__).parent
SCRIPTS = sorted((HERE.parents[1] / "dashboard" / "assets").rglob("*.js"))
LONGEST = 300


def run(*command: str) -> str:
    """Return what a program prints; fail with it when it finds something."""
    done = subprocess.run(command, cwd=HERE, capture_output=True, text=True, check=False)
    told = done.stdout + done.stderr
    assert done.returncode == 0, told
    return told


def test_types_agree_with_what_the_server_sends_and_nothing_is_unused() -> None:
    if shutil.which("tsc") is None:
        missing("TypeScript's tsc", "apt-get install node-typescript")
    run("tsc", "--project", ".")


def test_what_the_scripts_compute() -> None:
    if shutil.which("node") is None:
        missing("node", "apt-get install nodejs")
    told = run("node", "--test", *(str(path) for path in sorted(HERE.glob("*.test.mjs"))))
    (passed,) = re.findall(r"^(?:#|ℹ) pass (\d+)$", told, re.MULTILINE)
    assert int(passed) >= 25, "node ran fewer tests than there are"


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda path: path.name)
def test_a_script_has_one_subject_and_asks_for_words_that_exist(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert text.startswith("// "), "the first line names the subject"
    assert len(text.splitlines()) <= LONGEST
    assert '"use strict";' in text
    assert "innerHTML" not in text, "text goes in as text"
    known: set[str] = set()
    if path.name.startswith("live"):
        known = {*live_words.PAGE, *live_words.PAST_PAGE, "may_send", "order_by_voice", "read_only"}
    elif path.name.startswith("review"):
        known = {*review_words.PAGE, "grades", "noFindings", "noteTime", "noteCertainties"}
    asked = set(re.findall(r"\bwords\.(\w+)", re.sub(r"//.*", "", text)))
    assert asked - known == set()


def test_every_word_for_the_scripts_is_asked_for() -> None:
    asked = set(re.findall(r"\bwords\.(\w+)", "".join(path.read_text(encoding="utf-8") for path in SCRIPTS)))
    asked |= {"units", "units_what", "times", "times_what"}  # `live_choices.js` puts these names together
    asked |= {f"head_{name}" for name in COLUMNS}  # the verb `board`
    there = {*live_words.PAGE, *live_words.PAST_PAGE, *review_words.PAGE}
    assert sorted(there - asked) == []
