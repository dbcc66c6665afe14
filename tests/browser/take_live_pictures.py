"""Pictures of the live page to be looked at: crews of many sizes and states, light and dark, at all sizes,
and as eyes see them that tell fewer colours: `python -m tests.browser.take_live_pictures FOLDER [SCENE ...]`;
`FOLDER guide` takes those of the desk's guide.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Page, Route, sync_playwright

from dashboard import words as page_words
from dashboard.live import words
from tests.browser.live_scenes import SCENES, staged
from tests.conftest import CHROMIUM_FLAGS

PICTURES = Path(__file__).parent.parent.parent / "dashboard" / "pictures"
SCREENS = ((1440, 900), (1180, 820), (1024, 768), (768, 1024), (390, 844), (720, 450), (512, 384))
"""The last two are the first and the third of these screens at 200 % zoom."""
THEMES = ("light", "dark")
EYES = ("protanopia", "deuteranopia", "tritanopia", "achromatopsia")  # as Chromium simulates them


# What the page says at the top when something is missing: the change to the server's answer that says it.
BANNERS: dict[str, dict[str, Any]] = {
    "listener_stopped": {
        "banner": words.LISTENER_BAD.format(state=words.LISTENER_STOPPED.format(at="19:43:07 UTC")),
        "system": [{"text": words.LISTENER_STOPPED.format(at="19:43:07 UTC"), "bad": True}],
    },
    "broker_dead": {
        "banner": words.LISTENER_BAD.format(state=words.LISTENER_ALONE),
        "system": [{"text": text, "bad": True} for text in (words.LISTENER_ALONE, words.BROKER_DOWN)],
    },
    "catching_up": {
        "banner": words.CATCHING_UP.format(part="43 %", at="19:31:02", to="19:43:07 UTC"),
    },
    "unreadable": {"banner": words.UNREADABLE.format(problem="the archive's folder cannot be opened")},
    "faulty": {
        "system": [
            {"text": words.FAULTY.format(names="trial/S-003"), "bad": True},
            {"text": words.CLOCK_AHEAD.format(listener="listener", by="42 s"), "bad": True},
        ]
    },
}
DAMAGED = (
    "The analysis leaves out 3,549 messages of S-014 from 19:40 to 20:10: "
    "pressure/date=2031-05-04/part-3f2a.parquet has changed since it was written."
)


def opened(browser: Browser, address: str, scene: str, scale: float = 1.0) -> Page:
    page = browser.new_page(viewport={"width": 1440, "height": 900}, device_scale_factor=scale)
    page.goto(address)
    page.wait_for_selector(".banner:not([hidden])" if scene == "starting" else ".clock:not(:empty)")
    page.wait_for_timeout(1500)
    return page


def eyes(page: Page, name: str) -> None:
    session = page.context.new_cdp_session(page)
    session.send("Emulation.setEmulatedVisionDeficiency", {"type": name})
    page.wait_for_timeout(300)


def at_all_sizes(page: Page, folder: Path, name: str) -> None:
    """Take a picture at each size, light and dark."""
    for width, height in SCREENS:
        page.set_viewport_size({"width": width, "height": height})
        page.wait_for_timeout(700)  # painted anew for the width
        for theme in THEMES:
            page.emulate_media(color_scheme=theme)
            page.screenshot(path=folder / f"{name}_{width}_{theme}.png")
    page.set_viewport_size({"width": 1440, "height": 900})
    page.emulate_media(color_scheme="light")


def take(browser: Browser, folder: Path, scene: str) -> None:
    with tempfile.TemporaryDirectory() as archive, staged(Path(archive), scene) as (address, stop):
        page = opened(browser, address, scene)
        at_all_sizes(page, folder, scene)
        if scene in ("busy", "danger"):
            page.locator(".row").nth(2).click()
            page.wait_for_timeout(300)
            at_all_sizes(page, folder, f"{scene}_actions")
            page.keyboard.press("Escape")
        if scene == "12":
            for eye in EYES:
                eyes(page, eye)
                page.screenshot(path=folder / f"{scene}_{eye}.png")
            eyes(page, "none")
        if scene == "busy":
            banners(page, folder)
            page.locator("#shown-incident").select_option("TH-20310504-1930")
            at_all_sizes(page, folder, "filtered")
            page.locator(".elsewhere").click()
            page.emulate_media(media="print")
            page.pdf(path=folder / f"{scene}_print.pdf", format="A4", landscape=True)
            page.emulate_media(media="screen")
            past = datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
            page.goto(f"{address.removesuffix('/live')}/board?at={past}")
            page.wait_for_selector(".row")
            page.wait_for_timeout(500)
            at_all_sizes(page, folder, "board_as_it_was")
            page.goto(address)
            page.wait_for_selector(".row")
            stop()
            page.wait_for_selector("#live.lost")
            at_all_sizes(page, folder, "reconnecting")
        page.close()


def changed(change: dict[str, Any]) -> Callable[[Route], None]:
    """Return what gives the page the server's answer with a change."""

    def answer(route: Route) -> None:
        response = route.fetch()
        route.fulfill(response=response, json=response.json() | change)

    return answer


def banners(page: Page, folder: Path) -> None:
    """Take what the page says when something is missing."""
    for name, change in BANNERS.items():
        page.route("**/live.json*", changed(change))
        page.wait_for_timeout(1200)
        at_all_sizes(page, folder, name)
        page.unroute_all(behavior="wait")
    page.wait_for_timeout(1200)
    page.evaluate(
        """([title, text]) => { document.querySelector("#damage").innerHTML =
        `<div class="problem" role="alert"><strong>${title}</strong><ul><li>${text}</li></ul></div>`; }""",
        [page_words.LEFT_OUT, DAMAGED],
    )
    at_all_sizes(page, folder, "archive_damaged")
    page.evaluate("() => document.querySelector('#damage').replaceChildren()")


def guide(browser: Browser) -> None:
    """Take the pictures of the desk's guide."""
    with tempfile.TemporaryDirectory() as archive, staged(Path(archive), "busy") as (address, _):
        page = opened(browser, address, "busy", 0.7)
        page.screenshot(path=PICTURES / "desk_board.png")
        page.locator(".row").nth(4).click()
        page.wait_for_timeout(300)
        page.locator(".actions").screenshot(path=PICTURES / "desk_actions.png")
        page.close()
        page = opened(browser, address, "busy", 0.8)
        page.set_viewport_size({"width": 390, "height": 844})
        page.wait_for_timeout(700)
        page.screenshot(path=PICTURES / "desk_phone.png")
        page.close()


def main(arguments: list[str]) -> None:
    if unknown := sorted({*arguments[1:]} - {*SCENES, "guide"}):
        sys.exit(f"there is no scene {unknown[0]!r}; there are {', '.join(SCENES)} and guide")
    folder = Path(arguments[0])
    folder.mkdir(parents=True, exist_ok=True)
    with sync_playwright() as playwright:
        settings: dict[str, Any] = {"executable_path": shutil.which("chromium"), "args": CHROMIUM_FLAGS}
        browser = playwright.chromium.launch(**settings)
        if "guide" in arguments:
            guide(browser)
        for scene in [one for one in arguments[1:] if one != "guide"] or SCENES * ("guide" not in arguments):
            take(browser, folder, scene)
            print(scene)
        browser.close()


if __name__ == "__main__":
    main(sys.argv[1:])
