"""What the browser tests share: axe-core, and a live page with its crew."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from dashboard.serving import Served
from ingest.listener import Listener
from tests.browser.live_crew import Breathing, Crew
from tests.browser.live_listening import LISTEN
from tests.browser.live_scenes import SETUP

RULES = ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa", "best-practice"]


@pytest.fixture(scope="session")
def axe() -> Callable[..., list[str]]:
    """Run axe-core on a page; return its violations, those it calls serious or critical or every one.

    In the dark only the rule "color-contrast" can give another answer than in the light: ask for that `rule`.
    """
    script = files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")

    def violations(page: Any, *, every: bool = False, rule: str | None = None) -> list[str]:
        page.evaluate(script)  # not hindered by the page's own policy, unlike a script element
        # Not to describe each element that keeps the rules, of which a drawn page has thousands.
        asked = {"type": "rule", "values": [rule]} if rule else {"type": "tag", "values": RULES}
        options = {"runOnly": asked, "resultTypes": ["violations"]}
        found = page.evaluate("options => axe.run(document, options)", options)
        return [
            f"{one['id']} ({one['impact']}): {one['help']}: {one['nodes'][0]['html'][:200]}"
            for one in found["violations"]
            if every or one["impact"] in ("serious", "critical")
        ]

    return violations


@pytest.fixture
def listener(
    mosquitto: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seals_here: None
) -> Iterator[Listener]:
    listener = Listener(mosquitto.url, tmp_path / "archive")
    listener.start()
    assert listener.subscribed.wait(60)
    stop_once, stopped = listener.stop, threading.Event()

    def stop() -> Any:
        if not stopped.is_set():
            stopped.set()
            return stop_once()
        return None

    monkeypatch.setattr(listener, "stop", stop)
    yield listener
    stop()


@pytest.fixture
def crew(mosquitto: Any) -> Iterator[Crew]:
    crew = Crew(mosquitto.url)
    yield crew
    crew.close()


@pytest.fixture
def breathing(crew: Crew) -> Iterator[Callable[..., Breathing]]:
    threads: list[Breathing] = []

    def begin(set_id: str, bar: float, bar_s: float = 0.2) -> Breathing:
        crew.set(set_id, "setup", **SETUP)
        thread = Breathing(crew, set_id, bar, bar_s)
        thread.start()
        threads.append(thread)
        return thread

    yield begin
    for thread in threads:
        thread.silent.set()
        thread.join(60)


@pytest.fixture
def served(mosquitto: Any, listener: Listener) -> Iterator[Served]:
    served = Served(listener.archive, mosquitto.url)
    served.start()
    yield served
    served.close()


@pytest.fixture
def live(page: Any, served: Served) -> Iterator[Any]:
    page.goto(f"{served.url}/live")
    page.wait_for_selector(".clock:not(:empty)")
    yield page
    page.goto("about:blank")  # it would miss the server that goes next


@pytest.fixture
def listening(page: Any, served: Served) -> Iterator[Any]:
    """The live page with its sound allowed and heard."""
    page.add_init_script(f"({LISTEN})()")
    page.goto(f"{served.url}/live")
    page.wait_for_selector(".clock:not(:empty)")
    page.locator("button.sound").click()
    page.wait_for_selector("button.sound[aria-pressed=true]")
    yield page
    page.goto("about:blank")
