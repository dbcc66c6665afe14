"""Findings filtered and marked, views kept by name, two wearers on one axis, lanes saved."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect

from dashboard.pages import review as review_page
from ingest.importing import import_capture
from tests.served_pages import pages_over

pytestmark = pytest.mark.browser

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "cooperage_fire.ndjson.gz"
BENCH = "/review?incident=TH-20310504-1912"
DRAWN = "#review-lanes .js-plotly-plot .main-svg"


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("archive")
    import_capture(SAMPLE, folder)
    with pages_over(folder, {"/review": review_page}) as address:
        yield address


def test_the_first_screen_of_768_lines_has_everybody_a_lane_and_findings_to_filter(
    page: Any, address: str
) -> None:
    page.set_viewport_size({"width": 1024, "height": 768})
    page.goto(address + BENCH)
    page.wait_for_selector(DRAWN)
    for part in (".finding-item", "#review-overview .js-plotly-plot"):
        box = page.locator(part).first.bounding_box()
        assert box["y"] + min(box["height"], 100) <= 768, part
    title = page.locator("#review-lanes .annotation-text", has_text="Pressure, bar").first.bounding_box()
    assert title["y"] <= 768 - 80, "the air lane is cut off"

    # Findings are counted, filtered and grouped.
    grades = page.locator("#review-findings .grades button")
    assert [text.rpartition(" ")[0] for text in grades.all_inner_texts()] == [
        "▲ serious",
        "◆ caution",
        "○ note",
    ]
    counted = sum(int(text.rpartition(" ")[2]) for text in grades.all_inner_texts())
    assert page.locator(".finding-item").count() == counted
    grades.first.click()
    expect(page.locator(".finding-item.grade-serious")).to_have_count(0)
    expect(page.locator(".finding-item")).not_to_have_count(0)
    grades.first.click()
    page.select_option("#review-findings select", "W-02")
    whose = page.locator(".finding-item .whose")
    expect(whose.filter(has_not_text=re.compile(r"^W-02 "))).to_have_count(0)
    expect(whose).not_to_have_count(0)


def test_a_finding_is_marked_a_view_is_kept_for_everybody_and_lanes_are_saved(
    page: Any, address: str
) -> None:
    page.goto(address + BENCH + "&people=W-02,W-05")
    page.wait_for_selector(".finding-item")
    page.locator("#review-findings .look").first.click()
    page.fill("#review-findings .looking input", "radio log agrees")
    page.click("#review-findings .looking button[type=submit]")
    expect(page.locator("#review-findings .looked").first).to_contain_text("radio log agrees")
    page.wait_for_selector("#review-bookmark-form input")
    page.fill("#review-bookmark-form input", "W-02 turns late")
    page.click("#review-bookmark-form button")
    page.wait_for_selector("a:has-text('W-02 turns late')")
    assert "people=W-02" in page.get_attribute("a:has-text('W-02 turns late')", "href")

    # Two wearers lie on one axis, and lanes are saved.
    page.wait_for_selector(DRAWN)
    page.click("[data-set='overlay:yes']")
    page.wait_for_selector("#review-lanes .annotation-text:has-text('On one axis')")
    expect(page).to_have_url(re.compile("overlay=yes"))
    with page.expect_download() as drawing:
        page.click("#review-lanes-svg")
    text = Path(drawing.value.path()).read_text(encoding="utf-8")
    assert text.startswith('<svg xmlns="http://www.w3.org/2000/svg"')
    assert "On one axis" in text
    with page.expect_download() as picture:
        page.click("[data-set='picture:png']")
    assert Path(picture.value.path()).read_bytes().startswith(b"\x89PNG")
    page.focus("#review-lanes-frame")
    page.keyboard.press("ArrowRight")
    page.wait_for_selector("#review-moment a[href^='/board?at=2031-05-04']")
