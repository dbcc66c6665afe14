"""The page of the method in a browser: it can be read, fits, prints, and shows the place asked for."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from dashboard.pages import method, trends
from tests.served_pages import pages_over

pytestmark = pytest.mark.browser

WIDER = """() => [document.documentElement, ...document.querySelectorAll('.method :is(table, pre)')]
  .filter(part => part.scrollWidth > part.clientWidth + 1
    || part.getBoundingClientRect().right > document.documentElement.clientWidth)
  .map(part => part.outerHTML.slice(0, 80))"""
PAPER_PX = 718  # A4 less the margins of a browser, at 96 to the inch
READY = ".method section:last-of-type :is(p, td, li)"


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with pages_over(tmp_path_factory.mktemp("archive"), {"/trends": trends}) as address:
        yield address


@pytest.mark.parametrize("name", method.DOCUMENTS)
def test_a_document_can_be_read(page: Any, address: str, name: str, axe: Callable) -> None:
    page.goto(f"{address}/method?document={name}")
    page.wait_for_selector(READY)
    assert page.locator("h1").count() == 1
    if name == "method":  # has every kind of text that the others have
        assert axe(page) == []
        page.emulate_media(color_scheme="dark")
        assert axe(page, contrast=True) == []
    # Each link of the text leads to a document or a place on this one, and no text was taken for a link.
    links = page.locator(".method section a").evaluate_all("all => all.map(a => a.getAttribute('href'))")
    assert [link for link in links if not link.startswith("/method?document=")] == []
    for size in ((1440, 900), (1024, 768)):
        page.set_viewport_size({"width": size[0], "height": size[1]})
        assert page.evaluate(WIDER) == []
    page.set_viewport_size({"width": PAPER_PX, "height": 1000})
    page.emulate_media(media="print", color_scheme="dark")
    assert page.evaluate(WIDER) == []
    assert page.locator(".caution").is_visible()
    assert page.locator(".method nav:visible").count() == 0


def test_the_footer_leads_there_and_the_contents_to_a_heading(page: Any, address: str) -> None:
    page.goto(f"{address}/trends")
    page.get_by_role("link", name="How it is computed").click()
    page.get_by_role("heading", level=1, name="How the numbers are made").wait_for()
    page.get_by_role("link", name="Clocks and heat, measured").click()
    page.wait_for_function(
        "Math.abs(document.getElementById('clocks-and-heat-measured').getBoundingClientRect().top) < 2"
    )
    page.wait_for_function("document.activeElement.id === 'clocks-and-heat-measured'")  # it scrolls first


def test_an_address_shows_the_row_that_it_names(page: Any, address: str) -> None:
    page.goto(f"{address}/method?document=findings#silence_under_air")
    row = page.locator("tr.wanted", has_text="silence_under_air")
    row.wait_for()
    assert row.evaluate("row => row === document.activeElement")
    page.wait_for_function(
        """() => { const place = document.querySelector('tr.wanted').getBoundingClientRect();
          return place.top > 0 && place.bottom < innerHeight; }"""
    )
    page.goto(f"{address}/method?document=findings#no_such_finding")
    page.wait_for_selector(READY)
    assert page.locator(".wanted").count() == 0
