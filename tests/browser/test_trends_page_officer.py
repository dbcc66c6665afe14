"""A health-and-safety officer's way through three years of wears, in a real browser."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from dashboard.demo.crew import bring_in_three_years
from dashboard.pages import trends as trends_page
from tests.served_pages import pages_over

pytestmark = pytest.mark.browser

DRAWN = "#trends-heat_dose .main-svg"
SIZES = [(1440, 900), (1024, 768)]
CUT = """() => [...document.querySelectorAll('.trends table')]
  .filter(table => table.getBoundingClientRect().right > document.documentElement.clientWidth
    || table.parentElement.scrollWidth > table.parentElement.clientWidth)
  .map(table => table.closest('[id]').id)"""
PAPER_PX = 718  # A4 less the margins of a browser, at 96 to the inch


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The trends page over the shipped three years, with one station of a long name, served on loopback."""
    folder = tmp_path_factory.mktemp("archive")
    bring_in_three_years(folder, datetime(2032, 1, 1, tzinfo=UTC))
    roster = pl.read_csv(folder / "roster.csv")
    long = pl.col("station").replace("Station 3", "Feuer- und Rettungswache Niederoderwitz-Süd, Löschzug 2")
    roster.with_columns(long).write_csv(folder / "roster.csv")
    with pages_over(folder, {"/trends": trends_page}) as address:
        yield address


def fits_screen_and_paper(page: Any) -> None:
    page.set_viewport_size({"width": 1024, "height": 768})
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
    page.emulate_media(media="screen", color_scheme="light")
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        page.wait_for_function("() => document.documentElement.scrollWidth <= innerWidth")


def lasts(page: Any) -> int:
    row = page.locator("#trends-planning tr", has_text="all tasks").inner_text()
    return int(re.findall(r"(\d+) min", row)[0])


def test_the_officers_path_on_a_page_that_is_accessible_and_fits_screen_and_paper(
    page: Any, address: str, axe: Any
) -> None:
    # Goes from one year to all, by keyboard: three stand out, and the page says why.
    page.goto(f"{address}/trends?year=2029")
    page.wait_for_selector(DRAWN)
    assert "2029-01" in page.inner_text(".lead >> nth=0")
    assert page.get_attribute("nav[aria-label=Period] a:has-text('2029')", "aria-current") == "true"
    page.focus("nav[aria-label=Period] a:has-text('All years')")
    page.keyboard.press("Enter")
    page.wait_for_url(lambda address: "year=2029" not in address)
    page.wait_for_selector("#trends-people tbody tr")
    page.wait_for_selector("#trends-months tbody tr")
    page.wait_for_selector(DRAWN)
    fits_screen_and_paper(page)
    assert axe(page) == []
    page.emulate_media(color_scheme="dark")
    assert axe(page, contrast=True) == []
    page.emulate_media(media="null", color_scheme="null")
    # Built by a script from data, with their heads.
    assert page.locator("#trends-planning th[scope=row]", has_text="all tasks").count() == 1
    assert page.locator("#trends-forecast thead th[scope=col]").first.inner_text() == "Forecast"
    leads = page.locator("#trends-out li .lead").all_inner_texts()
    assert {lead.split(":")[0] for lead in leads} == {"Set S-137", "Station 4", "Heat dose"}
    reason = page.locator("#trends-out li", has_text="Station 4").locator(".reason").inner_text()
    assert re.search(
        r"\d+ of [\d,]+ wears, where \d+ are expected for the same kinds and tasks\. "
        r"As counted: [\d.]+ per 1000 wears \(95\xa0% interval [\d.]+ to [\d.]+\); "
        r"the other stations: [\d.]",
        reason,
    )
    marked = page.locator("#trends-stations tr", has_text="Station 4").inner_text()
    assert "◇" in marked

    # The wearer to look at, and the rule that says so.
    why = page.inner_text("#trends-due tbody")
    assert re.search(
        r"W-\d{3}\s+Station \d\s+20\d\d-\d\d-\d\d: Rested \d+ min after .*; the rule asks for", why
    )
    page.click("#trends-due summary")
    assert "from memory" not in page.inner_text("#trends-due ul").lower()

    # The set to take out of service stands first.
    first = page.locator("#trends-sets tbody tr").first.inner_text()
    assert "S-137" in first
    assert "falling battery charge" in first

    # Plans with another cylinder.
    before = lasts(page)
    page.click("#trends-planning a:has-text('9 L')")
    page.wait_for_url(re.compile("cylinder=2"))
    page.wait_for_selector(DRAWN)
    assert lasts(page) > before

    # Asks whether a change helped, on a day of the officer's own.
    page.fill("#trends-since input", "2030-04-15")
    page.click("#trends-since button")
    page.wait_for_url(re.compile("since=2030-04-15"))
    page.get_by_text(re.compile(r"Before 2030-04-15: [\d,]+ wears\.")).wait_for()
    assert "A ratio of 0.5 is half as much as before" in page.inner_text("#trends-before")

    # Takes the published tables away, and those for inside.
    for link, table in (("Published tables", "by_quarter.csv"), ("All tables", "sets.csv")):
        with page.expect_download() as download:
            page.click(f"a:has-text('{link}')")
        data = Path(download.value.path()).read_bytes()
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            assert {"README.txt", "by_month.csv", table} <= set(archive.namelist())

    # Follows the station: the months of that station alone.
    page.click("#trends-out a:has-text('Station 4')")
    page.wait_for_url(re.compile("station=Station"))
    page.wait_for_selector(DRAWN)
    assert "by 20 wearers" in page.inner_text(".lead >> nth=0")
    assert page.get_attribute("nav[aria-label=Station] a:has-text('Station 4')", "aria-current") == "true"

    # Prints the month for inside.
    page.click("a:has-text('Month to print (inside)')")
    page.wait_for_selector("h1:has-text('Under air: summary of 20')")
    assert len(re.findall(rb"/Type\s*/Page[^s]", page.pdf(prefer_css_page_size=True))) == 1
    page.click(".months a:has-text('2031-03')")
    page.wait_for_selector("h1:has-text('Under air: summary of 2031-03')")
