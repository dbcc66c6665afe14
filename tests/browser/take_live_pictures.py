"""Pictures of the live page to be looked at: crews of many sizes and states, light and dark, on two screens,
and as eyes see them that tell fewer colours: `python -m tests.browser.take_live_pictures FOLDER [SCENE ...]`;
`FOLDER guide` takes those of the desk's guide.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Page, sync_playwright

from tests.browser.live_scenes import SCENES, staged
from tests.conftest import CHROMIUM_FLAGS

PICTURES = Path(__file__).parent.parent.parent / "dashboard" / "pictures"
SCREENS = ((1440, 900), (1180, 820), (1024, 768), (768, 1024), (390, 844))
THEMES = ("light", "dark")
EYES = ("protanopia", "deuteranopia", "tritanopia", "achromatopsia")  # as Chromium simulates them


def opened(
    browser: Browser, address: str, scene: str, theme: Any, screen: tuple[int, int], scale: float = 1.0
) -> Page:
    size: Any = {"width": screen[0], "height": screen[1]}
    page = browser.new_page(viewport=size, color_scheme=theme, device_scale_factor=scale)
    page.goto(address)
    page.wait_for_selector(".banner:not([hidden])" if scene == "starting" else ".clock:not(:empty)")
    page.wait_for_timeout(1500)
    return page


def eyes(page: Page, name: str) -> None:
    session = page.context.new_cdp_session(page)
    session.send("Emulation.setEmulatedVisionDeficiency", {"type": name})
    page.wait_for_timeout(300)


def take(browser: Browser, folder: Path, scene: str) -> None:
    with tempfile.TemporaryDirectory() as archive, staged(Path(archive), scene) as (address, stop):
        pages: list[tuple[Page, str]] = []
        for screen in SCREENS:
            for theme in THEMES:
                page = opened(browser, address, scene, theme, screen)
                name = f"{scene}_{theme}_{screen[0]}"
                page.screenshot(path=folder / f"{name}.png")
                if scene in ("12", "busy"):
                    page.locator(".row").nth(2).click()
                    page.wait_for_timeout(300)
                    page.screenshot(path=folder / f"{name}_actions.png")
                    page.keyboard.press("Escape")
                if scene == "12" and screen == SCREENS[0]:
                    for eye in EYES:
                        eyes(page, eye)
                        page.screenshot(path=folder / f"{name}_{eye}.png")
                    eyes(page, "none")
                pages.append((page, name))
        if scene in ("12", "busy"):
            for page, name in pages[:2]:  # one a theme
                page.emulate_media(media="print")
                page.pdf(path=folder / f"{name}_print.pdf", format="A4", landscape=True)
                page.emulate_media(media="screen")
            stop()
            for page, name in pages:
                page.wait_for_selector("#live.lost")
                page.screenshot(path=folder / f"stale_{name}.png")
        for page, _ in pages:
            page.close()


def guide(browser: Browser) -> None:
    """Take the pictures of the desk's guide."""
    with tempfile.TemporaryDirectory() as archive, staged(Path(archive), "busy") as (address, _):
        page = opened(browser, address, "busy", "light", (1440, 900), 0.7)
        page.screenshot(path=PICTURES / "desk_board.png")
        page.locator(".row").nth(4).click()
        page.wait_for_timeout(300)
        page.locator(".actions").screenshot(path=PICTURES / "desk_actions.png")
        page.close()
        page = opened(browser, address, "busy", "light", (390, 844), 0.8)
        page.screenshot(path=PICTURES / "desk_phone.png")
        page.close()


def main(arguments: list[str]) -> None:
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
