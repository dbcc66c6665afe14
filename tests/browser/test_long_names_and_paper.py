"""Names of forty letters that differ at their end only, an incident without a wear, and both on paper."""

from __future__ import annotations

import gzip
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pypdfium2 import PdfDocument

from dashboard.pages import review as review_page
from dashboard.review import words
from dashboard.words import CAUTION
from ingest.importing import import_capture
from tests.served_pages import pages_over

pytestmark = pytest.mark.browser

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "cooperage_fire.ndjson.gz"
INCIDENT = "TH-20310504-1912"
DESK_ALONE = "TH-20310604-1912"
DRAWN = "#review-lanes .js-plotly-plot .main-svg"
LONG = {
    "wearer_id": "Alexandria-Bartholomew-van-der-Nordhaven",
    "team": "Brigade-of-the-eastern-harbour-district-",
    "set_id": "Set-of-the-second-delivery-of-the-year--",
}
OVERFLOWING = """() => [...document.querySelectorAll('.scroller')]
    .filter((one) => one.scrollWidth > one.clientWidth + 1).map((one) => one.closest('.listing').id)"""


def with_long_names(line: str) -> str:
    """A message of the sample whose wearer, team and set have names of forty letters."""
    heard = json.loads(line)
    for name, long in LONG.items():
        value = heard["payload"].get(name) if isinstance(heard["payload"], dict) else None
        if value:
            heard["payload"][name] = long[: 40 - len(value)] + value
            heard["topic"] = heard["topic"].replace(f"/set/{value}/", f"/set/{heard['payload'][name]}/")
    return json.dumps(heard)


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("long")
    lines = gzip.decompress(SAMPLE.read_bytes()).decode().splitlines()
    of_desk = [
        line for line in lines if line.split('"topic":"')[1].split('"')[0].endswith(("/incident", "/note"))
    ]
    alone = [line.replace("2031-05-04", "2031-06-04").replace(INCIDENT, DESK_ALONE) for line in of_desk]
    capture = folder / "long.ndjson"
    capture.write_text("\n".join([*map(with_long_names, lines), *alone]), encoding="utf-8")
    import_capture(capture, folder / "archive")
    with pages_over(folder / "archive", {"/review": review_page}) as address:
        yield f"{address}/review"


def nothing_is_cut(page: Any) -> None:
    """No table of the bench scrolls sideways, and its drawings hold their names."""
    assert page.evaluate(OVERFLOWING) == []
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    # Names and headings stand within their drawing, and can be told apart there.
    names = page.locator("#review-overview .ytick text").all_text_contents()
    assert len(names) == len(set(names)) == 12
    left = page.evaluate(
        "() => document.querySelector('#review-overview').getBoundingClientRect().left"
        " - Math.min(...[...document.querySelectorAll('#review-overview .ytick text')]"
        ".map((one) => one.getBoundingClientRect().left))"
    )
    assert left <= 0
    beyond = page.evaluate(
        "() => Math.max(...[...document.querySelectorAll('#review-lanes .annotation text')]"
        ".map((one) => one.getBoundingClientRect().right))"
        " - document.querySelector('#review-lanes').getBoundingClientRect().right"
    )
    assert beyond <= 0


def test_nothing_of_the_list_is_cut_on_a_small_screen(page: Any, address: str) -> None:
    page.set_viewport_size({"width": 1024, "height": 768})
    page.goto(address)  # the list has one layout, and here the least room
    page.wait_for_selector("#review-wears table")
    assert page.evaluate(OVERFLOWING) == []


def test_an_incident_with_the_desks_words_only_opens(page: Any, address: str) -> None:
    page.goto(f"{address}?incident={DESK_ALONE}")
    page.wait_for_selector(DRAWN)
    assert page.get_by_text(words.NOBODY).count() == 1
    assert page.locator("#review-notes tbody tr").count() == 24
    assert page.locator(".problem").count() == 0


