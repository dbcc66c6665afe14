"""Markup in every text that can come in, on every page, in a real browser: shown as written, never obeyed.

The fixture `page` fails besides on any script error, on what the content policy had to block, and on a
request that leaves loopback: the policy is the second wall, and these tests find that it was not needed.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from dashboard.serving import Served
from ingest.contract.captures import Heard, write_capture
from ingest.importing import import_capture
from ingest.listener import Listener

pytestmark = pytest.mark.browser

IMAGE = '<img src=x onerror="window.hacked=1">'
SCRIPT = "<script>window.hacked=1</script>"
BREAKOUT = "\"'></textarea></p><svg onload=window.hacked=1>"
LINK = '<a href="http://evil.example/">press</a>'
SCHEME = "<a href='javascript:window.hacked=1'>press</a>"
BOLD = "<b>bold</b>{window.hacked}${window.hacked}%3Cimg"
ALL = " ".join((IMAGE, SCRIPT, BREAKOUT, LINK, SCHEME, BOLD))
INCIDENT = "I-1"
SECONDS = 240

# Nothing that a text could have made: no element, no handler, no link out.
MADE_OF_TEXT = """() => [...document.querySelectorAll(
    'img, iframe, object, embed, [onerror], [onload], [onclick], a[href^="javascript"], ' +
    'a[*|href*="evil.example"], body script:not([src]):not([type="application/json"]):not([id])'
)].map((one) => one.outerHTML.slice(0, 120))"""


def messages(now: datetime) -> Iterator[Heard]:
    """An incident of four minutes whose every free text is hostile."""
    start = now - timedelta(seconds=SECONDS + 5)
    counts: dict[str, int] = {}

    def said(at: datetime, role: str, speaker: str, kind: str, **fields: Any) -> Heard:
        seq = counts[speaker] = counts.get(speaker, -1) + 1
        payload = {
            "kind": kind,
            f"{role}_id": speaker,
            "boot": 1,
            "seq": seq,
            "time": at.isoformat(),
            **fields,
        }
        return Heard(at, f"underair/v1/trial/{role}/{speaker}/{kind}", json.dumps(payload).encode())

    yield said(
        start,
        "desk",
        "D-1",
        "incident",
        incident_id=INCIDENT,
        action="open",
        name=IMAGE,
        place=SCRIPT,
        type=LINK,
    )
    yield said(
        start, "set", "S-1", "setup", cylinders={"count": 1, "water_volume_l": 6.8, "rated_bar": 300.0},
        low_air_bar=55.0, no_motion_prealarm_s=20.0, no_motion_alarm_s=30.0, heat_start_c=120.0,
    )  # fmt: skip
    yield said(
        start, "desk", "D-1", "tally", incident_id=INCIDENT, action="in", set_id="S-1", wearer_id="W-1",
        team="A", task=BREAKOUT + SCHEME,
    )  # fmt: skip
    for second in range(SECONDS):
        at = start + timedelta(seconds=second)
        yield said(at, "set", "S-1", "pressure", pressure_bar=280.0 - second * 0.2)
        yield said(at, "set", "S-1", "motion", motion_m_s2=1.0)
        if second == 100:
            yield said(at, "set", "S-1", "alarm", alarm="fault", state="raised", detail=ALL[:200])
            yield said(at, "set", "S-1", "alarm", alarm="distress", state="raised", detail=IMAGE)
        if second in (60, 120):
            yield said(at, "desk", "D-1", "note", incident_id=INCIDENT, text=ALL, set_id="S-1")
        if second == 130:
            yield said(at, "desk", "D-1", "seen", set_id="S-1", alarm="distress", unknown=IMAGE)
        if second == 140:
            yield Heard(at, f"underair/v1/trial/set/{IMAGE}/pressure", ALL.encode())
            yield Heard(at, "underair/v1/trial/set/S-1/pressure", json.dumps({"kind": IMAGE}).encode())


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("hostile")
    archive, capture = folder / "archive", folder / "hostile.ndjson"
    write_capture(capture, messages(datetime.now(UTC)))
    done = import_capture(capture, archive)
    assert done.counts.refused == 2
    served = Served(archive)
    served.start()
    yield served
    served.close()


def harmless(page: Any, *shown: str) -> None:
    assert page.evaluate("window.hacked") is None
    assert page.evaluate(MADE_OF_TEXT) == []
    told = page.locator("body").inner_text()
    for text in shown:
        assert text in told, f"not shown as written: {text}"


def test_the_live_page_shows_markup_as_text(page: Any, hostile: Served) -> None:
    page.goto(f"{hostile.url}/live")
    page.wait_for_selector(".row")
    page.get_by_text("bold</b>").first.wait_for()
    harmless(page, IMAGE, BREAKOUT)
    page.goto("about:blank")


def test_review_and_trends_show_markup_as_text(page: Any, hostile: Served) -> None:
    for query in (f"?incident={INCIDENT}&people={IMAGE}&lanes={SCRIPT}", f"?incident={SCRIPT}"):
        page.goto(f"{hostile.url}/review{query}")
        page.wait_for_selector("main h1, main [role=alert]")
        harmless(page)
    page.goto(f"{hostile.url}/review?incident={INCIDENT}")
    page.wait_for_selector("#review-lanes .js-plotly-plot .main-svg")
    # Before anything is zoomed: what stands outside a window is not drawn in it.
    labels = page.evaluate(
        "() => [...document.querySelectorAll('svg text')].map((t) => t.textContent).join(' ')"
    )
    assert "<img" in labels, "the note stands in the lanes, as text"
    for item in page.locator("#review-findings .finding-item").all():
        item.click()
        page.wait_for_timeout(150)
        harmless(page)
    page.locator("#review-lanes-frame").focus()
    for key in ("Home", "ArrowRight", "Enter", "+"):
        page.keyboard.press(key)
    page.locator("#review-messages li").first.wait_for()
    page.locator("#review-lanes-frame").hover()
    harmless(page, IMAGE, SCRIPT)
    page.goto(f"{hostile.url}/trends?year={IMAGE}&station={SCRIPT}")
    page.wait_for_selector("main h1")
    harmless(page)
    page.goto("about:blank")


def test_what_is_taken_away_shows_markup_as_text(page: Any, hostile: Served, tmp_path: Path) -> None:
    """These stand alone, under no policy but their own: nothing but their own care keeps a text a text."""
    for address, shown in ((f"/review/report?incident={INCIDENT}", [IMAGE]), ("/trends/summary.html", [])):
        answer = page.request.get(f"{hostile.url}{address}", timeout=60_000)
        assert answer.status == 200
        file = tmp_path / "taken.html"
        file.write_text(answer.text())
        page.goto(file.as_uri())
        harmless(page, *shown)


@pytest.mark.broker
def test_markup_typed_into_every_field_of_the_desk_comes_back_as_text(
    page: Any, mosquitto: Any, tmp_path: Path, wait_until: Callable[..., Any]
) -> None:
    listener = Listener(mosquitto.url, tmp_path / "archive")
    listener.start()
    assert listener.subscribed.wait(60)
    write_capture(tmp_path / "hostile.ndjson", messages(datetime.now(UTC)))
    import_capture(tmp_path / "hostile.ndjson", tmp_path / "archive")
    served = Served(tmp_path / "archive", mosquitto.url)
    served.start()
    page.expected_console = ["status of 422"]  # an identity is plain: the contract refuses markup in it
    page.goto(f"{served.url}/live")
    page.wait_for_selector(".row")
    for fold in page.locator("details.fold").all():
        fold.locator("summary").click()
        form = fold.locator("form.send")
        for field in form.locator("input, textarea").all():
            if field.is_visible():
                field.fill(ALL[:110])
        form.locator("button[type=submit]").first.click()
    wait_until(lambda: page.locator(".pending li").count() >= 1, what="what was sent")
    page.wait_for_timeout(1500)
    harmless(page, IMAGE)
    page.goto("about:blank")
    served.close()
    listener.stop()
