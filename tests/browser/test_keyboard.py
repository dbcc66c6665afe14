"""By keyboard alone: every control is reached in the order of the page, and its focus is seen whole."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from dashboard.pages import review as review_page
from ingest.importing import import_capture
from tests.browser.live_crew import Breathing, Crew
from tests.served_pages import pages_over

pytestmark = pytest.mark.browser

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "late_turn_back.ndjson.gz"
SIZES = [(1440, 900), (1024, 768)]
# What has the focus, and which part around it cuts its ring off.
FOCUSED = """() => {
  const here = document.activeElement;
  if (!here || here === document.body) return null;
  const style = getComputedStyle(here);
  const ring = parseFloat(style.outlineOffset) + parseFloat(style.outlineWidth);
  const box = here.getBoundingClientRect();
  let cut = style.outlineStyle === 'none' ? 'no ring' : '';
  for (let part = here.parentElement; part && part !== document.documentElement; part = part.parentElement) {
    const { overflowX, overflowY } = getComputedStyle(part);
    if (overflowX === 'visible' && overflowY === 'visible') continue;
    const room = part.getBoundingClientRect();
    const out = [room.left - box.left + ring, box.right + ring - room.right];
    // Of a field of several lines a browser brings the line into view that is written on, not the whole.
    if (box.height < room.height && here.tagName !== 'TEXTAREA')
      out.push(room.top - box.top + ring, box.bottom + ring - room.bottom);
    if (Math.max(...out) > 0.6) cut = `${part.className || part.tagName} by ${Math.max(...out)}`;
  }
  const name = here.getAttribute('aria-label') || here.innerText || here.id || here.tagName;
  return {name: name.slice(0, 60), cut, index: [...document.querySelectorAll('*')].indexOf(here)};
}"""
REACHABLE = """() => [...document.querySelectorAll('a[href], button, input, select, textarea, summary')]
  .filter(one => one.checkVisibility() && !one.disabled && one.tabIndex >= 0).length"""


def walked(page: Any) -> list[dict[str, Any]]:
    """Press Tab from the top of the page until the focus leaves it."""
    steps: list[dict[str, Any]] = []
    expected = page.evaluate(REACHABLE)
    while len(steps) < 3 * expected:
        page.keyboard.press("Tab")
        found = page.evaluate(FOCUSED)
        if found is None:
            break
        steps.append(found)
    assert len(steps) >= expected > 10
    return steps


def judge(steps: list[dict[str, Any]]) -> None:
    assert [(one["name"], one["cut"]) for one in steps if one["cut"]] == []
    places = [one["index"] for one in steps]
    assert places == sorted(places), "the focus leaps"


def test_the_review_bench(page: Any, tmp_path: Path) -> None:
    import_capture(SAMPLE, tmp_path)
    with pages_over(tmp_path, {"/review": review_page}) as address:
        page.goto(f"{address}/review?incident=TH-20310504-1912")
        page.wait_for_selector("#review-note-form, #review-clocks td")
        page.wait_for_selector("#review-lanes .main-svg")
        for width, height in SIZES:
            page.set_viewport_size({"width": width, "height": height})
            judge(walked(page))
        page.goto("about:blank")


def test_the_live_page(live: Any, crew: Crew, breathing: Callable[..., Breathing]) -> None:
    crew.desk("incident", incident_id="I-1", action="open", name="Quay 4")
    crew.desk("tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1", team="A")
    breathing("S-1", 280.0)
    breathing("S-2", 250.0)
    live.wait_for_function("() => document.querySelectorAll('.row').length === 2")
    crew.set("S-2", "alarm", alarm="heat", state="raised")
    for width, height in SIZES:
        live.set_viewport_size({"width": width, "height": height})
        live.reload()
        live.wait_for_selector(".alarms .seen")
        live.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true; })")
        judge(walked(live))
    # Whoever must give an order does not go through the buttons of sixty rows.
    live.reload()
    live.wait_for_selector(".alarms .seen")
    for key in ("Tab", "Tab", "Enter", "Tab"):
        live.keyboard.press(key)
    assert live.evaluate("document.activeElement.closest('section.desk') !== null")
