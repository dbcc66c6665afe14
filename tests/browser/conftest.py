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
CONTRAST = "color-contrast"
# One of all texts that have the same letters, grounds and opacity up to the root, and the same classes on the
# way: axe needs three milliseconds for the contrast of each text, and a page has thousands.
UNLIKE_TEXTS = """() => {
  const around = new Map(), found = new Map();
  const of = (one) => {
    if (one === null) return '';
    if (!around.has(one)) {
      const {backgroundColor, backgroundImage, opacity, position, filter} = getComputedStyle(one);
      const ground = [one.tagName, one.getAttribute('class'), backgroundColor, backgroundImage, opacity];
      around.set(one, `${of(one.parentElement)} (${[...ground, position, filter]})`);
    }
    return around.get(one);
  };
  for (const one of document.querySelectorAll('body *')) {
    const field = one.matches('input, select, textarea');
    if (!field && ![...one.childNodes].some((part) => part.nodeType === 3 && part.data.trim())) continue;
    if (!one.checkVisibility({opacityProperty: true, visibilityProperty: true})) continue;
    const {color, fontSize, fontWeight, textShadow} = getComputedStyle(one);
    const key = `${of(one)} ${[color, fontSize, fontWeight, textShadow, one.disabled]}`;
    const before = found.get(key);
    if (!before || one.childElementCount < before.childElementCount) found.set(key, one);
  }
  return [...found.values()];
}"""
RUN = f"""async ({{values, contrast}}) => {{
  // Not to describe each element that keeps the rules, of which a drawn page has thousands.
  const asked = (type, values) => ({{runOnly: {{type, values}}, resultTypes: ['violations']}});
  const found = await axe.run({{include: ({UNLIKE_TEXTS})()}}, asked('rule', ['{CONTRAST}']));
  if (contrast) return found.violations;
  const others = {{...asked('tag', values), rules: {{'{CONTRAST}': {{enabled: false}}}}}};
  return [...found.violations, ...(await axe.run(document, others)).violations];
}}"""


@pytest.fixture(scope="session")
def axe() -> Callable[..., list[str]]:
    """Run axe-core on a page; return its violations, those it calls serious or critical or every one.

    In the dark only contrast can give another answer than in the light: ask for `contrast` alone.
    """
    script = files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")

    def violations(page: Any, *, every: bool = False, contrast: bool = False) -> list[str]:
        page.evaluate(script)  # not hindered by the page's own policy, unlike a script element
        return [
            f"{one['id']} ({one['impact']}): {one['help']}: {one['nodes'][0]['html'][:200]}"
            for one in page.evaluate(RUN, {"values": RULES, "contrast": contrast})
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