def test_on_small_screens_and_paper_the_bench_is_whole_and_on_paper_has_nothing_to_press(
    page: Any, address: str
) -> None:
    page.set_viewport_size({"width": 1024, "height": 768})
    page.goto(f"{address}?incident={INCIDENT}")
    page.wait_for_selector(DRAWN)
    page.wait_for_selector("#review-clocks table")
    nothing_is_cut(page)
    page.set_viewport_size({"width": 1440, "height": 900})
    nothing_is_cut(page)
    page.click('[data-set="span:1200"]')
    page.wait_for_selector("#review-before:not([hidden])", state="attached")
    page.emulate_media(media="print")
    assert not page.locator("#review-before").is_visible()
    page.emulate_media(media="null")
    page.click('[data-set="span:all"]')
    page.wait_for_selector("#review-before", state="hidden")
    page.wait_for_function(
        "() => [...document.querySelectorAll('#review-lanes .xtick text')].at(-1).textContent === '20:00'"
    )
    statements = page.locator(".finding-item .statement").all_text_contents()
    margin = dict.fromkeys(("top", "bottom", "left", "right"), "10mm")
    for landscape in (False, True):
        printed = page.pdf(format="A4", landscape=landscape, margin=margin)
        texts = []
        for sheet in PdfDocument(printed):
            written = sheet.get_textpage()
            texts.append(written.get_text_range())
            for number in range(written.count_rects()):
                left, bottom, right, top = written.get_rect(number)
                assert left >= 0, written.get_text_bounded(left, bottom, right, top)
                assert right <= sheet.get_width(), written.get_text_bounded(left, bottom, right, top)
        told = " ".join(" ".join(texts).split())
        assert " ".join(CAUTION.split())[:60] in told
        # Every finding, the last tick of the clock, the last column of the widest table.
        begins = [" ".join(one.split())[:40].split("-")[0] for one in statements]
        assert [begin for begin in begins if begin not in told] == []
        assert told.count("20:00") == 2
        # A silence: in its own table, with its entry, in the wears' last column.
        # What is set narrow is read letter by letter.
        assert told.replace(" ", "").count("3min01s") == 3
        for pressed in ("Zoom in Zoom out", "Save note", words.WITHDRAW, words.EXPORTS["csv"]):
            assert pressed not in told


def test_without_its_server_the_bench_says_so_and_shows_no_value_of_another_moment(
    page: Any, address: str
) -> None:
    page.expected_console = ["ERR_INTERNET_DISCONNECTED", "Failed to fetch", "Callback failed"]
    page.goto(f"{address}?incident={INCIDENT}")
    page.wait_for_selector(DRAWN)
    frame = page.locator("#review-lanes-frame")
    box = frame.bounding_box()
    frame.click(position={"x": box["width"] / 2, "y": 200})
    page.wait_for_selector("#review-moment dl")
    place = page.locator("#review-cursor").bounding_box()["x"]
    page.context.set_offline(True)
    page.click('[data-set="span:300"]')
    page.get_by_text(words.PAGE["unreachable"]).wait_for()
    # The lanes stay, and with them the cursor's place on them; values that nobody can vouch for go.
    page.wait_for_function("() => !document.querySelector('#review-moment dl')")
    assert abs(page.locator("#review-cursor").bounding_box()["x"] - place) < 2
    assert page.locator("#review-cursor-time").text_content() == ""
    page.context.set_offline(False)
    page.click('[data-set="span:60"]')
    page.wait_for_selector("#review-moment dl")
    page.wait_for_function("() => document.querySelector('#review-said').textContent === ''")

    # A late answer to an earlier question does not take the sentence away.
    held: list[Any] = []
    page.route("**/review/evidence?*", lambda route: held.append(route))
    with page.expect_request("**/review/evidence?*"):
        page.locator("button.finding-item").first.click()
    page.context.set_offline(True)
    page.click('[data-set="span:300"]')
    page.get_by_text(words.PAGE["unreachable"]).wait_for()
    held[0].fulfill(json={"rows": [], "heads": {}, "title": "Late", "note": ""})
    page.get_by_role("heading", name="Late").wait_for()
    assert page.text_content("#review-said") == words.PAGE["unreachable"]
    page.context.set_offline(False)
    page.click('[data-set="span:60"]')
    page.wait_for_function("() => document.querySelector('#review-said').textContent === ''")

    # A question that never ends is said as a server that does not answer.
    page.evaluate("() => { underair.endAfter = () => AbortSignal.timeout(200); }")
    page.route("**/review/moment?*", lambda _: None)  # as when the network goes while it is under way
    page.click('[data-set="span:300"]')
    page.get_by_text(words.PAGE["unreachable"]).wait_for()
