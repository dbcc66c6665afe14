"""The page of the method shows the packages' documents as they stand, to every role that signs in."""

from __future__ import annotations

import ast
import re
import zipfile
from importlib.resources import files
from itertools import pairwise
from pathlib import Path

import pytest
from hatchling.builders.wheel import WheelBuilder

from dashboard import words
from dashboard.access.accounts import ROLES
from dashboard.pages import method
from tests.dashboard.guarded_pages import GuardedPages

ROOT = Path(__file__).parents[2]


@pytest.fixture
def pages(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> GuardedPages:
    return GuardedPages(tmp_path, monkeypatch)


def places_of(name: str) -> set[str]:
    """What an address may point at in a document: its headings, and what its tables' rows begin with."""
    text = method.document(name)
    headings = {method.anchor(heading) for heading, _ in method.sections(text)} - {""}
    return headings | set(re.findall(r"^\| `([^`]+)` \|", text, re.M))


@pytest.mark.parametrize("role", ROLES)
def test_every_role_may_read_it_and_every_page_leads_there(pages: GuardedPages, role: str) -> None:
    told = pages.client(role).page("/method").get_data(as_text=True)
    assert "How underair computes each figure, how accurate it is" in told
    assert words.CAUTION in told
    for path in ("/live", "/review", "/trends", "/access", "/method", "/nowhere"):
        footer = pages.client(role).page(path).get_json()["response"]["shell"]["children"][-1]
        assert footer["type"] == "Footer"
        assert '"href": "/method"' in str(footer).replace("'", '"')


def test_nobody_else_may(pages: GuardedPages) -> None:
    assert pages.client().page("/method").status_code == 401


def test_it_is_no_role_s_first_page(pages: GuardedPages) -> None:
    told = pages.client("admin").page("/").get_data(as_text=True)
    assert "for an investigator" not in told


@pytest.mark.parametrize("name", method.DOCUMENTS)
def test_a_document_is_shown_whole_and_its_links_lead_somewhere(name: str) -> None:
    package, path = method.DOCUMENTS[name]
    written = files(package).joinpath(path).read_text(encoding="utf-8")
    shown = method.document(name)
    assert "".join(part for _, part in method.sections(shown)) == shown
    letters = re.compile(r"\]\([^)]*\)|[\s\u00a0\[\]]")
    without_pictures = re.sub(r"^!\[.*\n", "", written, flags=re.M)
    assert letters.sub("", shown) == letters.sub("", without_pictures)
    for target in re.findall(r"\]\(([^)]+)\)", shown):
        leads = re.fullmatch(r"/method\?document=(\w+)(?:#(.+))?", target)
        assert leads is not None, target
        assert leads[2] is None or leads[2] in places_of(leads[1]), target
    places = [method.anchor(heading) for heading, _ in method.sections(shown) if heading]
    assert len(places) == len(set(places))


@pytest.mark.parametrize("name", method.DOCUMENTS)
def test_every_column_of_a_table_has_a_head(name: str) -> None:
    """Whoever hears the page has nothing else that says what a cell is; five heads were empty."""
    lines = method.document(name).splitlines()
    heads = [line for line, below in pairwise(lines) if re.fullmatch(r"[|][ :|-]+[|]", below)]
    assert [line for line in heads if any(not cell.strip() for cell in line[1:-1].split("|"))] == []


def test_the_names_of_the_documents_are_all_there() -> None:
    assert list(words.DOCUMENTS) == list(method.DOCUMENTS)


def test_a_document_that_is_not_there_gives_the_method(pages: GuardedPages) -> None:
    for query in ("?document=../../etc/passwd", "?document=", "?document=service"):
        told = pages.client("review").page("/method", query).get_data(as_text=True)
        assert "How underair computes each figure, how accurate it is" in told


def test_every_finding_has_its_place() -> None:
    called = {
        node.args[0].value
        for module in (ROOT / "analysis/findings").glob("*.py")
        for node in ast.walk(ast.parse(module.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id in ("Finding", "finding", "_finding")
        and isinstance(node.args[0], ast.Constant)
    }
    assert len(called) > 20
    assert called <= places_of("findings")


def test_a_wheel_holds_the_documents(tmp_path: Path) -> None:
    (wheel,) = WheelBuilder(str(ROOT)).build(directory=str(tmp_path), versions=["standard"])
    held = set(zipfile.ZipFile(wheel).namelist())
    assert {f"{package}/{path}" for package, path in method.DOCUMENTS.values()} <= held
