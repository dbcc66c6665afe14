"""The live page when something is missing: server, listener, broker, network, lines; and on paper."""

from __future__ import annotations

import gzip
import re
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect
from pypdfium2 import PdfDocument

from dashboard.serving import Served
from ingest.archive.reading import Archive
from ingest.listener import Listener
from tests.browser.live_crew import Breathing, Crew
from tests.browser.live_scenes import staged

pytestmark = [pytest.mark.browser, pytest.mark.broker]


def test_the_page_says_so_within_seconds_when_the_server_is_gone_and_catches_up(
    live: Any,
    served: Served,
    mosquitto: Any,
    listener: Listener,
    crew: Crew,
    breathing: Callable[..., Breathing],
    wait_until: Callable[..., Any],
) -> None:
    live.expected_console += ["ERR_CONNECTION_REFUSED", "ERR_CONNECTION_RESET", "the server did not respond"]
    breathing("S-1", 280.0)
    live.wait_for_selector(".row[data-a=under_air]")
    port = int(served.url.rsplit(":", 1)[1])
    served.close()
    expect(live.locator(".banner")).to_contain_text(
        "Not live"
    )  # two to three seconds, where nothing else runs
    expect(live).to_have_title(re.compile("Not live"))
    assert live.locator(".banner").bounding_box()["width"] >= 1400
    crossed = live.locator(".row span.air").evaluate("one => getComputedStyle(one).textDecorationLine")
    assert crossed == "line-through"

    crew.set("S-1", "alarm", alarm="distress", state="raised")
    # The note names what the first picture after the gap shows: the alarm must be in it.
    wait_until(lambda: "alarm" in Archive(listener.archive).messages(), what="the alarm")
    again = Served(listener.archive, mosquitto.url, port=port)
    again.start()
    try:
        live.wait_for_selector(".banner", state="hidden")
        expect(live.locator(".gap-note")).to_have_text(re.compile("had no data from.*Distress, Set S-1"))
        live.wait_for_selector(".row[data-a=distress]")
    finally:
        again.close()


def test_a_browser_without_network_and_a_sleeping_one_say_what_they_missed(
    live: Any,
    served: Served,
    crew: Crew,
    breathing: Callable[..., Breathing],
    wait_until: Callable[..., Any],
) -> None:
    live.expected_console += ["ERR_INTERNET_DISCONNECTED", "the server did not respond"]
    breathing("S-1", 280.0)
    live.wait_for_selector(".row[data-a=under_air]")
    live.context.set_offline(True)
    live.wait_for_selector("#live.lost")
    crew.set("S-1", "alarm", alarm="distress", state="raised")
    # The note names what the first picture after the gap shows: the alarm must be in it.
    wait_until(lambda: b"Distress" in gzip.decompress(served.feed.answer.packed()), what="the alarm")
    live.context.set_offline(False)
    live.wait_for_selector(".gap-note:has-text('Distress, Set S-1')")
    live.wait_for_selector("#live:not(.lost)")

    # Mended: a second gap took the first one's note away, and its alarms with it, before anybody had read it.
    session = live.context.new_cdp_session(live)
    # A page that is in view cannot be frozen; its script is stopped at its next step, as a sleep does.
    session.send("Debugger.enable")
    session.send("Debugger.pause")
    asleep_s = time.monotonic()
    crew.set("S-1", "alarm", alarm="heat", state="raised")
    while time.monotonic() - asleep_s < 4.0:  # the sleep itself
        threading.Event().wait(0.5)
    session.send("Debugger.resume")
    note = live.locator(".gap-note:not([hidden]):has-text('Heat, Set S-1')")
    expect(note).to_contain_text("Distress, Set S-1")
    # Each gap with its own times, not one from first to last; a slow machine may have one more between.
    assert note.inner_text().count("from ") >= 2
    note.get_by_role("button").click()
    expect(live.locator(".gap-note")).to_be_hidden()


def test_a_server_that_starts_says_so_and_shows_nothing_that_looks_like_good_news(
    page: Any, tmp_path: Path
) -> None:
    with staged(tmp_path, "starting") as (address, _):
        page.goto(address)
        page.wait_for_selector(".banner:has-text('Starting')")
        page.wait_for_timeout(4000)  # longer than after what a picture counts as lost
        expect(page.locator(".banner")).to_contain_text("Starting")
        assert not page.get_by_text("No alarm is active").is_visible()
        page.goto("about:blank")


