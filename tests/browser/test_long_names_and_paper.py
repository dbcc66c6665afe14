"""Names of forty letters that differ at their end only, an incident without a wear, and both on paper."""

from __future__ import annotations

import gzip
import io
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pdfplumber
import pytest

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


@pytest.mark.parametrize("width", [1024, 1440])
def test_no_table_scrolls_sideways(page: Any, address: str, width: int) -> None:
    page.set_viewport_size({"width": width, "height": 768})
    page.goto(address)
    page.wait_for_selector("#review-wears table")
    assert page.evaluate(OVERFLOWING) == []
    page.goto(f"{address}?incident={INCIDENT}")
    page.wait_for_selector(DRAWN)
    page.wait_for_selector("#review-clocks table")
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


def test_an_incident_with_the_desks_words_only_opens(page: Any, address: str) -> None:
    page.goto(f"{address}?incident={DESK_ALONE}")
    page.wait_for_selector(DRAWN)
    assert page.get_by_text(words.NOBODY).count() == 1
    assert page.locator("#review-notes tbody tr").count() == 24
    assert page.locator(".problem").count() == 0


@pytest.mark.parametrize("landscape", [False, True])
def test_on_paper_the_bench_is_whole_and_has_nothing_to_press(
    page: Any, address: str, landscape: bool
) -> None:
    page.goto(f"{address}?incident={INCIDENT}")
    page.wait_for_selector(DRAWN)
    page.wait_for_selector("#review-clocks table")
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
    printed = page.pdf(format="A4", landscape=landscape, margin=margin)
    with pdfplumber.open(io.BytesIO(printed)) as paper:
        sheets = list(paper.pages)
        told = " ".join(" ".join((sheet.extract_text() or "").split()) for sheet in sheets)
        within = all(
            sheet.bbox[0] <= word["x0"] and word["x1"] <= sheet.bbox[2]
            for sheet in sheets
            for word in sheet.extract_words()
        )
    assert within
    assert " ".join(CAUTION.split())[:60] in told
    # Every finding, the last tick of the clock, the last column of the widest table.
    assert [
        begin for one in statements if (begin := " ".join(one.split())[:40].split("-")[0]) not in told
    ] == []
    assert told.count("20:00") == 2
    assert (
        told.count("3 min 01 s") == 3
    )  # a silence: in its own table, with its entry, in the wears' last column
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
    page.get_by_text(words.FOR_SCRIPT["unreachable"]).wait_for()
    # The lanes stay, and with them the cursor's place on them; values that nobody can vouch for go.
    page.wait_for_function("() => !document.querySelector('#review-moment dl')")
    assert abs(page.locator("#review-cursor").bounding_box()["x"] - place) < 2
    assert page.locator("#review-cursor-time").text_content() == ""
    page.context.set_offline(False)
    page.click('[data-set="span:60"]')
    page.wait_for_selector("#review-moment dl")
    page.wait_for_function("() => document.querySelector('#review-said').textContent === ''")


def test_a_late_answer_to_an_earlier_question_does_not_take_the_sentence_away(
    page: Any, address: str
) -> None:
    page.expected_console = ["ERR_INTERNET_DISCONNECTED", "Failed to fetch", "Callback failed"]
    page.goto(f"{address}?incident={INCIDENT}")
    page.wait_for_selector(DRAWN)
    held: list[Any] = []

    def hold(route: Any) -> None:
        held.append(route)

    page.route("**/review/evidence?*", hold)
    with page.expect_request("**/review/evidence?*"):
        page.locator("button.finding-item").first.click()
    page.context.set_offline(True)
    page.click('[data-set="span:300"]')
    page.get_by_text(words.FOR_SCRIPT["unreachable"]).wait_for()
    held[0].fulfill(json={"rows": [], "heads": {}, "title": "Late", "note": ""})
    page.get_by_role("heading", name="Late").wait_for()
    assert page.text_content("#review-said") == words.FOR_SCRIPT["unreachable"]


def test_a_question_that_never_ends_is_said_as_a_server_that_does_not_answer(page: Any, address: str) -> None:
    page.expected_console = ["Failed to fetch"]
    page.goto(f"{address}?incident={INCIDENT}")
    page.wait_for_selector(DRAWN)
    page.evaluate("() => { underair.endAfter = () => AbortSignal.timeout(200); }")
    page.route("**/review/moment?*", lambda _: None)  # as when the network goes while it is under way
    page.click('[data-set="span:300"]')
    page.get_by_text(words.FOR_SCRIPT["unreachable"]).wait_for()
