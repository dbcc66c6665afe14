"""What the browser tests share: axe-core, which checks a page for accessibility."""

from __future__ import annotations

from collections.abc import Callable
from importlib.resources import files
from typing import Any

import pytest

RULES = ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa", "best-practice"]


@pytest.fixture(scope="session")
def axe() -> Callable[[Any], list[str]]:
    """Run axe-core on a page; return every violation that it calls serious or critical, in one line each."""
    script = files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")

    def violations(page: Any) -> list[str]:
        page.evaluate(script)  # not hindered by the page's own policy, unlike a script element
        options = {"runOnly": {"type": "tag", "values": RULES}}
        found = page.evaluate("options => axe.run(document, options)", options)
        return [
            f"{one['id']} ({one['impact']}): {one['help']}: {one['nodes'][0]['html'][:200]}"
            for one in found["violations"]
            if one["impact"] in ("serious", "critical")
        ]

    return violations
