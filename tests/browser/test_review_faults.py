"""What a page says when a callback fails, and that the bench keeps the rules of accessibility."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from waitress.server import create_server

from analysis.profile import Profile
from dashboard.app import create_app
from dashboard.charts import bench as bench_parts
from dashboard.context import Context
from dashboard.pages import review as review_page
from dashboard.underair import main
from ingest.archive.reading import Archive

pytestmark = pytest.mark.browser

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "late_turn_back.ndjson.gz"
BENCH = "/review?incident=TH-20310504-1912"


@pytest.fixture
def address(tmp_path: Path) -> Any:
    with pytest.raises(SystemExit) as done:
        main(["import", str(SAMPLE), "--archive", str(tmp_path / "archive")])
    assert done.value.code == 0
    context = Context(archive=Archive(tmp_path / "archive"), profile=Profile.default())
    server = create_server(
        create_app(context, pages={"/review": review_page}).server, host="127.0.0.1", port=0
    )
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.effective_port}"
    server.close()
    thread.join(5)


def fails(*_: Any) -> Any:
    raise ZeroDivisionError("made to fail by the test")


def test_a_page_that_cannot_be_made_says_so(page: Any, address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(review_page, "_content", fails)
    page.goto(f"{address}/review")
    page.wait_for_selector("[role=alert]")
    assert "Reload the page" in page.inner_text("[role=alert]")
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
