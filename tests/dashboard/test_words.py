"""Words that people read: percentages written in one way, names that can stand in a list."""

from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import get_args

import pytest

from analysis.alarms.kinds import KINDS
from analysis.trends.measures import FLAGS, LOGS, MEANS
from dashboard.live.sentences import ALARMS as LIVE_ALARMS
from dashboard.review import words as review
from dashboard.review.overview import ALARM_SIGNS
from dashboard.trends.words import MEASURE
from dashboard.words import ALARMS
from ingest.contract.kinds import Alarm

ROOT = Path(__file__).parents[2]
# After a figure or a placeholder, or at the beginning of what follows one in an f-string; `.0%` of a format.
OTHERWISE = re.compile(r"(?:[\d}]|^) ?%(?![\w({])")


def texts_of(module: Path) -> Iterator[str]:
    tree = ast.parse(module.read_text(encoding="utf-8"))
    bare = {
        id(node.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in bare:
            yield node.value


def test_no_text_of_the_pages_and_findings_writes_it_otherwise() -> None:
    modules = [*(ROOT / "dashboard").rglob("*.py"), *(ROOT / "analysis/findings").glob("*.py")]
    texts = [(module.name, text) for module in modules for text in texts_of(module)]
    for page in [*(ROOT / "dashboard").rglob("*.j2"), *(ROOT / "dashboard").rglob("*.toml")]:
        written = re.sub(
            r"\{[%{].*?[%}]\}", " ", re.sub(r"&nbsp;|\\u00a0", "\u00a0", page.read_text(encoding="utf-8"))
        )
        texts += [(page.name, one) for one in (written.splitlines() if page.suffix == ".toml" else [written])]
    assert [name for name, text in texts if name == "report.html.j2" and "90\u00a0%" in text]
    assert sum("\u00a0%" in text for _, text in texts) > 10
    assert [one for one in texts if OTHERWISE.search(one[1])] == []


def test_whatever_may_stand_out_in_the_trends_has_its_words() -> None:
    assert {*FLAGS, *MEANS, *LOGS} <= set(MEASURE)


def test_an_alarm_s_name_can_stand_in_a_list_of_alarms() -> None:
    """Or "no motion, no motion, first stage" would be read as three."""
    assert list(ALARMS) == list(KINDS)
    assert set(ALARM_SIGNS) == set(KINDS)
    named = {kind: about.named for kind, about in KINDS.items()}
    for names in (ALARMS, ALARMS | review.ALARMS_NARROW, LIVE_ALARMS, named):
        assert set(names) == set(get_args(Alarm))
        assert [name for name in names.values() if "," in name] == []


def test_no_module_gives_one_name_two_values() -> None:
    """The review's words had `AT_LEAST` twice: a table printed the placeholder of the other."""
    for module in sorted(
        one for room in ("ingest", "analysis", "dashboard") for one in (ROOT / room).rglob("*.py")
    ):
        given = [
            name.id
            for node in ast.parse(module.read_text(encoding="utf-8")).body
            if isinstance(node, ast.Assign)
            for target in node.targets
            for name in (target.elts if isinstance(target, ast.Tuple) else [target])
            if isinstance(name, ast.Name)
        ]
        assert sorted(given) == sorted(set(given)), module


@pytest.mark.parametrize(
    ("room", "name", "pages"),
    [
        ("", "words", "templates/header.html.j2 pages/method.html.j2"),
        ("live", "words", ""),
        ("review", "words", "review/*.j2"),
        ("trends", "words", "trends/*.html.j2"),
        ("access", "words", "templates/*.html pages/access.html.j2"),
        ("privacy", "register_words", "pages/register.html.j2"),
    ],
)
def test_every_word_of_a_file_has_a_user_and_every_user_its_word(room: str, name: str, pages: str) -> None:
    """No type checker sees that a name is missing in the file: a page would fail when somebody opens it."""
    there = tomllib.loads((ROOT / "dashboard" / room / f"{name}.toml").read_text(encoding="utf-8"))
    texts = [user.read_text(encoding="utf-8") for user in (ROOT / "dashboard").rglob("*.py")]
    used = set()
    package = f"dashboard.{room}" if room else "dashboard"
    for text in texts:
        for imports in re.findall(rf"from {package} import (.+)", text):
            for one in imports.split(", "):
                imported, _, called = one.partition(" as ")
                if imported == name:
                    used |= set(re.findall(rf"(?<![\w.]){called or name}\.([A-Z_]+)\b", text))
        for taken in re.findall(rf"from {package}\.{name} import (.+)", text):
            used |= {one for one in taken.split(", ") if one.isupper()}
    for page in (page for one in pages.split() for page in (ROOT / "dashboard").glob(one)):
        used |= set(re.findall(r"\bwords\.([A-Z_]+)\b", page.read_text(encoding="utf-8")))
    assert sorted(used - set(there)) == []
    assert sorted(set(there) - used) == []
