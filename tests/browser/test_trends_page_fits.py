"""The tables of the trends page fit: long names on a small screen, and every column on paper."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import polars as pl
import pytest

from dashboard.demo.crew import bring_in_three_years
from dashboard.pages import trends as trends_page
from tests.served_pages import pages_over

pytestmark = pytest.mark.browser

CUT = """() => [...document.querySelectorAll('.trends table')]
  .filter(table => table.getBoundingClientRect().right > document.documentElement.clientWidth
    || table.parentElement.scrollWidth > table.parentElement.clientWidth)
  .map(table => table.closest('[id]').id)"""
PAPER_PX = 718  # A4 less the margins of a browser, at 96 to the inch


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The shipped three years, with one station of a long name."""
    folder = tmp_path_factory.mktemp("archive")
    bring_in_three_years(folder, datetime(2032, 1, 1, tzinfo=UTC))
    roster = pl.read_csv(folder / "roster.csv")
    long = pl.col("station").replace("Station 4", "Feuer- und Rettungswache Niederoderwitz-Süd, Löschzug 2")
    roster.with_columns(long).write_csv(folder / "roster.csv")
    with pages_over(folder, {"/trends": trends_page}) as address:
        yield address


def test_no_table_is_cut_on_a_small_screen_or_on_paper(page: Any, address: str) -> None:
    page.set_default_timeout(30_000)
    page.set_viewport_size({"width": 1024, "height": 768})
    page.goto(f"{address}/trends")
    page.wait_for_selector("#trends-people tbody tr")
    page.wait_for_selector("#trends-months tbody tr")
    assert page.evaluate(CUT) == []
    page.set_viewport_size({"width": PAPER_PX, "height": 1000})
    page.emulate_media(media="print", color_scheme="dark")
    assert page.evaluate(CUT) == []
    # What is left out is counted, what is chosen can be read, and the caution goes along.
    assert page.locator("#trends-people .count").is_visible()
    chosen = page.locator("nav[aria-label=Period] a[aria-current]")
    assert chosen.evaluate("a => getComputedStyle(a).color") == page.evaluate(
        "getComputedStyle(document.body).color"
    )
    assert page.locator(".caution").first.is_visible()