def test_a_page_that_cannot_draw_all_of_the_board_says_so(live: Any, crew: Crew) -> None:
    """Of a server of another version, say: a board without its roll calls looked like one that has none."""
    live.expected_console += ["Cannot read properties", "is not iterable", "rolls"]

    def without_rolls(route: Any) -> None:
        answer = route.fetch()
        route.fulfill(response=answer, json={**answer.json(), "rolls": None})

    crew.desk("incident", incident_id="I-1", action="open", name="Quay 4")
    live.locator(".incidents", has_text="Quay 4").wait_for()
    live.route("**/live.json*", without_rolls)
    live.locator(".banner", has_text="could not be drawn").wait_for()
    expect(live.locator("#live.not-live")).to_have_count(1)
    live.unroute("**/live.json*")
    live.wait_for_selector(".banner", state="hidden")


def test_what_is_typed_stays_while_the_message_before_is_on_its_way_or_hangs(live: Any, crew: Crew) -> None:
    crew.desk("incident", incident_id="I-1", action="open", name="Quay 4")
    live.wait_for_selector(".incidents:has-text('I-1')")
    held: list[Any] = []
    live.route("**/live/desk/note", lambda route: held.append(route))
    live.locator(".side summary", has_text="Write a note").click()
    note = live.locator(".side form.note")
    text = note.locator("[name=text]")
    text.fill("stairs gone")
    note.get_by_role("button", name="Save note").click()
    # Mended: the form emptied when the first was sent, and with it went what somebody had typed since.
    text.fill("roof open")
    while not held:  # the request may be told of after the text was filled in
        live.wait_for_timeout(50)
    held.pop().continue_()
    live.wait_for_selector(".pending li.done")  # answered, and back through the archive
    assert text.input_value() == "roof open"
    live.unroute_all(behavior="wait")
    note.get_by_role("button", name="Save note").click()
    live.wait_for_selector(".notes li:has-text('roof open')")
    expect(text).to_have_value("")

    # The network goes away in the middle of a request: no answer, no error, for ever.
    live.route("**/live/desk/note", lambda route: None)
    text.fill("floor gone")
    note.get_by_role("button", name="Save note").click()
    live.wait_for_selector(".pending li.bad:has-text('no answer from the server')")
    assert text.input_value() == "floor gone"

    live.route("**/live.json*", lambda route: None)
    live.wait_for_selector("#live.lost")
    live.unroute_all(behavior="ignoreErrors")
    live.wait_for_selector("#live:not(.lost)")


def test_rows_are_painted_though_the_lines_so_far_hang(page: Any, tmp_path: Path) -> None:
    with staged(tmp_path, "12") as (address, _):
        page.route("**/live/lines.json", lambda route: None)  # no answer at all
        # The page would give the request up after two seconds, and then paint.
        page.add_init_script("AbortSignal.timeout = () => new AbortController().signal;")
        with page.expect_request("**/live/lines.json"):
            page.goto(address)
        page.wait_for_function("() => document.querySelectorAll('.row').length === 12")
        page.goto("about:blank")


def test_the_live_page_on_paper_keeps_its_strips_in_their_column_and_says_that_it_is_not_live(
    page: Any, tmp_path: Path
) -> None:
    with staged(tmp_path, "12") as (address, _):
        page.goto(address)
        page.wait_for_function("() => document.querySelectorAll('.row').length === 12")
        page.emulate_media(media="print")
        page.set_viewport_size({"width": 1040, "height": 740})  # about A4; painted for a wider screen
        page.evaluate("() => { underair.rescale = () => {}; }")
        over = """() => [...document.querySelectorAll('.strip')].map((one) =>
            one.getBoundingClientRect().right - one.parentElement.getBoundingClientRect().right)"""
        assert max(page.evaluate(over)) <= 0.5
        assert "Paper is not live" in page.locator(".printed").inner_text()
        page.emulate_media(media="screen")
        assert not page.locator(".printed").is_visible()
        sheets = [sheet.get_textpage().get_text_range() for sheet in PdfDocument(page.pdf(format="A5"))]
        assert len(sheets) > 2
        for number, sheet in enumerate(sheets, 1):
            assert "Paper is not live" in sheet, number
            assert f"Sheet {number} of {len(sheets)}" in sheet
        page.goto("about:blank")
