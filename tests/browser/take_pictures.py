"""The README's pictures, taken of the running demo: `python tests/browser/take_pictures.py`."""

from __future__ import annotations

import shutil
import subprocess
import sys
import time
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

ROOT = Path(__file__).parent.parent.parent
PICTURES = ROOT / "dashboard" / "pictures"
PORT = 18790
FLAGS = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"]
PAST_INCIDENT = "Ropewalk"


def live(page: Page) -> None:
    page.goto(f"http://127.0.0.1:{PORT}/live")
    page.wait_for_timeout(110_000)  # until the crew's silence and distress are on screen


def review(page: Page) -> None:
    page.goto(f"http://127.0.0.1:{PORT}/review")
    page.click(f"text={PAST_INCIDENT}")
    page.wait_for_timeout(5_000)


def trends(page: Page) -> None:
    page.goto(f"http://127.0.0.1:{PORT}/trends")
    page.wait_for_timeout(8_000)


def main() -> None:
    PICTURES.mkdir(exist_ok=True)
    command = [sys.executable, "-m", "dashboard.underair", "demo", "--no-browser", "--port", str(PORT)]
    demo = subprocess.Popen(command, cwd=ROOT)
    try:
        time.sleep(20)
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
            for take in (review, trends, live):
                page = browser.new_page(viewport={"width": 1440, "height": 900}, device_scale_factor=0.7)
                take(page)
                page.screenshot(path=PICTURES / f"{take.__name__}.png")
                page.close()
            browser.close()
    finally:
        demo.terminate()
        demo.wait(20)


if __name__ == "__main__":
    main()
