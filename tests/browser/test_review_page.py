"""An investigator's way through a sample log, in a real browser."""

from __future__ import annotations

import csv
import json
import re
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
from playwright.sync_api import expect

from dashboard.pages import review as review_page
from dashboard.pages import trends as trends_page
from ingest.importing import import_capture
from tests.served_pages import pages_over

pytestmark = pytest.mark.browser

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "cooperage_fire.ndjson.gz"
DRAWN = "#review-lanes .js-plotly-plot .main-svg"
INCIDENT = "TH-20310504-1912"
PATIENCE_S = 60


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Review and trends over the sample log, served on loopback."""
    folder = tmp_path_factory.mktemp("archive")
    import_capture(SAMPLE, folder)
    with pages_over(folder, {"/review": review_page, "/trends": trends_page}) as address:
        yield address


def open_bench(page: Any, address: str, **view: str) -> None:
    query = "".join(f"&{name}={value}" for name, value in view.items())
    page.goto(f"{address}/review?incident={INCIDENT}{query}")
    page.wait_for_selector(DRAWN)


def view_of(page: Any) -> dict[str, str]:
    return {name: values[0] for name, values in parse_qs(urlsplit(page.url).query).items()}


def shown_range(page: Any) -> list[float]:
    return page.evaluate(
        """() => document.querySelector('#review-lanes .js-plotly-plot').layout.xaxis.range.map(
            (end) => typeof end === 'number' ? end : Date.parse(String(end).replace(' ', 'T') + 'Z'))"""
    )


def until(page: Any, what: str | Callable[[], bool]) -> None:
    """Poll an expression in the page: the pages forbid the evaluation that playwright's own waiting needs."""
    deadline = time.monotonic() + PATIENCE_S
    while not (page.evaluate(what) if isinstance(what, str) else what()):
        assert time.monotonic() < deadline, f"waited {PATIENCE_S} s in vain for {what} at {page.url}"
        page.wait_for_timeout(30)


def wait_for_range(page: Any, right: Callable[[float, float], bool]) -> None:
    """Wait until the lanes show a range that is right."""
    page.wait_for_selector(DRAWN)
    until(page, lambda: right(*shown_range(page)))


def lasts(seconds: float) -> Callable[[float, float], bool]:
    return lambda start, end: abs((end - start) / 1000 - seconds) < 1


def chosen(page: Any, *people: str) -> None:
    """Wait until the address has these wearers and no others."""
    until(page, lambda: sorted(view_of(page)["people"].split(",")) == list(people))


def test_from_the_list_to_the_one_who_turned_back_late_and_the_message_behind_the_alarm(
    page: Any, address: str
) -> None:
    page.goto(f"{address}/review")
    page.fill("#review-incidents-find", "fellmire")
    page.click("#review-incidents td a")
    page.wait_for_selector(DRAWN)
    # The finding leads to its moment and to its wearer.
    late = page.locator(".finding-item", has_text="turn-back was due").first
    assert "W-02" in late.inner_text()
    late.click()
    page.wait_for_selector("#review-messages pre")
    expect(page).to_have_url(re.compile(r"people=[^&]*W-02"))
    wait_for_range(page, lambda start, end: start <= float(view_of(page)["at"]) <= end)
    explained = page.get_by_role("link", name="What this finding says and cannot know")
    assert explained.get_attribute("href") == "/method?document=findings#turned_back_late"
    # To the low-air alarm, and near.
    page.locator("#review-alarms tr", has_text="low air").locator("button.jump").first.click()
    page.click("[data-set='span:60']")
    wait_for_range(page, lasts(60))
    until(page, "document.querySelector('#review-shown').textContent.startsWith('Every reading')")
    page.focus("#review-lanes-frame")
    page.keyboard.press("Enter")
    page.wait_for_selector("#review-messages li:has-text('\"low_air\"')")
    verbatim = page.locator("#review-messages pre", has_text='"low_air"').first.inner_text()
    assert re.search(r'"set_id": ?"S-012"', verbatim)
    assert "S-012/" in page.locator("#review-messages li", has_text='"low_air"').first.inner_text()
    # The window is taken away, and the report written.
    with page.expect_download() as window_file:
        page.click("[data-export='csv']")
    rows = list(csv.DictReader(Path(window_file.value.path()).read_text(encoding="utf-8").splitlines()))
    # Of the chosen two only this one was still under air in that minute.
    assert {row["wearer_id"] for row in rows} == {"W-02"}
    assert any("low_air reported" in row["alarms"] for row in rows)
    assert window_file.value.suggested_filename.startswith(f"{INCIDENT}-2031-05-04T19")
    with page.expect_download() as report_file:
        page.click("a[href^='/review/report']")
    assert "turn-back was due" in Path(report_file.value.path()).read_text(encoding="utf-8")
    # The address alone brings the same view back.
    kept = page.url
    before = shown_range(page)
    page.goto("about:blank")
    page.goto(kept)
    page.wait_for_selector("#review-moment dl")
    wait_for_range(page, lambda *shown: shown == pytest.approx(before, abs=2))


