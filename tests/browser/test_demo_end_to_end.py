"""`underair demo` in a real browser: the rows move, a silence shows, the earlier incident is there.

The `page` fixture fails the test on any console error, script error or request that leaves this machine.
"""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.dashboard.running_demo import (
    Demo,
    nothing_is_lost_between_the_written_past_and_what_comes_over_mqtt,
)

pytestmark = pytest.mark.browser

DRAWN = "#review-lanes .js-plotly-plot .main-svg"


@pytest.fixture
def demo(free_port: Callable[[], int], tmp_path: Path, wait_until: Callable[..., Any]) -> Iterator[Demo]:
    running = Demo(free_port(), tmp_path)
    try:
        assert running.process.stdout is not None
        assert running.process.stdout.readline() == f"underair demo: {running.url}/\n"
        yield running
        os.killpg(running.process.pid, signal.SIGINT)  # Ctrl-C reaches the whole group
        assert running.process.wait(60) == 0
        assert running.process.stderr is not None
        assert "Traceback" not in running.process.stderr.read()
        wait_until(lambda: running.processes() == [], what="the last process to go")
        assert running.folders() == []
    finally:
        running.end()


def air_by_wearer(page: Any) -> dict[str, str]:
    """What each row says about its wearer's air: pressure, age and rate."""
    return dict(
        page.locator(".row").evaluate_all(
            "rows => rows.map(row => [row.querySelector('.who').textContent,"
            " row.querySelector('.air').textContent + ' ' + row.querySelector('.air_sub').textContent])"
        )
    )


def test_the_rows_move_a_silence_shows_and_the_earlier_incident_is_there_to_review(
    page: Any, demo: Demo
) -> None:
    # At once, as a person would who clicks the address: the page waits, and is not refused.
    page.goto(f"{demo.url}/")
    page.locator(".row").nth(8).wait_for()
    first = air_by_wearer(page)
    assert {"W-01", "W-04", "W-09"} <= set(first)

    deadline = time.monotonic() + 60
    while True:
        now = air_by_wearer(page)
        if sum(now.get(who) != said for who, said in first.items()) > len(first) / 2:
            break
        assert time.monotonic() < deadline, f"most rows stood still: {first}"
        page.wait_for_timeout(100)
    assert "do not replace the set's own gauge" in page.locator(".caution").inner_text()
    assert "connected" in page.locator("body").inner_text()

    # Half a minute in, one set falls silent: its number is crossed out and dated, not shown as live.
    silent = page.locator(".row[data-a=silent]", has_text="W-09")
    silent.wait_for()
    crossed = silent.locator("span.air").evaluate("one => getComputedStyle(one).textDecorationLine")
    assert crossed == "line-through"

    page.goto(f"{demo.url}/review")
    page.fill("#review-incidents-find", "Ropewalk")
    # The earlier one has wears of all twelve; the year's smaller ones may share its place.
    finished = page.locator("#review-incidents tbody tr:visible", has_text="50 min").first
    finished.locator("td a").click()
    page.wait_for_selector(DRAWN)
    findings = page.locator(".finding-item").all_inner_texts()
    assert any("turn-back was due" in finding for finding in findings)
    assert any("Not heard for 3 min" in finding for finding in findings)

    page.goto("about:blank")  # it would miss the server that goes next
    (folder,) = demo.folders()
    nothing_is_lost_between_the_written_past_and_what_comes_over_mqtt(folder / "archive")
