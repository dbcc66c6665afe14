"""What a page says when a callback fails, and that the bench keeps the rules of accessibility."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from dashboard.pages import review as review_page
from dashboard.review import bench as bench_parts
from ingest.importing import import_capture
from tests.served_pages import pages_over

pytestmark = pytest.mark.browser

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "late_turn_back.ndjson.gz"
BENCH = "/review?incident=TH-20310504-1912"


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("archive")
    import_capture(SAMPLE, folder)
    with pages_over(folder, {"/review": review_page}) as address:
        yield address


def fails(*_: Any) -> Any:
    raise ZeroDivisionError("made to fail by the test")


def test_a_page_that_cannot_be_made_says_so(page: Any, address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(review_page, "_content", fails)
    page.goto(f"{address}/review")
    page.wait_for_selector("[role=alert]:not(:empty)")
    assert "Reload the page" in page.inner_text("[role=alert]:not(:empty)")
    assert "made to fail" not in page.content()


def test_a_figure_that_cannot_be_drawn_is_said_and_the_old_one_stays(
    page: Any, address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    page.goto(address + BENCH)
    page.wait_for_selector("#review-lanes .main-svg")
    monkeypatch.setattr(bench_parts, "drawn", fails)
    page.click("[data-set='lane:motion']")
    page.wait_for_selector("#failed [role=alert]")
    assert page.locator("#review-lanes .main-svg").count() > 0


def test_list_and_bench_keep_the_rules_of_accessibility(
    page: Any, address: str, axe: Callable[[Any], list[str]]
) -> None:
    for path, ready in (("/review", "#review-incidents td"), (BENCH, "#review-note-form form")):
        page.goto(address + path)
        page.wait_for_selector(ready)
        assert axe(page) == []