def test_drag_zooms_all_lanes_the_pointer_moves_the_cursor_that_reads_them_and_wearers_are_chosen(
    page: Any, address: str
) -> None:
    open_bench(page, address, people="W-05,W-09")
    # No figure offers to send itself away, and text is no markup.
    assert page.locator(".modebar-btn").count() == 0
    assert page.locator("#review-bench script").count() == 0
    whole = shown_range(page)
    page.locator("#review-lanes-frame").scroll_into_view_if_needed()
    box = page.locator("#review-lanes .js-plotly-plot").bounding_box()
    y = box["y"] + 200  # in the lane of pressure, under its words
    page.mouse.move(box["x"] + 400, y)
    page.mouse.down()
    page.mouse.move(box["x"] + 520, y, steps=6)
    page.mouse.up()
    until(page, "location.search.includes('from=')")
    zoomed = shown_range(page)
    assert whole[0] < zoomed[0] < zoomed[1] < whole[1]
    page.click("[data-set='span:all']")
    wait_for_range(page, lasts((whole[1] - whole[0]) / 1000))
    until(page, "!location.search.includes('from=')")

    page.locator("#review-lanes-frame").scroll_into_view_if_needed()
    box = page.locator("#review-lanes .js-plotly-plot").bounding_box()
    page.mouse.move(box["x"] + 300, box["y"] + 150)
    page.wait_for_selector("#review-moment dl")
    first = page.inner_text("#review-moment .moment-clock")
    page.mouse.move(box["x"] + 420, box["y"] + 150)
    until(page, f"document.querySelector('.moment-clock').innerText !== {json.dumps(first)}")
    page.mouse.click(box["x"] + 420, box["y"] + 150)
    page.wait_for_selector("#review-messages pre")
    until(page, "location.search.includes('at=')")

    # The cursor reads every lane with its units, and a silence is not bridged.
    page.click("[data-set='person:W-05']")
    until(page, "location.search.includes('people=W-09&') || location.search.endsWith('people=W-09')")
    # Not one that was filled later: its readings are drawn.
    silences = page.locator("#review-silences tr").filter(has_not_text="reading")
    silence = silences.locator("button.jump").first
    silence.click()
    page.wait_for_selector("#review-moment dl")
    page.focus("#review-lanes-frame")
    for _ in range(6):
        page.keyboard.press("Shift+ArrowRight")
    # Of the last step, not of the moment and the wearer before: a slow server answers for those first.
    told = "document.querySelector('#review-moment').textContent"
    until(page, f"{told}.includes('silent') && {told}.includes('not heard') && !{told}.includes('W-05')")
    page.click("[data-set='span:all']")
    page.focus("#review-lanes-frame")
    for _ in range(24):
        page.keyboard.press("Shift+ArrowLeft")
    wanted = (" bar", " L/min", " min", " m/s²", " °C", "not what a body felt")
    until(page, f"!{told}.includes('silent') && {list(wanted)}.every((one) => {told}.includes(one))")
    page.click("[data-set='units:imperial']")
    until(page, "!!document.querySelector('#review-moment')?.textContent.includes(' psi')")
    page.wait_for_selector("#review-lanes text:has-text('Pressure, psi')")
    until(page, "location.search.includes('units=imperial')")

    # Wearers are chosen in the overview, by a table and by button: one to six.
    page.click("[data-set='person:W-01']")
    page.click("[data-set='person:W-09']")
    page.wait_for_selector("#review-lanes text:has-text('Wearer W-01')")
    chosen(page, "W-01")
    box = page.locator("#review-overview .js-plotly-plot").bounding_box()
    rows = page.evaluate("JSON.parse(document.querySelector('#review-bench').dataset.view).everybody")
    height = (box["height"] - 36) / len(rows)
    page.mouse.click(box["x"] + 40, box["y"] + 28 + (rows.index("W-04") + 0.5) * height)
    page.wait_for_selector("#review-lanes text:has-text('Wearer W-04')")
    chosen(page, "W-01", "W-04")

    page.locator("#review-alarms tr", has_text="W-05").locator("button.jump").first.click()
    page.wait_for_selector("#review-lanes text:has-text('Wearer W-05')")
    chosen(page, "W-05")

    page.click("[data-set='person:W-05']")  # the last one stays
    chosen(page, "W-05")
    for number in (1, 3, 4, 6, 7, 8):
        page.click(f"[data-set='person:W-0{number}']")
    page.wait_for_selector("#review-lanes text:has-text('Wearer W-07')")
    chosen(page, "W-01", "W-03", "W-04", "W-05", "W-06", "W-07")
    expect(page.locator("#review-said")).to_contain_text("At most 6")
    expect(page.locator("[data-set='person:W-08']")).to_have_attribute("aria-pressed", "false")


def test_an_unknown_incident_says_so_and_what_makes_no_sense_is_refused_with_words(
    page: Any, address: str
) -> None:
    page.goto(f"{address}/review?incident=I-none")
    page.wait_for_selector("[role=alert]")
    assert INCIDENT in page.inner_text("[role=alert]")
    assert page.locator("#review-incidents td a").count() == 1
    answer = page.request.get(f"{address}/review/moment?incident={INCIDENT}&at=soon")
    assert answer.status == 400
    assert "milliseconds" in answer.json()["problem"]
    assert page.request.get(f"{address}/review/moment?incident=none&at=1").status == 404


def test_trends_draw_a_plot_and_a_sentence_for_each_measure(page: Any, address: str) -> None:
    page.goto(f"{address}/trends")
    page.wait_for_selector("figure .main-svg")
    assert page.locator("figure").count() == page.locator("figcaption").count() >= 8
    assert "14 wears by 12 wearers" in page.inner_text(".lead")
    head = page.locator("#trends-people th:has-text('Breathing hard')")
    for order in ("ascending", "descending"):
        head.locator("button").click()
        expect(head).to_have_attribute("aria-sort", order)
    expect(page.locator("#trends-people tbody tr td").first).to_have_text("W-02")
